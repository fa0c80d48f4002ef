"""The page of all symbols and names with unit and sign, made from the dataclasses that numbers are kept in.

    python -m tests.house_symbols
"""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator
from pathlib import Path

from audit.lens import Lens
from audit.match.drawn import Rule
from audit.match.evidence import PhotoArrays, Settings, SiteArrays
from audit.match.stays import CodeHabit
from audit.match.walk import Chain, Posterior, Tables
from audit.measure.board import Board
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange
from audit.measure.registration import Registration
from audit.measure.resection import Resection, Sighting, Station

PAGE = Path(__file__).resolve().parent.parent / "docs" / "symbols.md"
ROOMS = {
    "The lens (`audit/lens.py`)": (Lens,),
    "What is measured (`audit/measure/`)": (Orientation, Sky, Clarity, ImageMeasurement, ViewChange, Registration, Sighting, Station, Resection, Board),
    "Matching (`audit/match/`)": (Settings, SiteArrays, PhotoArrays, Chain, Tables, Posterior, Rule, CodeHabit),
}
#: The letter that docs/matching.md and docs/measuring.md write for a name.
LETTERS = {
    "focal_px": "f", "k1": "k_1", "k2": "k_2", "pitch_deg": "p", "roll_deg": r"\varrho", "rotation": "R", "zoom": r"\zeta", "fraction": r"\phi",
    "position_scale": r"\sigma/\sigma_\text{stated}", "standoff_sd_m": "s", "repeat_m": "r", "repeat_share": r"\rho", "correlation_s": r"\tau",
    "front_share": r"\varphi", "direction_sd_deg": r"\sigma_n", "direction_wide_deg": r"\sigma_w", "direction_wide_share": "w",
    "stay_share": "q", "resume_share": "r_a", "stray_share": r"\pi", "beside_share": r"\kappa", "order_share": "o", "back_share": "b",
    "missed_share": "g(0)", "missed": "g(0)", "again_share": "g_2", "again": "g_2", "lengths": r"\ell_n", "habit": "H", "walk_scale_m": r"\lambda", "spacing_m": "h", "area_m2": "A",
    "stay_gap_s": "m", "move_gap_s": "m", "stay_gap_spread": r"\varsigma", "move_gap_spread": r"\varsigma", "candidates": "c", "move": "A_t",
    "stay": "A_t", "Tables.real": "f_t", "Tables.away": "f_t", "Posterior.real": r"P(z_t \mid y)", "Posterior.away": r"P(z_t \mid y)",
}
#: What names mean where the class's own words, above its attributes, or another class say it.
ELSEWHERE = {
    "note": "Why there is no value, or what limits it.", "lens": "The lens.", "width_px": "Size of the picture.", "height_px": "Size of the picture.",
    "orientation": "Roll and pitch.", "sky": "Open sky.", "clarity": "Glass and sharpness.", "elapsed_ms": "Time that measuring took.",
    "pan_change_deg": "Pose today minus pose of the reference.", "pan_change_sd_deg": "Of the same.", "pitch_change_deg": "Pose today minus pose of the reference.",
    "pitch_change_sd_deg": "Of the same.", "roll_change_deg": "Pose today minus pose of the reference.", "roll_change_sd_deg": "Of the same.",
    "contrast_ratio_sd": "Of the same.", "soiled_fraction_sd": "Of the same.", "blocked_fraction_sd": "Of the same.", "zoom_ratio_sd": "Of the same.",
    "dirt_probability": "That something on the glass or the focus spoils the picture.", "dirt_cause": "Likeliest cause; ``clear`` where none.",
    "pitch_deg": "Of the optical axis.", "pitch_sd_deg": "Of the same.", "roll_deg": "About the optical axis.", "roll_sd_deg": "Of the same.",
    "hfov_deg": "Angle of view over the picture's width.", "hfov_sd_deg": "Of the same.", "residuals": "What is left of each click.",
    "refused": "Clicks that can't be true, each with its reason.", "east_m": "Places of the cameras.", "north_m": "Places of the cameras.",
    "up_m": "Floors of the cameras, as walking distance.", "bearing": "Where the cameras look; NaN where one looks straight down.",
    "area_m2": "Where strays may lie.", "spacing_m": "Median distance of a camera to its third nearest.",
    "move": "From the step before (rows) to a new stay (columns), from a real photo.", "move_away": "The same from an away one.",
    "stay": "On at the same camera, real to real.", "stay_away": "On at the same camera, away to real.", "drift": "On at the same camera, any to away.",
    "previous": "Place of the same camera in the list before; K where it is not in it.", "following": "The same in the list after.",
    "real": "Factor of the photo as one of the candidate.", "away": "Factor of the photo as a stray beside it.",
    "cut": "True where a step does not follow on the one before it.", "restart": "Chance of each camera after a cut.",
}
UNITS = (
    ("_deg", "°"), ("_rad", "rad"), ("_m2", "m²"), ("_m", "m"), ("_s", "s"), ("_ms", "ms"), ("_px", "px"), ("fraction", "0..1"), ("share", "0..1"),
    ("probability", "0..1"), ("ratio", "1"), ("gap_spread", "ln s"),
)
SIGNS = {
    "bearing": "clockwise from true north", "pitch": "+ above the horizontal", "roll": "+ clockwise seen from behind the camera",
    "pan_change": "+ to the right", "pitch_change": "+ up", "roll_change": "+ clockwise seen from behind the camera",
    "east": "+ east", "north": "+ north", "up_m": "+ up", "column": "+ right from the left edge", "row": "+ down from the upper edge",
}


def unit(name: str) -> str:
    """By the name's ending; a standard deviation has the unit of what it is of."""
    if name == "sd" or name.endswith("_sd"):
        return "as its value"
    if name == "bearing":
        return "rad"
    bare = name.replace("_sd_", "_")
    return next((said for ending, said in UNITS if bare == ending.strip("_") or bare.endswith(ending)), "")


def sign(name: str) -> str:
    """Which way is plus, of what has two ways."""
    if "_sd" in name or name.endswith("share"):
        return ""
    return next((said for start, said in sorted(SIGNS.items(), key=lambda item: -len(item[0])) if name.startswith(start)), "")


def meanings(kind: type) -> dict[str, str]:
    """What the docstring says of each attribute, in one line."""
    section = re.search(r"Attributes\n-+\n(.*?)(?:\n\n[A-Z]\w+\n-+\n|\Z)", inspect.getdoc(kind) or "", re.S)
    found: dict[str, str] = {}
    for names, _, text in re.findall(r"^(\w[\w, ]*?) : ([^\n]*)\n((?:    [^\n]*\n?)*)", section[1] if section else "", re.M):
        for name in names.split(", "):
            found[name] = " ".join(text.split())
    return found


def page() -> Iterator[str]:
    """The page, line by line."""
    yield "# Symbols and names"
    yield ""
    yield "Made from the dataclasses and their docstrings by `python -m tests.house_symbols`; a test holds it to them. Letters are those of"
    yield "[matching.md](matching.md) and [measuring.md](measuring.md). Angles are in degrees at the edges and in radians inside kernels; `sd` is one"
    yield "standard deviation, in the unit of what it is of; None (NaN in arrays) is missing, with a note. Frames: `audit/frames.py`."
    for title, kinds in ROOMS.items():
        yield from ("", f"## {title}")
        for kind in kinds:
            said = meanings(kind)
            yield from ("", f"### {kind.__name__}", "", "| name | letter | unit | sign | meaning |", "|---|---|---|---|---|")
            for field in dataclasses.fields(kind):
                letter = LETTERS.get(f"{kind.__name__}.{field.name}", LETTERS.get(field.name, ""))
                letter = f"${letter}$" if letter else ""
                text = (said.get(field.name) or ELSEWHERE.get(field.name, "")).replace("|", r"\|")
                yield f"| `{field.name}` | {letter} | {unit(field.name)} | {sign(field.name)} | {text} |"


if __name__ == "__main__":
    PAGE.write_text("\n".join(page()) + "\n", encoding="utf-8")

"""Mount chains: whether the parts that a camera is mounted on go together, and what its joints can still move.

The knowledge stands in ``catalogue.toml``; here are only the rules that read it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from audit.errors import PlanProblem
from audit.plan.catalogue import catalogue, plain_words
from audit.plan.model import Camera
from audit.plan.parts import Part, nearest_part, part_named, parts_csv, parts_list, structure_named, thread_named

__all__ = ["Joints", "chain_problems", "joints", "needed_chain", "parts_csv", "parts_list"]


#: How far a seat may stand from the planned direction before another adapter is needed (our default).
_SEAT_SLACK_DEG = 3.0

#: Settable tilt adapters reach about this far (our default: the usual wedges are 10 to 45 degrees).
_ADAPTER_REACH_DEG = 45.0

_WALL_FISHEYE_PITCH_DEG = -60.0
#: Facts of parts that the camera's setting asks for.
_FACTS = ("room_for_plug", "hides_light", "sheds_water", "holds_fall", "spreads_load")
#: A camera whose seat looks down at least so far hangs.
_HANGS_PITCH_DEG = -60.0


@dataclass(frozen=True, slots=True)
class Joints:
    """What can still be moved once the parts are up.

    Attributes
    ----------
    seat_pitch_deg : float
        Where the seat's own axis looks: 0 level, -90 straight down.
    lowest_pitch_deg, highest_pitch_deg : float
        Pitch that the camera's joint reaches on this seat.
    turn_deg : float
        How far it can turn (360 = all round, 0 = not without moving the seat).
    rolls : bool
        Whether it can be turned about its own axis.
    where : str
        The joint, in words.
    """

    seat_pitch_deg: float
    lowest_pitch_deg: float
    highest_pitch_deg: float
    turn_deg: float
    rolls: bool
    where: str

    def reaches(self, pitch_deg: float) -> bool:
        """Whether the joint alone brings the axis to that pitch."""
        return self.lowest_pitch_deg - 1e-9 <= pitch_deg <= self.highest_pitch_deg + 1e-9


def _is_made_of(camera: Camera, material: str) -> bool:
    words = f" {plain_words(camera.surface_detail)} {plain_words(camera.mount.parts[0]) if camera.mount.parts else ''} "
    return any(f" {m} " in words for m in catalogue()["materials"][material])


def _seat(camera: Camera) -> str | None:
    if _is_made_of(camera, "beam"):
        return "beam"
    return None if camera.surface is None else str(catalogue()["seats"][camera.surface])


def _chain(camera: Camera) -> tuple[tuple[Part, ...], tuple[str, ...], str | None]:
    """Known parts, unknown wordings, and the structure named at the chain's start."""
    names = list(camera.mount.parts)
    structure = None
    if names and part_named(names[0]) is None and structure_named(names[0]) is not None:
        structure = structure_named(names.pop(0))
    found = [(name, part_named(name)) for name in names]
    return (tuple(p for _, p in found if p is not None), tuple(n for n, p in found if p is None), structure)


def _seat_pitch(camera: Camera, parts: tuple[Part, ...]) -> float:
    """Where the last seat looks, degrees above the horizontal."""
    pitch = -90.0 if camera.surface in ("soffit", "hard ceiling", "tile ceiling") else 0.0
    for part in parts:
        if part.fact("points") == "down":
            pitch = -90.0
        elif part.fact("tilts"):
            angle = part.angle_deg if part.angle_deg is not None else min(_ADAPTER_REACH_DEG, abs(camera.pitch_deg))
            pitch = max(-90.0, pitch - angle) if pitch > -90.0 else pitch + angle
    return pitch


def joints(camera: Camera) -> Joints | None:
    """What the camera's own joint can move on its planned seat; None where the plan names no form.

    Ranges are those of the common build of each form (our default): the camera's own sheet decides.
    """
    if camera.form is None:
        return None
    entry = catalogue()["joints"][camera.form]
    seat = _seat_pitch(camera, _chain(camera)[0])
    cone = float(entry["cone_deg"])
    lowest, highest = max(-90.0, seat - cone), min(90.0, seat + cone)
    turn = float(entry["turns_deg"])
    if seat > -60.0 and camera.form != "ptz":
        turn = min(turn, 2 * cone)
    return Joints(seat, lowest, highest, turn, bool(entry["rolls"]), str(entry["where"]))


def needed_chain(camera: Camera) -> tuple[str, ...]:
    """The parts that the camera's form needs on its surface and in its setting, structure outwards; empty if unknown."""
    if camera.form is None or camera.surface is None:
        return ()
    outdoor = camera.setting != "indoor"
    seat = _seat(camera)
    heavy = bool(catalogue()["joints"][camera.form].get("heavy"))
    chain: list[str] = []
    if seat == "mast":
        chain.append(
            "heavy pole adapter" if heavy else "wide plate" if _is_made_of(camera, "turning") else "pole adapter"
        )
    elif seat == "corner":
        chain.append("corner adapter")
    elif seat == "tile":
        chain.append("tile support")
    elif camera.surface == "wall" and _is_made_of(camera, "sheet"):
        chain.append("rail")
    ceiling = camera.surface in ("soffit", "hard ceiling", "tile ceiling")
    pendant = camera.form in ("ptz", "multi-sensor") or (camera.form == "fisheye" and not _on_wall(camera))
    pendant = pendant or (camera.form == "dome" and outdoor)
    if seat == "edge":
        chain += ["parapet arm", "pendant adapter"] if pendant else ["parapet arm"]
    elif seat == "beam":
        chain += ["beam clamp", "drop tube", "pendant adapter"] if pendant or camera.form == "dome" else ["beam clamp"]
    elif pendant and not ceiling:
        chain += ["heavy arm" if heavy else "arm", "pendant adapter"]
    elif pendant and heavy:
        chain += ["ceiling flange", "drop tube", "pendant adapter"]
    elif camera.form == "box":
        chain.append("housing bracket")
        chain += ["housing"] if outdoor else []
    else:
        chain.append("junction box")
    if _on_wall(camera) and camera.pitch_deg < -_SEAT_SLACK_DEG:
        chain.append(f"tilt adapter {-camera.pitch_deg:.0f}")
    if heavy or seat == "tile":
        chain.append("safety lanyard")
    return tuple(chain)


def _on_wall(camera: Camera) -> bool:
    return camera.form == "fisheye" and camera.pitch_deg > _WALL_FISHEYE_PITCH_DEG


class _Report:
    """Collects the problems of one camera's chain."""

    def __init__(self, camera: Camera, file: str) -> None:
        self.camera, self.file = camera, file
        self.found: list[PlanProblem] = []

    def add(
        self,
        message: str,
        remedy: str,
        severity: str = "warning",
        value: str | None = None,
        accepted: str | None = None,
    ) -> None:
        shown = value if value is not None else (str(self.camera.mount) or None)
        self.found.append(
            PlanProblem(
                self.file,
                message,
                row=self.camera.row,
                column="mount",
                value=shown,
                accepted=accepted,
                severity=severity,
                camera=self.camera.camera,
                remedy=remedy,
            )
        )


def chain_problems(camera: Camera, file: str = "plan") -> tuple[PlanProblem, ...]:
    """What is missing in a camera's mount chain, what can't fit, and what will go wrong, each with a remedy.

    ``error``: it can't be mounted as planned; ``warning``: it can, and will go wrong; ``caution``: worth knowing.
    """
    report = _Report(camera, file)
    if not camera.mount.parts:
        needed = needed_chain(camera)
        advice = f"Usual here: {' > '.join(needed)}." if needed else "Name the parts from the structure outwards."
        report.add("no mount parts are planned.", advice)
        return tuple(report.found)
    parts, unknown, structure = _chain(camera)
    for name in unknown:
        near = nearest_part(name)
        guess = f"Did you mean '{near}'? " if near else ""
        report.add(
            f"the part '{name}' is unknown, so this camera's mount isn't checked further.",
            guess + "Use a part of the catalogue.",
            "warning",
            name,
            ", ".join(catalogue()["parts"]),
        )
    _check_order(report, parts, structure)
    if unknown:
        return tuple(report.found)
    _check_interfaces(report, parts, structure)
    _check_threads(report, parts)
    _check_load(report, parts)
    _check_reach(report, parts)
    _check_setting(report, parts)
    return tuple(report.found)


def _check_order(report: _Report, parts: tuple[Part, ...], structure: str | None) -> None:
    camera = report.camera
    if structure is not None and camera.surface is not None and structure != camera.surface:
        report.add(
            f"the chain starts at a {structure}, but the surface is '{camera.surface_detail or camera.surface}'.",
            "Correct the surface or the chain.",
            "error",
            camera.mount.parts[0],
            camera.surface,
        )
    seen: dict[str, int] = {}
    for index, part in enumerate(parts):
        before = seen.get(part.word)
        if before is not None and before != index - 1:
            report.add(
                f"the chain runs in a loop: '{part.text}' comes back after other parts.",
                "List each part once, from the structure outwards to the camera.",
                "error",
                part.text,
            )
            return
        seen[part.word] = index
    for name in camera.mount.parts[1:]:
        if part_named(name) is None and structure_named(name) is not None:
            report.add(
                f"'{name}' is a structure and stands inside the chain.",
                "A chain starts at the structure and goes outwards to the camera.",
                "error",
                name,
            )
            return


def _bridge(have: str, want: tuple[str, ...]) -> str | None:
    for entry in catalogue()["bridges"]:
        if entry["from"] == have and entry["to"] in want:
            return str(entry["part"])
    for entry in catalogue()["bridges"]:
        if entry["from"] == have and (further := _bridge(str(entry["to"]), want)) is not None and entry["to"] != have:
            return f"{entry['part']} and {further}"
    return None


def _check_interfaces(report: _Report, parts: tuple[Part, ...], structure: str | None) -> None:
    """Each part must fit what the one before offers; the camera must fit the last."""
    camera = report.camera
    seat = _seat(camera)
    if seat is None:
        if structure is None:
            return
        seat = str(catalogue()["seats"][structure])
    have, also, last = seat, "", camera.surface_detail or camera.surface or structure or "structure"
    for part in parts:
        fits = tuple(part.fact("fits", ()))
        if not fits:
            continue
        if have == "beam" and "beam" not in fits and "flat" in fits:
            have = "flat"
        if have not in fits and also not in fits:
            missing = _bridge(have, fits)
            remedy = (
                f"Add {_a(missing)} between {last} and {part.text}."
                if missing
                else (f"Put the parts in order, or choose another than '{part.text}'.")
            )
            report.add(
                f"'{part.text}' does not fit on {last}" + (f": the {missing} is missing." if missing else "."),
                remedy,
                "error",
                part.text,
            )
        have, also, last = str(part.fact("offers")), str(part.fact("also_offers", "")), part.text
    if camera.form is None:
        return
    fits = tuple(catalogue()["joints"][camera.form]["fits"])
    if have in ("beam",) and "flat" in fits:
        have = "flat"
    if have not in fits and also not in fits:
        missing = _bridge(have, fits)
        shown = camera.form_detail or camera.form
        if missing:
            report.add(
                f"the {missing} is missing between {last} and the {shown}"
                + (": an arm or tube does not bring it along." if "pendant adapter" in missing else "."),
                f"Order {_a(missing)} made for this camera.",
                "error",
            )
        else:
            report.add(
                f"a {shown} can't be fixed to '{last}'.",
                f"It needs {' or '.join(fits)}: usual here {' > '.join(needed_chain(camera)) or 'another mount'}.",
                "error",
            )


def _a(word: str) -> str:
    """A word with its indefinite article."""
    return f"{'an' if word[:1].lower() in 'aeio' else 'a'} {word}"


def _extra(camera: Camera, column: str) -> str | None:
    return next((text for name, text in camera.extra if name.lower() == column), None)


def _check_threads(report: _Report, parts: tuple[Part, ...]) -> None:
    """Threads of neighbouring parts, and of the camera where the plan has a column ``thread``."""
    named = [(p.text, thread_named(p.text)) for p in parts if p.thread is not None]
    own = _extra(report.camera, "thread")
    if own is not None and thread_named(own) is not None:
        named.append((f"the camera ({own})", thread_named(own)))
    for (inner, a), (outer, b) in zip(named, named[1:], strict=False):
        if a is None or b is None or a == b:
            continue
        gap = abs(a.outside_mm - b.outside_mm)
        if gap < 1.0 and abs(a.pitch_mm - b.pitch_mm) < 0.001:
            how = f"it goes on ({gap:.2f} mm apart, same pitch) but neither holds nor seals as made"
        elif gap < 1.0:
            how = f"it starts by hand and binds after a few turns (pitch {a.pitch_mm:g} against {b.pitch_mm:g} mm)"
        else:
            how = f"{a.outside_mm:g} mm against {b.outside_mm:g} mm outside"
        report.add(
            f"'{inner}' and '{outer}' have different threads: {how}.",
            f"Order both with {a.name}; no force, no tape as a spacer.",
            "error",
            outer,
            a.name,
        )


def _check_load(report: _Report, parts: tuple[Part, ...]) -> None:
    """Rated loads in the parts' wording against the plan's column ``weight_kg``."""
    text = _extra(report.camera, "weight_kg")
    if text is None:
        return
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(?:kg)?", text.strip(), re.IGNORECASE)
    if found is None:
        report.add(
            f"weight_kg '{text}' is no weight in kilograms.", "Give it as a number.", value=text, accepted="a number"
        )
        return
    weight = float(found.group(1).replace(",", "."))
    for part in parts:
        if part.load_kg is not None and part.load_kg < weight:
            report.add(
                f"'{part.text}' is rated for less than the camera's {weight:g} kg.",
                f"Use a {part.word} rated for at least {weight:g} kg, with the maker's margin.",
                "error",
                part.text,
                f"at least {weight:g} kg",
            )


def _check_reach(report: _Report, parts: tuple[Part, ...]) -> None:
    camera = report.camera
    reach = joints(camera)
    if reach is None:
        return
    tilts = [p for p in parts if p.fact("tilts")]
    if _on_wall(camera):
        if camera.pitch_deg < -_SEAT_SLACK_DEG and abs(reach.seat_pitch_deg - camera.pitch_deg) > _SEAT_SLACK_DEG:
            have = f"'{tilts[0].text}' gives {-reach.seat_pitch_deg:.0f}°" if tilts else "no tilt adapter is planned"
            report.add(
                f"a wall-mounted fisheye can't tilt by itself, and for {-camera.pitch_deg:.0f}° down {have}.",
                f"Plan a tilt adapter of {-camera.pitch_deg:.0f}°, thick side up, between junction box and camera.",
                "error",
            )
        elif abs(camera.pitch_deg) <= _SEAT_SLACK_DEG and not tilts and camera.setting != "indoor":
            report.add(
                "without a tilt adapter half of what this fisheye sees lies above the horizon.",
                "Plan a tilt adapter, or accept the sky.",
            )
        return
    if not reach.reaches(camera.pitch_deg) and not (
        camera.form == "fisheye" and abs(reach.seat_pitch_deg - camera.pitch_deg) <= _SEAT_SLACK_DEG
    ):
        report.add(
            f"pitch {camera.pitch_deg:g}° lies outside what {reach.where} reaches on this mounting face "
            f"({reach.lowest_pitch_deg:.0f}° to {reach.highest_pitch_deg:.0f}°).",
            "Change the mounting face (arm, L-bracket or tilt adapter), or check the planned pitch and the camera's sheet.",
        )


def _check_setting(report: _Report, parts: tuple[Part, ...]) -> None:
    facts = {name for p in parts for name in _FACTS if p.fact(name)}
    _check_weather(report, parts, facts)
    _check_weight(report, parts, facts)
    _check_structure(report, parts, facts)


def _check_weather(report: _Report, parts: tuple[Part, ...], facts: set[str]) -> None:
    """Water, connectors and ceilings."""
    camera = report.camera
    outdoor = camera.setting == "outdoor"
    joint = catalogue()["joints"].get(camera.form, {})
    seat_down = _seat_pitch(camera, parts) <= _HANGS_PITCH_DEG
    if joint.get("plug") and outdoor and "room_for_plug" not in facts and not _is_made_of(camera, "hollow"):
        report.add(
            f"a {camera.form} has a connector on its fly lead, and no part has room for it: left outside it corrodes.",
            "Add a junction box under the camera's base.",
        )
    if camera.form == "dome" and outdoor and not seat_down and "sheds_water" not in facts:
        report.add(
            "a dome flat on a wall outdoors holds water, which dries to dust and reflects infrared at night.",
            "Mount it on an arm with a pendant adapter or turn it down by an L-bracket; at least add a sunshield.",
        )
    if "hides_light" in facts:
        if outdoor:
            report.add("a recessed mount is not made for outdoors.", "Use a surface or pendant mount.")
        report.add(
            "a recessed mount hides the status LED and the label.",
            "Read LED and serial, and photograph them, before closing the ceiling.",
            "caution",
        )


def _check_weight(report: _Report, parts: tuple[Part, ...], facts: set[str]) -> None:
    """Weight, and what carries it."""
    camera = report.camera
    words = {p.word for p in parts}
    joint = catalogue()["joints"].get(camera.form, {})
    if joint.get("heavy"):
        light = [p for p in parts if p.fact("load") == "light" or p.word == "pole adapter"]
        for part in light:
            report.add(
                f"'{part.text}' is a light part under a heavy {camera.form}: it sags and shakes.",
                f"Use the heavy {part.word}, and check its rated load against the delivery note.",
            )
        if "holds_fall" not in facts:
            report.add(f"a heavy {camera.form} has no second fixing against falling.", "Add a safety lanyard.")
    if camera.surface == "tile ceiling":
        if "tile support" not in words and "recessed mount" not in words:
            report.add(
                "a ceiling tile alone sags, and the view tilts within months.", "Add a tile support on both rails."
            )
        if "holds_fall" not in facts:
            report.add("nothing holds the camera if the tile goes.", "Add a safety wire to the slab.")
    if camera.surface == "wall" and _is_made_of(camera, "sheet") and "spreads_load" not in facts:
        report.add(
            "thin sheet moves with wind and heat, and the aim with it.",
            "Fix a rail or back plate to the frame behind the sheet.",
        )


def _check_structure(report: _Report, parts: tuple[Part, ...], facts: set[str]) -> None:
    """What moves, slopes, or was there before."""
    camera = report.camera
    if _is_made_of(camera, "turning"):
        if "spreads_load" not in facts:
            report.add("a timber pole swells and turns.", "Use a wide plate with four screws over two faces.")
        report.add(
            "a timber pole turns with the seasons, and the bearing with it.",
            "Keep a reference picture and compare it at each visit.",
            "caution",
        )
    if camera.form == "dome" and _is_made_of(camera, "sloped") and not any(p.fact("tilts") for p in parts):
        report.add("a dome on a slope is mounted out of level.", "Add a tilt adapter against the slope.")
    for part in parts:
        if re.search(r"\b(old|existing|reuse|reused)\b", part.text.lower()):
            report.add(
                f"'{part.text}': a new camera usually does not fit an old mount.",
                "Photograph the old hole pattern first, and plan an adapter plate.",
            )

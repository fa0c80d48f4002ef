"""What the crew does about a finding: how much, which way, at which joint, with which part, and with what care."""

from __future__ import annotations

import math

from audit.judge.finding import Remedy
from audit.plan.model import Camera

__all__ = ["aim_remedy", "clean_remedy", "focus_remedy", "level_remedy", "night_remedy", "swap_remedy", "view_remedy"]

LADDER = (
    "Working at height: use the site's own access rules, a secured ladder or platform and a second person; "
    "local law decides."
)
INFRARED = "Infrared emitters: switch off or keep eyes well away before working close to the lens."
GLASS = "Glass and domes: clean with the maker-approved cloth and liquid, dry inside, never scrape."
ISOLATE = "Isolate the supply where the housing is opened; mains work is for licensed people."


def _cautions(camera: Camera, *more: str) -> tuple[str, ...]:
    first = (LADDER,) if camera.height_m > 1.8 else ()
    infrared = (INFRARED,) if camera.night == "infrared" else ()
    return first + infrared + more


def _cone(camera: Camera, pitch_deg: float) -> str | None:
    """Where the picture's lower edge lands on level ground when the aim is right."""
    if camera.lens.projection != "rectilinear":
        return None
    lower = math.radians(-pitch_deg + camera.lens.vfov_deg / 2)
    if not 0 < lower < math.pi / 2:
        return None
    near = camera.height_m / math.tan(lower)
    return (
        f"Put a cone {near:.1f} m out from below the camera (level ground) and tip until it stands on the "
        "picture's lower edge."
    )


def aim_remedy(camera: Camera, tip_deg: float, sd_deg: float, pitch_deg: float) -> Remedy:
    """Tip by ``tip_deg`` (+ up) to reach ``pitch_deg``."""
    way = "up" if tip_deg > 0 else "down"
    amount = f"Tip {way} {abs(tip_deg):.1f}° ± {1.96 * sd_deg:.1f}°"
    parts: tuple[str, ...] = ()
    if camera.form == "fisheye":
        parts = (f"tilt adapter for {abs(pitch_deg):.0f}°",)
        action = (
            f"{amount}: a fisheye fixed on its seat can't tip; fit the {parts[0]} with the thick side up, "
            "between back box and camera."
        )
    elif camera.form == "dome":
        action = f"{amount} at the dome's inner gimbal; if its stop is reached, change the seat (tilt adapter or arm)."
    elif camera.form == "ptz":
        action = f"{amount} by correcting the stored home position; level the mount first."
    else:
        action = f"{amount} at the foot's joint; lock it and take a new day and night snapshot."
    return Remedy(action, _cone(camera, pitch_deg), parts, _cautions(camera), tip_deg=tip_deg, sd_deg=sd_deg)


def level_remedy(camera: Camera, roll_deg: float, sd_deg: float) -> Remedy:
    """Turn about the axis by ``roll_deg`` (+ clockwise seen from behind)."""
    way = "clockwise" if roll_deg > 0 else "counter-clockwise"
    seat = (
        "strap the pole adapter again and mark the bands"
        if camera.surface == "pole"
        else "turn the seat or the third axis"
    )
    return Remedy(
        f"Turn {abs(roll_deg):.1f}° ± {1.96 * sd_deg:.1f}° {way} seen from behind: {seat}.",
        "Uprights in the middle of the picture stand parallel to its side edges.",
        (),
        _cautions(camera),
        roll_deg=roll_deg,
        sd_deg=sd_deg,
    )


def view_remedy(camera: Camera, turn_deg: float, tip_deg: float, sd_deg: float) -> Remedy:
    """Back to the reference: turn (+ right) and tip (+ up)."""
    moves = []
    if abs(turn_deg) > 0.3:
        moves.append(f"turn {'right' if turn_deg > 0 else 'left'} {abs(turn_deg):.1f}°")
    if abs(tip_deg) > 0.3:
        moves.append(f"tip {'up' if tip_deg > 0 else 'down'} {abs(tip_deg):.1f}°")
    text = " and ".join(moves) or "compare with the reference"
    return Remedy(
        f"{text[0].upper()}{text[1:]} (± {1.96 * sd_deg:.1f}°) back to the reference, tighten and mark the joint, and "
        "find out why it moved (post, band, tile, wind).",
        "Hold the reference picture beside the live view: edges at the frame's border agree.",
        (),
        _cautions(camera),
        turn_deg=turn_deg,
        tip_deg=tip_deg,
        sd_deg=sd_deg,
    )


def clean_remedy(camera: Camera, cause: str | None) -> Remedy:
    """Clean what the picture shows to be dirty."""
    action = {
        "haze": "Look for protective film and peel it off; else clean the cover inside and out and dry it.",
        "spots": "Clean drops and dust off the cover; find where the water runs from.",
        "web": "Brush the web away; agree a cleaning interval or move the infrared away from the cover.",
        "infrared glow": "Clean the cover, seat it evenly, and move near surfaces out of the infrared's way.",
        "blocked": "Remove what covers the lens (cap, cover, spray, foliage).",
    }.get(cause or "", "Take a close-up of the cover; clean it if it is dirty.")
    return Remedy(action, "Take a day and a night snapshot afterwards.", (), _cautions(camera, GLASS))


def focus_remedy(camera: Camera) -> Remedy:
    """Focus again."""
    return Remedy(
        "Focus again with the iris open (dusk or a dark filter), lock the ring, and check it at night.",
        "Fine detail at the target's distance is crisp at full resolution.",
        (),
        _cautions(camera),
    )


def night_remedy(camera: Camera) -> Remedy:
    """Infrared thrown back into the lens."""
    flat = camera.form == "dome" and camera.surface == "wall"
    parts = ("L-bracket or arm with pendant cap",) if flat else ()
    action = (
        "Dried water on a dome that faces outwards glows under infrared: point the dome down by its L-bracket or "
        "an arm, then clean it."
        if flat
        else "Clean the cover, seat it evenly, and move near surfaces out of the infrared's way."
    )
    return Remedy(action, "Take the night snapshot again, fully dark.", parts, _cautions(camera, GLASS))


def swap_remedy(camera: Camera, other: str) -> Remedy:
    """Two cameras on each other's record."""
    return Remedy(
        f"Exchange the names (or ports) of {camera.camera} and {other}, not the cameras; take both snapshots again.",
        "Each snapshot shows its own planned view.",
        (),
        (ISOLATE,),
    )

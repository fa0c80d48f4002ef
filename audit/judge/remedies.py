"""What the crew does about a finding: how much, which way, at which joint, with which part, and with what care."""

from __future__ import annotations

from dataclasses import replace

from audit.judge.finding import Remedy
from audit.plan.model import Camera
from audit.plan.mounts import joints
from audit.plan.optics import Pose, geometry
from audit.plan.parts import part_named

__all__ = [
    "aim_remedy",
    "cautions_of",
    "clean_remedy",
    "find_target_remedy",
    "first_whose",
    "focus_remedy",
    "identity_remedy",
    "level_remedy",
    "lowest_aim_remedy",
    "missing_tilt_part",
    "night_remedy",
    "obstruction_remedy",
    "pan_remedy",
    "plumb_remedy",
    "stream_remedy",
    "swap_remedy",
    "turn_remedy",
    "view_remedy",
]

LADDER = (
    "Working at height: use the site's own access rules, a secured ladder or platform and a second person; "
    "local regulations apply."
)
TRAFFIC = "Poles and gates stand beside traffic: cordon off the ladder; PPE as the site requires."
INFRARED = "Infrared emitters: switch off or keep eyes well away before working close to the lens."
GLASS = "Glass and domes: clean with the manufacturer-approved cloth and liquid, dry inside, never scrape."
ISOLATE = "Isolate the supply where the housing is opened; mains work is for a competent (qualified) person."
MOVING = "Disable PTZ control before touching the camera."

_REACHED_STANDING_M = 1.8
#: A cone farther out than this is hard to see in the picture and to pace out (our default).
_FARTHEST_CONE_M = 30.0
#: How close a fisheye's pitch must come to the seat without its tilt adapter to look like one left out (our default).
_MISSING_PART_DEG = 4.0
_SMALLEST_TURN_DEG = 0.3
_TWO_SIDED_95 = 1.96
_UPRIGHT = "Uprights in the middle of the picture (not at its edges) stand parallel to its side edges."


def cautions_of(camera: Camera) -> tuple[str, ...]:
    """What whoever works at a camera is told first: height, traffic, infrared, moving parts, and the supply."""
    return _cautions(camera, ISOLATE)


def _cautions(camera: Camera, *more: str) -> tuple[str, ...]:
    found = [LADDER] if camera.height_m > _REACHED_STANDING_M else []
    if camera.surface == "pole" and camera.setting != "indoor":
        found.append(TRAFFIC)
    if camera.night == "infrared":
        found.append(INFRARED)
    if camera.form == "ptz":
        found.append(MOVING)
    return (*found, *more)


def _vague(turn_deg: float, sd_deg: float) -> bool:
    """Whether not even the direction of a turn is sure: nobody is sent up a ladder to turn by it."""
    return abs(turn_deg) < _TWO_SIDED_95 * sd_deg


def _give(turn_deg: float, sd_deg: float) -> str:
    return f"{abs(turn_deg):z.1f}° ± {_TWO_SIDED_95 * sd_deg:z.1f}°"


def _landmark(camera: Camera, pose: Pose) -> str | None:
    """What the crew can see in the live picture when the aim is right, without an angle meter."""
    seen = geometry(camera, pose)
    near = seen.nearest_ground_m
    # nearer, nobody can put a cone
    if near is not None and 0.3 < near <= _FARTHEST_CONE_M:
        return (
            f"Stand a traffic cone {near:z.1f} m out from below the camera (level ground), in the middle of the view; tilt "
            "until its foot touches the bottom of the picture."
        )
    if seen.horizon_row_px is not None:
        share = (seen.horizon_row_px + 0.5) / camera.lens.height_px
        return f"The true horizon (not a ridge or tree line) is {share:z.0%} of the picture's height down from the top."
    for target in seen.targets:
        if target.in_frame and target.row_px is not None:
            share = (target.row_px + 0.5) / camera.lens.height_px
            return f"'{target.target}' is {share:z.0%} of the picture's height down from the top."
    return None


def missing_tilt_part(camera: Camera, pitch_deg: float, sd_deg: float) -> str | None:
    """The tilt adapter of the plan, where the measured pitch is what its absence would give."""
    if camera.form != "fisheye":
        return None
    for text in camera.mount.parts:
        part = part_named(text)
        if part is not None and part.fact("tilts"):
            angle = part.angle_deg if part.angle_deg is not None else -camera.pitch_deg
            without = camera.pitch_deg + angle
            if angle > 2 * _MISSING_PART_DEG and abs(pitch_deg - without) <= max(_MISSING_PART_DEG, 2 * sd_deg):
                return text
    return None


def _joint_advice(camera: Camera, pitch_deg: float) -> tuple[str, tuple[str, ...]]:
    """Whether the camera's joint brings the axis to a pitch, else which part does; and the parts to bring."""
    reach = joints(camera)
    if reach is None:
        return "at its joint; the plan names no camera type, so whether the joint reaches it is not known", ()
    if camera.form == "fisheye":
        tilted = [t for t in camera.mount.parts if (p := part_named(t)) is not None and p.fact("tilts")]
        part = tilted[0] if tilted else f"tilt adapter {abs(pitch_deg):z.0f}"
        if pitch_deg <= -60.0:
            return (
                "by levelling its mounting face: a fisheye can't tilt on its own, so shim it until the margins are even",
                (),
            )
        return (
            f"at the mounting face: a fisheye can't tilt on its own; fit the {part} with the thick side up, between box and "
            "camera"
        ), (part,)
    if reach.reaches(pitch_deg):
        rider = {
            "dome": "; refit the bubble evenly",
            "ptz": "; level the mount first",
        }.get(camera.form or "", "; lock it")
        return f"at {reach.where}, which reaches it{rider}", ()
    part = "tilt adapter" if reach.seat_pitch_deg <= -60.0 else "L-bracket or arm with pendant adapter"
    return (
        f"with another mounting face: {reach.where} ends at {reach.lowest_pitch_deg:z.0f}° to {reach.highest_pitch_deg:z.0f}° "
        f"here, so bring a {part}"
    ), (part,)


def aim_remedy(camera: Camera, intended: Pose, tip_deg: float, sd_deg: float, missing: str | None = None) -> Remedy:
    """Tip by ``tip_deg`` (+ up) to reach the intended pose; ``missing`` names a part that was left out."""
    way = "up" if tip_deg > 0 else "down"
    amount = f"Tilt {way} {_give(tip_deg, sd_deg)}"
    if missing is None and _vague(tip_deg, sd_deg):
        return Remedy(
            f"Measure its tilt with an inclinometer (planned {intended.pitch_deg:+z.1f}°) before turning anything: "
            f"{_give(tip_deg, sd_deg)} {way} is too uncertain to act on.",
            _landmark(camera, intended),
            (),
            _cautions(camera),
            sd_deg=sd_deg,
        )
    advice, parts = _joint_advice(camera, intended.pitch_deg)
    if missing is not None:
        advice, parts = f"by fitting the {missing} of the plan, which seems to be missing, thick side up", (missing,)
    action = f"{amount} {advice}; then take a new day and night snapshot."
    return Remedy(
        action,
        _landmark(camera, intended),
        parts,
        _cautions(camera, *((ISOLATE,) if parts else ())),
        tip_deg=tip_deg,
        sd_deg=sd_deg,
    )


def pan_remedy(camera: Camera, intended: Pose, turn_deg: float, sd_deg: float) -> Remedy:
    """Pan by ``turn_deg`` (+ right) to reach the intended pose."""
    way = "right" if turn_deg > 0 else "left"
    if _vague(turn_deg, sd_deg):
        return Remedy(
            "Hold the live picture against the site plan before turning anything: "
            f"{_give(turn_deg, sd_deg)} {way} is too uncertain to act on.",
            _target_across(camera, intended),
            (),
            _cautions(camera),
            sd_deg=sd_deg,
        )
    advice, parts = _pan_advice(camera, turn_deg)
    return Remedy(
        f"Pan {way} {_give(turn_deg, sd_deg)} {advice}; then take a new day and night snapshot.",
        _target_across(camera, intended),
        parts,
        _cautions(camera),
        turn_deg=turn_deg,
        sd_deg=sd_deg,
    )


def turn_remedy(camera: Camera, intended: Pose, turn_deg: float, sd_deg: float) -> Remedy:
    """Rotate a camera that looks straight down by ``turn_deg`` about the plumb line (+ clockwise seen from above)."""
    way = "counter-clockwise" if turn_deg > 0 else "clockwise"
    return Remedy(
        f"Rotate it {_give(turn_deg, sd_deg)} {way}, seen from below, at its base plate; then "
        "take a new day and night snapshot.",
        _target_across(camera, intended),
        (),
        _cautions(camera),
        roll_deg=turn_deg,
        sd_deg=sd_deg,
    )


def find_target_remedy(camera: Camera, intended: Pose, names: str) -> Remedy:
    """Something that should be in the picture is not, and nothing tells which way."""
    return Remedy(
        f"Pan until {names} is where the plan wants it, with the live picture at hand; then take a new day and night "
        "snapshot.",
        _target_across(camera, intended),
        (),
        _cautions(camera),
    )


def _pan_advice(camera: Camera, turn_deg: float) -> tuple[str, tuple[str, ...]]:
    """Which joint pans the camera, and the parts to bring where none reaches that far."""
    reach = joints(camera)
    if reach is None:
        return "at its joint; the plan names no camera type, so whether the joint reaches it is not known", ()
    if reach.turn_deg >= 2 * abs(turn_deg):
        lock = "" if camera.form == "ptz" else "; lock it"
        return f"at {reach.where}, which reaches it{lock}", ()
    if camera.surface == "pole":
        return "by turning the pole adapter: loosen its straps, turn, strap it again and mark the straps", ()
    part = "corner adapter or swivel bracket"
    return f"with another mounting face: {reach.where} pans {reach.turn_deg / 2:z.0f}° each way, so bring a {part}", (part,)


def _target_across(camera: Camera, pose: Pose) -> str | None:
    """Where the first target stands across the picture when the pan is right."""
    for target in geometry(camera, pose).targets:
        if target.in_frame and target.column_px is not None:
            share = (target.column_px + 0.5) / camera.lens.width_px
            return f"'{target.target}' is {share:z.0%} of the picture's width from its left edge."
    return None


def plumb_remedy(camera: Camera, pitch_deg: float, off_deg: float, sd_deg: float) -> Remedy:
    """Hang a camera that is held to look straight down, ``pitch_deg``, plumb again; it is off by ``off_deg``."""
    advice, parts = _joint_advice(camera, pitch_deg)
    return Remedy(
        f"Bring it back to plumb, {abs(off_deg):z.1f}° ± {_TWO_SIDED_95 * sd_deg:z.1f}°, {advice}; then take a new day and "
        "night snapshot.",
        "Door frames and wall corners all point at the middle of the picture.",
        parts,
        _cautions(camera, *((ISOLATE,) if parts else ())),
        sd_deg=sd_deg,
    )


def lowest_aim_remedy(camera: Camera, intended: Pose, at_least_deg: float) -> Remedy:
    """Too much sky with no measured pitch: how much down at least, and how to see that it is right."""
    advice, parts = _joint_advice(camera, intended.pitch_deg)
    return Remedy(
        f"Tilt down by at least {at_least_deg:z.0f}° {advice}; then take a new day and night snapshot.",
        _landmark(camera, intended),
        parts,
        _cautions(camera, *((ISOLATE,) if parts else ())),
        tip_deg=-at_least_deg,
    )


def level_remedy(camera: Camera, roll_deg: float, sd_deg: float) -> Remedy:
    """Turn about the axis by ``roll_deg`` (+ clockwise seen from behind)."""
    way = "clockwise" if roll_deg > 0 else "counter-clockwise"
    if _vague(roll_deg, sd_deg):
        return Remedy(
            f"Hold a spirit level to the camera before turning anything: {_give(roll_deg, sd_deg)} {way} seen from behind is "
            "too uncertain to act on.",
            _UPRIGHT,
            (),
            _cautions(camera),
            sd_deg=sd_deg,
        )
    reach = joints(camera)
    if camera.surface == "pole":
        how = "a slipped pole strap rotates the camera with its adapter: straighten and strap it again, mark the straps"
    elif reach is not None and reach.rolls:
        how = f"rotate it at {reach.where} and lock it"
    else:
        how = "rotate or shim the mounting face"
    return Remedy(
        f"Rotate {_give(roll_deg, sd_deg)} {way} seen from behind: {how}.",
        _UPRIGHT,
        (),
        _cautions(camera),
        roll_deg=roll_deg,
        sd_deg=sd_deg,
    )


def view_remedy(camera: Camera, turn_deg: float, tip_deg: float, roll_deg: float, sd_deg: float) -> Remedy:
    """Back to the reference: turn (+ right), tip (+ up) and roll (+ clockwise from behind)."""
    moves = []
    if abs(turn_deg) >= _SMALLEST_TURN_DEG:
        moves.append(f"pan {'right' if turn_deg > 0 else 'left'} {abs(turn_deg):z.1f}°")
    if abs(tip_deg) >= _SMALLEST_TURN_DEG:
        moves.append(f"tilt {'up' if tip_deg > 0 else 'down'} {abs(tip_deg):z.1f}°")
    if abs(roll_deg) >= _SMALLEST_TURN_DEG:
        moves.append(f"rotate {'clockwise' if roll_deg > 0 else 'counter-clockwise'} {abs(roll_deg):z.1f}°")
    text = ", ".join(moves) or "compare with the reference"
    why = {
        "pole": "a pole that turns or a strap that slips",
        "tile ceiling": "a tile that sags",
    }.get(camera.surface or "", "a loose joint, wind or a knock")
    return Remedy(
        f"{text[0].upper()}{text[1:]} (± {_TWO_SIDED_95 * sd_deg:z.1f}°) back to the reference, tighten and mark the "
        f"joint, and look for the cause ({why}).",
        "Hold the reference picture beside the live view: the same things touch the frame's border.",
        (),
        _cautions(camera),
        turn_deg=turn_deg,
        tip_deg=tip_deg,
        roll_deg=roll_deg,
        sd_deg=sd_deg,
    )


def clean_remedy(camera: Camera, cause: str | None) -> Remedy:
    """Clean what the picture shows to be dirty."""
    action, parts = {
        "haze": (
            "Look for protective film and peel it off; else clean the dome or window inside and out and dry it.",
            ("lint-free cloth and cleaning liquid",),
        ),
        "spots": (
            "Clean drops and dust off the dome or window; find where the water runs from.",
            ("lint-free cloth and cleaning liquid",),
        ),
        "cobweb": (
            "Brush the cobweb away; agree a cleaning interval or move the IR illuminator away from the dome or window.",
            ("soft brush",),
        ),
        "infrared reflection": (
            "Clean the dome or window, seat it evenly, and move near surfaces out of the infrared's way.",
            ("lint-free cloth and cleaning liquid",),
        ),
        "blocked": ("Remove what covers the lens (cap, cover, spray, foliage).", ()),
    }.get(
        cause or "",
        (
            "Take a close-up of the dome or window; clean it if it is dirty.",
            ("lint-free cloth and cleaning liquid",),
        ),
    )
    return Remedy(action, "Take a day and a night snapshot afterwards.", parts, _cautions(camera, GLASS))


def obstruction_remedy(camera: Camera) -> Remedy:
    """Something stands in the view that the reference does not show."""
    return Remedy(
        "Look whether it stays (plant, sign, banner) or was passing (vehicle, person); cut, move or re-aim after "
        "asking whoever owns it.",
        "Hold the reference picture beside the live view: nothing new hides the target.",
        (),
        _cautions(camera),
    )


def focus_remedy(camera: Camera) -> Remedy:
    """Focus again."""
    return Remedy(
        "Focus again with the iris open (dusk or an ND filter), lock the focus ring, and check it at night.",
        "Fine detail at the target's distance is crisp at full resolution.",
        (),
        _cautions(camera),
    )


def night_remedy(camera: Camera) -> Remedy:
    """Infrared thrown back into the lens."""
    turning = next(
        (t for t in camera.mount.parts if (p := part_named(t)) is not None and p.fact("points") == "down"), None
    )
    on_wall = camera.form == "dome" and camera.surface in ("wall", "pole", "corner")
    cloth = "lint-free cloth and cleaning liquid"
    if on_wall and turning is not None:
        action = (
            f"Look whether the {turning} of the plan is fitted: dried water on a dome that faces outwards glows under "
            "infrared; fit it so that the dome looks down, then clean it."
        )
        parts: tuple[str, ...] = (turning, cloth)
    elif on_wall:
        action = (
            "Dried water on a dome that faces outwards glows under infrared: point the dome down by an L-bracket or an "
            "arm with pendant adapter, at least fit a sunshield, then clean it."
        )
        parts = ("L-bracket or arm with pendant adapter", cloth)
    else:
        action = "Clean the dome or window, seat it evenly, and move near surfaces out of the infrared's way."
        parts = (cloth,)
    return Remedy(action, "Take the night snapshot again, fully dark.", parts, _cautions(camera, GLASS))


def stream_remedy(camera: Camera) -> Remedy:
    """A picture of the wrong size."""
    lens = camera.lens
    return Remedy(
        f"Take the snapshot again from the main stream at {lens.width_px} × {lens.height_px} px, as the original file "
        "(no photo of a screen, no copy from a messenger).",
        "The file's size in pixels is the plan's.",
        (),
        (),
    )


def identity_remedy(camera: Camera, owner: str | None) -> Remedy:
    """Another device answers than the one planned; ``owner`` is the camera that its serial is planned for."""
    if owner is not None:
        action = f"Compare the rating labels of {camera.camera} and {owner}: swap their addresses (or ports), or correct the plan."
    else:
        action = "Compare the rating label with the plan: correct the address, or enter the serial that was fitted."
    return Remedy(action, "The serial that the device tells is the plan's.", (), _cautions(camera))


def swap_remedy(cameras: tuple[str, ...], certain: bool) -> Remedy:
    """Cameras under each other's name: the names are put right, never the cameras."""
    names = f"{', '.join(cameras[:-1])} and {cameras[-1]}"
    first = "" if certain else (
        f"Before anyone climbs: stand in front of {cameras[0]} and see in whose picture you appear. If it is not its own: "
    )  # fmt: skip
    act = f"swap the names (or ports) of {names}, not the cameras; take their snapshots again."
    return Remedy(
        first + (act if first else act[0].upper() + act[1:]),
        "Each snapshot shows its own planned view.",
        (),
        (ISOLATE,),
    )


def first_whose(repair: Remedy | None, camera: str, partners: tuple[str, ...]) -> Remedy:
    """Whose picture it is comes first; what its own camera would need comes after."""
    look = f"Before anyone climbs: stand in front of {camera} and see whether you appear in its picture or in that of {' or '.join(partners)}."
    if repair is None:
        return Remedy(look, "You appear in the picture of the camera that you stand before.")
    return replace(repair, action=f"{look} If it is its own: {repair.action[:1].lower()}{repair.action[1:]}")

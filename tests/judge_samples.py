"""Evidence of the demo's cameras, for tests of verdicts: as measured, with usual errors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from audit.frames import camera_from_world
from audit.judge.evidence import CameraEvidence, Pointed, Snapshot
from audit.judge.finding import Finding, Verdict
from audit.judge.findings import intended_pose, judge_camera
from audit.judge.limits import load_limits
from audit.match.placement import Placement
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky
from audit.plan.files import read_plan
from audit.plan.model import Camera, Landmark
from audit.plan.optics import open_sky_fraction

__all__ = ["CLEAR", "LIMITS", "SITE", "evidence", "good_pair", "judged", "mast", "only", "snapshot"]

SITE = read_plan(Path(__file__).parents[1] / "sample_images" / "plan.csv")
_DEFAULT = load_limits()
#: The program's own limits, with a detector of dirt that is good enough for one picture to pass the glass.
LIMITS = _DEFAULT.model_copy(
    update={"cleanliness": _DEFAULT.cleanliness.model_copy(update={"single_image_missed": 0.2})}
)
CLEAR = Clarity(0.03, "clear", None, 0.97)


def snapshot(
    camera: Camera,
    pitch: float | None = None,
    roll: float | None = 0.0,
    sd: float = 0.4,
    sky: float | None = None,
    clarity: Clarity = CLEAR,
    night: bool = False,
    note: str = "no lines",
    photo: str = "",
) -> Snapshot:
    """A camera's own picture as measured; without a pitch the pose was not measured."""
    seen = pitch is not None
    orientation = Orientation(
        roll if seen else None, sd if seen else None, pitch, sd if seen else None, None if seen else note, camera.lens
    )
    measured = ImageMeasurement(
        camera.lens.width_px,
        camera.lens.height_px,
        orientation,
        Sky(sky, None if sky is None else 0.015, None if sky is not None else "no sky found"),
        replace(clarity, night=night),
        1.0,
    )
    name = photo or ("night.jpg" if night else "day.jpg")
    return Snapshot(name, "0", camera.lens.width_px, camera.lens.height_px, None, night, measured)


def evidence(camera: Camera, *snapshots: Snapshot, **more: object) -> CameraEvidence:
    """Snapshots with the crew's three shots, and the planned bearing shown by a far mast without a known height."""
    roles = ("snapshot", "label", "wide view", "bracket")
    placements = tuple(Placement(f"{r}.jpg", camera.camera, 0.99, "placed", r, role=r) for r in roles)  # type: ignore[arg-type]
    given = {"placements": placements, "snapshots": snapshots, "pointed": mast(camera, *snapshots)} | more
    return CameraEvidence(**given)  # type: ignore[arg-type]


def mast(camera: Camera, *snapshots: Snapshot, turned_deg: float = 0.0) -> tuple[Pointed, ...]:
    """A far mast seen where a camera with the measured pitch and the planned bearing (turned so far right) sees it."""
    day = next((s for s in snapshots if not s.night), None)
    if day is None or day.measured.orientation.pitch_deg is None:
        return ()
    held, seen = intended_pose(camera), day.measured.orientation
    lens = camera.lens
    size = day.width_px, day.height_px
    if size != (lens.width_px, lens.height_px):
        lens = lens.resized(*size)
    column, row = lens.centre_px
    if held.pitch_deg < -60:
        column += 0.9 * lens.focal_px
    rotation = camera_from_world(held.bearing_deg + turned_deg, seen.pitch_deg or 0.0, seen.roll_deg or 0.0)
    if held.pitch_deg < -60:
        rotation = camera_from_world(held.bearing_deg + turned_deg, -90.0, 0.0)
    east, north, _ = 200.0 * lens.unproject([column, row]) @ rotation
    place = Landmark("mast", camera.east_m + float(east), camera.north_m + float(north), None, 0.02)
    return (Pointed("mast", place, day.photo, (column, row), size, by="Ada Example"),)


def good_pair(camera: Camera, **day: object) -> tuple[Snapshot, Snapshot]:
    """Day and night as planned, the day's measurements changed as given; no pose by day, none by night either."""
    held = intended_pose(camera)
    sky = open_sky_fraction(camera.lens, held.pitch_deg) * 0.7
    arguments: dict[str, object] = {"pitch": held.pitch_deg, "sky": sky} | day
    by_night = None if arguments["pitch"] is None else held.pitch_deg
    return snapshot(camera, **arguments), snapshot(camera, by_night, night=True)  # type: ignore[arg-type]


def judged(name: str, *snapshots: Snapshot, **more: object) -> Verdict:
    """The verdict on a camera of the demo."""
    camera = SITE.camera(name)
    return judge_camera(camera, evidence(camera, *snapshots, **more), LIMITS)


def only(verdict: Verdict, check: str) -> Finding:
    """The one finding of a check."""
    found = [f for f in verdict.findings if f.check == check]
    assert len(found) == 1, f"{check}: one finding a check, got {[f.why for f in found]}"
    return found[0]

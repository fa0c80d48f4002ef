"""The plan as it was built: the measured pose beside the planned one, the state, and what it takes to draw a camera."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from audit.account.case import Case, open_findings
from audit.judge.finding import State
from audit.judge.intended import intended_pose
from audit.plan.model import Camera, Site
from audit.plan.optics import Pose

__all__ = ["Built", "as_built", "built_cameras", "sector"]

#: Which angle of the as-built plan a check measures.
_MEASURED_AS = {"aim": "pitch", "level": "roll", "pan": "bearing"}
#: How far a drawn view reaches, and the pieces of its arc (chosen).
_REACH_M, _ARC_STEPS = 8.0, 12


@dataclass(frozen=True, slots=True)
class Built:
    """A camera as it was built.

    Attributes
    ----------
    camera : Camera
        As planned.
    pose : Pose
        As measured, angle by angle; as planned where one wasn't measured.
    measured : tuple of str
        Which of ``bearing``, ``pitch`` and ``roll`` were measured.
    state : str
    open_checks : tuple of str
        Checks with a finding that still asks for something.
    """

    camera: Camera
    pose: Pose
    measured: tuple[str, ...]
    state: State
    open_checks: tuple[str, ...]


def as_built(site: Site, found: Sequence[Case]) -> Site:
    """The plan with the measured pose beside the planned one."""
    measured = {case.camera.camera: case for case in found}
    return replace(site, cameras=tuple(_with_measured(c, measured.get(c.camera)) for c in site.cameras))


def built_cameras(site: Site, found: Sequence[Case]) -> tuple[Built, ...]:
    """Every camera of the plan with its measured pose."""
    cases = {case.camera.camera: case for case in found}
    return tuple(_built(camera, cases.get(camera.camera)) for camera in site.cameras)


def sector(camera: Camera, bearing_deg: float) -> list[tuple[float, float]]:
    """What a camera looks at in a bearing, as far as it is drawn: a ring of (east, north) in metres, counter-clockwise, not closed."""
    half = min(180.0, camera.lens.hfov_deg / 2)
    edge = [math.radians(bearing_deg + half - 2 * half * i / _ARC_STEPS) for i in range(_ARC_STEPS + 1)]
    east, north = camera.east_m, camera.north_m
    return [(east, north), *((east + _REACH_M * math.sin(a), north + _REACH_M * math.cos(a)) for a in edge)]


def _built(camera: Camera, case: Case | None) -> Built:
    angles = _angles(case)
    held = intended_pose(camera).pose
    pose = Pose(
        angles.get("bearing", (held.bearing_deg, 0.0))[0],
        angles.get("pitch", (held.pitch_deg, 0.0))[0],
        angles.get("roll", (held.roll_deg, 0.0))[0],
    )
    if case is None:
        return Built(camera, pose, (), "not verified", ())
    return Built(camera, pose, tuple(angles), case.verdict.state, tuple(f.check for f in open_findings(case)))


def _angles(case: Case | None) -> dict[str, tuple[float, float]]:
    """Measured angles in degrees by name, each with one standard deviation."""
    found: dict[str, tuple[float, float]] = {}
    for finding in case.verdict.findings if case is not None else ():
        if finding.check in _MEASURED_AS and finding.measured is not None and finding.measured_sd is not None:
            found[_MEASURED_AS[finding.check]] = (finding.measured, finding.measured_sd)
    return found


def _with_measured(camera: Camera, case: Case | None) -> Camera:
    extra = dict(camera.extra)
    if case is not None:
        extra["state"] = case.verdict.state
        extra["not_verified"] = ", ".join(f.check for f in case.verdict.findings if f.state == "not verified")
        for name, (value, sd) in _angles(case).items():
            extra[f"measured_{name}_deg"] = f"{value:.2f}"
            extra[f"measured_{name}_sd_deg"] = f"{sd:.2f}"
    return replace(camera, extra=tuple(extra.items()))

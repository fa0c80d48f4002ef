"""The site as a drawing: markers and view cones in local metres, for any chart."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from audit.judge.finding import Verdict
from audit.judge.findings import intended_pose
from audit.plan.model import Camera, Site

__all__ = ["OUTLINES", "cone_rows", "marker_rows"]

OUTLINES = ("planned", "measured")
_REACH_M = 14.0
_ARC_STEPS = 12
Row = dict[str, Any]


def marker_rows(site: Site, verdicts: Mapping[str, Verdict], floor: str) -> list[Row]:
    """One row for each camera of a floor: place, name, state."""
    return [
        {
            "camera": camera.camera,
            "name": camera.name,
            "east_m": camera.east_m,
            "north_m": camera.north_m,
            "state": verdicts[camera.camera].state if camera.camera in verdicts else "no evidence",
        }
        for camera in site.cameras
        if camera.floor == floor
    ]


def cone_rows(site: Site, verdicts: Mapping[str, Verdict], floor: str) -> list[Row]:
    """Outlines of what each camera looks at: planned, and as measured where the bearing is known to have moved.

    A single picture doesn't tell the bearing; a measured cone is drawn where a registered reference gave the turn.
    """
    rows: list[Row] = []
    for camera in site.cameras:
        if camera.floor != floor:
            continue
        bearing = intended_pose(camera).bearing_deg
        rows += _outline(camera, bearing, "planned")
        turn = _turned_deg(verdicts.get(camera.camera))
        if turn is not None:
            rows += _outline(camera, bearing + turn, "measured")
    return rows


def _turned_deg(verdict: Verdict | None) -> float | None:
    if verdict is None:
        return None
    for finding in verdict.findings:
        if finding.check == "moved" and "pan_change_deg" in finding.evidence:
            return float(finding.evidence["pan_change_deg"])
    return None


def _outline(camera: Camera, bearing_deg: float, which: str) -> Iterator[Row]:
    half = min(180.0, camera.lens.hfov_deg / 2)
    around = camera.pitch_deg < -80
    reach = _REACH_M if not around else 0.5 * _REACH_M
    angles = [bearing_deg - half + 2 * half * i / _ARC_STEPS for i in range(_ARC_STEPS + 1)]
    if around:
        angles = [360.0 * i / _ARC_STEPS for i in range(_ARC_STEPS + 1)]
    points = [
        (camera.east_m + reach * math.sin(math.radians(a)), camera.north_m + reach * math.cos(math.radians(a)))
        for a in angles
    ]
    if not around:
        points = [(camera.east_m, camera.north_m), *points, (camera.east_m, camera.north_m)]
    for step, (east, north) in enumerate(points):
        yield {"cone": f"{camera.camera} {which}", "which": which, "step": step, "east_m": east, "north_m": north}

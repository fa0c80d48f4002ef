"""Level edges by azimuth: where the edges of a room run, whatever the camera's pose and lens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.frames import camera_from_world, up_in_camera
from audit.lens import Lens
from audit.measure.level_lines import BINS, level_lines
from audit.measure.measurement import ImageMeasurement, Orientation
from audit.measure.record import measurement_from_record, measurement_to_record
from audit.measure.segments import arcs
from tests.judge_samples import SITE, good_pair

LENSES = (Lens(960, 540, 70.0), Lens(960, 960, 170.0, projection="equidistant"), Lens(960, 540, 90.0, k1=-0.1))


def _edges(lens: Lens, pose: tuple[float, float, float], world_deg: float, upright: bool = False):
    """Parallel edges of a wall that runs along an azimuth, seen from the origin; and how surely each is an upright."""
    rng = np.random.default_rng(4)
    along = np.array([np.sin(np.radians(world_deg)), np.cos(np.radians(world_deg)), 0.0])
    rotation, found = camera_from_world(*pose), []
    while len(found) < 12:
        bearing = np.radians(pose[0] + rng.uniform(-25, 25))
        start = np.array([12 * np.sin(bearing), 12 * np.cos(bearing), rng.uniform(-5.0, 1.0)])
        end = start + (np.array([0.0, 0.0, 1.5]) if upright else 2.0 * along)
        pixels = lens.project(np.stack([start, end]) @ rotation.T)
        if np.all(np.isfinite(pixels)) and np.all(lens.in_frame(pixels)) and np.linalg.norm(pixels[1] - pixels[0]) > 15:
            found.append(pixels.ravel())
    edges = arcs(np.array(found), lens, 1.0, 0.5, np.radians(0.2))
    return edges, np.full(len(edges), float(upright))


@pytest.mark.parametrize("lens", LENSES)
@pytest.mark.parametrize("pose, wall", [((30.0, -20.0, 3.0), 75.0), ((250.0, -5.0, -2.0), 10.0), ((0.0, -40.0, 0.0), 140.0)])
def test_the_wall_s_azimuth_is_that_of_its_edges_less_the_bearing(lens: Lens, pose: tuple[float, float, float], wall: float) -> None:
    """Closed form: a level edge of azimuth a lies at a - bearing from the optical axis, modulo 180 degrees."""
    edges, upright = _edges(lens, pose, wall)
    lines = level_lines(edges, up_in_camera(pose[2], pose[1]), upright)
    assert lines is not None and len(lines) == BINS
    seen = (int(np.argmax(lines)) + 0.5) * 180 / BINS
    assert abs((seen - (wall - pose[0]) + 90) % 180 - 90) <= 2.0


def test_uprights_few_edges_and_a_camera_that_looks_down_tell_nothing() -> None:
    lens, pose = LENSES[0], (30.0, -20.0, 0.0)
    edges, upright = _edges(lens, pose, 75.0, upright=True)
    assert level_lines(edges, up_in_camera(0.0, -20.0), upright) is None
    edges, upright = _edges(lens, pose, 75.0)
    assert level_lines(edges.longest(4), up_in_camera(0.0, -20.0), upright[:4]) is None
    assert level_lines(edges, up_in_camera(0.0, -85.0), upright) is None
    assert level_lines(arcs(np.zeros((0, 4)), lens, 1.0, 0.5, 0.01), up_in_camera(0.0, -20.0), np.zeros(0)) is None


def test_they_are_kept_with_the_measurement_and_older_records_have_none() -> None:
    measured: ImageMeasurement = good_pair(SITE.cameras[0])[0].measured
    lines = tuple(float(k) for k in range(BINS))
    seen: Orientation = replace(measured.orientation, level_lines=lines)
    record = measurement_to_record(replace(measured, orientation=seen))
    assert measurement_from_record(record).orientation.level_lines == lines
    del record["orientation"]["level_lines"]
    assert measurement_from_record(record).orientation.level_lines is None

"""A camera that looks straight down: a turn about its axis is pan alone, not pan against roll."""

from __future__ import annotations

import numpy as np
import pytest

from audit.frames import camera_from_world
from audit.measure.registration import pose_change_deg

SD = np.array([0.1, 0.2, 0.3])


@pytest.mark.parametrize("pitch_deg", [-90.0, -85.0, 88.0])
@pytest.mark.parametrize(("pan", "tip"), [(2.0, 0.0), (-5.0, 0.0), (0.0, 1.5)])
def test_steep_turns_come_back_whole(pitch_deg: float, pan: float, tip: float) -> None:
    turn = camera_from_world(pan, pitch_deg + tip, 0.0) @ camera_from_world(0.0, pitch_deg, 0.0).T
    change, sd = pose_change_deg(turn, SD, pitch_deg)
    assert change[0] == pytest.approx(pan, abs=0.03)
    assert change[1] == pytest.approx(tip, abs=0.03)
    assert abs(change[2]) < 0.5
    assert sd == pytest.approx([0.3, 0.1, 0.2])


def test_noise_about_straight_down_stays_small() -> None:
    """A tenth of a degree of tilt is no turn of a hundred degrees."""
    start = camera_from_world(0.0, -90.0, 0.0)
    change, _ = pose_change_deg(camera_from_world(123.0, -89.9, -123.0) @ start.T, SD, -90.0)
    assert np.abs(change).max() < 0.3


def test_moderate_pitch_still_tells_roll_from_pan() -> None:
    turn = camera_from_world(0.0, -60.0, 3.0) @ camera_from_world(0.0, -60.0, 0.0).T
    change, _ = pose_change_deg(turn, SD, -60.0)
    assert change == pytest.approx([0.0, 0.0, 3.0], abs=1e-6)

"""Roll and pitch of a picture whose angle of view nobody told: the mean over the angles that may be, with their scatter."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from orientation_scenes import town

from audit.lens import Lens
from audit.measure import angle_of_view
from audit.measure.angle_of_view import estimate_angle
from audit.measure.constants import constants
from audit.measure.orientation import measure_orientation
from audit.measure.up_direction import Seen

NOTHING = Seen(np.zeros((0, 4)), 1.0)


def _log_tangent(hfov_deg: float) -> float:
    return float(np.log(np.tan(np.radians(hfov_deg / 2))))


def _posing(monkeypatch, pose):
    """Every angle of view is as good as the next, and has its own roll and pitch."""
    def solved(seen, lens, quick):
        roll_deg, pitch_deg = pose(_log_tangent(lens.hfov_deg))
        return SimpleNamespace(score=0.0, learned_gain=0.0, roll_deg=roll_deg, pitch_deg=pitch_deg, edges=None, fit=SimpleNamespace(up=None))

    monkeypatch.setattr(angle_of_view, "solve", solved)
    monkeypatch.setattr(angle_of_view, "square_gain", lambda edges, up: 0.0)
    return estimate_angle(NOTHING, 640, 360)


def test_a_pose_that_is_the_same_through_every_lens_is_as_sure_as_through_one(monkeypatch):
    found = _posing(monkeypatch, lambda x: (2.0, -12.0))
    assert found.sd_deg == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.shift_deg == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.lens.source == "assumed"


def test_a_pose_that_follows_the_angle_scatters_as_the_angle_does(monkeypatch):
    found = _posing(monkeypatch, lambda x: (0.0, -15.0 + 8.0 * x))
    whole = np.radians(found.lens.hfov_sd_deg) / np.sin(np.radians(found.lens.hfov_deg))
    # law of total variance: a line through a variable of variance s^2 has the variance (slope s)^2, and no shift
    assert found.sd_deg[1] == pytest.approx(8.0 * np.sqrt(whole**2 - constants()["lens"]["model_sd"] ** 2), rel=1e-6)
    assert found.shift_deg[1] == pytest.approx(0.0, abs=1e-9)


def test_a_bent_relation_moves_the_mean(monkeypatch):
    middle = _log_tangent(62.0)
    found = _posing(monkeypatch, lambda x: (0.0, -10.0 - 5.0 * (x - middle) ** 2))
    assert found.shift_deg[1] < -0.5


@pytest.mark.parametrize(("hfov_deg", "roll_deg", "pitch_deg"), [(90.0, 2.0, -18.0), (70.0, -3.0, -8.0), (60.0, 0.0, -14.0)])
def test_a_town_seen_through_an_unknown_lens_lies_within_its_interval(hfov_deg, roll_deg, pitch_deg):
    found = measure_orientation(town(Lens(640, 360, hfov_deg), roll_deg, pitch_deg, seed=3), None)
    if found.pitch_deg is not None:
        assert abs(found.pitch_deg - pitch_deg) < 2.6 * found.pitch_sd_deg
        assert abs(found.roll_deg - roll_deg) < 2.6 * found.roll_sd_deg
    assert abs(found.lens.hfov_deg - hfov_deg) < 2.6 * found.lens.hfov_sd_deg

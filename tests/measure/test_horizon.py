"""The open horizon: exact on a sea, absent where the skyline is no line."""

from __future__ import annotations

import numpy as np
import pytest

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens
from audit.measure.horizon import HorizonLimits, open_horizon

LIMITS = HorizonLimits(sd_rad=np.radians(0.8), chance=0.4, straight_rad=np.radians(0.35), least_share=0.6)


def sea(lens: Lens, roll_deg: float, pitch_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Grey picture and coarse sky log odds of an open sea, shapes (H, W) and (108, 192)."""
    def sky(rows: int, columns: int) -> np.ndarray:
        y, x = np.meshgrid((np.arange(rows) + 0.5) / rows * lens.height_px - 0.5,
                           (np.arange(columns) + 0.5) / columns * lens.width_px - 0.5, indexing="ij")
        return lens.unproject(np.stack([x, y], -1)) @ up_in_camera(roll_deg, pitch_deg)

    picture = np.where(sky(lens.height_px, lens.width_px) > 0, 200, 90).astype(np.uint8)
    return picture, np.nan_to_num(np.clip(40 * sky(108, 192), -6, 6), nan=-6.0)


@pytest.mark.parametrize("lens", [Lens(800, 450, 75.0), Lens(800, 450, 100.0, k1=-0.15), Lens(450, 800, 45.0),
                                  Lens(600, 600, 180.0, projection="equidistant")],
                         ids=["plain", "barrel", "portrait", "fisheye"])
@pytest.mark.parametrize(("roll_deg", "pitch_deg"), [(0.0, -10.0), (6.0, 5.0)])
def test_sea_gives_the_pose(lens, roll_deg, pitch_deg):
    picture, logit = sea(lens, roll_deg, pitch_deg)
    cue = open_horizon(logit, picture, lens, LIMITS)
    assert cue is not None
    assert roll_pitch_from_up(cue.up) == pytest.approx((roll_deg, pitch_deg), abs=0.15)
    best = cue.quadratic(cue.up)
    assert np.allclose(best.gradient, 0)
    away = cue.log_likelihood(np.stack([cue.up, up_in_camera(roll_deg, pitch_deg - 10)]))
    assert away[0] > 3 and away[1] < 0


def test_a_ragged_skyline_is_no_horizon():
    lens = Lens(800, 450, 75.0)
    picture, logit = sea(lens, 0.0, -5.0)
    rng = np.random.default_rng(0)
    rough = logit.copy()
    for left in range(0, 192, 12):
        top = rng.integers(10, 45)
        rough[top:, left:left + 12] = -6
    assert open_horizon(rough, picture, lens, LIMITS) is None


def test_no_sky_or_only_sky_is_no_horizon():
    lens = Lens(800, 450, 75.0)
    picture = np.full((450, 800), 128, np.uint8)
    for value in (-5.0, 5.0):
        assert open_horizon(np.full((108, 192), value), picture, lens, LIMITS) is None
    assert open_horizon(np.zeros((2, 2)), picture, lens, LIMITS) is None

"""A photographed sea whose horizon is known exactly: the landscape "ocean" of Debian's stellarium-data.

Source: /usr/share/stellarium/landscapes/ocean, eight side textures of 45 degrees each that reach from -45 degrees up
to the horizon at altitude 0 (landscape.ini: ``decor_alt_angle = 45``, ``decor_angle_shift = -45``,
``calibrated = true``). The sky above is a plain gradient of the test's own making. Dip and refraction are left out
in the textures, as in the measurement (0.05 degrees at 3 m: Nautical Almanac 1998 as quoted on NavList, 7 Apr 2013).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.frames import camera_from_world, up_in_camera
from audit.lens import Lens
from audit.measure.network import look
from audit.measure.orientation import measure_orientation

OCEAN = Path("/usr/share/stellarium/landscapes/ocean")
pytestmark = pytest.mark.skipif(not OCEAN.is_dir(), reason="Debian package stellarium-data is not installed")


def sea(lens: Lens, roll_deg: float, pitch_deg: float, bearing_deg: float) -> np.ndarray:
    """View of the sea through a lens, shape (H, W, 3) uint8 RGB."""
    sides = [cv2.imread(str(OCEAN / f"ocean{number}.png"))[:, :, ::-1] for number in range(1, 9)]
    water = np.concatenate([side[: int(side.shape[0] * 0.9921875)] for side in sides], axis=1)
    y, x = np.mgrid[0:lens.height_px, 0:lens.width_px]
    rays = lens.unproject(np.stack([x, y], axis=-1)) @ camera_from_world(bearing_deg, pitch_deg, roll_deg)
    azimuth = np.arctan2(rays[..., 0], rays[..., 1]) % (2 * np.pi)
    altitude = np.degrees(np.arcsin(np.clip(rays[..., 2], -1, 1)))
    column = (azimuth / (2 * np.pi) * water.shape[1]).astype(np.float32)
    row = (np.clip(-altitude / 45, 0, 1) * (water.shape[0] - 1)).astype(np.float32)
    below = cv2.remap(np.ascontiguousarray(water), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    rise = np.clip(altitude / 60, 0, 1)[..., None]
    above = (1 - rise) * np.array([205, 220, 235]) + rise * np.array([90, 140, 210])
    share = np.clip(altitude / 0.08 + 0.5, 0, 1)[..., None]
    noise = np.random.default_rng(0).normal(0, 2, rays.shape)
    return np.clip(share * above + (1 - share) * below + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("roll_deg", "pitch_deg", "bearing_deg"), [(0.0, -8.0, 10.0), (4.0, -3.0, 100.0),
                                                                    (-6.0, -14.0, 220.0), (2.0, 5.0, 300.0)])
def test_sea_horizon_is_measured_within_its_sd(roll_deg, pitch_deg, bearing_deg):
    lens = Lens(960, 540, 70.0)
    image = sea(lens, roll_deg, pitch_deg, bearing_deg)
    found = measure_orientation(image, lens, look(image))
    assert found.roll_deg is not None, found.note
    off = np.degrees(np.arccos(up_in_camera(found.roll_deg, found.pitch_deg) @ up_in_camera(roll_deg, pitch_deg)))
    assert off < 1.5
    assert abs(found.pitch_deg - pitch_deg) < 3 * found.pitch_sd_deg
    assert "open horizon" in found.cues

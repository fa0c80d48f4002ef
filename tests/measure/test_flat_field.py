"""What takes contrast softly stays with the glass while the scene moves; the lens's own fall-off and what moved are none of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.flat_field import FIELDS, field_sizes
from audit.measure.laying import laid_pairs
from audit.measure.shared_detail import shared_detail
from audit.measure.transfer import log_luminance

SHIFTS = ((50, 70), (8, 84), (92, 60))
KEEP = np.ones((360, 640), bool)


@pytest.fixture(scope="module")
def scenes() -> list[np.ndarray]:
    """Three parts of a real photograph (scikit-image's motorcycle in a workshop) as a turned camera sees them, linear light."""
    photo = (cv2.resize(data.stereo_motorcycle()[0], (740, 500), interpolation=cv2.INTER_AREA).astype(np.float32) / 255) ** 2.2
    return [np.ascontiguousarray(photo[y:y + 360, x:x + 640]) for x, y in SHIFTS]


def pictures(scenes: list[np.ndarray], noise: float = 1.0) -> list[np.ndarray]:
    rng = np.random.default_rng(4)
    return [(s.clip(0, 1) ** (1 / 2.2) * 255 + rng.normal(0, noise, s.shape)).clip(0, 255).astype(np.uint8) for s in scenes]


def sizes(scenes: list[np.ndarray]) -> np.ndarray:
    taken = pictures(scenes)
    return field_sizes([log_luminance(p) for p in taken], laid_pairs(taken), KEEP)


def test_a_soft_veil_over_a_side_shows_as_a_field_of_contrast(scenes: list[np.ndarray]) -> None:
    veil = (0.6 / (1 + np.exp((np.arange(640, dtype=np.float32) - 320) / 25)))[None, :, None]
    clean, veiled = sizes(scenes), sizes([s * (1 - veil) + 0.2 * veil for s in scenes])
    contrast = [FIELDS.index("contrast 1"), FIELDS.index("contrast 2")]
    assert (veiled[contrast] > clean[contrast] + 1.0).all()


def test_the_lens_falls_off_without_being_dirty(scenes: list[np.ndarray]) -> None:
    y, x = np.mgrid[-1:1:360j, -1:1:640j].astype(np.float32)
    fall_off = (1 - 0.5 * (x**2 * 3.16 + y**2) / 4.16)[..., None]
    assert (sizes([s * fall_off for s in scenes]) < np.log([0.12, 0.1, 0.05])).all()


def test_what_moved_is_no_field(scenes: list[np.ndarray]) -> None:
    moved = [s.copy() for s in scenes]
    for number, scene in enumerate(moved):
        scene[150:250, 80 + 150 * number:160 + 150 * number] = 0.02
    assert (sizes(moved) < np.log([0.05, 0.05, 0.02])).all()


def test_lost_focus_shares_less_fine_detail_whatever_the_noise(scenes: list[np.ndarray]) -> None:
    found = {}
    for name, sigma in (("sharp", 0.0), ("soft", 2.0)):
        for noise in (0.5, 4.0):
            seen = pictures([cv2.GaussianBlur(s, (0, 0), sigma) if sigma else s for s in scenes], noise)
            found[name, noise] = shared_detail([log_luminance(p) for p in seen], laid_pairs(seen), KEEP)[1]
    assert max(found["soft", n] for n in (0.5, 4.0)) < min(found["sharp", n] for n in (0.5, 4.0)) - 0.3
    assert abs(found["sharp", 0.5] - found["sharp", 4.0]) < 0.2

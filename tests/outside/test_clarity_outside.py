"""Blur, contrast and veil against closed forms, scikit-image and a real fixed camera."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.measure import blur_effect

from audit.lens import Lens
from audit.measure.clarity import measure_clarity
from audit.measure.transfer import band_maps, log_luminance
from audit.measure.view import compare

VTEST = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")


def encoded(light: np.ndarray) -> np.ndarray:
    return np.repeat((np.clip(light, 0, 1) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize(("frequency", "sigma"), [(0.06, 1.0), (0.06, 2.5), (0.12, 1.0), (0.2, 0.8)])
def test_gaussian_blur_leaves_the_closed_form_of_the_modulation(frequency, sigma):
    """Closed form: a Gaussian of sigma pixels leaves exp(-2 pi^2 sigma^2 f^2) of a grating of f cycles a pixel."""
    x = np.arange(640)
    grating = np.repeat((0.4 + 0.12 * np.sin(2 * np.pi * frequency * x))[None], 360, axis=0)
    left = np.exp(-2 * np.pi**2 * sigma**2 * frequency**2)
    blurred = 0.4 + (grating - 0.4) * left
    before, after = log_luminance(encoded(grating)), log_luminance(encoded(blurred))
    maps = band_maps(before, after, np.ones(before.shape, bool))
    band = int(maps.reference_power.mean(axis=(1, 2)).argmax())
    assert np.nanmedian(maps.transfer()[band]) == pytest.approx(left, abs=0.03)


def test_a_slanted_edge_keeps_the_contrast_of_a_gaussian_edge_by_frequency():
    """Slanted edge (the target of ISO 12233), edge spread a known Gaussian: finer octaves lose more, by the closed
    form within the octave: between its values at the octave's ends."""
    y, x = np.mgrid[0:360, 0:640].astype(np.float64)
    distance = (x - 320) * np.cos(np.radians(5)) + (y - 180) * np.sin(np.radians(5))
    from scipy.special import erf
    sigma0, sigma = 0.6, 1.8

    def edge(s: float) -> np.ndarray:
        return 0.35 + 0.03 * erf(distance / (s * np.sqrt(2)))

    before = log_luminance(encoded(edge(sigma0)))
    after = log_luminance(encoded(edge(np.hypot(sigma0, sigma))))
    transfer = band_maps(before, after, np.ones(before.shape, bool)).transfer()
    for band in (0, 1, 2):
        high, low = 0.5 / 2**band, 0.06 / 2**band
        measured = np.nanmedian(transfer[band])
        assert np.exp(-2 * np.pi**2 * sigma**2 * high**2) - 0.02 < measured
        assert measured < np.exp(-2 * np.pi**2 * sigma**2 * low**2) + 0.02
    assert np.nanmedian(transfer[0]) < np.nanmedian(transfer[1]) < np.nanmedian(transfer[2])


@pytest.mark.parametrize("glare", [0.05, 0.15, 0.3])
def test_uniform_veiling_glare_lowers_contrast_by_the_light_that_it_adds(glare):
    """Veiling glare index (ISO 9358, from memory): light in the image of a black area over that of its white
    surround. A veil V over a scene of mean light L leaves L / (L + V) of the local contrast."""
    rng = np.random.default_rng(2)
    texture = cv2.GaussianBlur(rng.normal(size=(360, 640)), (0, 0), 2.0)
    scene = 0.4 * (1 + 0.12 * texture / texture.std())
    veil = glare / (1 - glare) * 0.4
    change = compare(encoded(scene), encoded(scene + veil), Lens(640, 360, 60.0))
    assert change.contrast_ratio == pytest.approx(0.4 / (0.4 + veil), abs=0.05)


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea"])
def test_sharpness_orders_blur_as_scikit_image_does(name):
    """scikit-image's blur_effect (Crete-Roffet et al. 2007) grows where sharpness falls."""
    photo = getattr(data, name)()
    blurred = [cv2.GaussianBlur(photo, (0, 0), s) for s in (0.4, 1.0, 1.8, 3.0)]
    ours = [measure_clarity(b).sharpness for b in blurred]
    theirs = [blur_effect(cv2.cvtColor(b, cv2.COLOR_RGB2GRAY)) for b in blurred]
    assert np.argsort(ours).tolist() == np.argsort(theirs)[::-1].tolist()


@pytest.mark.skipif(not VTEST.exists(), reason="Debian package opencv-doc is not installed")
def test_a_real_fixed_camera_with_people_walking_neither_moves_nor_soils():
    """vtest.avi of opencv-doc: a fixed camera over a yard, people walking."""
    video = cv2.VideoCapture(str(VTEST))
    frames = []
    for index in range(601):
        kept, frame = video.read()
        if kept and index % 200 == 0:
            frames.append(np.ascontiguousarray(frame[..., ::-1]))
    assert len(frames) == 4
    for today in frames[1:]:
        change = compare(frames[0], today, Lens(frames[0].shape[1], frames[0].shape[0], 60.0))
        assert change.same_view_probability > 0.99
        assert max(abs(change.pan_change_deg), abs(change.pitch_change_deg), abs(change.roll_change_deg)) < 0.1
        assert change.contrast_ratio == pytest.approx(1.0, abs=0.08)
        assert change.dirt_probability < 0.5

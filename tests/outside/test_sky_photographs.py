"""The sky on photographs that libraries carry, and against the ideal open horizon of the optics.

The outlines below were drawn by hand for these tests, in shares of width and height; they follow the main outlines
only (no twigs, no birds), so some per cent of the pixels are the outlines' own error.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage
import sklearn
from numpy.typing import NDArray

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.measurement import Orientation, Sky
from audit.measure.network import NetworkView, look
from audit.measure.orientation import measure_orientation
from audit.measure.sky import measure_sky
from audit.plan.optics import open_sky_fraction
from tests.measure.sky_scenes import noisy

OPENCV = Path("/usr/share/doc/opencv-doc/examples/data")
SKIMAGE = Path(skimage.__file__).parent / "data"
SKLEARN = Path(sklearn.__file__).parent / "datasets" / "images"

HOME = ((0, 0), (1, 0), (1, 0.22), (0.95, 0.13), (0.88, 0.04), (0.82, 0.05), (0.72, 0.15), (0.71, 0.26), (0.75, 0.3),
        (0.69, 0.35), (0.7, 0.43), (0.74, 0.5), (0.66, 0.58), (0.62, 0.55), (0.63, 0.46), (0.59, 0.4), (0.555, 0.37),
        (0.52, 0.4), (0.48, 0.47), (0.51, 0.55), (0.35, 0.73), (0.34, 0.68), (0.305, 0.64), (0.24, 0.71), (0.25, 0.78),
        (0.23, 0.86), (0.18, 0.91), (0.21, 0.95), (0.2, 1), (0, 1))  # fmt: skip
LEUVEN = ((0.06, 0), (0.98, 0), (0.99, 0.13), (0.93, 0.14), (0.9, 0.17), (0.7, 0.12), (0.65, 0.42), (0.56, 0.42),
          (0.54, 0.31), (0.52, 0.4), (0.48, 0.3), (0.34, 0.5), (0.33, 0.56), (0.29, 0.55), (0.29, 0.29), (0.26, 0.27),
          (0.17, 0.04), (0.13, 0.05), (0.09, 0.05))  # fmt: skip
CHINA = ((0, 0), (1, 0), (1, 0.48), (0.93, 0.34), (0.89, 0.45), (0.87, 0.48), (0.55, 0.48), (0.51, 0.47), (0.5, 0.4),
         (0.51, 0.3), (0.36, 0.15), (0.34, 0.07), (0.31, 0.07), (0.3, 0.15), (0.15, 0.27), (0.18, 0.4), (0.15, 0.5),
         (0.1, 0.5), (0.06, 0.4), (0, 0.4))  # fmt: skip


def picture_of(path: Path) -> NDArray[np.uint8]:
    pixels = cv2.imread(str(path))
    if pixels is None:
        pytest.skip(f"{path} is not on this machine (Debian opencv-doc)")
    return np.ascontiguousarray(pixels[..., ::-1])


def measured(pixels: NDArray[np.uint8]) -> Sky:
    view = look(pixels)
    orientation = measure_orientation(pixels, None, view)
    return measure_sky(pixels, orientation.lens, orientation, view)


@pytest.mark.parametrize(
    ("path", "outline", "most_wrong"),
    [(OPENCV / "home.jpg", HOME, 0.06), (OPENCV / "leuvenA.jpg", LEUVEN, 0.05), (SKLEARN / "china.jpg", CHINA, 0.15)],
    ids=lambda value: value.name if isinstance(value, Path) else "",
)
def test_photographs_with_sky(path: Path, outline: tuple[tuple[float, float], ...], most_wrong: float) -> None:
    """china.jpg: a misty lake that the horizon's haze runs into may count in part, hence the wide limit."""
    pixels = picture_of(path)
    height, width = pixels.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [(np.array(outline) * (width, height)).astype(np.int32)], 1)
    sky = measured(pixels)
    assert sky.mask is not None and sky.fraction is not None and sky.sd is not None
    assert (sky.mask != (mask > 0)).mean() < most_wrong
    assert abs(sky.fraction - mask.mean()) < 1.96 * sky.sd + most_wrong / 2


@pytest.mark.parametrize(
    "path",
    [SKIMAGE / name for name in ("astronaut.png", "brick.png", "chelsea.png", "coffee.png", "grass.png", "gravel.png",
                                 "coins.png", "page.png")]
    + [SKLEARN / "flower.jpg"]
    + [OPENCV / name for name in ("fruits.jpg", "messi5.jpg", "stuff.jpg", "orange.jpg", "apple.jpg", "butterfly.jpg")],
    ids=lambda path: path.name,
)  # fmt: skip
def test_photographs_without_sky(path: Path) -> None:
    """Rooms, animals, fruit, surfaces; stuff.jpg and apple.jpg are objects on plain ground."""
    sky = measured(picture_of(path))
    assert sky.fraction is None or sky.fraction < 0.02


@pytest.mark.parametrize("pitch_deg", [-15.0, -5.0, 0.0, 10.0])
@pytest.mark.parametrize("roll_deg", [0.0, 6.0])
@pytest.mark.parametrize("lens", [Lens(1280, 720, 90.0), Lens(1280, 960, 150.0, projection="equidistant")])
def test_ideal_open_horizon_has_the_share_of_the_optics(lens: Lens, pitch_deg: float, roll_deg: float) -> None:
    """A plain without anything on it, network sure of the horizon: the share is ``open_sky_fraction``."""
    x, y = np.meshgrid(np.arange(lens.width_px), np.arange(lens.height_px))
    up = up_in_camera(roll_deg, pitch_deg)
    sine = lens.unproject(np.stack([x, y], -1)) @ up
    above = np.nan_to_num(sine, nan=-1) > 0
    picture = noisy(np.where(above[..., None], (170.0, 195.0, 225.0), (84.0, 96.0, 60.0)), 4)
    picture[~np.isfinite(sine)] = 0
    elevation = np.arcsin(np.nan_to_num(sine, nan=-1)).astype(np.float32)
    cells = np.asarray(cv2.resize(elevation, (48, 27), interpolation=cv2.INTER_AREA), np.float32)
    logit = np.where(cv2.resize(elevation, (192, 108), interpolation=cv2.INTER_AREA) > 0, 6, -6).astype(np.float32)
    view = NetworkView(np.zeros((27, 48, 2), np.float32), cells, np.ones((27, 48), np.float32),
                       np.full((27, 48), 0.05, np.float32), logit, 1.0)  # fmt: skip
    orientation = Orientation(roll_deg, 0.3, pitch_deg, 0.3, None, lens)
    sky = measure_sky(picture, lens, orientation, view)
    assert sky.fraction == pytest.approx(open_sky_fraction(lens, pitch_deg, roll_deg), abs=0.008)

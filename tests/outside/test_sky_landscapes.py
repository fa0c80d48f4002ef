"""The sky on the landscapes of Debian's stellarium-data, whose alpha marks the sky to the pixel.

Each side texture is a photograph of the ground with its sky cut out; a gradient, slight clouds and noise are laid
behind it. Angles of view are not told, so orientation and sky come from the picture alone.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from audit.measure.measurement import Sky
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from audit.measure.sky import measure_sky

LANDSCAPES = Path("/usr/share/stellarium/landscapes")
TEXTURES = (
    *(f"hurricane/hurricane{k}.png" for k in range(1, 9)),
    *(f"guereins/guereins{k}.png" for k in range(1, 8)),
    *(f"garching/garching-gl{k}.png" for k in range(1, 5)),
)
BLUE, OVERCAST = ((95.0, 150.0, 215.0), (215.0, 228.0, 238.0)), ((168.0, 172.0, 178.0), (214.0, 216.0, 218.0))

Colours = tuple[tuple[float, float, float], tuple[float, float, float]]


def composed(name: str, colours: Colours) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Picture before a sky of those colours (top, horizon), and its mask."""
    texture = cv2.imread(str(LANDSCAPES / name), cv2.IMREAD_UNCHANGED)
    if texture is None or texture.shape[2] != 4:
        pytest.skip(f"{LANDSCAPES / name} is not on this machine (Debian stellarium-data)")
    texture = cv2.resize(texture, (640, 480), interpolation=cv2.INTER_AREA)
    alpha = texture[..., 3:].astype(np.float64) / 255
    rng = np.random.default_rng(7)
    t = np.linspace(0, 1, 480)[:, None, None] ** 0.8
    sky = np.array(colours[0]) * (1 - t) + np.array(colours[1]) * t
    clouds = cv2.GaussianBlur(rng.normal(0, 1, (480, 640)), (0, 0), 30)
    sky = sky + 7 * (clouds / clouds.std())[..., None]
    picture = alpha * texture[..., 2::-1] + (1 - alpha) * sky + rng.normal(0, 2, (480, 640, 3))
    return np.clip(picture, 0, 255).astype(np.uint8), np.asarray(alpha[..., 0] < 0.5)


def measured(picture: NDArray[np.uint8]) -> Sky:
    view = look(picture)
    orientation = measure_orientation(picture, None, view)
    return measure_sky(picture, orientation.lens, orientation, view)


@pytest.mark.parametrize("colours", [BLUE, OVERCAST], ids=["blue", "overcast"])
def test_landscapes(colours: Colours) -> None:
    """Of 19 pictures at least 16 answered (not all bare skylines under overcast tell up from down); goals: 1.8 % of pixels wrong, share off by 1.5 points."""
    wrong, off, held = [], [], []
    for name in TEXTURES:
        picture, mask = composed(name, colours)
        sky = measured(picture)
        if sky.mask is None or sky.fraction is None or sky.sd is None:
            continue
        wrong.append(float((sky.mask != mask).mean()))
        off.append(sky.fraction - float(mask.mean()))
        held.append(abs(off[-1]) < 1.96 * sky.sd)
    assert len(wrong) >= 16
    assert np.mean(wrong) < 0.018
    assert np.mean(np.abs(off)) < 0.015
    assert np.mean(held) >= 0.84


def test_ground_below_the_skyline_alone_has_no_sky() -> None:
    """What lies below the lowest transparent pixel of each texture: snow, meadows, a field of rape.

    None of the meadows and fields may pass for sky. Strips of bare snow with nothing else in view are the sky's known
    weakness: two of hurricane's do.
    """
    seen, false = 0, []
    for name in TEXTURES:
        picture, mask = composed(name, BLUE)
        skyline = int(np.flatnonzero(mask.any(axis=1)).max()) + 8
        if skyline > 340:
            continue
        seen += 1
        sky = measured(np.ascontiguousarray(picture[skyline:]))
        if sky.fraction is not None and sky.fraction >= 0.02:
            false.append(name)
    assert seen >= 8
    assert all(name.startswith("hurricane") for name in false), false
    assert len(false) <= 2, false

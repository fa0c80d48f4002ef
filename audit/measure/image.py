"""Everything that one image tells, in one call."""

from __future__ import annotations

import hashlib
import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.clarity import measure_clarity
from audit.measure.measurement import ImageMeasurement
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from audit.measure.overlay import burned_in, without_overlay
from audit.measure.screens import several_views
from audit.measure.sky import measure_sky
from audit.measure.standing import upside_down

__all__ = ["MEASURE_SIDE_PX", "METHOD", "measure_image", "measurement_method"]

#: Long side at which pictures are opened to be measured and compared.
MEASURE_SIDE_PX = 1280
#: Version of the measuring rooms' answers; a stored measurement of another version is measured again and kept.
METHOD = "18"
_SEVERAL = "The picture shows several cameras at once; save each camera's own picture."


def measure_image(pixels: NDArray[np.uint8], lens: Lens | None) -> ImageMeasurement:
    """Measure orientation, sky and clarity of one picture.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        Oriented RGB picture; a long side of about 1600 px serves.
    lens : Lens or None
        The lens for a picture of this aspect (any size); None where the angle of view is unknown, then it is
        estimated jointly with the pose.

    Returns
    -------
    ImageMeasurement
        ``width_px``/``height_px`` are those of ``pixels``.
    """
    started = time.perf_counter()
    height, width = pixels.shape[:2]
    if lens is not None and (lens.width_px, lens.height_px) != (width, height):
        lens = lens.resized(width, height)
    overlay = burned_in(pixels)
    scene = without_overlay(pixels, overlay)
    view = look(scene, lens)
    orientation = measure_orientation(scene, lens, view, overlay, None if lens is None else lambda: look(scene))
    if several_views(pixels):
        orientation = replace(orientation, roll_deg=None, roll_sd_deg=None, pitch_deg=None, pitch_sd_deg=None, cues=(),
                              note=_SEVERAL)
    sky = measure_sky(scene, orientation.lens, orientation, view)
    clarity = measure_clarity(pixels, sky)
    measured = ImageMeasurement(width, height, orientation, sky, clarity, 0.0, overlay.fraction, upside_down(view.turned))
    return replace(measured, elapsed_ms=1000 * (time.perf_counter() - started))


def measurement_method(lens: Lens | None) -> str:
    """Key under which a measurement is kept: version of the measuring rooms and the lens that was used, if any."""
    if lens is None:
        return f"{METHOD}-estimated"
    terms = (lens.projection, lens.principal_px)
    numbers = " ".join(f"{x:.8f}" for x in (lens.hfov_deg, lens.hfov_sd_deg, lens.k1, lens.k2))
    return f"{METHOD}-{hashlib.sha256(f'{terms} {numbers}'.encode()).hexdigest()[:12]}"

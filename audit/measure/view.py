"""Today's image against the reference of the same camera: how it moved and what the glass took.

In: two ``uint8`` RGB images and, if known, the lens of the reference. Out: a
:class:`~audit.measure.measurement.ViewChange`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.measurement import DirtCause, ViewChange
from audit.measure.overlay import burnt_in_text
from audit.measure.registration import (
    Registration,
    grey_at_work_size,
    pose_change_deg,
    reference_in_today,
    register,
)
from audit.measure.transfer import MEASURE_SIDE_PX, BandMaps, band_maps, log_luminance, robust_surface

__all__ = ["ASSUMED_HFOV_DEG", "compare"]

ASSUMED_HFOV_DEG = 60.0
_ASSUMED_HFOV_SD_DEG = 15.0
_SAME_VIEW = 0.5
_SOILED_BELOW = 0.7


def compare(reference: NDArray[np.uint8], today: NDArray[np.uint8], lens: Lens | None = None, *,
            reference_pitch_deg: float = 0.0, reference_roll_deg: float = 0.0) -> ViewChange:
    """Compares today's image with the reference.

    Parameters
    ----------
    reference, today : ndarray of uint8, shape (H, W, 3)
        May differ in size, aspect and colour.
    lens : Lens, optional
        The reference's, at the reference's size or any other with the same shape; unknown means 60 +- 15 deg.
    reference_pitch_deg, reference_roll_deg : float
        Pose of the reference; it decides how a turn splits into pan and roll. Level if unknown.

    Returns
    -------
    ViewChange
        Pose today minus pose of the reference; None with a note where there is nothing to measure.
    """
    for name, pixels in (("the reference", reference), ("today's image", today)):
        empty = _empty(pixels)
        if empty is not None:
            return ViewChange(None, note=f"not measured: {name} is {empty}")
    lens = _lens_for(reference, lens)
    small_ref, small_now = grey_at_work_size(reference), grey_at_work_size(today)
    found = register(small_ref, small_now, lens.resized(small_ref.shape[1], small_ref.shape[0]),
                     burnt_in_text(small_now))
    change, sd = pose_change_deg(found.rotation, found.rotation_sd_deg, reference_pitch_deg, reference_roll_deg)
    if found.same_view_probability < _SAME_VIEW:
        return ViewChange(found.same_view_probability,
                          note="another scene, or too much of the view is lost to compare it with the reference")
    loss = _loss(reference, today, found)
    pose = ViewChange(
        found.same_view_probability,
        float(change[0]), float(sd[0]), float(change[1]), float(sd[1]), float(change[2]), float(sd[2]))
    return replace(pose, contrast_ratio=loss.contrast_ratio, contrast_ratio_sd=loss.contrast_ratio_sd,
                   sharpness_ratio=loss.sharpness_ratio, soiled_fraction=loss.soiled_fraction,
                   blocked_fraction=loss.blocked_fraction, dirt_probability=loss.dirt_probability,
                   dirt_cause=loss.cause, note=loss.note, patches=loss.patches)


@dataclass(frozen=True, slots=True)
class _Loss:
    contrast_ratio: float | None = None
    contrast_ratio_sd: float | None = None
    sharpness_ratio: float | None = None
    soiled_fraction: float | None = None
    blocked_fraction: float | None = None
    dirt_probability: float | None = None
    cause: DirtCause | None = None
    note: str | None = None
    patches: tuple[tuple[tuple[float, float], ...], ...] = ()


def _empty(pixels: NDArray[np.uint8]) -> str | None:
    small = pixels[::8, ::8]
    low, high = np.percentile(small, (1, 99))
    if high < 16:
        return "black"
    if low > 243:
        return "white"
    if high - low < 8:
        return "of one tone"
    return None


def _lens_for(reference: NDArray[np.uint8], lens: Lens | None) -> Lens:
    height, width = reference.shape[:2]
    if lens is None:
        return Lens(width, height, ASSUMED_HFOV_DEG, _ASSUMED_HFOV_SD_DEG, "assumed")
    return lens.resized(width, height)


def _at_measure_size(pixels: NDArray[np.uint8], size: tuple[int, int] | None = None) -> NDArray[np.uint8]:
    height, width = pixels.shape[:2]
    if size is None:
        scale = min(1.0, MEASURE_SIDE_PX / max(height, width))
        size = (round(width * scale), round(height * scale))
    if size == (width, height):
        return pixels
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def _loss(reference: NDArray[np.uint8], today: NDArray[np.uint8], found: Registration) -> _Loss:
    now = _at_measure_size(today)
    ref = _at_measure_size(reference)
    placed = replace(found, reference_lens=found.reference_lens.resized(ref.shape[1], ref.shape[0]),
                     today_lens=found.today_lens.resized(now.shape[1], now.shape[0]))
    ref, valid = reference_in_today(placed, ref)
    text = burnt_in_text(np.asarray(cv2.cvtColor(now, cv2.COLOR_RGB2GRAY), np.uint8))
    maps = band_maps(log_luminance(ref), log_luminance(now), valid & (text == 0))
    return _summary(maps)


def _summary(maps: BandMaps) -> _Loss:
    transfer = maps.transfer()
    middle = transfer[1:3]
    seen = np.isfinite(middle).any(axis=0)
    if seen.mean() < 0.05:
        return _Loss(note="not measured: the reference shows too little texture to compare contrast")
    per_cell = np.nanmean(np.where(np.isfinite(middle), middle, np.nan)[:, seen], axis=0)
    contrast = float(np.median(per_cell))
    spread = 1.4826 * float(np.median(np.abs(per_cell - contrast)))
    fine = transfer[0][np.isfinite(transfer[0])]
    sharp = float(np.median(fine)) / max(contrast, 0.05) if fine.size > 20 else None
    residual = maps.log_gain - robust_surface(maps.log_gain, maps.valid.astype(np.float32))
    coherent = maps.coherence()[1:3].max(axis=0)
    lost = np.zeros_like(seen)
    lost[seen] = per_cell < _SOILED_BELOW
    blocked = lost & (coherent < 0.25) & (np.abs(residual) > 0.3)
    soiled_fraction = float(lost.sum() / max(seen.sum(), 1))
    blocked_fraction = float(blocked.sum() / max(seen.sum(), 1))
    probability = float(1 / (1 + np.exp(-(6 * (0.75 - contrast) + 5 * (soiled_fraction - 0.35)))))
    cause: DirtCause = "clear"
    if probability >= 0.5:
        cause = "blocked" if blocked_fraction > 0.15 else "haze"
        if sharp is not None and sharp < 0.6 and cause == "haze":
            cause = "defocus"
    return _Loss(contrast, float(max(0.01, 1.25 * spread / np.sqrt(seen.sum() / 4))), sharp, soiled_fraction,
                 blocked_fraction, probability, cause)

"""Today's image against the reference of the same camera: how it moved and what the glass took.

In: two ``uint8`` RGB images and, if known, the lens of the reference. Out: a
:class:`~audit.measure.measurement.ViewChange`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.clarity import cause_of, emptiness, is_night, single_verdict
from audit.measure.layout import foreign_share, structure
from audit.measure.losses import contrast_ratio, hidden_share, judged, spoiled_share, with_focus
from audit.measure.measurement import DirtCause, ViewChange
from audit.measure.outlines import outlines
from audit.measure.overlay import burned_in
from audit.measure.registration import (
    Registration,
    grey_at_work_size,
    pose_change_deg,
    reference_in_today,
    register,
)
from audit.measure.sharpness import edge_width_px, sharpness_ratio
from audit.measure.swaps import best_views
from audit.measure.transfer import (
    MEASURE_SIDE_PX,
    BandMaps,
    at_measure_size,
    band_maps,
    log_luminance,
)

__all__ = ["ASSUMED_HFOV_DEG", "best_views", "compare"]

ASSUMED_HFOV_DEG = 60.0
_ASSUMED_HFOV_SD_DEG = 15.0
_SAME_VIEW = 0.5
_SOILED = 0.5
_SAME_PLACE_INLIERS = 14
_FOG_LEAN, _FOG_NEAR = 0.3, 0.8
_LITTLE = 0.5
_CUT_OFF = 0.05
_FOREIGN_SD = 0.3


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
        empty = emptiness(pixels)
        if empty is not None:
            return ViewChange(None, note=f"not measured: {name} is {empty}")
    side = min(MEASURE_SIDE_PX, max(reference.shape[:2]), max(today.shape[:2]))
    pair = _Pair(at_measure_size(reference, side), at_measure_size(today, side))
    found = pair.registered(_lens_for(pair.before, lens))
    if found.same_view_probability < _SAME_VIEW:
        if pair.dark or not pair.shows_enough:
            return _as_it_stood(pair, found)
        return _alone(pair, found)
    change, sd = pose_change_deg(found.rotation, found.rotation_sd_deg, reference_pitch_deg, reference_roll_deg)
    return replace(
        _loss(pair, found), same_view_probability=found.same_view_probability,
        pan_change_deg=float(change[0]), pan_change_sd_deg=float(sd[0]), pitch_change_deg=float(change[1]),
        pitch_change_sd_deg=float(sd[1]), roll_change_deg=float(change[2]), roll_change_sd_deg=float(sd[2]),
        zoom_ratio=found.zoom, zoom_ratio_sd=found.zoom_sd)


@dataclass(frozen=True, slots=True)
class _Pair:
    """Reference and today at measuring size, with what is burnt into each."""

    before: NDArray[np.uint8]
    after: NDArray[np.uint8]
    burnt_before: NDArray[np.bool_] = field(init=False)
    burnt_after: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "burnt_before", burned_in(self.before).mask)
        object.__setattr__(self, "burnt_after", burned_in(self.after).mask)

    def registered(self, lens: Lens) -> Registration:
        small_ref, small_now = grey_at_work_size(self.before), grey_at_work_size(self.after)
        return register(small_ref, small_now, lens.resized(small_ref.shape[1], small_ref.shape[0]),
                        _mask_at(self.burnt_after, small_now), _mask_at(self.burnt_before, small_ref))

    @property
    def dark(self) -> bool:
        """A grey night picture against a day reference."""
        return is_night(self.after) and not is_night(self.before)

    @property
    def shows_enough(self) -> bool:
        """Whether today's picture holds about as many edges as the reference."""
        return structure(self.after) > _LITTLE * structure(self.before)

    def sharpness_ratio(self, zoom: float) -> float | None:
        """Sharpness today over the reference's; a longer lens spreads the same edge over more pixels."""
        then, now = edge_width_px(self.before, self.burnt_before), edge_width_px(self.after, self.burnt_after)
        return sharpness_ratio(then, None if now is None else now / max(zoom, 1.0))


def _mask_at(mask: NDArray[np.bool_], like: NDArray[np.uint8]) -> NDArray[np.uint8]:
    size = like.shape[1], like.shape[0]
    return np.asarray(cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_NEAREST), np.uint8)


def _as_it_stood(pair: _Pair, found: Registration) -> ViewChange:
    """Too little of the view shows to say whether the camera moved: dirt is judged as if it had not."""
    why = ("a night picture against a day reference: too little in common to lay one over the other" if pair.dark else
           "too little of the view shows to lay it over the reference: fog, blur, darkness or something before the lens")
    if pair.before.shape != pair.after.shape:
        return ViewChange(None, note=f"movement and dirt not measured: {why}")
    loss = _loss(pair, replace(found, rotation=np.eye(3), zoom=1.0, today_lens=found.reference_lens, method="none"))
    return replace(loss, note=f"movement not measured: {why}; dirt is judged as if the camera stood as before")


def _alone(pair: _Pair, found: Registration) -> ViewChange:
    """Today's image shows something else than the reference: what it says by itself."""
    verdict = single_verdict(pair.after)
    if found.inliers >= _SAME_PLACE_INLIERS:
        why = "the same place from another position: another camera's view, or the camera was moved as a whole"
    else:
        why = "another scene, or too much of the view is lost to lay it over the reference"
    cause: DirtCause = cause_of(verdict) if verdict.dirty >= _SOILED else "clear"
    return ViewChange(found.same_view_probability, dirt_probability=verdict.dirty, dirt_cause=cause,
                      note=f"{why}; dirt is judged from today's image alone",
                      patches=outlines(1.0 - verdict.cells[0]) if verdict.dirty >= _SOILED else ())


@dataclass(frozen=True, slots=True)
class _LaidOver:
    """The reference as today's camera would see it, both log luminances, and the pixels that both show."""

    reference: NDArray[np.uint8]
    today: NDArray[np.uint8]
    reference_log: NDArray[np.float32]
    today_log: NDArray[np.float32]
    seen: NDArray[np.bool_]

    def maps(self) -> BandMaps:
        return band_maps(self.reference_log, self.today_log, self.seen)


def _laid_over(pair: _Pair, found: Registration) -> _LaidOver:
    before, after = pair.before, pair.after
    placed = replace(found, reference_lens=found.reference_lens.resized(before.shape[1], before.shape[0]),
                     today_lens=found.today_lens.resized(after.shape[1], after.shape[0]))
    moved, valid = reference_in_today(placed, before)
    burnt, _ = reference_in_today(placed, pair.burnt_before.astype(np.uint8) * 255)
    return _LaidOver(moved, after, log_luminance(moved), log_luminance(after), valid & ~pair.burnt_after & (burnt < 64))


def _loss(pair: _Pair, found: Registration) -> ViewChange:
    """What the glass and the focus took: a change without pose."""
    laid = _laid_over(pair, found)
    maps = laid.maps()
    verdict = judged(laid.reference, laid.today, laid.reference_log, laid.today_log, laid.seen, maps)
    sharp = pair.sharpness_ratio(found.zoom)
    verdict = with_focus(verdict, sharp)
    contrast, contrast_sd = contrast_ratio(maps)
    note = None if contrast is not None else "contrast not measured: the reference shows too little texture"
    if pair.dark and note is None:
        note = "a night picture against a day reference: contrast depends on the light as well as on the glass"
    dirty = verdict.dirty
    cause: DirtCause = cause_of(verdict) if dirty >= _SOILED else "clear"
    if cause == "haze" and _fades_upwards(maps):
        note = "contrast is lost up the picture and kept near the camera: weather fog can look the same"
    share, share_sd = spoiled_share(verdict, maps.valid)
    hidden, hidden_sd = hidden_share(verdict, maps.valid)
    foreign = foreign_share(laid.reference, laid.today, laid.seen)
    if hidden is not None and foreign > hidden:
        hidden, hidden_sd = foreign, _FOREIGN_SD * foreign
    missing = _one_tone_below(pair.after) - _one_tone_below(pair.before)
    if missing > max(_CUT_OFF, hidden or 0.0):
        # what is missing is counted to a per cent
        hidden, hidden_sd = missing, 0.01
        note = f"the lower {missing:.0%} of the picture is of one tone, as in a file that was cut off"
    spoiled = np.where(maps.valid, 1.0 - verdict.cells[0], 0.0).astype(np.float32)
    return ViewChange(None, contrast_ratio=contrast, contrast_ratio_sd=contrast_sd, sharpness_ratio=sharp,
                      soiled_fraction=share, soiled_fraction_sd=share_sd, blocked_fraction=hidden,
                      blocked_fraction_sd=hidden_sd, dirt_probability=dirty, dirt_cause=cause, note=note,
                      patches=outlines(spoiled) if dirty >= _SOILED else ())


def _one_tone_below(pixels: NDArray[np.uint8]) -> float:
    """Share of the picture's rows, from the bottom up, that hold one tone alone."""
    plain = np.ptp(pixels.reshape(len(pixels), -1, 3), axis=1).max(axis=1)[::-1] <= 1
    return float(plain.argmin() if not plain.all() else len(plain)) / len(plain)


def _fades_upwards(maps: BandMaps) -> bool:
    """Whether the lower third keeps its contrast and the upper third loses it."""
    transfer = maps.transfer()[1:3]
    heard = np.isfinite(transfer) & maps.valid
    count = heard.sum(axis=(0, 2))
    rows = np.where(heard, transfer, 0.0).sum(axis=(0, 2)) / np.maximum(count, 1)
    third = len(rows) // 3
    upper, lower = rows[:third][count[:third] >= 3], rows[-third:][count[-third:] >= 3]
    if not (len(upper) and len(lower)):
        return False
    near = float(np.median(lower))
    return near > _FOG_NEAR and near - float(np.median(upper)) > _FOG_LEAN


def _lens_for(reference: NDArray[np.uint8], lens: Lens | None) -> Lens:
    height, width = reference.shape[:2]
    if lens is None:
        return Lens(width, height, ASSUMED_HFOV_DEG, _ASSUMED_HFOV_SD_DEG, "assumed")
    return lens.resized(width, height)

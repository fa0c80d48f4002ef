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
from audit.measure.clarity import cause_of, emptiness, is_night, single_verdict
from audit.measure.dirt_model import Verdict, load_dirt_model
from audit.measure.dirt_network import pair_verdict
from audit.measure.measurement import DirtCause, ViewChange
from audit.measure.outlines import outlines
from audit.measure.overlay import burnt_in_text
from audit.measure.registration import (
    Registration,
    grey_at_work_size,
    pose_change_deg,
    reference_in_today,
    register,
)
from audit.measure.soiling import PairEvidence, pair_evidence
from audit.measure.swaps import best_views
from audit.measure.transfer import (
    BANDS,
    MEASURE_SIDE_PX,
    BandMaps,
    at_measure_size,
    band_maps,
    log_luminance,
)

__all__ = ["ASSUMED_HFOV_DEG", "best_views", "compare", "evidence_of"]

ASSUMED_HFOV_DEG = 60.0
_ASSUMED_HFOV_SD_DEG = 15.0
_SAME_VIEW = 0.5
_SOILED = 0.5
_SAME_PLACE_INLIERS = 14
_FOG_LEAN, _FOG_NEAR = 0.3, 0.8
_SILENT = 0.05
_CLEARLY_CLEAN = -3.5
_NETWORK_OFFSET = -1.0
_IN_COMMON = 0.1


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
    before, after = at_measure_size(reference, side), at_measure_size(today, side)
    lens = _lens_for(before, lens)
    small_ref, small_now = grey_at_work_size(before), grey_at_work_size(after)
    found = register(small_ref, small_now, lens.resized(small_ref.shape[1], small_ref.shape[0]),
                     burnt_in_text(small_now))
    if found.same_view_probability < _SAME_VIEW:
        return _alone(after, found, is_night(after) and not is_night(before))
    change, sd = pose_change_deg(found.rotation, found.rotation_sd_deg, reference_pitch_deg, reference_roll_deg)
    loss = _loss(before, after, found)
    return ViewChange(
        found.same_view_probability,
        float(change[0]), float(sd[0]), float(change[1]), float(sd[1]), float(change[2]), float(sd[2]),
        loss.contrast_ratio, loss.contrast_ratio_sd, loss.sharpness_ratio, loss.soiled_fraction,
        loss.blocked_fraction, loss.dirt_probability, loss.cause, loss.note, loss.patches)


def _alone(today: NDArray[np.uint8], found: Registration, night: bool) -> ViewChange:
    """Today's image can't be laid over the reference: what it says by itself."""
    verdict = single_verdict(today)
    if found.inliers >= _SAME_PLACE_INLIERS:
        why = "the same place from another position: another camera's view, or the camera was moved as a whole"
    elif night:
        why = "a night picture against a day reference: too little in common to lay one over the other"
    else:
        why = "another scene, or too much of the view is lost to lay it over the reference"
    cause: DirtCause = cause_of(verdict) if verdict.dirty >= _SOILED else "clear"
    return ViewChange(found.same_view_probability, dirt_probability=verdict.dirty, dirt_cause=cause,
                      note=f"{why}; dirt is judged from today's image alone",
                      patches=outlines(1.0 - verdict.cells[0]) if verdict.dirty >= _SOILED else ())


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


def evidence_of(reference: NDArray[np.uint8], today: NDArray[np.uint8], found: Registration) -> PairEvidence:
    """Evidence of a pair at measuring size; ``found`` may have been found at any size."""
    return _laid_over(reference, today, found).evidence()


@dataclass(frozen=True, slots=True)
class _LaidOver:
    """The reference as today's camera would see it, both log luminances, and the pixels that both show."""

    reference: NDArray[np.uint8]
    today: NDArray[np.uint8]
    reference_log: NDArray[np.float32]
    today_log: NDArray[np.float32]
    seen: NDArray[np.bool_]

    def evidence(self) -> PairEvidence:
        maps = band_maps(self.reference_log, self.today_log, self.seen)
        return pair_evidence(self.reference, self.today, self.reference_log, self.today_log, maps)


def _laid_over(reference: NDArray[np.uint8], today: NDArray[np.uint8], found: Registration) -> _LaidOver:
    placed = replace(found, reference_lens=found.reference_lens.resized(reference.shape[1], reference.shape[0]),
                     today_lens=found.today_lens.resized(today.shape[1], today.shape[0]))
    moved, valid = reference_in_today(placed, reference)
    text = burnt_in_text(np.asarray(cv2.cvtColor(today, cv2.COLOR_RGB2GRAY), np.uint8))
    text |= burnt_in_text(np.asarray(cv2.cvtColor(moved, cv2.COLOR_RGB2GRAY), np.uint8))
    return _LaidOver(moved, today, log_luminance(moved), log_luminance(today), valid & (text == 0))


def _verdict(pair: _LaidOver, evidence: PairEvidence) -> Verdict:
    """What spoils the picture, where two judges agree that something does.

    Trees on the layers of evidence come first; unless they find the picture clearly clean, the network looks at the
    pair itself, and the less sure of the two decides. Kinds and places are the mean of both.
    """
    first = load_dirt_model("dirt_pair").verdict(evidence.layers, evidence.maps.valid)
    if _log_odds(first) < _CLEARLY_CLEAN:
        return first
    second = pair_verdict(pair.reference, pair.today, pair.reference_log, pair.today_log, pair.seen)
    dirty = 1 / (1 + np.exp(-min(_log_odds(first), _log_odds(second) + _NETWORK_OFFSET)))
    others = sum(v.kinds[1:] / max(float(v.kinds[1:].sum()), 1e-6) for v in (first, second)) / 2
    return Verdict(np.concatenate([[1 - dirty], dirty * others]).astype(np.float32),
                   np.asarray((first.cells + second.cells) / 2, np.float32))


def _log_odds(verdict: Verdict) -> float:
    return float(np.log(max(verdict.dirty, 1e-6) / max(float(verdict.kinds[0]), 1e-6)))


def _loss(reference: NDArray[np.uint8], today: NDArray[np.uint8], found: Registration) -> _Loss:
    pair = _laid_over(reference, today, found)
    evidence = pair.evidence()
    verdict = _verdict(pair, evidence)
    contrast, contrast_sd, sharp = _ratios(evidence.maps)
    note = None if contrast is not None else "contrast not measured: the reference shows too little texture"
    if evidence.night and note is None:
        note = "a night picture against a day reference: contrast depends on the light as well as on the glass"
    cause: DirtCause = cause_of(verdict) if verdict.dirty >= _SOILED else "clear"
    if cause == "haze" and _fades_upwards(evidence.maps):
        note = "contrast is lost up the picture and kept near the camera: weather fog can look the same"
    seen = evidence.maps.valid
    spoiled = 1.0 - verdict.cells[0]
    dirty = verdict.dirty
    return _Loss(contrast, contrast_sd, sharp, float((spoiled[seen] > _SOILED).mean()),
                 max(float((verdict.blocked[seen] > _SOILED).mean()), _foreign_fraction(evidence.maps)), dirty, cause, note,
                 outlines(np.where(seen, spoiled, 0.0).astype(np.float32)) if dirty >= _SOILED else ())


def _foreign_fraction(maps: BandMaps) -> float:
    """Share of the picture in the largest area whose content has nothing in common with the reference's.

    Cells where both images show structure, uncorrelated in all but the finest octave; loss of light, haze and blur
    leave the correlation standing, so what is found stands before the view.
    """
    floor = np.minimum(maps.noise_power, 1e-4 / 4.0 ** np.arange(BANDS))[1:, None, None]
    both = (maps.reference_power[1:] > 4 * floor) & (maps.today_power[1:] > 4 * floor) & maps.valid[None]
    octaves = both.sum(axis=0)
    common = np.where(both, maps.coherence()[1:], 0.0).sum(axis=0) / np.maximum(octaves, 1)
    foreign = ((octaves >= 2) & (common < _IN_COMMON)).astype(np.float32)
    count, _, stats, _ = cv2.connectedComponentsWithStats((cv2.blur(foreign, (3, 3)) > 0.6).astype(np.uint8))
    return float(stats[1:count, cv2.CC_STAT_AREA].max() / foreign.size) if count > 1 else 0.0


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


def _ratios(maps: BandMaps) -> tuple[float | None, float | None, float | None]:
    """Contrast ratio with its sd from the middle octaves, and the fine octave's over it."""
    transfer = maps.transfer()
    middle = transfer[1:3]
    seen = np.isfinite(middle).any(axis=0)
    if seen.mean() < _SILENT:
        return None, None, None
    per_cell = np.nanmean(middle[:, seen], axis=0)
    contrast = float(np.median(per_cell))
    spread = 1.4826 * float(np.median(np.abs(per_cell - contrast)))
    sd = float(max(0.01, 1.25 * spread / np.sqrt(seen.sum() / 4)))
    fine = transfer[0][np.isfinite(transfer[0])]
    sharp = float(np.median(fine)) / max(contrast, 0.05) if fine.size > 20 else None
    return contrast, sd, sharp


def _lens_for(reference: NDArray[np.uint8], lens: Lens | None) -> Lens:
    height, width = reference.shape[:2]
    if lens is None:
        return Lens(width, height, ASSUMED_HFOV_DEG, _ASSUMED_HFOV_SD_DEG, "assumed")
    return lens.resized(width, height)

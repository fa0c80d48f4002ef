"""What stays at one place of the picture while the scene behind it changes: it lies on the glass.

Two pictures of different scenes have nothing in common at equal places. So the correlation of their whitened octave
bands, and of the maps of their local contrast, must be the same at zero shift as at any other; a spot, a strand or
a leaf on the glass makes it peak at zero shift, however faint it is in either picture (the way in which a sensor's
fixed pattern is found). Where the scene is the same in all pictures, everything stays, and nothing is learned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.logistic import log_odds_of
from audit.measure.transfer import bands_of, grid_size

__all__ = ["MAPS", "Lasting", "lasting", "lasting_features", "measure_lasting"]

Floats = NDArray[np.float32]
#: What is correlated: octave bands, and log power of a band at a fraction of its resolution.
MAPS = ("band 1", "band 2", "band 3", "power 0 at 1/4", "power 1 at 1/2", "power 1 at 1/4", "power 2 at 1/2")
_BANDS, _POWERS = (1, 2, 3), ((0, 4), (1, 2), (1, 4), (2, 2))
_NEAR, _CENTRE = 24, 3
_SHIFTS = ((7, 0), (0, 7), (11, 5), (-6, 9))
_WINDOW, _PATCH = 9, 5
_FLOOR, _CLIP = 0.02, 2.5
_SHOWN_ON = 1


@dataclass(frozen=True, slots=True)
class Lasting:
    """What several pictures have in common at equal places.

    Attributes
    ----------
    features : ndarray, shape (len(MAPS), 7)
        For each map: the mean correlation of two pictures at zero shift; then, once for that mean and once for its
        size whatever the sign: its excess over other shifts in their standard deviations, the share of places that
        agree more than 99.5 % do when shifted, and how much more the best hundredth agrees.
    places : ndarray, shape (R, C)
        Where they agree more than shifted pictures do, 0..1, on the grid of cells.
    """

    features: Floats
    places: Floats

    @property
    def alike(self) -> float:
        """Correlation of the scenes themselves; near 0 for different scenes, near 1 for one scene."""
        return float(self.features[0, 0])


def measure_lasting(logs: Sequence[Floats], ignore: NDArray[np.bool_] | None = None) -> Lasting:
    """What log-luminance images (two or more, equal in size) have in common at equal places.

    ``ignore`` (same size) is true where burnt-in text stands, which stays without being dirt.
    """
    keep = np.ones(logs[0].shape, np.uint8) if ignore is None else (~ignore).astype(np.uint8)
    pyramids = [bands_of(log)[:4] for log in logs]
    stacks = [[_white(p[band]) for p in pyramids] for band in _BANDS]
    for band, fraction in _POWERS:
        powers = [_power(p[band], fraction) for p in pyramids]
        # part of what the model was trained on: another figure asks for new weights
        spread = 2.0 if fraction * (band + 1) >= 8 else 3.0
        stacks.append([_white(np.asarray(v - cv2.GaussianBlur(v, (0, 0), spread), np.float32)) for v in powers])
    features, places = [], np.zeros(grid_size(logs[0].shape), np.float32)
    for index, stack in enumerate(stacks):
        row, agreement = _agreement([_kept(v, keep) for v in stack])
        features.append(row)
        if index == _SHOWN_ON:
            places = np.asarray(cv2.resize(agreement, places.shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
    return Lasting(np.array(features, np.float32), np.clip(places, 0, 1))


def _white(values: Floats) -> Floats:
    rms = np.sqrt(np.maximum(cv2.blur(values * values, (_WINDOW, _WINDOW)), 0))
    out = np.clip(values / (rms + _FLOOR), -_CLIP, _CLIP)
    return np.asarray(out - out.mean(), np.float32)


def _kept(values: Floats, keep: NDArray[np.uint8]) -> Floats:
    if keep.all():
        return values
    small = cv2.resize(keep * 255, (values.shape[1], values.shape[0]), interpolation=cv2.INTER_AREA)
    # cells that are whole
    return np.asarray(values * (cv2.erode(small, np.ones((3, 3), np.uint8)) > 250), np.float32)


def _power(band: Floats, fraction: int) -> Floats:
    size = (max(1, band.shape[1] // fraction), max(1, band.shape[0] // fraction))
    # part of what the model was trained on: another figure asks for new weights
    return np.asarray(np.log(cv2.resize(band * band, size, interpolation=cv2.INTER_AREA) + 1e-4), np.float32)


def _agreement(stack: Sequence[Floats]) -> tuple[list[float], Floats]:
    """Four figures of a map's agreement, and where the pictures agree more than shifted ones do."""
    pairs = list(combinations(range(len(stack)), 2))
    spectra = [np.fft.rfft2(v) for v in stack]
    scale = float(np.mean([(v * v).sum() for v in stack])) + 1e-6
    each = np.stack([np.fft.irfft2(spectra[i] * np.conj(spectra[j]), s=stack[0].shape) for i, j in pairs]) / scale
    near = np.zeros_like(stack[0], bool)
    rows, columns = min(_NEAR, near.shape[0] // 2), min(_NEAR, near.shape[1] // 2)
    for reach, inside in (((rows, columns), True), ((_CENTRE, _CENTRE), False)):
        for y in (slice(0, reach[0]), slice(-reach[0], None)):
            for x in (slice(0, reach[1]), slice(-reach[1], None)):
                near[y, x] = inside
    mean = each.mean(axis=0)
    agreed = _product(stack, pairs)
    shifted = [_product([np.roll(v, (dy * k, dx * k), (0, 1)) for k, v in enumerate(stack)], pairs) for dy, dx in _SHIFTS]
    figures, places = [float(mean[0, 0])], np.zeros(near.shape, bool)
    for index, surface in enumerate((mean, np.sqrt((each * each).mean(axis=0)))):
        others = surface[near]
        here, null = agreed[index], np.concatenate([s[index].ravel() for s in shifted])
        # part of what the model was trained on: another figure asks for new weights
        limit = float(np.quantile(null, 0.995))
        best = np.sort(here.ravel())[-max(8, here.size // 100):].mean()
        usual = np.sort(null)[-max(8, null.size // 100):].mean()
        places |= here > limit
        figures += [(float(surface[0, 0]) - float(others.mean())) / max(float(others.std()), 1e-6),
                    # part of what the model was trained on: another figure asks for new weights
                    float((here > limit).mean()) - 0.005, float(best - usual)]
    return figures, places.astype(np.float32)


def _product(stack: Sequence[Floats], pairs: Sequence[tuple[int, int]]) -> tuple[Floats, Floats]:
    """Mean local correlation, and its mean size: dirt that darkens one scene may brighten another."""
    each = np.stack([np.asarray(cv2.blur(stack[i] * stack[j], (_PATCH, _PATCH)), np.float32) for i, j in pairs])
    return np.asarray(each.mean(axis=0), np.float32), np.asarray(np.abs(each).mean(axis=0), np.float32)


def lasting_features(found: Lasting) -> NDArray[np.float64]:
    # figures a map, as listed above
    """The figures as the weights expect them, shape (7 * len(MAPS),)."""
    peak, *rest = found.features.T.astype(np.float64)
    # part of what the model was trained on: another figure asks for new weights
    out = [np.clip(peak, -0.05, 0.6)]
    for excess, share, best in (rest[:3], rest[3:]):
        # part of what the model was trained on: another figure asks for new weights
        out += [np.sign(excess) * np.log1p(np.abs(excess)), np.log(np.maximum(share, 0) + 0.003), np.clip(best, -0.2, 2.0)]
    return np.concatenate(out)


def lasting(found: Lasting) -> float:
    """Log odds that something lies on the glass, from what different scenes have in common.

    Raises
    ------
    AuditError
        If the weights are missing or not what they should be.
    """
    return log_odds_of("dirt_lasting", lasting_features(found))

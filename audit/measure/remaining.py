"""What remains at one place of the picture once the scene is taken away, while the camera was turned: it lies on the glass.

Each picture less the others laid over it (:mod:`.turned`) shows what moves with the camera: dirt at its own place and, once for
each other picture, a ghost of it where that picture carries it. The lesser of two such differences with one sign keeps the dirt
and drops the ghosts. What the differences of all pictures then share at zero shift, and at no other, sits on the glass; the errors
of laying over go with the scene. Flat fields are taken from shifted pictures in the same way (Kuhn, Lin and Loranz
1991, Publications of the Astronomical Society of the Pacific 103, 1097; cited from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["REMAINING_MAPS", "octave_bands", "remaining_features"]

Floats = NDArray[np.float32]
Laid = tuple[Floats, NDArray[np.bool_]]
#: What is compared: differences of octave bands over the scene's own contrast, and of the log power of bands.
REMAINING_MAPS = ("band 1", "band 2", "band 3", "tone", "power 0 at 1/4", "power 1 at 1/2", "power 2 at 1/2", "power 3")
_BANDS, _POWERS = 4, ((0, 4), (1, 2), (2, 2), (3, 1))
_NOISE, _LAYING = 0.02, 0.35
_CLIP, _SURROUNDINGS, _POWER_FLOOR = 3.0, 6.0, 1e-4
_NEAR_ROWS, _NEAR_COLUMNS, _CENTRE = 20, 28, 3
_SHIFTS = ((4, 0), (0, 5), (5, 4), (-4, 6))
_PATCH = 3
_WHOLE, _FEWEST_PLACES, _NO_PLACES = 0.99, 8, 0.003


def remaining_features(logs: Sequence[Floats], laid: Mapping[tuple[int, int], Laid]) -> NDArray[np.float64] | None:
    """Figures of what remains, shape (5 * len(REMAINING_MAPS),); None where fewer than two pictures have another laid over them.

    Parameters
    ----------
    logs : sequence of ndarray, shape (H, W)
        Log luminance of each picture.
    laid : mapping
        By (own, other): log luminance of the other as the own would show it, and where it reaches (H, W).
    """
    stacks = []
    for own, log in enumerate(logs):
        others = [laid[own, other] for other in range(len(logs)) if (own, other) in laid]
        if others:
            stacks.append(_maps(log, others))
    if len(stacks) < 2:
        return None
    return np.concatenate([_shared([maps[index] for maps in stacks]) for index in range(len(REMAINING_MAPS))])


def octave_bands(log: Floats) -> list[Floats]:
    """Octave bands, finest first, and what is left below them."""
    out, level = [], np.asarray(log, np.float32)
    for _ in range(_BANDS):
        # part of what the model was trained on: another figure asks for new weights
        smooth = cv2.GaussianBlur(level, (5, 5), 1.1)
        out.append(level - smooth)
        level = np.asarray(smooth[::2, ::2], np.float32)
    return [*out, level]


def _maps(own: Floats, others: Sequence[Laid]) -> list[Floats]:
    """The picture less the others, as :data:`REMAINING_MAPS` says."""
    mine = octave_bands(own)
    theirs = [(octave_bands(log), reach.astype(np.float32)) for log, reach in others]
    maps = []
    for band in range(1, _BANDS + 1):
        each = []
        for bands, reach in theirs:
            difference, scene = mine[band] - bands[band], bands[band]
            if band == _BANDS:
                difference, scene = _less_surroundings(difference), _less_surroundings(scene)
            contrast = np.sqrt(np.maximum(cv2.blur(scene**2, (_PATCH, _PATCH)), 0))
            inside = cv2.erode((_at(reach, scene.shape) > _WHOLE).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
            each.append(np.asarray(difference / (_NOISE + _LAYING * contrast) * inside, np.float32))
        maps.append(np.clip(_lesser(each), -_CLIP, _CLIP))
    for band, fraction in _POWERS:
        shape = mine[band].shape[0] // fraction, mine[band].shape[1] // fraction
        power = _log_power(mine[band], shape)
        maps.append(_lesser([np.asarray(np.clip(power - _log_power(bands[band], shape), -_CLIP, _CLIP) * (_at(reach, shape) > _WHOLE), np.float32)
                             for bands, reach in theirs]))
    return maps


def _less_surroundings(tone: Floats) -> Floats:
    return np.asarray(tone - cv2.GaussianBlur(tone, (0, 0), _SURROUNDINGS), np.float32)


def _at(values: Floats, shape: tuple[int, ...]) -> Floats:
    return np.asarray(cv2.resize(values, (shape[1], shape[0]), interpolation=cv2.INTER_AREA), np.float32)


def _log_power(band: Floats, shape: tuple[int, int]) -> Floats:
    return np.asarray(np.log(_at(band**2, shape) + _POWER_FLOOR), np.float32)


def _lesser(each: Sequence[Floats]) -> Floats:
    """The least in size where all have one sign, else 0."""
    stack = np.stack(each)
    alike = np.abs(np.sign(stack).sum(axis=0)) == len(each)
    return np.asarray(np.where(alike, np.sign(stack[0]) * np.abs(stack).min(axis=0), 0), np.float32)


def _shared(stack: Sequence[Floats]) -> NDArray[np.float64]:
    """Correlation of the pictures' maps at zero shift; its excess over others; places that agree; how well the best do; how much."""
    level = [values - values.mean() for values in stack]
    height, width = level[0].shape
    pairs = list(combinations(range(len(level)), 2))
    spectra = [np.fft.rfft2(values) for values in level]
    power = float(np.mean([(values * values).mean() for values in level])) * height * width + 1e-6
    surface = np.mean([np.fft.irfft2(spectra[i] * np.conj(spectra[j]), s=(height, width)) for i, j in pairs], axis=0) / power
    others = surface[_ring(height, width)]
    excess = float(surface[0, 0] - others.mean()) / max(float(others.std()), 1e-6)
    here = _products(level, pairs)
    null = np.concatenate([_products([np.roll(v, (dy * k, dx * k), (0, 1)) for k, v in enumerate(level)], pairs).ravel() for dy, dx in _SHIFTS])
    # part of what the model was trained on: another figure asks for new weights
    agree = float((here > np.quantile(null, 0.995)).mean())
    most = max(_FEWEST_PLACES, here.size // 100)
    best = float(np.sort(here.ravel())[-most:].mean() - np.sort(null)[-len(_SHIFTS) * most:].mean())
    size = float(np.sqrt(power / (height * width)))
    return np.array([surface[0, 0], np.sign(excess) * np.log1p(abs(excess)), np.log(agree + _NO_PLACES), best,
                     np.sqrt(max(0.0, float(surface[0, 0]))) * size])


def _ring(height: int, width: int) -> NDArray[np.bool_]:
    """Shifts near zero but not next to it, of a surface that wraps around."""
    near = np.zeros((height, width), bool)
    for rows, columns, inside in ((min(_NEAR_ROWS, height // 3), min(_NEAR_COLUMNS, width // 3), True), (_CENTRE, _CENTRE, False)):
        back = 0 if inside else 1
        for y in (slice(0, rows), slice(-rows + back, None)):
            for x in (slice(0, columns), slice(-columns + back, None)):
                near[y, x] = inside
    return near


def _products(stack: Sequence[Floats], pairs: Sequence[tuple[int, int]]) -> Floats:
    return np.asarray(np.mean([cv2.blur(stack[i] * stack[j], (_PATCH, _PATCH)) for i, j in pairs], axis=0), np.float32)

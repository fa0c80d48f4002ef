"""Whether the glass is clean and the picture sharp, from one image or several of one camera.

One image can say "low contrast" honestly and "dirty" rarely: fog, darkness and a plain wall look much the same.
Against the reference (:mod:`audit.measure.view`) or over several images of one camera the evidence is stronger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.dirt_model import KINDS, Verdict, load_dirt_model
from audit.measure.dirt_network import series_verdict
from audit.measure.lasting import Lasting, lasting, measure_lasting
from audit.measure.laying import laid_pairs
from audit.measure.measurement import Clarity, DirtCause, SeenFrom, Sky
from audit.measure.outlines import outlines
from audit.measure.overlay import text_over_series
from audit.measure.single import single_layers
from audit.measure.transfer import at_measure_size, bands_of, log_luminance
from audit.measure.trend import trend
from audit.measure.turned import seen_while_turned, while_turned

__all__ = ["emptiness", "is_night", "measure_clarity", "measure_series", "near_thing", "sharpness_of", "single_verdict",
           "too_plain", "trend", "what_stays"]

_FEWEST_PX = 32
_PLAIN_CELLS = 0.04
_TEXTURE = 0.03
_PATCH_FROM = 0.5
_SERIES_GAIN, _SERIES_LASTING, _SERIES_BASE = 0.9, 1.0, -0.5
_ONE_SCENE = 0.45
_STAYS_OFFSET = -0.2
#: Smaller pictures hold too few shifts to compare what stays with.
_SHIFTS_PX = 200
#: A cell belongs to a near thing from this chance on that it is hidden: lower, and walls join; higher, and it falls apart.
_HIDDEN_CELL = 0.3
#: A cell is sky from this share on.
_SKY_CELL = 0.5
#: Share of the picture's outer cells that a near thing fills at least.
_LEAST_RIM = 0.05
_ALIKE = "fog, darkness or a plain scene can look alike"
_NOTES: dict[SeenFrom, str] = {
    "one picture": f"from one image alone: {_ALIKE}",
    "one scene": f"from several images of one scene: {_ALIKE}",
    "several scenes": "from several images of this camera: it stays while the scene changes",
    "turned camera": "from several pictures while the camera was turned: it stays on the glass while the scene moves",
}


def measure_clarity(pixels: NDArray[np.uint8], sky: Sky | None = None) -> Clarity:
    """Dirt, focus and night mode of one image.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    sky : Sky, optional
        Open sky, which is smooth without being dirty, is left out of the sharpness.

    Returns
    -------
    Clarity
        ``dirt_probability`` None with a note where the picture is black, white or of one tone, or shows nothing
        whose sharpness could be judged.
    """
    small = at_measure_size(pixels)
    night = is_night(small)
    empty = emptiness(small)
    if empty is not None:
        return Clarity(None, None, f"not measured: the picture is {empty}", None, night)
    log = log_luminance(small)
    if too_plain(log):
        return Clarity(None, None, "not measured: the picture shows too little texture", None, night)
    verdict = single_verdict(small)
    share, at = near_thing(verdict, sky)
    return replace(clarity_from(verdict, sharpness_of(log, sky), night), blocked_fraction=share, blocked_at=at)


def near_thing(verdict: Verdict, sky: Sky | None = None) -> tuple[float, tuple[float, float] | None]:
    """Share of the picture of the largest patch of cells that look hidden, and its middle in 0..1 of width and height.

    What stands right before a lens comes in from a side, so a patch within the picture (a wall, a shade) does not count;
    nor does open sky, which by dusk is as dark and plain.
    """
    hidden = verdict.blocked > _HIDDEN_CELL
    if sky is not None and sky.mask is not None:
        open_share = cv2.resize(sky.mask.astype(np.float32), hidden.shape[::-1], interpolation=cv2.INTER_AREA)
        hidden &= open_share < _SKY_CELL
    _, labels, stats, middles = cv2.connectedComponentsWithStats(hidden.astype(np.uint8), connectivity=4)
    rim = np.concatenate([labels[0], labels[-1], labels[1:-1, 0], labels[1:-1, -1]])
    touching = np.bincount(rim, minlength=len(stats)) >= _LEAST_RIM * len(rim)
    areas = np.where(touching, stats[:, cv2.CC_STAT_AREA], 0)
    areas[0] = 0  # the cells that are not hidden
    largest = int(areas.argmax())
    if not areas[largest]:
        return 0.0, None
    rows, columns = labels.shape
    column, row = middles[largest]
    return float(areas[largest]) / labels.size, (float(column + 0.5) / columns, float(row + 0.5) / rows)


def clarity_from(verdict: Verdict, sharpness: float | None, night: bool, seen_from: SeenFrom = "one picture") -> Clarity:
    """A verdict as a measurement, with what dirt was seen from."""
    dirty = verdict.dirty
    if dirty < _PATCH_FROM:
        return Clarity(dirty, "clear", None, sharpness, night, seen_from=seen_from)
    return Clarity(dirty, cause_of(verdict), _NOTES[seen_from], sharpness, night, outlines(1.0 - verdict.cells[0]),
                   seen_from=seen_from)


def cause_of(verdict: Verdict) -> DirtCause:
    """Likeliest kind of dirt; ``unknown`` where none stands out."""
    kinds = verdict.kinds[1:] / max(float(verdict.kinds[1:].sum()), 1e-6)
    top = int(kinds.argmax())
    # a less likely cause is not named (chosen)
    return KINDS[top + 1] if kinds[top] >= 0.35 else "unknown"


def single_verdict(small: NDArray[np.uint8]) -> Verdict:
    """Verdict on one image at measuring size."""
    layers = single_layers(small)
    return load_dirt_model("dirt_single").verdict(layers, np.ones(layers.shape[1:], bool))


def emptiness(pixels: NDArray[np.uint8]) -> str | None:
    """``black``, ``white``, ``of one tone`` or ``too small`` where the picture holds nothing; else None."""
    if min(pixels.shape[:2]) < _FEWEST_PX:
        return "too small"
    sample = pixels[::4, ::4]
    # the range of shades without outliers
    low, high = np.percentile(sample, (1, 99))
    if high < 16:
        return "black"
    # all but white
    if low > 243:
        return "white"
    # all but one shade
    if high - low < 8:
        return "of one tone"
    return None


def is_night(pixels: NDArray[np.uint8]) -> bool:
    """Whether the picture is grey, as under infrared."""
    small = cv2.resize(pixels, (80, 45), interpolation=cv2.INTER_AREA).astype(np.float32)
    # colour differences below this in nearly all pixels are grey (noise of a chip; chosen)
    return bool(np.percentile(small.max(axis=2) - small.min(axis=2), 95) < 10)


def too_plain(log: NDArray[np.float32]) -> bool:
    """Whether hardly any place holds an edge from which blur or veil could be judged."""
    strong = np.abs(bands_of(log)[2]) > _TEXTURE
    return bool(strong.mean() < _PLAIN_CELLS)


def sharpness_of(log: NDArray[np.float32], sky: Sky | None = None) -> float | None:
    """Sharpness 0..1: how much of its half-size contrast the strongest edges keep at full size.

    The ratio of the 98th percentiles of the two finest octave bands; 1 for a step as sharp as the pixels allow.
    """
    fine, next_ = bands_of(log)[:2]
    if sky is not None and sky.mask is not None:
        mask = cv2.resize(sky.mask.astype(np.uint8), (fine.shape[1], fine.shape[0]), interpolation=cv2.INTER_NEAREST)
        keep = mask == 0
        # too little of the picture is left to tell
        if keep.mean() < 0.03:
            return None
        fine = fine[keep]
        keep_next = cv2.resize(keep.astype(np.uint8), (next_.shape[1], next_.shape[0]),
                               interpolation=cv2.INTER_NEAREST) > 0
        next_ = next_[keep_next]
    # the strongest details
    coarse = float(np.percentile(np.abs(next_), 98))
    # no detail at all
    if coarse < 0.01:
        return None
    # the strongest details again
    return float(np.clip(float(np.percentile(np.abs(fine), 98)) / coarse, 0.0, 1.0))


def measure_series(images: Sequence[NDArray[np.uint8]], sky: Sky | None = None) -> Clarity:
    """Dirt on the glass from several images of one camera: what stays put while the scene changes.

    Day and night, different days or a burst; the more the scene differs, the more it proves. Where two of them show one
    place and the camera was not turned, the scene stays as well as the dirt, and they tell little more than one picture.
    Dirt so thick that pictures of different places register by it alone is told no better than from one picture.
    Images that hold nothing (black, white, plain) are left out.

    Parameters
    ----------
    images : sequence of ndarray of uint8, shape (H, W, 3)
        Of one camera in one position.
    sky : Sky, optional
        Of the first image.
    """
    if not images:
        return Clarity(None, None, "not measured: no pictures", None)
    if len(images) == 1:
        return measure_clarity(images[0], sky)
    small = [at_measure_size(pixels) for pixels in images]
    logs = [log_luminance(pixels) for pixels in small]
    usable = [index for index, pixels in enumerate(small)
              if emptiness(pixels) is None and not too_plain(logs[index])]
    if not usable:
        return measure_clarity(images[0], sky)
    sharpness = sharpness_of(logs[0], sky)
    night = all(is_night(small[index]) for index in usable)
    if len(usable) == 1:
        return clarity_from(single_verdict(small[usable[0]]), sharpness, night)
    pictures = [_sized(small[index], small[usable[0]].shape) for index in usable]
    if max(pictures[0].shape[:2]) < _SHIFTS_PX:
        return clarity_from(together([single_verdict(p) for p in pictures]), sharpness, night, "one scene")
    logs = [_sized(logs[index], small[usable[0]].shape) for index in usable]
    burnt = text_over_series([np.asarray(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), np.uint8) for p in pictures])
    common = measure_lasting(logs, burnt)
    pairs = laid_pairs(pictures, burnt) if common.alike <= _ONE_SCENE else {}
    turned = seen_while_turned(pictures, logs, pairs, burnt) if pairs else None
    if turned is None and (common.alike > _ONE_SCENE or pairs):
        return clarity_from(together([single_verdict(p) for p in pictures]), sharpness, night, "one scene")
    seen = series_verdict(pictures, logs)
    if turned is not None:
        alone = [single_verdict(p) for p in pictures]
        return clarity_from(while_turned(seen, common, alone, turned), sharpness, night, "turned camera")
    return clarity_from(what_stays(seen, common), sharpness, night, "several scenes")


def _sized(image: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    if image.shape[:2] == shape[:2]:
        return image
    return np.asarray(cv2.resize(image, (shape[1], shape[0]), interpolation=cv2.INTER_AREA), image.dtype)


def what_stays(seen: Verdict, common: Lasting) -> Verdict:
    """A network's verdict on several pictures of different scenes joined with what they have in common at equal places.

    The surer of the two decides: blur and haze show in every picture, spots and strands only in what stays.
    """
    by_network = float(np.log(max(seen.dirty, 1e-6) / max(float(seen.kinds[0]), 1e-6))) + _STAYS_OFFSET
    by_place = lasting(common) + _STAYS_OFFSET
    # beyond this a probability is 0 or 1
    dirty = float(1 / (1 + np.exp(-np.clip(max(by_network, by_place), -20, 20))))
    others = seen.kinds[1:] / max(float(seen.kinds[1:].sum()), 1e-6)
    clear = seen.cells[0] * (1 - common.places) if by_place > 0 else seen.cells[0]
    rest = seen.cells[1:] / np.maximum(seen.cells[1:].sum(axis=0), 1e-6) * (1 - clear)
    return Verdict(np.concatenate([[1 - dirty], dirty * others]).astype(np.float32),
                   np.concatenate([clear[None], rest]).astype(np.float32))


def together(verdicts: Sequence[Verdict]) -> Verdict:
    """Verdicts on several images of one camera and one scene as one.

    Log odds are averaged and steepened with the number of images, less than independent images would allow (the
    scene is often the same); places spoiled in every image count further, places spoiled in one alone don't.
    """
    shape = verdicts[0].cells.shape[1:]
    maps = np.stack([cv2.resize(1.0 - v.cells[0], shape[::-1], interpolation=cv2.INTER_AREA) for v in verdicts])
    # keeps the logarithm finite
    lasting = np.exp(np.log(np.maximum(maps, 1e-3)).mean(axis=0))
    # one picture proves nothing beyond 1 in 10,000
    odds = np.array([np.log(max(v.dirty, 1e-4) / max(1 - v.dirty, 1e-4)) for v in verdicts])
    top = np.sort(lasting.ravel())[-max(1, lasting.size // 20):].mean()
    score = _SERIES_GAIN * np.sqrt(len(verdicts)) * float(odds.mean()) + _SERIES_LASTING * float(top) + _SERIES_BASE
    # beyond this a probability is 0 or 1
    dirty = float(1 / (1 + np.exp(-np.clip(score, -20, 20))))
    kinds = np.mean([v.kinds for v in verdicts], axis=0)
    kinds = np.concatenate([[1 - dirty], dirty * kinds[1:] / max(float(kinds[1:].sum()), 1e-6)])
    cells = np.concatenate([(1 - lasting)[None], np.zeros((len(KINDS) - 1, *shape))])
    return Verdict(kinds.astype(np.float32), cells.astype(np.float32))

"""What was burnt into a picture and is no part of the scene: edges, letter boxes, text, logos, drawn boxes, mosaics.

Recorders and cameras leave dark columns at the rim, black strips with a clock, a logo on a white plate, boxes that a
detector drew, squares that hide a face. All of it is exactly parallel to the picture's sides and would pass for the
scene's uprights, for sky or for dirt. :func:`burned_in` finds it in one picture, :func:`steady` in several of one camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Overlay", "burned_in", "burnt_in_text", "steady", "text_over_series", "without_overlay"]

Grey = NDArray[np.uint8]
Mask = NDArray[np.bool_]

WORK_PX = 640
"""Long side at which burnt-in things are sought."""
_BLACK = 34
"""Shade up to which rim columns and strips count as black (a compressed black edge rings)."""
_RIM_REACH, _RIM_ROWS = 0.06, 0.5
"""Deepest rim by the side's length, and the least share of its rows that must show it."""
_STRIP_REACH, _STRIP_TONE, _STRIP_LEAVES = 0.3, 0.6, 0.3
"""Deepest letter box, share of a row in its one tone, and the share that may be left of it in the row after it."""
_MISSING_RANGE, _MISSING_LEAST, _MISSING_MOST = 1, 0.04, 200
_TEXT_PX = 1280
_TEXT_BAND, _CONTRAST, _MIN_LINE = 0.16, 70, 4.0
_STROKE_TONE, _FEWEST_STROKES, _JOINED_STROKES = 180, 20, 8
_PLATE_LEAST, _PLATE_MOST, _PLATE_SIDES = 0.0008, 0.12, 0.75
"""Area of one-tone plates by the picture's, and the share of each side that must be one straight step."""
_PLATE_STEP, _PLATE_FILL, _PLATE_COLOUR = 14, 0.35, 80
_DRAWN_CHROMA, _DRAWN_PX, _DRAWN_THICK_PX = 90, 14, 5
_STEADY_RANGE, _STEADY_LIGHT = 6, 12
"""Shades that a burnt-in pixel may change over several pictures, and the change of light that makes that telling."""


@dataclass(frozen=True, slots=True)
class Overlay:
    """What does not belong to the scene.

    Attributes
    ----------
    mask : ndarray of bool, shape (H, W)
        True on burnt-in pixels and a pixel or two around them.
    rim : tuple of int
        Depths in pixels at the left, top, right and bottom that show no scene.
    """

    mask: Mask
    rim: tuple[int, int, int, int] = (0, 0, 0, 0)

    @property
    def fraction(self) -> float:
        """Share of the picture that is burnt in, 0..1."""
        return float(self.mask.mean()) if self.mask.size else 0.0


def burned_in(pixels: NDArray[np.uint8]) -> Overlay:
    """What was burnt into one picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        RGB, any size; it is looked at with a long side of at most 640 px.
    """
    height, width = pixels.shape[:2]
    # a thumbnail holds no readable overlay
    if min(height, width) < 32:
        return Overlay(np.zeros((height, width), bool))
    scale = min(1.0, WORK_PX / max(height, width))
    size = max(16, round(width * scale)), max(16, round(height * scale))
    small = pixels if scale == 1.0 else np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    mask, rim = _found(small)
    if scale < 1.0:
        mask = np.asarray(cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST), np.uint8)
    mask |= _written(pixels)
    left, top, right, bottom = (int(np.ceil(depth / scale)) for depth in rim)
    return Overlay(mask > 0, (left, top, right, bottom))


def _found(small: NDArray[np.uint8]) -> tuple[Grey, tuple[int, int, int, int]]:
    """Mask and rim of a picture at the size at which it is looked at."""
    height, width = small.shape[:2]
    shade = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    top, bottom = _strips(shade)
    left, right = _rims(shade[top:height - bottom])
    upper, lower = _rims(np.ascontiguousarray(shade.T))
    rim = left, max(top, upper), right, max(bottom, lower)
    mask = _plates(small)
    mask |= _drawn_lines(small)
    mask[:rim[1]] = mask[height - rim[3]:] = 255
    mask[:, :left] = mask[:, width - right:] = 255
    return mask, rim


def without_overlay(pixels: NDArray[np.uint8], overlay: Overlay) -> NDArray[np.uint8]:
    """The picture with burnt-in places filled from around them, shape (H, W, 3); the same array where there are none."""
    if not overlay.mask.any():
        return pixels
    height, width = pixels.shape[:2]
    # boxes are sought at this long side (for time)
    scale = min(1.0, 240 / max(height, width))
    # never so small that a box has no pixel
    size = max(8, round(width * scale)), max(8, round(height * scale))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    hidden = cv2.resize(overlay.mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    filled = cv2.resize(cv2.inpaint(small, (hidden > 8).astype(np.uint8), 3, cv2.INPAINT_TELEA), (width, height))
    return np.asarray(np.where(overlay.mask[..., None], filled, pixels), np.uint8)


def steady(pictures: Sequence[NDArray[np.uint8]]) -> Mask | None:
    """What stays to the shade over several pictures of one camera while the light changes, shape (H, W).

    None where fewer than three pictures of one size are given or the light hardly changes.
    """
    if len(pictures) < 3 or len({p.shape for p in pictures}) > 1:
        return None
    shades = np.stack([cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in pictures])
    span = shades.max(axis=0).astype(np.int16) - shades.min(axis=0)
    if float(np.median(span)) < _STEADY_LIGHT:
        return None
    still = cv2.morphologyEx((span <= _STEADY_RANGE).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.dilate(still, np.ones((3, 3), np.uint8)) > 0)


def _rims(shade: Grey) -> tuple[int, int]:
    """Depths in pixels of a black edge at the left and at the right of every row."""
    height, width = shade.shape
    reach = max(3, round(_RIM_REACH * width))
    if height < 16 or width < 3 * reach:
        return 0, 0
    depths = []
    for side in (shade[:, :2 * reach], shade[:, ::-1][:, :2 * reach]):
        light = side > _BLACK
        run = np.where(light.any(axis=1), light.argmax(axis=1), 2 * reach)
        here = (run >= 1) & (run <= reach)
        if here.mean() < _RIM_ROWS:
            depths.append(0)
            continue
        usual = float(np.median(run[here]))
        # letters of one line have one height, within two fifths (chosen)
        alike = here & (np.abs(run - usual) <= max(2.0, 0.4 * usual))
        # A dark scene has runs of any length; an edge has one.
        depths.append(int(np.quantile(run[alike], 0.95)) + 2 if alike.mean() >= _RIM_ROWS else 0)
    return depths[0], depths[1]


def _strips(shade: Grey) -> tuple[int, int]:
    """Heights in pixels of black strips along the top and the bottom, text in them or not, and of what is missing there.

    Missing rows are of one grey to the last pixel, as a broken file leaves them; a burnt-out sky is of one white.
    """
    height = shade.shape[0]
    share = (shade <= _BLACK).mean(axis=1)
    empty = (np.ptp(shade, axis=1) <= _MISSING_RANGE) & (shade[:, 0] <= _MISSING_MOST)
    reach = max(4, round(_STRIP_REACH * height))
    found = []
    for rows, bare in ((share[:reach], empty), (share[::-1][:reach], empty[::-1])):
        inside = rows >= _STRIP_TONE
        deep = int(np.argmin(inside)) if not inside.all() else 0
        after = rows[min(deep + 2, reach - 1)]
        strip = deep + 2 if deep >= 2 and after <= _STRIP_LEAVES else 0
        missing = int(np.argmin(bare)) if not bare.all() else 0
        found.append(max(strip, missing if missing >= _MISSING_LEAST * height else 0))
    return found[0], found[1]


def _written(pixels: NDArray[np.uint8]) -> Grey:
    """Text at the size at which small characters still show."""
    height, width = pixels.shape[:2]
    scale = min(1.0, _TEXT_PX / max(height, width))
    size = max(16, round(width * scale)), max(16, round(height * scale))
    small = pixels if scale == 1.0 else cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    mask = burnt_in_text(np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8))
    return mask if scale == 1.0 else np.asarray(cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST), np.uint8)


def burnt_in_text(grey: Grey) -> Grey:
    """Mask (255 on text, 0 elsewhere) of lines of small, hard, one-tone characters near the top or bottom edge.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    """
    height, width = grey.shape
    mask = np.zeros((height, width), np.uint8)
    strip, stroke = _text_sizes(height)
    joined = cv2.getStructuringElement(cv2.MORPH_RECT, (max(3, 2 * stroke), 1))
    for top in (0, height - strip):
        part = grey[top:top + strip]
        for polarity in (part, cv2.bitwise_not(part)):
            strokes = _strokes(np.asarray(polarity, np.uint8), stroke).astype(np.uint8)
            # fewer pixels are no text
            if int(strokes.sum()) < _FEWEST_STROKES:
                continue
            lines = cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, joined)
            count, _, stats, _ = cv2.connectedComponentsWithStats(lines)
            for x, y, w, h, area in stats[1:count]:
                # height of a line of text, and how much of its box letters fill (chosen)
                if w >= _MIN_LINE * h and 0.012 * height <= h <= 0.09 * height and area > 0.3 * w * h:
                    inside = strokes[y:y + h, x:x + w]
                    crossings = float(np.abs(np.diff(inside.astype(np.int8), axis=1)).sum(axis=1).mean())
                    if crossings >= 0.5 * w / h:
                        pad = max(2, h // 3)
                        mask[top + max(0, y - pad):top + y + h + pad, max(0, x - pad):x + w + pad] = 255
    return mask


def _text_sizes(height: int) -> tuple[int, int]:
    """How high the strip is at either edge in which text is looked for, and how wide a stroke may be, px."""
    # a strip of at least one line of text
    return max(8, round(_TEXT_BAND * height)), max(3, round(height * 0.02)) | 1


def _strokes(part: Grey, stroke: int) -> Mask:
    """Bright strokes no wider than ``stroke`` that stand out hard from what is round about."""
    hat = cv2.morphologyEx(part, cv2.MORPH_TOPHAT, np.ones((stroke, stroke), np.uint8))
    return np.asarray((hat > _CONTRAST) & (part > _STROKE_TONE))


def text_over_series(greys: Sequence[Grey]) -> Mask:
    """Where text is burnt into pictures (H, W) of one camera: what looks like it in one, and hard bright strokes that all of them show.

    Several pictures tell more than one: strokes of the scene move or change, and what lies on the glass is never so fine and hard.
    """
    found = np.any([burnt_in_text(grey) > 0 for grey in greys], axis=0)
    height = greys[0].shape[0]
    strip, stroke = _text_sizes(height)
    for top in (0, height - strip):
        parts = [grey[top:top + strip] for grey in greys]
        for each in (parts, [cv2.bitwise_not(part) for part in parts]):
            in_all = np.all([_strokes(np.asarray(part, np.uint8), stroke) for part in each], axis=0)
            if int(in_all.sum()) < _FEWEST_STROKES:
                continue
            # a clock's digits change between those that stay
            line = cv2.morphologyEx(in_all.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((1, _JOINED_STROKES * stroke), np.uint8))
            found[top:top + strip] |= cv2.dilate(line, np.ones((2 * stroke + 1, 2 * stroke + 1), np.uint8)) > 0
    return np.asarray(found, np.bool_)


def _plates(pixels: NDArray[np.uint8]) -> Grey:
    """Mask of plates of one tone whose four sides are straight steps along the picture's rows and columns.

    White, black and strongly coloured ones alone: the plate behind a logo, a name or a detector's label.
    """
    height, width = pixels.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    high, low = _extremes(pixels)
    # letters of a plate stand no farther apart than this
    gap = cv2.getStructuringElement(cv2.MORPH_RECT, (max(5, width // 30) | 1, 5))
    red, green, blue = cv2.split(pixels)
    coloured = (cv2.subtract(one, cv2.max(two, three)) > _PLATE_COLOUR
                for one, two, three in ((red, green, blue), (green, red, blue), (blue, red, green)))
    # nearly white, nearly black, or of one colour
    for kind in (low >= 235, high <= 26, *coloured):
        seeds = kind.astype(np.uint8)
        if int(cv2.countNonZero(seeds)) < _PLATE_LEAST * seeds.size / 2:
            continue
        opened = cv2.morphologyEx(seeds, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        joined = np.asarray(cv2.morphologyEx(opened, cv2.MORPH_CLOSE, gap), np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=4)
        for x, y, w, h, area in stats[1:count]:
            # smaller ones are no plate
            fits = _PLATE_LEAST <= w * h / (width * height) <= _PLATE_MOST and h >= 6 and w >= 8
            if fits and area >= _PLATE_FILL * w * h and _straight_sides(pixels, joined, x, y, w, h):
                mask[max(0, y - 3):y + h + 3, max(0, x - 3):x + w + 3] = 255
    return mask


def _extremes(pixels: NDArray[np.uint8]) -> tuple[Grey, Grey]:
    """Largest and smallest channel of each pixel."""
    red, green, blue = cv2.split(pixels)
    return (np.asarray(cv2.max(cv2.max(red, green), blue), np.uint8),
            np.asarray(cv2.min(cv2.min(red, green), blue), np.uint8))


def _straight_sides(pixels: NDArray[np.uint8], plate: Grey, x: int, y: int, w: int, h: int) -> bool:
    """Whether each side of a box is one tone inside and a step along its row or column; sides on the rim pass."""
    def side(inner: NDArray[np.uint8], of_plate: Grey, outer: NDArray[np.uint8]) -> bool:
        steps = (cv2.absdiff(inner, outer).max(axis=-1) >= _PLATE_STEP) & (of_plate > 0)
        return float(steps.mean()) >= _PLATE_SIDES

    height, width = plate.shape
    rows, columns = slice(y, y + h), slice(x, x + w)
    return bool(
        (x < 3 or side(pixels[rows, x + 1], plate[rows, x + 1], pixels[rows, x - 3]))
        and (x + w + 2 >= width or side(pixels[rows, x + w - 2], plate[rows, x + w - 2], pixels[rows, x + w + 2]))
        and (y < 3 or side(pixels[y + 1, columns], plate[y + 1, columns], pixels[y - 3, columns]))
        and (y + h + 2 >= height or side(pixels[y + h - 2, columns], plate[y + h - 2, columns], pixels[y + h + 2, columns]))
    )


def _drawn_lines(pixels: NDArray[np.uint8]) -> Grey:
    """Mask of thin, strongly coloured lines along rows and columns: the boxes that detectors draw."""
    chroma = cv2.subtract(*_extremes(pixels))
    hat = cv2.morphologyEx(chroma, cv2.MORPH_TOPHAT, np.ones((_DRAWN_THICK_PX, _DRAWN_THICK_PX), np.uint8))
    thin = ((chroma > _DRAWN_CHROMA) & (hat > _DRAWN_CHROMA // 2)).astype(np.uint8)
    if int(cv2.countNonZero(thin)) < 4 * _DRAWN_PX:
        return np.zeros(thin.shape, np.uint8)
    level = cv2.morphologyEx(thin, cv2.MORPH_OPEN, np.ones((1, _DRAWN_PX), np.uint8))
    upright = cv2.morphologyEx(thin, cv2.MORPH_OPEN, np.ones((_DRAWN_PX, 1), np.uint8))
    lines = cv2.bitwise_or(level, upright)
    # A box has both; a red line on a road or a painted post has one.
    near = np.ones((7, 7), np.uint8)
    count, labels = cv2.connectedComponents(cv2.dilate(lines, near))
    both = np.intersect1d(labels[level > 0], labels[upright > 0])
    kept = np.isin(labels, both[both > 0]) if count > 1 else np.zeros(lines.shape, bool)
    return (cv2.dilate((kept & (lines > 0)).astype(np.uint8), near) * 255).astype(np.uint8)

"""How a camera turned, from the directions of edges alone: for pictures whose features no longer match.

Day against night, fog, snow and blur change what an edge looks like, not which way it runs. Each pixel holds the direction
of its gradient doubled (an edge that turns from bright to dark stays the same), weighted by how much it stands out of its
surroundings. The whole field is shifted, rolled and zoomed into place by its correlation (after orientation correlation,
Fitch et al. 2002); then blocks look for themselves, each within a few pixels. Blocks of one view agree, blocks of different
views agree by chance alone, so their number says whether it is the same view, and where they lie gives the turn with its
error.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Layout", "edge_directions", "foreign_share", "lay_over", "structure"]

Floats = NDArray[np.float32]
SIDE_PX = 384
_COARSE = 2
_ZOOMS = (1.0, 0.955, 1.047, 0.912, 1.096, 0.871, 1.148, 0.8, 1.25)
_ROLLS_DEG = (-2.0, 2.0)
_BLOCK, _STEP, _REACH = 44, 30, 6
_NEAR_PX = 1.6
_TEXTURE = 0.05
_FREE_GAIN = 1.12
_PLAIN_ENOUGH, _RATHER_STILL = 25.0, 3.0
_EDGE_STEP = 2.5
_FOREIGN_SIDE_PX, _FOREIGN_CELL_PX = 320, 8
_COMMON, _EDGED = 0.08, 0.06
_AS_IT_WAS, _ELSEWHERE = 0.22, 0.45


@dataclass(frozen=True, slots=True)
class Layout:
    """Where blocks of today's picture lie in the reference.

    Attributes
    ----------
    reference_px, today_px : ndarray, shape (N, 2)
        Middles of the agreeing blocks in both pictures, at the size they came in.
    blocks : int
        Blocks with edges enough to look for.
    chance : float
        Share of the blocks that would agree were the views different.
    zoom, roll_deg : float
        Today's scale over the reference's, and how far it is rolled, to the nearest step.
    """

    reference_px: NDArray[np.float64]
    today_px: NDArray[np.float64]
    blocks: int
    chance: float
    zoom: float
    roll_deg: float

    @property
    def agreeing(self) -> int:
        """Blocks that agree."""
        return len(self.today_px)

    @property
    def log_odds(self) -> float:
        """Log likelihood of the same view over that of different views, from the number of blocks that agree."""
        if self.blocks == 0:
            return 0.0
        k, n, p = self.agreeing, self.blocks, self.chance
        # chance explains no more than this (a bound for the logarithm)
        share = min(max(k / n, p), 0.95)
        return float(k * np.log(share / p) + (n - k) * np.log((1 - share) / (1 - p)))


def edge_directions(grey: NDArray[np.uint8], ignore: NDArray[np.uint8] | None = None) -> Floats:
    """Doubled directions of edges, shape (H, W, 2), each of length 0 (none) to 1; 0 where ``ignore`` is set."""
    # shades are told apart from this one up (noise of dark pictures; chosen)
    log = np.log(grey.astype(np.float32) + 6.0)
    # edges of a pixel and a half (chosen)
    smooth = cv2.GaussianBlur(log, (0, 0), 1.3)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    power = gx * gx + gy * gy
    # edges count against those of their neighbourhood, some 14 px about (chosen)
    local = cv2.GaussianBlur(power, (0, 0), 14.0)
    # strong edges count little more than middling ones, flat places nothing (chosen)
    weight = 1.0 / (power + 0.6 * local + 2e-3)
    out = np.dstack([(gx * gx - gy * gy) * weight, 2 * gx * gy * weight])
    if ignore is not None:
        out[cv2.dilate(ignore, np.ones((7, 7), np.uint8)) > 0] = 0
    return np.asarray(out, np.float32)


def lay_over(reference: NDArray[np.uint8], today: NDArray[np.uint8], ignore: NDArray[np.uint8] | None = None,
             ignore_reference: NDArray[np.uint8] | None = None) -> Layout | None:
    """Finds today's blocks in the reference.

    Parameters
    ----------
    reference, today : ndarray of uint8, shape (H, W)
        Grey, long side about :data:`SIDE_PX`; equal in size.
    ignore, ignore_reference : ndarray of uint8, shape (H, W), optional
        Non-zero where something is burnt into today's picture, and into the reference.

    Returns
    -------
    Layout or None
        None where the two differ in size, or too few blocks hold edges.
    """
    if reference.shape != today.shape:
        return None
    now = edge_directions(today, ignore)
    still = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    best = _blocks(edge_directions(reference, ignore_reference), now, still, 1.0, 0.0)
    if best is not None and best.log_odds > _PLAIN_ENOUGH:
        return best
    scene = np.full_like(reference, 255) if ignore_reference is None else 255 - ignore_reference
    for warp, zoom, roll in _candidates(reference, now):
        laid, inside = _warped(reference, warp), _warped(scene, warp, hole=True)
        found = _blocks(edge_directions(laid, 255 - inside), now, warp, zoom, roll)
        if found is not None and (best is None or found.log_odds > best.log_odds + _RATHER_STILL):
            best = found
    return best


def _candidates(reference: NDArray[np.uint8], now: Floats) -> list[tuple[NDArray[np.float64], float, float]]:
    """The shifts, rolls and zooms of the two highest correlations: affine maps from the reference to today."""
    height, width = reference.shape
    small = _complex(now)
    spectrum = np.conj(np.fft.fft2(small))
    found = []
    for zoom, roll in (*((zoom, 0.0) for zoom in _ZOOMS), *((1.0, roll) for roll in _ROLLS_DEG)):
        turn = np.asarray(cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -roll, zoom), np.float64)
        surface = np.fft.ifft2(np.fft.fft2(_complex(edge_directions(_warped(reference, turn)))) * spectrum).real
        row, column = np.unravel_index(int(surface.argmax()), surface.shape)
        dy = row if row < surface.shape[0] // 2 else row - surface.shape[0]
        dx = column if column < surface.shape[1] // 2 else column - surface.shape[1]
        shifted = turn + np.array([[0, 0, -dx * _COARSE], [0, 0, -dy * _COARSE]])
        found.append((float(surface.max() / (surface.std() + 1e-6)), shifted, zoom, roll))
    found.sort(key=lambda item: -item[0])
    return [(warp, zoom, roll) for _, warp, zoom, roll in found[:2]]


def _warped(image: NDArray[np.uint8], warp: NDArray[np.float64], *, hole: bool = False) -> NDArray[np.uint8]:
    """The image moved by an affine map; what lies beyond it is its rim, or 0 for a mask."""
    size = image.shape[1], image.shape[0]
    if hole:
        return np.asarray(cv2.warpAffine(image, warp, size, flags=cv2.INTER_NEAREST), np.uint8)
    return np.asarray(cv2.warpAffine(image, warp, size, borderMode=cv2.BORDER_REPLICATE), np.uint8)


def _complex(field: Floats) -> NDArray[np.complex64]:
    """Directions at half the size as complex numbers of zero mean."""
    size = field.shape[1] // _COARSE, field.shape[0] // _COARSE
    half = np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_AREA), np.float32)
    out = half[..., 0] + 1j * half[..., 1]
    return np.asarray(out - out.mean(), np.complex64)


def _blocks(laid: Floats, now: Floats, warp: NDArray[np.float64], zoom: float, roll: float) -> Layout | None:
    """Blocks that look for themselves near where the map puts them, and those whose places one map explains."""
    height, width = now.shape[:2]
    middles, offsets = [], []
    for top in range(_REACH, height - _BLOCK - _REACH + 1, _STEP):
        for left in range(_REACH, width - _BLOCK - _REACH + 1, _STEP):
            block = now[top:top + _BLOCK, left:left + _BLOCK]
            near = laid[top - _REACH:top + _BLOCK + _REACH, left - _REACH:left + _BLOCK + _REACH]
            if (block * block).sum(axis=2).mean() < _TEXTURE or (near * near).sum(axis=2).mean() < _TEXTURE:
                continue
            surface = np.asarray(cv2.matchTemplate(near, block, cv2.TM_CCORR), np.float32)
            _, _, _, (x, y) = cv2.minMaxLoc(surface)
            middles.append((left + (_BLOCK - 1) / 2, top + (_BLOCK - 1) / 2))
            offsets.append((x - _REACH + _peak(surface[y], x), y - _REACH + _peak(surface[:, x], y)))
    # fewer places say nothing of a turn (chosen)
    if len(middles) < 8:
        return None
    at, off = np.array(middles), np.array(offsets)
    agreed = _agreed(at, off)
    back = cv2.invertAffineTransform(warp)
    there = (at[agreed] + off[agreed]) @ back[:, :2].T + back[:, 2]
    chance = np.pi * _NEAR_PX**2 / (2 * _REACH + 1) ** 2 * _FREE_GAIN
    # chance, and a place and a half on top, since few places are searched for the best turn (chosen)
    return Layout(there, at[agreed], len(at), float(min(0.5, chance + 1.5 / len(at))), zoom, roll)


def _peak(values: Floats, at: int) -> float:
    """Offset of a parabola's top from ``at``, in steps."""
    if at in (0, len(values) - 1):
        return 0.0
    low, mid, high = (float(v) for v in values[at - 1:at + 2])
    curve = low - 2 * mid + high
    return float(np.clip(0.5 * (low - high) / curve, -0.5, 0.5)) if curve < 0 else 0.0


def _agreed(at: NDArray[np.float64], off: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Blocks that one small shift, scale and roll explain: the best of those that each block's shift suggests, refined."""
    apart = np.hypot(*(off[:, None] - off[None]).transpose(2, 0, 1))
    agreed = apart[int((apart < _NEAR_PX).sum(axis=1).argmax())] < _NEAR_PX
    for _ in range(3):
        # fewer places fix no turn, shift and zoom (four unknowns; chosen)
        if agreed.sum() < 6:
            break
        x, y = at[agreed].T
        zero, one = np.zeros_like(x), np.ones_like(x)
        terms = np.concatenate([np.stack([x, -y, one, zero], 1), np.stack([y, x, zero, one], 1)])
        fit, *_ = np.linalg.lstsq(terms, np.concatenate(off[agreed].T), rcond=None)
        # a zoom or turn larger than this is not searched (chosen)
        if np.hypot(fit[0], fit[1]) > 0.06:
            break
        x, y = at.T
        model = np.stack([fit[0] * x - fit[1] * y + fit[2], fit[0] * y + fit[1] * x + fit[3]], 1)
        agreed = np.hypot(*(off - model).T) < _NEAR_PX
    return np.asarray(agreed)


def structure(pixels: NDArray[np.uint8]) -> float:
    """Share of a picture (H, W, 3) near which there are edges that stand out of noise, 0..1."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 2.0)
    # a Sobel kernel of 3 x 3 sums to eight
    power = cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125))
    # cells of 8 px, each with the strongest edge of its neighbourhood
    near = cv2.resize(cv2.dilate(power, np.ones((9, 9), np.uint8)), None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_NEAREST)
    return float((near > _EDGE_STEP).mean())


def foreign_share(reference: NDArray[np.uint8], today: NDArray[np.uint8], seen: NDArray[np.bool_]) -> float:
    """Share of the picture in the largest area whose edges run otherwise than the reference's, 0..1.

    0 unless most of the view has kept its edges: then something stands before part of it; where all of it has changed, as
    with the season or the tide, nothing is said. Pictures (H, W, 3) are registered; ``seen`` (H, W) is where both reach.
    """
    height, width = seen.shape
    scale = min(1.0, _FOREIGN_SIDE_PX / max(height, width))
    size = max(16, round(width * scale)), max(16, round(height * scale))
    grid = size[0] // _FOREIGN_CELL_PX, size[1] // _FOREIGN_CELL_PX

    def cells(values: NDArray[np.float32]) -> Floats:
        return np.asarray(cv2.resize(values, grid, interpolation=cv2.INTER_AREA), np.float32)

    reach = np.asarray(cv2.resize(seen.astype(np.float32), size, interpolation=cv2.INTER_AREA), np.float32)
    then, now = (edge_directions(np.asarray(cv2.resize(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), size, interpolation=cv2.INTER_AREA), np.uint8))
                 # pixels whose whole neighbourhood lies in both pictures
                 * (reach > 0.99)[..., None] for p in (reference, today))
    # cells are told by their neighbours, two either way (chosen)
    both, own, other = (np.asarray(cv2.blur(cells((a * b).sum(axis=2)), (5, 5)), np.float32)
                        for a, b in ((then, now), (then, then), (now, now)))
    common = both / np.sqrt(own * other + 1e-6)
    # cells that lie in both pictures for the most part
    edged = (own > _EDGED) & (other > _EDGED) & (cells(reach) > 0.8)
    foreign = edged & (common < _COMMON)
    kept = edged & ~foreign
    if not kept.any() or float(np.median(common[edged])) < _AS_IT_WAS or float(np.median(common[kept])) < _ELSEWHERE:
        return 0.0
    whole = cv2.morphologyEx(foreign.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(whole)
    return float(stats[1:count, cv2.CC_STAT_AREA].max() / whole.size) if count > 1 else 0.0

"""Open sky in an image: where it is and what share of the picture it takes.

The network's sky answer is weighed by where the horizon lies (sky is above it), brought to the picture's edges by a
fast guided filter (He and Sun 2015, arXiv 1505.00996) and cleaned of what no sky is: reflections, specks, the holes
that a burnt-in text leaves. Where a picture can't tell sky from a plain surface, or is taken at night, nothing is
answered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.measurement import Orientation, Sky
from audit.measure.segments import grey

__all__ = ["SkyView", "measure_sky"]

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]

_WORK_PX = 384
_RADIUS, _EPSILON, _LARGEST_LOGIT = 8, 1e-3, 5.0
_DIP_DEG = 1.0
"""Sky reaches this far below the horizontal: dip of the horizon from a height, terrain and the lens's error."""
_LEARNED_FLOOR_RAD = 0.07
_LEAST_FRACTION, _SPECK, _HOLE = 0.001, 0.0005, 0.002
_TEXT_BAND, _TEXT_HEIGHT = 0.18, 0.1
_DARK, _DARK_SHARE, _DARK_SHARE_GREY, _GREY_CHROMA = 48, 0.6, 0.3, 5.0
_PLAIN_STEP, _PLAIN_SHARE = 0.012, 0.002
_SD_FLOOR, _SD_PER_DOUBT, _SD_PER_SIZE = 0.004, 0.8, 0.02
_SMOOTH_STEP, _REGION, _SEEDED, _VOTE, _VOTED = 0.012, 0.02, 0.2, 0.3, 0.75
_UNDECIDED = 0.1
"""What the network holds for sky with a greater chance, and is not kept, stands or falls together: clouds that it can't tell from a
far town were said to be no sky, by the doubt of each pixel alone."""
_FAINT_VOTE, _FAINT_ELSEWHERE = 0.15, 0.1
_LEAST_UPRIGHT, _BOTTOM_SKY = 0.3, 0.5
_MOST_SD = 0.12
"""A share with a larger sd decides nothing against limits of ten points: of 104 tune photographs two are lost, off by 11 and 19."""
_SAID_AT_ONCE, _LOST_DEG = 0.02, 15.0
_ALL_SKY, _TOP_SKY, _LOW_SKY = 0.9, 0.25, 0.2
_TWO_SIDED_95 = 1.96
_MOST_UNSEEN = 0.06
"""A small sky, or none, is told where its 95 % range is at most this wide to either side: at 0.1 a sky over half a snowfield
passed for none; the price is 4 of 182 real pictures, none of 104 tune photographs."""
_NARROW = 0.05
"""A small sky is told although its 95 % range reaches nought where the range is at most this wide to either side: of 794
calibration views three true skies more are told and no false one; at 0.06 the first false one, a wall in the sun."""
#: A sky whose share is less than so many sds may be none at all.
_NOUGHT_SDS = 2.0
_LEAST_BELIEF = 0.33
"""Mean answer of the network over a connected sky, however far its colour carries: of tune photographs and held-out
views, white walls and screens that pass for sky have 0.18 to 0.35, true sky 0.44 and more."""
_DIM_BELIEF, _DIM_BELIEF_GREY, _LIT_QUANTILE, _LIT, _DIM_SD = 0.1, 0.05, 0.9, 24, 0.01
_STEP_LEVELS, _BESIDE_PX, _EDGELESS = 6.0, 13, 0.35
"""The sky's edge shows where the colours beside it differ by this many levels (of 255) in means over windows this wide, at working
size; where it doesn't over a greater share of the edge, nothing in the picture parts sky from ground. Of 48 skies on tune
photographs 0.11 at most; of 85 real ones four right answers are lost, in rain and haze."""
_TURNED = "The picture seems turned; check its rotation."


class SkyView(Protocol):
    """What the sky needs of the network's answer, see :class:`audit.measure.network.NetworkView`."""

    @property
    def sky_logit(self) -> NDArray[np.float32]: ...

    @property
    def latitude_rad(self) -> NDArray[np.float32]: ...

    @property
    def latitude_sd_rad(self) -> NDArray[np.float32]: ...

    @property
    def turned(self) -> tuple[float, float, float, float] | None: ...


@dataclass(frozen=True, slots=True)
class _Small:
    """The picture at working size."""

    picture: NDArray[np.uint8]
    shade: FloatImage
    chroma: float
    inside: Mask


def measure_sky(pixels: NDArray[np.uint8], lens: Lens | None = None, orientation: Orientation | None = None,
                network: SkyView | None = None) -> Sky:
    """Share, mask and lower edge of the open sky.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        RGB.
    lens : Lens or None
        Of this picture; with ``orientation`` it places the horizon, and for a fisheye the image circle.
    orientation : Orientation or None
        Where it and the angle of view are known, sky below the horizon is taken out as surely as roll and pitch are;
        elsewhere the network's own latitude does this, more cautiously.
    network : SkyView or None
        Without it nothing is answered.

    Returns
    -------
    Sky
        ``fraction`` of the image, for an equidistant lens of the image circle. None with a note for pictures of
        less than 16 px, plain surfaces, night pictures, turned pictures, views that don't tell which way is up, skies
        whose edge doesn't show, and answers whose 95 % range is too wide, or wide and holds no sky at all.
    """
    height, width = np.shape(pixels)[:2]
    if min(height, width) < 16:
        return Sky(None, None, f"The picture of {width} x {height} px is too small.")
    if network is None:
        return Sky(None, None, "The sky is not measured without the learned view.")
    image = _in_colour(pixels)
    small = _reduced(image, lens)
    dark = _night(small)
    if dark is not None:
        return _none(height, width) if _dim_room(small, network) else Sky(None, None, dark)
    if _plain(small):
        return Sky(None, None, "The picture shows one plain surface, which may be sky, a wall or a cover.")
    found = _found(small, _above_horizon(small, lens, orientation, network), network)
    refused = (_vague(found) or _turned(found, network) or _lost(found, lens, orientation, network)
               or _edgeless(found, small))  # fmt: skip
    if refused is not None:
        return Sky(None, None, refused)
    full = _full_size(image, found) if found.kept.any() else np.zeros((height, width), dtype=bool)
    any_sky = cv2.reduce(full.view(np.uint8), 0, cv2.REDUCE_MAX)[0] > 0
    lowest = np.where(any_sky, height - 1 - np.argmax(full[::-1], axis=0), np.nan)
    return Sky(found.fraction, found.sd, None, full, lowest.astype(np.float32))


def _in_colour(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """As three channels of bytes."""
    image: NDArray[np.uint8] = np.ascontiguousarray(pixels)
    if image.dtype != np.uint8 or image.ndim == 2 or image.shape[2] != 3:
        image = np.repeat(grey(image)[..., None], 3, axis=2)
    return image


@dataclass(frozen=True, slots=True)
class _Found:
    """The sky at working size, before it is asked whether it can be told.

    Attributes
    ----------
    gain, offset : ndarray, shape (rows, columns), float32
        The guided filter's local linear model, whose sign is the sky's edge at any size.
    kept : ndarray, shape (rows, columns), bool
    fraction, sd : float
        Share of the picture (of the image circle) and its doubt.
    faint : float
        Share of what is kept though the network hardly believes it.
    """

    gain: FloatImage
    offset: FloatImage
    kept: Mask
    fraction: float
    sd: float
    faint: float


def _found(small: _Small, above: FloatImage, network: SkyView) -> _Found:
    """The network's answer, weighed by the horizon, voted on, brought to the edges and cleaned; its share with its doubt."""
    rows, columns = small.shade.shape
    logit = cv2.resize(network.sky_logit, (columns, rows), interpolation=cv2.INTER_LINEAR)
    # beyond this a probability is 0 or 1
    raw = 1 / (1 + np.exp(-np.clip(logit, -30, 30)))
    voted = _voted(small, np.asarray(raw * above, dtype=np.float32), above)
    # no pixel is surer than 1 in 10,000
    belief = np.clip(np.minimum(voted, above), 1e-4, 1 - 1e-4)
    gain, offset = _guide_coefficients(small.shade, np.clip(np.log(belief / (1 - belief)), -_LARGEST_LOGIT,
                                                            _LARGEST_LOGIT))
    refined = gain * small.shade + offset
    probability = 1 / (1 + np.exp(-refined))
    probability[~small.inside] = 0
    kept, faint = _kept((probability > 0.5) & small.inside, above, np.asarray(raw, dtype=np.float32))
    count = max(int(small.inside.sum()), 1)
    fraction = float(kept.sum()) / count
    dropped = float(probability[(probability > 0.5) & ~kept].sum()) / count
    doubt = float(np.minimum(probability, 1 - probability)[small.inside].mean())
    if fraction < _LEAST_FRACTION:
        fraction, kept = 0.0, np.zeros_like(kept)
    disputed = float((raw * (1 - above))[small.inside & (raw > 0.5)].sum()) / count
    chance = (raw * above)[small.inside & ~kept]
    chance = chance[chance > _UNDECIDED]
    undecided = float(np.sqrt(chance * (1 - chance)).sum()) / count
    # how much of what the horizon denies is doubt (chosen)
    sd = float(np.sqrt(_SD_FLOOR**2 + (_SD_PER_DOUBT * doubt) ** 2 + (0.5 * dropped) ** 2 + (0.3 * disputed) ** 2 + undecided**2
                       + (_SD_PER_SIZE**2) * fraction * (1 - fraction)))
    return _Found(gain, offset, kept, fraction, sd, float(faint.sum()) / count)


def _vague(found: _Found) -> str | None:
    """Why the share is not told: its range is too wide, or wide and holds no sky at all; None where it is."""
    fraction, sd = found.fraction, found.sd
    reaches_nought = fraction > _SAID_AT_ONCE and _NOUGHT_SDS * sd > max(fraction, _NARROW)
    vague = sd > _MOST_SD or _TWO_SIDED_95 * sd > max(fraction, _MOST_UNSEEN) or reaches_nought
    return "Too much of the picture is as likely sky as not." if vague or found.faint > _SAID_AT_ONCE else None


def _turned(found: _Found, network: SkyView) -> str | None:
    """Why the share is not told: the sky is below, or at the side of a picture that seems turned."""
    turned = network.turned is not None and network.turned[0] < _LEAST_UPRIGHT
    aside = turned and found.fraction > _SAID_AT_ONCE and not _hangs_from_the_top(found.kept)
    below = float(found.kept[-1].mean()) > _BOTTOM_SKY > float(found.kept[0].mean())
    return _TURNED if below or aside else None


def _lost(found: _Found, lens: Lens | None, orientation: Orientation | None, network: SkyView) -> str | None:
    """Why the share is not told: nothing tells which way is up."""
    if found.fraction <= _SAID_AT_ONCE or _hangs_from_the_top(found.kept) or _posed(lens, orientation):
        return None
    size = (found.kept.shape[1], found.kept.shape[0])
    spread = cv2.resize(network.latitude_sd_rad, size, interpolation=cv2.INTER_LINEAR)
    lost = float(np.degrees(spread[found.kept].mean())) > _LOST_DEG
    return "Nothing tells which way is up, so sky can't be told from water that mirrors it." if lost else None


def _edgeless(found: _Found, small: _Small) -> str | None:
    """Why the share is not told: along its edge the picture looks alike on both sides, as a snowfield does, and dense fog."""
    if found.fraction <= _SAID_AT_ONCE:
        return None
    around = np.ones((3, 3), np.uint8)
    edge = cv2.morphologyEx(found.kept.astype(np.uint8), cv2.MORPH_GRADIENT, around) > 0
    above, beside = _mean_beside(small, found.kept & ~edge)
    below, beyond = _mean_beside(small, ~found.kept & ~edge)
    compared = edge & small.inside & (beside > 0) & (beyond > 0)
    if not compared.any():
        return None
    step = np.abs(above - below).max(axis=-1)[compared]
    edgeless = float((step < _STEP_LEVELS).mean()) > _EDGELESS
    return "No edge shows in the picture where the sky would end." if edgeless else None


def _mean_beside(small: _Small, where: Mask) -> tuple[FloatImage, FloatImage]:
    """Mean colour (h, w, 3) of a mask's pixels within the window about each pixel, 0 where there is none; their share (h, w)."""
    weight = (where & small.inside).astype(np.float32)
    window = (_BESIDE_PX, _BESIDE_PX)
    share = np.maximum(cv2.blur(weight, window), 0)
    colour = cv2.blur(small.picture.astype(np.float32) * weight[..., None], window)
    few = share < 0.5 / _BESIDE_PX**2
    return (np.asarray(np.where(few[..., None], 0, colour / np.maximum(share, 1e-6)[..., None]), dtype=np.float32),
            np.asarray(np.where(few, 0, share), dtype=np.float32))  # fmt: skip


def _hangs_from_the_top(kept: Mask) -> bool:
    """Whether sky fills the picture, or hangs from its upper edge and hardly reaches the lower half.

    Such a picture stands upright: in a turned one the network finds the sky at the side or below.
    """
    rows = kept.shape[0]
    low = float(kept[rows // 2 :].sum()) / max(float(kept.sum()), 1.0)
    return float(kept.mean()) > _ALL_SKY or (float(kept[0].mean()) >= _TOP_SKY and low <= _LOW_SKY)


def _reduced(image: NDArray[np.uint8], lens: Lens | None) -> _Small:
    height, width = image.shape[:2]
    factor = min(1.0, _WORK_PX / max(height, width))
    # never so small that a filter has no room
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    shade = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32) / np.float32(255)
    inside = np.ones(shade.shape, dtype=bool)
    if lens is not None and lens.projection == "equidistant":
        cx, cy = ((c + 0.5) * s / o - 0.5 for c, s, o in zip(lens.resized(width, height).centre_px, size,
                                                             (width, height), strict=True))
        rim = float(lens.resized(width, height).radius_px(lens.half_angle_limit_rad)) * size[0] / width
        y, x = np.ogrid[: size[1], : size[0]]
        inside = np.asarray((x - cx) ** 2 + (y - cy) ** 2 <= rim**2)
    red, green, blue = cv2.split(small)
    spread = cv2.max(cv2.max(red, green), blue) - cv2.min(cv2.min(red, green), blue)
    # the more colourful tenth
    chroma = float(np.quantile(spread[inside], 0.9)) if inside.any() else 0.0
    return _Small(small, shade, chroma, inside)


def _night(small: _Small) -> str | None:
    """Why a night picture isn't measured; None by day. Grey pictures are infrared ones where much is black."""
    dark = float((small.shade[small.inside] < _DARK / 255).mean()) if small.inside.any() else 0.0
    if small.chroma < _GREY_CHROMA and dark > _DARK_SHARE_GREY:
        return "Not measured at night: under infrared light the sky is as black as what the light does not reach."
    if dark > _DARK_SHARE:
        return "Not measured at night: most of the picture is too dark to tell sky from ground."
    return None


def _dim_room(small: _Small, network: SkyView) -> bool:
    """Whether a dark picture surely shows no sky: some light in it, and nowhere even a faint belief in sky.

    Of some sixty darkened views of rooms held out about fifty have no cell above 0.1; such views with sky have one of 0.3
    at least, and two night pictures of real cameras under infrared light 0.5 and 0.7.
    """
    lit = float(np.quantile(small.shade[small.inside], _LIT_QUANTILE)) if small.inside.any() else 0.0
    most = _DIM_BELIEF_GREY if small.chroma < _GREY_CHROMA else _DIM_BELIEF
    return lit >= _LIT / 255 and float(expit(network.sky_logit.max())) < most


def _none(height: int, width: int) -> Sky:
    """No sky at all."""
    return Sky(0.0, _DIM_SD, None, np.zeros((height, width), dtype=bool), np.full(width, np.nan, np.float32))


def _plain(small: _Small) -> bool:
    """Whether the whole picture is one smooth surface with no edge in it."""
    return float((_slope(small.shade)[small.inside] > _PLAIN_STEP).mean()) < _PLAIN_SHARE


def _slope(shade: FloatImage) -> FloatImage:
    """Change of brightness a pixel, noise smoothed away."""
    # noise is smoothed by a pixel and a half (chosen)
    smooth = cv2.GaussianBlur(shade, (0, 0), 1.5)
    # a Sobel kernel of 3 x 3 sums to eight
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    return np.asarray(cv2.magnitude(across, down))


def _voted(small: _Small, belief: FloatImage, above: FloatImage) -> FloatImage:
    """Belief, raised where a smooth region that hangs from the top above the horizon is sky in good part.

    A clear sky's gradient has no edge at which the network's answer may turn: a region is sky as a whole or not.
    """
    region = ((_slope(small.shade) < _SMOOTH_STEP) & small.inside & (above > 0.9)).astype(np.uint8)
    count, labels = cv2.connectedComponents(cv2.erode(region, np.ones((3, 3), np.uint8)))
    flat = labels.ravel()
    areas = np.maximum(np.bincount(flat, minlength=count), 1)
    seeded = np.bincount(flat, weights=(belief > 0.5).ravel(), minlength=count) / areas
    mean = np.bincount(flat, weights=belief.ravel(), minlength=count) / areas
    hangs = np.zeros(count, dtype=bool)
    hangs[np.unique(labels[:3])] = True
    hangs[0] = False
    hangs &= areas >= _REGION * belief.size
    good = hangs & (seeded >= _SEEDED) & (mean >= _VOTE)
    # Fog or a plain gradient may leave the network at even odds; then a region that ends above ground in which it
    # sees no sky at all is sky, and snow or a wall that fills the picture is not.
    ends = np.ones(count, dtype=bool)
    ends[np.unique(labels[-3:])] = False
    elsewhere = float(np.median(belief[~hangs[labels] & small.inside])) if (~hangs[labels] & small.inside).any() else 1.0
    good |= hangs & ends & (mean >= _FAINT_VOTE) & (elsewhere < _FAINT_VOTE * _FAINT_ELSEWHERE)
    raised = cv2.dilate(good[labels].astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return np.where(raised, np.maximum(belief, np.float32(_VOTED)), belief).astype(np.float32)


def _above_horizon(small: _Small, lens: Lens | None, orientation: Orientation | None, network: SkyView) -> FloatImage:
    """Probability that each pixel's ray points above the horizon (less its dip), shape of the small picture."""
    rows, columns = network.latitude_rad.shape
    dip = np.radians(_DIP_DEG)
    if (lens is not None and lens.source not in ("estimated", "assumed") and orientation is not None
            and orientation.roll_deg is not None and orientation.pitch_deg is not None):
        x = (np.arange(2 * columns) + 0.5) / (2 * columns) * lens.width_px - 0.5
        y = (np.arange(2 * rows) + 0.5) / (2 * rows) * lens.height_px - 0.5
        rays = lens.unproject(np.stack(np.meshgrid(x, y), axis=-1))
        elevation = np.arcsin(np.clip(rays @ up_in_camera(orientation.roll_deg, orientation.pitch_deg), -1, 1))
        # degrees that lens and terrain add (chosen)
        sd = np.radians(np.hypot(orientation.roll_sd_deg or 0.0, orientation.pitch_sd_deg or 0.0) + 0.3)
        weight = np.where(np.isfinite(elevation), ndtr((elevation + dip + sd) / sd), 0.0)
    else:
        # the learned latitude alone is trusted less than a measured pose (chosen)
        sd = 1.5 * np.maximum(network.latitude_sd_rad, _LEARNED_FLOOR_RAD)
        weight = ndtr((network.latitude_rad + dip + sd) / sd)
    size = (small.shade.shape[1], small.shade.shape[0])
    return np.asarray(cv2.resize(weight.astype(np.float32), size, interpolation=cv2.INTER_LINEAR))


def _posed(lens: Lens | None, orientation: Orientation | None) -> bool:
    return (lens is not None and orientation is not None and orientation.roll_deg is not None
            and orientation.pitch_deg is not None)


def _guide_coefficients(guide: FloatImage, source: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Local linear model of ``source`` on ``guide``: gain and offset of the guided filter."""
    window = (2 * _RADIUS + 1, 2 * _RADIUS + 1)
    mean_g, mean_s = cv2.blur(guide, window), cv2.blur(source, window)
    variance = cv2.blur(guide * guide, window) - mean_g * mean_g
    gain = (cv2.blur(guide * source, window) - mean_g * mean_s) / (variance + np.float32(_EPSILON))
    return (np.asarray(cv2.blur(gain, window), dtype=np.float32),
            np.asarray(cv2.blur(mean_s - gain * mean_g, window), dtype=np.float32))


def _kept(mask: Mask, above: FloatImage, raw: FloatImage) -> tuple[Mask, Mask]:
    """Without specks and reflections, with small holes and burnt-in text filled; and what the network hardly believes."""
    rows = mask.shape[0]
    holes, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
    filled = mask.copy()
    for label in range(1, holes):
        left, top, width, height, area = (int(v) for v in stats[label])
        enclosed = left > 0 and top > 0 and left + width < mask.shape[1] and top + height < rows
        written = top + height < _TEXT_BAND * rows and height < _TEXT_HEIGHT * rows
        if (enclosed and area < _HOLE * mask.size) or (written and width > height and _on_sky(mask, stats[label])):
            filled[labels == label] = True
    count, labels = cv2.connectedComponents(filled.astype(np.uint8))
    areas = np.bincount(labels.ravel(), minlength=count)
    heights = np.bincount(labels.ravel(), weights=above.ravel(), minlength=count) / np.maximum(areas, 1)
    beliefs = np.bincount(labels.ravel(), weights=raw.ravel(), minlength=count) / np.maximum(areas, 1)
    # text stands in its band for the most part
    good = (areas >= _SPECK * mask.size) & (heights > 0.6)
    good[0] = False
    return np.asarray(good[labels]), np.asarray((good & (beliefs < _LEAST_BELIEF))[labels])


def _on_sky(mask: Mask, box: NDArray[np.int32]) -> bool:
    """Whether the row just under a box and both its sides are sky, as about a text over the sky."""
    left, top, width, height = (int(v) for v in box[:4])
    under = mask[min(top + height, mask.shape[0] - 1), left : left + width]
    # nine tenths of the edge
    return float(under.mean()) > 0.9


def _full_size(image: NDArray[np.uint8], found: _Found) -> Mask:
    """The mask at the picture's own size: the guide's edges near the small mask's border, the small mask elsewhere."""
    size = (image.shape[1], image.shape[0])
    kept = found.kept.astype(np.uint8)
    coarse = cv2.resize(kept, size, interpolation=cv2.INTER_NEAREST)
    border = cv2.morphologyEx(kept, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    band = cv2.resize(border, size, interpolation=cv2.INTER_NEAREST)
    shade = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32) / np.float32(255)
    sharp = cv2.resize(found.gain, size) * shade + cv2.resize(found.offset, size) > 0
    return np.asarray(np.where(band > 0, sharp, coarse > 0))

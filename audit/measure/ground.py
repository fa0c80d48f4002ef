"""The ground before a camera as it looks from above: what cameras that stand far apart see alike.

A wall looks different from either end of a yard, and features of wide baselines don't match. The ground doesn't: seen
from above, its joints, kerbs, road markings and stains lie where they lie, and two cameras of known place see them turned
by their bearings alone (:mod:`audit.judge.ground`). Roll and pitch as measured lay the picture flat; the camera's height
above the ground is the unit, so that nothing of the plan is in it.

What stands on the ground smears away from the camera; it fits no neighbour, and counts against every turn alike.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.stored import checked

__all__ = ["CELL", "GROUND_METHOD", "GroundView", "ground_from_record", "ground_to_record", "ground_view"]

#: Version of the laying flat; a picture that another version laid flat is laid flat again.
GROUND_METHOD = "ground-1"
_VERSION = 1
#: A cell's side and the reach ahead and to either side, in heights of the camera above the ground (chosen: a quarter of a
#: metre and 22 m for a camera 4 m up; what lies farther is a few rows of the picture).
CELL, _REACH = 0.0625, 5.5
ROWS, COLUMNS = round(_REACH / CELL), round(2 * _REACH / CELL)
#: Finer samples a cell and way, against flicker of what is near.
_FINER = 3
#: Contrast is taken against the surroundings, a normal weight of so many cells; less than so many grey levels is noise.
_AROUND_CELLS, _LEAST_CONTRAST = 6.0, 4.0
#: A cell counts where this share of it is in the picture; fewer cells than this tell nothing.
_SEEN_SHARE, _LEAST_CELLS = 0.95, 150
#: Levels of contrast that are kept, by standard deviation, and the farthest from the middle.
_LEVELS, _MOST = 32.0, 127.0


@dataclass(frozen=True, slots=True, eq=False)
class GroundView:
    """Contrast of the ground on a grid before the camera, its optical axis upwards.

    Attributes
    ----------
    contrast : ndarray of float32, shape (ROWS, COLUMNS)
        In standard deviations of the surroundings; 0 where not seen. Row ``r`` lies ``(r + 0.5) * CELL`` heights ahead of
        the point under the lens, column ``c`` ``(c + 0.5 - COLUMNS / 2) * CELL`` to the right of it.
    seen : ndarray of bool, shape (ROWS, COLUMNS)
    """

    contrast: NDArray[np.float32]
    seen: NDArray[np.bool_]


def ground_view(pixels: NDArray[np.uint8], lens: Lens, roll_deg: float, pitch_deg: float) -> GroundView | None:
    """The ground from above; None where too little of it is in the picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    lens : Lens
        Of the same camera; a picture of another size is taken as resized.
    roll_deg, pitch_deg : float
        As measured in the picture.
    """
    height, width = pixels.shape[:2]
    if (lens.width_px, lens.height_px) != (width, height):
        lens = lens.resized(width, height)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    step = CELL / _FINER
    ahead = (np.arange(ROWS * _FINER) + 0.5) * step
    aside = (np.arange(COLUMNS * _FINER) + 0.5) * step - _REACH
    spots = np.stack([*np.meshgrid(aside, ahead), np.full((len(ahead), len(aside)), -1.0)], axis=-1)
    rays = spots @ camera_from_world(0.0, pitch_deg, roll_deg).T
    at = lens.project(rays.reshape(-1, 3)).reshape(*rays.shape[:2], 2)
    seen = lens.in_frame(at) & np.isfinite(at).all(axis=-1)
    at = np.where(seen[..., None], at, -1.0).astype(np.float32)
    fine = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    size = (COLUMNS, ROWS)
    flat = np.asarray(cv2.resize(fine.astype(np.float32), size, interpolation=cv2.INTER_AREA), np.float32)
    inside = cv2.resize(seen.astype(np.float32), size, interpolation=cv2.INTER_AREA) > _SEEN_SHARE
    if int(inside.sum()) < _LEAST_CELLS:
        return None
    return GroundView(_against_surroundings(flat, inside), inside)


def _against_surroundings(flat: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Grey levels over the mean about them, in standard deviations of what is about them; outside the picture 0."""
    weight = inside.astype(np.float32)
    # keeps a divisor from 0
    near = np.maximum(cv2.GaussianBlur(weight, (0, 0), _AROUND_CELLS), 1e-3)
    off = (flat - cv2.GaussianBlur(flat * weight, (0, 0), _AROUND_CELLS) / near) * weight
    spread = np.sqrt(cv2.GaussianBlur(off * off, (0, 0), _AROUND_CELLS) / near)
    return np.asarray(off / np.maximum(spread, _LEAST_CONTRAST), np.float32)


@dataclass(frozen=True, slots=True)
class _Kept:
    contrast: str | None = None
    seen: str | None = None


def ground_to_record(view: GroundView | None) -> dict[str, Any]:
    """As plain JSON values; an empty record where nothing was seen."""
    if view is None:
        return {"version": _VERSION}
    levels = np.clip(np.round(view.contrast * _LEVELS), -_MOST, _MOST).astype(np.int8)
    return {"version": _VERSION, "contrast": _packed(levels.tobytes()), "seen": _packed(np.packbits(view.seen).tobytes())}


def ground_from_record(record: dict[str, Any]) -> GroundView | None:
    """The ground of a kept record; None where nothing was seen."""
    kept = checked(_Kept, record, "ground", _VERSION)
    if kept.contrast is None or kept.seen is None:
        return None
    levels = np.frombuffer(_unpacked(kept.contrast), np.int8).reshape(ROWS, COLUMNS)
    bits = np.unpackbits(np.frombuffer(_unpacked(kept.seen), np.uint8), count=ROWS * COLUMNS)
    return GroundView((levels / np.float32(_LEVELS)).astype(np.float32), bits.reshape(ROWS, COLUMNS).astype(bool))


def _packed(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data)).decode("ascii")


def _unpacked(text: str) -> bytes:
    return zlib.decompress(base64.b64decode(text))

"""Things of the plan seen in a picture, against where each camera of the site would see them if it was the one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world
from audit.judge.evidence import Pointed
from audit.judge.intended import Intended
from audit.lens import Lens
from audit.plan.model import Camera

__all__ = ["Sightings"]

FloatArray = NDArray[np.float64]

#: How a camera is panned: sd of a good installation, and the share and spread of those that are not (our defaults).
_PAN_SD_DEG, _PAN_FAULTS, _PAN_FAULT_SD_DEG = 3.0, 0.08, 30.0
#: Share of clicks that lie on something else, and what drawings are off by where the plan says nothing (our defaults).
_WRONG_CLICK, _DRAWING_SD_M, _LEAST_SD_DEG = 0.05, 0.5, 0.5
#: Nearer than this a thing's direction says nothing.
_NEAREST_M = 1.0
#: Cameras that look straight down have no direction to compare.
_STEEPEST_DEG = -60.0
_ALL_ROUND_DEG = 360.0


class Sightings:
    """Log-likelihoods of what was pointed out under one name, were the picture from each camera of the site; worked out
    once a name."""

    def __init__(self, cameras: Sequence[Camera], held: Sequence[Intended], pointed: Mapping[int, Sequence[Pointed]]) -> None:
        self._pointed = {index: _of_one_picture(seen) for index, seen in pointed.items() if _of_one_picture(seen)}
        self._place = np.array([(c.east_m, c.north_m) for c in cameras], dtype=np.float64)
        self._level = np.array([p.pitch_deg > _STEEPEST_DEG for p in held])
        self._axes = np.array([camera_from_world(p.bearing_deg, p.pitch_deg, p.roll_deg) for p in held])
        self._lenses = tuple(dict.fromkeys(c.lens for c in cameras))
        at = {lens: k for k, lens in enumerate(self._lenses)}
        self._lens_of = np.array([at[c.lens] for c in cameras], dtype=np.int64)
        self._known: dict[int, FloatArray] = {}

    def rows(self) -> tuple[int, ...]:
        """Names under which something was pointed out."""
        return tuple(self._pointed)

    def fits(self, filed: int) -> FloatArray:
        """Log-likelihood for each camera, shape (cameras,); 0 everywhere where nothing was pointed out."""
        if filed not in self._pointed:
            return np.zeros(len(self._place))
        if filed not in self._known:
            self._known[filed] = self._worked_out(filed)
        return self._known[filed]

    def off_deg(self, filed: int, source: int) -> tuple[str, float]:
        """The first thing that was pointed out, and how far right of where ``source`` would see it, degrees."""
        first = self._pointed[filed][0]
        return first.landmark, float(self._off(first)[0][source])

    def _worked_out(self, filed: int) -> FloatArray:
        """All of a picture's clicks share its camera's pan; each has its own error, and a few lie on something else."""
        offs, sds = (np.array(parts) for parts in zip(*(self._off(p) for p in self._pointed[filed]), strict=True))
        weights = 1 / sds**2
        # angles about the first, so that their mean is one
        mean = _turn(offs[0] + (weights * _turn(offs - offs[0])).sum(axis=0) / weights.sum(axis=0))
        scatter = (weights * _turn(offs - mean) ** 2).sum(axis=0)
        own = -0.5 * scatter - np.log(sds * math.sqrt(2 * math.pi)).sum(axis=0) + 0.5 * np.log(2 * math.pi / weights.sum(axis=0))
        good = math.log(1 - _PAN_FAULTS) + _normal(mean, np.sqrt(1 / weights.sum(axis=0) + _PAN_SD_DEG**2))
        fault = math.log(_PAN_FAULTS) + _normal(mean, np.sqrt(1 / weights.sum(axis=0) + _PAN_FAULT_SD_DEG**2))
        anywhere = -len(offs) * math.log(_ALL_ROUND_DEG)
        told = np.logaddexp(math.log(1 - _WRONG_CLICK) + own + np.logaddexp(good, fault), math.log(_WRONG_CLICK) + anywhere)
        return np.where(self._level, told, anywhere)

    def _off(self, pointed: Pointed) -> tuple[FloatArray, FloatArray]:
        """Degrees that a thing lies right of where each camera would see it by its plan, and their sd."""
        place, at = pointed.place, pointed.at_px
        assert place is not None and at is not None
        east, north = place.east_m - self._place[:, 0], place.north_m - self._place[:, 1]
        rays = np.array([_ray(lens, pointed.size_px, at) for lens in self._lenses])[self._lens_of]
        world = np.einsum("nij,ni->nj", self._axes, rays)
        seen = np.degrees(np.arctan2(world[:, 0], world[:, 1]))
        away = np.maximum(np.hypot(east, north), _NEAREST_M)
        position = math.hypot(place.position_sd_m or _DRAWING_SD_M, _DRAWING_SD_M)
        sd = np.maximum(np.degrees(np.arctan(position / away)), _LEAST_SD_DEG)
        return _turn(seen - np.degrees(np.arctan2(east, north))), sd


def _of_one_picture(pointed: Sequence[Pointed]) -> list[Pointed]:
    """What was pointed out in the picture with most of it."""
    by_photo: dict[str, list[Pointed]] = {}
    for one in pointed:
        if one.at_px is not None and one.place is not None:
            by_photo.setdefault(one.photo, []).append(one)
    return max(by_photo.values(), key=len, default=[])


def _ray(lens: Lens, size_px: tuple[int, int], at_px: tuple[float, float]) -> FloatArray:
    """Direction of a pixel through a planned lens; straight ahead where it shows nothing there."""
    if (lens.width_px, lens.height_px) != size_px:
        lens = lens.resized(*size_px)
    ray = lens.unproject(at_px)
    return ray if bool(np.isfinite(ray).all()) else np.array([0.0, 0.0, 1.0])


def _turn(angle_deg: FloatArray) -> FloatArray:
    return (angle_deg + 180.0) % 360.0 - 180.0


def _normal(off: FloatArray, sd: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (off / sd) ** 2 - np.log(sd * math.sqrt(2 * math.pi)))

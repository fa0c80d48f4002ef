"""The pose of a camera while it is being turned: full measures of several of its pictures, brought together by registration.

One picture tells which way is up through what it happens to show, and two that are turned a degree or two apart may differ
by more than either is turned; the turn between them is known to some hundredths of a degree (tests/bench/aim_time.py measures
both). So each full measure is brought to one picture by that turn and their mean counts, which settles while the camera is
aimed; what all of them err by alike, the lens and the place, stays in its uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.clarity import sharpness_of
from audit.measure.image import measure_image
from audit.measure.measurement import ImageMeasurement, Orientation
from audit.measure.registration import Features, Registration, pose_change_deg, register_features
from audit.measure.several import combine_orientations
from audit.measure.transfer import at_measure_size, log_luminance

__all__ = ["FAR_SHARE", "STILL_DEG", "SURELY_THE_SAME", "AimPose", "turned_deg"]

SURELY_THE_SAME = 0.9
#: Turned by this share of the angle of view, the picture of now takes the place of the one from which turns are counted, while
#: both show enough.
FAR_SHARE = 0.25
#: A picture that moved less than this stands still, and shows what is known (our default: hands off the camera).
STILL_DEG = 0.15
#: So many full measures are enough; two nearer than this err alike, and the later one counts. From five on one more moves the
#: mean by less than 0.3 degrees in 95 of 100 (tests/bench/aim_time.py, 19 cameras of the demo).
_ENOUGH, _APART_DEG = 8, 1.0
#: Zoomed by more than this, what was measured before was measured through another lens.
_ZOOMED = 0.02


@dataclass(frozen=True, slots=True)
class _View:
    """A picture that was measured by itself: its turn from the first, and the pose that it gives the first."""

    rotation: NDArray[np.float64]
    orientation: Orientation


@dataclass(frozen=True, slots=True)
class _Now:
    pixels: NDArray[np.uint8]
    features: Features
    rotation: NDArray[np.float64]
    rotation_sd_deg: NDArray[np.float64]


class AimPose:
    """Poses of one camera's pictures, one after the other.

    Parameters
    ----------
    lens : Lens
        The planned one.
    """

    def __init__(self, lens: Lens) -> None:
        self._lens = lens
        self._first: Features | None = None
        self._measured: ImageMeasurement | None = None
        self._views: list[_View] = []
        self._now: _Now | None = None

    def see(self, pixels: NDArray[np.uint8], features: Features) -> ImageMeasurement:
        """A fresh picture, followed from those that were measured; measured by itself where it shows too little of them.

        Parameters
        ----------
        pixels : ndarray, shape (H, W, 3), uint8
        features : Features
            Of the same picture.
        """
        self._now = None
        turn = self._turn(features)
        if turn is None:
            return self._begin(pixels, features)
        if turned_deg(turn.rotation) > FAR_SHARE * self._lens.hfov_deg:
            self._count_from(features, turn)
            self._now = _Now(pixels, features, np.eye(3), np.zeros(3))
        else:
            self._now = _Now(pixels, features, turn.rotation, turn.rotation_sd_deg)
        assert self._measured is not None
        pose = _brought(self._mean(), self._now.rotation, self._now.rotation_sd_deg)
        sharpness = sharpness_of(log_luminance(at_measure_size(pixels)), self._measured.sky)
        return replace(self._measured, orientation=pose, clarity=replace(self._measured.clarity, sharpness=sharpness))

    def settle(self, still: bool) -> None:
        """Measure the picture of now by itself where that tells something new; later ones are followed from there.

        Parameters
        ----------
        still : bool
            It shows the same view as the one before: it counts even where enough are measured.
        """
        now, self._now = self._now, None
        if now is None:
            return
        away_deg = min(turned_deg(now.rotation @ view.rotation.T) for view in self._views)
        if away_deg >= (STILL_DEG if still else _APART_DEG) and (still or len(self._views) < _ENOUGH):
            self._add(measure_image(now.pixels, self._lens), now)

    def _begin(self, pixels: NDArray[np.uint8], features: Features) -> ImageMeasurement:
        measured = measure_image(pixels, self._lens)
        self._first, self._measured = features, measured
        self._views = [_View(np.eye(3), measured.orientation)] if _known(measured.orientation) else []
        return measured

    def _turn(self, features: Features) -> Registration | None:
        """The turn since the first picture; None where there is nothing to follow from, or it shows too little of it."""
        if self._first is None or not self._views:
            return None
        found = register_features(self._first, features)
        zoomed = abs(math.log(found.zoom)) > _ZOOMED
        return None if found.same_view_probability < SURELY_THE_SAME or zoomed else found

    def _add(self, measured: ImageMeasurement, now: _Now) -> None:
        if not _known(measured.orientation):
            return
        self._measured = measured
        brought = _brought(measured.orientation, now.rotation.T, now.rotation_sd_deg)
        apart = [view for view in self._views if turned_deg(now.rotation @ view.rotation.T) >= _APART_DEG]
        self._views = [*apart, _View(now.rotation, brought)][-_ENOUGH:]

    def _count_from(self, features: Features, turn: Registration) -> None:
        """Another first picture, to which all that was measured is brought."""
        self._views = [
            _View(view.rotation @ turn.rotation.T, _brought(view.orientation, turn.rotation, turn.rotation_sd_deg))
            for view in self._views
        ]
        self._first = features

    def _mean(self) -> Orientation:
        """The first picture's pose; by the latest measure alone where they contradict each other."""
        mean = combine_orientations([view.orientation for view in self._views])
        if not _known(mean):
            self._views = self._views[-1:]
            return self._views[0].orientation
        return mean


def turned_deg(rotation: NDArray[np.float64]) -> float:
    """Angle of a rotation, (3, 3)."""
    return float(np.degrees(np.linalg.norm(cv2.Rodrigues(rotation)[0])))


def _known(pose: Orientation) -> bool:
    return None not in (pose.pitch_deg, pose.pitch_sd_deg, pose.roll_deg, pose.roll_sd_deg)


def _brought(pose: Orientation, rotation: NDArray[np.float64], rotation_sd_deg: NDArray[np.float64]) -> Orientation:
    """A pose after a turn; what was seen in the picture itself stays behind."""
    pitch, roll, pitch_sd, roll_sd = pose.pitch_deg, pose.roll_deg, pose.pitch_sd_deg, pose.roll_sd_deg
    assert pitch is not None and roll is not None and pitch_sd is not None and roll_sd is not None
    change, sd = pose_change_deg(rotation, rotation_sd_deg, pitch, roll)
    return replace(
        pose, pitch_deg=pitch + float(change[1]), pitch_sd_deg=math.hypot(pitch_sd, float(sd[1])),
        roll_deg=roll + float(change[2]), roll_sd_deg=math.hypot(roll_sd, float(sd[2])), segments_px=None, level_lines=None,
    )  # fmt: skip

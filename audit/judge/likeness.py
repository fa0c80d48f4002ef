"""How likely the pictures that lie under one camera's name come from another camera of the site.

Log-likelihoods of what was measured, each against a camera that was put up as planned or has a fault of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from audit.judge.carried import shows_the_view, todays_orientation
from audit.judge.evidence import CameraEvidence
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits
from audit.judge.sightings import Sightings
from audit.lens import Lens
from audit.measure.measurement import Orientation
from audit.plan.model import Camera
from audit.plan.optics import open_sky_fraction

__all__ = ["Likeness"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: How a camera is put up: sd of a good installation, and the share and spread of those that are not (our defaults).
_AIM_SD_DEG, _AIM_FAULTS, _AIM_FAULT_SD_DEG = 2.0, 0.10, 14.0
_LEVEL_SD_DEG, _LEVEL_FAULTS, _LEVEL_FAULT_SD_DEG = 1.2, 0.06, 8.0
#: A pitch measured with another angle of view than the true one is off by up to this share of it, for each natural
#: logarithm of the ratio of focal lengths.
_PITCH_BY_LENS = 0.7
#: Measured as a fisheye what is none, or the reverse, a pose says nothing: it is spread over this range.
_MEANINGLESS_DEG = 90.0
#: The skyline takes any share of the open sky; this much above the plan's is still the plan's (our default).
_SKY_SLACK, _INDOOR_SKY = 0.03, 0.03
#: Sky that no plan explains, and sky that walls and trees take altogether: shares of pictures (our defaults).
_STRAY_SKY, _HIDDEN_SKY = 0.02, 0.15
_WRONG_SIZE = 0.03
#: Angles of view against data sheets (log of the half view's tangent), and the share of estimates that are far out.
_LENS_SD, _STRAY_LENS = 0.06, 0.05
#: Chance that a night picture is grey, by what the plan lights the night with (our default).
_GREY_AT_NIGHT = {"infrared": 0.9, "white light": 0.3, "none": 0.15}
#: Chance that a picture shows its own camera's signed reference where it is that camera, and where it isn't.
_OWN_REFERENCE, _ANOTHERS_REFERENCE = 0.97, 1e-5
#: Chance that name or serial are told wrong; and, where a picture comes from another camera, that they are that camera's
#: (crossed cables or file names) or still those of the name it lies under (devices hung at each other's place; our defaults).
_MISTOLD, _TELLS_ITSELF, _KEEPS_NAME = 0.03, 0.5, 0.47
#: Without one of these against it, a camera's pictures are its own (standard deviations; large sites alone ask).
_STRANGE_SD = 1.5
#: Cues that speak for another camera by less than this are not told.
_SAID = 0.7
_TWO_SIDED_95 = 1.96


@dataclass(frozen=True, slots=True)
class _Cue:
    """One kind of evidence: its log-likelihoods, shape (rows, columns)."""

    name: str
    gain: FloatArray


class Likeness:
    """Cameras of a site as planned, and what the pictures under each one's name show; missing values are NaN."""

    def __init__(self, cameras: Sequence[Camera], evidence: Mapping[str, CameraEvidence], limits: Limits) -> None:
        self.cameras = tuple(cameras)
        held = [intended_pose(camera) for camera in cameras]
        self._pitch = np.array([p.pitch_deg for p in held])
        self._roll = np.array([p.roll_deg for p in held])
        self._log_focal = np.array([_log_half_view(camera.lens) for camera in cameras])
        self._flat = np.array([camera.lens.projection == "rectilinear" for camera in cameras])
        self._sky = np.array([_most_sky(c, p.pitch_deg, p.roll_deg) for c, p in zip(cameras, held, strict=True)])
        self._indoor = np.array([camera.setting == "indoor" for camera in cameras])
        self._size = np.array([(camera.lens.width_px, camera.lens.height_px) for camera in cameras])
        self._grey = np.array([_GREY_AT_NIGHT[camera.night] for camera in cameras])
        shown = np.array([_shown(evidence.get(camera.camera), limits) for camera in cameras], dtype=np.float64)
        self._seen = shown[:, 0:6].T
        self._seen_size = shown[:, 6:8]
        self._seen_grey = shown[:, 8]
        self._own_reference = shown[:, 9]
        self._seen_focal = shown[:, 10:12].T
        at = {camera.camera: index for index, camera in enumerate(cameras)}
        told = [_identities(evidence.get(camera.camera), at) for camera in cameras]
        self._named, self._device = np.array(told, dtype=np.float64).reshape(-1, 2).T
        self._sightings = Sightings(cameras, held, {at[name]: e.pointed for name, e in evidence.items() if name in at and e.pointed})
        kinds = sorted({_kind(camera.lens) for camera in cameras})
        self._kind = np.array([kinds.index(_kind(camera.lens)) for camera in cameras])
        #: Tilt and roll with sds by the kind of lens that they were measured with, shape (4, cameras, kinds).
        self._by_lens = np.full((4, len(cameras), len(kinds)), np.nan)
        for index, camera in enumerate(cameras):
            held_by = evidence.get(camera.camera)
            for orientation in () if held_by is None else held_by.by_lens:
                if orientation.lens.source != "estimated" and _kind(orientation.lens) in kinds:
                    self._by_lens[:, index, kinds.index(_kind(orientation.lens))] = _angles(orientation)

    def table(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """Log-likelihood of what lies under each of ``rows`` (indices of cameras), were it from each of ``columns``."""
        cues = self._cues(rows, columns)
        return np.asarray(np.sum([cue.gain for cue in cues], axis=0), dtype=np.float64)

    def own(self, rows: IntArray) -> FloatArray:
        """Log-likelihood of what lies under each name, were it that camera's own; shape (rows,)."""
        return np.array([self.table(row, row)[0, 0] for row in rows.reshape(-1, 1)])

    def has_pictures(self) -> NDArray[np.bool_]:
        """Cameras with a picture of their own."""
        return np.isfinite(self._seen_size[:, 0])

    def strange(self) -> NDArray[np.bool_]:
        """Cameras that something measured speaks against their own plan."""
        pitch, pitch_sd, roll, roll_sd, sky, sky_sd = self._seen
        off_pitch = np.abs(pitch - self._pitch) > _STRANGE_SD * np.hypot(pitch_sd, _AIM_SD_DEG)
        off_roll = np.abs(_turn(roll - self._roll)) > _STRANGE_SD * np.hypot(roll_sd, _LEVEL_SD_DEG)
        off_sky = sky - _STRANGE_SD * sky_sd > np.where(self._indoor, _INDOOR_SKY, self._sky + _SKY_SLACK)
        off_size = np.isfinite(self._seen_size[:, 0]) & (self._seen_size != self._size).any(axis=1)
        off_night = np.isfinite(self._seen_grey) & (np.abs(self._seen_grey - self._grey) > 0.5)
        off_view = self._own_reference == 0.0
        index = np.arange(len(self.cameras))
        off_name, off_device = (np.isfinite(told) & (told != index) for told in (self._named, self._device))
        off_bearing = np.zeros(len(index), bool)
        for row in self._sightings.rows():
            fits = self._sightings.fits(row)
            off_bearing[row] = bool(fits[row] < fits.max() - _STRANGE_SD)
        signs = [off_pitch, off_roll, off_sky, off_size, off_night, off_view, off_name, off_device, off_bearing]
        any_of_them: NDArray[np.bool_] = np.any(signs, axis=0)
        return any_of_them

    def identified(self, filed: int, source: int) -> bool:
        """Whether the picture's own text or the device itself says that what lies under one name is the other's."""
        return bool(self._named[filed] == source or self._device[filed] == source)

    def reasons(self, filed: int, source: int) -> tuple[str, ...]:
        """Sentences on what under the name of ``filed`` fits the plan of ``source`` better, the strongest first."""
        here = np.array([filed])
        both = self._cues(here, np.array([filed, source]))
        told = sorted(((float(c.gain[0, 1] - c.gain[0, 0]), c.name) for c in both), reverse=True)
        return tuple(self._sentence(name, filed, source) for gain, name in told if gain >= _SAID)

    def _cues(self, rows: IntArray, columns: IntArray) -> list[_Cue]:
        return [
            _Cue("pose", self._pose(rows, columns)),
            _Cue("size", self._sizes(rows, columns)),
            _Cue("lens", self._lenses(rows, columns)),
            _Cue("night", self._nights(rows, columns)),
            _Cue("reference", self._references(rows, columns)),
            _Cue("name", self._told(self._named, rows, columns)),
            _Cue("device", self._told(self._device, rows, columns)),
            _Cue("bearing", self._bearings(rows, columns)),
        ]

    def _pose(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """Tilt, roll and sky together: a fault of the camera's own spoils the sky with the tilt."""
        pitch, sd, roll, roll_sd, comparable = self._measured_with(rows, columns)
        sky, sky_sd = (values[rows][:, None] for values in self._seen[4:])
        off, turned = pitch - self._pitch[columns], _turn(roll - self._roll[columns])
        tilt = _density(off, np.hypot(sd, _AIM_SD_DEG), comparable)
        tilt_fault = _density(off, np.hypot(sd, _AIM_FAULT_SD_DEG), comparable)
        level = _density(turned, np.hypot(roll_sd, _LEVEL_SD_DEG), comparable)
        level_fault = _density(turned, np.hypot(roll_sd, _LEVEL_FAULT_SD_DEG), comparable)
        open_sky = self._open_sky(sky, sky_sd, columns)
        sky_fault = np.where(self._indoor[columns], open_sky, 0.0)
        good = math.log(1 - _AIM_FAULTS - _LEVEL_FAULTS) + tilt + level + open_sky
        aim = math.log(_AIM_FAULTS) + tilt_fault + level + sky_fault
        rolled = math.log(_LEVEL_FAULTS) + tilt + level_fault + sky_fault
        return np.logaddexp(np.logaddexp(good, aim), rolled)

    def _measured_with(
        self, rows: IntArray, columns: IntArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
        """Tilt and roll with sds by the lens of each column, and whether they say anything; by the lens of the name that
        they lie under, and vague, where that is all there is."""
        pitch, pitch_sd, roll, roll_sd = (values[rows][:, None] for values in self._seen[:4])
        apart = np.abs(self._log_focal[rows][:, None] - self._log_focal[columns])
        vague = np.hypot(pitch_sd, np.where(self._flat[columns], _PITCH_BY_LENS * np.abs(pitch) * apart, 0.0))
        again = self._by_lens[:, rows][:, :, self._kind[columns]]
        better = np.isfinite(again).all(axis=0) & np.isfinite(pitch) & np.isfinite(roll)
        comparable = better | (self._flat[rows][:, None] == self._flat[columns])
        chosen = [np.where(better, new, old) for new, old in zip(again, (pitch, vague, roll, roll_sd), strict=True)]
        return chosen[0], chosen[1], chosen[2], chosen[3], comparable

    def _lenses(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """The angle of view that the picture itself tells, against the planned ones."""
        log_focal, sd = (values[rows][:, None] for values in self._seen_focal)
        spread = np.hypot(sd, _LENS_SD)
        found = -0.5 * ((log_focal - self._log_focal[columns]) / spread) ** 2
        found = np.log((1 - _STRAY_LENS) * np.exp(found) + _STRAY_LENS)
        return np.where(np.isfinite(log_focal) & self._flat[columns], found, 0.0)

    def _open_sky(self, sky: FloatArray, sd: FloatArray, columns: IntArray) -> FloatArray:
        """Anything from none to what the plan's optics show, with the measurement's error."""
        most = np.where(self._indoor[columns], _INDOOR_SKY, self._sky[columns] + _SKY_SLACK)
        # shares of sky are told to half a per cent at best
        spread = np.maximum(sd, 0.005)
        below = ndtr(-sky / spread)
        inside = np.maximum(ndtr((most - sky) / spread) - below, 0.0) / most
        hidden = np.maximum(ndtr((_INDOOR_SKY - sky) / spread) - below, 0.0) / _INDOOR_SKY
        shares = (1 - _STRAY_SKY - _HIDDEN_SKY) * inside + _HIDDEN_SKY * hidden + _STRAY_SKY
        found = np.log(shares)
        return np.where(np.isfinite(found), found, 0.0)

    def _sizes(self, rows: IntArray, columns: IntArray) -> FloatArray:
        same = (self._seen_size[rows][:, None] == self._size[columns]).all(axis=2)
        found = np.where(same, math.log(1 - _WRONG_SIZE), math.log(_WRONG_SIZE))
        return np.where(np.isfinite(self._seen_size[rows][:, :1]), found, 0.0)

    def _nights(self, rows: IntArray, columns: IntArray) -> FloatArray:
        grey = self._seen_grey[rows][:, None]
        found = np.where(grey == 1.0, np.log(self._grey[columns]), np.log1p(-self._grey[columns]))
        return np.where(np.isfinite(grey), found, 0.0)

    def _references(self, rows: IntArray, columns: IntArray) -> FloatArray:
        shown = self._own_reference[rows][:, None]
        chance = np.where(rows[:, None] == columns, _OWN_REFERENCE, _ANOTHERS_REFERENCE)
        found = np.where(shown == 1.0, np.log(chance), np.log1p(-chance))
        return np.where(np.isfinite(shown), found, 0.0)

    def _told(self, told: FloatArray, rows: IntArray, columns: IntArray) -> FloatArray:
        """A camera of the plan named by the picture or by the device. Where the devices hang at each other's places they
        go on telling the name they lie under; where names or cables are crossed they tell the other's."""
        named, others = told[rows][:, None], max(1, len(self.cameras) - 2)
        own = rows[:, None] == columns
        by_own = np.where(named == rows[:, None], 1 - _MISTOLD, _MISTOLD / (others + 1))
        by_another = np.where(named == columns, _TELLS_ITSELF, np.where(named == rows[:, None], _KEEPS_NAME, _MISTOLD / others))
        return np.where(np.isfinite(named), np.log(np.where(own, by_own, by_another)), 0.0)

    def _bearings(self, rows: IntArray, columns: IntArray) -> FloatArray:
        found = np.array([self._sightings.fits(int(row))[columns] for row in rows])
        return found.reshape(len(rows), len(columns))

    def _sentence(self, cue: str, filed: int, source: int) -> str:
        one, other = self.cameras[filed].camera, self.cameras[source].camera
        with_theirs = self._measured_with(np.array([filed]), np.array([source]))
        pitch, pitch_sd, roll, roll_sd = (float(values[0, 0]) for values in with_theirs[:4])
        sky = float(self._seen[4, filed])
        if cue == "size":
            seen, plan, theirs = self._seen_size[filed], self._size[filed], self._size[source]
            return (
                f"The picture of {one} has {seen[0]:z.0f} × {seen[1]:z.0f} px: {one} is planned with {plan[0]} × {plan[1]}, "
                f"{other} with {theirs[0]} × {theirs[1]}."
            )
        if cue == "lens":
            seen_deg = math.degrees(2 * math.atan(math.exp(float(self._seen_focal[0, filed]))))
            return (
                f"The picture of {one} seems to be {seen_deg:z.0f}° wide: {one} is planned with "
                f"{self.cameras[filed].lens.hfov_deg:z.0f}°, {other} with {self.cameras[source].lens.hfov_deg:z.0f}°."
            )
        if cue == "night":
            grey = "grey" if self._seen_grey[filed] == 1.0 else "in colour"
            return (
                f"By night the picture of {one} is {grey}: night lighting of {one} by plan "
                f"{self.cameras[filed].night}, of {other} {self.cameras[source].night}."
            )
        if cue == "name":
            return f"The picture of {one} shows the name of {self.cameras[int(self._named[filed])].camera}."
        if cue == "device":
            return f"At the address of {one} answers the device with the serial of {self.cameras[int(self._device[filed])].camera}."
        if cue == "bearing":
            landmark, own = self._sightings.off_deg(filed, filed)
            _, theirs = self._sightings.off_deg(filed, source)
            return (
                f"'{landmark}' lies {abs(own):z.0f}° beside where {one} would see it by plan, and {abs(theirs):z.0f}° beside "
                f"where {other} would."
            )
        if cue == "reference":
            return f"The picture of {one} does not show its signed reference."
        parts = []
        if math.isfinite(pitch):
            parts.append(
                f"tilt {pitch:+z.1f}° ± {_TWO_SIDED_95 * pitch_sd:z.1f}° (planned {self._pitch[filed]:+z.1f}°, {other} "
                f"{self._pitch[source]:+z.1f}°)"
            )
        if math.isfinite(roll) and abs(self._roll[filed] - self._roll[source]) > _LEVEL_SD_DEG:
            parts.append(
                f"roll {roll:+z.1f}° ± {_TWO_SIDED_95 * roll_sd:z.1f}° (planned {self._roll[filed]:+z.1f}°, {other} "
                f"{self._roll[source]:+z.1f}°)"
            )
        if math.isfinite(sky):
            parts.append(f"open sky {sky:z.0%} (at most {self._sky[filed]:z.0%} by plan, {other} {self._sky[source]:z.0%})")
        return f"The picture of {one} fits the plan of {other}: {', '.join(parts)}."


def _shown(evidence: CameraEvidence | None, limits: Limits) -> tuple[float, ...]:
    """Tilt, roll and sky with sds, size, grey by night, own reference seen, the picture's own angle of view; NaN where
    not known."""
    missing = math.nan
    if evidence is None or not evidence.snapshots:
        # as many as are listed below
        return (missing,) * 12
    pose = todays_orientation(evidence, limits)
    day, night = evidence.day, evidence.night
    first = evidence.snapshots[0]
    sky = None if day is None else day.measured.sky
    seen = [c for c in evidence.comparisons if not c.night and c.change.same_view_probability is not None]
    values = (
        *((None,) * 4 if pose is None else (pose.pitch_deg, pose.pitch_sd_deg, pose.roll_deg, pose.roll_sd_deg)),
        None if sky is None else sky.fraction,
        None if sky is None else sky.sd,
        first.width_px,
        first.height_px,
        None if night is None else float(night.measured.clarity.night),
        float(any(shows_the_view(c, limits) for c in seen)) if seen else None,
        *_own_view(evidence),
    )
    return tuple(missing if value is None else float(value) for value in values)


def _identities(evidence: CameraEvidence | None, at: Mapping[str, int]) -> tuple[float, float]:
    """Which camera of the plan the picture's own text and the device's serial name; NaN where none or not surely."""
    if evidence is None:
        return math.nan, math.nan
    names = {one.names for one in evidence.written if one.names is not None and one.with_clock}
    named = names.pop() if len(names) == 1 else None
    return float(at.get(named or "", math.nan)), float(at.get(evidence.device_owner or "", math.nan))


def _angles(orientation: Orientation) -> tuple[float, ...]:
    values = orientation.pitch_deg, orientation.pitch_sd_deg, orientation.roll_deg, orientation.roll_sd_deg
    return tuple(math.nan if value is None else value for value in values)


def _own_view(evidence: CameraEvidence) -> tuple[float | None, float | None]:
    """Log of the tangent of half the estimated angle of view, and its sd; None where the picture doesn't tell."""
    lens = next((o.lens for o in evidence.by_lens if o.lens.source == "estimated"), None)
    if lens is None or lens.hfov_sd_deg is None:
        return None, None
    # d log tan(h / 2) = d h / sin h
    return _log_half_view(lens), math.radians(lens.hfov_sd_deg) / math.sin(math.radians(lens.hfov_deg))


def _log_half_view(lens: Lens) -> float:
    # wider ones are fisheyes, whose tangent says nothing
    return math.log(math.tan(math.radians(min(lens.hfov_deg, 170.0) / 2)))


def _kind(lens: Lens) -> tuple[str, float, float, float]:
    """What of a lens changes the measured angles."""
    return lens.projection, round(lens.hfov_deg, 2), lens.k1, lens.k2


def _most_sky(camera: Camera, pitch_deg: float, roll_deg: float) -> float:
    return 0.0 if camera.setting == "indoor" else open_sky_fraction(camera.lens, pitch_deg, roll_deg)


def _turn(angle_deg: FloatArray) -> FloatArray:
    return (angle_deg + 180.0) % 360.0 - 180.0


def _density(off: FloatArray, sd: FloatArray, comparable: NDArray[np.bool_]) -> FloatArray:
    """Log of a normal density; of an even one where the lens it was measured with says nothing; 0 where not measured."""
    normal = -0.5 * (off / sd) ** 2 - np.log(sd * math.sqrt(2 * math.pi))
    found = np.where(comparable, normal, -math.log(_MEANINGLESS_DEG))
    return np.where(np.isfinite(off), found, 0.0)

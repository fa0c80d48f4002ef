"""A camera while it is being aimed: each fresh picture against the plan, judged as the visit will judge it.

Some pictures are measured by themselves, those between are followed from there by registration, which is quicker than a hand on
the joint (:mod:`audit.visit.aim_pose`). What a picture can't tell, the bearing, comes from a thing of the plan that was tapped in one
of the pictures, or from the signed reference, and is carried on by the turn since, measured by registration. Nothing is
stored here.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.account.account import accounts_of
from audit.account.pictures import Drawing, encode_jpeg, evidence_picture
from audit.errors import AuditError
from audit.frames import bearing_difference_deg, wrap_bearing_deg
from audit.judge.evidence import CameraEvidence, Comparison, Pointed, ShownBearing, Snapshot
from audit.judge.finding import Finding, State
from audit.judge.intended import intended_pose, straight_down
from audit.judge.limits import Limits, load_limits, planned_lens
from audit.judge.panned import landmarks_of, panned, place_of
from audit.judge.pose import pose_findings
from audit.lens import Lens
from audit.logbook import Logbook
from audit.measure.image import MEASURE_SIDE_PX
from audit.measure.measurement import ImageMeasurement, Orientation, ViewChange
from audit.measure.overlay import burned_in
from audit.measure.registration import Features, detect_features, grey_at_work_size, pose_change_deg, register_features
from audit.photos.intake import open_photo
from audit.plan.model import Camera, Site
from audit.visit.aim_pose import FAR_SHARE, STILL_DEG, SURELY_THE_SAME, AimPose, turned_deg
from audit.visit.pointed import shown_before

__all__ = ["BROKE_OFF", "AimJob", "AimLine", "Aimed", "Aimer", "aimer_of"]

BROKE_OFF = "Aiming broke off; start it again. The server's log says why."

Axis = Literal["pan", "tilt", "rotate"]
#: The check of the judge that stands behind each line.
_CHECKS: dict[Axis, Literal["pan", "aim", "level"]] = {"pan": "pan", "tilt": "aim", "rotate": "level"}
_SHOWN_SIDE_PX, _SHOWN_QUALITY = 800, 72
#: Pictures that a tap may still be meant for.
_REMEMBERED = 12
_THE_SAME = 0.5
#: Pictures of another shape than the plan's are another stream, cut or squeezed (our default).
_SHAPE_TOLERANCE = 0.02
_NOT_HELD_TO = "The plan asks for none here."
#: The line says that by itself.
_SAID_ALREADY = "Not measured: "
_TAP = "Tap '{}' in the picture, where it is seen."
_NOTHING_TO_TAP = "The plan names nothing that could be tapped in the picture; add a landmark to it."


@dataclass(frozen=True, slots=True)
class AimJob:
    """Which camera, and where it answers.

    Attributes
    ----------
    cameras, credentials : str or None
        CSV of addresses (the plan's column without it), and of users and passwords.
    kind, on : str
        The visit into which a picture that is to be kept goes.
    """

    logbook: str
    images: str | None
    camera: str
    cameras: str | None
    credentials: str | None
    kind: str
    on: str


@dataclass(frozen=True, slots=True)
class AimLine:
    """One direction in which the camera is to be moved.

    Attributes
    ----------
    correction_deg : float or None
        What is still to be done: + pan right, + tilt up, + rotate clockwise seen from behind the camera. None where it is
        not measured, or has no direction (a camera that looks straight down).
    sd_deg, limit_deg : float or None
    state : State
    note : str
        Why it is not measured, else the judge's sentence.
    """

    axis: Axis
    state: State
    correction_deg: float | None
    sd_deg: float | None
    limit_deg: float | None
    note: str


@dataclass(frozen=True, slots=True)
class Aimed:
    """The answer to one picture.

    Attributes
    ----------
    number : int
        Counts the pictures.
    target, target_state
        The judge's sentence on the targets; empty where the plan names none, or the bearing isn't known yet.
    sharpness : float or None
        0 to 1, as :class:`audit.measure.measurement.Clarity`; comparable between pictures of one camera.
    still : bool
        The picture shows the same view as the one before.
    jpeg : bytes
        The picture with the planned and the measured horizon and targets drawn in.
    width_px, height_px : int
        Of the camera's picture.
    """

    number: int
    lines: tuple[AimLine, ...]
    target: str
    target_state: State | None
    sharpness: float | None
    still: bool
    jpeg: bytes
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class _Anchor:
    """A picture from which turns are counted, with its pose and, where it was shown, its bearing."""

    features: Features
    orientation: Orientation
    bearing_deg: float | None = None
    bearing_sd_deg: float | None = None
    visit: int = 0


@dataclass(frozen=True, slots=True)
class _Seen:
    features: Features
    measured: ImageMeasurement
    size_px: tuple[int, int]


class Aimer:
    """Measures the pictures of one camera, one after the other.

    Parameters
    ----------
    site, camera, limits
        The plan, and what is asked of the camera.
    anchor : _Anchor or None
        The signed reference.
    """

    def __init__(self, site: Site, camera: Camera, limits: Limits, anchor: _Anchor | None = None) -> None:
        self._site, self._camera, self._limits = site, camera, limits
        self._intended = intended_pose(camera)
        self._lens = planned_lens(camera, limits)
        self._anchor = anchor
        self._number = 0
        self._pose = AimPose(self._lens)
        self._still = False
        self._recent: OrderedDict[int, _Seen] = OrderedDict()

    @property
    def landmarks(self) -> tuple[str, ...]:
        """What can be tapped in the picture, the camera's targets first."""
        return tuple(place.landmark for place in landmarks_of(self._site, self._camera))

    def look(self, pixels: NDArray[np.uint8], size_px: tuple[int, int]) -> Aimed:
        """Measure a fresh picture, or follow it from those that were measured.

        Parameters
        ----------
        pixels : ndarray, shape (H, W, 3), uint8
            The picture, its long side about :data:`audit.measure.image.MEASURE_SIDE_PX`.
        size_px : (width, height)
            Of the picture as it came.

        Raises
        ------
        AuditError
            Where the picture has another shape than the plan says, so that no angle in it can be trusted.
        """
        self._refuse_other_shape(size_px)
        self._number += 1
        features = _features(pixels, self._lens)
        measured = self._pose.see(pixels, features)
        self._still = still = self._stands_still(features)
        turn = self._turn_since(features)
        seen = _Seen(features, measured, size_px)
        self._remember(seen)
        found = {f.check: f for f in pose_findings(self._camera, self._evidence(seen, turn), self._limits)}
        bearing = found["pan"].measured if "pan" in found else None
        self._move_on(features, measured.orientation, turn, found.get("pan"))
        target = found.get("target") if bearing is not None else None
        return Aimed(
            number=self._number,
            lines=tuple(self._line(axis, found.get(check)) for axis, check in _CHECKS.items()),
            target="" if target is None else target.why,
            target_state=None if target is None else target.state,
            sharpness=measured.clarity.sharpness,
            still=still,
            jpeg=self._drawn(pixels, measured, bearing),
            width_px=size_px[0],
            height_px=size_px[1],
        )

    def settle(self) -> None:
        """After the answer, while nobody waits: measure the picture of now by itself where that tells something new."""
        self._pose.settle(self._still)

    def point(self, number: int, landmark: str, at: tuple[float, float]) -> None:
        """Take a tap on a thing of the plan, from which the bearing follows; it is kept nowhere.

        Parameters
        ----------
        number : int
            Of the picture that was tapped.
        at : (column, row)
            Share of the picture's width and height, 0..1.

        Raises
        ------
        AuditError
            Where the picture is too long ago, the plan has no such thing, or the tap can't be true.
        """
        seen, place = self._recent.get(number), place_of(self._site, self._camera, landmark)
        if place is None:
            raise AuditError(f"{self._camera.camera}: the plan has no '{landmark}' to point out.")
        if seen is None:
            raise AuditError("That picture is some seconds old; tap in the picture of now.")
        width, height = seen.size_px
        tap = Pointed(landmark, place, "now", (at[0] * width - 0.5, at[1] * height - 0.5), seen.size_px)
        evidence = replace(self._evidence(seen, None), pointed=(tap,))
        known = panned(self._camera, evidence, self._intended, seen.measured.orientation, self._limits)
        if known.bearing_deg is None or known.bearing_sd_deg is None:
            raise AuditError(" ".join(r.reason for r in known.refused) or f"'{landmark}' tells no bearing here; tap another thing.")
        self._anchor = _Anchor(seen.features, seen.measured.orientation, known.bearing_deg, known.bearing_sd_deg)

    def _refuse_other_shape(self, size_px: tuple[int, int]) -> None:
        width, height = size_px
        planned = self._camera.lens.width_px / self._camera.lens.height_px
        if abs(width / height / planned - 1) > _SHAPE_TOLERANCE:
            raise AuditError(
                f"{self._camera.camera}: gives a picture of {width} × {height} px, the plan says "
                f"{self._camera.lens.width_px} × {self._camera.lens.height_px}: another stream, or cut; set the planned one first."
            )

    def _remember(self, seen: _Seen) -> None:
        self._recent[self._number] = seen
        while len(self._recent) > _REMEMBERED:
            self._recent.popitem(last=False)

    def _evidence(self, seen: _Seen, turn: ViewChange | None) -> CameraEvidence:
        snapshot = Snapshot("now", "", *seen.size_px, None, False, seen.measured)
        plain = CameraEvidence(snapshots=(snapshot,), can_point=bool(self.landmarks))
        if turn is None or self._anchor is None:
            return plain
        anchor = self._anchor
        shown = None
        if anchor.bearing_deg is not None and anchor.bearing_sd_deg is not None:
            shown = ShownBearing(anchor.bearing_deg, anchor.bearing_sd_deg, anchor.visit)
        return replace(
            plain,
            comparisons=(Comparison("anchor", "now", False, turn),),
            reference_orientation=anchor.orientation,
            reference_bearing=shown,
        )

    def _stands_still(self, features: Features) -> bool:
        before = next(reversed(self._recent.values()), None)
        if before is None:
            return False
        found = register_features(before.features, features)
        return found.same_view_probability >= SURELY_THE_SAME and turned_deg(found.rotation) < STILL_DEG

    def _turn_since(self, features: Features) -> ViewChange | None:
        """The turn since the anchor; None without one, or where the two pictures share too little."""
        if self._anchor is None:
            return None
        found = register_features(self._anchor.features, features)
        if found.same_view_probability < _THE_SAME:
            return None
        pose = self._anchor.orientation
        change, sd = pose_change_deg(found.rotation, found.rotation_sd_deg, pose.pitch_deg or 0.0, pose.roll_deg or 0.0)
        return ViewChange(
            found.same_view_probability,
            pan_change_deg=float(change[0]), pan_change_sd_deg=float(sd[0]), pitch_change_deg=float(change[1]),
            pitch_change_sd_deg=float(sd[1]), roll_change_deg=float(change[2]), roll_change_sd_deg=float(sd[2]),
        )  # fmt: skip

    def _move_on(self, features: Features, now: Orientation, turn: ViewChange | None, pan: Finding | None) -> None:
        """Count on from the picture of now, before the view turns out of the anchor's."""
        if self._anchor is None or turn is None or (turn.same_view_probability or 0.0) < SURELY_THE_SAME:
            return
        turned = math.hypot(turn.pan_change_deg or 0.0, turn.pitch_change_deg or 0.0)
        if turned < FAR_SHARE * self._lens.hfov_deg or now.pitch_deg is None:
            return
        if pan is not None and pan.measured is not None:
            self._anchor = _Anchor(features, now, wrap_bearing_deg(pan.measured), pan.measured_sd, self._anchor.visit)

    def _line(self, axis: Axis, found: Finding | None) -> AimLine:
        if found is None:
            return AimLine(axis, "not verified", None, None, None, _NOT_HELD_TO)
        if axis == "pan" and found.measured is None:
            note = _TAP.format(self.landmarks[0]) if self.landmarks else _NOTHING_TO_TAP
            return AimLine(axis, found.state, None, None, found.limit, note)
        if found.measured is None or found.planned is None:
            why = found.why.removeprefix(_SAID_ALREADY)
            return AimLine(axis, found.state, None, found.measured_sd, found.limit, why[:1].upper() + why[1:])
        off = bearing_difference_deg(found.measured, found.planned)
        plumb = straight_down(self._camera, self._intended.pitch_deg)
        return AimLine(axis, found.state, None if plumb else -off, found.measured_sd, found.limit, found.why)

    def _drawn(self, pixels: NDArray[np.uint8], measured: ImageMeasurement, bearing_deg: float | None) -> bytes:
        scale = min(1.0, _SHOWN_SIDE_PX / max(pixels.shape[:2]))
        size = round(pixels.shape[1] * scale), round(pixels.shape[0] * scale)
        small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        drawing = Drawing(("planned horizon", "measured horizon", "targets"), bearing_deg=bearing_deg)
        drawn = evidence_picture(small, self._camera, self._intended.pose, measured, drawing)
        return encode_jpeg(drawn, _SHOWN_QUALITY)


def aimer_of(logbook: Logbook, camera: str) -> Aimer:
    """The aimer of a camera of the logbook's plan, with its signed reference where there is one.

    Raises
    ------
    AuditError
        Where the plan has no such camera.
    """
    site = logbook.site()
    if camera not in site:
        raise AuditError(f"the plan has no camera '{camera}'.")
    planned = site.camera(camera)
    visits = logbook.visits()
    if not visits:
        return Aimer(site, planned, load_limits())
    visit = visits[-1]
    limits = logbook.limits(visit)
    return Aimer(site, planned, limits, _signed(logbook, site, planned, limits))


def _signed(logbook: Logbook, site: Site, camera: Camera, limits: Limits) -> _Anchor | None:
    """The signed day reference with its pose and what was shown of its bearing."""
    visit = logbook.visits()[-1]
    accounts = accounts_of(logbook, visit, [camera], limits)
    account = accounts[camera.camera]
    reference, pose = account.reference(night=False), account.then.get("day")
    if reference is None or pose is None:
        return None
    opened = open_photo(logbook.image(reference.sha256), reference.photo, max_side_px=MEASURE_SIDE_PX, guarded=True)
    shown = shown_before(logbook, visit, site, accounts).before.get((reference.visit, camera.camera))
    features = _features(opened.pixels, planned_lens(camera, limits))
    if shown is None:
        return _Anchor(features, pose, visit=reference.visit)
    return _Anchor(features, pose, shown.bearing_deg, shown.bearing_sd_deg, reference.visit)


def _features(pixels: NDArray[np.uint8], lens: Lens) -> Features:
    grey = grey_at_work_size(pixels)
    size = grey.shape[1], grey.shape[0]
    burnt = cv2.resize(burned_in(pixels).mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_NEAREST)
    return detect_features(grey, lens.resized(*size), np.asarray(burnt, np.uint8))

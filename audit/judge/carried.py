"""Where a camera looks today by way of its signed reference: the reference's pose, and the turn measured since."""

from __future__ import annotations

import math
from dataclasses import replace

from audit.frames import bearing_difference_deg
from audit.judge.evidence import CameraEvidence, Comparison
from audit.judge.limits import Limits
from audit.measure.measurement import Orientation
from audit.measure.several import SHARED, combine_orientations

__all__ = ["NIGHT_SNAPSHOT", "SIGNED_REFERENCE", "TODAY_TOO", "shows_the_view", "todays_orientation"]

SIGNED_REFERENCE = "signed reference"
"""The cue that names this way in a finding."""
TODAY_TOO = "today's own answer"
"""The cue of a mean of both ways."""
NIGHT_SNAPSHOT = "night snapshot"
"""The cue of a pose that the day pictures don't give and the night snapshot of the same visit does."""
#: Standard deviations from which today's own answer and the carried one contradict each other.
_CONTRADICT_SD = 3.0


def shows_the_view(comparison: Comparison, limits: Limits) -> bool:
    """Whether a comparison is sure enough that it shows the reference's view for its turn to count."""
    probability = comparison.change.same_view_probability
    return probability is not None and probability >= limits.movement.same_view_probability


def todays_orientation(evidence: CameraEvidence, limits: Limits) -> Orientation | None:
    """The surer of what today's pictures say and what the signed reference says with the turn since, or their mean.

    Today's own answer is that of the day pictures, or of the night snapshot where none of them tells or none is here. The
    two look at the same scene and share most of its errors, so the mean, taken as of several snapshots of one view, is hardly surer
    than they are, and one that is much surer counts alone; but which of two about equally unsure ones counts is not
    left to chance. Where they contradict each other, today's own answer stands with an sd wide enough to hold both.

    Returns
    -------
    Orientation or None
        None without a snapshot. Angles in degrees, conventions of :mod:`audit.frames`.
    """
    day, night = evidence.day, evidence.night
    own = None if day is None else evidence.orientation or day.measured.orientation
    if night is not None and (
        own is None or (own.pitch_deg is None and night.measured.orientation.pitch_deg is not None)
    ):
        by_night = night.measured.orientation
        own = replace(by_night, cues=(*by_night.cues, NIGHT_SNAPSHOT))
    if own is None:
        return None
    carried = _carried(evidence, limits, own)
    if carried is None or carried.pitch_deg is None or carried.pitch_sd_deg is None:
        return own
    if own.pitch_deg is None or own.pitch_sd_deg is None:
        return carried
    apart, sd = abs(own.pitch_deg - carried.pitch_deg), math.hypot(own.pitch_sd_deg, carried.pitch_sd_deg)
    if apart > _CONTRADICT_SD * sd:
        return replace(own, pitch_sd_deg=max(own.pitch_sd_deg, apart / _CONTRADICT_SD))
    sds = own.pitch_sd_deg, carried.pitch_sd_deg
    surer = own if sds[0] <= sds[1] else carried
    if min(sds) < SHARED * max(sds):
        return surer
    mean = combine_orientations((own, carried))
    if mean.pitch_deg is None:
        return surer
    return replace(mean, cues=(SIGNED_REFERENCE, TODAY_TOO, *own.cues))


def _carried(evidence: CameraEvidence, limits: Limits, own: Orientation) -> Orientation | None:
    then = evidence.reference_orientation
    since = next((c.change for c in evidence.comparisons if not c.night and shows_the_view(c, limits)), None)
    if then is None or then.pitch_deg is None or then.pitch_sd_deg is None or since is None:
        return None
    if since.pitch_change_deg is None or since.pitch_change_sd_deg is None:
        return None
    roll = roll_sd = None
    if then.roll_deg is not None and since.roll_change_deg is not None:
        roll = bearing_difference_deg(then.roll_deg, -since.roll_change_deg)
    if then.roll_sd_deg is not None and since.roll_change_sd_deg is not None:
        roll_sd = math.hypot(then.roll_sd_deg, since.roll_change_sd_deg)
    return Orientation(
        roll,
        roll_sd,
        then.pitch_deg + since.pitch_change_deg,
        math.hypot(then.pitch_sd_deg, since.pitch_change_sd_deg),
        None,
        own.lens,
        (SIGNED_REFERENCE, "turn against it"),
        k1=own.k1,
        k1_sd=own.k1_sd,
    )

"""One orientation from several looks at one view, whose errors they mostly share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from audit.measure.constants import constants
from audit.measure.measurement import Orientation

__all__ = ["SHARED", "combine_orientations"]

SHARED = constants()["answer"]["shared_between_snapshots"]
"""Share of the error variance that looks at one view have in common. A mean with a look whose sd is the surest one's by more
than the reciprocal of this says less than the surest alone."""


def combine_orientations(orientations: Sequence[Orientation]) -> Orientation:
    """One orientation of a camera from several snapshots of the same view.

    Snapshots of one view share the scene and the lens, so most of their error is common: the combined standard
    deviation falls only by the part that is not. Snapshots that contradict each other widen it.

    Parameters
    ----------
    orientations : sequence of Orientation
        At least one; those not measured are left out.

    Returns
    -------
    Orientation
        Not measured where none was; the segments of the surest snapshot.

    Raises
    ------
    ValueError
        If the sequence is empty.
    """
    if not orientations:
        raise ValueError("no orientation to combine")
    answered = [o for o in orientations if o.pitch_deg is not None]
    if not answered:
        return orientations[0]
    if len(answered) == 1:
        return answered[0]
    rolls = [o for o in answered if o.roll_deg is not None]
    roll, roll_sd = None, None
    if rolls:
        roll, roll_sd = _pooled([o.roll_deg for o in rolls], [o.roll_sd_deg for o in rolls], SHARED)
    pitch, pitch_sd = _pooled([o.pitch_deg for o in answered], [o.pitch_sd_deg for o in answered], SHARED)
    surest = min(answered, key=lambda o: o.pitch_sd_deg or 0.0)
    if max(roll_sd or 0.0, pitch_sd) > constants()["answer"]["most_sd_deg"]:
        return replace(surest, roll_deg=None, roll_sd_deg=None, pitch_deg=None, pitch_sd_deg=None,
                       note="The snapshots of this camera contradict each other.")
    cues = (*surest.cues, f"{len(answered)} snapshots")
    return replace(surest, roll_deg=roll, roll_sd_deg=roll_sd, pitch_deg=pitch, pitch_sd_deg=pitch_sd, cues=cues)


def _pooled(values: Sequence[float | None], sds: Sequence[float | None], shared: float) -> tuple[float, float]:
    """Weighted mean and its sd where a share of each variance is common to all."""
    x = np.array(values, dtype=np.float64)
    sd = np.array(sds, dtype=np.float64)
    own = (1 - shared) * sd**2
    weight = 1 / own
    mean = float((weight * x).sum() / weight.sum())
    spread = float((weight * (x - mean) ** 2).sum()) / max(x.size - 1, 1)
    common = shared * float((weight * sd**2).sum() / weight.sum())
    return mean, float(np.sqrt(common + max(1.0, spread) / weight.sum()))

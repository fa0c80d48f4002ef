"""How far the best up direction may be off, as one standard deviation of roll and of pitch.

Curvature says how sharp a maximum is, not whether it is the right one, nor whether what looks upright is. The stated
sd is a power law of four plain facts of the fit; its exponents are measured (``orientation.toml``), one table
with the learned view and one for straight edges alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.measure.constants import constants
from audit.measure.up_direction import Evidence

__all__ = ["own_sd_deg", "scatter_facts"]

FloatArray = NDArray[np.float64]

_CALM = 4.0
"""Chi-square (two degrees of freedom) up to which cues are taken to agree."""


def scatter_facts(evidence: Evidence) -> FloatArray:
    """Facts of roll and of pitch, shape (2, 5).

    1, log of the curvature's sd (wider where the cues disagree), log of the spread of all hypotheses, the upright
    edges' own scatter over that of buildings, and log of one more than their number.
    """
    apart = 0.5 * np.log(max(evidence.disagreement / _CALM, 1.0))
    # as the table was fitted, training.calibrate_orientation
    rows = [[1.0, float(np.log(np.sqrt(variance) + 0.02) + apart), float(np.log(evidence.spread_deg + 0.1)),
             evidence.fit.scatter, float(np.log1p(evidence.fit.upright.sum()))] for variance in np.diag(evidence.covariance_deg2)]
    return np.array(rows)


def own_sd_deg(evidence: Evidence) -> tuple[float, float]:
    """Standard deviations of roll and pitch in degrees, the lens taken as known."""
    table = constants()
    suffix = "edges" if evidence.learned_sd_deg is None else "all"
    floors = table["answer"]["roll_floor_deg"], table["answer"]["pitch_floor_deg"]
    sd = [
        # sds between a four-hundredth and 400 degrees
        float(np.hypot(np.exp(np.clip(facts @ np.array(list(table[f"sd_{name}_{suffix}"].values())), -6.0, 6.0)), floor))
        for name, facts, floor in zip(("roll", "pitch"), scatter_facts(evidence), floors, strict=True)
    ]
    return sd[0], sd[1]

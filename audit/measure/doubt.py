"""How likely the best up direction of straight edges alone is wrong altogether (by more than 5 degrees).

Curvature says how sharp a maximum is, not whether it is the right one. A logistic model over a few plain facts of
the fit does; its weights are measured (``orientation.toml``).
"""

from __future__ import annotations

import numpy as np

from audit.measure.up_direction import Evidence, constants

__all__ = ["doubt", "facts"]


def facts(evidence: Evidence) -> dict[str, float]:
    """The facts that the model weighs, each of order one."""
    roll_var, pitch_var = np.diag(evidence.covariance_deg2)
    return {
        "lead": min(evidence.lead, 20.0) / 10,
        "roll_sd": float(np.log(np.sqrt(roll_var) + 0.02)),
        "pitch_sd": float(np.log(np.sqrt(pitch_var) + 0.02)),
        "uprights": float(np.log1p(evidence.fit.upright.sum())),
        "upright_gain": float(np.log1p(max(evidence.fit.upright_gain, 0.0))),
        "edges": float(np.log1p(len(evidence.edges))),
        "roll": abs(evidence.roll_deg) / 10,
        "attitude": max(-35.0 - evidence.pitch_deg, evidence.pitch_deg - 10.0, 0.0) / 10,
    }


def doubt(evidence: Evidence) -> float:
    """Probability that an answer of edges alone is more than 5 degrees off, 0 to 1."""
    table = constants()["doubt"]
    values = facts(evidence)
    total = table["always"] + sum(weight * values[name] for name, weight in table.items() if name != "always")
    return float(1 / (1 + np.exp(-np.clip(total, -50, 50))))

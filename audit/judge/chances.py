"""Probabilities that a camera is out of its limits, from measured values and their sds.

Normal errors; one-dimensional limits in closed form, what passes through optics by quasi-random draws (a Sobol
sequence with one fixed shift, so that the same measurement always gets the same verdict).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from audit.judge.finding import State
from audit.judge.limits import Limits
from audit.plan import optics
from audit.plan.model import Camera
from audit.plan.optics import Pose

__all__ = ["PoseBelief", "TargetChance", "above", "open_sky_belief", "outside", "state_of", "target_chances", "weighed"]

FloatArray = NDArray[np.float64]

#: ``sobol.npz`` holds the sequence's first points in four dimensions, times their number: SciPy, which made them (``scipy.stats.qmc``),
#: takes a fifth of a second of processor time to load that part of it.
_DRAWS_LOG2 = 11
_SEED = 20260616


@dataclass(frozen=True, slots=True)
class PoseBelief:
    """What is known of a camera's pose: middle values and sds in degrees, independent normal errors.

    ``hfov_sd_fraction`` is the sd of the angle of view as a share of it. ``covariance`` of bearing, pitch and roll,
    square degrees, where their errors hang together; then the sds are its diagonal's roots.
    """

    pose: Pose
    bearing_sd_deg: float
    pitch_sd_deg: float
    roll_sd_deg: float
    hfov_sd_fraction: float = 0.0
    covariance: tuple[tuple[float, float, float], ...] | None = None

    def draws(self) -> tuple[FloatArray, FloatArray]:
        """Poses (N, 3) in degrees and factors on the focal length (N,)."""
        z = _standard_normals()
        middle = np.array([self.pose.bearing_deg, self.pose.pitch_deg, self.pose.roll_deg])
        if self.covariance is None:
            spread = z[:, :3] * np.array([self.bearing_sd_deg, self.pitch_sd_deg, self.roll_sd_deg])
        else:
            values, axes = np.linalg.eigh(np.array(self.covariance))
            spread = (z[:, :3] * np.sqrt(np.maximum(values, 0.0))) @ axes.T
        # an angle of view may be off by much, and never turns round
        return middle + spread, 1.0 / np.maximum(0.2, 1.0 + z[:, 3] * self.hfov_sd_fraction)


@dataclass(frozen=True, slots=True)
class TargetChance:
    """How likely a target is lost.

    Attributes
    ----------
    held_by_plan : bool
        Whether the intended pose keeps it in the picture and dense enough; where not, nothing can be lost.
    lost, out_of_frame, too_coarse : float
        Probabilities: lost = out of the picture or below the needed density.
    px_per_m, px_per_m_sd : float or None
        Density over the draws in which the lens images it.
    """

    target: str
    held_by_plan: bool
    lost: float
    out_of_frame: float
    too_coarse: float
    px_per_m: float | None
    px_per_m_sd: float | None


@cache
def _standard_normals() -> FloatArray:
    with np.load(BytesIO(files("audit.judge").joinpath("sobol.npz").read_bytes())) as kept:
        points = kept["points"] / 2.0**_DRAWS_LOG2
    shifted = (points + np.random.default_rng(_SEED).random(4)) % 1.0
    return np.asarray(ndtri(np.clip(shifted, 1e-9, 1 - 1e-9)), dtype=np.float64)


def state_of(probability: float, limits: Limits) -> State:
    """``defect`` from the upper probability, ``as planned`` up to the lower one, ``to check`` between."""
    if probability >= limits.defect_at_least:
        return "defect"
    return "as planned" if probability <= limits.as_planned_at_most else "to check"


_BY_DOUBT = 2.0
"""Less than so many times the chance that a perfect result would have left is the doubt's doing, not the camera's (chosen)."""


def weighed(probability: float, at_best: float, limits: Limits, *, even_if_likely: bool = False) -> State:
    """As :func:`state_of`, but a measurement too vague to pass even a perfect camera must be surer to condemn one.

    Short of that it is to check, or not verified at all. Nor is there anything to check where the doubt alone all but keeps it
    from passing: it is not verified then.

    Parameters
    ----------
    probability : float
        P(out of limits) as measured.
    at_best : float
        The same, had the measurement come out exactly as planned with the same sd.
    even_if_likely : bool
        Whether a vague measurement is not verified whatever it says. Otherwise it is still to check where it leaves
        the camera less than half the chance of being good that a perfect result would have left it.
    """
    if at_best <= limits.as_planned_at_most:
        state = state_of(probability, limits)
        return "not verified" if state == "to check" and probability < _BY_DOUBT * at_best else state
    if probability >= limits.defect_if_vague:
        return "defect"
    return "not verified" if even_if_likely or probability < (1 + at_best) / 2 else "to check"


def outside(measured: float, sd: float, low: float, high: float) -> float:
    """P(true value outside low..high) of a measurement with a normal error."""
    spread = max(sd, 1e-9)
    return float(ndtr((low - measured) / spread) + ndtr((measured - high) / spread))


def above(measured: float, sd: float, limit: float) -> float:
    """P(true value above a limit) of a measurement with a normal error."""
    return float(ndtr((measured - limit) / max(sd, 1e-9)))


def target_chances(
    camera: Camera, intended: Pose, belief: PoseBelief, limits: Limits, seen: Collection[str] = ()
) -> tuple[TargetChance, ...]:
    """For each target, how likely the believed pose loses it.

    Parameters
    ----------
    seen : collection of str
        Targets that were seen in the picture: they are in it whatever the pose.
    """
    if not camera.targets:
        return ()
    planned_in, planned_density = optics.under_poses(
        camera, [[intended.bearing_deg, intended.pitch_deg, intended.roll_deg]]
    )
    inside, density = optics.under_poses(camera, *belief.draws())
    found = []
    for index, target in enumerate(camera.targets):
        need = target.required_px_per_m
        out = ~inside[:, index] & (target.name not in seen)
        coarse = np.zeros(len(out), bool)
        held = bool(planned_in[0, index])
        if need is not None:
            least = need * limits.target.density_fraction
            held = held and bool(planned_density[0, index] >= least)
            coarse = ~out & ~(density[:, index] >= least)
        known = density[np.isfinite(density[:, index]), index]
        found.append(
            TargetChance(
                target.name,
                held,
                float(np.mean(out | coarse)),
                float(np.mean(out)),
                float(np.mean(coarse)),
                float(known.mean()) if len(known) else None,
                float(known.std()) if len(known) else None,
            )
        )
    return tuple(found)


def open_sky_belief(camera: Camera, belief: PoseBelief) -> tuple[float, float]:
    """Share of the picture above the horizon that the believed pose gives, and its sd."""
    poses, _ = belief.draws()
    # the first points of a Sobol sequence fill space evenly, every eighth one does not (its pitch scattered a third too far)
    chosen = poses[: len(poses) // 8]
    shares = optics.open_sky_under_poses(camera.lens, chosen[:, 1], chosen[:, 2])
    return float(shares.mean()), float(shares.std())

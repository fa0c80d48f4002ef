"""Several pictures of one place while the camera was turned a little: dirt stays to the pixel while the scene moves.

Each picture is laid over each other one by its registration; what the glass carries then lies beside itself, and the network
for pairs sees it as if it had come since. The more pictures, the steadier the mean of its answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.dirt_model import Verdict
from audit.measure.dirt_network import pair_verdict
from audit.measure.lasting import Lasting, lasting
from audit.measure.registration import detect_features, grey_at_work_size, reference_in_today, register_features
from audit.measure.transfer import log_luminance

__all__ = ["seen_while_turned", "while_turned"]

Floats = NDArray[np.float32]
_HFOV_DEG = 60.0
_SAME_VIEW, _LEAST_TURN_DEG = 0.5, 0.4
_PAIR_WEIGHT, _EVEN, _STEEPNESS = 0.5, 3.0, 0.6


def seen_while_turned(pictures: Sequence[NDArray[np.uint8]], logs: Sequence[Floats]) -> float | None:
    """Mean log odds that each picture is spoilt, seen against the others laid over it.

    None unless most of them show one place and the camera was turned between them. Pictures (H, W, 3) are of one size, ``logs`` their
    log luminance (H, W).
    """
    height, width = pictures[0].shape[:2]
    greys = [grey_at_work_size(p) for p in pictures]
    lens = Lens(greys[0].shape[1], greys[0].shape[0], _HFOV_DEG, source="assumed")
    features = [detect_features(grey, lens) for grey in greys]
    odds, turns = [], []
    for own, other in permutations(range(len(pictures)), 2):
        found = register_features(features[other], features[own])
        if found.same_view_probability < _SAME_VIEW:
            continue
        turns.append(float(np.degrees(np.arccos(np.clip((np.trace(found.rotation) - 1) / 2, -1, 1)))))
        placed = replace(found, reference_lens=found.reference_lens.resized(width, height),
                         today_lens=found.today_lens.resized(width, height))
        laid, reach = reference_in_today(placed, pictures[other])
        odds.append(log_odds(pair_verdict("dirt_pair", laid, pictures[own], log_luminance(laid), logs[own], reach)))
    enough = len(odds) >= len(pictures) * (len(pictures) - 1) / 2
    return float(np.mean(odds)) if enough and float(np.median(turns)) >= _LEAST_TURN_DEG else None


def while_turned(seen: Verdict, common: Lasting, alone: Sequence[Verdict], turned: float) -> Verdict:
    """The series' verdict, what stays in place, each picture alone and the laid-over pairs as one verdict.

    The even point is set so that of clean series of the part ``tune`` at most one in a hundred is called dirty.
    """
    total = log_odds(seen) + lasting(common) + float(np.mean([log_odds(v) for v in alone])) + _PAIR_WEIGHT * turned
    dirty = float(1 / (1 + np.exp(-_STEEPNESS * (total - _EVEN))))
    others = seen.kinds[1:] / max(float(seen.kinds[1:].sum()), 1e-6)
    return Verdict(np.concatenate([[1 - dirty], dirty * others]).astype(np.float32), seen.cells)


def log_odds(verdict: Verdict) -> float:
    """Log odds that a verdict says dirty."""
    return float(np.log(max(verdict.dirty, 1e-6) / max(float(verdict.kinds[0]), 1e-6)))

"""Several pictures of one place while the camera was turned a little: dirt stays to the pixel while the scene moves.

Each picture is laid over each other one by its registration. What the glass carries then lies beside itself: the network for pairs
sees it as if it had come since, and what remains of each picture less the others agrees at equal places (:mod:`.remaining`). A
small logistic model joins both with the series' network, with what stays in place and with each picture alone
(:mod:`training.dirt.fit_turned`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.dirt_model import Verdict
from audit.measure.dirt_network import pair_verdict
from audit.measure.lasting import Lasting, lasting
from audit.measure.logistic import log_odds_of
from audit.measure.registration import (
    Registration,
    detect_features,
    grey_at_work_size,
    reference_in_today,
    register_features,
)
from audit.measure.remaining import REMAINING_MAPS, remaining_features
from audit.measure.transfer import log_luminance

__all__ = ["TURNED_NAMES", "Turned", "one_place", "registered_pairs", "seen_while_turned", "turn_deg", "turned_features", "while_turned"]

Floats = NDArray[np.float32]
Pairs = Mapping[tuple[int, int], Registration]
_HFOV_DEG = 60.0
_SAME_VIEW, _LEAST_TURN_DEG = 0.5, 0.4
#: Log odds of one judge are believed between these.
_FEWEST_ODDS, _MOST_ODDS = -8.0, 10.0
_BAND_MAPS, _BEST_MAPS = 4, 3
TURNED_NAMES = ("series", "lasting", "alone", "laid over", "laid over, least", "excess of the best maps",
                *(f"{figure} of {maps}" for figure in ("excess", "places", "best") for maps in ("bands", "powers")), "size")


@dataclass(frozen=True, slots=True)
class Turned:
    """What laying the pictures over one another shows.

    Attributes
    ----------
    odds : ndarray, shape (pairs,)
        Log odds that a picture is spoilt, seen against another laid over it.
    remaining : ndarray, shape (5 * len(REMAINING_MAPS),)
        What remains at equal places once the scene is taken away.
    """

    odds: NDArray[np.float64]
    remaining: NDArray[np.float64]


def registered_pairs(pictures: Sequence[NDArray[np.uint8]]) -> dict[tuple[int, int], Registration]:
    """Registrations by (own, other) of those pictures (H, W, 3) that show one place."""
    greys = [grey_at_work_size(p) for p in pictures]
    lens = Lens(greys[0].shape[1], greys[0].shape[0], _HFOV_DEG, source="assumed")
    features = [detect_features(grey, lens) for grey in greys]
    found = {(own, other): register_features(features[other], features[own]) for own, other in permutations(range(len(pictures)), 2)}
    return {pair: each for pair, each in found.items() if each.same_view_probability >= _SAME_VIEW}


def one_place(pairs: Pairs, count: int) -> bool:
    """Whether at least half of all pairs of ``count`` pictures show one place."""
    return len(pairs) >= count * (count - 1) / 2


def turn_deg(pairs: Pairs) -> float:
    """Median turn between pictures that show one place; a lens of 60 degrees is assumed."""
    turns = [np.degrees(np.arccos(np.clip((np.trace(each.rotation) - 1) / 2, -1, 1))) for each in pairs.values()]
    return float(np.median(turns))


def seen_while_turned(pictures: Sequence[NDArray[np.uint8]], logs: Sequence[Floats], pairs: Pairs) -> Turned | None:
    """What the pictures laid over one another show; None unless they show one place and the camera was turned between them.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, shape (H, W, 3)
        Of one size.
    logs : sequence of ndarray, shape (H, W)
        Their log luminance.
    pairs : mapping
        From :func:`registered_pairs`.
    """
    if not one_place(pairs, len(pictures)) or turn_deg(pairs) < _LEAST_TURN_DEG:
        return None
    height, width = pictures[0].shape[:2]
    odds, laid = [], {}
    for (own, other), found in pairs.items():
        placed = replace(found, reference_lens=found.reference_lens.resized(width, height),
                         today_lens=found.today_lens.resized(width, height))
        moved, reach = reference_in_today(placed, pictures[other])
        log = log_luminance(moved)
        laid[own, other] = log, reach
        odds.append(log_odds(pair_verdict("dirt_pair", moved, pictures[own], log, logs[own], reach)))
    remaining = remaining_features(logs, laid)
    return None if remaining is None else Turned(np.array(odds), remaining)


def turned_features(seen: Verdict, common: Lasting, alone: Sequence[Verdict], turned: Turned) -> NDArray[np.float64]:
    """Facts in the order of :data:`TURNED_NAMES`."""
    odds = np.clip(turned.odds, _FEWEST_ODDS, _MOST_ODDS)
    judges = [log_odds(seen), lasting(common), float(np.mean([log_odds(v) for v in alone])), float(odds.mean()), float(odds.min())]
    _, excess, places, best, size = turned.remaining.reshape(len(REMAINING_MAPS), -1).T
    parts = [float(part.mean()) for figure in (excess, places, best) for part in (figure[:_BAND_MAPS], figure[_BAND_MAPS:])]
    return np.array([*np.clip(judges, _FEWEST_ODDS, _MOST_ODDS), float(np.sort(excess)[-_BEST_MAPS:].mean()), *parts, float(size.max())])


def while_turned(seen: Verdict, common: Lasting, alone: Sequence[Verdict], turned: Turned) -> Verdict:
    """The series' verdict, what stays in place, each picture alone and the pictures laid over one another as one verdict.

    Raises
    ------
    AuditError
        If the weights are missing or not what they should be.
    """
    odds = log_odds_of("dirt_turned", turned_features(seen, common, alone, turned))
    # beyond this a probability is 0 or 1
    dirty = float(1 / (1 + np.exp(-np.clip(odds, -20, 20))))
    others = seen.kinds[1:] / max(float(seen.kinds[1:].sum()), 1e-6)
    return Verdict(np.concatenate([[1 - dirty], dirty * others]).astype(np.float32), seen.cells)


def log_odds(verdict: Verdict) -> float:
    """Log odds that a verdict says dirty."""
    return float(np.log(max(verdict.dirty, 1e-6) / max(float(verdict.kinds[0]), 1e-6)))

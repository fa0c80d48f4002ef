"""Several pictures of one place while the camera was turned a little: dirt stays to the pixel while the scene moves.

Each picture is laid over each other one (:mod:`.laying`). What the glass carries then lies beside itself: the network for pairs
sees it as if it had come since, and what remains of each picture less the others agrees at equal places (:mod:`.remaining`). What
takes contrast softly shows as a field (:mod:`.flat_field`), lost focus in the detail that the pictures share
(:mod:`.shared_detail`). A small logistic model joins them with the series' network, with what stays in place and with each picture
alone (:mod:`training.dirt.fit_turned`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.dirt_model import Verdict
from audit.measure.dirt_network import pair_verdict
from audit.measure.flat_field import FIELDS, field_sizes
from audit.measure.lasting import Lasting, lasting
from audit.measure.laying import Laying, laid_over, moved_share
from audit.measure.logistic import log_odds_of
from audit.measure.remaining import REMAINING_MAPS, remaining_features
from audit.measure.shared_detail import DETAILS, shared_detail
from audit.measure.transfer import log_luminance

__all__ = ["TURNED_NAMES", "Turned", "one_place", "seen_while_turned", "turned_features", "while_turned"]

Floats = NDArray[np.float32]
Pairs = Mapping[tuple[int, int], Laying]
#: How far the scene must have moved, by the picture's width, for dirt to be told from it.
_LEAST_MOVED = 0.007
#: Log odds of one judge are believed between these.
_FEWEST_ODDS, _MOST_ODDS = -8.0, 10.0
_BAND_MAPS, _BEST_MAPS = 4, 3
TURNED_NAMES = ("series", "lasting", "alone", "laid over", "laid over, least", "excess of the best maps",
                *(f"{figure} of {maps}" for figure in ("excess", "places", "best") for maps in ("bands", "powers")), "size",
                *(f"field of {name}" for name in FIELDS), *(f"detail {fine} over {coarse}" for fine, coarse in DETAILS))


@dataclass(frozen=True, slots=True)
class Turned:
    """What laying the pictures over one another shows.

    Attributes
    ----------
    odds : ndarray, shape (pairs,)
        Log odds that a picture is spoilt, seen against another laid over it.
    remaining : ndarray, shape (5 * len(REMAINING_MAPS),)
        What remains at equal places once the scene is taken away.
    fields : ndarray, shape (len(FIELDS),)
        How much contrast and tone are taken or given softly, here more than there.
    detail : ndarray, shape (len(DETAILS),)
        How fine the detail is that the pictures share.
    """

    odds: NDArray[np.float64]
    remaining: NDArray[np.float64]
    fields: NDArray[np.float64]
    detail: NDArray[np.float64]


def one_place(pairs: Pairs, count: int) -> bool:
    """Whether at least half of all pairs of ``count`` pictures show one place."""
    return len(pairs) >= count * (count - 1) / 2


def seen_while_turned(pictures: Sequence[NDArray[np.uint8]], logs: Sequence[Floats], pairs: Pairs,
                      ignore: NDArray[np.bool_] | None = None) -> Turned | None:
    """What the pictures laid over one another show; None unless they show one place and the camera was turned between them.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, shape (H, W, 3)
        Of one size.
    logs : sequence of ndarray, shape (H, W)
        Their log luminance.
    pairs : mapping
        From :func:`audit.measure.laying.laid_pairs`.
    ignore : ndarray of bool, shape (H, W), optional
        True where something is burnt in: it stays without being dirt.
    """
    shape, count = logs[0].shape, len(pictures)
    if not one_place(pairs, count) or np.median([moved_share(each, shape) for each in pairs.values()]) < _LEAST_MOVED:
        return None
    keep = np.ones(shape, bool) if ignore is None else ~ignore
    odds, laid = [], {}
    for (own, other), found in pairs.items():
        moved, reach = laid_over(found, pictures[other], keep)
        log = log_luminance(moved)
        laid[own, other] = log, reach & keep
        # each picture against one other: both ways round tell the same
        if (other - own) % count == 1:
            odds.append(log_odds(pair_verdict("dirt_pair", moved, pictures[own], log, logs[own], reach & keep)))
    remaining = remaining_features(logs, laid)
    if remaining is None or not odds:
        return None
    return Turned(np.array(odds), remaining, field_sizes(logs, pairs, keep), shared_detail(logs, pairs, keep))


def turned_features(seen: Verdict, common: Lasting, alone: Sequence[Verdict], turned: Turned) -> NDArray[np.float64]:
    """Facts in the order of :data:`TURNED_NAMES`."""
    odds = np.clip(turned.odds, _FEWEST_ODDS, _MOST_ODDS)
    judges = [log_odds(seen), lasting(common), float(np.mean([log_odds(v) for v in alone])), float(odds.mean()), float(odds.min())]
    _, excess, places, best, size = turned.remaining.reshape(len(REMAINING_MAPS), -1).T
    parts = [float(part.mean()) for figure in (excess, places, best) for part in (figure[:_BAND_MAPS], figure[_BAND_MAPS:])]
    return np.array([*np.clip(judges, _FEWEST_ODDS, _MOST_ODDS), float(np.sort(excess)[-_BEST_MAPS:].mean()), *parts, float(size.max()),
                     *turned.fields, *turned.detail])


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

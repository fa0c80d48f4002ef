"""What a visit's own photos teach about its crew and phones: errors, pace, order of the walk.

Fitted to walks drawn from the current belief (Monte Carlo expectation-maximisation), always held near common values,
so that a small visit hardly moves them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audit.match.drawn import Rule
from audit.match.evidence import PhotoArrays, Settings, SiteArrays
from audit.match.factors import BURST_SPREAD, LEAST_GAP_S
from audit.match.learnt_pace import burst_steps, learn_missed, learn_pace, learn_stays
from audit.match.learnt_places import learn_directions, learn_positions
from audit.match.sampling import Draws
from audit.match.shot_order import learn_shot_order
from audit.match.shown import Shown
from audit.match.walk import Chain

__all__ = ["Lesson", "burst_steps", "first_settings", "learn", "rule_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Photos of drawn walks that are learnt from, and the least and the most walks (for time).
_LEARN_PHOTOS, _LEAST_WALKS, _MOST_WALKS = 30_000, 2, 24
#: The three bells of gaps: fewer gaps than this teach nothing; longer ones count as this long; rounds of fitting; what keeps a
#: sum above 0.
_LEAST_GAPS, _LONGEST_GAP_S, _EM_STEPS, _NO_MASS = 20, 3600.0, 60, 1e-300
#: Shares of bursts, stays and moves to start from; gaps that they are worth; gaps that a usual middle and spread are worth
#: (chosen: a dozen photos move them, a hundred outweigh them).
_SHARES, _SHARES_WORTH, _MIDDLE_WORTH, _SPREAD_WORTH = (0.05, 0.6, 0.35), (2.0, 12.0, 7.0), 5, 30
#: Bells of stays and moves nearer than this, in the logarithm of the gap, are not told apart.
_LEAST_APART = 0.35
#: Shares of bursts among gaps of stays, and of stays among all gaps, are believed between these.
_BURSTS, _STAYS = (0.01, 0.5), (0.3, 0.9)


def rule_of(settings: Settings) -> Rule:
    """What ties whole walks together, under some settings."""
    n = np.arange(len(settings.lengths))
    plain = settings.stay_share**n * (1 - settings.stay_share)
    plain[-1] = settings.stay_share ** n[-1]
    return Rule(settings.missed_share, settings.again_share, np.array(settings.lengths) / plain, settings.habit)


def first_settings(photos: PhotoArrays, chain: Chain) -> Settings:
    """Settings whose pace comes from the gaps between photos alone: bursts, photos of one stay, and moves.

    A mixture of three bells in the logarithm of the gap, held to common values.
    """
    base = Settings()
    gap = np.diff(photos.time_s[chain.photo], prepend=np.nan)
    gap = gap[~chain.cut & ~np.isnan(gap)]
    if gap.size < _LEAST_GAPS:
        return base
    value = np.log(np.clip(gap, LEAST_GAP_S, _LONGEST_GAP_S))
    middle = np.log([base.burst_gap_s, base.stay_gap_s, base.move_gap_s])
    spread = np.array([BURST_SPREAD, base.stay_gap_spread, base.move_gap_spread])
    share = np.array(_SHARES)
    anchor = middle.copy()
    for _ in range(_EM_STEPS):
        bells = share * np.exp(-0.5 * ((value[:, None] - middle) / spread) ** 2) / spread
        part = bells / (bells.sum(axis=1, keepdims=True) + _NO_MASS)
        mass = part.sum(axis=0)
        middle = (part.T @ value + anchor * _MIDDLE_WORTH) / (mass + _MIDDLE_WORTH)
        variance = (part * (value[:, None] - middle) ** 2).sum(axis=0)
        spread = np.sqrt((variance + BURST_SPREAD**2 * _SPREAD_WORTH) / (mass + _SPREAD_WORTH))
        middle[0], spread[0] = anchor[0], BURST_SPREAD
        share = (mass + np.array(_SHARES_WORTH)) / (mass.sum() + sum(_SHARES_WORTH))
    if middle[2] - middle[1] < _LEAST_APART:
        return base
    return replace(base, stay_gap_s=math.exp(middle[1]), stay_gap_spread=float(spread[1]),
                   move_gap_s=math.exp(middle[2]), move_gap_spread=float(spread[2]),
                   burst_share=float(np.clip(share[0] / (share[0] + share[1]), *_BURSTS)),
                   stay_share=float(np.clip(share[0] + share[1], *_STAYS)))


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a round of drawing brought.

    Attributes
    ----------
    settings : Settings
        The belief under which ``draws`` were made.
    start : Settings
        What the pace is held to.
    draws : Draws
        Some tens of walks.
    wanted : float array (N,)
        Expected stays at each camera without the one-visit rule: tells which cameras lie on the walk at all.
    coded : int array (T,)
        Camera whose label each photo shows, -1 for none.
    """

    settings: Settings
    start: Settings
    draws: Draws
    wanted: FloatArray
    coded: IntArray


def learn(site: SiteArrays, photos: PhotoArrays, chain: Chain, lesson: Lesson) -> Settings:
    """Settings that fit the drawn walks."""
    draws = lesson.draws
    kept = int(np.clip(_LEARN_PHOTOS // draws.place.shape[1], _LEAST_WALKS, _MOST_WALKS))
    use = slice(None, None, max(1, len(draws.place) // kept))
    place = draws.place[use].astype(np.int64)
    shown = Shown(site, photos, chain, lesson.settings, place, ~draws.away[use], draws.begins[use])
    settings = learn_directions(shown, learn_positions(shown))
    settings = learn_pace(shown, lesson.start, draws.place.astype(np.int64), settings)
    return _with_shot_order(shown, learn_stays(shown, lesson.coded, learn_missed(shown, lesson.wanted, settings)))


def _with_shot_order(shown: Shown, settings: Settings) -> Settings:
    """``settings`` with the order of shots that drawn walks show."""
    shows = shown.photos.shows
    if shows is None:
        return settings
    camera, real = shown.camera, shown.real
    together = real[:, 1:] & real[:, :-1] & ~shown.chain.cut[None, 1:] & (camera[:, 1:] >= 0) & (camera[:, :-1] >= 0)
    same = camera[:, 1:] == camera[:, :-1]
    looks = shows[shown.chain.photo]
    return replace(settings, shots=learn_shot_order(
        looks[:-1], looks[1:], (together & same).mean(axis=0), (together & ~same).mean(axis=0), settings.shots))

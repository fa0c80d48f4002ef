"""What the glass and the focus took from a registered pair: how likely, what kind, how much of the picture.

Two networks look at the pair: one trained on pictures of nearly one light, which sees faint dirt, and one trained on real
changes of hour, weather and season, which knows what isn't dirt. How far to trust either depends on how much the scene has
changed, which the pair's own coherence says: a small logistic model joins them (:mod:`training.dirt.fit_join`). Where hardly
anything has changed, the first alone can be believed further: a second model joins them for such pairs
(:mod:`training.dirt.fit_calm`), and the surer of the two decides.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.measure.dirt_model import KINDS, Verdict
from audit.measure.dirt_network import pair_verdict
from audit.measure.logistic import log_odds_of
from audit.measure.transfer import BANDS, BandMaps

__all__ = ["CALM_NAMES", "JOIN_NAMES", "calm_features", "contrast_ratio", "hidden_share", "is_calm", "join_features", "judged",
           "spoiled_share", "with_focus"]

Floats = NDArray[np.float32]
_CUT = 0.5
_DEFOCUS, _BLOCKED = KINDS.index("defocus"), KINDS.index("blocked")
_SOFT_RATIO, _SOFT_STEEPNESS = 0.60, 18.0
_SILENT_CELLS = 20
_LIGHT_SD = 0.55
_SHARE_SD = 0.25
JOIN_NAMES = (
    *(f"{net} {name}" for net in ("one light", "any light") for name in ("log odds", "top cells", "most cells")),
    "common top", "common mean", *(f"coherence {band}" for band in range(1, BANDS)), "coherence low", "light", "night",
    "one light x changed", "any light x changed", "common top x changed",
)
#: Part of what the calm model was trained on: other figures ask for new weights.
CALM_NAMES = ("one light log odds", "one light top cells", "one light most cells", "any light log odds", "common top", "light")
_CALM, _CALM_BANDS = 0.98, slice(JOIN_NAMES.index("coherence 1"), JOIN_NAMES.index("coherence 4"))
_CALM_LEAST = np.array([-6.0, 0.0, 0.0, -6.0, 0.0, 0.0])
_CALM_MOST = np.array([8.0, 1.0, 1.0, 8.0, 1.0, 1.0])


def judged(reference: NDArray[np.uint8], today: NDArray[np.uint8], reference_log: Floats, today_log: Floats,
           seen: NDArray[np.bool_], maps: BandMaps) -> Verdict:
    """Both networks' verdict on a registered pair, joined.

    Parameters are those of :func:`~audit.measure.dirt_network.pair_verdict`; ``maps`` are the pair's band statistics.
    """
    one, any_ = (pair_verdict(name, reference, today, reference_log, today_log, seen) for name in ("dirt_pair", "dirt_hours"))
    facts, cells = join_features(one, any_, maps), _joined_cells(one, any_)
    odds = log_odds_of("dirt_join", facts)
    calm = log_odds_of("dirt_calm", calm_features(facts)) if is_calm(facts) else odds
    if calm > odds:
        odds, cells = calm, one.cells
    # odds beyond a million to one are not told apart
    dirty = float(1 / (1 + np.exp(-np.clip(odds, -14, 14))))
    others = sum(v.kinds[1:] / max(float(v.kinds[1:].sum()), 1e-6) for v in (one, any_)) / 2
    return Verdict(np.concatenate([[1 - dirty], dirty * others]).astype(np.float32), cells)


def _joined_cells(one: Verdict, any_: Verdict) -> Floats:
    """Cells of which both networks say that they are spoiled (geometric mean), kinds as the mean of both."""
    spoiled = np.sqrt(np.clip((1 - one.cells[0]) * (1 - any_.cells[0]), 0, 1))
    kinds = one.cells[1:] + any_.cells[1:]
    kinds = kinds / np.maximum(kinds.sum(axis=0), 1e-6) * spoiled
    return np.asarray(np.concatenate([(1 - spoiled)[None], kinds]), np.float32)


def join_features(one: Verdict, any_: Verdict, maps: BandMaps) -> NDArray[np.float64]:
    """Facts of both verdicts and of how much the scene changed, in the order of :data:`JOIN_NAMES`."""
    seen = maps.valid if maps.valid.sum() >= _SILENT_CELLS else np.ones_like(maps.valid)
    spoiled = [1 - v.cells[0][seen] for v in (one, any_)]
    common = np.sqrt(spoiled[0] * spoiled[1])
    # odds of one network are believed between these (part of what the model was trained on: another figure asks for new weights)
    odds = [float(np.clip(np.log(max(v.dirty, 1e-6) / max(float(v.kinds[0]), 1e-6)), -8, 10)) for v in (one, any_)]
    own = [f for o, s in zip(odds, spoiled, strict=True) for f in (o, _top(s), float(s.mean()))]
    coherence = maps.coherence()[:, seen]
    usual = [float(np.median(coherence[band])) for band in range(1, BANDS)]
    changed = 1 - float(np.median(coherence[1:4]))
    light = float(np.std(maps.log_gain[seen]))
    # today is darker by this much in the logarithm: night on day (part of what the model was trained on: another figure asks for new weights)
    night = float(np.median(maps.log_gain[seen]) < -1.5)
    # the least coherent tenth (part of what the model was trained on: another figure asks for new weights)
    return np.array([*own, _top(common), float(common.mean()), *usual, float(np.quantile(coherence[2], 0.1)), min(light, 3.0),
                     night, odds[0] * changed, odds[1] * changed, _top(common) * changed])


def is_calm(facts: NDArray[np.float64]) -> bool:
    """Whether hardly anything but what lies on the glass can have changed; ``facts`` from :func:`join_features`."""
    return bool(facts[_CALM_BANDS].min() > _CALM)


def calm_features(facts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Those of :func:`join_features` that tell of a calm pair, in the order of :data:`CALM_NAMES`."""
    return np.clip(facts[[JOIN_NAMES.index(name) for name in CALM_NAMES]], _CALM_LEAST, _CALM_MOST)


def _top(values: Floats) -> float:
    """Mean of the highest twentieth."""
    return float(np.sort(values)[-max(1, values.size // 20):].mean())


def with_focus(verdict: Verdict, sharpness: float | None) -> Verdict:
    """A verdict together with what the width of edges says of the focus (:mod:`audit.measure.sharpness`)."""
    if sharpness is None:
        return verdict
    # keeps the ratio above 0
    soft = 1 / (1 + (max(sharpness, 1e-3) / _SOFT_RATIO) ** _SOFT_STEEPNESS)
    kinds, cells = verdict.kinds * (1 - soft), verdict.cells * (1 - soft)
    kinds[_DEFOCUS] += soft
    cells[_DEFOCUS] += soft
    return Verdict(kinds.astype(np.float32), cells.astype(np.float32))


def spoiled_share(verdict: Verdict, seen: NDArray[np.bool_]) -> tuple[float | None, float | None]:
    """Share of the picture that dirt or lost focus spoils, with its sd: 0 where it is likelier clean than not."""
    return _share(1 - verdict.cells[0], 1 - verdict.cells[0] > _CUT, seen, verdict.dirty)


def hidden_share(verdict: Verdict, seen: NDArray[np.bool_]) -> tuple[float | None, float | None]:
    """Share of the picture that something before the lens hides, with its sd: 0 where that isn't the likeliest."""
    likeliest = int(verdict.kinds[1:].argmax()) + 1 == _BLOCKED
    hidden = (1 - verdict.cells[0] > _CUT) & (verdict.cells[1:].argmax(axis=0) + 1 == _BLOCKED)
    return _share(verdict.blocked, hidden, seen, verdict.dirty if likeliest else float(verdict.kinds[_BLOCKED]))


def _share(cells: Floats, spoiled: NDArray[np.bool_], seen: NDArray[np.bool_], likely: float) -> tuple[float | None, float | None]:
    if seen.sum() < _SILENT_CELLS:
        return None, None
    inside = cells[seen]
    most = float(spoiled[seen].mean())
    # variance of cells that may be in or out, spread evenly
    unsure = float(np.sqrt((inside * (1 - inside)).mean() / 12 + (_SHARE_SD * most) ** 2))
    if likely >= _CUT:
        return most, float(np.hypot(unsure, np.sqrt(likely * (1 - likely)) * most))
    return 0.0, float(np.sqrt(likely) * max(most, unsure))


def contrast_ratio(maps: BandMaps) -> tuple[float | None, float | None]:
    """Local contrast that the clearest quarter of the picture keeps, 0..1, and its sd.

    A film over all of the glass takes contrast everywhere; another sun takes it here and adds it there, so the quarter that
    keeps most tells the glass from the light. The sd grows with how unevenly contrast has changed.
    """
    # white noise of log luminance, a quarter a coarser octave
    floor = np.minimum(maps.noise_power, 1e-4 / 4.0 ** np.arange(BANDS, dtype=np.float32))[:, None, None]
    # cells whose texture stands out of noise, nine decibels (chosen)
    heard = (maps.reference_power > 8 * floor) & maps.valid[None]
    ratio = np.sqrt(np.maximum(maps.today_power - floor, 0) / np.maximum(maps.reference_power - floor, floor))
    values = np.concatenate([ratio[band][heard[band]] for band in (1, 2, 3)])
    # with less of the picture heard nothing is said (chosen)
    if heard[1:3].any(axis=0).mean() < 0.05 or values.size < 2 * _SILENT_CELLS:
        return None, None
    # the quartiles
    low, high = (float(v) for v in np.quantile(values, (0.25, 0.75)))
    # a per cent of contrast is none
    uneven = float(np.log(max(high, 0.01) / max(low, 0.01)))
    kept = min(1.0, high)
    # never told better than to a per cent
    return kept, float(max(0.01, kept * _LIGHT_SD * uneven / 2))

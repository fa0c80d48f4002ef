"""One step of a walk, spelled out, for tests that sum over every walk of a small chain."""

from __future__ import annotations

from audit.match.walk import LEAK, Tables

__all__ = ["step_factor"]


def step_factor(tables: Tables, t: int, state: int, before: int) -> tuple[float, bool]:
    """Factor of being in a state at a step, and whether a stay begins there.

    States are the candidates (the last is none), then the same again as strays beside them; ``before`` is the state of
    the step before, which a cut doesn't look at.
    """
    size = tables.real.shape[1]
    k, away = state % size, state >= size
    factor = float(tables.away[t, k] if away else tables.real[t, k])
    if tables.cut[t]:
        return factor * tables.restart, not away
    last, last_away = before % size, before >= size
    same = tables.previous[t, k] == last
    if away:
        return factor * ((float(tables.drift[t, k]) if same else 0.0) + (LEAK if k == size - 1 else 0.0)), False
    if same:
        return factor * float((tables.stay_away if last_away else tables.stay)[t, k]), False
    return factor * float((tables.move_away if last_away else tables.move)[t, last, k]), True

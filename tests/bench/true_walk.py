"""Whether the matching's model finds the true walk as likely as those it draws: ``python -m tests.bench.true_walk campus 301``.

If the model is right, the truth is one more draw: its log probability lies among the draws', part by part. A part in which
the truth is much less likely is wrong in the model; a truth that is likelier as a whole than all draws was not found by
them, so that more walks are needed. Both were found so: strays cost too much, positions were taken for less steady than
they are, and large sites were drawn too little.
"""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

import audit.match.solve as solve
from audit.match.assign import match_photos
from audit.match.sampling import Draws, _begins, _Padded, _stay_sums
from audit.match.walk import LEAK
from tests.bench.walks import KINDS, Walk, make_walk

PARTS = ("steps", "photos by themselves", "visits", "whole stays")
EDGE = 2


def solved(walk: Walk) -> dict[str, Any]:
    """What the last drawing of walks was given and gave."""
    kept: dict[str, Any] = {}
    draw = solve.draw_walks

    def keep(chain: Any, tables: Any, cameras: int, rule: Any, score: Any, **rest: Any) -> Draws:
        draws = draw(chain, tables, cameras, rule, score, **rest)
        kept.update(chain=chain, tables=tables, cameras=cameras, rule=rule, draws=draws, **rest)
        return draws

    solve.draw_walks = keep
    try:
        match_photos(walk.site, walk.photos)
    finally:
        solve.draw_walks = draw
    return kept


def parts_of(kept: dict[str, Any], place: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Log probabilities (R, 4) of walks (R, T), by part."""
    tables, chain, rule = kept["tables"], kept["chain"], kept["rule"]
    steps, size = tables.real.shape
    p = _Padded(chain, tables, EDGE, kept["follows"], kept["coded"])
    inner = slice(EDGE, EDGE + steps)
    at = np.full((len(place), steps + 2 * EDGE), size - 1)
    gone = np.ones(at.shape, dtype=bool)
    at[:, inner], gone[:, inner] = place, away
    before, before_gone = np.roll(at, 1, axis=1), np.roll(gone, 1, axis=1)
    t = np.broadcast_to(np.arange(at.shape[1]), at.shape)
    same = p.previous[t, at] == before
    stay = np.where(before_gone, p.stay_away[t, at], p.stay[t, at])
    move = np.where(before_gone, p.move_away[t, before, at], p.move[t, before, at])
    drift = p.drift[t, at] * same + np.where(at == size - 1, LEAK, 0.0)
    step = np.where(gone, np.where(p.cut[t], p.restart, drift), np.where(same & ~p.cut[t], stay, move))
    photo = np.where(gone, p.away[t, at], p.real[t, at])
    begins = _begins(p, t, at, gone, before)
    visits = np.zeros((len(place), kept["cameras"] + 1), dtype=np.int64)
    rows, when = np.nonzero(begins)
    np.add.at(visits, (rows, p.candidates[when, at[rows, when]]), 1)
    with np.errstate(divide="ignore"):
        sums = [np.log(values[:, inner]).sum(axis=1) for values in (step, photo)]
    return np.stack([*sums, rule.log_weight(visits[:, :-1]).sum(axis=1), _stay_sums(p, at, gone, rule)[:, -1 - EDGE]], axis=1)


def true_places(walk: Walk, kept: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, int]:
    """The true walk as places (1, T) and strays (1, T), and the photos whose camera the lists lack."""
    chain = kept["chain"]
    number = {camera.camera: i for i, camera in enumerate(walk.site.cameras)}
    place = np.full(chain.photo.size, chain.candidates.shape[1] - 1)
    away, lacking, last = np.ones(place.size, dtype=bool), 0, -9
    for step, photo in enumerate(chain.photo):
        camera = walk.truth[walk.photos[photo].name]
        last = number[camera] if camera is not None else last
        found = np.flatnonzero(chain.candidates[step] == last)
        lacking += camera is not None and not found.size
        if found.size:
            place[step], away[step] = found[0], camera is None
    return place[None, :], away[None, :], lacking


def main() -> None:
    """Prints the truth's log probability beside the draws', part by part."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=KINDS)
    parser.add_argument("seed", type=int)
    parser.add_argument("--cameras", type=int, default=300)
    parser.add_argument("--codes", choices=("some", "all"), default="some")
    given = parser.parse_args()
    walk = make_walk(given.kind, given.cameras, given.seed, given.codes)
    kept = solved(walk)
    place, away, lacking = true_places(walk, kept)
    some = slice(None, None, max(1, len(kept["draws"].place) // 60))
    drawn = parts_of(kept, kept["draws"].place[some].astype(np.int64), kept["draws"].away[some])
    true = parts_of(kept, place, away)[0]
    print(f"{place.size} photos; the lists of {kept['chain'].candidates.shape[1]} cameras lack the true one of {lacking}")
    for name, mine, theirs in zip((*PARTS, "all"), (*true, true.sum()), (*drawn.T, drawn.sum(axis=1)), strict=True):
        print(f"{name:22} truth {mine:9.1f}   draws {theirs.mean():9.1f} ({theirs.min():.1f} to {theirs.max():.1f})")
    print(f"strays: truth {away.mean():.3f}, draws {kept['draws'].away.mean():.3f}")


if __name__ == "__main__":
    main()

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
from audit.match.sampling import Draws
from audit.match.stays import stay_log_weights, stays_of
from tests.bench.walks import KINDS, Walk, make_walk
from tests.match.enumeration import step_factor

PARTS = ("steps", "photos by themselves", "visits", "whole stays")


def solved(walk: Walk) -> dict[str, Any]:
    """What the last drawing of walks was given and gave."""
    kept: dict[str, Any] = {}
    draw = solve.draw_walks

    def keep(chain: Any, tables: Any, cameras: int, rule: Any, score: Any, effort: Any) -> Draws:
        draws = draw(chain, tables, cameras, rule, score, effort)
        kept.update(chain=chain, tables=tables, cameras=cameras, rule=rule, draws=draws)
        return draws

    solve.draw_walks = keep
    try:
        match_photos(walk.site, walk.photos)
    finally:
        solve.draw_walks = draw
    return kept


def parts_of(kept: dict[str, Any], place: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Log probabilities (R, 4) of walks (R, T), by part."""
    tables, chain, rule, coded = kept["tables"], kept["chain"], kept["rule"], kept["rule"].coded
    steps, size = tables.real.shape
    state = place + size * away
    factors = np.empty(state.shape)
    begins = np.zeros(state.shape, dtype=bool)
    for row, t in np.ndindex(state.shape):
        factors[row, t], begins[row, t] = step_factor(tables, t, int(state[row, t]), int(state[row, t - 1]))
    at = np.arange(steps)[None, :]
    photo = np.where(away, tables.away[at, place], tables.real[at, place])
    camera = chain.candidates[at, place]
    visits = np.zeros((len(place), kept["cameras"]), dtype=np.int64)
    rows, when = np.nonzero(begins)
    np.add.at(visits, (rows, camera[rows, when]), 1)
    stays = stays_of(begins, away, ~rule.follows)
    own = ~away & (coded >= 0)[None, :] & (camera == coded[None, :])
    with np.errstate(divide="ignore"):
        one, alone = np.log(factors).sum(axis=1), np.log(photo).sum(axis=1)
    whole = stay_log_weights(stays, rule.lengths, own, rule.habit).sum(axis=1)
    return np.stack([one - alone, alone, rule.log_weight(visits).sum(axis=1), whole], axis=1)


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

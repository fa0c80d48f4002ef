"""Figures of the matching on simulated walks: ``python -m tests.bench.matching_figures --seeds 100 102``.

A stray that is filed under the camera before, after or beside it is surplus and set aside; everything else that is put
to a wrong camera, or to none though it belongs to one, is wrong.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from audit.match.assign import match_photos
from audit.match.placement import Placement
from audit.photos.photo import Metadata
from tests.bench import crew_walks, label_walks, phone_walks
from tests.bench.walks import KINDS, Walk, make_walk

#: Ways of drawing walks that share no code: by work orders, with phones that fail, label by label.
WAYS = {"crews": crew_walks.make_walk, "phones": phone_walks.make_walk, "labels": label_walks.make_walk}


def tally(walk: Walk, found: tuple[Placement, ...]) -> dict[str, int]:
    """Counts of decided, right, wrong, surplus and falsely covered."""
    truth = [walk.truth[p.photo] for p in found]
    covered: set[str] = set()
    counts = dict.fromkeys(("photos", "right", "wrong", "surplus", "false cover"), 0)
    for i, placement in enumerate(found):
        counts["photos"] += 1
        if placement.decision == "uncertain":
            continue
        if placement.camera is not None:
            covered.add(placement.camera)
        before = next((t for t in reversed(truth[:i]) if t), None)
        after = next((t for t in truth[i + 1 :] if t), None)
        beside = (before, after, walk.beside[placement.photo])
        if placement.camera == truth[i]:
            counts["right"] += 1
        elif truth[i] is None and placement.camera in beside:
            counts["surplus"] += 1
        else:
            counts["wrong"] += 1
    counts["false cover"] = len(covered - {t for t in truth if t})
    return counts


def stripped(walk: Walk, share: float, seed: int) -> Walk:
    """The walk with a share of its photos as copies that messengers sent: numbered names, and no metadata but what is legible."""
    lost = np.random.default_rng([53, seed]).random(len(walk.photos)) < share
    new = {
        photo.name: f"sent/chat_{number:05d}.jpg" if gone else photo.name
        for number, (photo, gone) in enumerate(zip(walk.photos, lost, strict=True))
    }
    photos = tuple(
        replace(photo, name=new[photo.name], width_px=1600, height_px=1200, metadata=Metadata(text=photo.metadata.text)) if gone else photo
        for photo, gone in zip(walk.photos, lost, strict=True)
    )
    return Walk(walk.site, photos, {new[k]: v for k, v in walk.truth.items()}, {new[k]: v for k, v in walk.beside.items()}, walk.missed)


def questions(walk: Walk, at_once: float = 0.1) -> int:
    """Questions until all is decided: the first groups are answered with the truth, and all is run again.

    Parameters
    ----------
    at_once : float
        Share of the open groups that are answered before the next run, at least one.
    """
    answers: dict[str, str | None] = {}
    while True:
        groups: dict[str, str] = {}
        for placement in match_photos(walk.site, walk.photos, answers):
            if placement.decision == "uncertain":
                groups.setdefault(placement.group, placement.photo)
        if not groups:
            return len(answers)
        for group in sorted(groups)[: max(1, int(at_once * len(groups)))]:
            answers[groups[group]] = walk.truth[groups[group]]


def main() -> None:
    """Prints one line for every kind of site."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", nargs=2, type=int, default=(100, 102))
    parser.add_argument("--cameras", type=int, default=300)
    parser.add_argument("--codes", choices=("some", "all"), default="some")
    parser.add_argument("--two-crews", action="store_true", help="both crews in one stream")
    parser.add_argument("--misfit", action="store_true", help="noise of another form than assumed")
    parser.add_argument("--questions", action="store_true")
    parser.add_argument("--way", choices=(*WAYS, "own"), default="own", help="who draws the walks")
    parser.add_argument("--stripped", type=float, default=0.0, help="share of photos that lost their metadata on the way")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS))
    given = parser.parse_args()
    for kind in given.kinds:
        total: dict[str, int] = {}
        asked, cpu_s = 0, 0.0
        for seed in range(*given.seeds):
            if given.way == "own":
                walk = make_walk(kind, given.cameras, seed, given.codes, 2 if given.two_crews else 1, given.two_crews,
                                 given.misfit)
            else:
                walk = WAYS[given.way](kind, given.cameras, seed, given.codes)
            walk = stripped(walk, given.stripped, seed) if given.stripped else walk
            start = time.process_time()
            found = match_photos(walk.site, walk.photos)
            cpu_s += time.process_time() - start
            for name, count in tally(walk, found).items():
                total[name] = total.get(name, 0) + count
            asked += questions(walk) if given.questions else 0
        decided = total["photos"] and (total["right"] + total["wrong"] + total["surplus"]) / total["photos"]
        right = total["right"] / max(total["right"] + total["wrong"], 1)
        line = f"{kind:10} decided {decided:6.1%} right {right:7.2%} {total} cpu {cpu_s:.1f} s"
        if given.questions:
            sites = given.seeds[1] - given.seeds[0]
            line += f" questions per 100 cameras {100 * asked / (sites * given.cameras):.0f}"
        print(line, flush=True)


if __name__ == "__main__":
    main()

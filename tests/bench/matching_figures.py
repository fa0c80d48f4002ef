"""Figures of the matching on simulated walks: ``python -m tests.bench.matching_figures --seeds 100 102``.

A stray that is filed under the camera before, after or beside it is surplus and set aside; everything else that is put
to a wrong camera, or to none though it belongs to one, is wrong.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from audit.match.assign import match_photos
from audit.match.placement import Placement
from audit.match.shots import KINDS as LOOKS
from audit.photos.photo import Metadata, Photo
from tests.bench import crew_walks, label_walks, phone_walks
from tests.bench.walks import KINDS, Walk, make_walk

#: Ways of drawing walks that share no code: by work orders, with phones that fail, label by label.
WAYS = {"crews": crew_walks.make_walk, "phones": phone_walks.make_walk, "labels": label_walks.make_walk}

#: How far a kind's score stands out from the others', in spreads: such scores are calibrated, and as sure as weights/CARD.md says of labels
#: and brackets on places held out.
LOOK_SHARPNESS = 2.5


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


def named_by_clocks(walk: Walk) -> Walk:
    """The walk with photos named as phones name them: each by its own clock, after letters of its own."""
    new: dict[str, str] = {}
    devices = sorted({photo.metadata.device or "" for photo in walk.photos})
    for photo in walk.photos:
        taken = photo.metadata.taken_at
        letters = ("IMG", "PHO", "CAM", "P")[devices.index(photo.metadata.device or "") % 4]
        name = f"{letters}_{taken:%Y%m%d_%H%M%S}" if taken is not None else photo.name
        same = sum(given.startswith(name) for given in new.values())
        new[photo.name] = f"{name}{f'_{same}' if same else ''}.jpg"
    return _renamed(walk, walk.photos, new)


def _renamed(walk: Walk, photos: Sequence[Photo], new: Mapping[str, str]) -> Walk:
    """The walk with other photos in the place of its own, and other names."""
    renamed = tuple(replace(photo, name=new[photo.name]) for photo in photos)
    return Walk(walk.site, renamed, {new[k]: v for k, v in walk.truth.items()}, {new[k]: v for k, v in walk.beside.items()}, walk.missed,
                {new[k]: v for k, v in walk.shots.items()})


def stripped(walk: Walk, share: float, seed: int, *, keeps_names: bool = False) -> Walk:
    """The walk with a share of its photos as copies that messengers sent: no metadata but what is legible, and names that are numbered in
    the order of sending, or the phone's own."""
    lost = np.random.default_rng([53, seed]).random(len(walk.photos)) < share
    new = {
        photo.name: (f"sent/{photo.name}" if keeps_names else f"sent/chat_{number:05d}.jpg") if gone else photo.name
        for number, (photo, gone) in enumerate(zip(walk.photos, lost, strict=True))
    }
    photos = tuple(
        replace(photo, width_px=1600, height_px=1200, metadata=Metadata(text=photo.metadata.text)) if gone else photo
        for photo, gone in zip(walk.photos, lost, strict=True)
    )
    return _renamed(walk, photos, new)


def looked_at(walk: Walk, seed: int) -> Walk:
    """The walk with what each photo shows by a look, as the network tells it: right in nine of ten, sure in seven of ten; a third of the
    strays pass for wide views."""
    rng = np.random.default_rng([59, seed])
    photos = []
    for photo in walk.photos:
        shot = walk.shots[photo.name]
        shot = "wide view" if shot == "something else" and rng.random() < 0.33 else shot
        score = LOOK_SHARPNESS * (LOOK_SHARPNESS * (np.array(LOOKS) == shot) + rng.normal(0, 1, len(LOOKS)))
        seen = np.exp(score - score.max())
        photos.append(replace(photo, shows=tuple(float(p) for p in np.round(seen / seen.sum(), 4))))
    return replace(walk, photos=tuple(photos))


def questions(walk: Walk, at_once: float = 0.5) -> int:
    """Questions until all is decided, as a reviewer is asked them: the undecided photos of a group have one answer, or as many as they have
    cameras, and after some groups the others are told of them.

    Parameters
    ----------
    at_once : float
        Share of the open groups, the first ones, that are answered before the next run, at least one: more would be asked for nothing, less
        would take longer.
    """
    answers: dict[str, str | None] = {}
    asked = 0
    while True:
        groups: dict[str, list[str]] = {}
        for placement in match_photos(walk.site, walk.photos, answers):
            if placement.decision == "uncertain":
                groups.setdefault(placement.group, []).append(placement.photo)
        if not groups:
            return asked
        for group in sorted(groups)[: max(1, int(at_once * len(groups)))]:
            answers |= {photo: walk.truth[photo] for photo in groups[group]}
            asked += len({walk.truth[photo] for photo in groups[group]})


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
    parser.add_argument("--keep-names", action="store_true", help="photos are named by the phone's clock, and stripped ones keep their names")
    parser.add_argument("--looks", action="store_true", help="each photo was looked at for what it shows")
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
            walk = named_by_clocks(walk) if given.keep_names else walk
            walk = stripped(walk, given.stripped, seed, keeps_names=given.keep_names) if given.stripped else walk
            walk = looked_at(walk, seed) if given.looks else walk
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

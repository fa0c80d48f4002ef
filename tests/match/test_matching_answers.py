"""What matching makes of small simulated visits, photo by photo, beside its code: ``matching_answers.txt``.

The file is for reading: decisions, probabilities, alternatives, roles, groups and the sentences that a person is shown.
The same photos get the same answers everywhere; a change of the model shows in the file's diff. After a wanted change
write it anew, read the difference, and look at the figures of ``tests/bench/matching_figures.py``, which say whether it
is a better one:

    python -m tests.match.test_matching_answers
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from audit.match.assign import match_photos
from audit.match.placement import Placement
from tests.bench.walks import make_walk

FILE = Path(__file__).with_name("matching_answers.txt")
#: Draws differ in the last digits between processors; decisions and order do not.
TOLERANCE = 0.02
VISITS = {
    "campus": {"kind": "campus", "count": 14, "seed": 13},
    "campus, every code read": {"kind": "campus", "count": 12, "seed": 13, "codes": "all"},
    "street": {"kind": "street", "count": 14, "seed": 13},
    "warehouse": {"kind": "warehouse", "count": 14, "seed": 13},
    "building": {"kind": "building", "count": 14, "seed": 13},
    "two crews in one stream": {"kind": "campus", "count": 14, "seed": 13, "crews": 2, "one_stream": True},
    "two crews": {"kind": "street", "count": 12, "seed": 13, "crews": 2},
}


def told(name: str) -> Iterator[tuple[str, tuple[float, ...]]]:
    """A line for each photo, with its probabilities apart."""
    given = dict(VISITS[name])
    walk = make_walk(given.pop("kind"), given.pop("count"), given.pop("seed"), **given)  # type: ignore[arg-type]
    answered = {walk.photos[5].name: walk.truth[walk.photos[5].name], walk.photos[9].name: None}
    for answers in ({}, answered):
        groups: dict[str, int] = {}
        yield f"[{name}{', two photos answered' if answers else ''}]", ()
        for placement in match_photos(walk.site, walk.photos, answers):
            group = groups.setdefault(placement.group, len(groups))
            yield line(placement, group, bool(answers)), probabilities(placement)


def line(placement: Placement, group: int, brief: bool) -> str:
    others = ", ".join(str(a.camera) for a in placement.alternatives[:3])
    text = f"{placement.photo}: {placement.decision} {placement.camera}, {placement.role}, group {group}; {others}"
    return text if brief else f"{text} | {' '.join(placement.evidence)}"


def probabilities(placement: Placement) -> tuple[float, ...]:
    return (placement.probability, *(a.probability for a in placement.alternatives[:3]))


def written(name: str) -> Iterator[str]:
    for text, values in told(name):
        yield f"{' '.join(f'{v:.3f}' for v in values)} | {text}"


@pytest.mark.parametrize("name", VISITS)
def test_every_photo_is_told_as_it_was_read(name: str) -> None:
    known = FILE.read_text(encoding="utf-8").splitlines()
    start = known.index(f" | [{name}]")
    lines = [*told(name)]
    for kept, (text, values) in zip(known[start : start + len(lines)], lines, strict=True):
        numbers, _, words = kept.partition(" | ")
        assert words == text, "after a wanted change: python -m tests.match.test_matching_answers"
        assert values == pytest.approx([float(n) for n in numbers.split()], abs=TOLERANCE), text


if __name__ == "__main__":
    FILE.write_text("".join(f"{text}\n" for name in VISITS for text in written(name)), encoding="utf-8")

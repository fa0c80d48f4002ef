"""Names in a drawing lie on nothing, stay near their shape, and a crowd leaves the least important ones out."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from audit.account.drawing import Sheet, site_svg
from audit.account.labels import Wanted, place_labels
from audit.plan.model import Landmark
from tests.logbook_samples import make_site

LETTERS_PX = 13.0


def boxes(wanted: list[Wanted]) -> list[tuple[float, float, float, float] | None]:
    taken = [(w.x - w.half_px, w.y - w.half_px, w.x + w.half_px, w.y + w.half_px) for w in wanted]
    labels = place_labels(wanted, taken, LETTERS_PX, (1000.0, 700.0))
    return [
        None if p is None else (p.x - p.left * wide, p.y - 0.75 * LETTERS_PX, p.x + (not p.left) * wide, p.y + 0.2 * LETTERS_PX)
        for w, p in zip(wanted, labels, strict=True)
        for wide in (0.5 * LETTERS_PX * len(w.text),)
    ]


def meet(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(5, 995), st.floats(5, 695), st.integers(4, 30)), min_size=1, max_size=90))
def test_no_name_lies_on_another_or_on_a_shape(places: list[tuple[float, float, int]]) -> None:
    wanted = [Wanted("n" * long, x, y, 9.5) for x, y, long in places]
    found = [b for b in boxes(wanted) if b is not None]
    shapes = [(w.x - 9.5, w.y - 9.5, w.x + 9.5, w.y + 9.5) for w in wanted]
    assert not any(meet(a, b) for i, a in enumerate(found) for b in (*found[:i], *shapes))
    assert all(0 <= b[0] and b[2] <= 1000 and 0 <= b[1] and b[3] <= 700 for b in found)


def test_the_first_keep_their_names_in_a_crowd() -> None:
    wanted = [Wanted(f"CAM-{n:03d}", 500 + n % 7, 300 + n // 7, 9.5) for n in range(60)]
    found = boxes(wanted)
    assert all(b is not None for b in found[:6]) and any(b is None for b in found[30:])


def test_a_name_that_stands_apart_has_a_line_to_its_shape() -> None:
    labels = place_labels([Wanted("a long name of a landmark", 500, 300, 5), Wanted("another long name", 503, 302, 5)], [], LETTERS_PX, (1000, 700))
    assert labels[0] is not None and labels[0].line is None
    crowd = place_labels([Wanted("crowded", 500, 300, 9.5)] * 30, [(490, 290, 510, 310)], LETTERS_PX, (1000, 700))
    assert any(label is not None and label.line is not None for label in crowd)


def test_a_landmark_without_room_is_told_by_its_title_alone() -> None:
    from dataclasses import replace

    site = make_site()
    crowd = tuple(Landmark(f"mark {n:02d} with a long name", 1.0 + n / 100, 2.0, 0.0) for n in range(35))
    site = replace(site, landmarks=crowd, _index={})
    svg = site_svg(site, {}, {}, Sheet(site.floors[0]), {"title": "t", "north": "N", "camera": "{camera}"})
    written = re.findall(r"<text[^>]*>(mark \d\d)", svg)
    assert len(re.findall(r"<title>mark \d\d", svg)) == 35 and 0 < len(written) < 35
    assert all(f">{c.camera}</text>" in svg for c in site.cameras)

"""The camera's name in its own picture: one camera of the plan, or none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.match.written import NameReader
from audit.photos.text import TextLine

NAMES = (("TH-01", "Gate north"), ("TH-07", "Gate south"), ("TH-10", "Yard"), ("P1-C08", "Yard 2"), ("A-1", "Lobby"), ("7", "Hall"))
READER = NameReader(NAMES)


def shown(*texts: str, score: float = 0.98) -> str | None:
    return READER.camera([TextLine(text, score, 20.0) for text in texts])


@pytest.mark.parametrize(
    ("texts", "meant"),
    [(("TH-07",), "TH-07"), (("th 07 2026-03-04 15:30:05",), "TH-07"), (("Gate South",), "TH-07"), (("TH-07 Gate south",), "TH-07"),
     (("2026-03-04 15:30:05", "YARD"), "TH-10"), (("Yard 2",), "P1-C08"), (("P1-C08Yard 2",), "P1-C08"), (("P1-G08",), "P1-C08"),
     (("THO7",), None), (("TH-1O",), None), (("TH-011",), None), (("TH-01", "TH-07"), None), (("TH-01 Gate south",), None),
     (("7",), None), (("Camera 01",), None), (("2026-07-07 07:07:07",), None), ((), None)],
)  # fmt: skip
def test_what_a_text_names(texts: tuple[str, ...], meant: str | None) -> None:
    assert shown(*texts) == meant


def test_a_doubtful_reading_says_nothing() -> None:
    assert shown("TH-07", score=0.6) is None and shown("P1-G08", score=0.85) is None


def test_names_that_look_alike_or_stand_twice_are_never_guessed() -> None:
    twice = NameReader((("CAM-0001", "Hall"), ("CAM-O001", "Hall"), ("CAM-00I1", "Stairs")))
    assert [twice.camera([TextLine(t, 0.99, 20.0)]) for t in ("CAM-0OO1", "Hall", "CAM-O001")] == [None, None, "CAM-O001"]


@given(st.lists(st.text(max_size=40), max_size=5))
def test_any_text_is_taken_as_text(texts: list[str]) -> None:
    assert shown(*texts) in {None, *(camera for camera, _ in NAMES)}


def test_a_name_that_another_one_begins_with_counts_only_without_a_sign_after_it() -> None:
    assert shown("Yard") == "TH-10" and shown("Yard:") is None and shown("Yard 2") == "P1-C08" and shown("Lobby:") == "A-1"

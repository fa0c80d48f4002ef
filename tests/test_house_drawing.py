"""The drawing of the house is made from the imports, and says of every room what it is for."""

from __future__ import annotations

from tests.house_drawing import DRAWING, drawing, imports, layers, purpose, reduced


def test_the_drawing_is_as_the_imports_are() -> None:
    assert DRAWING.read_text(encoding="utf-8") == drawing(), "python -m tests.house_drawing"


def test_every_room_says_what_it_is_for() -> None:
    rooms = {room for names in layers() for room in names}
    assert not [room for room in rooms - {"ui"} if not purpose(room)]
    assert {room for pair in imports() for room in pair} <= rooms


def test_an_arrow_is_left_out_where_a_longer_way_leads() -> None:
    assert reduced({("a", "b"), ("b", "c"), ("a", "c"), ("a", "d")}) == {("a", "b"), ("b", "c"), ("a", "d")}

"""Boards at the targets: read at the promised size, measured truly, and a sentence for each that can't be used.

That a board is read at 22 px by day and 35 px by night, never as another, was first measured with 900 views; the figures
of many more come from ``python -m tests.bench.pan_bench boards``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from audit.frames import bearing_difference_deg
from audit.measure.board import (
    Board,
    Sighted,
    board_numbers,
    board_sentences,
    find_boards,
    paper_of,
    proven_px_per_m,
    site_board_number,
    view_of,
)
from audit.measure.resection import Sighting, Station, resect
from tests.measure.board_views import drawn, scene

NUMBERS = board_numbers("a site", [(f"C{i}", "gate") for i in range(60)])
KNOWN = {number: Sighted(camera, target) for (camera, target), number in NUMBERS.items()}


@pytest.mark.parametrize("side_px, night", [(22.0, False), (35.0, True)])
def test_a_board_of_the_promised_size_is_read_and_measured(side_px: float, night: bool) -> None:
    rng = np.random.default_rng(3)
    views, read, wrong, off, pitch = 80, 0, 0, [], []
    for _ in range(views):
        number = int(rng.choice(list(KNOWN)))
        view = drawn(rng, number, side_px, night)
        boards = find_boards(view.pixels)
        wrong += sum(b.number != number for b in boards)
        for board in boards:
            if board.number != number:
                continue
            read += 1
            seen = view_of(board, view.lens)
            assert seen is not None
            off.append((seen.px_per_m - view.px_per_m) / view.px_per_m)
            at = Sighting("gate", seen.column_px, seen.row_px, *map(float, view.offset), 0.01, 0.5)
            found = resect(Station(view.lens, 0, 0, 0, 0.01, roll_deg=view.pose[2], roll_sd_deg=0.5), (at,))
            assert found.bearing_deg is not None and found.pitch_deg is not None
            assert abs(bearing_difference_deg(found.bearing_deg, view.pose[0])) < 0.3
            pitch.append(abs(found.pitch_deg - view.pose[1]))
    assert wrong == 0 and read >= 0.95 * views
    assert np.median(np.abs(off)) <= 0.03 and np.quantile(np.abs(off), 0.95) <= 0.07
    assert np.median(pitch) <= 0.3


@pytest.mark.parametrize("side_px, night", [(16.0, False), (26.0, True)])
def test_a_faint_board_is_found_as_in_the_whole_picture(side_px: float, night: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is smoothed away as too plain for a board costs none, at 0.4 of the contrast and below the size that is promised."""
    rng, found = np.random.default_rng(5), 0
    for _ in range(12):
        pixels = drawn(rng, int(rng.choice(list(KNOWN))), side_px, night).pixels
        faint = (60 + 0.4 * pixels).astype(np.uint8)
        with monkeypatch.context() as whole:
            whole.setattr("audit.measure.board._where_a_board_may_be", lambda grey: grey)
            expected = find_boards(faint, KNOWN)
        assert find_boards(faint, KNOWN) == expected
        found += bool(expected)
    assert found >= 3


def test_pictures_without_a_board_show_none() -> None:
    rng = np.random.default_rng(4)
    for _ in range(30):
        assert not [
            b for b in find_boards(scene(rng, night=False).clip(0, 255).astype(np.uint8), KNOWN) if b.number is not None
        ]


def test_a_board_that_is_read_proves_a_density_by_its_size() -> None:
    """IEC 62676-4's recognise, 125 px/m, is proven by an A4 board, observe (62.5) by an A2 one, whatever the lens."""
    assert proven_px_per_m("A4") == pytest.approx(125, abs=0.5)
    assert proven_px_per_m("A2") == pytest.approx(62.5, abs=0.5)


def test_numbers_stay_differ_between_sites_and_tell_the_paper() -> None:
    targets = [(f"C{i}", "gate") for i in range(40)]
    more = board_numbers("a site", [*targets, ("C99", "gate")])
    assert {key: more[key] for key in targets} == board_numbers("a site", targets)
    other = board_numbers("another site", targets)
    assert sum(more[key] == other[key] for key in targets) <= 3
    assert len(set(more.values())) == 41 and all(paper_of(n) == "A4" for n in more.values())
    assert paper_of(board_numbers("a site", targets[:1], "A2")["C0", "gate"]) == "A2"
    assert site_board_number("A4") not in more.values()
    with pytest.raises(ValueError, match="more targets"):
        board_numbers("a site", [(f"C{i}", "gate") for i in range(400)])


def _board(number: int | None, x: float = 100.0, mirrored: bool = False) -> Board:
    return Board(number, ((x, 100.0), (x + 40, 100.0), (x + 40, 140.0), (x, 140.0)), mirrored)


def test_each_board_that_can_t_simply_be_used_has_its_sentence() -> None:
    own, other = NUMBERS["C1", "gate"], NUMBERS["C2", "gate"]
    foreign = next(n for n in range(50, 300) if n not in KNOWN)

    def said(*boards: Board, snapshot: bool = True) -> str:
        return " ".join(board_sentences("C1", boards, KNOWN, snapshot))

    assert said(_board(own)) == ""
    assert "flipped" in said(_board(own, mirrored=True))
    assert "torn, covered or too far away" in said(_board(None))
    assert "none of this site's" in said(_board(foreign))
    assert "hangs 2 times" in said(_board(own), _board(own, 300))
    assert "2 different boards" in said(_board(own), _board(other, 300))
    assert "belongs to 'gate' of C2" in said(_board(other))
    assert "gives no pose" in said(_board(own), snapshot=False)


def test_a_mirrored_picture_and_a_torn_board_are_told() -> None:
    rng = np.random.default_rng(8)
    number = NUMBERS["C3", "gate"]
    flipped = find_boards(drawn(rng, number, 60.0, False, mirrored=True).pixels, KNOWN)
    assert [b.mirrored for b in flipped] == [True] and view_of(flipped[0], drawn(rng, number, 60, False).lens) is None
    view = drawn(rng, number, 90.0, False)
    whole = find_boards(view.pixels)[0]
    corners = np.array(whole.corners_px)
    inside = corners.mean(0) + 0.5 * (corners[0] - corners.mean(0))
    torn = view.pixels.copy()
    x, y = inside.astype(int)
    third = int(0.2 * math.dist(*corners[:2]))
    torn[y - third : y + third, x - third : x + third] = 255
    found = find_boards(torn, KNOWN)
    assert all(b.number is None for b in found)

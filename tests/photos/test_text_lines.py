"""What is made of the engine's answers: which lines count, what stands on one line, and how a place is cut out for it."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from audit.photos import text
from audit.photos.text import TextLine, find_text, legible, lines_from_record, lines_to_record, read_boxes, read_strip


class Engine:
    """Finds and reads what it is told to; keeps the pictures that it was given."""

    def __init__(self, boxes: list[tuple[float, float, float, float]], texts: list[str], scores: list[float]) -> None:
        corners = [[(left, top), (right, top), (right, bottom), (left, bottom)] for left, top, right, bottom in boxes]
        self.boxes = np.array(corners, np.float32) if boxes else None
        self.texts, self.scores = texts, scores
        self.given: list[np.ndarray] = []

    def __call__(self, picture: np.ndarray, **_: object) -> SimpleNamespace:
        self.given.append(picture)
        return SimpleNamespace(boxes=self.boxes, txts=self.texts if self.boxes is not None else None, scores=self.scores)

    def recognize_txt(self, cuts: list[np.ndarray]) -> SimpleNamespace:
        self.given += cuts
        return SimpleNamespace(txts=self.texts, scores=self.scores)


@pytest.fixture
def reading(monkeypatch: pytest.MonkeyPatch) -> Callable[[Engine], Engine]:
    def by(engine: Engine) -> Engine:
        monkeypatch.setattr(text, "_engine", lambda strips=False: engine)
        return engine

    return by


PAGE = np.random.default_rng(1).integers(0, 256, (200, 300, 3), np.uint8)


def test_a_line_counts_from_a_score_of_a_half_and_with_a_letter() -> None:
    lines = (TextLine("TH-02", 0.5, 20.0), TextLine("TH-03", 0.499, 20.0), TextLine("", 0.99, 20.0), TextLine("x", 1.0, 1.0))
    assert legible(lines) == (lines[0], lines[3])


def test_parts_on_one_line_are_put_together_from_left_to_right(reading) -> None:
    """Three parts of one line, one too far off, one below, one unsure, one blank."""
    boxes = [(60, 12, 100, 32), (0, 10, 50, 30), (110, 9, 150, 29), (210, 10, 250, 30), (0, 40, 50, 60), (0, 70, 50, 90), (0, 95, 9, 99)]
    reading(Engine(boxes, ["10:15", "2026-06-16 ", "UTC", "far", "below", "unsure", "  "], [0.9, 0.8, 0.95, 0.7, 0.6, 0.49, 0.9]))
    assert read_strip(PAGE) == (
        TextLine("2026-06-16 10:15 UTC", 0.8, 20.0), TextLine("far", 0.7, 20.0), TextLine("below", 0.6, 20.0),
    )  # fmt: skip


@pytest.mark.parametrize(("gap", "lower", "one"), [(49, 0, True), (51, 0, False), (10, 9, True), (10, 11, False)])
def test_one_line_ends_at_a_wide_gap_or_where_the_next_begins(reading, gap: int, lower: int, one: bool) -> None:
    """Two parts 20 px high: at most two and a half heights apart, and level by more than half of one."""
    reading(Engine([(0, 20, 50, 40), (50 + gap, 20 + lower, 100 + gap, 40 + lower)], ["a", "b"], [0.9, 0.9]))
    assert [line.text for line in read_strip(PAGE)] == (["a b"] if one else ["a", "b"])


def test_the_engine_gets_colours_as_it_learnt_them_and_nothing_too_small(reading) -> None:
    engine = reading(Engine([(1, 2, 30, 20)], ["a"], [0.9]))
    assert find_text(PAGE).shape == (1, 4, 2)
    assert np.array_equal(engine.given[0], PAGE[..., ::-1]), "blue first"
    for small in (PAGE[:15], PAGE[:, :15]):
        assert find_text(small).shape == (0, 4, 2) and read_strip(small) == ()
    assert len(engine.given) == 1 and find_text(PAGE[:16, :16]).shape == (1, 4, 2)
    reading(Engine([], [], []))
    assert find_text(PAGE).shape == (0, 4, 2) and read_strip(PAGE) == () and read_boxes(PAGE, np.zeros((0, 4, 2), np.float32)) == ()


@pytest.mark.parametrize("angle", [0.0, 25.0, -40.0])
def test_a_place_is_cut_out_level_whichever_way_it_lies(reading, angle: float) -> None:
    """A label laid into a page at an angle comes back as it was, and turned over where that is asked for."""
    label = cv2.GaussianBlur(np.random.default_rng(2).integers(0, 256, (40, 120, 3), np.uint8), (0, 0), 4)
    turn = cv2.getRotationMatrix2D((60, 20), angle, 1.0)
    turn[:, 2] += (90, 80)
    page = cv2.warpAffine(label, turn, (300, 200), flags=cv2.INTER_CUBIC)
    corners = np.array([[0, 0, 1], [120, 0, 1], [120, 40, 1], [0, 40, 1]]) @ turn.T
    for over in (False, True):
        engine = reading(Engine([(0, 0, 1, 1)], ["TH-02"], [0.9]))
        (line,) = read_boxes(page, corners[None].astype(np.float32), turned=over)
        assert line == TextLine("TH-02", 0.9, 40.0)
        (cut,) = engine.given
        want = label[::-1, ::-1, ::-1] if over else label[..., ::-1]
        assert cut.shape == want.shape
        assert np.abs(cut.astype(int) - want)[5:-5, 5:-5].mean() < 6


def test_a_place_that_runs_upwards_is_read_from_below_and_a_large_one_is_made_smaller(reading) -> None:
    upright = np.array([[[10, 10], [40, 10], [40, 190], [10, 190]]], np.float32)
    engine = reading(Engine([(0, 0, 1, 1)], ["TH-02"], [0.9]))
    assert read_boxes(PAGE, upright)[0].height_px == 30.0
    assert engine.given[0].shape == (30, 180, 3)
    engine = reading(Engine([(0, 0, 1, 1)], ["TH-02"], [0.9]))
    read_boxes(PAGE, np.array([[[0, 0], [290, 0], [290, 96], [0, 96]]], np.float32))
    assert engine.given[0].shape == (48, 145, 3), "as high as what is recognised"


def test_lines_come_back_from_what_is_kept_and_what_is_no_line_is_left_out() -> None:
    lines = (TextLine("TH-02", 0.912, 20.5), TextLine("ä", 0.5, 1.0))
    record = lines_to_record(lines)
    assert lines_from_record(record) == lines
    assert lines_from_record({"lines": [*record["lines"], "x", ["a", 1], None]}) == lines and lines_from_record({}) == ()

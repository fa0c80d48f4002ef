"""Printed ids: read where they can mean one camera of the plan alone, silent everywhere else."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.match import reading
from audit.match.reading import IdReader, read_label, unread_sentence
from audit.photos import text
from audit.photos.text import TextLine, find_text, legible, lines_from_record, lines_to_record, read_boxes

FONT = str(Path(__file__).parents[2] / "audit" / "report" / "fonts" / "DejaVuSans-Bold.ttf")
IDS = (("TH-01", "SN4471183"), ("TH-07", "SN4471188"), ("TH-10", "7C0B55"), ("bay", "12"), ("G-1", None))
READER = IdReader(IDS)


def told(*texts: str, score: float = 0.98) -> str | None:
    return READER.told([TextLine(text, score, 30.0) for text in texts])


@pytest.mark.parametrize(
    ("texts", "meant"),
    [(("TH-07",), "TH-07"), (("Cam th 07 north",), "TH-07"), (("S/N: SN4471183",), "SN4471183"), (("ID TH_10", "DC 12V"), "TH-10"),
     (("7C OB55",), "7C0B55"), (("SN447I183",), "SN4471183"), (("TH-01", "SN4471183"), "TH-01"), (("G-1 gate",), None),
     (("TH-O7",), None), (("TH-01", "TH-07"), None), (("TH-011",), None), (("XTH-01",), None), (("bay 12",), None),
     (("12",), None), (("TH-99",), None), ((), None)],
)  # fmt: skip
def test_what_a_label_means(texts: tuple[str, ...], meant: str | None) -> None:
    assert told(*texts) == meant


def test_a_doubtful_reading_says_nothing() -> None:
    assert told("TH-07", score=0.6) is None
    assert told("SN447I183", score=0.88) is None and told("SN4471183", score=0.88) == "SN4471183"
    assert told("TH-07", score=0.84) is None and told("TH-07", score=0.85) == "TH-07", "from 0.85 on, as measured on 400 labels"
    assert told("SN447I183", score=0.91) is None and told("SN447I183", score=0.92) == "SN4471183", "and from 0.92 with one confused"


def test_ids_that_look_alike_are_never_guessed() -> None:
    alike = IdReader((("CAM-0001", None), ("CAM-O001", None), ("CAM-00I1", None)))
    assert alike.told([TextLine("CAM-0OO1", 0.99, 30.0)]) is None
    assert alike.told([TextLine("CAM-O001", 0.99, 30.0)]) == "CAM-O001"


@settings(deadline=None)
@given(st.lists(st.text(max_size=40), max_size=6))
def test_any_text_is_taken_as_text(texts: list[str]) -> None:
    lines = [TextLine(text, 0.99, 20.0) for text in texts]
    meant = READER.told(lines)
    assert meant is None or meant in {text for pair in IDS for text in pair}
    assert lines_from_record(lines_to_record(lines)) == tuple(lines)


def test_five_thousand_ids_are_quick_to_look_through() -> None:
    many = IdReader(tuple((f"CAM-{k:05d}", f"SN{k * 7919 % 10_000_000:07d}") for k in range(5000)))
    assert many.told([TextLine("S/N SN0007919", 0.97, 30.0), TextLine("a poster with 5000 words " * 5, 0.9, 10.0)]) == "SN0007919"


def label(text: str, height_px: int = 34, lines: tuple[str, ...] = ("MODEL CAMERA", "", "DC 12V 7W")) -> NDArray[np.uint8]:
    font = ImageFont.truetype(FONT, height_px)
    picture = Image.new("RGB", (640, 420), (120, 130, 140))
    draw = ImageDraw.Draw(picture)
    draw.rectangle((60, 80, 580, 340), fill=(236, 236, 230))
    for k, line in enumerate(lines):
        draw.text((90, 100 + k * 75), line or text, font=font, fill=(20, 20, 20))
    return np.asarray(picture)


def test_a_printed_label_is_read() -> None:
    lines = read_label(label("SN4471183"), READER)
    assert READER.told(lines) == "SN4471183" and all(line.height_px > 10 for line in lines)


@pytest.mark.parametrize("turn", [cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180])
@pytest.mark.parametrize("printed", ["SN4471188", "TH-07"])
def test_a_turned_label_is_read(printed: str, turn: int) -> None:
    assert READER.told(read_label(np.asarray(cv2.rotate(label(printed), turn), dtype=np.uint8), READER)) == printed


def test_a_mirrored_label_names_no_camera() -> None:
    assert READER.told(read_label(np.ascontiguousarray(label("SN4471183")[:, ::-1]), READER)) is None


def test_a_picture_without_text_has_none() -> None:
    assert not len(find_text(np.full((200, 300, 3), 128, np.uint8))) and not len(find_text(np.zeros((8, 8, 3), np.uint8)))


def test_small_print_is_found_at_a_small_size_and_read_at_the_size_that_the_picture_has() -> None:
    large = np.kron(label("SN4471183", 34), np.ones((3, 3, 1), np.uint8))
    small = np.ascontiguousarray(large[::5, ::5])
    boxes = find_text(small)
    (line,) = [line for line in legible(read_boxes(large, boxes * np.float32(5))) if line.text.startswith("SN")]
    assert line.text == "SN4471183" and 60 < line.height_px < 220


def test_print_that_stands_well_upright_is_not_turned_over(monkeypatch: pytest.MonkeyPatch) -> None:
    turns: list[bool] = []

    def read(pixels: NDArray[np.uint8], boxes: NDArray[np.float32], *, turned: bool = False) -> tuple[TextLine, ...]:
        turns.append(turned)
        return tuple(TextLine(f"NO ID {n}", 0.97, 30.0) for n in range(len(boxes)))

    monkeypatch.setattr(reading, "read_boxes", read)
    read_label(label("YD-31 SN9930017"), READER)
    assert turns and not any(turns)


@pytest.mark.parametrize(("side_px", "looks"), [(900, [(900, 960)]), (1600, [(1600, 960), (1600, 1280)]), (4000, [(4000, 960), (2202, 1280)])])
def test_where_no_id_is_read_a_large_picture_is_looked_through_again_in_its_middle(
    side_px: int, looks: list[tuple[int, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The middle is 55 % of each side, to the pixel; the mark in the picture's centre stays in its centre."""
    seen: list[tuple[int, int]] = []

    def lines(pixels: NDArray[np.uint8], longest_px: int, ids: IdReader) -> tuple[TextLine, ...]:
        seen.append((pixels.shape[1], longest_px))
        row, column = (int(np.median(at)) for at in np.nonzero(pixels[..., 0]))
        assert abs(2 * row - pixels.shape[0]) <= 4 and abs(2 * column - pixels.shape[1]) <= 4 and abs(pixels.shape[0] / pixels.shape[1] - 0.75) < 0.01
        return (TextLine("NO ID", 0.97, 30.0),)

    picture = np.zeros((side_px * 3 // 4, side_px, 3), np.uint8)
    picture[side_px * 3 // 8, side_px // 2] = 255
    monkeypatch.setattr(reading, "_lines", lines)
    read_label(picture, READER)
    assert seen == looks


def test_without_an_engine_the_rest_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "_engine", lambda: None)
    assert read_label(label("SN4471183"), READER) == ()


def test_without_the_engine_what_stays_unread_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    assert unread_sentence(3, 2) is None
    monkeypatch.setattr(reading, "has", lambda _: False)
    both = unread_sentence(1, 2)
    assert both is not None and both.startswith("1 photo that nothing else places was not read for printed ids; names and clocks burnt into 2")
    alone = unread_sentence(0, 1)
    assert alone is not None and alone.startswith("Names and clocks burnt into 1 snapshot were not read; install the reader")
    assert unread_sentence(0) is None

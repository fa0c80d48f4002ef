"""Print that must name no camera, or none wrongly, and readers that fail: the visit goes on."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.account.doubts import visit_doubts
from audit.logbook import Logbook
from audit.match import reading as match_reading
from audit.match.reading import IdReader, read_label, unread_sentence
from audit.photos.text import TextLine
from audit.plan.files import read_plan
from audit.visit import reading, run_visit
from tests.match.test_reading import FONT, IDS, READER, label


def page(lines: list[str], height_px: int = 30, size: tuple[int, int] = (1280, 900)) -> NDArray[np.uint8]:
    """Light text on a dark screen."""
    picture = Image.new("RGB", size, (18, 24, 38))
    draw, font = ImageDraw.Draw(picture), ImageFont.truetype(FONT, height_px)
    for number, line in enumerate(lines):
        draw.text((40, 30 + number * int(1.5 * height_px)), line, font=font, fill=(220, 226, 235))
    return np.asarray(picture)


@pytest.mark.parametrize("lines", [("КАМЕРА", "ТН-07", "Сделано"), ("ΚΑΜΕΡΑ", "ΤΗ-Ο7", "Σειρά"), ("كاميرا", "", "")])
def test_print_in_other_scripts_names_no_camera(lines: tuple[str, str, str]) -> None:
    assert READER.told([TextLine(line, 0.99, 30.0) for line in lines]) is None, "Cyrillic and Greek letters only look like the plan's"


def test_a_label_in_another_script_beside_the_id_takes_nothing_from_it() -> None:
    assert READER.told(read_label(label("SN4471183", lines=("КАМЕРА", "", "ПИТАНИЕ 12В")), READER)) == "SN4471183"


def test_a_screen_full_of_text_that_lists_many_cameras_names_none_of_them() -> None:
    lines = [f"{camera}  {serial or ''}  online  10.0.0.{n}" for n, (camera, serial) in enumerate(IDS)] * 3
    assert READER.told(read_label(page(lines), READER)) is None


def test_a_label_of_another_site_and_a_poster_with_numbers_name_none() -> None:
    assert READER.told(read_label(label("YD-31 SN9930017"), READER)) is None
    assert READER.told(read_label(page(["SALE 4471183", "CALL 0123 4471 188", "OPEN 10-12"]), READER)) is None


def test_a_plan_whose_ids_are_words_or_single_digits_is_told_by_nothing_that_is_printed_everywhere() -> None:
    plain = IdReader((("1", None), ("2", None), ("gate", None), ("yard", None), ("7", "0042")))
    assert plain.told(read_label(label("GATE 2", lines=("YARD 1", "", "DC 12V 7W")), plain)) is None


@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "<b>TH-07</b>", "{{TH-01}}", "'; DROP TABLE photos; --", "%s%n", "TH-07\x00"])
def test_a_formula_or_markup_is_text_like_any_other(text: str) -> None:
    meant = READER.told([TextLine(text, 0.99, 30.0)])
    assert meant in (None, "TH-07", "TH-01"), "only what the plan itself says is ever handed on"


@pytest.fixture
def sent(tmp_path: Path, plan: Path) -> tuple[Logbook, Path]:
    """A logbook of two cameras, and a folder with one label that a messenger stripped."""
    folder = tmp_path / "photos"
    folder.mkdir()
    Image.fromarray(label("no id", 40)).resize((1280, 840)).save(folder / "sent.jpg", quality=92)
    return Logbook.create(str(tmp_path / "book"), read_plan(plan), plan.name, plan.read_bytes()), folder


def test_where_the_time_for_reading_runs_out_the_visit_goes_on_says_so_and_reads_the_rest_next_time(
    sent: tuple[Logbook, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    book, folder = sent
    monkeypatch.setattr(match_reading, "may_hold_print", lambda _: True)
    monkeypatch.setattr(reading, "may_hold_print", lambda _: True)
    with book:
        monkeypatch.setattr(reading, "MOST_S", -1.0)
        summary = run_visit(book, folder, "commissioning", date(2026, 6, 16))
        assert summary.photos == 1
        (told,) = [s for s in visit_doubts(book, summary.visit) if "printed ids" in s]
        assert told.startswith("1 photo that nothing else places was not read") and "run the visit again" in told
        monkeypatch.undo()
        monkeypatch.setattr(match_reading, "may_hold_print", lambda _: True)
        monkeypatch.setattr(reading, "may_hold_print", lambda _: True)
        again = run_visit(book, folder, "commissioning", date(2026, 6, 16))
        assert not [s for s in visit_doubts(book, again.visit) if "printed ids" in s]


def test_a_reader_that_fails_on_a_photo_leaves_it_unread_and_the_visit_goes_on(
    sent: tuple[Logbook, Path], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("the engine ran out of memory")

    book, folder = sent
    monkeypatch.setattr(match_reading, "may_hold_print", lambda _: True)
    monkeypatch.setattr(reading, "may_hold_print", lambda _: True)
    monkeypatch.setattr(reading, "read_label", fails)
    with book:
        summary = run_visit(book, folder, "commissioning", date(2026, 6, 16))
        assert "its text could not be read (the engine ran out of memory)" in caplog.text
        assert any("not read for printed ids" in s for s in visit_doubts(book, summary.visit))


def test_what_was_not_read_is_said_in_one_sentence() -> None:
    assert unread_sentence(3, 2, 0) is None
    one = unread_sentence(3, 2, 1)
    assert one is not None and one.startswith("1 photo that nothing else places was not read for printed ids: the time")

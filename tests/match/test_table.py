"""The contract's tables of metadata and answers."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import AuditError
from audit.match.table import COLUMNS, read_answers, read_metadata_table, table_rows

HEADER = ",".join(COLUMNS)


def table(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / "photos.csv"
    path.write_text("\n".join((header, *rows)) + "\n", encoding="utf-8")
    return path


def test_a_full_row_is_read(tmp_path: Path) -> None:
    photos, errors = read_metadata_table(table(
        tmp_path, "a.jpg,2026-06-16T10:05:00+00:00,46.5,-18,4.5,314.66,M,12,phone,TH0001,label,00ff00ff00ff00ff"))
    assert errors == ()
    meta = photos[0].metadata
    assert (meta.latitude, meta.longitude, meta.position_error_m) == (46.5, -18.0, 4.5)
    assert (meta.bearing_deg, meta.bearing_reference, meta.serial) == (314.66, "M", "TH0001")
    assert meta.taken_at is not None and meta.taken_at.tzinfo is not None
    assert photos[0].picture_hash == "00ff00ff00ff00ff"


def test_empty_cells_are_absent_and_a_time_without_offset_stays_the_devices_own(tmp_path: Path) -> None:
    photos, errors = read_metadata_table(table(tmp_path, "a.jpg,2026-06-16T10:05:00,,,,,,,,,,"))
    assert errors == ()
    meta = photos[0].metadata
    assert meta.taken_at is not None and meta.taken_at.tzinfo is None
    assert meta.latitude is meta.bearing_deg is meta.device is meta.text is None


def test_absurd_cells_are_left_out_with_a_sentence_and_the_photo_is_kept(tmp_path: Path) -> None:
    photos, errors = read_metadata_table(table(
        tmp_path, "a.jpg,yesterday,91,0,-3,nan,X,,,,,xyz", ",,,,,,,,,,,", "a.jpg,,,,,,,,,,,"))
    assert len(photos) == 1
    assert photos[0].metadata.latitude is None and photos[0].metadata.longitude is None
    text = " ".join(error.message for error in errors)
    for word in ("taken_at", "latitude", "position_error_m", "bearing_deg", "bearing_reference", "picture_hash",
                 "second time"):
        assert word in text
    assert all(error.row >= 2 for error in errors)


def test_missing_column_and_missing_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match="photo"):
        read_metadata_table(table(tmp_path, "x", header="name"))
    with pytest.raises(AuditError, match="absent.csv"):
        read_metadata_table(tmp_path / "absent.csv")


def test_answers_take_an_empty_camera_as_none(tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text("photo,camera\na.jpg,TH-1\nb.jpg,\n", encoding="utf-8")
    assert read_answers(path) == {"a.jpg": "TH-1", "b.jpg": None}


def test_every_table_refuses_text_that_is_not_utf8_by_name(tmp_path: Path) -> None:
    from audit.cli.pictures import measure_jobs

    photos, answers, images = (tmp_path / name for name in ("photos.csv", "answers.csv", "images.csv"))
    photos.write_bytes(b"photo\nb\xfcro.jpg\n")
    answers.write_bytes(b"photo,camera\nb\xfcro.jpg,TH-1\n")
    images.write_bytes(b"file\nb\xfcro.jpg\n")
    for path, read in ((photos, read_metadata_table), (answers, read_answers),
                       (images, lambda path: measure_jobs((), path, None, None))):
        with pytest.raises(AuditError, match=rf"{path.name}: the .* is not UTF-8 text; save it as CSV in UTF-8"):
            read(path)


def test_one_reader_takes_commas_semicolons_and_quoted_lines(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(b'\xef\xbb\xbfFile; note\r\n"a.jpg";"two\r\nlines"\r\n;\r\nb.jpg\r\n')
    assert table_rows(path, ("file",), "list") == [(3, {"file": "a.jpg", "note": "two\r\nlines"}),
                                                   (5, {"file": "b.jpg", "note": ""})]


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_no_bytes_bring_an_error_other_than_ours(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.mktemp("t") / "photos.csv"
    path.write_bytes(HEADER.encode() + b"\n" + data)
    try:
        photos, _ = read_metadata_table(path)
    except AuditError:
        return
    assert all(photo.name for photo in photos)

"""Tags of one EXIF block."""

from __future__ import annotations

import struct

import exifread
import pytest
from hostile_files import directory, exif_block

from audit.photos.exif import read_tags


def test_both_byte_orders_and_the_large_form_read_alike() -> None:
    for order, mark in (("<", b"II"), (">", b"MM")):
        small = (
            mark + struct.pack(order + "HIH", 42, 8, 1) + struct.pack(order + "HHIHH", 0x0112, 3, 1, 6, 0) + bytes(4)
        )
        large = (
            mark
            + struct.pack(order + "HHHQQ", 43, 8, 0, 16, 1)
            + struct.pack(order + "HHQHHI", 0x0112, 3, 1, 6, 0, 0)
            + bytes(8)
        )
        assert read_tags(small).values == {"Orientation": (6,)}
        assert read_tags(large).values == {"Orientation": (6,)}


def test_every_numeric_type_is_decoded() -> None:
    for kind, code, value in ((3, "H", 6), (4, "I", 6), (9, "i", 6), (8, "h", 6)):
        field = struct.pack("<" + code, value).ljust(4, b"\x00")
        block = b"II*\x00\x08\x00\x00\x00\x01\x00" + struct.pack("<HHI", 0x0112, kind, 1) + field + bytes(4)
        assert read_tags(block).values["Orientation"] == (value,)


def test_photo_fields_in_the_first_directory_are_found() -> None:
    text = b"2026:06:16 10:15:30\x00"
    block = directory([(0x9003, 2, len(text), 26)]) + text
    assert read_tags(block).values["DateTimeOriginal"] == "2026:06:16 10:15:30"


def test_block_without_a_wanted_field_is_sound() -> None:
    found = read_tags(directory([(0x0128, 3, 1, 2)]))
    assert (found.values, found.notes) == ({}, [])


def test_unterminated_text_keeps_its_last_letter() -> None:
    block = directory([(0x0110, 2, 4, int.from_bytes(b"P-17", "little"))])
    assert read_tags(block).values["Model"] == "P-17"


def test_maker_notes_are_not_read() -> None:
    assert "MakerNote" not in read_tags(directory([(0x927C, 7, 0xFFFFFFFF, 8), (0x0112, 3, 1, 3)])).values
    assert read_tags(directory([(0x927C, 7, 0xFFFFFFFF, 8), (0x0112, 3, 1, 3)])).values["Orientation"] == (3,)


@pytest.mark.parametrize("junk", [b"\x00\x00", b"XX*\x00" + bytes(40), b"II" + bytes(40), exif_block()[:9]])
def test_block_that_cant_be_read_is_noted(junk: bytes) -> None:
    found = read_tags(junk)
    assert found.values == {}
    assert bool(found.notes) == bool(junk.strip(b"\x00"))


def test_second_reader_stands_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    block = exif_block()
    spoilt = block[:2] + b"\x99\x99" + block[4:]
    monkeypatch.setattr(exifread, "process_file", lambda stream, **_: real(stream_of(block)))
    real = _PROCESS
    found = read_tags(spoilt).values
    assert found["DateTimeOriginal"] == "2026:06:16 10:15:30"
    assert [float(part) for part in found["GPSLatitude"]] == [46.0, 30.0, 3.6]


def test_second_reader_that_raises_is_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(stream: object, **_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(exifread, "process_file", fail)
    assert read_tags(b"XX*\x00" + bytes(20) + b"x").notes == ["the EXIF block can't be read"]


_PROCESS = exifread.process_file


def stream_of(block: bytes) -> object:
    import io

    return io.BytesIO(block)

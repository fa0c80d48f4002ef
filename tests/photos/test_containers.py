"""What the bytes are, how large the picture is, and where metadata lies."""

from __future__ import annotations

import io

import pytest
from hostile_files import scene, sound_file
from PIL import Image

from audit.photos.containers import blocks, describe, read_header, sniff, whole_png


@pytest.mark.parametrize(
    ("kind", "name"), [("JPEG", "JPEG"), ("PROGRESSIVE", "JPEG"), ("PNG", "PNG"), ("TIFF", "TIFF"), ("LZW", "TIFF"), ("WEBP", "WEBP"), ("HEIF", "HEIF")]
)  # fmt: skip
def test_format_and_size_come_from_the_header(kind: str, name: str) -> None:
    header = read_header(sound_file(kind, scene(128, 96)))
    assert header is not None
    assert (header.format, header.width_px, header.height_px, header.progressive) == (
        name,
        128,
        96,
        kind == "PROGRESSIVE",
    )


@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 60}, {"quality": 60, "xmp": b"<x/>"}])
def test_every_webp_kind_states_its_size(options: dict[str, object]) -> None:
    out = io.BytesIO()
    Image.fromarray(scene(75, 51)).save(out, "WEBP", **options)
    header = read_header(out.getvalue())
    assert header is not None
    assert (header.width_px, header.height_px) == (75, 51)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_headers_cut_anywhere_are_walked_safely(kind: str) -> None:
    data = sound_file(kind, scene(48, 32))
    for length in range(0, min(len(data), 900), 7):
        header = read_header(data[:length])
        if header is not None:
            assert header.format == kind
            blocks(data[:length], kind)


@pytest.mark.parametrize(
    ("data", "other", "name"),
    [
        (b"BM" + bytes(60), True, "BMP"),
        (b"\x00\x00\x00\x0cJXL \r\n\x87\n", True, "JPEG XL"),
        (b"\x00\x00\x00\x20ftypisom" + bytes(40), False, "a film"),
        (b"\x00\x00\x00\x20ftypavif" + bytes(40), True, "AVIF"),
        (b"\x00\x00\x00\x18ftypcrx " + bytes(40), True, "raw"),
        (b"%PDF-1.7", False, "a PDF document"),
        ("Straße, Zeile 2\n".encode() * 900, False, "text"),
        (b"\x93\xf1\x88\x07" * 40, False, "unknown data"),
    ],
)
def test_what_else_a_file_is(data: bytes, other: bool, name: str) -> None:
    assert sniff(data) is None
    assert describe(data) == (other, name)


def test_png_is_whole_only_with_all_its_chunks() -> None:
    data = sound_file("PNG")
    assert whole_png(data)
    assert whole_png(data + b"trailing bytes")
    assert not whole_png(data[:-12])
    assert not whole_png(data[: len(data) // 2])


def test_exif_and_comments_are_found_where_they_lie() -> None:
    found = blocks(sound_file("JPEG")[:2] + b"\xff\xfe\x00\x07TH-02" + sound_file("JPEG")[2:], "JPEG")
    assert len(found.exif) == 1
    assert found.exif[0][:2] in (b"II", b"MM")
    assert found.texts == (("comment", "TH-02"),)

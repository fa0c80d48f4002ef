"""Pixels come upright, 8-bit RGB, at the size asked for, whatever the file's format."""

from __future__ import annotations

import io
import struct
import tracemalloc

import cv2
import imagehash
import numpy as np
import piexif
import pytest
from hostile_files import exif_block, jpeg_with_scans, jpeg_with_stated_size, png_bomb, scene, sound_file
from PIL import Image, ImageOps

from audit.photos.pixels import Undecodable, apply_orientation, decode, decode_with_size, picture_hash, preview_jpeg


def four_quarters() -> np.ndarray:
    picture = np.zeros((60, 100, 3), np.uint8)
    picture[:30, :50], picture[:30, 50:] = (250, 0, 0), (0, 250, 0)
    picture[30:, :50], picture[30:, 50:] = (0, 0, 250), (250, 250, 0)
    return picture


def stored_for(upright: np.ndarray, orientation: int) -> np.ndarray:
    """The pixels a camera stores so that the orientation turns them upright (found by Pillow's own turning)."""
    for candidate in range(1, 9):
        stored = apply_orientation(upright, candidate)
        image = Image.fromarray(np.ascontiguousarray(stored))
        exif = Image.Exif()
        exif[0x0112] = orientation
        image.info["exif"] = exif.tobytes()
        buffer = io.BytesIO()
        image.save(buffer, "PNG", exif=exif)
        turned = np.asarray(ImageOps.exif_transpose(Image.open(buffer)))
        if turned.shape == upright.shape and np.array_equal(turned, upright):
            return np.ascontiguousarray(stored)
    raise AssertionError("no stored form found")


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PROGRESSIVE", "PNG", "TIFF", "WEBP", "HEIF"])
def test_orientation_is_applied_exactly_once(kind: str, orientation: int) -> None:
    # Outside reference: Pillow's ImageOps.exif_transpose says what each orientation means.
    upright = four_quarters()
    data = sound_file(kind, stored_for(upright, orientation), exif_block(orientation))
    pixels = decode(data)
    assert pixels.shape == upright.shape
    assert np.abs(pixels.astype(int) - upright).mean() < 5


def test_reduced_decoding_turns_too_and_reports_the_whole_size() -> None:
    upright = np.asarray(Image.fromarray(four_quarters()).resize((1000, 600), Image.Resampling.NEAREST))
    data = sound_file("JPEG", stored_for(upright, 6), exif_block(6))
    decoded = decode_with_size(data, 200, orientation=6)
    assert (decoded.width_px, decoded.height_px) == (1000, 600)
    assert decoded.pixels.shape == (120, 200, 3)
    assert np.abs(decoded.pixels[10:50, 10:90].astype(int) - (250, 0, 0)).mean() < 5


@pytest.mark.parametrize("asked", [50, 160, 333, 1000, None])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
def test_long_side_is_at_most_what_was_asked(kind: str, asked: int | None) -> None:
    decoded = decode_with_size(sound_file(kind), asked)
    assert max(decoded.pixels.shape[:2]) == min(asked or 320, 320)
    assert (decoded.width_px, decoded.height_px) == (320, 240)


def test_reduced_pixels_match_the_full_picture_reduced() -> None:
    picture = scene(1601, 1203)
    data = sound_file("JPEG", picture)
    whole = cv2.resize(decode(data), (400, 301), interpolation=cv2.INTER_AREA)
    small = cv2.resize(decode(data, 400), (400, 301), interpolation=cv2.INTER_AREA)
    assert np.abs(whole.astype(int) - small).mean() < 2


def coded(image: Image.Image, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("mode", ["L", "1", "P", "RGBA", "LA", "CMYK", "I;16", "YCbCr", "F"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_every_colour_kind_becomes_rgb(kind: str, mode: str) -> None:
    image = Image.fromarray(scene(64, 48))
    if kind == "WEBP" and mode in ("I;16", "F"):
        pytest.skip("Pillow clips deep pixels when it writes WebP")
    try:
        if mode == "I;16":
            deep = (np.asarray(image.convert("L")).astype(np.uint16) * 257).astype(np.uint16)
            data = coded(Image.fromarray(deep), kind)
        else:
            data = coded(image.convert(mode), kind)
    except (OSError, KeyError, ValueError):
        pytest.skip(f"Pillow writes no {mode} as {kind}")
    pixels = decode(data)
    assert pixels.dtype == np.uint8
    assert pixels.shape == (48, 64, 3)
    if mode not in ("1", "P"):
        grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(float)
        true = np.asarray(image.convert("L"), dtype=float)
        assert np.corrcoef(grey.ravel(), true.ravel())[0, 1] > 0.9


def test_sixteen_bit_colour_png_keeps_its_brightness() -> None:
    deep = (scene(64, 48).astype(np.uint16) * 257)[..., ::-1]
    good, data = cv2.imencode(".png", deep)
    assert good
    assert np.abs(decode(data.tobytes()).astype(int) - scene(64, 48)).max() <= 1


@pytest.mark.parametrize("mark", [0xC612, 0xC5F7])
def test_raw_photo_gives_its_largest_preview(mark: int) -> None:
    """A DNG by its version tag, and a maker's raw photo that is a TIFF whose first picture is a small one."""
    large, small = sound_file("JPEG", scene(320, 240)), sound_file("JPEG", scene(64, 48))
    entries = [
        (0x0FE, 4, 1, 1), (0x0112, 3, 1, 6), (0x201, 4, 1, 0), (0x202, 4, 1, len(small)), (0x14A, 4, 1, 0), (mark, 1, 4, 1),
        (0x100, 4, 1, 64), (0x101, 4, 1, 48),
    ]  # fmt: skip

    def table(rows: list[tuple[int, int, int, int]], following: int = 0) -> bytes:
        body = b"".join(struct.pack("<HHII", *row) for row in sorted(rows))
        return struct.pack("<H", len(rows)) + body + struct.pack("<I", following)

    first_at = 8
    sub_at = first_at + len(table(entries))
    sub = [(0x103, 3, 1, 7), (0x106, 3, 1, 6), (0x111, 4, 1, 0), (0x117, 4, 1, len(large))]
    small_at = sub_at + len(table(sub))
    large_at = small_at + len(small)
    entries[2], entries[4], sub[2] = (0x201, 4, 1, small_at), (0x14A, 4, 1, sub_at), (0x111, 4, 1, large_at)
    data = b"II*\x00" + struct.pack("<I", first_at) + table(entries) + table(sub) + small + large
    decoded = decode_with_size(data, orientation=6)
    assert (decoded.width_px, decoded.height_px) == (240, 320)
    assert decoded.notes == ("measured on the preview inside the raw photo",)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"hello", "not an image"),
        (jpeg_with_stated_size(60_000, 60_000), "too large"),
        (jpeg_with_stated_size(0, 10), "damaged"),
        (png_bomb(20_000), "too large"),
        (sound_file("JPEG")[:4000], "damaged"),
        (sound_file("PNG")[:4000], "damaged"),
        (sound_file("HEIF")[:1000], "damaged"),
    ],
)
def test_what_cant_be_decoded_says_of_which_kind_it_is(data: bytes, kind: str) -> None:
    with pytest.raises(Undecodable) as caught:
        decode(data)
    assert caught.value.kind == kind


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8, 0.95])
@pytest.mark.parametrize("tail", [b"", b"\xff\xd9"])
def test_jpeg_that_ends_before_its_picture_is_damaged(share: float, tail: bytes) -> None:
    data = sound_file("JPEG", scene(640, 480))
    with pytest.raises(Undecodable, match=r"cut short"):
        decode(data[: int(len(data) * share)] + tail)


@pytest.mark.parametrize("kind", ["JPEG", "PROGRESSIVE"])
@pytest.mark.parametrize("level", [0, 128, 255])
def test_picture_with_a_flat_lower_part_is_sound(kind: str, level: int) -> None:
    picture = scene(640, 480)
    picture[300:] = level
    assert decode(sound_file(kind, picture), 400).shape == (300, 400, 3)


def test_heif_without_its_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
    with pytest.raises(Undecodable, match="pillow-heif") as caught:
        decode(sound_heif())
    assert caught.value.kind == "unsupported"


def sound_heif() -> bytes:
    return b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(200)


def distance(one: str, other: str) -> int:
    return bin(int(one, 16) ^ int(other, 16)).count("1")


def test_hash_survives_saving_and_resizing_and_tells_pictures_apart() -> None:
    from skimage import data as pictures

    names = ("astronaut", "coffee", "chelsea", "rocket")
    originals = {name: np.ascontiguousarray(getattr(pictures, name)()[..., :3]) for name in names}
    hashes = {name: picture_hash(picture) for name, picture in originals.items()}
    for name, picture in originals.items():
        assert len(hashes[name]) == 16
        again = decode(sound_file("JPEG", cv2.resize(picture, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)))
        assert distance(hashes[name], picture_hash(again)) <= 6
        theirs = imagehash.phash(Image.fromarray(picture)) - imagehash.phash(Image.fromarray(again))
        assert distance(hashes[name], picture_hash(again)) <= theirs + 6
    for one in names:
        for other in names:
            if one < other:
                assert distance(hashes[one], hashes[other]) > 16


def test_hash_of_a_flat_picture_is_zeros() -> None:
    assert picture_hash(np.full((40, 60, 3), 77, np.uint8)) == "0" * 16


def test_preview_is_small_and_carries_no_metadata() -> None:
    preview = preview_jpeg(scene(), 100)
    assert max(Image.open(io.BytesIO(preview)).size) == 100
    assert not any(piexif.load(preview)[part] for part in ("0th", "Exif", "GPS"))


def test_a_scanned_page_takes_a_third_of_the_memory_that_a_coloured_one_does() -> None:
    """Fifteen megapixels of black on white, as scanners write them, opened at a small size."""
    page = Image.fromarray(np.tile(np.uint8([[0, 255], [255, 255]]), (2300, 1650))).convert("1")
    out = io.BytesIO()
    page.save(out, "TIFF", compression="group4")
    tracemalloc.start()
    small = decode(out.getvalue(), 400)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert small.shape == (400, 287, 3) and np.ptp(small, axis=2).max() == 0
    assert abs(float(small.mean()) - 0.75 * 255) < 2
    assert peak < 3.5 * page.width * page.height


@pytest.mark.parametrize(("kind", "most"), [("PNG", 80), ("progressive JPEG", 80), ("JPEG", 220)])
def test_what_must_be_unpacked_whole_may_be_smaller(kind: str, most: int) -> None:
    """A baseline JPEG is read at a fraction of its size; any other picture takes its whole size in memory."""
    side = 10_000 if most == 80 else 15_000
    data = jpeg_with_stated_size(side, side) if kind == "JPEG" else png_bomb(side)
    if kind == "progressive JPEG":
        data = bytearray(jpeg_with_scans(64, 0))
        at = data.find(b"\xff\xc2")
        data[at + 5 : at + 9] = struct.pack(">HH", side, side)
    with pytest.raises(Undecodable, match=rf"states {side} × {side} pixels, more than the {most} megapixels accepted"):
        decode(bytes(data), 1280)

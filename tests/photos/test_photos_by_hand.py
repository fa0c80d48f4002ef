"""Clocks, brands, coordinates and archives where the answer is known by hand, each from both sides of its limit."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import piexif
import pytest
from PIL import Image

from audit.errors import AuditError, PhotoRefused
from audit.photos import inbox, intake
from audit.photos.clocks import DeviceClock, device_clock_offsets, taken_utc
from audit.photos.containers import _webp_header, describe, riff_chunks, sniff
from audit.photos.exif import Tags, _all_bytes, _behind, read_tags
from audit.photos.inbox import Inbox
from audit.photos.intake import open_photo
from audit.photos.metadata import _comment, _degrees, _float, read_metadata
from audit.photos.photo import Metadata, Photo
from audit.photos.text import _cut_out
from tests.photos.hostile_files import scene, sound_file
from tests.photos.test_bounds import by_xmp

NOON = datetime(2026, 6, 16, 12, 0, 0, tzinfo=UTC)
LOCAL = datetime(2026, 6, 16, 14, 0, 10)  # noqa: DTZ001 - a camera's own clock


def test_a_clock_s_own_time_less_its_zone_and_its_error_is_utc() -> None:
    clock = DeviceClock(timedelta(seconds=10), timedelta(hours=2), 0.5, 3)
    assert clock.to_utc(LOCAL) == NOON
    assert clock.to_utc(LOCAL.replace(tzinfo=timezone(timedelta(hours=-3)))) == NOON + timedelta(hours=5)
    stated_only = DeviceClock(timedelta(seconds=10), None, 0.5, 3)
    assert stated_only.to_utc(LOCAL) is None
    assert stated_only.to_utc(LOCAL.replace(tzinfo=timezone(timedelta(hours=2)))) == NOON


def test_a_device_s_clock_comes_before_its_stated_offset_and_before_an_old_fix() -> None:
    fix = NOON - timedelta(minutes=40)
    clock = {"P-1": DeviceClock(timedelta(seconds=10), timedelta(hours=2), 0.5, 3)}
    assert taken_utc(Metadata(taken_at=LOCAL, gps_at=fix, device="P-1"), clock) == NOON
    assert taken_utc(Metadata(taken_at=LOCAL, gps_at=fix, device="P-2"), clock) == fix
    assert taken_utc(Metadata(taken_at=None, gps_at=fix, device="P-1"), clock) == fix
    stated = LOCAL.replace(tzinfo=timezone(timedelta(hours=2)))
    assert taken_utc(Metadata(taken_at=stated, gps_at=fix, device=None), clock) == NOON + timedelta(seconds=10)
    assert taken_utc(Metadata(taken_at=LOCAL, device="P-1"), {"P-1": DeviceClock(timedelta(0), None, 0.5, 1)}) is None


def photo(off_s: float, stated: bool) -> Photo:
    taken = NOON + timedelta(hours=2, seconds=off_s)
    taken = taken.astimezone(timezone(timedelta(hours=2))) - timedelta(hours=2) if stated else taken.replace(tzinfo=None)
    return Photo("a", "0" * 64, 1, "JPEG", 1, 1, Metadata(taken_at=taken, gps_at=NOON, device="P-1"))


def test_a_clock_s_scatter_is_that_of_a_median() -> None:
    """Sd of a median of n normal errors: 1.2533 sd / sqrt(n), the sd by 1.4826 median deviations; and half a second of reading."""
    clock = device_clock_offsets([photo(off, False) for off in (-4.0, -2.0, 0.0, 1.0, 5.0)])["P-1"]
    assert (clock.error, clock.zone, clock.photos) == (timedelta(0), timedelta(hours=2), 5)
    assert clock.error_sd_s == pytest.approx(((1.2533 * 1.4826 * 2.0) ** 2 / 5 + 0.25) ** 0.5)
    assert device_clock_offsets([photo(7.0, False)])["P-1"].error_sd_s == 0.5


def test_times_with_an_offset_tell_the_error_and_those_without_the_zone() -> None:
    clock = device_clock_offsets([photo(500.0, True), photo(500.0, True), photo(500.0, False)])["P-1"]
    assert (clock.error, clock.zone, clock.photos) == (timedelta(seconds=500), timedelta(hours=2), 3)
    naive = device_clock_offsets([photo(500.0, False)])["P-1"]
    assert (naive.error, naive.zone) == (timedelta(seconds=500 - 900), timedelta(hours=2, minutes=15)), "the nearest quarter of an hour"


@pytest.mark.parametrize(
    ("brand", "others", "kind"),
    [(b"heic", b"", "HEIF"), (b"mif1", b"heic", "HEIF"), (b"abcd", b"heic", "HEIF"), (b"abcd", b"efgh", None), (b"heic", b"avif", None), (b"avif", b"heic", None)],
)
def test_a_heif_is_known_by_any_of_its_brands_and_an_avif_too(brand: bytes, others: bytes, kind: str | None) -> None:
    """ISO/IEC 14496-12, 4.3: size, 'ftyp', major brand, minor version, compatible brands."""
    data = (16 + len(others)).to_bytes(4, "big") + b"ftyp" + brand + b"\x00" * 4 + others + b"\x00\x00\x00\x08mdat" + b"heic" * 4
    assert sniff(data) == kind and sniff(data[1:]) is None and sniff(b"\x00" + data) is None
    assert describe(data)[1] == ("AVIF" if brand == b"avif" else "a film")


@pytest.mark.parametrize(
    ("parts", "degrees"),
    [((45.5,), 45.5), ((45.0, 30.0), 45.5), ((45.0, 30.0, 36.0), 45.51), ((-45.0, 30.0, 36.0), -45.51), ((45.0, 30.5, float("nan")), 45 + 30.5 / 60),
     ((45.0, 30.0, float("nan")), None), ((45.5, float("nan")), 45.5), ((45.0, float("nan")), None), ((), None), ((float("nan"), 1.0), None),
     ((float("inf"),), None), ((45.0, -1.0), None), ((45.0, 1.0, 60.5), None), ((45.25, 0.0, float("nan")), 45.25)],
)  # fmt: skip
def test_degrees_minutes_and_seconds(parts: tuple[float, ...], degrees: float | None) -> None:
    assert _degrees(parts) == (None if degrees is None else pytest.approx(degrees, abs=1e-12))


@pytest.mark.parametrize(("value", "number"), [("7/2", 3.5), (" 12 ", 12.0), ("-1.5", -1.5), (3, 3.0)])
def test_numbers_of_any_kind(value: object, number: float) -> None:
    assert _float(value) == number


@pytest.mark.parametrize("value", ["1/0", "x", "", None, "1/x"])
def test_what_is_no_number(value: object) -> None:
    assert _float(value) != _float(value)


def test_the_second_reader_s_fields_are_the_first_s() -> None:
    tags = Tags()
    _behind(piexif.dump({"0th": {piexif.ImageIFD.Model: b"P-1"}, "GPS": {piexif.GPSIFD.GPSLatitude: ((45, 1), (30, 1), (36, 1))}})[6:], tags)
    latitude = tags.values["GPSLatitude"]
    assert isinstance(latitude, tuple) and [_float(part) for part in latitude] == [45.0, 30.0, 36.0] and tags.notes == []
    assert tags.values["Model"] == "P-1"


@pytest.mark.parametrize(("kind", "raw", "device"), [(2, b"P-1\x00old", "P-1"), (7, b"P-1\x00old", "P-1"), (7, b"\xdcber-7\x00\x00", "Über-7"), (7, b"\x00\x00\x00\x00\x00", None)])
def test_a_model_that_is_written_as_bytes_ends_at_its_nul_as_well(kind: int, raw: bytes, device: str | None) -> None:
    """A directory of one field (TIFF 6.0, section 2): tag 272, type ASCII or UNDEFINED; Latin-1 where it is nothing else."""
    entry = struct.pack("<HHII", 272, kind, len(raw), 26)
    block = b"II*\x00" + struct.pack("<IH", 8, 1) + entry + struct.pack("<I", 0) + raw
    assert read_metadata(sound_file("JPEG", scene(64, 48), block)).device == device


@pytest.mark.parametrize(("size", "cut"), [(256 << 10, False), ((256 << 10) + 1, True)])
def test_a_text_of_more_than_256_kib_is_cut_with_a_note(size: int, cut: bool) -> None:
    block = b"II*\x00" + struct.pack("<IH", 8, 1) + struct.pack("<HHII", 272, 2, size, 26) + struct.pack("<I", 0) + b"P-1\x00".ljust(size, b"x")
    found = read_tags(block)
    assert found.values["Model"] == "P-1" and any("too long" in note for note in found.notes) == cut


@pytest.mark.parametrize(("stamp", "expected"), [("2026-06-16T12:00:00Z", NOON), ("2026-06-16T12:00:00", NOON), ("2026-06-16T14:00:00+02:00", NOON), ("2026-06-16T12:00:00.5", NOON + timedelta(seconds=0.5)), ("noon", None)])
def test_satellite_time_in_a_packet_is_utc_unless_it_says_otherwise(stamp: str, expected: datetime | None) -> None:
    """Exif in XMP (CIPA DC-010): date and time in one, by ISO 8601."""
    found = by_xmp(GPSTimeStamp=stamp).gps_at
    assert found == expected and (found is None or found.tzinfo is not None)


@pytest.mark.parametrize(
    ("kind", "payload", "enough"),
    [(b"VP8L", b"\x2f" + ((640 - 1) | (480 - 1) << 14).to_bytes(4, "little"), 5), (b"VP8 ", b"\x00" * 3 + b"\x9d\x01\x2a" + struct.pack("<HH", 640, 480), 10),
     (b"VP8X", b"\x00" * 4 + (639).to_bytes(3, "little") + (479).to_bytes(3, "little"), 10)],
)  # fmt: skip
def test_a_webp_tells_its_size_by_its_first_bytes(kind: bytes, payload: bytes, enough: int) -> None:
    """WebP container: extended, lossy (RFC 6386, 9.1) and lossless headers; whole or cut off by one byte."""
    assert len(payload) == enough
    for missing in (0, 1):
        data = b"RIFF\x00\x00\x00\x00WEBP" + kind + len(payload).to_bytes(4, "little") + payload[: enough - missing]
        found = _webp_header(data)
        assert (found.width_px, found.height_px) == ((None, None) if missing else (640, 480))


@pytest.mark.parametrize(("values", "bytes_alone"), [([0, 7, 255], True), ([7, 256], False), ([-1], False), (["a"], False), ([1.0], False)])
def test_bytes_are_whole_numbers_up_to_255(values: list[object], bytes_alone: bool) -> None:
    assert _all_bytes(values) == bytes_alone


@pytest.mark.parametrize(("reference", "altitude_m"), [(0, 12.5), (1, -12.5), (2, 12.5), (3, -12.5)])
def test_an_altitude_lies_below_where_its_reference_says_so(reference: int, altitude_m: float) -> None:
    """Exif 3.0, GPSAltitudeRef: 0 and 2 above the ellipsoid or the sea, 1 and 3 below."""
    block = piexif.dump({"GPS": {piexif.GPSIFD.GPSAltitudeRef: reference, piexif.GPSIFD.GPSAltitude: (125, 10)}})[6:]
    assert read_metadata(sound_file("JPEG", scene(64, 48), block)).altitude_m == altitude_m


def test_chunks_of_a_riff_file_end_with_its_data() -> None:
    """Four letters, length, payload, padded to even lengths; what is cut off ends where the data does."""
    data = b"RIFF\x00\x00\x00\x00WEBP" + b"ABCD\x03\x00\x00\x00xyz\x00" + b"EFGH\x04\x00\x00\x00uvwx"
    assert list(riff_chunks(data)) == [(b"ABCD", 20, 23), (b"EFGH", 32, 36)]
    assert list(riff_chunks(data[:-2])) == [(b"ABCD", 20, 23), (b"EFGH", 32, 34)] and list(riff_chunks(data[:28])) == [(b"ABCD", 20, 23)]
    assert list(riff_chunks(data + b"odd")) == list(riff_chunks(data))


@pytest.mark.parametrize("prefix", [b"", b"Exif\x00\x00"])
@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_a_block_is_found_with_and_without_its_letters_before_it(prefix: bytes, form: str) -> None:
    """PNG 3, 11.3.5 and the WebP container ask for the block alone; some writers put JPEG's six bytes before it."""
    block = piexif.dump({"0th": {piexif.ImageIFD.Model: b"P-1"}})[6:]
    body = prefix + block
    if form == "PNG":
        chunk = len(body).to_bytes(4, "big") + b"eXIf" + body + zlib.crc32(b"eXIf" + body).to_bytes(4, "big")
        buffer = io.BytesIO()
        Image.fromarray(scene(32, 24)).save(buffer, "PNG")
        whole = buffer.getvalue()
        end = whole.index(b"IEND") - 4
        data = whole[:end] + chunk + whole[end:]
    else:
        buffer = io.BytesIO()
        Image.fromarray(scene(32, 24)).save(buffer, "WEBP", exif=body)
        data = buffer.getvalue()
    assert read_metadata(data).device == "P-1"


@pytest.mark.parametrize(
    ("comment", "text"),
    [(b"ASCII\x00\x00\x00gate 7", "gate 7"), (bytes(8) + "Tür".encode(), "Tür"), (b"UNICODE\x00" + "Tür".encode("utf-16-le"), "Tür"), (b"UNICODE\x00" + "Tür".encode("utf-16-be"), "Tür"),
     (b"JIS\x00\x00\x00\x00\x00" + "門".encode("iso2022_jp"), "門"), (b"no code at all", "no code at all"), ("as text", "as text"), (None, None), (b"ASCII\x00\x00\x00T\xfcr", "Tür")],
)  # fmt: skip
def test_a_comment_is_read_by_the_code_that_its_first_eight_bytes_name(comment: bytes | str | None, text: str | None) -> None:
    assert _comment(comment) == text


@pytest.mark.parametrize(("more", "kept"), [(0, True), (1, False)])
def test_a_file_of_the_most_bytes_is_opened_and_one_more_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, more: int, kept: bool) -> None:
    data = sound_file("JPEG", scene(64, 48))
    (tmp_path / "a.jpg").write_bytes(data)
    monkeypatch.setattr(intake, "MAX_FILE_BYTES", len(data) - more)
    for given in (data, tmp_path / "a.jpg"):
        if kept:
            assert open_photo(given, "a.jpg", guarded=False).photo.size_bytes == len(data)
        else:
            with pytest.raises(PhotoRefused, match="larger than"):
                open_photo(given, "a.jpg", guarded=False)


def box(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float32)


def test_a_place_with_text_is_cut_out_as_it_stands_in_blue_green_and_red() -> None:
    """A level box is its own pixels; one that is higher than one and a half times its width lies on its side; turned is head over."""
    pixels = np.random.default_rng(1).integers(0, 256, (80, 120, 3), np.uint8)
    level = _cut_out(pixels, box(10, 5, 40, 15), False)
    assert np.array_equal(level, pixels[5:15, 10:40, ::-1])
    assert np.array_equal(_cut_out(pixels, box(10, 5, 40, 15), True), level[::-1, ::-1])
    assert np.array_equal(_cut_out(pixels, box(0, 0, 30, 10), False), pixels[:10, :30, ::-1])
    upright = _cut_out(pixels, box(20, 10, 30, 40), False)
    assert np.array_equal(upright, np.rot90(pixels[10:40, 20:30, ::-1]))
    leaning = np.array([(20, 20), (48, 26), (46, 36), (18, 30)], np.float32)
    assert _cut_out(pixels, leaning, False).shape == (10, 29, 3)


def archive(unpacked: int, comment: int = 0) -> bytes:
    """A ZIP of nothing but zeros, and a comment that makes it longer."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("zeros.jpg", b"\x00" * unpacked)
        packed.comment = b"x" * comment
    return out.getvalue()


@pytest.mark.parametrize(("size", "kept"), [(2000, True), (1999, False)])
def test_photos_shrink_to_a_hundredth_at_most(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, kept: bool) -> None:
    monkeypatch.setattr(inbox, "_RATIO_ALLOWANCE_BYTES", 1000)
    place = Inbox.of(str(tmp_path), "acceptance", date(2026, 6, 16))
    packed = archive(200_000, size - len(archive(200_000)))
    assert len(packed) == size
    if kept:
        place.put("a.zip", io.BytesIO(packed))
        assert (place.folder / "zeros.jpg").stat().st_size == 200_000
    else:
        with pytest.raises(AuditError, match="a.zip: unpacks to more than a visit can be"):
            place.put("a.zip", io.BytesIO(packed))


@pytest.mark.parametrize(("more", "kept"), [(0, True), (1, False)])
def test_small_archives_may_hold_64_mib_of_anything(tmp_path: Path, more: int, kept: bool) -> None:
    place = Inbox.of(str(tmp_path), "acceptance", date(2026, 6, 16))
    packed = io.BytesIO(archive((64 << 20) + more))
    if kept:
        place.put("a.ZIP", packed)
        assert (place.folder / "zeros.jpg").stat().st_size == 64 << 20
    else:
        with pytest.raises(AuditError, match="unpacks to more"):
            place.put("a.ZIP", packed)


def test_runs_under_way_are_listed_the_oldest_first(tmp_path: Path) -> None:
    logbook = str(tmp_path)
    for kind, day in (("maintenance", 3), ("acceptance", 3), ("maintenance", 1)):
        Inbox.of(logbook, kind, date(2026, 6, day)).begin(Path(f"/photos/{kind}{day}"))
    (tmp_path / "incoming" / "odd-nodate.under-way").write_text("/x")
    told = Inbox.under_way(logbook)
    assert told == (("maintenance", date(2026, 6, 1), Path("/photos/maintenance1")), ("acceptance", date(2026, 6, 3), Path("/photos/acceptance3")),
                    ("maintenance", date(2026, 6, 3), Path("/photos/maintenance3")))  # fmt: skip
    Inbox.of(logbook, "acceptance", date(2026, 6, 3)).finish()
    assert len(Inbox.under_way(logbook)) == 2


def test_files_of_one_name_both_stay_and_the_same_file_stays_once(tmp_path: Path) -> None:
    place = Inbox.of(str(tmp_path), "acceptance", date(2026, 6, 16))
    for content in (b"one", b"other", b"one"):
        place.put("dir\\a.jpg", io.BytesIO(content))
    kept = {path.name: path.read_bytes() for path in place.folder.iterdir()}
    assert len(kept) == 2 and kept["a.jpg"] == b"one" and sorted(kept.values()) == [b"one", b"other"]
    assert next(name for name in kept if name != "a.jpg").startswith("a~")

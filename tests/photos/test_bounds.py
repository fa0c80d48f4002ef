"""Where a photo's own data stops being believed: the last value that counts and the first that doesn't, field by field."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta

import numpy as np
import piexif
import pytest
from hostile_files import scene, sound_file, with_exif
from PIL import Image

from audit.photos.containers import Header
from audit.photos.metadata import read_metadata
from audit.photos.photo import Metadata
from audit.photos.pixels import MAX_PIXELS, MAX_PIXELS_UNREDUCED, Undecodable, _check_limits, decode
from audit.photos.xmp import read_xmp

Part = dict[int, object]
GPS, EXIF = piexif.GPSIFD, piexif.ExifIFD
NOON = datetime(2026, 6, 16, 12)  # noqa: DTZ001 - a camera's own clock


def read(image: Part | None = None, photo: Part | None = None, gps: Part | None = None) -> Metadata:
    return read_metadata(with_exif(piexif.dump({"0th": image or {}, "Exif": photo or {}, "GPS": gps or {}})[6:]))


def by_xmp(**fields: str) -> Metadata:
    """Read from a packet with these EXIF properties (Exif in XMP, CIPA DC-010)."""
    inside = " ".join(f'exif:{name}="{value}"' for name, value in fields.items())
    packet = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" ' + inside.encode() + b"/></rdf:RDF></x:xmpmeta>"
    )
    buffer = io.BytesIO()
    Image.fromarray(scene(32, 24)).save(buffer, "WEBP", xmp=packet)
    return read_metadata(buffer.getvalue())


def taken(text: str, offset: str | None = None) -> Metadata:
    return read(photo={EXIF.DateTimeOriginal: text} | ({} if offset is None else {EXIF.OffsetTimeOriginal: offset}))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026:06:16 23:59:59", NOON + timedelta(seconds=43_199)), ("2026:06:16 24:00:00", NOON + timedelta(hours=12)),
        ("2026:06:16 25:00:00", None), ("2026:06:16 12:60:00", None), ("2026:06:16 12:00:60", NOON + timedelta(minutes=1)),
        ("2026:06:16 12:00:61", None), ("1900:01:01 12:00:00", NOON.replace(1900, 1, 1)), ("1899:12:31 12:00:00", None),
        ("9999:12:31 24:00:00", None), ("2026:06:16 12:00", NOON),
    ],
)  # fmt: skip
def test_a_clock_s_time(text: str, expected: datetime | None) -> None:
    assert taken(text).taken_at == expected


@pytest.mark.parametrize(
    ("offset", "minutes"),
    [("+14:00", 840), ("-14:00", -840), ("+14:01", None), ("+05:59", 359), ("+05:60", None), ("-00:30", -30), ("Z", 0), ("+5", None)],
)
def test_a_clock_s_offset(offset: str, minutes: int | None) -> None:
    """No place on earth is farther than 14 hours from UTC (time zone database, Pacific/Kiritimati)."""
    found = taken("2026:06:16 12:00:00", offset).taken_at
    assert found is not None
    assert found.utcoffset() == (None if minutes is None else timedelta(minutes=minutes))


@pytest.mark.parametrize(
    ("time", "expected"),
    [
        ((24, 0, 0), datetime(2026, 6, 17, tzinfo=UTC)), ((25, 0, 0), None), ((12, 59, 0), datetime(2026, 6, 16, 12, 59, tzinfo=UTC)),
        ((12, 60, 0), None), ((12, 0, 60), datetime(2026, 6, 16, 12, 1, tzinfo=UTC)), ((12, 0, 61), None), ((12, 99, 0), None),
    ],
)  # fmt: skip
def test_the_satellites_time(time: tuple[int, int, int], expected: datetime | None) -> None:
    found = read(gps={GPS.GPSDateStamp: "2026:06:16", GPS.GPSTimeStamp: tuple((part, 1) for part in time)})
    assert found.gps_at == expected and (expected is not None or any("satellite time" in note for note in found.notes))


@pytest.mark.parametrize(
    ("degrees", "minutes", "seconds", "expected"),
    [
        (90, 0, 0, 90.0), (90, 0, 1, None), (45, 60, 0, 46.0), (45, 61, 0, None), (45, 0, 60, 45 + 1 / 60), (45, 0, 61, None),
        (45, 30, 36, 45.51),
    ],
)  # fmt: skip
@pytest.mark.parametrize("xmp", [False, True])
def test_a_latitude(degrees: int, minutes: int, seconds: int, expected: float | None, xmp: bool) -> None:
    if xmp:
        found = by_xmp(GPSLatitude=f"{degrees},{minutes},{seconds}N", GPSLongitude="180,0,0W")
    else:
        place = tuple((part, 1) for part in (degrees, minutes, seconds))
        found = read(gps={1: "N", 2: place, 3: "W", 4: ((180, 1), (0, 1), (0, 1))})
    assert found.latitude == (None if expected is None else pytest.approx(expected, abs=1e-9))
    assert found.longitude == (None if expected is None else -180.0), "half a position is none"
    assert (expected is None) == any("only half a position" in note for note in found.notes)


@pytest.mark.parametrize(
    ("field", "last", "first"),
    [
        ("position_error_m", {"gps": {GPS.GPSHPositioningError: (100_000, 1)}}, {"gps": {GPS.GPSHPositioningError: (100_001, 1)}}),
        ("altitude_m", {"gps": {6: (100_000, 1)}}, {"gps": {6: (100_001, 1)}}),
        ("altitude_m", {"gps": {5: 1, 6: (12_000, 1)}}, {"gps": {5: 1, 6: (12_001, 1)}}),
        ("bearing_deg", {"gps": {17: (360, 1)}}, {"gps": {17: (36_001, 100)}}),
        ("focal_mm", {"photo": {EXIF.FocalLength: (10_000, 1)}}, {"photo": {EXIF.FocalLength: (10_001, 1)}}),
        ("focal_35mm", {"photo": {EXIF.FocalLengthIn35mmFilm: 10_000}}, {"photo": {EXIF.FocalLengthIn35mmFilm: 10_001}}),
    ],
)  # fmt: skip
def test_a_figure_beyond_what_can_be_is_left_out_with_a_note(field: str, last: dict, first: dict) -> None:
    assert getattr(read(**last), field) is not None
    beyond = read(**first)
    assert getattr(beyond, field) is None and len(beyond.notes) == 1 and "left out" in beyond.notes[0]


@pytest.mark.parametrize(
    ("pixels_a_mm", "seen"), [(1.8, True), (1.7999, False), (720.0, True), (721.0, False)]
)  # 360 px: 200 mm down to 0.5 mm
def test_a_sensor_is_neither_a_plate_nor_a_pinhead(pixels_a_mm: float, seen: bool) -> None:
    photo: Part = {
        EXIF.FocalLength: (50, 1), EXIF.FocalPlaneXResolution: (round(pixels_a_mm * 1e4), 10_000), EXIF.FocalPlaneResolutionUnit: 4,
        EXIF.PixelXDimension: 360,
    }  # fmt: skip
    block = piexif.dump({"0th": {}, "Exif": photo})[6:]
    found = read_metadata(sound_file("JPEG", scene(360, 240), block))
    assert (found.hfov_deg is not None) is seen and any("sensor size" in note for note in found.notes) is not seen


def test_text_that_ends_early_ends_there() -> None:
    """ASCII fields end with a NUL (Exif 2.32, 4.6.2), whatever their writer left behind it."""
    found = read({piexif.ImageIFD.Model: b"P-1\x00old"}, {EXIF.BodySerialNumber: b"TH0001\x00\x00x", EXIF.ImageUniqueID: b"ab\x00cd"})
    assert (found.device, found.serial, found.image_id) == ("P-1 TH0001", "TH0001", "ab")


def test_a_heif_that_is_cut_off_keeps_its_data_from_the_first_byte() -> None:
    """The block starts with its byte order (Exif 2.32, 4.5.2); one byte before or after, nothing of it can be read."""
    whole = sound_file("HEIF", scene(64, 48))
    assert whole.count(b"Exif\x00\x00II*\x00") + whole.count(b"Exif\x00\x00MM\x00*") == 1
    found = read_metadata(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + b"\x00" * 40 + whole[whole.index(b"Exif\x00\x00", 200) :])
    assert found.serial == "TH0002" and any("damaged" in note for note in found.notes)


def test_an_endless_packet_is_read_as_far_as_twenty_thousand_parts() -> None:
    head = b'<r xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#" xmlns:e="http://ns.adobe.com/exif/1.0/">'
    last, beyond = b'<r:Description e:UserComment="last"/>', b'<r:Description e:ImageUniqueID="beyond"/>'
    assert read_xmp(head + b"<r:Description/>" * 19_999 + last + beyond + b"</r>")[0] == {"exif:UserComment": "last"}


@pytest.mark.parametrize("low", [-500.0, 0.0, 1000.0])
@pytest.mark.parametrize("mode", ["F", "I"])
def test_deep_pixels_are_stretched_from_their_darkest_to_their_brightest(mode: str, low: float) -> None:
    steps = np.linspace(low, low + 510.0, 64).reshape(8, 8)
    buffer = io.BytesIO()
    Image.fromarray(steps.astype(np.float32 if mode == "F" else np.int32)).save(buffer, "TIFF")
    grey = decode(buffer.getvalue())[..., 0].astype(float)
    assert grey.min() == 0 and grey.max() == 255
    assert np.abs(grey - (steps - low) / 2).max() <= 1.0
    flat = io.BytesIO()
    Image.fromarray(np.full((8, 8), low, np.float32 if mode == "F" else np.int32)).save(flat, "TIFF")
    assert decode(flat.getvalue()).max() == 0


@pytest.mark.parametrize(
    ("kind", "progressive", "size", "held", "scans", "said"),
    [
        ("JPEG", False, (0, 100), 1000, 1, "is damaged"), ("JPEG", False, (100, 0), 1000, 1, "is damaged"),
        ("JPEG", False, (None, 100), 1000, 1, "states no size"), ("HEIF", False, (None, None), 1000, 1, None),
        # megapixels: what can be unpacked at a smaller size, and what can't
        ("JPEG", False, (MAX_PIXELS, 1), MAX_PIXELS, 1, None), ("JPEG", False, (MAX_PIXELS + 1, 1), MAX_PIXELS, 1, "more than the"),
        ("PNG", False, (MAX_PIXELS_UNREDUCED, 1), MAX_PIXELS, 1, None), ("PNG", False, (MAX_PIXELS_UNREDUCED + 1, 1), MAX_PIXELS, 1, "more than"),
        ("JPEG", True, (MAX_PIXELS_UNREDUCED + 1, 1), MAX_PIXELS, 1, "more than"),
        # many pixels in few bytes: 25 megapixels may be one grey wall, beyond that a byte holds at most 250 of them
        ("PNG", False, (25_000_000, 1), 10, 1, None), ("PNG", False, (25_000_250, 1), 100_000, 1, "too few for a photo"),
        ("PNG", False, (25_000_250, 1), 100_001, 1, None),
        # a progressive picture is gone through once a scan
        ("JPEG", True, (1000, 1000), 10_000, 100, None), ("JPEG", True, (1000, 1000), 10_000, 101, "scans of its picture"),
        ("JPEG", True, (12_000_000, 1), 10_000, 100, None), ("JPEG", True, (12_000_001, 1), 10_000, 100, "scans of its picture"),
        ("JPEG", False, (1000, 1000), 10_000, 101, None),
    ],
)  # fmt: skip
def test_what_is_not_even_tried(
    kind: str, progressive: bool, size: tuple[int | None, int | None], held: int, scans: int, said: str | None
) -> None:
    data = _Long(b"\xff\xda" * scans, held)
    header = Header(kind, *size, progressive=progressive)  # type: ignore[arg-type]
    if said is None:
        _check_limits(data, header)
        return
    with pytest.raises(Undecodable) as caught:
        _check_limits(data, header)
    assert said in str(caught.value)


class _Long(bytes):
    """Bytes that claim to be as many as are asked for, which no test has to hold."""

    claimed: int

    def __new__(cls, held: bytes, claimed: int) -> _Long:
        made = super().__new__(cls, held)
        made.claimed = claimed
        return made

    def __len__(self) -> int:
        return self.claimed

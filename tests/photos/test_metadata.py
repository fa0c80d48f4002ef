"""Each fact of a photo's metadata, as phones write it and as they shouldn't."""

from __future__ import annotations

import io
import math
import zlib
from datetime import UTC, datetime, timedelta, timezone

import piexif
import pytest
from hostile_files import png_chunk, scene, sound_file, with_exif, with_xmp
from PIL import Image

from audit.photos.metadata import read_metadata
from audit.photos.photo import Metadata

Part = dict[int, object]


def read(image: Part | None = None, photo: Part | None = None, gps: Part | None = None) -> Metadata:
    """Metadata of a 96 × 64 JPEG with these EXIF fields, written by piexif."""
    return read_metadata(with_exif(piexif.dump({"0th": image or {}, "Exif": photo or {}, "GPS": gps or {}})[6:]))


def at(
    latitude: object = ((46, 1), (30, 1), (0, 1)),
    longitude: object = ((18, 1), (0, 1), (0, 1)),
    ns: str = "N",
    ew: str = "E",
) -> Part:
    return {1: ns, 2: latitude, 3: ew, 4: longitude}


def taken(text: str, sub: str | None = None, offset: str | None = None) -> Metadata:
    photo: Part = {piexif.ExifIFD.DateTimeOriginal: text}
    if sub is not None:
        photo[piexif.ExifIFD.SubSecTimeOriginal] = sub
    if offset is not None:
        photo[piexif.ExifIFD.OffsetTimeOriginal] = offset
    return read(photo=photo)


@pytest.mark.parametrize(
    ("text", "sub", "offset", "expected"),
    [
        ("2026:06:16 10:15:30", None, None, datetime(2026, 6, 16, 10, 15, 30)),  # noqa: DTZ001
        (
            "2026:06:16 10:15:30",
            "25",
            "+02:00",
            datetime(2026, 6, 16, 10, 15, 30, 250000, timezone(timedelta(hours=2))),
        ),
        (
            "2026:06:16 10:15:30",
            "007",
            "-03:30",
            datetime(2026, 6, 16, 10, 15, 30, 7000, timezone(-timedelta(hours=3.5))),
        ),
        ("2026:06:16 10:15:30", " ", "Z", datetime(2026, 6, 16, 10, 15, 30, tzinfo=UTC)),
        ("2026-06-16 10:15:30", None, "+00:00", datetime(2026, 6, 16, 10, 15, 30, tzinfo=UTC)),
        ("2026:06:16 24:00:00", None, "+00:00", datetime(2026, 6, 17, 0, 0, 0, tzinfo=UTC)),
        ("2026:12:31 23:59:60", None, "+00:00", datetime(2027, 1, 1, 0, 0, 0, tzinfo=UTC)),
        ("2026:06:16 10:15:30", None, "+99:00", datetime(2026, 6, 16, 10, 15, 30)),  # noqa: DTZ001
    ],
)
def test_capture_time(text: str, sub: str | None, offset: str | None, expected: datetime) -> None:
    found = taken(text, sub, offset)
    assert found.taken_at == expected
    assert (found.taken_at.tzinfo is None) == (expected.tzinfo is None)


@pytest.mark.parametrize(
    "text", ["0000:00:00 00:00:00", "    :  :     :  :  ", "2026:13:01 10:00:00", "2026:02:30 10:00:00", "2026:06:16 10:75:00", "2026:06:16 10:05:92", "0001:01:01 00:00:00", "noon"]
)  # fmt: skip
def test_absurd_capture_time_is_absent_with_a_note(text: str) -> None:
    found = taken(text)
    assert found.taken_at is None
    assert any("capture time" in note for note in found.notes)


def test_offset_of_the_capture_time_comes_before_that_of_the_file_change() -> None:
    fields: Part = {
        piexif.ExifIFD.DateTimeOriginal: "2026:06:16 10:15:30",
        piexif.ExifIFD.OffsetTime: "+05:00",
        piexif.ExifIFD.OffsetTimeOriginal: "+01:00",
    }
    found = read(photo=fields).taken_at
    assert found is not None
    assert found.utcoffset() == timedelta(hours=1)
    del fields[piexif.ExifIFD.OffsetTimeOriginal]
    found = read(photo=fields).taken_at
    assert found is not None
    assert found.utcoffset() == timedelta(hours=5)


def test_last_change_stands_in_with_a_note() -> None:
    found = read(image={piexif.ImageIFD.DateTime: "2026:06:16 10:15:30"})
    assert found.taken_at == datetime(2026, 6, 16, 10, 15, 30)  # noqa: DTZ001
    assert any("last change" in note for note in found.notes)


@pytest.mark.parametrize(
    ("date", "time", "expected"),
    [
        ("2026:06:16", ((10, 1), (15, 1), (29, 1)), datetime(2026, 6, 16, 10, 15, 29, tzinfo=UTC)),
        ("2026-06-16", ((10, 1), (15, 1), (2950, 100)), datetime(2026, 6, 16, 10, 15, 29, 500000, UTC)),
        ("2026:06:16", ((24, 1), (0, 1), (0, 1)), datetime(2026, 6, 17, tzinfo=UTC)),
        ("2026:06:16", ((23, 1), (59, 1), (60, 1)), datetime(2026, 6, 17, tzinfo=UTC)),
        ("2026:06:16", ((0, 0), (0, 0), (0, 0)), None),
        ("2026:06:16", ((10, 1), (15, 0), (29, 1)), None),
        ("2026:06:16", ((25, 1), (0, 1), (0, 1)), None),
        ("0000:00:00", ((10, 1), (15, 1), (29, 1)), None),
        ("", ((10, 1), (15, 1), (29, 1)), None),
    ],
)
def test_satellite_time(date: str, time: object, expected: datetime | None) -> None:
    found = read(gps={29: date, 7: time})
    assert found.gps_at == expected
    assert expected is not None or any("satellite" in note for note in found.notes)


@pytest.mark.parametrize(
    ("gps", "latitude", "longitude"),
    [
        (at(), 46.5, 18.0),
        (at(ns="S", ew="W"), -46.5, -18.0),
        (at(((46, 1), (305, 10), (0, 1))), 46 + 30.5 / 60, 18.0),
        (at(((46, 1), (30, 1), (1234, 100))), 46.5 + 12.34 / 3600, 18.0),
        (at(((46, 1), (305, 10), (0, 0))), 46 + 30.5 / 60, 18.0),
        (at(((465, 10), (0, 0), (0, 0))), 46.5, 18.0),
    ],
)
def test_position(gps: Part, latitude: float, longitude: float) -> None:
    found = read(gps=gps)
    assert found.latitude == pytest.approx(latitude, abs=1e-9)
    assert found.longitude == pytest.approx(longitude, abs=1e-9)


@pytest.mark.parametrize(
    "gps",
    [
        at(((91, 1), (0, 1), (0, 1))),
        at(longitude=((181, 1), (0, 1), (0, 1))),
        at(((0, 0), (0, 0), (0, 0))),
        at(((46, 0), (30, 1), (0, 1))),
        at(((46, 1), (30, 1), (0, 0))),
        at(((46, 1), (75, 1), (0, 1))),
        at(((0, 1), (0, 1), (0, 1)), ((0, 1), (0, 1), (0, 1))),
        at(ns="?"),
        {1: "N", 2: ((46, 1), (30, 1), (0, 1))},
        {2: ((46, 1), (30, 1), (0, 1)), 4: ((18, 1), (0, 1), (0, 1))},
    ],
)
def test_absurd_position_is_absent_with_a_note(gps: Part) -> None:
    found = read(gps=gps)
    assert found.latitude is None
    assert found.longitude is None
    assert found.notes


@pytest.mark.parametrize(
    ("value", "letter", "bearing", "reference"),
    [
        ((31466, 100), "M", 314.66, "M"),
        ((90, 1), "T", 90.0, "T"),
        ((90, 1), None, 90.0, "T"),  # Exif 2.2 (JEITA CP-3451) p. 50: T is the default
        ((360, 1), "T", 0.0, "T"),
        ((0, 1), "T", 0.0, "T"),
        ((361, 1), "T", None, None),
        ((0, 0), "T", None, None),
        ((5, 0), "M", None, None),
    ],
)
def test_bearing(value: object, letter: str | None, bearing: float | None, reference: str | None) -> None:
    gps: Part = {17: value}
    if letter is not None:
        gps[16] = letter
    found = read(gps=gps)
    assert found.bearing_deg == (None if bearing is None else pytest.approx(bearing))
    assert found.bearing_reference == reference


def test_position_error_and_altitude() -> None:
    found = read(gps={5: 1, 6: (125, 10), 31: (48, 10)})
    assert (found.altitude_m, found.position_error_m) == (-12.5, 4.8)
    assert read(gps={5: 0, 6: (125, 10)}).altitude_m == 12.5
    assert read(gps={31: (0, 0)}).position_error_m is None
    assert read(gps={31: (0, 1)}).position_error_m is None
    assert read(gps={6: (1, 0)}).altitude_m is None
    assert read(gps={6: (4_000_000_000, 1)}).altitude_m is None


@pytest.mark.parametrize(("stored", "kept"), [(None, 1), (0, 1), (1, 1), (6, 6), (8, 8), (9, 1), (65535, 1)])
def test_orientation(stored: int | None, kept: int) -> None:
    found = read(image={} if stored is None else {piexif.ImageIFD.Orientation: stored})
    assert found.orientation == kept
    assert any("orientation" in note for note in found.notes) == (stored not in (None, kept))


def jpeg(width: int, height: int, photo: Part, orientation: int = 1) -> bytes:
    block = piexif.dump({"0th": {piexif.ImageIFD.Orientation: orientation}, "Exif": photo})[6:]
    return sound_file("JPEG", scene(width, height), block)


def test_field_of_view_of_a_full_frame() -> None:
    # Outside reference: a 50 mm lens on 36 mm x 24 mm sees 39.6 degrees across and 27.0 degrees down
    # (photographic handbooks; also 2 atan(36 / 100) and 2 atan(24 / 100)).
    photo: Part = {piexif.ExifIFD.FocalLengthIn35mmFilm: 50}
    assert read_metadata(jpeg(360, 240, photo)).hfov_deg == pytest.approx(39.6, abs=0.05)
    assert read_metadata(jpeg(360, 240, photo, orientation=6)).hfov_deg == pytest.approx(27.0, abs=0.05)
    assert read_metadata(jpeg(240, 360, photo)).hfov_deg == pytest.approx(27.0, abs=0.05)


def test_field_of_view_of_a_phone_keeps_the_diagonal() -> None:
    found = read_metadata(jpeg(400, 300, {piexif.ExifIFD.FocalLengthIn35mmFilm: 26})).hfov_deg
    assert found is not None
    half_width = math.tan(math.radians(found / 2))
    diagonal = 2 * math.degrees(math.atan(half_width * 5 / 4))
    assert diagonal == pytest.approx(2 * math.degrees(math.atan(43.2666 / 52)), abs=0.01)


def test_field_of_view_from_the_sensor_and_the_digital_zoom() -> None:
    photo: Part = {
        piexif.ExifIFD.FocalLength: (50, 1),
        piexif.ExifIFD.FocalPlaneXResolution: (10, 1),
        piexif.ExifIFD.FocalPlaneYResolution: (10, 1),
        piexif.ExifIFD.FocalPlaneResolutionUnit: 4,
        piexif.ExifIFD.PixelXDimension: 360,
        piexif.ExifIFD.PixelYDimension: 240,
    }
    assert read_metadata(jpeg(360, 240, photo)).hfov_deg == pytest.approx(39.6, abs=0.05)
    assert read_metadata(jpeg(360, 240, photo, orientation=8)).hfov_deg == pytest.approx(27.0, abs=0.05)
    photo[piexif.ExifIFD.DigitalZoomRatio] = (2, 1)
    assert read_metadata(jpeg(360, 240, photo)).hfov_deg == pytest.approx(2 * math.degrees(math.atan(0.18)), abs=0.05)
    photo[piexif.ExifIFD.FocalPlaneXResolution] = (0, 0)
    assert read_metadata(jpeg(360, 240, photo)).hfov_deg is None


def test_field_of_view_is_absent_without_focal_length() -> None:
    assert read_metadata(jpeg(360, 240, {})).hfov_deg is None
    assert read_metadata(jpeg(360, 240, {piexif.ExifIFD.FocalLengthIn35mmFilm: 0})).hfov_deg is None


def test_device_serial_and_image_id() -> None:
    found = read(
        {piexif.ImageIFD.Model: "P-1 \x00", piexif.ImageIFD.Make: "X"},
        {piexif.ExifIFD.BodySerialNumber: "TH0001", piexif.ExifIFD.ImageUniqueID: "ab12"},
    )
    assert (found.device, found.serial, found.image_id) == ("P-1 TH0001", "TH0001", "ab12")
    assert read().device is None


@pytest.mark.parametrize(
    ("comment", "text"),
    [
        (b"ASCII\x00\x00\x00TH-02 gate  ", "TH-02 gate"),
        (b"ASCII\x00\x00\x00TH-02\x00\x00\x00junk", "TH-02"),
        (b"UNICODE\x00" + "Tür 3".encode("utf-16-le"), "Tür 3"),
        (b"UNICODE\x00" + "Tür 3".encode("utf-16-be"), "Tür 3"),
        (b"UNICODE\x00" + "Tür 3".encode("utf-16"), "Tür 3"),
        (b"JIS\x00\x00\x00\x00\x00" + "駅".encode("iso2022_jp"), "駅"),
        (bytes(8) + b"TH-02", "TH-02"),
        (bytes(8) + b"\xff\xfe\x01\x80", None),
        (b"TH-02 no code", "TH-02 no code"),
        (bytes(400), None),
        (b"", None),
    ],
)
def test_user_comment(comment: bytes, text: str | None) -> None:
    assert read(photo={piexif.ExifIFD.UserComment: comment}).text == text


def test_description_and_comment_are_joined_once_each() -> None:
    found = read(
        {piexif.ImageIFD.ImageDescription: "Tür 3".encode()}, {piexif.ExifIFD.UserComment: b"ASCII\x00\x00\x00TH-02"}
    )
    assert found.text == "TH-02\nTür 3"
    same = read({piexif.ImageIFD.ImageDescription: "TH-02"}, {piexif.ExifIFD.UserComment: b"ASCII\x00\x00\x00TH-02"})
    assert same.text == "TH-02"


@pytest.mark.parametrize("kind", ["JPEG", "PROGRESSIVE", "PNG", "TIFF", "WEBP", "HEIF"])
def test_every_format_gives_the_same_facts(kind: str) -> None:
    found = read_metadata(sound_file(kind))
    assert found.taken_at == datetime(2026, 6, 16, 10, 15, 30, tzinfo=UTC)
    assert found.gps_at == datetime(2026, 6, 16, 10, 15, 29, tzinfo=UTC)
    assert found.latitude == pytest.approx(46.501)
    assert found.longitude == pytest.approx(-18.002)
    assert (found.device, found.serial) == ("P-1 TH0002", "TH0002")
    assert found.text is not None
    assert "TH-02 gate" in found.text
    assert found.clock_offset == timedelta(seconds=1)


XMP = b"""<?xpacket begin='' id=''?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:tiff="http://ns.adobe.com/tiff/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:aux="http://ns.adobe.com/exif/1.0/aux/" exif:GPSLatitude="46,30.06N" exif:GPSLongitude="18,0,7.2W" exif:GPSImgDirection="31466/100"
 exif:GPSImgDirectionRef="M" exif:GPSAltitude="125/10" exif:GPSAltitudeRef="1" exif:GPSTimeStamp="2026-06-16T10:15:29Z"
 exif:DateTimeOriginal="2026-06-16T10:15:30.25+02:00" tiff:Orientation="6" tiff:Model="P-1" aux:SerialNumber="TH0002" exif:FocalLengthIn35mmFilm="26">
 <dc:description><rdf:Alt><rdf:li xml:lang="x-default">TH-02 gate</rdf:li></rdf:Alt></dc:description></rdf:Description>
</rdf:RDF></x:xmpmeta><?xpacket end='w'?>"""


def assert_xmp_facts(found: Metadata) -> None:
    assert found.latitude == pytest.approx(46.501)
    assert found.longitude == pytest.approx(-18.002)
    assert (found.bearing_deg, found.bearing_reference) == (pytest.approx(314.66), "M")
    assert found.altitude_m == -12.5
    assert found.gps_at == datetime(2026, 6, 16, 10, 15, 29, tzinfo=UTC)
    assert found.taken_at == datetime(2026, 6, 16, 10, 15, 30, 250000, timezone(timedelta(hours=2)))
    assert (found.orientation, found.device, found.focal_35mm, found.text) == (6, "P-1 TH0002", 26.0, "TH-02 gate")


def test_xmp_stands_behind_exif_in_each_format() -> None:
    image = Image.fromarray(scene(96, 64))
    for kind in ("JPEG", "PNG", "WEBP", "TIFF"):
        out = io.BytesIO()
        if kind == "PNG":
            image.save(out, kind)
            data = out.getvalue()
            data = data[:33] + png_chunk(b"iTXt", b"XML:com.adobe.xmp\x00\x00\x00\x00\x00" + XMP) + data[33:]
        elif kind == "TIFF":
            image.save(out, kind, tiffinfo={700: XMP})
            data = out.getvalue()
        else:
            image.save(out, kind, xmp=XMP)
            data = out.getvalue()
        assert_xmp_facts(read_metadata(data))


def test_exif_comes_before_xmp() -> None:
    found = read_metadata(with_xmp(XMP.replace(b"46,30.06N", b"10,0.0N").replace(b"P-1", b"Q-9")))
    assert found.latitude == pytest.approx(46.501)
    assert found.device == "P-1 TH0002"


def test_extended_xmp_is_put_together() -> None:
    data = with_xmp(b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>")
    half = len(XMP) // 2
    pieces = b""
    for start, part in ((half, XMP[half:]), (0, XMP[:half])):
        body = (
            b"http://ns.adobe.com/xmp/extension/\x00"
            + b"A" * 32
            + len(XMP).to_bytes(4, "big")
            + start.to_bytes(4, "big")
            + part
        )
        pieces += b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    found = read_metadata(data[:2] + pieces + data[2:])
    assert found.bearing_deg == pytest.approx(314.66)


def test_png_raw_profile_and_texts() -> None:
    out = io.BytesIO()
    Image.fromarray(scene(96, 64)).save(out, "PNG")
    plain = out.getvalue()
    block = b"Exif\x00\x00" + piexif.dump({"0th": {piexif.ImageIFD.Model: "P-1"}})[6:]
    lines = b"\nexif\n" + str(len(block)).encode() + b"\n" + block.hex().encode() + b"\n"
    chunk = png_chunk(b"zTXt", b"Raw profile type exif\x00\x00" + zlib.compress(lines))
    text = png_chunk(b"tEXt", b"Description\x00TH-02 gate")
    found = read_metadata(plain[:33] + chunk + text + plain[33:])
    assert (found.device, found.text) == ("P-1", "TH-02 gate")


def test_photo_without_anything_says_nothing() -> None:
    out = io.BytesIO()
    Image.fromarray(scene(96, 64)).save(out, "JPEG")
    assert read_metadata(out.getvalue()) == Metadata()


def test_what_is_no_picture_is_noted() -> None:
    assert read_metadata(b"hello").notes == ("not a picture",)


def test_exif_of_a_heif_cut_in_half_is_found() -> None:
    data = sound_file("HEIF")
    found = read_metadata(data[: len(data) * 2 // 3])
    assert found.notes
    assert found.device in (None, "P-1 TH0002")


def test_exif_of_a_heif_whose_table_has_lost_it_is_found() -> None:
    data = sound_file("HEIF")
    entry = data.index(b"infe", data.index(b"iinf"))
    lost = data.index(b"Exif", entry)
    found = read_metadata(data[:lost] + b"free" + data[lost + 4 :])
    assert found.serial == "TH0002" and found.latitude == pytest.approx(46.501)
    assert any("damaged" in note for note in found.notes)

"""What a photo says of itself: where, when, which way and with what it was taken.

Sources: CIPA DC-008 (Exif 2.32) for tags and their meaning, CIPA DC-008 / DC-010 for the same in XMP, and for the
35 mm equivalent focal length CIPA DCG-001 (it is defined on the diagonal of a 36 mm × 24 mm frame).
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

from audit.photos.containers import Blocks, blocks, read_header
from audit.photos.exif import Tags, Value, read_tags
from audit.photos.photo import BearingReference, Metadata
from audit.photos.xmp import read_xmp

__all__ = ["read_metadata"]

_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
_MAX_TEXT_LENGTH = 4000
_MAX_DAMAGED_EXIF_BYTES = 1 << 20
_DATE_TIME = re.compile(
    r"(\d{4})[:\-/.](\d{1,2})[:\-/.](\d{1,2})[ T]+(\d{1,2}):(\d{1,2})(?::(\d{1,2})(?:[.,](\d+))?)?"
    r"\s*(Z|[+-]\d{2}:?\d{2})?"
)
_OFFSET = re.compile(r"\s*(?:(Z)|([+-])(\d{1,2}):?(\d{2}))")
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
_UNDEFINED = math.nan


def read_metadata(data: bytes, format: str | None = None) -> Metadata:
    """Metadata of a picture file; a field that is absent or absurd is None, and ``notes`` says why. Never raises.

    Parameters
    ----------
    data : bytes
        The whole file.
    format : str or None
        As :func:`audit.photos.containers.sniff` names it; sniffed where not given.

    Notes
    -----
    EXIF is believed before XMP. ``hfov_deg`` is over the oriented image's width.
    """
    header = read_header(data)
    if header is None:
        return Metadata(notes=("not a picture",))
    kind = format or header.format
    upright: tuple[int, int] | None = None
    if kind == "HEIF":
        found, upright = _heif_blocks(data)
    else:
        found = blocks(data, kind)
    notes: list[str] = list(found.notes)
    tags = _merged(found, notes)
    packets = list(found.xmp)
    inner = tags.values.get("XMP")
    if isinstance(inner, bytes):
        packets.append(inner)
    xmp: dict[str, str] = {}
    for packet in packets:
        properties, complaints = read_xmp(packet)
        notes.extend(complaints)
        for key, value in properties.items():
            xmp.setdefault(key, value)
    reader = _Reader(tags.values, xmp, dict(reversed(found.texts)), notes)
    metadata = reader.metadata()
    if upright is None and header.width_px and header.height_px:
        upright = header.width_px, header.height_px
        if metadata.orientation in (5, 6, 7, 8):
            upright = upright[1], upright[0]
    if upright is not None:
        metadata = replace(metadata, hfov_deg=reader.hfov(upright, metadata))
    return replace(metadata, notes=tuple(dict.fromkeys(notes)))


def _merged(found: Blocks, notes: list[str]) -> Tags:
    merged = Tags()
    for block in found.exif:
        tags = read_tags(block)
        notes.extend(tags.notes)
        for key, value in tags.values.items():
            merged.values.setdefault(key, value)
    return merged


def _heif_blocks(data: bytes) -> tuple[Blocks, tuple[int, int] | None]:
    """Blocks of a HEIF and its size after the turning that the container states, which its library applies."""
    try:
        import pillow_heif
    except ImportError:
        return Blocks(notes=("the library pillow-heif is not installed, so the photo's own data can't be read",)), None
    try:
        opened = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        raw, packet = opened.info.get("exif"), opened.info.get("xmp")
        size = (int(opened.size[0]), int(opened.size[1]))
    except Exception:  # whatever libheif throws at a damaged file means the same to us
        note = "the photo is damaged; what could be read of its own data was kept"
        return Blocks(exif=_exif_in_damaged_heif(data), notes=(note,)), None
    exif = bytes(raw) if raw else b""
    if exif[:5] == b"Exif\x00":
        exif = exif[6:]
    kept = (exif,) if exif else _exif_in_damaged_heif(data)
    notes = ("the table of the photo's own data is damaged; what could be found was kept",) if kept and not exif else ()
    return Blocks(exif=kept, xmp=(bytes(packet),) if packet else (), notes=notes), size


def _exif_in_damaged_heif(data: bytes) -> tuple[bytes, ...]:
    """The EXIF item found by its signature, as the tables that point to it are lost."""
    for order in (b"II*\x00", b"MM\x00*"):
        at = data.find(b"Exif\x00\x00" + order)
        if at >= 0:
            return (data[at + 6 : at + 6 + _MAX_DAMAGED_EXIF_BYTES],)
    return ()


class _Reader:
    """One method per fact; each looks in EXIF, then in XMP, then in plain texts, and notes what it had to drop."""

    def __init__(
        self, tags: Mapping[str, Value], xmp: Mapping[str, str], texts: Mapping[str, str], notes: list[str]
    ) -> None:
        self.tags = tags
        self.xmp = xmp
        self.texts = texts
        self.notes = notes

    def metadata(self) -> Metadata:
        orientation = self.orientation()
        latitude, longitude = self.position()
        bearing, reference = self.bearing()
        serial = self._text("BodySerialNumber", "CameraSerialNumber", "exifEX:BodySerialNumber", "aux:SerialNumber")
        model = self._text("Model", "tiff:Model", "UniqueCameraModel")
        focal = self._positive("FocalLength", "exif:FocalLength", limit=10_000.0)
        focal_35mm = self._positive("FocalLengthIn35mmFilm", "exif:FocalLengthIn35mmFilm", limit=10_000.0)
        return Metadata(
            taken_at=self.taken_at(),
            gps_at=self.gps_at(),
            latitude=latitude,
            longitude=longitude,
            altitude_m=self.altitude(),
            position_error_m=self._positive("GPSHPositioningError", "exifEX:GPSHPositioningError", limit=1e5),
            bearing_deg=bearing,
            bearing_reference=reference,
            orientation=orientation,
            focal_mm=focal,
            focal_35mm=focal_35mm,
            device=" ".join(part for part in (model, serial) if part) or None,
            serial=serial,
            image_id=self._text("ImageUniqueID", "exif:ImageUniqueID"),
            text=self.text(),
        )

    def orientation(self) -> int:
        value = self._number("Orientation", "tiff:Orientation")
        if value is None:
            return 1
        if value not in (1, 2, 3, 4, 5, 6, 7, 8):
            self.notes.append("the orientation is not one of 1 to 8 and was taken as upright")
            return 1
        return int(value)

    def taken_at(self) -> datetime | None:
        for field, fraction, offset in (
            ("DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal"),
            ("DateTimeDigitized", "SubSecTimeDigitized", "OffsetTimeDigitized"),
        ):
            moment = self._moment(self._raw_text(field), self._raw_text(fraction), self._offset(offset))
            if moment is not None:
                return moment
        for field in ("exif:DateTimeOriginal", "photoshop:DateCreated", "xmp:CreateDate", "exif:DateTimeDigitized"):
            moment = self._moment(self.xmp.get(field), None, None)
            if moment is not None:
                return moment
        moment = self._moment(self._raw_text("DateTime"), self._raw_text("SubSecTime"), self._offset("OffsetTime"))
        if moment is None:
            moment = self._moment(self.texts.get("creation time"), None, None)
        if moment is not None:
            self.notes.append("the time is that of the file's last change, as no capture time is given")
        return moment

    def gps_at(self) -> datetime | None:
        date = self._raw_text("GPSDateStamp")
        stamp = self.tags.get("GPSTimeStamp")
        if date is None and stamp is None:
            moment = self._moment(self.xmp.get("exif:GPSTimeStamp"), None, None)
            return moment.replace(tzinfo=UTC) if moment is not None and moment.tzinfo is None else moment
        if isinstance(stamp, str):
            parts: tuple[float, ...] = tuple(_float(part) for part in stamp.split(":"))
        else:
            parts = tuple(_float(part) for part in stamp) if isinstance(stamp, tuple) else ()
        day = re.match(r"\s*(\d{4})[:\-/.](\d{1,2})[:\-/.](\d{1,2})", date or "")
        if day is None or len(parts) != 3:
            self.notes.append("the satellite time is incomplete and was left out")
            return None
        hours, minutes, seconds = parts
        if not (0 <= hours <= 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
            self.notes.append("the satellite time is not a time and was left out")
            return None
        moment = _day(int(day[1]), int(day[2]), int(day[3]))
        if moment is None:
            self.notes.append("the satellite date is not a date and was left out")
            return None
        return _shifted(moment.replace(tzinfo=UTC), timedelta(hours=hours, minutes=minutes, seconds=seconds))

    def position(self) -> tuple[float | None, float | None]:
        latitude = self._coordinate("GPSLatitude", "exif:GPSLatitude", "NS", 90.0)
        longitude = self._coordinate("GPSLongitude", "exif:GPSLongitude", "EW", 180.0)
        if latitude is None or longitude is None:
            if (latitude is None) != (longitude is None):
                self.notes.append("only half a position is given and it was left out")
            return None, None
        if latitude == 0.0 and longitude == 0.0:
            self.notes.append("the position is 0°, 0°, as written without a satellite fix, and was left out")
            return None, None
        if (self._raw_text("GPSStatus") or "").strip().upper() == "V":
            self.notes.append("the receiver marked its position as not valid")
        return latitude, longitude

    def altitude(self) -> float | None:
        value = self._number("GPSAltitude", "exif:GPSAltitude")
        if value is None:
            return None
        reference = self.tags.get("GPSAltitudeRef")
        if isinstance(reference, bytes | tuple) and reference:
            below = reference[0] in (1, 3)
        else:
            below = (reference or self.xmp.get("exif:GPSAltitudeRef", "0")) in ("1", "3", "\x01", "\x03")
        value = -abs(value) if below else value
        if not -12_000 <= value <= 100_000:
            self.notes.append("the altitude is absurd and was left out")
            return None
        return value

    def bearing(self) -> tuple[float | None, BearingReference | None]:
        value = self._number("GPSImgDirection", "exif:GPSImgDirection")
        letter = (
            (self._raw_text("GPSImgDirectionRef") or self.xmp.get("exif:GPSImgDirectionRef") or "T").strip().upper()
        )
        if value is None:
            value, letter = self._number("GPano:PoseHeadingDegrees"), "T"
            if value is None:
                return None, None
        if not -360.0 < value <= 360.0:
            self.notes.append("the direction is not within 0° to 360° and was left out")
            return None, None
        return value % 360.0 % 360.0, "M" if letter.startswith("M") else "T"

    def hfov(self, upright: tuple[int, int], found: Metadata) -> float | None:
        """Angle of view over the width of the upright picture (width, height in pixels).

        The 35 mm equivalent is final where given; a digital zoom is reckoned in only where the angle comes from the
        focal length and the sensor's pixel pitch.
        """
        width, height = upright
        if found.focal_35mm is not None:
            frame_mm = _FULL_FRAME_DIAGONAL_MM * width / math.hypot(width, height)
            return math.degrees(2.0 * math.atan(frame_mm / (2.0 * found.focal_35mm)))
        side = "Y" if found.orientation in (5, 6, 7, 8) else "X"
        resolution = self._number(f"FocalPlane{side}Resolution")
        pixels = self._number(f"Pixel{side}Dimension") or float(width)
        unit = _UNIT_MM.get(int(self._number("FocalPlaneResolutionUnit") or 2))
        if found.focal_mm is None or not resolution or resolution <= 0 or unit is None:
            return None
        zoom = self._number("DigitalZoomRatio") or 1.0
        sensor_mm = pixels / resolution * unit / max(zoom, 1.0)
        if not 0.5 <= sensor_mm <= 200.0:
            self.notes.append("the sensor size that follows from the photo's own data is absurd and was left out")
            return None
        return math.degrees(2.0 * math.atan(sensor_mm / (2.0 * found.focal_mm)))

    def text(self) -> str | None:
        pieces = [
            _comment(self.tags.get("UserComment")) or _clean(self.xmp.get("exif:UserComment")),
            self._text("ImageDescription", "dc:description", "tiff:ImageDescription"),
            _wide(self.tags.get("XPComment")),
            *(_clean(self.texts.get(key)) for key in ("comment", "description", "title")),
        ]
        kept = list(dict.fromkeys(piece for piece in pieces if piece))
        return "\n".join(kept)[:_MAX_TEXT_LENGTH].strip() or None

    def _raw_text(self, name: str) -> str | None:
        value = self.tags.get(name)
        if isinstance(value, bytes):
            value = value.split(b"\x00", 1)[0].decode("latin-1")
        return value if isinstance(value, str) and value.strip() else None

    def _text(self, *names: str) -> str | None:
        for name in names:
            text = _clean(self.xmp.get(name) if ":" in name else self._raw_text(name))
            if text:
                return text
        return None

    def _number(self, *names: str) -> float | None:
        for name in names:
            value: object = self.xmp.get(name) if ":" in name else self.tags.get(name)
            if isinstance(value, bytes):
                value = value[0] if len(value) == 1 else value.split(b"\x00", 1)[0].decode("latin-1")
            if isinstance(value, tuple):
                value = value[0] if value else None
            if value is None or value == "":
                continue
            number = _float(value)
            if math.isfinite(number):
                return number
            self.notes.append(f"{name.partition(':')[2] or name} is not a number and was left out")
        return None

    def _positive(self, *names: str, limit: float) -> float | None:
        value = self._number(*names)
        if value is None or value == 0.0:
            return None
        if not 0.0 < value <= limit:
            self.notes.append(f"{names[0]} is absurd and was left out")
            return None
        return value

    def _offset(self, name: str) -> timezone | None:
        text = self._raw_text(name)
        if text is None and name != "OffsetTime":
            text = self._raw_text("OffsetTime")
        if text is None:
            return None
        zone = _zone(text)
        if zone is None:
            self.notes.append("the clock's offset from UTC can't be read and was left out")
        return zone

    def _moment(self, text: str | None, fraction: str | None, zone: timezone | None) -> datetime | None:
        if text is None or not text.strip(" :0\x00"):
            if text is not None:
                self.notes.append("the capture time is blank")
            return None
        match = _DATE_TIME.match(text.strip())
        day = _day(int(match[1]), int(match[2]), int(match[3])) if match else None
        if match is None or day is None:
            self.notes.append("the capture time is not a date and was left out")
            return None
        hours, minutes, seconds = int(match[4]), int(match[5]), int(match[6] or 0)
        if hours > 24 or minutes > 59 or seconds > 60:
            self.notes.append("the capture time is not a time and was left out")
            return None
        digits = (fraction or "").strip().strip("\x00") or (match[7] or "")
        part = float(f"0.{digits}") if digits.isdecimal() and digits.isascii() else 0.0
        inner = _zone(match[8]) if match[8] else None
        moment = day.replace(tzinfo=zone or inner)
        return _shifted(
            moment, timedelta(hours=hours, minutes=minutes, seconds=seconds, microseconds=round(part * 1e6))
        )

    def _coordinate(self, name: str, xmp_name: str, letters: str, limit: float) -> float | None:
        value = self.tags.get(name)
        if value is None:
            return self._xmp_coordinate(xmp_name, letters, limit)
        if isinstance(value, str):
            value = tuple(re.findall(r"[-+]?\d+(?:\.\d+)?", value)[:3])
        degrees = _degrees(tuple(_float(part) for part in value[:3])) if isinstance(value, tuple) else None
        letter = (self._raw_text(name + "Ref") or "").strip()[:1].upper()
        if degrees is None or not abs(degrees) <= limit:
            self.notes.append(f"{name} is absurd and was left out")
            return None
        if letter not in letters or not letter:
            self.notes.append(f"{name} lacks its hemisphere and was left out")
            return None
        return -abs(degrees) if letter == letters[1] else degrees

    def _xmp_coordinate(self, name: str, letters: str, limit: float) -> float | None:
        text = self.xmp.get(name)
        if text is None:
            return None
        match = re.fullmatch(r"\s*(\d{1,3}),(\d+(?:\.\d+)?)(?:,(\d+(?:\.\d+)?))?\s*([A-Za-z])\s*", text)
        degrees: float | None
        if match is None:
            degrees, letter = _float(text), ""
        else:
            degrees = _degrees((float(match[1]), float(match[2]), float(match[3] or 0)))
            letter = match[4].upper()
        if degrees is None or not abs(degrees) <= limit or (letter and letter not in letters):
            self.notes.append(f"{name.partition(':')[2]} is absurd and was left out")
            return None
        return -degrees if letter == letters[1] else degrees


def _float(value: object) -> float:
    """A number of any kind that the readers return; NaN for 0/0, x/0 and what is no number."""
    try:
        if isinstance(value, str):
            top, slash, bottom = value.strip().partition("/")
            return float(top) / float(bottom) if slash else float(top)
        bottom_part = getattr(value, "denominator", None)
        if bottom_part is None and hasattr(value, "den"):
            bottom_part = value.den
        if bottom_part == 0:
            return _UNDEFINED
        return float(value)  # type: ignore[arg-type]
    except (ValueError, TypeError, ZeroDivisionError, OverflowError):
        return _UNDEFINED


def _degrees(parts: tuple[float, ...]) -> float | None:
    """Degrees, minutes, seconds as degrees; None where a part is missing that the others don't make up for.

    Undefined seconds (0/0) count as none only where the minutes carry a fraction.
    """
    if not parts or not math.isfinite(parts[0]):
        return None
    degrees, minutes, seconds = (*parts, 0.0, 0.0)[:3]
    if not math.isfinite(minutes):
        if float(degrees).is_integer():
            return None
        minutes = 0.0
    if not math.isfinite(seconds):
        if float(minutes).is_integer() and float(degrees).is_integer():
            return None
        seconds = 0.0
    if not (0.0 <= minutes <= 60.0 and 0.0 <= seconds <= 60.0):
        return None
    return degrees + math.copysign(minutes / 60.0 + seconds / 3600.0, degrees)


def _day(year: int, month: int, day: int) -> datetime | None:
    try:
        return datetime(year, month, day) if year >= 1900 else None  # noqa: DTZ001 - a camera's own clock
    except ValueError:
        return None


def _shifted(moment: datetime, by: timedelta) -> datetime | None:
    try:
        return moment + by
    except OverflowError:
        return None


def _zone(text: str) -> timezone | None:
    match = _OFFSET.match(text)
    if match is None:
        return None
    if match[1]:
        return UTC
    minutes = int(match[3]) * 60 + int(match[4])
    if minutes > 14 * 60 or int(match[4]) > 59:
        return None
    return timezone(timedelta(minutes=-minutes if match[2] == "-" else minutes))


def _comment(value: Value | None) -> str | None:
    """UserComment: eight bytes name the character code (Exif 2.32, 4.6.5), then the text."""
    if isinstance(value, str):
        return _clean(value)
    if not isinstance(value, bytes):
        return None
    code, body = value[:8], value[8:]
    if code.startswith(b"UNICODE"):
        return _clean(_utf16(body))
    if code.startswith(b"JIS"):
        return _clean(_decoded(body, "iso2022_jp", "shift_jis"))
    if code.startswith(b"ASCII") or code == bytes(8):
        return _clean(_decoded(body, "utf-8", "latin-1" if code.startswith(b"ASCII") else "utf-8"))
    return _clean(_decoded(value, "utf-8"))


def _utf16(body: bytes) -> str:
    body = body[: len(body) & ~1]
    if body[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return body.decode("utf-16", errors="replace")
    little = sum(byte == 0 for byte in body[1:512:2])
    big = sum(byte == 0 for byte in body[0:512:2])
    return body.decode("utf-16-le" if little >= big else "utf-16-be", errors="replace")


def _decoded(body: bytes, *codes: str) -> str:
    for code in codes:
        try:
            return body.decode(code)
        except (UnicodeDecodeError, LookupError):
            continue
    return ""


def _wide(value: Value | None) -> str | None:
    """Windows' XP fields: UTF-16 little endian."""
    return _clean(value[: len(value) & ~1].decode("utf-16-le", errors="replace")) if isinstance(value, bytes) else None


def _clean(text: str | None) -> str | None:
    if not text:
        return None
    text = text.partition("\x00")[0][: 2 * _MAX_TEXT_LENGTH]
    kept = "".join(letter if letter.isprintable() or letter == "\n" else " " for letter in text)
    return kept.strip()[:_MAX_TEXT_LENGTH] or None

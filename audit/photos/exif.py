"""Tags of one EXIF block (a TIFF structure), within limits.

A directory is first copied to a compact one that holds only the wanted tags whose values lie inside the block;
Pillow decodes that copy. So neither a maker note, nor a loop, nor 10,000 entries that all point to one large value
can cost memory or time. ExifRead stands behind for blocks whose structure the first reader can't follow.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field

from PIL import TiffImagePlugin

__all__ = ["GPS_TAGS", "IMAGE_TAGS", "PHOTO_TAGS", "Tags", "Value", "read_tags"]

Value = tuple[object, ...] | str | bytes
"""ASCII as str, UNDEFINED and BYTE as bytes, everything else as a tuple of numbers."""

IMAGE_TAGS: Mapping[str, int] = {
    "ImageDescription": 0x010E, "Make": 0x010F, "Model": 0x0110, "Orientation": 0x0112, "DateTime": 0x0132,
    "XMP": 0x02BC, "ExifPointer": 0x8769, "GPSPointer": 0x8825, "XPComment": 0x9C9C, "UniqueCameraModel": 0xC614,
    "CameraSerialNumber": 0xC62F,
}  # fmt: skip
PHOTO_TAGS: Mapping[str, int] = {
    "DateTimeOriginal": 0x9003, "DateTimeDigitized": 0x9004, "OffsetTime": 0x9010, "OffsetTimeOriginal": 0x9011,
    "OffsetTimeDigitized": 0x9012, "FocalLength": 0x920A, "UserComment": 0x9286, "SubSecTime": 0x9290,
    "SubSecTimeOriginal": 0x9291, "SubSecTimeDigitized": 0x9292, "PixelXDimension": 0xA002,
    "PixelYDimension": 0xA003, "FocalPlaneXResolution": 0xA20E, "FocalPlaneYResolution": 0xA20F,
    "FocalPlaneResolutionUnit": 0xA210, "DigitalZoomRatio": 0xA404, "FocalLengthIn35mmFilm": 0xA405,
    "ImageUniqueID": 0xA420, "BodySerialNumber": 0xA431,
}  # fmt: skip
GPS_TAGS: Mapping[str, int] = {
    "GPSLatitudeRef": 1, "GPSLatitude": 2, "GPSLongitudeRef": 3, "GPSLongitude": 4, "GPSAltitudeRef": 5,
    "GPSAltitude": 6, "GPSTimeStamp": 7, "GPSStatus": 9, "GPSImgDirectionRef": 16, "GPSImgDirection": 17,
    "GPSDateStamp": 29, "GPSHPositioningError": 31,
}  # fmt: skip

_TYPE_BYTES = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
    18: 8,
    129: 1,
}
_MAX_ENTRIES = 2000
_MAX_VALUE_BYTES = 256 << 10
_MAX_BEHIND_BYTES = 256 << 10
_BEHIND_GROUPS = {"Image": IMAGE_TAGS, "EXIF": PHOTO_TAGS, "GPS": GPS_TAGS}


@dataclass(slots=True)
class Tags:
    """Values by tag name over the three directories of a block, and what was wrong with it."""

    values: dict[str, Value] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def read_tags(block: bytes) -> Tags:
    """Wanted tags of an EXIF block; a damaged block gives what can be had, with notes. Never raises."""
    tags = Tags()
    walker = _Walker.of(block)
    first: set[int] = set()
    if walker is not None:
        first = walker.directory(walker.first, IMAGE_TAGS, tags)
        exif_at = _pointer(tags.values.pop("ExifPointer", None), first, 0x8769)
        gps_at = _pointer(tags.values.pop("GPSPointer", None), first, 0x8825)
        if exif_at is None and first.intersection(PHOTO_TAGS.values()):
            exif_at = walker.first
        for at, wanted in ((exif_at, PHOTO_TAGS), (gps_at, GPS_TAGS)):
            if at is not None:
                walker.directory(at, wanted, tags)
    if not tags.values and not first and block.strip(b"\x00"):
        _behind(block, tags)
    tags.notes = list(dict.fromkeys(tags.notes))
    return tags


def _pointer(value: Value | None, first: set[int], tag: int) -> int | None:
    if value is None or tag not in first:
        return None
    number = value[0] if isinstance(value, tuple) and value else None
    return number if isinstance(number, int) and number > 0 else None


@dataclass(frozen=True, slots=True)
class _Walker:
    block: bytes
    order: str
    big: bool
    first: int

    @classmethod
    def of(cls, block: bytes) -> _Walker | None:
        order = {b"II": "<", b"MM": ">"}.get(block[:2])
        if order is None or len(block) < 8:
            return None
        magic = struct.unpack_from(order + "H", block, 2)[0]
        if magic == 43 and len(block) >= 16:
            return cls(block, order, True, struct.unpack_from(order + "Q", block, 8)[0])
        if magic not in (42, 0x4F52, 0x5352, 0x55):
            return None
        return cls(block, order, False, struct.unpack_from(order + "I", block, 4)[0])

    def directory(self, start: int, wanted: Mapping[str, int], tags: Tags) -> set[int]:
        """Read the wanted tags of the directory at ``start`` into ``tags``; the set of tag numbers seen."""
        names = {number: name for name, number in wanted.items()}
        entries = self._sound_entries(start, set(names), tags)
        pillow = self._decoded(entries)
        for number, (kind, raw) in entries.items():
            if kind in (2, 129):
                tags.values.setdefault(names[number], _ascii(raw))
            elif kind in (1, 6, 7):
                tags.values.setdefault(names[number], raw)
            else:
                try:
                    value = pillow[number]
                except (KeyError, ValueError, TypeError, struct.error, OverflowError, SyntaxError):
                    tags.notes.append(f"EXIF field {names[number]} can't be read")
                    continue
                plain = value if isinstance(value, tuple) else (value,)
                tags.values.setdefault(names[number], tuple(plain[:64]))
        return self._numbers(start)

    def _numbers(self, start: int) -> set[int]:
        return {number for number, _, _, _ in self._entries(start)[0]}

    def _entries(self, start: int) -> tuple[list[tuple[int, int, int, int]], bool]:
        """Entries as (tag, type, count, place of the value field); whether the directory is whole."""
        head, step = (8, 20) if self.big else (2, 12)
        if start < 0 or start + head > len(self.block):
            return [], False
        count = struct.unpack_from(self.order + ("Q" if self.big else "H"), self.block, start)[0]
        fits = (len(self.block) - start - head) // step
        layout = self.order + ("HHQ" if self.big else "HHI")
        used = min(count, fits, _MAX_ENTRIES)
        found = [
            (*struct.unpack_from(layout, self.block, at), at + (12 if self.big else 8))
            for at in range(start + head, start + head + used * step, step)
        ]
        return found, used == count

    def _sound_entries(self, start: int, wanted: set[int], tags: Tags) -> dict[int, tuple[int, bytes]]:
        entries, whole = self._entries(start)
        if not whole:
            tags.notes.append("the EXIF block is damaged or too long; what could be read was kept")
        inline = 8 if self.big else 4
        sound: dict[int, tuple[int, bytes]] = {}
        for number, kind, count, at in entries:
            if number not in wanted or number in sound or kind not in _TYPE_BYTES:
                continue
            size = count * _TYPE_BYTES[kind]
            where = (
                at if size <= inline else struct.unpack_from(self.order + ("Q" if self.big else "I"), self.block, at)[0]
            )
            if kind in (2, 7, 1, 129) and size > _MAX_VALUE_BYTES:
                tags.notes.append("an EXIF text was too long and was cut")
                size = _MAX_VALUE_BYTES
            if size > _MAX_VALUE_BYTES or size == 0:
                continue
            if where + size > len(self.block):
                if kind not in (2, 7) or where >= len(self.block):
                    tags.notes.append("an EXIF field points outside its block and was left out")
                    continue
                size = len(self.block) - where
            sound[number] = (kind, bytes(self.block[where : where + size]))
        return sound

    def _decoded(self, entries: Mapping[int, tuple[int, bytes]]) -> TiffImagePlugin.ImageFileDirectory_v2:
        """The numeric entries as a compact directory, decoded by Pillow."""
        numeric = {tag: pair for tag, pair in sorted(entries.items()) if pair[0] not in (1, 2, 6, 7, 129)}
        head = (b"II*\x00" if self.order == "<" else b"MM\x00*") + struct.pack(self.order + "I", 8)
        values_at = 8 + 2 + 12 * len(numeric) + 4
        table = [struct.pack(self.order + "H", len(numeric))]
        values = b""
        for tag, (kind, raw) in numeric.items():
            if kind in (16, 17, 18):
                longs = [n & 0xFFFFFFFF for n in struct.unpack(f"{self.order}{len(raw) // 8}Q", raw)]
                kind, raw = 4, struct.pack(f"{self.order}{len(longs)}I", *longs)
            count = len(raw) // _TYPE_BYTES[kind]
            field_bytes = (
                raw.ljust(4, b"\x00") if len(raw) <= 4 else struct.pack(self.order + "I", values_at + len(values))
            )
            table.append(struct.pack(self.order + "HHI", tag, kind, count) + field_bytes)
            if len(raw) > 4:
                values += raw
        compact = head + b"".join(table) + bytes(4) + values
        directory = TiffImagePlugin.ImageFileDirectory_v2(head)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            stream = io.BytesIO(compact)
            stream.seek(8)
            directory.load(stream)
            for tag in numeric:
                try:
                    directory[tag]
                except (KeyError, ValueError, TypeError, struct.error, OverflowError, SyntaxError):
                    continue
        return directory


def _ascii(raw: bytes) -> str:
    raw = raw.split(b"\x00", 1)[0]
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _behind(block: bytes, tags: Tags) -> None:
    """ExifRead's view of a block that gave nothing, mapped to our names."""
    if len(block) > _MAX_BEHIND_BYTES:
        tags.notes.append("the EXIF block can't be read")
        return
    import logging

    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        found = exifread.process_file(io.BytesIO(block), details=False, strict=False)
    except Exception:  # ExifRead raises anything at a damaged block: AssertionError, struct.error, KeyError ...
        found = {}
    for label, entry in found.items():
        group, _, name = label.partition(" ")
        if name not in _BEHIND_GROUPS.get(group, {}):
            continue
        values = getattr(entry, "values", None)
        if isinstance(values, str):
            tags.values[name] = values.rstrip("\x00")
        elif isinstance(values, list) and values:
            tags.values[name] = bytes(values) if name == "UserComment" and _all_bytes(values) else tuple(values[:64])
    if not tags.values:
        tags.notes.append("the EXIF block can't be read")


def _all_bytes(values: list[object]) -> bool:
    return all(isinstance(value, int) and 0 <= value < 256 for value in values)

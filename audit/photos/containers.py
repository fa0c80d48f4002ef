"""What the bytes of a file are, how large the picture in them is, and where its metadata blocks lie.

Only headers and chunk tables are walked, with bounds on every step; nothing is decompressed except short PNG text.
Sources: ITU-T T.81 annex B (JPEG markers), W3C PNG 3rd edition, RFC 9649 (WebP), TIFF 6.0 and Adobe's BigTIFF note,
ISO/IEC 14496-12 (``ftyp`` brands of HEIF).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = [
    "Blocks",
    "Header",
    "blocks",
    "describe",
    "jpeg_segments",
    "png_chunks",
    "read_header",
    "riff_chunks",
    "sniff",
    "whole_png",
]

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"mif2"}
_MAX_CHUNKS = 4096
_MAX_PNG_CHUNKS = 100_000
_MAX_BLOCK_BYTES = 16 << 20
_MAX_TEXT_BYTES = 1 << 20
_EXIF_PREFIX = b"Exif\x00"
_XMP_PREFIX = b"http://ns.adobe.com/xap/1.0/\x00"
_XMP_MARK = b"ns.adobe.com/xap/1.0/\x00"
_LONG_XMP_PREFIX = b"http://ns.adobe.com/xmp/extension/\x00"
_MAX_LONG_XMP_BYTES = 1 << 20
_SIZE_MARKERS = frozenset({0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF})

_KNOWN_OTHERS = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"Rar!", "a RAR archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"SQLite format 3\x00", "a database"),
    (b"\x1a\x45\xdf\xa3", "a film"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)
_OTHER_PICTURES = (
    (b"GIF87a", "GIF"),
    (b"GIF89a", "GIF"),
    (b"BM", "BMP"),
    (b"\xff\x0a", "JPEG XL"),
    (b"\x00\x00\x00\x0cJXL ", "JPEG XL"),
    (b"\x00\x00\x00\x0cjP  ", "JPEG 2000"),
    (b"8BPS", "Photoshop"),
    (b"FUJIFILMCCD-RAW", "raw"),
    (b"IIRO", "raw"),
    (b"IIU\x00", "raw"),
    (b"\x76\x2f\x31\x01", "OpenEXR"),
)


@dataclass(frozen=True, slots=True)
class Header:
    """Format and stored size (before any orientation) as the header states them; None where it doesn't."""

    format: str
    width_px: int | None = None
    height_px: int | None = None
    progressive: bool = False


@dataclass(frozen=True, slots=True)
class Blocks:
    """Metadata blocks as they lie in a file: TIFF-structured EXIF, XMP packets, plain texts, and what was wrong."""

    exif: tuple[bytes, ...] = ()
    xmp: tuple[bytes, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = field(default=())


def sniff(data: bytes) -> str | None:
    """Format of a picture by its first bytes: JPEG, PNG, TIFF, WEBP, HEIF or DNG; None for anything else."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp":
        brands = {data[8:12]} | {data[at : at + 4] for at in range(16, min(_ftyp_length(data), 128), 4)}
        if b"avif" not in brands and b"avis" not in brands and brands & _HEIF_BRANDS:
            return "HEIF"
        return None
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "DNG" if _has_tag(data, 0xC612) else "TIFF"
    return None


def describe(data: bytes) -> tuple[bool, str]:
    """What a file that is not one of our formats is: (is it some other picture, name for a person)."""
    for magic, name in _OTHER_PICTURES:
        if data.startswith(magic):
            return True, name
    if data[4:8] == b"ftyp":
        brand = data[8:12]
        if brand in (b"avif", b"avis"):
            return True, "AVIF"
        if brand == b"crx ":
            return True, "raw"
        return False, "a film"
    for magic, name in _KNOWN_OTHERS:
        if data.startswith(magic):
            return False, name
    head = data[:4096]
    if not head.strip(b"\x00"):
        return False, "zeros only, as a half-copied card leaves them"
    try:
        text = head.decode("utf-8", errors="strict" if len(data) <= 4096 else "ignore")
    except UnicodeDecodeError:
        return False, "unknown data"
    printable = sum(letter.isprintable() or letter in "\r\n\t" for letter in text)
    return False, "text" if printable >= 0.95 * max(len(text), 1) else "unknown data"


def read_header(data: bytes) -> Header | None:
    """Format and stored size from the header alone; None where the bytes are not a picture we take."""
    kind = sniff(data)
    if kind is None:
        return None
    if kind == "JPEG":
        for marker, start, end in jpeg_segments(data):
            if marker in _SIZE_MARKERS and end - start >= 5:
                height, width = struct.unpack_from(">HH", data, start + 1)
                return Header(kind, width, height, progressive=marker in (0xC2, 0xC6, 0xCA, 0xCE))
        return Header(kind)
    if kind == "PNG":
        if len(data) >= 24 and data[12:16] == b"IHDR":
            width, height = struct.unpack_from(">II", data, 16)
            return Header(kind, width, height)
        return Header(kind)
    if kind == "WEBP":
        return _webp_header(data)
    if kind in ("TIFF", "DNG"):
        first = _first_directory(data)
        return Header(kind, first.get(0x100), first.get(0x101))
    return Header(kind, *_heif_size(data))


def blocks(data: bytes, kind: str) -> Blocks:
    """Metadata blocks of a JPEG, PNG, WEBP, TIFF or DNG (HEIF's are read by its library)."""
    if kind == "JPEG":
        return _jpeg_blocks(data)
    if kind == "PNG":
        return _png_blocks(data)
    if kind == "WEBP":
        return _webp_blocks(data)
    if kind in ("TIFF", "DNG"):
        return Blocks(exif=(data,))
    return Blocks()


def jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker segments before the first scan as (marker, payload start, payload end), bounded by the data."""
    at = 2
    for _ in range(_MAX_CHUNKS):
        at = data.find(b"\xff", at)
        if at < 0:
            return
        while at < len(data) and data[at] == 0xFF:
            at += 1
        if at >= len(data):
            return
        marker = data[at]
        at += 1
        if marker in (0x00, 0x01) or 0xD0 <= marker <= 0xD8:
            continue
        if marker in (0xD9, 0xDA) or at + 2 > len(data):
            return
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2:
            continue
        yield marker, at + 2, min(at + length, len(data))
        at += length


def png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Chunks as (type, payload start, payload end), bounded by the data."""
    at = 8
    for _ in range(_MAX_PNG_CHUNKS):
        if at + 8 > len(data):
            return
        length = int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : at + 8], at + 8, min(at + 8 + length, len(data))
        at += 12 + length


def whole_png(data: bytes) -> bool:
    """Whether every chunk lies inside the file and the last one ends it (a decoder may set aside memory for what
    a chunk merely claims to hold)."""
    last = b""
    for kind, start, end in png_chunks(data):
        if end - start != int.from_bytes(data[start - 8 : start - 4], "big"):
            return False
        last = kind
        if kind == b"IEND":
            break
    return last == b"IEND"


def riff_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Chunks of a RIFF file as (four letters, payload start, payload end), bounded by the data."""
    at = 12
    for _ in range(_MAX_CHUNKS):
        if at + 8 > len(data):
            return
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        yield data[at : at + 4], at + 8, min(at + 8 + length, len(data))
        at += 8 + length + (length & 1)


def _ftyp_length(data: bytes) -> int:
    return min(int.from_bytes(data[:4], "big"), len(data))


def _jpeg_blocks(data: bytes) -> Blocks:
    exif: list[bytes] = []
    xmp: list[bytes] = []
    long_xmp: list[tuple[int, bytes]] = []
    texts: list[tuple[str, str]] = []
    for marker, start, end in jpeg_segments(data):
        if marker == 0xE1:
            mark = data.find(_XMP_MARK, start, min(start + 48, end))
            if data[start : start + 5] == _EXIF_PREFIX:
                exif.append(data[start + 6 : end])
            elif data[start : start + len(_LONG_XMP_PREFIX)] == _LONG_XMP_PREFIX:
                at = start + len(_LONG_XMP_PREFIX) + 32
                long_xmp.append((int.from_bytes(data[at + 4 : at + 8], "big"), data[at + 8 : end]))
            elif mark >= 0:
                xmp.append(data[mark + len(_XMP_MARK) : end])
        elif marker == 0xFE:
            texts.append(("comment", _text(data[start:end])))
    xmp = xmp[:4]
    if long_xmp and sum(len(part) for _, part in long_xmp) <= _MAX_LONG_XMP_BYTES:
        xmp.append(b"".join(part for _, part in sorted(long_xmp)))
    return Blocks(tuple(exif[:4]), tuple(xmp), tuple(texts[:4]))


def _png_blocks(data: bytes) -> Blocks:
    exif: list[bytes] = []
    xmp: list[bytes] = []
    texts: list[tuple[str, str]] = []
    notes: list[str] = []
    for kind, start, end in png_chunks(data):
        if kind == b"eXIf" and end - start <= _MAX_BLOCK_BYTES:
            body = data[start:end]
            exif.append(body[6:] if body[:5] == _EXIF_PREFIX else body)
        elif kind in (b"tEXt", b"zTXt", b"iTXt"):
            entry = _png_text(kind, data[start:end])
            if entry is None:
                notes.append("a text in the PNG is damaged or too long and was left out")
                continue
            key, body = entry
            lower = key.lower()
            if lower == "xml:com.adobe.xmp":
                xmp.append(body)
            elif lower in ("raw profile type exif", "raw profile type app1"):
                profile = _raw_profile(body)
                if profile[:5] == _EXIF_PREFIX:
                    exif.append(profile[6:])
                elif profile.startswith(_XMP_PREFIX):
                    xmp.append(profile[len(_XMP_PREFIX) :])
            elif lower == "raw profile type xmp":
                xmp.append(_raw_profile(body))
            else:
                texts.append((lower, _text(body) if kind == b"iTXt" else body.decode("latin-1")))
    return Blocks(tuple(exif[:4]), tuple(xmp[:4]), tuple(texts[:32]), tuple(dict.fromkeys(notes)))


def _png_text(kind: bytes, body: bytes) -> tuple[str, bytes] | None:
    key, nul, rest = body.partition(b"\x00")
    if not nul:
        return None
    packed = False
    if kind == b"zTXt":
        packed, rest = True, rest[1:]
    elif kind == b"iTXt":
        packed = rest[:1] == b"\x01"
        rest = rest[2:].partition(b"\x00")[2].partition(b"\x00")[2]
    if packed:
        unpacker = zlib.decompressobj()
        try:
            rest = unpacker.decompress(rest, _MAX_TEXT_BYTES)
        except zlib.error:
            return None
        if unpacker.unconsumed_tail:
            return None
    if len(rest) > _MAX_TEXT_BYTES * 8:
        return None
    return key.decode("latin-1"), rest


def _raw_profile(body: bytes) -> bytes:
    lines = body.split(b"\n")
    digits = b"".join(lines[3:])
    try:
        return bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        return b""


def _webp_blocks(data: bytes) -> Blocks:
    exif: list[bytes] = []
    xmp: list[bytes] = []
    for kind, start, end in riff_chunks(data):
        if end - start > _MAX_BLOCK_BYTES:
            continue
        body = data[start:end] if kind in (b"EXIF", b"XMP ") else b""
        if kind == b"EXIF":
            exif.append(body[6:] if body[:5] == _EXIF_PREFIX else body)
        elif kind == b"XMP ":
            xmp.append(body)
    return Blocks(tuple(exif[:4]), tuple(xmp[:4]))


def _webp_header(data: bytes) -> Header:
    for kind, start, end in riff_chunks(data):
        if kind == b"VP8X" and end - start >= 10:
            width = 1 + int.from_bytes(data[start + 4 : start + 7], "little")
            return Header("WEBP", width, 1 + int.from_bytes(data[start + 7 : start + 10], "little"))
        if kind == b"VP8 " and end - start >= 10 and data[start + 3 : start + 6] == b"\x9d\x01\x2a":
            width, height = struct.unpack_from("<HH", data, start + 6)
            return Header("WEBP", width & 0x3FFF, height & 0x3FFF)
        if kind == b"VP8L" and end - start >= 5 and data[start] == 0x2F:
            bits = int.from_bytes(data[start + 1 : start + 5], "little")
            return Header("WEBP", 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF))
    return Header("WEBP")


def _heif_size(data: bytes) -> tuple[int | None, int | None]:
    """Largest ``ispe`` (image spatial extents) in the first 256 KiB: an upper bound before the library opens it."""
    best: tuple[int | None, int | None] = (None, None)
    area = 0
    at = data.find(b"ispe", 0, 1 << 18)
    for _ in range(_MAX_CHUNKS):
        if at < 0 or at + 16 > len(data):
            break
        width, height = struct.unpack_from(">II", data, at + 8)
        if width * height > area:
            area, best = width * height, (width, height)
        at = data.find(b"ispe", at + 4, 1 << 18)
    return best


def _first_directory(data: bytes) -> dict[int, int]:
    """Integer tags (SHORT, LONG or BYTE, single value) of a TIFF's first directory."""
    order = "<" if data[:2] == b"II" else ">"
    tags: dict[int, int] = {}
    try:
        big = data[2:4] in (b"+\x00", b"\x00+")
        start = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
        count = struct.unpack_from(order + ("Q" if big else "H"), data, start)[0]
        at = start + (8 if big else 2)
        for _ in range(min(count, _MAX_CHUNKS)):
            tag, kind = struct.unpack_from(order + "HH", data, at)
            value_at = at + (12 if big else 8)
            if kind in (1, 3, 4):
                tags[tag] = struct.unpack_from(order + {1: "B", 3: "H", 4: "I"}[kind], data, value_at)[0]
            at += 20 if big else 12
    except (struct.error, OverflowError):
        return tags
    return tags


def _has_tag(data: bytes, tag: int) -> bool:
    return tag in _first_directory(data)


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")

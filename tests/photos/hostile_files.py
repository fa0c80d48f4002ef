"""Sound photos of every format, and hostile ones made from them, each the same on every machine."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import piexif
import pillow_heif
from PIL import Image
from PIL.PngImagePlugin import PngInfo

_SUFFIXES = {".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".hif", ".dng"}

XMP_WITH_ENTITIES = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d SYSTEM "file:///etc/passwd">]>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description xmlns:tiff="http://ns.adobe.com/tiff/1.0/"><tiff:Model>&d;&c;</tiff:Model></rdf:Description>
</rdf:RDF></x:xmpmeta>"""


def scene(width: int = 320, height: int = 240, seed: int = 7) -> np.ndarray:
    """A smooth picture with some noise, (H, W, 3) uint8 RGB."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    base = np.stack([x * 255 / width, y * 255 / height, 128 + 100 * np.sin(x / 17) * np.cos(y / 23)], axis=-1)
    return np.clip(base + rng.normal(0, 6, base.shape), 0, 255).astype(np.uint8)


def exif_block(orientation: int = 1) -> bytes:
    """A phone's EXIF as piexif writes it (the block without its ``Exif`` prefix)."""
    return piexif.dump(
        {
            "0th": {piexif.ImageIFD.Model: b"P-1", piexif.ImageIFD.Orientation: orientation},
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: b"2026:06:16 10:15:30",
                piexif.ExifIFD.OffsetTimeOriginal: b"+00:00",
                piexif.ExifIFD.UserComment: b"ASCII\x00\x00\x00TH-02 gate",
                piexif.ExifIFD.BodySerialNumber: b"TH0002",
            },
            "GPS": {
                piexif.GPSIFD.GPSLatitudeRef: b"N",
                piexif.GPSIFD.GPSLatitude: ((46, 1), (30, 1), (36, 10)),
                piexif.GPSIFD.GPSLongitudeRef: b"W",
                piexif.GPSIFD.GPSLongitude: ((18, 1), (0, 1), (7200, 1000)),
                piexif.GPSIFD.GPSDateStamp: b"2026:06:16",
                piexif.GPSIFD.GPSTimeStamp: ((10, 1), (15, 1), (29, 1)),
            },
        }
    )[6:]


def sound_file(kind: str, picture: np.ndarray | None = None, exif: bytes | None = None) -> bytes:
    """A sound file of a format (JPEG, PROGRESSIVE, PNG, TIFF, LZW, WEBP, HEIF) with EXIF."""
    image = Image.fromarray(scene() if picture is None else picture)
    block = b"Exif\x00\x00" + (exif_block() if exif is None else exif)
    out = io.BytesIO()
    if kind == "JPEG":
        image.save(out, "JPEG", quality=88, exif=block)
    elif kind == "PROGRESSIVE":
        image.save(out, "JPEG", quality=88, exif=block, progressive=True)
    elif kind == "PNG":
        info = PngInfo()
        info.add_text("Description", "a text")
        image.save(out, "PNG", exif=block, pnginfo=info)
    elif kind == "TIFF":
        tags = Image.Exif()
        tags.load(block)
        image.save(out, "TIFF", exif=tags)
    elif kind == "LZW":
        image.save(out, "TIFF", compression="tiff_lzw")
    elif kind == "WEBP":
        image.save(out, "WEBP", exif=block, quality=85)
    elif kind == "HEIF":
        pillow_heif.from_pillow(image).save(out, quality=60, exif=block)
    else:
        raise ValueError(kind)
    return out.getvalue()


def with_exif(block: bytes) -> bytes:
    """A sound JPEG with any EXIF block of at most 65,000 bytes, however broken."""
    plain = io.BytesIO()
    Image.fromarray(scene(96, 64)).save(plain, "JPEG", quality=85)
    data = plain.getvalue()
    body = b"Exif\x00\x00" + block
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]


def with_xmp(packet: bytes) -> bytes:
    """A sound JPEG with an XMP packet."""
    data = with_exif(exif_block())
    body = b"http://ns.adobe.com/xap/1.0/\x00" + packet
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]


def directory(entries: list[tuple[int, int, int, int]], following: int = 0, start: int = 8) -> bytes:
    """A little-endian TIFF with one directory of (tag, type, count, value or offset)."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\x00" + struct.pack("<I", start) + struct.pack("<H", len(entries)) + body + struct.pack("<I", following)


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """One PNG chunk with its checksum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_bomb(side: int) -> bytes:
    """A PNG of side × side black pixels, packed a thousandfold."""
    packer = zlib.compressobj(9)
    row = bytes(1 + side // 8)
    body = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + png_chunk(b"IDAT", body) + png_chunk(b"IEND", b"")


def jpeg_with_stated_size(width: int, height: int) -> bytes:
    """A small JPEG whose frame header states another size."""
    data = bytearray(sound_file("JPEG"))
    at = data.find(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def jpeg_with_scans(side: int, more: int) -> bytes:
    """A progressive JPEG, flat but for its size, whose last scan is there many times."""
    out = io.BytesIO()
    Image.new("RGB", (side, side), (90, 90, 90)).save(out, "JPEG", progressive=True, quality=90)
    data = out.getvalue()
    last = data[data.rfind(b"\xff\xc4", 0, data.rfind(b"\xff\xda")) : -2]
    return data[:-2] + last * more + b"\xff\xd9"


def named_hostile_files() -> Iterator[tuple[str, bytes]]:
    """Files that are hostile in a known way."""
    jpeg, heif = sound_file("JPEG"), sound_file("HEIF")
    yield "empty", b""
    yield "one byte", b"\xff"
    yield "text", b"Lunch list for the crew\n" * 20
    yield "zeros", bytes(100_000)
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("a.jpg", jpeg)
    yield "ZIP", archive.getvalue()
    yield "PDF", b"%PDF-1.7\n" + bytes(500)
    yield "GIF", b"GIF89a" + bytes(500)
    yield "JPEG cut in the middle", jpeg[: len(jpeg) // 2]
    yield "JPEG cut in the middle and ended", jpeg[: len(jpeg) // 2] + b"\xff\xd9"
    yield "JPEG half copied", jpeg[: len(jpeg) // 2] + bytes(len(jpeg) // 2)
    yield "JPEG header alone", jpeg[:20]
    yield "JPEG of 60,000 x 60,000", jpeg_with_stated_size(60_000, 60_000)
    yield "JPEG of 65,500 x 3,000", jpeg_with_stated_size(65_500, 3_000)
    yield "JPEG of 0 x 0", jpeg_with_stated_size(0, 0)
    yield "JPEG with its last scan 90 times", jpeg_with_scans(4900, 90)
    yield "PNG bomb", png_bomb(30_000)
    yield (
        "PNG of 2,000,000,000 x 2",
        b"\x89PNG\r\n\x1a\n"
        + png_chunk(b"IHDR", struct.pack(">IIBBBBB", 2_000_000_000, 2, 8, 2, 0, 0, 0))
        + png_chunk(b"IDAT", zlib.compress(bytes(100))),
    )
    text_bomb = b"Description\x00\x00" + zlib.compress(bytes(80_000_000), 9)
    png = sound_file("PNG")
    yield "PNG text bomb", png[:33] + png_chunk(b"zTXt", text_bomb) + png[33:]
    yield "PNG text of 4 MB", png[:33] + png_chunk(b"tEXt", b"Comment\x00" + b"x" * 4_000_000) + png[33:]
    yield "PNG chunk that claims 4 GB", png[:33] + struct.pack(">I", 0xFEFFFFFF) + b"tEXt" + png[33:]
    yield "HEIC cut in half", heif[: len(heif) // 2]
    yield "HEIC header alone", heif[:64]
    yield "WebP cut in half", sound_file("WEBP")[:3000]
    webp = sound_file("WEBP")
    yield "WebP of 8,421,248 x 1", webp[:24] + bytes.fromhex("7f7f80000000") + webp[30:]
    yield "TIFF cut in half", sound_file("TIFF")[: len(sound_file("TIFF")) // 2]
    yield "circular directory", with_exif(directory([(0x0112, 3, 1, 1)], following=8))
    yield (
        "directory that is its own sub-directory",
        with_exif(directory([(0x0112, 3, 1, 6), (0x8769, 4, 1, 8), (0x8825, 4, 1, 8)])),
    )
    yield "5,000 entries", with_exif(directory([(0x9C9C, 7, 60_000, 0)] * 5_000))
    yield (
        "10,000 entries that claim to be there",
        with_exif(b"II*\x00" + struct.pack("<I", 8) + struct.pack("<H", 10_000) + bytes(40_000)),
    )
    wide = directory([(tag, 7, 60_000, 8) for tag in range(0x8000, 0x8000 + 5_000)])
    yield "5,000 values of 60,000 bytes each", with_exif(wide)
    big_comment = directory([(0x0112, 3, 1, 1), (0x8769, 4, 1, 38)])
    yield (
        "user comment of 4 GB",
        with_exif(big_comment + struct.pack("<HHHII", 1, 0x9286, 7, 0xFFFFFFF0, 64) + bytes(60)),
    )
    yield "maker note of 4 GB", with_exif(directory([(0x927C, 7, 0xFFFFFFFF, 8)]))
    yield "XMP with entities", with_xmp(XMP_WITH_ENTITIES)
    yield "XMP nested 5,000 deep", with_xmp(b"<x:xmpmeta>" + b"<a>" * 5_000 + b"</a>" * 5_000)
    tiff = directory(
        [(0x100, 4, 1, 64), (0x101, 4, 1, 64), (0x102, 3, 1, 8), (0x103, 3, 1, 1), (0x106, 3, 1, 1)]
        + [(0x111, 4, 1, 8), (0x115, 3, 1, 1), (0x116, 4, 1, 64), (0x117, 4, 1, 4096)],
        following=8,
    )
    yield "TIFF whose directories go round", tiff + bytes(5000)
    yield (
        "TIFF of 50,000 x 50,000",
        tiff.replace(struct.pack("<HHII", 0x100, 4, 1, 64), struct.pack("<HHII", 0x100, 4, 1, 50_000)).replace(
            struct.pack("<HHII", 0x101, 4, 1, 64), struct.pack("<HHII", 0x101, 4, 1, 50_000)
        ),
    )


def mutated(sound: bytes, how: int, rng: np.random.Generator) -> bytes:
    """One of six kinds of damage: bits flipped, cut, bytes overwritten, a piece cut out, doubled, or made noise."""
    data = bytearray(sound)
    head = bool(rng.integers(0, 2))
    reach = min(len(data), 900) if head else len(data)
    if how == 0:
        for at in rng.integers(0, reach, int(rng.integers(1, 12))):
            data[at] ^= 1 << int(rng.integers(0, 8))
    elif how == 1:
        data = data[: int(rng.integers(0, len(data)))]
    elif how == 2:
        at = int(rng.integers(0, reach))
        data[at : at + 4] = bytes(rng.choice([0, 0xFF, 0x7F, 0x80], 4).astype(np.uint8))
    elif how == 3:
        at, length = int(rng.integers(0, reach)), int(rng.integers(1, 200))
        del data[at : at + length]
    elif how == 4:
        at, length = int(rng.integers(0, reach)), int(rng.integers(1, 200))
        data[at:at] = data[at : at + length]
    else:
        at = int(rng.integers(0, reach))
        data[at : at + 64] = rng.integers(0, 256, 64, dtype=np.uint8).tobytes()
    return bytes(data)


def mutated_files(
    count: int, seed: int, kinds: tuple[str, ...] = ("JPEG", "PROGRESSIVE", "PNG", "TIFF", "WEBP", "HEIF")
) -> Iterator[tuple[str, bytes]]:
    """Sound files with bits flipped, bytes overwritten, pieces cut out, doubled or swapped."""
    rng = np.random.default_rng(seed)
    seeds = {kind: sound_file(kind, scene(160, 120)) for kind in kinds}
    for number in range(count):
        kind = kinds[number % len(kinds)]
        how = int(rng.integers(0, 6))
        yield f"{kind} {how} {number}", mutated(seeds[kind], how, rng)


def mutated_pictures(folder: Path, count: int, seed: int, most_bytes: int = 2_000_000) -> Iterator[tuple[str, bytes]]:
    """Pictures of a folder with everything below it, each in turn as it is, then mutated, over and over."""
    rng = np.random.default_rng(seed)
    files = [
        path
        for path in sorted(folder.rglob("*"))
        if path.suffix.lower() in _SUFFIXES and path.is_file() and 0 < path.stat().st_size <= most_bytes
    ]
    for number in range(count if files else 0):
        path = files[number % len(files)]
        data = path.read_bytes()
        if number < len(files):
            yield f"{path.name} {number}", data
        else:
            how = int(rng.integers(0, 6))
            yield f"{path.name} {how} {number}", mutated(data, how, rng)

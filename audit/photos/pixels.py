"""Pixels of a photo: upright, 8-bit RGB, decoded at the smallest size that serves.

The EXIF orientation is applied exactly once and always here: OpenCV is told to leave it alone, HEIF and TIFF decoders,
which turn the picture themselves, are compensated for.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.photos.containers import Header, read_header, whole_png

__all__ = [
    "MAX_PIXELS",
    "Decoded",
    "Undecodable",
    "apply_orientation",
    "decode",
    "decode_grey",
    "decode_with_size",
    "picture_hash",
    "preview_jpeg",
]

RGB = NDArray[np.uint8]

MAX_PIXELS = 220_000_000
"""Largest picture that is opened where the decoder can reduce while decoding (JPEG): above any phone's sensor."""
MAX_PIXELS_UNREDUCED = 80_000_000
"""Largest picture of the formats that have to be unpacked whole (and of progressive JPEG)."""
_BOMB_PIXELS = 25_000_000
_BOMB_BYTES_PER_PIXEL = 0.004
_MAX_SCANS = 100
_MAX_SCANNED_PIXELS = 1_200_000_000
_REDUCED = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}


class Undecodable(ValueError):
    """Pixels that can't be had; ``kind`` is one of PhotoRefused's, the text completes "the file ..."."""

    def __init__(self, kind: str, reason: str) -> None:
        super().__init__(reason)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class Decoded:
    """Upright pixels with the size of the whole picture.

    Attributes
    ----------
    pixels : uint8 RGB array (H, W, 3)
        Long side at most what was asked for.
    width_px, height_px : int
        Of the picture in the file, after the orientation.
    notes : tuple of str
    """

    pixels: RGB
    width_px: int
    height_px: int
    notes: tuple[str, ...] = ()


def decode(data: bytes, max_side_px: int | None = None) -> RGB:
    """Upright ``uint8`` RGB array (H, W, 3) of a picture, its long side at most ``max_side_px``.

    Raises
    ------
    Undecodable
        Not a picture we take, damaged, or larger than the limits.
    """
    from audit.photos.metadata import read_metadata

    return decode_with_size(data, max_side_px, orientation=read_metadata(data).orientation).pixels


def decode_with_size(
    data: bytes, max_side_px: int | None = None, *, orientation: int = 1, header: Header | None = None
) -> Decoded:
    """Decode with an orientation that is already known (EXIF 1..8); see :func:`decode`."""
    header = header or read_header(data)
    if header is None:
        raise Undecodable("not an image", "is not a picture")
    if header.format == "DNG":
        return _decode_raw_preview(data, max_side_px, orientation)
    _check_limits(data, header)
    if header.format == "HEIF":
        return _decode_heif(data, max_side_px)
    if header.format == "TIFF":
        return _decode_tiff(data, max_side_px, orientation)
    return _decode_cv2(data, header, max_side_px, orientation)


def decode_grey(data: bytes, *, orientation: int | None = None, header: Header | None = None) -> NDArray[np.uint8]:
    """Upright ``uint8`` array (H, W) of a whole picture's shades; of a JPEG the colours are not unpacked, which spares half.

    Raises
    ------
    Undecodable
        As :func:`decode`.
    """
    from audit.photos.metadata import read_metadata

    header = header or read_header(data)
    orientation = read_metadata(data).orientation if orientation is None else orientation
    if header is None or header.format != "JPEG":
        whole = decode_with_size(data, orientation=orientation, header=header).pixels
        return np.asarray(cv2.cvtColor(whole, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    _check_limits(data, header)
    grey = _unpacked(data, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    if grey is None:
        raise Undecodable("damaged", "is damaged or cut short and its picture can't be unpacked")
    return np.ascontiguousarray(apply_orientation(grey, orientation))


def apply_orientation(pixels: RGB, orientation: int) -> RGB:
    """Turn stored pixels upright by EXIF orientation 1..8 (Exif 2.32, tag 0x0112); other values leave them alone."""
    if orientation in (5, 6, 7, 8):
        pixels = np.asarray(cv2.transpose(pixels), dtype=np.uint8)
    flips = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}
    if orientation in flips:
        pixels = np.asarray(cv2.flip(pixels, flips[orientation]), dtype=np.uint8)
    return pixels


def picture_hash(pixels: RGB) -> str:
    """64-bit perceptual hash as 16 hex digits: signs of the 8 × 8 lowest frequencies but the constant ones.

    Two copies of one picture (saved again, resized) differ in few bits, two pictures in about 32. A flat picture
    gives zeros.
    """
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    step = min(grey.shape) // 128
    if step > 1:
        down, across = grey.shape[0] // step, grey.shape[1] // step
        grey = cv2.resize(grey[: down * step, : across * step], (across, down), interpolation=cv2.INTER_AREA)
    small = cv2.resize(grey, (32, 32), interpolation=cv2.INTER_AREA)
    low = cv2.dct(small.astype(np.float32))[1:9, 1:9].ravel()
    low[np.abs(low) < 1e-2] = 0.0
    bits = low > np.median(low)
    return f"{int.from_bytes(np.packbits(bits).tobytes(), 'big'):016x}"


def preview_jpeg(pixels: RGB, max_side_px: int, quality: int = 85) -> bytes:
    """JPEG file of the picture with its long side at most ``max_side_px``, without any metadata."""
    small = _reduced(pixels, max_side_px)
    good, coded = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not good:
        raise ValueError("the picture could not be written as JPEG")
    return coded.tobytes()


def _check_limits(data: bytes, header: Header) -> None:
    width, height = header.width_px, header.height_px
    if width is None or height is None:
        if header.format == "HEIF":
            return
        raise Undecodable("damaged", "is damaged: its header states no size")
    if width < 1 or height < 1:
        raise Undecodable("damaged", f"is damaged: its header states a size of {width} × {height} pixels")
    limit = MAX_PIXELS if header.format == "JPEG" and not header.progressive else MAX_PIXELS_UNREDUCED
    area = width * height
    if area > limit:
        raise Undecodable(
            "too large", f"states {width} × {height} pixels, more than the {limit // 1_000_000} megapixels accepted"
        )
    if area > _BOMB_PIXELS and len(data) < area * _BOMB_BYTES_PER_PIXEL:
        raise Undecodable("too large", f"states {width} × {height} pixels in {len(data)} bytes, too few for a photo")
    if header.format == "JPEG" and header.progressive:
        scans = data.count(b"\xff\xda")
        if scans > _MAX_SCANS or scans * area > _MAX_SCANNED_PIXELS:
            raise Undecodable("too large", f"holds {scans} scans of its picture, more than any camera writes")


def _decode_cv2(data: bytes, header: Header, max_side_px: int | None, orientation: int) -> Decoded:
    assert header.width_px is not None and header.height_px is not None
    factor = 1
    if header.format == "JPEG" and max_side_px:
        longest = max(header.width_px, header.height_px)
        factor = max(f for f in (1, 2, 4, 8) if f == 1 or longest // f >= max_side_px)
    if header.format == "PNG" and not whole_png(data):
        raise Undecodable("damaged", "is damaged or cut short and its picture can't be unpacked")
    mode = _REDUCED[factor] | cv2.IMREAD_IGNORE_ORIENTATION
    bgr = _unpacked(data, mode)
    if bgr is None:
        raise Undecodable("damaged", "is damaged or cut short and its picture can't be unpacked")
    if header.format == "WEBP" and not any(data[-max(512, len(data) // 20) :]):
        raise Undecodable("damaged", "is cut short: its end is empty")
    if header.format == "JPEG" and _cut_short(data, bgr, mode):
        raise Undecodable("damaged", "is cut short: its lower part holds no picture")
    upright = apply_orientation(_rgb(_reduced(bgr, max_side_px)), orientation)
    width, height = (header.width_px, header.height_px) if factor > 1 else (bgr.shape[1], bgr.shape[0])
    return Decoded(upright, *_turned(width, height, orientation))


def _unpacked(data: bytes, mode: int) -> RGB | None:
    """The picture as the decoder unpacks it (blue first), None where it can't; a size beyond its own limits is an error of its."""
    try:
        found = cv2.imdecode(np.frombuffer(data, np.uint8), mode)
    except cv2.error:
        return None
    return None if found is None else np.asarray(found, dtype=np.uint8)


def _cut_short(data: bytes, bgr: RGB, mode: int) -> bool:
    """Whether a JPEG that decoded ends before its picture does, as a repaired or half-copied file can.

    Only a picture with flat lower rows is suspected. Bytes put before the end marker are passed over where the
    picture is whole, and are unpacked as picture where it is not.
    """
    if not bool((bgr[-2:] == bgr[-1, -1]).all()):
        return False
    end = data.rfind(b"\xff\xd9")
    filler = bytes(range(1, 128)) * 4
    longer = data[:end] + filler + data[end:] if end > 0 else data + filler
    again = _unpacked(longer, mode)
    return again is not None and not np.array_equal(again, bgr)


def _decode_heif(data: bytes, max_side_px: int | None) -> Decoded:
    try:
        import pillow_heif
    except ImportError:
        raise Undecodable(
            "unsupported", "is a HEIC photo and the library pillow-heif that reads them is not installed"
        ) from None
    try:
        image = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width, height = image.size
        if width * height > MAX_PIXELS_UNREDUCED:
            raise Undecodable("too large", f"states {width} × {height} pixels, more than are accepted")
        stored = np.asarray(image)
    except Undecodable:
        raise
    except Exception as error:  # whatever libheif throws at a hostile file means the same to us
        raise Undecodable("damaged", "is a HEIC photo that is damaged or cut short") from error
    if stored.ndim == 2:
        stored = np.repeat(stored[:, :, None], 3, axis=2)
    if stored.dtype != np.uint8:
        stored = (stored >> (8 * (stored.itemsize - 1))).astype(np.uint8)
    upright = _reduced(np.ascontiguousarray(stored[:, :, :3]), max_side_px)
    return Decoded(upright, stored.shape[1], stored.shape[0])


def _decode_tiff(data: bytes, max_side_px: int | None, orientation: int) -> Decoded:
    """Pillow turns a TIFF upright while loading; it reads more TIFF kinds than OpenCV."""
    from PIL import Image

    directories = _directories(data)
    if directories and directories[0].get(0xFE) == 1 and _largest_preview(data) is not None:
        return _decode_raw_preview(data, max_side_px, orientation)
    try:
        with Image.open(io.BytesIO(data), formats=["TIFF"]) as image:
            image.load()
            width, height = image.size
            upright = _reduced(_pillow_grey_or_rgb(image), max_side_px)
    except Exception as error:  # Pillow raises many kinds at a damaged TIFF
        if _largest_preview(data) is not None:
            return _decode_raw_preview(data, max_side_px, orientation)
        raise Undecodable("damaged", "is a TIFF that is damaged or of a kind that can't be read") from error
    if upright.ndim == 2:
        upright = np.repeat(upright[:, :, None], 3, axis=2)
    return Decoded(upright, width, height)


def _pillow_grey_or_rgb(image: object) -> NDArray[np.uint8]:
    """Grey (H, W) where the picture has no colours, which takes a third of the memory, else (H, W, 3)."""
    from PIL import Image

    assert isinstance(image, Image.Image)
    if image.mode in ("1", "L"):
        return np.asarray(image.convert("L"), dtype=np.uint8)
    if image.mode.startswith("I;16"):
        deep = np.asarray(image).astype(np.uint16)
        return (deep >> 8).astype(np.uint8)
    if image.mode in ("I", "F"):
        values = np.asarray(image, dtype=np.float64)
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if not (np.isfinite(low) and np.isfinite(high)):
            raise ValueError("pixel values are not finite")
        scaled = (values - low) * (255.0 / (high - low) if high > low else 0.0)
        return np.nan_to_num(scaled).astype(np.uint8)
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"), dtype=np.uint8)


def _decode_raw_preview(data: bytes, max_side_px: int | None, orientation: int) -> Decoded:
    preview = _largest_preview(data)
    if preview is None:
        raise Undecodable("unsupported", "is a raw photo without a preview inside; export it as JPEG")
    header = read_header(preview)
    if header is None or header.format != "JPEG":
        raise Undecodable("damaged", "is a raw photo whose preview is damaged")
    _check_limits(preview, header)
    decoded = _decode_cv2(preview, header, max_side_px, orientation)
    note = "measured on the preview inside the raw photo"
    return Decoded(decoded.pixels, decoded.width_px, decoded.height_px, (note,))


def _largest_preview(data: bytes) -> bytes | None:
    """Largest baseline or progressive JPEG that a TIFF-structured raw photo points to."""
    found: list[tuple[int, bytes]] = []
    for tags in _directories(data):
        offset, length = tags.get(0x201), tags.get(0x202)
        if offset is None and tags.get(0x103) in (6, 7):
            offset, length = tags.get(0x111), tags.get(0x117)
        if offset is None or length is None or tags.get(0x106) in (32803, 34892):
            continue
        candidate = data[offset : offset + length]
        header = read_header(candidate) if candidate[:3] == b"\xff\xd8\xff" else None
        if header is not None and header.width_px and header.height_px:
            found.append((header.width_px * header.height_px, candidate))
    return max(found, key=lambda pair: pair[0])[1] if found else None


def _directories(data: bytes, limit: int = 32) -> list[dict[int, int]]:
    """First values of the integer tags of each directory and sub-directory, without following loops."""
    order = "<" if data[:2] == b"II" else ">"
    result: list[dict[int, int]] = []
    seen: set[int] = set()
    try:
        waiting = [struct.unpack_from(order + "I", data, 4)[0]]
        while waiting and len(result) < limit:
            start = waiting.pop(0)
            if start in seen or start == 0:
                continue
            seen.add(start)
            count = min(struct.unpack_from(order + "H", data, start)[0], 1024)
            tags: dict[int, int] = {}
            for at in range(start + 2, start + 2 + 12 * count, 12):
                tag, kind, number = struct.unpack_from(order + "HHI", data, at)
                if kind not in (3, 4, 13):
                    continue
                code, width = ("H", 2) if kind == 3 else ("I", 4)
                where = at + 8 if number * width <= 4 else struct.unpack_from(order + "I", data, at + 8)[0]
                tags[tag] = struct.unpack_from(order + code, data, where)[0]
                if tag == 0x14A:
                    waiting.extend(struct.unpack_from(f"{order}{min(number, 16)}{code}", data, where))
                if tag in (0x111, 0x117) and number != 1:
                    del tags[tag]
            result.append(tags)
            waiting.append(struct.unpack_from(order + "I", data, start + 2 + 12 * count)[0])
    except struct.error:
        return result
    return result


def _rgb(bgr: RGB) -> RGB:
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), dtype=np.uint8)


def _reduced(pixels: RGB, max_side_px: int | None) -> RGB:
    """Long side at most ``max_side_px``: by area, or linearly where that meets every pixel and costs a fifth."""
    height, width = pixels.shape[:2]
    if not max_side_px or max(height, width) <= max_side_px:
        return pixels
    scale = max_side_px / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    method = cv2.INTER_LINEAR if scale > 0.5 else cv2.INTER_AREA
    return np.asarray(cv2.resize(pixels, size, interpolation=method), dtype=np.uint8)


def _turned(width: int, height: int, orientation: int) -> tuple[int, int]:
    return (height, width) if orientation in (5, 6, 7, 8) else (width, height)

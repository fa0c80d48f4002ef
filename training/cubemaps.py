"""Cube maps that packages carry (KTX 1.1 and DDS), as equirectangular panoramas.

KTX: Khronos, "KTX File Format Specification" 1.1; packed floats: OpenGL 4.6 core profile, section 8.5.2; order and
axes of the faces: the same, table 8.19. DDS with a "DX10" header: Microsoft, "DDS Programming Guide".
"""

from __future__ import annotations

import struct
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["equirectangular", "read_dds", "read_ktx"]

Float = NDArray[np.float32]
R11F_G11F_B10F = 0x8C3A
DXGI_R16G16B16A16_FLOAT = 10


def _small_float(bits: NDArray[np.uint32], mantissa: int) -> NDArray[np.float64]:
    exponent, fraction = (bits >> mantissa) & 31, (bits & ((1 << mantissa) - 1)) / 2.0**mantissa
    return np.where(exponent == 0, fraction * 2.0**-14, (1 + fraction) * 2.0 ** (exponent.astype(float) - 15))


def read_ktx(path: Path) -> Float:
    """Faces (6, n, n, 3), order +x, -x, +y, -y, +z, -z, of a cube map of packed floats (R11F_G11F_B10F)."""
    data = path.read_bytes()
    header = struct.unpack("<13I", data[12:64])
    if header[4] != R11F_G11F_B10F or header[10] != 6:
        raise ValueError(f"{path} is no cube map of packed floats; take the file as the package ships it.")
    side, start = header[6], 64 + header[12] + 4
    faces = np.frombuffer(data, np.uint32, 6 * side * side, start).reshape(6, side, side)
    parts = [_small_float(faces & 0x7FF, 6), _small_float((faces >> 11) & 0x7FF, 6), _small_float(faces >> 22, 5)]
    return np.stack(parts, -1).astype(np.float32)


def read_dds(path: Path) -> Float:
    """Faces (6, n, n, 3) of the finest level of a cube map of 16-bit floats (RGBA) with a DX10 header."""
    data = path.read_bytes()
    side, levels, layout = (struct.unpack_from("<I", data, at)[0] for at in (16, 28, 128))
    if layout != DXGI_R16G16B16A16_FLOAT:
        raise ValueError(f"{path} holds no 16-bit floats; take the file as the package ships it.")
    face = sum(8 * max(1, side >> level) ** 2 for level in range(levels))
    return np.stack([
        np.frombuffer(data, np.float16, side * side * 4, 148 + face * k).reshape(side, side, 4)[..., :3] for k in range(6)
    ]).astype(np.float32)  # fmt: skip


def equirectangular(faces: Float, width: int, height: int) -> Float:
    """Panorama (height, width, 3) of cube faces (6, n, n, 3): zenith on top, -z in the middle."""
    longitude = ((np.arange(width) + 0.5) / width - 0.5) * 2 * np.pi
    latitude = (0.5 - (np.arange(height) + 0.5) / height) * np.pi
    lon, lat = np.meshgrid(longitude, latitude)
    x, y, z = np.sin(lon) * np.cos(lat), np.sin(lat), -np.cos(lon) * np.cos(lat)
    ax, ay, az = np.abs(x), np.abs(y), np.abs(z)
    side = faces.shape[1]
    out = np.zeros((height, width, 3), np.float32)
    on_x, on_y = (ax >= ay) & (ax >= az), (ay > ax) & (ay >= az)
    on_z = ~(on_x | on_y)
    sheets = (
        (on_x & (x > 0), -z, -y, ax), (on_x & (x <= 0), z, -y, ax), (on_y & (y > 0), x, z, ay),
        (on_y & (y <= 0), x, -z, ay), (on_z & (z > 0), x, -y, az), (on_z & (z <= 0), -x, -y, az),
    )  # fmt: skip
    for face, (here, s, t, major) in zip(faces, sheets, strict=True):
        column = ((s / major + 1) / 2 * side - 0.5).astype(np.float32)
        row = ((t / major + 1) / 2 * side - 0.5).astype(np.float32)
        shown = cv2.remap(face, column, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        out[here] = shown[here]
    return np.maximum(out, 0)

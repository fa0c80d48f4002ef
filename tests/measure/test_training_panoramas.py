"""Panoramas for training: cube maps as the graphics standards lay them out, and verticals fitted to upright edges."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from training.cubemaps import equirectangular, read_dds, read_ktx
from training.evaluation_views import level_rotation
from training.level import fit_vertical
from training.places import HELD_OUT, PLACES


def write_ktx(path: Path, codes: list[int], side: int = 4, layout: int = 0x8C3A) -> None:
    """KTX 1.1 as its specification has it; one packed value a face."""
    head = b"\xabKTX 11\xbb\r\n\x1a\n" + struct.pack("<13I", 0x04030201, layout, 1, layout, layout, layout, side, side, 0, 0, 6, 1, 0)
    faces = b"".join(struct.pack("<I", code) * side * side for code in codes)
    path.write_bytes(head + struct.pack("<I", 4 * side * side) + faces)


def test_packed_floats_are_read_as_opengl_packs_them(tmp_path: Path) -> None:
    # OpenGL 4.6 core, section 8.5.2: 11 and 11 bits with 6 of mantissa, 10 bits with 5, exponent bias 15
    one = 15 << 6
    code = one | (one | 32) << 11 | (16 << 5 | 16) << 22  # red 1, green 1 + 32/64, blue 2 (1 + 16/32)
    write_ktx(tmp_path / "map.ktx", [code, 0, one, 0, 0, 1])
    faces = read_ktx(tmp_path / "map.ktx")
    assert faces.shape == (6, 4, 4, 3)
    assert faces[0, 0, 0].tolist() == [1.0, 1.5, 3.0]
    assert faces[2, 3, 3].tolist() == [1.0, 0.0, 0.0]
    assert faces[5, 0, 0, 0] == pytest.approx(2.0**-14 / 64)  # smaller than the least normalised number


def test_another_layout_of_pixels_is_refused_by_name(tmp_path: Path) -> None:
    write_ktx(tmp_path / "bytes.ktx", [0] * 6, layout=0x1401)
    with pytest.raises(ValueError, match=r"bytes\.ktx is no cube map of packed floats"):
        read_ktx(tmp_path / "bytes.ktx")


def test_finest_level_of_each_face_is_read_from_dds(tmp_path: Path) -> None:
    # faces follow each other, each with its whole chain of levels (Microsoft, DDS programming guide)
    header = bytearray(148)
    header[:4] = b"DDS "
    struct.pack_into("<I", header, 16, 2)
    struct.pack_into("<I", header, 28, 2)
    struct.pack_into("<I", header, 128, 10)
    faces = b"".join(np.full(4 * 4, k, np.float16).tobytes() + np.full(4, 99, np.float16).tobytes() for k in range(6))
    (tmp_path / "map.dds").write_bytes(bytes(header) + faces)
    assert read_dds(tmp_path / "map.dds")[:, 0, 0, 0].tolist() == [0, 1, 2, 3, 4, 5]


def test_faces_lie_where_opengl_puts_them() -> None:
    # table 8.19 of OpenGL 4.6 core: +x, -x, +y (up), -y, +z, -z; the middle of the panorama looks along -z
    faces = np.ones((6, 8, 8, 3), np.float32) * np.arange(6, dtype=np.float32)[:, None, None, None]
    shown = equirectangular(faces, 64, 32)[..., 0]
    assert np.allclose([shown[16, 32], shown[16, 48], shown[16, 16]], [5, 0, 1], atol=1e-5)
    assert np.allclose(shown[16, [0, 63]], 4, atol=1e-5)
    assert np.allclose(shown[0], 2, atol=1e-5) and np.allclose(shown[-1], 3, atol=1e-5)


def test_faces_join_without_a_seam() -> None:
    side = 32
    t = (np.arange(side) + 0.5) / side * 2 - 1
    u, v = np.meshgrid(t, t)
    one = np.ones_like(u)
    # direction of each texel, from the inverse of the same table
    axes = [(one, -v, -u), (-one, -v, u), (u, one, v), (u, -one, -v), (u, -v, one), (-u, -v, -one)]
    faces = np.stack([np.stack(a, -1) / np.linalg.norm(np.stack(a, -1), axis=-1, keepdims=True) for a in axes])
    shown = equirectangular((faces + 1).astype(np.float32), 128, 64) - 1
    lon = ((np.arange(128) + 0.5) / 128 - 0.5) * 2 * np.pi
    lat = (0.5 - (np.arange(64) + 0.5) / 64) * np.pi
    lon, lat = np.meshgrid(lon, lat)
    expected = np.stack([np.sin(lon) * np.cos(lat), np.sin(lat), -np.cos(lon) * np.cos(lat)], -1)
    assert np.abs(shown - expected).max() < 0.03


def test_vertical_is_found_in_a_hall_of_columns_that_leans() -> None:
    # columns of equal width round the camera, the whole panorama leaning by 1.5 degrees; drawn for this test
    axis = np.array([0.02, -0.0165, 1.0])
    axis /= np.linalg.norm(axis)
    lon = ((np.arange(1024) + 0.5) / 1024 - 0.5) * 2 * np.pi
    lat = (0.5 - (np.arange(512) + 0.5) / 512) * np.pi
    lon, lat = np.meshgrid(lon, lat)
    d = np.stack([np.sin(lon) * np.cos(lat), np.cos(lon) * np.cos(lat), np.sin(lat)], -1)
    level = d @ level_rotation(tuple(axis))
    # edges as wide as a pixel of the panorama: stairs would stand upright
    stripes = np.clip(0.5 + 4 * np.sin(np.arctan2(level[..., 0], level[..., 1]) * 18), 0, 1)
    found, edges = fit_vertical(np.repeat((0.1 + stripes)[..., None], 3, -1).astype(np.float32))
    assert edges > 100
    assert np.degrees(np.arccos(np.clip(found @ axis, -1, 1))) < 0.1


def test_held_out_places_are_known_and_named_once() -> None:
    keys = [(p.source, p.name) for p in PLACES]
    assert len(set(keys)) == len(keys)
    assert {p.name for p in PLACES if p.source == "folder"} >= HELD_OUT

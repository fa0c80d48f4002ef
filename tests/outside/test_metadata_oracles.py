"""Fields against exiftool (Debian libimage-exiftool-perl), Pillow and ExifRead, on pictures that packages carry and on
files written here. A picture that is not on this machine is skipped.

Where we differ on purpose: 0°, 0° and positions without a hemisphere are no positions; seconds above 60 are no time.
"""

from __future__ import annotations

import io
import json
import random
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path

import exifread
import piexif
import pytest
import skimage
from PIL import Image

from audit.photos.metadata import read_metadata
from audit.photos.photo import Metadata

exiftool = pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed")
FOLDERS = (
    Path(skimage.__file__).parent / "data",
    Path("/usr/share/doc/opencv-doc/examples/data"),
    Path("/usr/share/backgrounds"),
    Path("/usr/share/wallpapers"),
    Path("/usr/share/stellarium/landscapes"),
)
SUFFIXES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}
WANTED = (
    "ExifIFD:DateTimeOriginal", "ExifIFD:SubSecTimeOriginal", "ExifIFD:OffsetTimeOriginal", "IFD0:Orientation",
    "Composite:GPSLatitude", "Composite:GPSLongitude", "GPS:GPSImgDirection", "GPS:GPSImgDirectionRef", "Composite:GPSDateTime",
    "GPS:GPSHPositioningError", "Composite:GPSAltitude", "ExifIFD:FocalLengthIn35mmFormat", "ExifIFD:SerialNumber",
    "ExifIFD:ImageUniqueID", "XMP-exif:GPSLatitude", "XMP-exif:GPSLongitude", "ExifTool:Warning",
)  # fmt: skip


@cache
def carried_pictures() -> tuple[Path, ...]:
    found = [
        path for folder in FOLDERS if folder.is_dir() for path in folder.rglob("*") if path.suffix.lower() in SUFFIXES
    ]
    small = sorted(
        path for path in found if path.is_file() and not path.is_symlink() and path.stat().st_size < 3_000_000
    )
    return tuple(small[:400])


def by_exiftool(paths: list[Path], folder: Path) -> dict[str, dict[str, object]]:
    """exiftool's numeric values of the wanted tags, by path."""
    listing = folder / "files.txt"
    listing.write_text("\n".join(map(str, paths)), encoding="utf-8")
    command = ["exiftool", "-j", "-n", "-G1", *(f"-{tag}" for tag in WANTED), "-@", str(listing)]
    out = subprocess.run(command, capture_output=True, check=False, timeout=240).stdout
    return {row["SourceFile"]: row for row in json.loads(out or b"[]")}


def differences(ours: Metadata, theirs: dict[str, object]) -> list[str]:
    """Names of the fields in which we differ from exiftool, as far as it can read the file at all."""
    if theirs.get("ExifTool:Warning") == "JPEG format error":
        return []
    wrong = []

    def near(name: str, mine: float | None, tag: str, within: float) -> None:
        other = theirs.get(tag)
        if tag in ("Composite:GPSLatitude", "Composite:GPSLongitude") and theirs.get("Composite:GPSLatitude") in (None, ""):
            other = theirs.get(tag.replace("Composite:", "XMP-exif:"))
        if mine is None and other is None:
            return
        if not (isinstance(mine, float | int) and isinstance(other, float | int) and abs(mine - other) <= within):
            wrong.append(f"{name}: {mine} and {other}")

    zero = theirs.get("Composite:GPSLatitude") == 0 and theirs.get("Composite:GPSLongitude") == 0
    if not zero:
        near("latitude", ours.latitude, "Composite:GPSLatitude", 1e-6)
        near("longitude", ours.longitude, "Composite:GPSLongitude", 1e-6)
    if "GPS:GPSImgDirection" in theirs:
        near("bearing", ours.bearing_deg, "GPS:GPSImgDirection", 1e-4)
        letter = theirs.get("GPS:GPSImgDirectionRef", "T")
        if ours.bearing_reference != letter:
            wrong.append(f"reference: {ours.bearing_reference} and {letter}")
    if "IFD0:Orientation" in theirs and theirs["IFD0:Orientation"] in range(1, 9):
        near("orientation", ours.orientation, "IFD0:Orientation", 0)
    stated = str(theirs.get("ExifIFD:DateTimeOriginal", ""))
    match = re.fullmatch(r"\d{4}:\d\d:\d\d \d\d:\d\d:(\d\d)", stated)
    if match and int(match[1]) < 60 and not stated.startswith("0000"):
        mine = "" if ours.taken_at is None else ours.taken_at.strftime("%Y:%m:%d %H:%M:%S")
        if mine != stated:
            wrong.append(f"taken: {mine} and {stated}")
    return wrong


@exiftool
def test_pictures_that_packages_carry(tmp_path: Path) -> None:
    pictures = list(carried_pictures())
    if not pictures:
        pytest.skip("no pictures on this machine")
    theirs = by_exiftool(pictures, tmp_path)
    wrong = {
        str(path): found
        for path in pictures
        if (found := differences(read_metadata(path.read_bytes()), theirs.get(str(path), {})))
    }
    assert len(wrong) <= 0.003 * len(pictures), wrong


def written(number: int) -> bytes:
    """A small JPEG with phone-like EXIF drawn at random (the same for the same number)."""
    rng = random.Random(number)

    def ratio(value: float, parts: int) -> tuple[int, int]:
        return round(value * parts), parts

    gps = {
        1: rng.choice("NS"), 2: ((rng.randint(0, 89), 1), (rng.randint(0, 59), 1), ratio(rng.uniform(0, 59.9), 1000)),
        3: rng.choice("EW"), 4: ((rng.randint(0, 179), 1), ratio(rng.uniform(0, 59.99), 10_000), (0, 1)),
        5: rng.randint(0, 1), 6: ratio(rng.uniform(0.1, 900), 100), 16: rng.choice("TM"),
        17: ratio(rng.uniform(0, 359.9), 100), 29: f"2026:{rng.randint(1, 12):02d}:{rng.randint(1, 28):02d}",
        7: ((rng.randint(0, 23), 1), (rng.randint(0, 59), 1), (rng.randint(0, 59), 1)), 31: ratio(rng.uniform(1, 60), 1000),
    }  # fmt: skip
    photo = {
        piexif.ExifIFD.DateTimeOriginal: f"2026:{rng.randint(1, 12):02d}:{rng.randint(1, 28):02d} {rng.randint(0, 23):02d}:07:{rng.randint(0, 59):02d}",
        piexif.ExifIFD.SubSecTimeOriginal: f"{rng.randint(0, 999):03d}",
        piexif.ExifIFD.OffsetTimeOriginal: rng.choice(["+00:00", "-04:30", "+12:45"]),
        piexif.ExifIFD.FocalLengthIn35mmFilm: rng.randint(13, 200),
        piexif.ExifIFD.BodySerialNumber: f"TH{rng.randint(0, 9999):04d}",
        piexif.ExifIFD.ImageUniqueID: f"{rng.getrandbits(128):032x}",
    }
    image = {piexif.ImageIFD.Orientation: rng.randint(1, 8), piexif.ImageIFD.Model: "P-1"}
    out = io.BytesIO()
    Image.new("RGB", (48, 32), (rng.randint(0, 255), 9, 9)).save(
        out, "JPEG", exif=piexif.dump({"0th": image, "Exif": photo, "GPS": gps})
    )
    return out.getvalue()


@exiftool
def test_every_field_of_files_written_here(tmp_path: Path) -> None:
    paths = []
    for number in range(60):
        path = tmp_path / f"{number}.jpg"
        path.write_bytes(written(number))
        paths.append(path)
    theirs = by_exiftool(paths, tmp_path)
    for path in paths:
        ours, row = read_metadata(path.read_bytes()), theirs[str(path)]
        assert differences(ours, row) == []
        assert ours.taken_at is not None
        assert ours.taken_at.microsecond == round(float(f"0.{str(row['ExifIFD:SubSecTimeOriginal']).zfill(3)}") * 1e6)
        assert ours.taken_at.isoformat()[-6:] == row["ExifIFD:OffsetTimeOriginal"]
        assert ours.gps_at is not None
        assert ours.gps_at.strftime("%Y:%m:%d %H:%M:%SZ") == row["Composite:GPSDateTime"]
        assert ours.position_error_m == pytest.approx(row["GPS:GPSHPositioningError"])
        assert ours.altitude_m == pytest.approx(row["Composite:GPSAltitude"])
        assert ours.focal_35mm == row["ExifIFD:FocalLengthIn35mmFormat"]
        assert ours.serial == row["ExifIFD:SerialNumber"]
        assert ours.image_id == str(row["ExifIFD:ImageUniqueID"])


@pytest.mark.parametrize("number", range(12))
def test_pillow_reads_the_same(number: int) -> None:
    data = written(number)
    exif = Image.open(io.BytesIO(data)).getexif()
    photo, gps = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
    ours = read_metadata(data)
    assert ours.orientation == exif[0x0112]
    assert ours.taken_at is not None
    assert ours.taken_at.strftime("%Y:%m:%d %H:%M:%S") == photo[0x9003]
    degrees = sum(float(part) / 60**power for power, part in enumerate(gps[2]))
    assert ours.latitude == pytest.approx(degrees if gps[1] == "N" else -degrees, abs=1e-9)
    assert ours.bearing_deg == pytest.approx(float(gps[17]))
    assert ours.serial == photo[0xA431]


@pytest.mark.parametrize("number", range(12))
def test_exifread_reads_the_same(number: int) -> None:
    data = written(number)
    tags = exifread.process_file(io.BytesIO(data), details=False)
    ours = read_metadata(data)
    assert ours.orientation == tags["Image Orientation"].values[0]
    degrees = sum(float(part) / 60**power for power, part in enumerate(tags["GPS GPSLongitude"].values))
    assert ours.longitude == pytest.approx(degrees if str(tags["GPS GPSLongitudeRef"]) == "E" else -degrees, abs=1e-9)
    assert ours.bearing_reference == str(tags["GPS GPSImgDirectionRef"])
    assert ours.taken_at is not None
    assert ours.taken_at.strftime("%Y:%m:%d %H:%M:%S") == str(tags["EXIF DateTimeOriginal"])


def test_pictures_that_packages_carry_open_or_are_refused_by_name() -> None:
    from audit.errors import PhotoRefused
    from audit.photos.intake import open_photo

    refused = []
    for path in carried_pictures()[:120]:
        try:
            opened = open_photo(path, max_side_px=200)
        except PhotoRefused as refusal:
            refused.append(refusal.message)
            continue
        with Image.open(path) as image:
            size = image.size
        turned = opened.photo.metadata.orientation in (5, 6, 7, 8)
        assert (opened.photo.width_px, opened.photo.height_px) == (size[::-1] if turned else size)
    assert len(refused) <= 2, refused

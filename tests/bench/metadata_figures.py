"""Fields equal to exiftool's over all pictures of some folders: dates, positions, directions, orientation.

    nice python -m tests.bench.metadata_figures FOLDER...

Each picture counts once, however often it lies there. Where pictures of many makers come from: the test data in source
packages of libraries that read or write pictures, for instance Debian's of exiv2, gexiv2, libexif, jhead, goexif, libheif,
libimage-exiftool-perl, metadata-extractor, pillow, php, imagemagick, graphicsmagick, openimageio, digikam, vips, libgd,
geeqie, kimageformats and josm, Python's of pillow-heif and piexif, and npm's of exif readers.
"""

from __future__ import annotations

import argparse
import collections
import hashlib
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from audit.photos.containers import sniff
from audit.photos.metadata import read_metadata
from audit.photos.photo import Metadata
from tests.outside.test_metadata_oracles import by_exiftool, differences

_BATCH = 300
_MOST_BYTES = 60_000_000


def pictures(folders: list[Path]) -> Iterator[tuple[Path, str]]:
    """Each different picture with its format."""
    seen = set()
    for path in (path for folder in folders for path in sorted(folder.rglob("*"))):
        if path.is_file() and not path.is_symlink() and 0 < path.stat().st_size < _MOST_BYTES:
            with path.open("rb") as file:
                kind = sniff(file.read(4096))
            digest = hashlib.sha256(path.read_bytes()).digest() if kind else b""
            if kind and digest not in seen:
                seen.add(digest)
                yield path, kind


def compared(ours: Metadata, theirs: dict[str, object]) -> Iterator[str]:
    """Names of the values that one of the two has and that are compared."""
    if theirs.get("ExifTool:Warning") == "JPEG format error":
        return
    place = [theirs.get(f"Composite:GPS{name}") for name in ("Latitude", "Longitude")]
    if place != [0, 0]:
        for name, other, mine in zip(("latitude", "longitude"), place, (ours.latitude, ours.longitude), strict=True):
            if mine is not None or other not in (None, ""):
                yield name
    if "GPS:GPSImgDirection" in theirs:
        yield from ("direction", "reference")
    if theirs.get("IFD0:Orientation") in range(1, 9):
        yield "orientation"
    taken = re.fullmatch(r"\d{4}:\d\d:\d\d \d\d:\d\d:([0-5]\d)", str(theirs.get("ExifIFD:DateTimeOriginal", "")))
    if taken and not taken.string.startswith("0000"):
        yield "taken"


def main() -> None:
    """Print the counts and every difference."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    found = dict(pictures(parser.parse_args().folders))
    paths, theirs = list(found), {}
    with tempfile.TemporaryDirectory() as folder:
        for start in range(0, len(paths), _BATCH):
            theirs.update(by_exiftool(paths[start : start + _BATCH], Path(folder)))
    values: collections.Counter[str] = collections.Counter()
    wrong, carrying = [], 0
    for path in paths:
        ours, row = read_metadata(path.read_bytes()), theirs.get(str(path), {})
        names = list(compared(ours, row))
        values.update(names)
        carrying += bool(names)
        wrong += [f"  {path}: {difference} {ours.notes}" for difference in differences(ours, row)]
    total = values.total()
    print(f"{len(paths)} pictures {dict(collections.Counter(found.values()))}, {carrying} with a value to compare")
    print(f"{total} values {dict(values)}: {total - len(wrong)} equal ({(total - len(wrong)) / max(total, 1):.2%})")
    print("\n".join(wrong))


if __name__ == "__main__":
    main()

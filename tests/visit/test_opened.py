"""Pictures that are kept from reading on: the same as unpacked again, never more than fit, and nobody writes into them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from audit.demo import sample_folder
from audit.logbook import ImageStore
from audit.measure.image import MEASURE_SIDE_PX
from audit.photos.intake import open_photo
from audit.visit.kept import KeptImage
from audit.visit.opened import OpenedPictures


def test_what_is_kept_is_what_unpacking_gives_and_other_sizes_are_unpacked(tmp_path: Path) -> None:
    data = next(iter(sorted((sample_folder() / "commissioning" / "snapshots").glob("*.jpg")))).read_bytes()
    store, sha256 = ImageStore(str(tmp_path)), open_photo(data).photo.sha256
    store.put(data)
    pixels = open_photo(data, max_side_px=MEASURE_SIDE_PX, guarded=True).pixels
    kept, unpacked = KeptImage(sha256, str(tmp_path), opened=pixels), KeptImage(sha256, str(tmp_path))
    assert kept.pixels() is pixels
    assert np.array_equal(kept.pixels(), unpacked.pixels())
    assert np.array_equal(kept.pixels(320), unpacked.pixels(320)) and max(kept.pixels(320).shape) == 320


def test_no_more_is_kept_than_fits_and_nobody_writes_into_it() -> None:
    one, two, small = (np.full((side, side, 3), side, np.uint8) for side in (20, 10, 2))
    opened = OpenedPictures(most_bytes=one.nbytes + small.nbytes)
    for name, pixels in (("one", one), ("one", one), ("two", two), ("small", small)):
        opened.put(name, pixels)
    assert opened.get("one") is one and opened.get("small") is small
    assert opened.get("two") is None and opened.get("three") is None
    with pytest.raises(ValueError, match="read-only"):
        one[0, 0] = 0

"""A swap is told as a pair, and only where both directions contradict."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from audit.lens import Lens
from audit.match.swaps import swapped_pairs
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

NOON = datetime(2026, 6, 16, 12, 0, tzinfo=UTC)
LENS = Lens(640, 360, 60.0)
WEST = Camera("P-07", 0.0, 0.0, 3.0, 265.0, -10.0, LENS, serial="SN0007")
EAST = Camera("P-08", 2.0, 0.0, 3.0, 85.0, -10.0, LENS, serial="SN0008")
FAR = Camera("P-09", 90.0, 0.0, 3.0, 85.0, -10.0, LENS, serial="SN0009")
SITE = Site((WEST, EAST, FAR), origin_latitude=46.5, origin_longitude=-18.0)


def _photo(
    name: str, minute: float, bearing: float | None = None, code: str | None = None, serial: str | None = None
) -> Photo:
    metadata = Metadata(
        taken_at=NOON + timedelta(minutes=minute), bearing_deg=bearing, bearing_reference="T", device="A", serial=serial
    )
    return Photo(name, name, 1, "JPEG", 640, 360, metadata, (code,) if code else ())


def test_serials_crossed_between_two_records_are_a_pair() -> None:
    photos = (_photo("P-07_day.jpg", 0, serial="SN0008"), _photo("P-08_day.jpg", 1, serial="SN0007"))
    (swap,) = swapped_pairs(SITE, photos)
    assert (swap.first, swap.second) == ("P-07", "P-08")
    assert any("SN0008" in sentence for sentence in swap.evidence)


def test_one_wrong_serial_alone_is_no_swap() -> None:
    assert swapped_pairs(SITE, (_photo("P-07_day.jpg", 0, serial="SN0008"),)) == ()


def test_views_that_face_the_other_camera_of_the_pair_are_a_swap() -> None:
    photos = (
        _photo("a.jpg", 0, code="SN0008"), _photo("b.jpg", 2, bearing=85 + 22),
        _photo("c.jpg", 14, code="SN0007"), _photo("d.jpg", 16, bearing=265 - 22),
    )  # fmt: skip
    (swap,) = swapped_pairs(SITE, photos)
    assert {swap.first, swap.second} == {"P-07", "P-08"}


def test_views_that_face_their_own_camera_are_none() -> None:
    photos = (
        _photo("a.jpg", 0, code="SN0007"), _photo("b.jpg", 2, bearing=85 + 22),
        _photo("c.jpg", 14, code="SN0008"), _photo("d.jpg", 16, bearing=265 - 22),
    )  # fmt: skip
    assert swapped_pairs(SITE, photos) == ()


def test_cameras_far_apart_are_never_a_pair_by_views() -> None:
    site = replace(SITE, cameras=(WEST, replace(EAST, east_m=60.0)))
    photos = (
        _photo("a.jpg", 0, code="SN0008"), _photo("b.jpg", 2, bearing=107),
        _photo("c.jpg", 14, code="SN0007"), _photo("d.jpg", 16, bearing=243),
    )  # fmt: skip
    assert swapped_pairs(site, photos) == ()

"""Times in file names: believed where the visit's other photos bear them out, and nowhere else."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from audit.match.assign import match_photos
from audit.match.name_clock import BY_NAME, timed_by_names
from audit.photos.photo import Metadata, Photo
from tests.bench.matching_figures import WAYS, named_by_clocks, stripped, tally

START = datetime(2026, 6, 16, 10, 0, 5, tzinfo=UTC).replace(tzinfo=None)
ZONE = timezone(timedelta(hours=2))


def photo(name: str, taken: datetime | None = None, device: str | None = None) -> Photo:
    return Photo(name, f"{abs(hash(name)):064x}"[:64], 0, "JPEG", 1600, 1200, Metadata(taken_at=taken, device=device))


def of_a_phone(count: int, letters: str = "IMG_", device: str = "one", off_s: float = 0.0, zone: timezone | None = None) -> list[Photo]:
    """Photos a minute apart, each named by the clock."""
    times = [START + timedelta(minutes=k) for k in range(count)]
    return [photo(f"{letters}{t:%Y%m%d_%H%M%S}.jpg", (t + timedelta(seconds=off_s)).replace(tzinfo=zone), device) for t in times]


@pytest.mark.parametrize("name", ["IMG_20260616_101530.jpg", "sent/IMG_20260616_101530.jpeg", "img_2026-06-16_10-15-30.jpg", "IMG_20260616_101530 (2).jpg",
                                  "IMG_20260616_101530123.jpg", "IMG_20260616T101530.jpg"])  # fmt: skip
def test_a_copy_that_keeps_its_name_has_its_time_and_phone(name: str) -> None:
    found = timed_by_names([*of_a_phone(6, zone=ZONE), photo(name)])[-1].metadata
    assert found.taken_at == datetime(2026, 6, 16, 10, 15, 30, tzinfo=ZONE) and found.device == "one"


@pytest.mark.parametrize("name", ["IMG-20260616-WA0012.jpg", "IMG_20261316_101530.jpg", "IMG_20260616_251530.jpg", "IMG_0012.jpg", "P_20260616_101530.jpg",
                                  "IMG_202606161015301234.jpg"])  # fmt: skip
def test_other_names_tell_no_time(name: str) -> None:
    assert timed_by_names([*of_a_phone(6), photo(name)])[-1].metadata == Metadata()


@pytest.mark.parametrize("others", [of_a_phone(4), of_a_phone(8, off_s=70.0), of_a_phone(6) + of_a_phone(6, device="two"), []])
def test_a_name_that_nothing_bears_out_tells_no_time(others: list[Photo]) -> None:
    assert timed_by_names([*others, photo("IMG_20260616_101530.jpg")])[-1].metadata == Metadata()


def test_what_a_file_says_itself_is_never_changed() -> None:
    own = [*of_a_phone(6), photo("IMG_20260616_101530.jpg", None, "another"), photo("IMG_20260616_101531.jpg", START, "one")]
    assert list(timed_by_names(own)) == own


def test_copies_with_their_own_names_are_placed_as_their_phones_other_photos_are(tmp_path: Path) -> None:
    walk = named_by_clocks(WAYS["labels"]("campus", 24, 5, "all"))
    lost = stripped(walk, 0.5, 3, keeps_names=True)
    kept, found = (match_photos(one.site, one.photos) for one in (stripped(walk, 0.5, 3), lost))
    by_number, by_name = tally(walk_of := stripped(walk, 0.5, 3), kept), tally(lost, found)
    assert walk_of.photos and by_name["wrong"] == 0 and by_name["right"] > by_number["right"]
    assert any(BY_NAME in p.evidence for p in found) and not any(BY_NAME in p.evidence for p in kept)

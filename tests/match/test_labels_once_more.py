"""A label that two photos show on two occasions: one of them may be misread, so that neither is placed by it alone."""

from __future__ import annotations

import pytest

from audit.lens import Lens
from audit.match.assign import match_photos
from audit.match.placement import Placement
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

SITE = Site(tuple(Camera(f"TH-{n:02d}", 40.0 * n, 0.0, 4.0, 0.0, -20.0, Lens(1920, 1080, 80.0), serial=f"E77{n:05d}") for n in range(12)), "yard", 50.0, 10.0)


def placed(named: list[int]) -> list[Placement]:
    """Copies in the order of their numbers, whose labels name these cameras: to and fro across the site, as two crews' in one chat."""
    photos = [Photo(f"chat_{k:04d}.jpg", f"{k:064x}", 0, "JPEG", 1600, 1200, Metadata(text=f"S/N E77{n:05d}")) for k, n in enumerate(named)]
    return list(match_photos(SITE, photos))


TO_AND_FRO = [0, 11, 1, 10, 2, 9, 3, 8, 4, 7, 5, 6]


def test_labels_that_each_name_a_camera_once_place_their_photos() -> None:
    assert [p.camera for p in placed(TO_AND_FRO)] == [f"TH-{n:02d}" for n in TO_AND_FRO]


@pytest.mark.parametrize("twice", [0, 11])
def test_a_label_that_comes_again_far_off_is_asked_for_both_times_and_takes_nothing_from_the_others(twice: int) -> None:
    found = placed([*TO_AND_FRO, twice])
    doubted = [p for p in found if p.alternatives[0].camera == f"TH-{twice:02d}"]
    assert [p.decision for p in doubted] == ["uncertain", "uncertain"]
    assert all(p.decision == "placed" for p in found if p not in doubted)


def test_a_label_photographed_twice_at_once_bears_itself_out() -> None:
    found = placed([0, 0, *TO_AND_FRO[1:]])
    assert all(p.decision == "placed" for p in found)

"""Overview and mount told apart by the crew's order of work, only where the visit itself shows one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from audit.lens import Lens
from audit.match.assign import match_photos
from audit.match.roles import roles_by_order
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

KNOWN = ["wide view", "label", "bracket"]


def test_unknown_shots_take_the_place_that_the_known_ones_show() -> None:
    visits = [KNOWN] * 5 + [["unknown", "label", "unknown"]]
    assert roles_by_order(visits)[-1] == KNOWN
    assert roles_by_order([KNOWN] * 4 + [["unknown", "label", "unknown"]])[-1] == ["unknown", "label", "unknown"], "too few"


def test_nothing_is_told_without_one_order_or_where_the_known_shot_stands_elsewhere() -> None:
    mixed = [KNOWN, ["bracket", "label", "wide view"]] * 5 + [["unknown", "label", "unknown"]]
    assert roles_by_order(mixed)[-1] == ["unknown", "label", "unknown"]
    visits = [KNOWN] * 6 + [["label", "unknown", "unknown"], ["unknown", "label"], ["unknown", "label", "unknown", "unknown"]]
    assert roles_by_order(visits)[6:] == visits[6:]
    assert roles_by_order([]) == []


def test_a_visit_of_named_and_unnamed_files_is_told_by_its_order() -> None:
    lens = Lens(1920, 1080, 70.0)
    site = Site(tuple(Camera(f"K-{i:02d}", 40.0 * i, 0.0, 3.0, 0.0, -15.0, lens) for i in range(8)), "row", 46.5, 8.0)
    start = datetime(2026, 6, 16, 9, 0, tzinfo=UTC)
    photos = []
    for i in range(8):
        for k, shot in enumerate(("label", "wide view", "bracket")):
            name = f"K-{i:02d}_{shot}.jpg" if i < 6 or k == 0 else f"K-{i:02d}_{k}.jpg"
            taken = start + timedelta(minutes=5 * i, seconds=20 * k)
            photos.append(Photo(name, f"{3 * i + k:064x}", 0, "JPEG", 4032, 3024, Metadata(taken_at=taken, device="phone")))
    found = {p.photo: p for p in match_photos(site, photos)}
    assert found["K-07_1.jpg"].role == "wide view" and found["K-07_2.jpg"].role == "bracket"
    assert found["K-00_bracket.jpg"].role == "bracket"
    assert any("takes its bracket picture" in text for text in found["K-06_2.jpg"].evidence)

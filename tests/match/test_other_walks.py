"""Walks that others draw: each maker's walk is sound, and what is decided of a small one is right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.match.assign import match_photos
from tests.bench.matching_figures import WAYS, stripped, tally
from tests.bench.walks import KINDS, make_walk


@pytest.mark.parametrize("way", list(WAYS))
@pytest.mark.parametrize("kind", KINDS)
def test_a_walk_names_cameras_of_its_plan_and_tells_the_truth_of_each_photo(way: str, kind: str) -> None:
    walk = WAYS[way](kind, 40, 3, "some")
    assert len({p.name for p in walk.photos}) == len(walk.photos) == len(walk.truth) == len(walk.beside)
    assert all(c is None or c in walk.site for c in (*walk.truth.values(), *walk.beside.values()))
    assert not {c for c in walk.truth.values() if c} & walk.missed
    assert WAYS[way](kind, 40, 3, "some").photos == walk.photos, "the same seed draws the same walk"


@pytest.mark.parametrize("way", list(WAYS))
def test_what_is_decided_of_a_small_walk_is_right_though_a_code_in_a_hundred_is_not(way: str) -> None:
    walk = WAYS[way]("street", 40, 12, "all")
    counts = tally(walk, match_photos(walk.site, walk.photos))
    assert counts["right"] > 20 and counts["false cover"] == 0
    assert counts["wrong"] <= 0.02 * counts["right"]


def test_copies_without_metadata_are_placed_by_their_labels_and_their_order_alone() -> None:
    walk = stripped(WAYS["phones"]("street", 30, 11, "all"), 1.0, 0)
    counts = tally(walk, match_photos(walk.site, walk.photos))
    assert all(p.metadata.taken_at is None for p in walk.photos)
    assert counts["right"] > 20 and counts["wrong"] <= 0.02 * counts["right"]


def test_a_label_that_the_photos_round_about_speak_against_is_asked_for_and_not_put_to_a_neighbour() -> None:
    walk = WAYS["phones"]("street", 40, 21, "all")
    named = [k for k, photo in enumerate(walk.photos) if photo.metadata.text]
    middle, far = named[len(named) // 2], named[2]
    wrong = replace(walk.photos[middle].metadata, text=walk.photos[far].metadata.text)
    photos = [replace(photo, metadata=wrong) if k == middle else photo for k, photo in enumerate(walk.photos)]
    placed = next(p for p in match_photos(walk.site, photos) if p.photo == walk.photos[middle].name)
    assert placed.decision == "uncertain"
    assert "the photos before and after it speak against what its label names" in placed.evidence


def test_where_each_camera_has_its_label_one_whose_label_was_not_read_is_not_covered_by_photos_that_name_none() -> None:
    walk = make_walk("campus", 30, 5, "all")
    camera = next(c.camera for c in walk.site.cameras if c.camera not in walk.missed and sum(t == c.camera for t in walk.truth.values()) > 2)
    unread = [replace(p, metadata=replace(p.metadata, text=None)) if walk.truth[p.name] == camera else p for p in walk.photos]
    found = match_photos(walk.site, unread)
    assert camera not in {p.camera for p in found}
    assert camera in {p.camera for p in match_photos(walk.site, walk.photos)}

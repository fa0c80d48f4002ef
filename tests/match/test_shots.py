"""What a photo shows by its look: figures of the head on the demo's photos, and what a look may weigh."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from audit.errors import AuditError
from audit.match.assign import match_photos
from audit.match.look import look_at
from audit.match.placement import Placement
from audit.match.roles import by_hand, role_of
from audit.match.shots import (
    KINDS,
    Shows,
    look_sentence,
    role_by_look,
    shows_from_record,
    shows_to_record,
    stray_log_ratio,
)
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Site
from tests.bench.walks import make_walk

PHOTOS = Path(__file__).parents[2] / "sample_images" / "commissioning" / "photos"


def shows(kind: str, probability: float = 0.96) -> Shows:
    rest = (1 - probability) / (len(KINDS) - 1)
    return Shows(tuple(probability if k == kind else rest for k in KINDS))


@pytest.mark.parametrize(("second", "kind", "least"), [("12", "label", 0.75), ("31", "bracket", 0.7)])
def test_the_demos_labels_and_brackets_are_told_where_it_is_sure_and_never_wrongly(second: str, kind: str, least: float) -> None:
    # drawn by another renderer, with other forms and another site than any picture of the training
    files = sorted(PHOTOS.glob(f"*{second}.jpg"))[:12]
    told = [look_at(np.ascontiguousarray(cv2.imread(str(file))[..., ::-1])).likeliest for file in files]
    sure = [k for k, p in told if p >= 0.9]
    assert len(sure) >= least * len(files)
    assert set(sure) == {kind}


def test_photographs_of_other_things_are_not_taken_for_a_crews_shots() -> None:
    # photographs of scikit-image's own data (public domain and CC0; its README names each source)
    for picture in (data.astronaut(), data.chelsea(), data.coffee(), data.rocket()):
        assert role_by_look(look_at(picture)) is None


@pytest.mark.parametrize("shape", [(1, 1), (8, 2000), (2000, 8), (33, 31), (700, 500)])
def test_any_picture_is_looked_at(shape: tuple[int, int]) -> None:
    seen = look_at(np.full((*shape, 3), 128, np.uint8))
    assert sum(seen.probabilities) == pytest.approx(1.0, abs=1e-3)


def test_a_look_never_settles_a_photo_alone() -> None:
    ratios = [stray_log_ratio(shows(kind, 1.0)) for kind in KINDS]
    assert max(abs(r) for r in ratios) < math.log(7)
    assert ratios[KINDS.index("something else")] > 1.0 > 0.0 > ratios[KINDS.index("bracket")]
    assert ratios[KINDS.index("wide view")] < 0.0


def test_a_look_names_a_shot_where_it_is_sure_and_nothing_else_does() -> None:
    photo = Photo("p.jpg", "0" * 64, 1, "JPEG", 4000, 3000, Metadata(latitude=1.0, longitude=1.0), shows=shows("bracket").probabilities)
    assert role_of(photo, None, ()) == "bracket"
    coded = Photo("p.jpg", "0" * 64, 1, "JPEG", 4000, 3000, codes=("TH-01",), shows=shows("bracket").probabilities)
    assert role_of(coded, None, ()) == "label", "a code that was read says more"
    assert role_by_look(shows("bracket", 0.8)) is None and role_by_look(shows("screen")) is None
    assert look_sentence(shows("wide view")) == "looks like a wide view with a camera in it (96 %)"
    assert look_sentence(shows("label", 0.89)) is None and look_sentence(shows("wide view", 0.75)) is None
    assert look_sentence(shows("something else", 0.71)) == "looks like none of a crew's shots (71 %)"
    assert look_sentence(shows("something else", 0.69)) is None and role_by_look(shows("something else", 0.99)) is None


def test_a_look_is_kept_and_read_again() -> None:
    assert shows_from_record(shows_to_record(shows("screen"))) == shows("screen")
    assert shows_from_record({"version": 1, "probabilities": [1.0]}) is None
    with pytest.raises(AuditError, match="newer"):
        shows_from_record({"version": 2, "probabilities": []})


def test_cameras_own_pictures_are_not_looked_at_and_copies_without_metadata_are() -> None:
    def photo(meta: Metadata) -> Photo:
        return Photo("p.jpg", "0" * 64, 1, "JPEG", 1920, 1080, meta)

    assert by_hand(photo(Metadata())) and by_hand(photo(Metadata(bearing_deg=3.0)))
    assert not by_hand(photo(Metadata(serial="7C0B55")))


def test_the_look_of_a_lone_photo_moves_its_odds_of_being_a_stray_by_as_much_as_it_says() -> None:
    walk = make_walk("campus", 12, 3)
    site = Site(walk.site.cameras[:1], "one", walk.site.origin_latitude, walk.site.origin_longitude)

    def stray(seen: Shows | None) -> float:
        lone = Photo("a.jpg", "0" * 64, 1, "JPEG", 4000, 3000, shows=seen.probabilities if seen else ())
        (placed,) = match_photos(site, [lone])
        return next((a.probability for a in placed.alternatives if a.camera is None), 0.0)

    def odds(p: float) -> float:
        return p / (1 - p)

    assert odds(stray(shows("something else"))) / odds(stray(None)) == pytest.approx(math.exp(stray_log_ratio(shows("something else"))), rel=1e-6)
    assert stray(shows("label")) < stray(None)


def test_what_was_read_or_seen_is_told_apart_from_other_evidence() -> None:
    evidence = ("camera TH-07 read in the label", "6.0 m from TH-07 (phone accuracy ±8 m)", look_sentence(shows("label")) or "")
    placed = Placement("p.jpg", "TH-07", 0.99, "placed", "g00001", evidence=evidence)
    assert placed.read_or_seen == (evidence[0], evidence[2])
    assert Placement("p.jpg", None, 0.5, "uncertain", "g00001", evidence=evidence[1:2]).read_or_seen == ()

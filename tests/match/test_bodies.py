"""What a look says of a bracket: right or silent on the demo's close-ups, which another renderer drew."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.match.bodies import FORMS, LONG, NO_BODY, OTHER_FORM, ROUND, Body
from audit.match.look import look_at
from audit.match.shots import Shows, shows_from_record, shows_to_record

DEMO = Path(__file__).parents[2] / "sample_images"


def close_ups() -> list[tuple[str, str]]:
    """The demo's close-ups of brackets with the planned form, those that OpenCV reads."""
    with (DEMO / "plan.csv").open() as plan:
        forms = {row["camera"]: row["form"] for row in csv.DictReader(plan)}
    photos = json.loads((DEMO / "truth.json").read_text())["visits"]["commissioning"]["photos"]
    return [(p["photo"], forms[p["camera"]]) for p in photos if p["role"] == "mount" and p["photo"].endswith(".jpg")]


def test_the_demos_brackets_all_carry_a_camera_and_no_body_is_taken_for_the_other_kind() -> None:
    # drawn by another renderer, with other forms and another site than any picture of the training
    told = 0
    assert len(close_ups()) >= 20
    for photo, form in close_ups():
        picture = cv2.imread(str(DEMO / "commissioning" / photo))
        body = Body.of(look_at(np.ascontiguousarray(picture[..., ::-1])).bodies)
        assert body.none < NO_BODY, photo
        if form in FORMS and max(body.long, 1 - body.long) >= OTHER_FORM and body.none < 0.5:
            assert (body.long > 0.5) == (form in LONG), photo
            told += 1
    assert told >= 5


def test_probabilities_of_forms_become_those_of_long_and_round_bodies() -> None:
    body = Body.of((0.3, 0.05, 0.04, 0.01, 0.2, 0.4))
    assert body.none == 0.4 and body.long == pytest.approx(0.5 / 0.6)
    assert Body.of((0.0, 0.0, 0.0, 0.0, 0.0, 1.0)) == Body(1.0, 0.5), "where no camera is there is no kind of one"
    assert LONG | ROUND == set(FORMS) and not LONG & ROUND


def test_a_look_of_an_earlier_version_says_nothing_of_brackets() -> None:
    seen = Shows((0.1, 0.6, 0.1, 0.1, 0.1), (0.1, 0.1, 0.1, 0.1, 0.1, 0.5))
    assert shows_from_record(shows_to_record(seen)) == seen
    old = shows_from_record({"version": 1, "probabilities": [0.1, 0.6, 0.1, 0.1, 0.1]})
    assert old is not None and old.bodies == ()

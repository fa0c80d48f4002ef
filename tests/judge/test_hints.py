"""Hints put suspicion first and never condemn: the lines of a site's pictures against one planned bearing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.judge.evidence import CameraEvidence
from audit.judge.findings import judge_camera
from audit.judge.hints import bearing_hints, kept_hints
from audit.judge.lines import LinesSeen, misfits
from audit.measure.level_lines import BINS
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, mast

STREETS = (12.0, 102.0, 55.0)


def _lines(bearing_deg: float, rng: np.random.Generator, streets: tuple[float, ...] = STREETS) -> tuple[float, ...]:
    """What a camera of that true bearing sees of walls along the streets, with clutter that runs anyhow."""
    azimuths = np.concatenate([rng.normal(s, 1.5, n) for s, n in zip(streets, (14, 9, 5), strict=True)])
    azimuths = np.concatenate([azimuths, rng.uniform(0, 180, 10)])
    counts, _ = np.histogram((azimuths - bearing_deg) % 180, bins=BINS, range=(0, 180))
    return tuple(float(c) for c in counts)


def _site(turned: dict[int, float], cameras: int = 12, shown: tuple[int, ...] = ()) -> list[LinesSeen]:
    rng = np.random.default_rng(5)
    seen = []
    for k in range(cameras):
        planned = float(rng.uniform(0, 360))
        lines = _lines(planned + turned.get(k, 0.0) + float(rng.normal(0, 1)), rng)
        seen.append(LinesSeen(f"C{k}", *rng.uniform(-3, 3, 2), planned, 90.0, lines, k in shown))
    return seen


@pytest.mark.parametrize("turn", [-35.0, 25.0, 140.0])
def test_the_camera_that_does_not_fit_is_found_with_its_turn(turn: float) -> None:
    found = misfits(_site({3: turn}))
    assert found["C3"].probability > 0.95
    assert abs((found["C3"].turn_deg - turn + 90) % 180 - 90) <= 4 and not found["C3"].one_way
    assert max(m.probability for name, m in found.items() if name != "C3") < 0.2


@pytest.mark.parametrize("turn", [-35.0, 140.0, 170.0])
def test_the_crew_s_compass_tells_a_direction_from_its_opposite(turn: float) -> None:
    """Whoever photographs a camera mostly looks against it."""
    site = _site({3: turn})
    against = (site[3].bearing_deg + turn + 180 + 12) % 360
    found = misfits([replace(s, crew_deg=against if s.camera == "C3" else None) for s in site])["C3"]
    assert found.one_way and found.probability > 0.5
    assert abs((found.turn_deg - turn + 180) % 360 - 180) <= 4


def test_the_crew_s_compass_alone_puts_no_camera_up() -> None:
    rng = np.random.default_rng(7)
    site = [replace(s, lines=tuple(rng.uniform(0.1, 0.2, BINS)), crew_deg=s.bearing_deg) for s in _site({})]
    assert max(m.probability for m in misfits(site).values()) < 0.5
    good = [replace(s, crew_deg=(s.bearing_deg + 180) % 360) for s in _site({})]
    assert max(m.probability for m in misfits(good).values()) < 0.1


def test_a_quarter_turn_fits_a_site_of_right_angles_and_half_a_turn_fits_any() -> None:
    """Why it is a hint: edges have no sense of direction."""
    found = misfits(_site({3: 180.0}))
    assert found["C3"].probability < 0.2


def test_what_was_shown_speaks_for_the_others_and_is_not_doubted() -> None:
    found = misfits(_site({0: 30.0}, cameras=8, shown=tuple(range(1, 8))))
    assert set(found) == {"C0"} and found["C0"].probability > 0.95


def test_one_camera_alone_or_none_says_nothing() -> None:
    assert misfits([]) == {} and misfits(_site({}, cameras=1)) == {}


def test_only_those_that_should_see_the_same_are_heard() -> None:
    """Another camera counts by what both should see: here one beside it, one that looks away and one far off."""
    lines = _lines(0.0, np.random.default_rng(1))
    seen = [
        LinesSeen("A", 0, 0, 0.0, 80.0, lines), LinesSeen("beside", 2, 0, 350.0, 80.0, lines),
        LinesSeen("away", 0, -1, 180.0, 80.0, lines), LinesSeen("far", 0, 300, 180.0, 80.0, lines),
        LinesSeen("opposite", 0, 25, 180.0, 80.0, lines),
    ]  # fmt: skip
    found = misfits(seen)
    assert found["A"].others == 2 and 0.7 < found["A"].covered <= 1.0
    assert found["far"].others == 0 and found["far"].covered == 0.0


def _evidence_of_site(turned: str | None, turn: float = 30.0) -> dict[str, CameraEvidence]:
    rng, found = np.random.default_rng(6), {}
    for camera in SITE.cameras:
        day, night = good_pair(camera)
        lines = _lines(camera.bearing_deg + (turn if camera.camera == turned else 0.0), rng)
        seen = replace(day.measured.orientation, level_lines=lines)
        day = replace(day, measured=replace(day.measured, orientation=seen))
        found[camera.camera] = evidence(camera, day, night, pointed=())
    return found


#: Four others should see the crossing that it should see.
NAME = "TH-10"


def test_a_hint_moves_the_camera_up_to_be_checked_and_tells_its_reason() -> None:
    known = _evidence_of_site(NAME)
    told = bearing_hints(SITE, known, LIMITS)
    assert set(told) == {NAME}
    assert "cameras with the same in view see only if it is panned about 30° too far right, or 150° too far left" in told[NAME][0]
    camera = SITE.camera(NAME)
    verdict = judge_camera(camera, replace(known[NAME], hints=told[NAME]), LIMITS)
    pan = next(f for f in verdict.findings if f.check == "pan")
    assert pan.state == "to check" and told[NAME][0] in pan.why and "point out" in pan.why
    assert verdict.state != "defect" and kept_hints([verdict]) == told[NAME]


def test_the_reason_names_the_crew_s_compass_where_it_speaks_for_one_way() -> None:
    known = _evidence_of_site(NAME)
    against = SITE.camera(NAME).bearing_deg + 30 + 180
    seen = replace(known[NAME], crew_bearings_deg=(against - 10, against + 10))
    told = bearing_hints(SITE, known | {NAME: seen}, LIMITS)[NAME][0]
    assert told.endswith("panned about 30° too far right, and the crew's compass agrees.")
    scattered = replace(known[NAME], crew_bearings_deg=(0.0, 120.0, 240.0))
    assert "or 150° too far left" in bearing_hints(SITE, known | {NAME: scattered}, LIMITS)[NAME][0]


def test_a_click_settles_what_the_hint_asked_and_taking_it_back_brings_the_hint_back() -> None:
    known = _evidence_of_site(NAME)
    told, camera = bearing_hints(SITE, known, LIMITS)[NAME], SITE.camera(NAME)
    clicked = replace(known[NAME], hints=told, pointed=mast(camera, *known[NAME].snapshots))
    verdict = judge_camera(camera, clicked, LIMITS)
    assert next(f for f in verdict.findings if f.check == "pan").state == "as planned"
    assert kept_hints([verdict]) == told
    assert NAME not in bearing_hints(SITE, known | {NAME: clicked}, LIMITS)


def test_a_site_as_planned_and_cameras_without_lines_give_no_hint() -> None:
    assert bearing_hints(SITE, _evidence_of_site(None), LIMITS) == {}
    assert bearing_hints(SITE, {}, LIMITS) == {}
    bare = {c.camera: evidence(c, *good_pair(c), pointed=()) for c in SITE.cameras}
    assert bearing_hints(SITE, bare, LIMITS) == {}

"""Bearing and more from clicks: closed forms, intervals, and clicks that can't be true."""

from __future__ import annotations

import math
import os
from dataclasses import replace

import numpy as np
import pytest

from audit.frames import bearing_difference_deg, camera_from_world
from audit.lens import Lens
from audit.measure.resection import Sighting, Station, resect, turn_about_plumb

LENS = Lens(1920, 1080, 80.0, hfov_sd_deg=0.8)
ROUND = Lens(1600, 1600, 180.0, hfov_sd_deg=1.0, projection="equidistant")
HERE = (3.0, -5.0, 4.0)
STATION = Station(LENS, *HERE, pitch_deg=-12.0, pitch_sd_deg=0.5, roll_deg=1.0, roll_sd_deg=0.5)


def seen(name: str, lens: Lens, pose: tuple[float, float, float], offset: tuple[float, float, float]) -> Sighting:
    """A thing at an offset from the lens, at the pixel where that pose shows it."""
    column, row = lens.project(camera_from_world(*pose) @ np.array(offset))
    east, north, up = (h + o for h, o in zip(HERE, offset, strict=True))
    return Sighting(name, float(column), float(row), east, north, up)


DOOR = (10.0, 14.0, -3.0)
MAST = (2.0, 25.0, -1.0)
POSE = (20.0, -12.0, 1.0)


def test_one_click_is_the_difference_of_two_bearings() -> None:
    """Closed form of a level camera: bearing = bearing of the place - atan((column - middle) / focal length)."""
    level = replace(STATION, pitch_deg=0.0, roll_deg=0.0)
    column = 1300.0
    at = Sighting("door", column, LENS.centre_px[1], HERE[0] + 10, HERE[1] + 14, HERE[2])
    expected = math.degrees(math.atan2(10, 14) - math.atan((column - LENS.centre_px[0]) / LENS.focal_px))
    found = resect(level, (at,))
    assert found.bearing_deg == pytest.approx(expected, abs=1e-6)
    across = math.hypot(
        math.radians(0.0), 0.004 * 1920 / LENS.focal_px * math.cos(math.atan(348.0 / LENS.focal_px)) ** 2
    )
    places = math.hypot(0.3, 0.3) / math.hypot(10, 14)
    lens_share = 0.01 * abs(column - LENS.centre_px[0]) / LENS.focal_px
    assert found.bearing_sd_deg == pytest.approx(math.degrees(math.hypot(across, places, lens_share)), rel=0.1)


def test_two_exact_clicks_give_the_whole_attitude_without_any_measured_tilt() -> None:
    """Closed form: two directions in the world and in the camera fix the rotation (the triad of vector products)."""
    sightings = (seen("door", LENS, POSE, DOOR), seen("mast", LENS, POSE, MAST))
    world = np.stack([_triad(np.array(DOOR), np.array(MAST))])[0]
    rays = LENS.unproject([[s.column_px, s.row_px] for s in sightings])
    rotation = _triad(rays[0], rays[1]) @ world.T
    assert np.allclose(rotation, camera_from_world(*POSE), atol=1e-9)
    found = resect(replace(STATION, pitch_deg=None, pitch_sd_deg=None, roll_deg=None, roll_sd_deg=None), sightings)
    assert found.bearing_deg == pytest.approx(20.0, abs=0.1)
    assert found.pitch_deg == pytest.approx(-12.0, abs=0.1)


def _triad(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    first = one / np.linalg.norm(one)
    third = np.cross(one, other)
    third /= np.linalg.norm(third)
    return np.stack([first, np.cross(third, first), third], axis=1)


def test_many_clicks_give_place_and_angle_of_view_too() -> None:
    offsets = [
        (10.0, 14.0, -3.0),
        (2.0, 25.0, -1.0),
        (14.0, 12.0, 0.5),
        (6.0, 9.0, -4.0),
        (12.0, 40.0, 6.0),
        (-1, 18, -4),
    ]
    moved = (0.8, -0.5, 0.3)
    wider = Lens(1920, 1080, 84.0)
    sightings = []
    for index, offset in enumerate(offsets):
        there = tuple(o - m for o, m in zip(offset, moved, strict=True))
        column, row = wider.project(camera_from_world(*POSE) @ np.array(there))
        east, north, up = (h + o for h, o in zip(HERE, offset, strict=True))
        sightings.append(Sighting(f"mark {index}", float(column), float(row), east, north, up, 0.01, 0.5))
    vague = replace(STATION, lens=replace(LENS, hfov_sd_deg=5.0), position_sd_m=2.0)
    found = resect(vague, tuple(sightings))
    assert found.bearing_deg == pytest.approx(20.0, abs=0.3)
    assert found.hfov_deg == pytest.approx(84.0, abs=0.5)
    assert (found.east_m, found.north_m) == pytest.approx((3.8, -5.5), abs=0.1)
    assert len(found.residuals) == 6 and max(r.sds for r in found.residuals) < 2


@pytest.mark.parametrize("clicks", [1, 2, 4])
@pytest.mark.parametrize("lens", [LENS, Lens(1600, 1200, 140.0, hfov_sd_deg=1.4, projection="equidistant")])
def test_the_interval_holds_95_percent(clicks: int, lens: Lens) -> None:
    """Truths drawn as the sds say; 92 to 98 of 100 must lie inside 1.96 sd (250 draws: one sd of chance is 1.4 points)."""
    rng = np.random.default_rng(11 + clicks)
    inside, draws = 0, int(os.environ.get("PHOTO_AUDIT_TEST_DRAWS", "500")) // 2
    for _ in range(draws):
        pose = (float(rng.uniform(0, 360)), float(rng.uniform(-35, 0)), float(rng.uniform(-3, 3)))
        station, sightings = _drawn(rng, lens, pose, clicks)
        found = resect(station, sightings)
        if found.bearing_deg is None or found.bearing_sd_deg is None:
            inside += 1  # a refusal is not a wrong interval; they are counted below
            continue
        inside += abs(bearing_difference_deg(found.bearing_deg, pose[0])) <= 1.96 * found.bearing_sd_deg
    assert 0.92 <= inside / draws <= 0.98


def _drawn(
    rng: np.random.Generator, lens: Lens, pose: tuple[float, float, float], clicks: int
) -> tuple[Station, tuple[Sighting, ...]]:
    scale = 1 + lens.hfov_sd_deg / lens.hfov_deg * rng.standard_normal()
    pixels = rng.uniform([150, 150], [lens.width_px - 150, lens.height_px - 150], (clicks, 2))
    centre = np.array(lens.centre_px)
    rays = lens.unproject(centre + (pixels - centre) / scale) @ camera_from_world(*pose)
    places = rays * rng.uniform(6, 30, (clicks, 1)) + np.array(HERE) + 0.3 * rng.standard_normal(3)
    told = places + 0.3 * rng.standard_normal((clicks, 3))
    hit = pixels + 0.004 * lens.width_px * rng.standard_normal((clicks, 2))
    station = Station(
        lens,
        *HERE,
        pitch_deg=pose[1] + 0.7 * rng.standard_normal(),
        pitch_sd_deg=0.7,
        roll_deg=pose[2] + 0.5 * rng.standard_normal(),
        roll_sd_deg=0.5,
    )
    hit = np.clip(hit, 0, [lens.width_px - 1, lens.height_px - 1])
    return station, tuple(Sighting(f"mark {i}", *hit[i], *told[i]) for i in range(clicks))


def test_an_unknown_radial_term_counts_between_the_middle_and_the_edge() -> None:
    """The angle of view holds the edge and nothing moves the middle: first order, sd = |d angle / d k1| k1_sd."""
    station = replace(STATION, lens=replace(LENS, hfov_sd_deg=0.0), pitch_deg=0.0, roll_deg=0.0, position_sd_m=0.0)
    far = 1000.0
    sds = {}
    for share in (0.0, 0.5, 0.9999):
        column = LENS.centre_px[0] + share * LENS.width_px / 2
        at = Sighting("far", column, LENS.centre_px[1], HERE[0], HERE[1] + far, HERE[2], 0.0, 0.01)
        sds[share] = resect(replace(station, k1_sd=0.05), (at,)).bearing_sd_deg
        edge = math.tan(math.radians(40.0))
        radius = share * edge
        slope = radius * (edge**2 - radius**2) / (1 + radius**2)
        assert sds[share] == pytest.approx(math.degrees(0.05 * slope), abs=0.02)
    assert sds[0.5] > 0.5


def test_straight_down_the_turn_about_the_plumb_line_is_found() -> None:
    turn = 130.0
    rotation = camera_from_world(turn, -90.0)
    offset = np.array([5.0, 2.0, -4.0])
    column, row = ROUND.project(rotation @ offset)
    at = Sighting("till", float(column), float(row), HERE[0] + 5, HERE[1] + 2, HERE[2] - 4, 0.1)
    found = resect(Station(ROUND, *HERE, 0.1, pitch_deg=-88.0, pitch_sd_deg=1.0), (at,))
    assert found.bearing_deg == pytest.approx(turn, abs=0.5)
    assert found.roll_deg is None
    assert 0.5 < (found.bearing_sd_deg or 0) < 5
    assert turn_about_plumb(camera_from_world(turn, -90.0)) == pytest.approx(turn)
    assert turn_about_plumb(camera_from_world(turn, -84.0)) == pytest.approx(turn)


def test_a_place_without_height_still_tells_the_bearing() -> None:
    at = replace(seen("door", LENS, POSE, DOOR), up_m=None)
    found = resect(STATION, (at,))
    assert found.bearing_deg == pytest.approx(20.0, abs=0.01)
    assert found.note is not None and "no height for door" in found.note


def test_with_nothing_pointed_out_there_is_no_bearing() -> None:
    found = resect(STATION, ())
    assert found.bearing_deg is None and found.note == "no thing of the plan was pointed out in the picture"


GOOD = seen("door", LENS, POSE, DOOR)


@pytest.mark.parametrize(
    "sighting, words",
    [
        (replace(GOOD, column_px=2400.0), "outside the picture of 1920 × 1080 px"),
        (replace(GOOD, east_m=HERE[0] + 0.1, north_m=HERE[1]), "from the camera's own place"),
        (replace(GOOD, row_px=10.0), "above the horizon, at the sky or a roof"),
        (replace(GOOD, row_px=1070.0), "below where it can stand by the measured tilt"),
    ],
)
def test_an_impossible_click_is_refused_with_the_reason(sighting: Sighting, words: str) -> None:
    found = resect(STATION, (sighting,))
    assert found.bearing_deg is None
    assert words in found.refused[0].reason and "'door'" in found.refused[0].reason
    assert found.note == found.refused[0].reason


def test_a_click_outside_the_image_circle_is_refused() -> None:
    wide = Lens(1920, 1080, 360.0, projection="equidistant")
    found = resect(Station(Lens(2000, 1000, 250.0, projection="equidistant"), *HERE), (replace(GOOD, column_px=1.0),))
    assert found.bearing_deg is not None or "image circle" in (found.note or "")
    corner = resect(
        Station(replace(wide, width_px=1920, height_px=1800), *HERE), (replace(GOOD, column_px=1, row_px=1),)
    )
    assert "image circle" in (corner.note or "")


def test_two_contradicting_clicks_are_both_named() -> None:
    wrong = replace(seen("mast", LENS, POSE, MAST), column_px=1700.0)
    found = resect(STATION, (GOOD, wrong))
    assert found.bearing_deg is None
    assert {r.landmark for r in found.refused} == {"door", "mast"}
    assert all("one of them is wrong" in r.reason for r in found.refused)


def test_a_place_behind_the_camera_is_named_so() -> None:
    behind = replace(seen("mast", LENS, POSE, MAST), east_m=HERE[0] - 20, north_m=HERE[1] - 25)
    found = resect(STATION, (GOOD, seen("gate", LENS, POSE, (5.0, 16.0, -3.5)), behind))
    assert found.bearing_deg == pytest.approx(20.0, abs=0.5)
    assert "behind the camera" in found.refused[0].reason


def test_the_one_wrong_click_of_three_is_left_out() -> None:
    wrong = replace(seen("mast", LENS, POSE, MAST), column_px=1700.0)
    found = resect(STATION, (GOOD, seen("gate", LENS, POSE, (5.0, 16.0, -3.5)), wrong))
    assert found.bearing_deg == pytest.approx(20.0, abs=0.5)
    assert [r.landmark for r in found.refused] == ["mast"]


def test_clicks_that_agree_win_over_a_wrong_tilt() -> None:
    misread = replace(STATION, pitch_deg=9.0)
    found = resect(misread, (GOOD, seen("mast", LENS, POSE, MAST)))
    assert found.bearing_deg == pytest.approx(20.0, abs=0.5)
    assert "not with the tilt" in (found.note or "")

"""The ground that two cameras see: a panned one is found with its turn, and what tells nothing says nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from audit.judge.ground import GroundSeen, ground_misfits, may_share_ground, neighbours
from audit.judge.hints import bearing_hints, ground_worth_a_look, own_grounds
from audit.lens import Lens
from audit.measure.ground import GroundView, ground_view
from tests.judge_samples import LIMITS, SITE, evidence, good_pair
from tests.measure.ground_scenes import photograph, yard

LENS = Lens(640, 360, 80.0)
#: East, north, up, bearing, pitch: four cameras about one worn yard, as far apart as they are from its middle.
PLACES = ((-7.0, -6.0, 4.0, 40.0, -24.0), (8.0, -5.0, 3.5, 310.0, -22.0), (6.0, 8.0, 4.5, 215.0, -25.0), (-8.0, 6.0, 3.8, 130.0, -22.0))


@pytest.fixture(scope="module")
def site() -> list[GroundSeen]:
    rng = np.random.default_rng(4)
    scene = replace(yard(rng, blots=0.15), boxes=np.array([[0.0, 0.0, 0.5, 0.4, 1.5, 0.3, 0.2]]))
    found = []
    for k, (east, north, up, bearing, pitch) in enumerate(PLACES):
        view = ground_view(photograph(scene, LENS, np.array([east, north, up]), (bearing, pitch, 0.5), rng), LENS, 0.2, pitch + 0.4)
        assert view is not None
        found.append(GroundSeen(f"C{k}", east + 0.2, north - 0.2, up, 0.0, "", bearing, view))
    return found


def test_cameras_as_planned_are_not_put_up(site: list[GroundSeen]) -> None:
    told = ground_misfits(site)
    assert len(told) == 4
    assert max(m.probability for m in told.values()) < 0.1


@pytest.mark.parametrize("turn", [-60.0, 12.0, 90.0, 175.0])
def test_the_panned_camera_is_found_with_its_turn(site: list[GroundSeen], turn: float) -> None:
    """Also by half a turn, which level edges can't tell."""
    panned = [replace(s, bearing_deg=(s.bearing_deg - turn) % 360) if s.camera == "C1" else s for s in site]
    told = ground_misfits(panned)
    assert ground_worth_a_look(told["C1"])
    assert abs((told["C1"].turn_deg - turn + 180) % 360 - 180) <= 4
    assert not any(ground_worth_a_look(m) for name, m in told.items() if name != "C1")


def test_of_two_cameras_either_may_be_the_panned_one(site: list[GroundSeen]) -> None:
    """One neighbour alone doesn't say which of the two it is; those whose bearing was shown do."""
    pair = [site[0], replace(site[1], bearing_deg=site[1].bearing_deg - 40.0)]
    told = ground_misfits(pair)
    assert not any(ground_worth_a_look(m) for m in told.values())
    told = ground_misfits([*(replace(s, shown=True) for s in (site[0], site[2], site[3])), pair[1]])
    assert set(told) == {"C1"} and ground_worth_a_look(told["C1"])


def test_another_floor_or_level_is_another_ground(site: list[GroundSeen]) -> None:
    panned = replace(site[1], bearing_deg=site[1].bearing_deg - 40.0)
    for elsewhere in (replace(panned, space="1/outdoor"), replace(panned, ground_up_m=3.0)):
        assert "C1" not in ground_misfits([site[0], elsewhere, site[2], site[3]])


def test_neighbours_are_those_that_a_plain_loop_finds() -> None:
    """Random sites of several floors, levels and heights, some cameras on one spot, against every pair looked at."""
    rng, blank = np.random.default_rng(12), np.zeros((1, 1), np.float32)
    view = GroundView(blank, blank.astype(bool))
    for count in (1, 2, 30, 200):
        spots = rng.uniform(-60, 60, (count, 2)).round()
        seen = [
            GroundSeen(str(k), *map(float, spots[k]), float(rng.uniform(2, 9)), float(rng.choice([0, 0, 3])), str(rng.integers(2)), 0.0, view)
            for k in range(count)
        ]
        for k, found in enumerate(neighbours(seen)):
            others = [o for o in range(count) if o != k and may_share_ground(seen[k], seen[o])]
            others.sort(key=lambda o: (spots[o][0] - spots[k][0]) ** 2 + (spots[o][1] - spots[k][1]) ** 2)
            assert found == others[:6]


def test_grounds_are_wanted_of_cameras_with_another_near_by_on_their_floor() -> None:
    """Against every pair looked at: 60 m, the same floor."""
    rng, first = np.random.default_rng(13), SITE.cameras[0]
    cameras = [
        replace(first, camera=f"C{k}", east_m=float(e), north_m=float(n), floor=str(rng.integers(2)), extra=())
        for k, (e, n) in enumerate(rng.uniform(-250, 250, (40, 2)))
    ]
    brought = {c.camera: evidence(c, *good_pair(c), pointed=()) for c in cameras}
    wanted = [
        c.camera
        for c in cameras
        if any(o is not c and o.floor == c.floor and math.hypot(o.east_m - c.east_m, o.north_m - c.north_m) <= 60 for o in cameras)
    ]
    assert 5 < len(wanted) < 40
    assert [own.camera for own in own_grounds(replace(SITE, cameras=tuple(cameras)), brought)] == wanted


def test_bland_ground_says_nothing(site: list[GroundSeen]) -> None:
    rng = np.random.default_rng(9)
    bland = [replace(s, view=replace(s.view, contrast=rng.normal(0, 1, s.view.contrast.shape).astype(np.float32))) for s in site]
    assert not any(ground_worth_a_look(m) for m in ground_misfits(bland).values())


def test_likelihood_is_that_of_a_bivariate_normal() -> None:
    """-n/2 ln(1 - r^2) is the mean log ratio of a bivariate normal's density to its margins' (Cover and Thomas 2006,
    example 8.5.1, from memory); scipy's densities say the same."""
    r, rng = 0.7, np.random.default_rng(1)
    drawn = rng.multivariate_normal([0, 0], [[1, r], [r, 1]], 200_000)
    joint = multivariate_normal([0, 0], [[1, r], [r, 1]]).logpdf(drawn)
    apart = multivariate_normal([0, 0], np.eye(2)).logpdf(drawn)
    assert float(np.mean(joint - apart)) == pytest.approx(-0.5 * math.log(1 - r * r), abs=0.01)


def test_hint_names_the_cameras_and_the_turn(site: list[GroundSeen]) -> None:
    first = SITE.cameras[0]
    cameras = [
        replace(first, camera=s.camera, east_m=s.east_m, north_m=s.north_m, height_m=s.height_m, bearing_deg=s.bearing_deg, extra=())
        for s in site
    ]
    cameras[1] = replace(cameras[1], bearing_deg=(cameras[1].bearing_deg - 40.0) % 360)
    plan = replace(SITE, cameras=tuple(cameras))
    brought = {c.camera: evidence(c, *good_pair(c), pointed=()) for c in cameras}
    assert {own.camera for own in own_grounds(plan, brought)} == {"C0", "C1", "C2", "C3"}
    told = bearing_hints(plan, brought, LIMITS, {s.camera: s.view for s in site})
    assert set(told) == {"C1"}
    assert told["C1"][0].startswith("The ground in its picture fits what C") and "too far right" in told["C1"][0]

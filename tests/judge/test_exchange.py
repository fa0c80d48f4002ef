"""Exchanged cameras: pairs and rings are named over the whole site, single repairs wait, faults of one's own stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.judge.evidence import CameraEvidence, Comparison
from audit.judge.exchange import Hint, exchanges
from audit.judge.findings import judge_camera
from audit.measure.measurement import ViewChange
from audit.plan.model import Site
from tests.bench.exchange_sites import simulate_site
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, only, snapshot

PITCHES_DEG = (-6.0, -14.0, -22.0, -30.0, -38.0, -10.0, -18.0, -26.0)


def site(*pitches_deg: float) -> Site:
    """Cameras alike but for their tilt, thirty metres apart."""
    model = SITE.camera("TH-18")
    return Site(tuple(replace(model, camera=f"C{k}", east_m=30.0 * k, pitch_deg=p) for k, p in enumerate(pitches_deg)))


def filed(planned: Site, source: dict[str, str], **more: object) -> dict[str, CameraEvidence]:
    """Every camera put up as planned, with pictures filed as told."""
    return {
        c.camera: evidence(c, *good_pair(planned.camera(source.get(c.camera, c.camera))), **more) for c in planned.cameras
    }


def test_two_exchanged_cameras_are_one_finding_and_no_repair() -> None:
    """One seems 24 degrees too low, the other as much too high: two climbs that would make both wrong."""
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {"C0": "C3", "C3": "C0"})
    (found,) = exchanges(planned, taken, LIMITS)
    assert found.cameras == ("C0", "C3") and not found.certain and found.probability > 0.9
    assert any("C0 fits the plan of C3" in sentence for sentence in found.evidence)
    for name in found.cameras:
        verdict = judge_camera(planned.camera(name), replace(taken[name], exchange=found), LIMITS)
        aim = only(verdict, "identity")
        assert aim.state == "to check" and aim.shared == ("C0", "C3") and aim.told_by == "C0"
        assert aim.remedy is not None and aim.remedy.tip_deg is None
        assert {f.check for f in verdict.findings}.isdisjoint({"level", "sky", "target", "movement", "stream"})
        assert {f.check for f in aim.withheld} >= {"aim", "sky"}, "what each picture alone says comes back if dismissed"


def test_a_ring_of_three_is_one_finding() -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {"C0": "C2", "C2": "C4", "C4": "C0"})
    (found,) = exchanges(planned, taken, LIMITS)
    assert found.cameras == ("C0", "C2", "C4")
    why = only(judge_camera(planned.camera("C2"), replace(taken["C2"], exchange=found), LIMITS), "identity").why
    assert "under C2 the picture of C4" in why and "in a ring" in why


@pytest.mark.parametrize("off_deg", [6.0, 12.0, 20.0])
def test_a_camera_with_a_fault_of_its_own_is_not_exchanged(off_deg: float) -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {})
    taken["C1"] = evidence(planned.camera("C1"), snapshot(planned.camera("C1"), PITCHES_DEG[1] - off_deg, sky=0.0))
    assert exchanges(planned, taken, LIMITS) == ()


def test_cameras_without_pictures_or_planned_alike_are_not_exchanged() -> None:
    assert exchanges(site(*PITCHES_DEG), {}, LIMITS) == ()
    alike = site(-15.0, -15.0, -15.0)
    assert exchanges(alike, filed(alike, {}), LIMITS) == ()
    assert exchanges(site(-15.0), filed(site(-15.0), {}), LIMITS) == ()


def test_identity_from_records_makes_it_certain_and_one_direction_alone_does_not() -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {"C0": "C3", "C3": "C0"})
    here = Hint("C0", "C3", "C0's photo carries the serial of C3.", True)
    there = Hint("C3", "C0", "C3's photo carries the serial of C0.", True)
    assert exchanges(planned, taken, LIMITS, (here, there))[0].certain
    assert not exchanges(planned, taken, LIMITS, (here,))[0].certain
    # against what the pictures themselves show: a label in the wrong place
    assert exchanges(planned, filed(planned, {}), LIMITS, (here,)) == ()


def test_a_picture_that_shows_its_own_signed_reference_is_not_anothers() -> None:
    planned = site(*PITCHES_DEG)
    same = (Comparison("then.jpg", "day.jpg", False, ViewChange(0.99)),)
    assert exchanges(planned, filed(planned, {"C0": "C3", "C3": "C0"}, comparisons=same), LIMITS) == ()


def test_the_size_alone_tells_where_lenses_differ() -> None:
    planned = site(-15.0, -15.0, -15.0, -15.0)
    wide = [replace(c, lens=replace(c.lens, width_px=3840, height_px=2160)) for c in planned.cameras[:1]]
    planned = Site((*wide, *planned.cameras[1:]))
    big, small = (evidence(c, *good_pair(c)) for c in planned.cameras[:2])
    taken = filed(planned, {}) | {"C0": small, "C1": big}
    found = exchanges(planned, taken, LIMITS)
    assert [set(e.cameras) for e in found] in ([], [{"C0", "C1"}]), "two others are as good; never a ring through them"


@settings(max_examples=40, deadline=None)
@given(st.permutations(range(8)), st.floats(0.3, 1.5))
def test_names_and_order_of_the_plan_do_not_matter(order: list[int], sd: float) -> None:
    planned = site(*PITCHES_DEG)
    shots = {c.camera: snapshot(planned.camera({"C1": "C4", "C4": "C1"}.get(c.camera, c.camera)), p, sd=sd, sky=0.0)
             for c, p in zip(planned.cameras, (-6, -38, -22, -30, -14, -10, -18, -26), strict=True)}  # fmt: skip
    taken = {name: CameraEvidence(snapshots=(shot,)) for name, shot in shots.items()}
    again = Site(tuple(planned.cameras[k] for k in order))
    sets = [{frozenset(e.cameras) for e in exchanges(s, taken, LIMITS)} for s in (planned, again)]
    assert sets[0] == sets[1] == {frozenset({"C1", "C4"})}


def test_a_site_of_thousands_is_taken_apart_and_answers_as_a_small_one() -> None:
    rng = np.random.default_rng(5)
    model = SITE.camera("TH-18")
    cameras = [
        replace(model, camera=f"L{k:04d}", east_m=float(rng.uniform(0, 900)), north_m=float(rng.uniform(0, 900)),
                pitch_deg=float(rng.uniform(-40, -5)), lens=replace(model.lens, width_px=1600 + 16 * (k % 40)))
        for k in range(2000)
    ]  # fmt: skip
    cameras[10], cameras[1500] = replace(cameras[10], pitch_deg=-8.0), replace(cameras[1500], pitch_deg=-35.0)
    planned = Site(tuple(cameras))
    taken = filed(planned, {"L0010": "L1500", "L1500": "L0010"})
    assert [e.cameras for e in exchanges(planned, taken, LIMITS)] == [("L0010", "L1500")]


def test_simulated_sites_name_most_exchanges_and_few_others() -> None:
    """A sample of what ``tests.bench.exchange_sites`` counts; most misses there are pairs that no picture can tell."""
    counted = [simulate_site(seed, LIMITS) for seed in range(900, 930)]
    telling, named = sum(c.telling for c in counted), sum(c.telling_named for c in counted)
    assert named / telling > 0.7
    assert sum(c.falsely_named for c in counted) / sum(c.cameras for c in counted) < 0.006


def test_crossed_measurements_that_are_not_measured_are_left_alone() -> None:
    planned = site(*PITCHES_DEG)
    blind = {c.camera: CameraEvidence(snapshots=(snapshot(c),)) for c in planned.cameras}
    assert exchanges(planned, blind, LIMITS) == ()

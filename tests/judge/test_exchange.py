"""Exchanged cameras: pairs and rings are named over the whole site, single repairs wait, faults of one's own stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.judge.evidence import CameraEvidence, Comparison, Exchange
from audit.judge.exchange import Hint, weigh, worth_measuring
from audit.judge.findings import MAY_BE_OF, judge_camera
from audit.judge.limits import Limits
from audit.judge.written import Written
from audit.measure.measurement import ViewChange
from audit.plan.model import Site
from tests.bench.exchange_sites import MORE, simulate_site
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, mast, only, snapshot

PITCHES_DEG = (-6.0, -14.0, -22.0, -30.0, -38.0, -10.0, -18.0, -26.0)


def site(*pitches_deg: float) -> Site:
    """Cameras alike but for their tilt, thirty metres apart."""
    model = SITE.camera("TH-18")
    return Site(tuple(replace(model, camera=f"C{k}", east_m=30.0 * k, pitch_deg=p) for k, p in enumerate(pitches_deg)))


def exchanges(planned: Site, taken: dict[str, CameraEvidence], limits: Limits, hints: Sequence[Hint] = ()) -> tuple[Exchange, ...]:
    return weigh(planned, taken, limits, hints).exchanges


def filed(planned: Site, source: dict[str, str], **more: object) -> dict[str, CameraEvidence]:
    """Every camera put up as planned, with pictures filed as told; what was pointed out in them lies where it lies."""
    found = {}
    for camera in planned.cameras:
        real = planned.camera(source.get(camera.camera, camera.camera))
        given = {"pointed": mast(real, *good_pair(real))} | more
        found[camera.camera] = evidence(camera, *good_pair(real), **given)
    return found


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


def test_exchanged_cameras_are_worth_measuring_by_each_others_lens() -> None:
    planned = site(*PITCHES_DEG)
    partners = worth_measuring(planned, filed(planned, {"C0": "C3", "C3": "C0"}), LIMITS)
    assert partners["C0"][0] == "C3" and partners["C3"][0] == "C0"
    assert all(camera not in others for camera, others in partners.items())


def test_a_picture_of_the_others_size_is_told_as_a_reason() -> None:
    planned = site(*PITCHES_DEG)
    wide = replace(planned.cameras[3], lens=replace(planned.cameras[3].lens, width_px=3840, height_px=2160))
    planned = Site((*planned.cameras[:3], wide, *planned.cameras[4:]))
    (found,) = exchanges(planned, filed(planned, {"C0": "C3", "C3": "C0"}), LIMITS)
    assert any("The picture of C0 has 3840 × 2160 px" in sentence for sentence in found.evidence)


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


def shows(name: str) -> tuple[Written, ...]:
    return (Written("day.jpg", name, name, True),)


def test_names_in_the_pictures_round_a_ring_of_three_are_certain() -> None:
    planned = site(*PITCHES_DEG)
    ring = {"C0": "C2", "C2": "C4", "C4": "C0"}
    taken = filed(planned, ring)
    taken |= {name: replace(taken[name], written=shows(ring.get(name, name))) for name in taken}
    (found,) = exchanges(planned, taken, LIMITS)
    assert found.cameras == ("C0", "C2", "C4") and found.certain
    assert "The picture of C2 shows the name of C4." in found.evidence
    verdict = judge_camera(planned.camera("C4"), replace(taken["C4"], exchange=found), LIMITS)
    assert only(verdict, "identity").state == "defect" and {f.check for f in verdict.findings}.isdisjoint({"aim", "sky", "target"})


def test_devices_hung_at_each_others_place_keep_their_names_and_are_found_by_their_pictures() -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {"C0": "C3", "C3": "C0"})
    taken |= {name: replace(taken[name], written=shows(name), device_owner=name) for name in taken}
    (found,) = exchanges(planned, taken, LIMITS)
    assert set(found.cameras) == {"C0", "C3"} and not found.certain


def test_one_wrong_name_or_serial_is_no_exchange() -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {})
    taken |= {name: replace(taken[name], written=shows(name)) for name in taken}
    for wrong in (replace(taken["C1"], written=shows("C5")), replace(taken["C1"], device_owner="C5")):
        assert exchanges(planned, taken | {"C1": wrong}, LIMITS) == ()


def test_devices_that_answer_at_each_others_address_are_certain_where_the_pictures_agree() -> None:
    planned = site(*PITCHES_DEG)
    taken = filed(planned, {"C0": "C3", "C3": "C0"})
    taken["C0"], taken["C3"] = replace(taken["C0"], device_owner="C3"), replace(taken["C3"], device_owner="C0")
    (found,) = exchanges(planned, taken, LIMITS)
    assert found.certain and "At the address of C0 answers the device with the serial of C3." in found.evidence


def test_cameras_planned_alike_but_for_their_bearing_are_told_by_what_was_pointed_out() -> None:
    model = SITE.camera("TH-18")
    planned = Site(tuple(replace(model, camera=f"C{k}", east_m=20.0 * k, bearing_deg=(model.bearing_deg + 37.0 * k) % 360) for k in range(8)))
    source = {"C1": "C6", "C6": "C1"}
    blind = filed(planned, source, pointed=())
    assert exchanges(planned, blind, LIMITS) == (), "nothing else tells them apart"
    (found,) = exchanges(planned, filed(planned, source), LIMITS)
    assert set(found.cameras) == {"C1", "C6"} and any("beside where C6 would" in sentence for sentence in found.evidence)
    assert exchanges(planned, filed(planned, {}), LIMITS) == ()


def test_a_repair_waits_where_an_exchange_is_too_likely_to_climb_and_too_unsure_to_name() -> None:
    planned = site(-10.0, -10.0, -34.0, -34.0)
    camera = planned.camera("C0")
    taken = filed(planned, {}, pointed=())
    # as steep as two others are planned, one of which was not measured
    taken["C0"] = evidence(camera, snapshot(camera, -34.0, sky=0.0), pointed=())
    taken["C2"] = taken["C3"] = evidence(planned.camera("C2"), snapshot(planned.camera("C2")), pointed=())
    weighed = weigh(planned, taken, LIMITS)
    assert weighed.exchanges == () and set(weighed.doubts["C0"].partners) == {"C2", "C3"}
    alone = only(judge_camera(camera, taken["C0"], LIMITS), "aim")
    held = only(judge_camera(camera, replace(taken["C0"], doubt=weighed.doubts["C0"]), LIMITS), "aim")
    assert alone.state == "defect" and held.state == "to check"
    assert held.remedy is not None and alone.remedy is not None
    assert held.remedy.action.startswith("Before anyone climbs: stand in front of C0") and held.remedy.tip_deg == alone.remedy.tip_deg
    assert " or ".join(weighed.doubts["C0"].partners) in held.why and set(held.evidence[MAY_BE_OF]) == {"C2", "C3"}


def test_simulated_sites_hold_back_single_repairs_and_few_others() -> None:
    """A sample of what ``tests.bench.exchange_sites`` counts, with all that a site may have."""
    counted = [simulate_site(seed, LIMITS, MORE) for seed in range(930, 942)]
    assert sum(c.named for c in counted) / sum(c.exchanged for c in counted) > 0.8
    assert sum(c.repairs_instead for c in counted) <= 1
    assert sum(c.repairs_waiting for c in counted) / sum(c.repairs_due for c in counted) < 0.1

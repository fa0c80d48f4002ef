"""The demo from end to end: what was found against what is true (``sample_images/truth.json``)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.demo import run_demo, sample_folder
from audit.judge.finding import Finding, Verdict
from audit.logbook import Logbook

ASKING = ("defect", "to check")
NUMBER = {"commissioning": 1, "maintenance": 2}
FAULTY_SOMETIME = ("TH-07", "TH-08", "TH-09", "TH-11", "TH-17", "TH-18", "TH-21", "TH-24", "TH-16", "TH-20", "TH-10")


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((sample_folder() / "truth.json").read_text(encoding="utf-8"))["visits"]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    folder = tmp_path_factory.mktemp("demo")
    run_demo(folder, 2)
    with Logbook.open(str(folder / "logbook")) as logbook:
        yield logbook


def _verdicts(book: Logbook, visit: str) -> dict[str, Verdict]:
    return {v.camera: v for v in book.verdicts(NUMBER[visit])}


def _asking(verdict: Verdict) -> list[Finding]:
    return [f for f in verdict.findings if f.state in ASKING]


def test_every_fault_is_found_under_the_right_check(book: Logbook, truth: dict[str, Any]) -> None:
    missed = []
    for visit, facts in truth.items():
        verdicts = _verdicts(book, visit)
        for camera, fact in facts["cameras"].items():
            if fact["fault"]:
                checks = {f.check for f in _asking(verdicts[camera])}
                if not checks & set(fact["expected_checks"]):
                    missed.append((visit, camera, fact["fault"], fact["expected_checks"], sorted(checks)))
    assert not missed


def test_the_swap_is_one_finding_on_the_pair(book: Logbook) -> None:
    verdicts = _verdicts(book, "commissioning")
    for one, other in (("TH-07", "TH-08"), ("TH-08", "TH-07")):
        paired = [f for f in _asking(verdicts[one]) if f.pair is not None]
        assert [f.pair for f in paired] == [other]


def test_no_clean_camera_is_called_for_repair_and_few_for_a_look(book: Logbook, truth: dict[str, Any]) -> None:
    repairs, looks = [], []
    for visit, facts in truth.items():
        verdicts = _verdicts(book, visit)
        for camera in facts["cameras"]:
            if camera in FAULTY_SOMETIME:
                continue
            for finding in _asking(verdicts[camera]):
                (repairs if finding.state == "defect" else looks).append((visit, camera, finding.check, finding.why))
    assert not repairs
    assert len({(visit, camera) for visit, camera, _, _ in looks}) <= 2, looks


def test_cameras_put_right_and_faulty_ones_before_their_fault_are_not_called_for_repair(
    book: Logbook, truth: dict[str, Any]
) -> None:
    wrong = []
    for visit, facts in truth.items():
        verdicts = _verdicts(book, visit)
        for camera in FAULTY_SOMETIME:
            if not facts["cameras"][camera]["fault"]:
                wrong += [(visit, camera, f.check, f.why) for f in verdicts[camera].findings if f.state == "defect"]
    assert not wrong


def test_what_was_not_measured_is_said_and_never_a_pass(book: Logbook, truth: dict[str, Any]) -> None:
    verdicts = _verdicts(book, "commissioning")
    for camera, fact in truth["commissioning"]["cameras"].items():
        if fact["horizon"] == "not measurable" and camera in ("TH-03", "TH-05"):
            aim = [f for f in verdicts[camera].findings if f.check == "aim"]
            for finding in aim:
                if finding.measured is None:
                    assert finding.state == "not verified", camera
                else:
                    assert finding.measured_sd is not None and "plumb" in finding.why
                    assert abs(finding.measured - fact["pitch_deg"]) < 3 * finding.measured_sd, camera
            assert aim, camera
        if fact["night"] == "not checked":
            night = [f for f in verdicts[camera].findings if f.check == "night"]
            assert [f.state for f in night] == ["not verified"] and "not checked at night" in night[0].why.lower()
            assert verdicts[camera].state != "as planned"


def test_photos_lie_with_their_cameras(book: Logbook, truth: dict[str, Any]) -> None:
    for visit, facts in truth.items():
        placements = {p.photo: p for p in book.placements(NUMBER[visit])}
        refused = {r.name for r in book.refusals(NUMBER[visit])}
        decided = wrong = 0
        for photo in facts["photos"]:
            name = photo["photo"]
            if photo["expected"] == "refused":
                assert name in refused
                continue
            placement = placements[name]
            if placement.decision == "placed":
                decided += 1
                pair = (facts["cameras"].get(photo["camera"]) or {}).get("pair") or [photo["camera"]]
                wrong += placement.camera not in pair
        assert decided > 0 and wrong == 0


def test_the_measured_pose_agrees_with_the_truth_within_its_own_interval(book: Logbook, truth: dict[str, Any]) -> None:
    held, asked = 0, 0
    for visit, facts in truth.items():
        for camera, verdict in _verdicts(book, visit).items():
            for finding in verdict.findings:
                name = {"aim": "pitch_deg", "level": "roll_deg"}.get(finding.check)
                if name and finding.measured is not None and finding.measured_sd is not None and finding.unit == "deg":
                    asked += 1
                    held += abs(finding.measured - facts["cameras"][camera][name]) <= 3 * finding.measured_sd
    assert asked >= 40 and held / asked >= 0.95


def test_where_cameras_are_panned_to_is_shown_or_said_to_be_unknown(book: Logbook, truth: dict[str, Any]) -> None:
    shown = 0
    for visit, facts in truth.items():
        for camera, verdict in _verdicts(book, visit).items():
            pan = next((f for f in verdict.findings if f.check == "pan"), None)
            if pan is None:
                continue
            if pan.measured is None:
                assert pan.state != "as planned" and verdict.state != "as planned", camera
            else:
                off = (pan.measured - facts["cameras"][camera]["bearing_deg"] + 180) % 360 - 180
                assert pan.measured_sd is not None and abs(off) <= 3 * pan.measured_sd, (visit, camera, pan.why)
                shown += pan.state == "as planned"
    assert shown >= 40
    panned = next(f for f in _verdicts(book, "commissioning")["TH-10"].findings if f.check == "pan")
    assert panned.state == "defect" and panned.remedy is not None and panned.remedy.action.startswith("Pan left 25")
    by_board = next(f for f in _verdicts(book, "commissioning")["TH-01"].findings if f.check == "pan")
    assert by_board.state == "as planned" and "by the board" in by_board.why


def test_a_glass_that_a_person_saw_clean_is_compared_at_maintenance(book: Logbook) -> None:
    """One picture can't prove a glass clean: a person's word does, and the signed picture carries it on."""
    first, second = _verdicts(book, "commissioning"), _verdicts(book, "maintenance")
    seen = [c for c, v in first.items() if any(f.check == "cleanliness" and "Seen by" in f.why for f in v.findings)]
    assert len(seen) == 21 and not {"TH-09", "TH-21", "TH-24"} & set(seen)
    done = [c for c, v in first.items() if v.state == "as planned"]
    assert len(done) >= 10 and set(done) <= set(seen)
    assert sum(second[c].state == "as planned" for c in done) >= len(done) // 2
    for camera in set(first) - set(seen):
        assert "as planned" not in {f.state for f in first[camera].findings if f.check == "cleanliness"}


def test_the_first_visit_is_signed_and_nothing_changed(book: Logbook) -> None:
    assert book.visit(1).signed_at is not None
    assert book.verify() == ()


def test_every_planned_camera_is_told_of(book: Logbook, truth: dict[str, Any]) -> None:
    for visit, facts in truth.items():
        assert set(_verdicts(book, visit)) == set(facts["cameras"])


def test_the_demo_is_small_enough_for_git() -> None:
    files = [p for p in Path(sample_folder()).rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) <= 30 * 2**20

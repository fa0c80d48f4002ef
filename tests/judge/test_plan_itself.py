"""What the plan check calls an error is a finding of the visit, unless something was agreed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from audit.judge.evidence import CameraEvidence
from audit.judge.findings import judge_camera
from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.plan.check import check_plan, plan_errors
from audit.plan.model import Camera, MountChain, Site, Target
from tests.conftest import PLAN_HEADER

#: Recognise asks for 125 px/m (IEC 62676-4:2014, table of operational requirements, as read in :mod:`audit.plan.model`).
REQUIRED_PX_PER_M = 125.0


def _camera(distance_m: float, **extra: str) -> Camera:
    """1920 px over 60 degrees: 1920 / (2 d tan 30) px/m on the axis, so 125 px/m at 13.3 m."""
    return Camera(
        "C-1", 0.0, 0.0, 3.0, 0.0, 0.0, Lens(1920, 1080, 60.0), form="bullet", surface="wall", setting="outdoor",
        mount=MountChain(("wall", "junction box")), extra=tuple(extra.items()),
        targets=(Target("gate", 0.0, distance_m, 3.0, REQUIRED_PX_PER_M, "recognise"),),
    )  # fmt: skip


def _judged(camera: Camera) -> dict[str, Any]:
    errors = plan_errors(Site((camera,)))
    verdict = judge_camera(camera, CameraEvidence(plan_errors=errors.get("C-1", ())), load_limits())
    return {f.check: f for f in verdict.findings} | {"state": verdict.state}


def test_too_few_pixels_by_the_plan_is_a_defect_of_the_visit_and_says_so() -> None:
    found = _judged(_camera(14.8))
    assert found["target"].state == "defect" and found["state"] == "defect"
    assert found["target"].why.startswith("As mounted it can't serve: the plan itself.")
    assert "gets 112 px/m, 125 required" in found["target"].why
    assert "before anyone climbs" in found["target"].remedy.action


def test_a_plan_that_serves_gives_no_finding() -> None:
    assert "target" not in _judged(_camera(13.2))


@pytest.mark.parametrize("column", ["agreed_note", "agreed_pitch_deg"])
def test_what_was_agreed_is_no_finding(column: str) -> None:
    assert "target" not in _judged(_camera(14.8, **{column: "3"}))


def test_errors_are_those_of_the_plan_check_alone() -> None:
    site = Site((_camera(14.8), replace(_camera(10.0), camera="C-2", east_m=9.0, mount=MountChain(("pole", "junction box")))))
    said = {(p.camera, p.message) for p in check_plan(site) if p.severity == "error"}
    assert said == {(name, p.message) for name, problems in plan_errors(site).items() for p in problems} and len(said) == 3


def test_the_visit_says_what_plan_check_said(tmp_path: Path, audit: Callable[..., Any], picture_bytes: bytes) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(
        PLAN_HEADER + "\nC-1,Gate,46.5,-18.0,3.0,20,-15,56,640,360,bullet,wall,outdoor,wall > junction box,SN0001,none,"
        "recognise,1.88,5.17,1.6\n",
        encoding="utf-8",
    )
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "C-1_day.jpg").write_bytes(picture_bytes)
    checked = audit("plan", "check", plan)
    assert checked.code == 1 and "px/m, 125 required" in checked.out
    assert audit("start", tmp_path / "book", "--plan", plan).code == 0
    ran = audit("visit", tmp_path / "book", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")
    (line,) = ran.lines
    (target,) = [f for f in line["findings"] if f["check"] == "target"]
    assert line["state"] == "defect" and target["why"].startswith("As mounted it can't serve: the plan itself.")
    assert audit("show", tmp_path / "book", "--strict").code == 1

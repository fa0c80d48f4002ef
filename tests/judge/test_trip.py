"""All remedies as one trip; remedies' words for each mount."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from audit.judge.finding import Finding, Remedy, Verdict
from audit.judge.remedies import aim_remedy, level_remedy, missing_tilt_part, night_remedy, swap_remedy, view_remedy
from audit.judge.trip import _walk, plan_trip
from audit.plan.files import read_plan
from audit.plan.mounts import joints
from audit.plan.optics import Pose, geometry, lowest_pitch_for_sky, open_sky_fraction

SITE = read_plan(Path(__file__).parents[2] / "sample_images" / "plan.csv")


def _verdict(camera: str, *findings: Finding) -> Verdict:
    return Verdict(camera, findings[0].state, findings)


def _finding(camera: str, check: str, state: str = "defect", action: str = "Tip.", **more: object) -> Finding:
    remedy = Remedy(action, "cone", parts=more.pop("parts", ()), cautions=("Ladder.",))  # type: ignore[arg-type]
    return Finding(camera, check, state, "why", remedy=remedy, **more)  # type: ignore[arg-type]


def test_cameras_of_one_mast_share_a_stop() -> None:
    trip = plan_trip(
        SITE,
        [
            _verdict("TH-10", _finding("TH-10", "aim")),
            _verdict("TH-11", _finding("TH-11", "level")),
            _verdict("TH-18", _finding("TH-18", "aim")),
        ],
    )
    assert sorted(s.cameras for s in trip.stops) == [("TH-10", "TH-11"), ("TH-18",)]
    assert all(s.cautions == ("Ladder.",) for s in trip.stops)


def test_consequences_of_one_aim_are_one_task() -> None:
    verdict = _verdict(
        "TH-18",
        _finding("TH-18", "aim"),
        _finding("TH-18", "sky", action="Tip more."),
        _finding("TH-18", "cleanliness", "to check", "Wipe.", parts=("cloth",)),
    )
    (stop,) = plan_trip(SITE, [verdict]).stops
    assert [(t.checks, t.action) for t in stop.tasks] == [(("aim", "sky"), "Tip."), (("cleanliness",), "Wipe.")]


def test_a_swap_is_listed_once_and_settled_findings_not_at_all() -> None:
    swap = [
        _verdict("TH-07", _finding("TH-07", "aim", pair="TH-08", shared=("TH-07", "TH-08"))),
        _verdict("TH-08", _finding("TH-08", "aim", pair="TH-07", shared=("TH-07", "TH-08"))),
    ]
    assert [s.cameras for s in plan_trip(SITE, swap).stops] == [("TH-07",)]
    assert plan_trip(SITE, swap, settled=[("TH-07", "aim"), ("TH-08", "aim")]).stops == ()
    passed = _verdict("TH-01", _finding("TH-01", "aim", "as planned"))
    assert plan_trip(SITE, [passed]).stops == () and plan_trip(SITE, []).walk_m == 0


def test_parts_are_counted_over_the_trip() -> None:
    verdicts = [_verdict(c, _finding(c, "night", parts=("cloth", "L-bracket"))) for c in ("TH-09", "TH-04")]
    verdicts.append(_verdict("TH-21", _finding("TH-21", "cleanliness", parts=("cloth",))))
    assert plan_trip(SITE, verdicts).parts == (("cloth", 3), ("L-bracket", 2))


def test_the_walk_is_nearly_the_shortest() -> None:
    """Against trying every order of seven stops."""
    rng = np.random.default_rng(1)
    for _ in range(6):
        places, start = rng.uniform(0, 100, (7, 2)), np.zeros(2)
        order, length = _walk(places, start)
        assert sorted(order) == list(range(7))
        best = min(
            sum(np.hypot(*(b - a)) for a, b in itertools.pairwise([start, *places[list(p)]]))
            for p in itertools.permutations(range(7)))  # fmt: skip
        assert length <= 1.15 * best + 1e-9


def test_a_joint_that_cannot_reach_asks_for_another_seat() -> None:
    dome = SITE.camera("TH-21")
    reach = joints(dome)
    assert reach is not None and not reach.reaches(-5)
    remedy = aim_remedy(dome, Pose(270, -5), 23, 0.5)
    assert "ends at" in remedy.action and remedy.parts == ("tilt adapter",)
    assert aim_remedy(dome, Pose(270, -28), -5, 0.5).parts == ()


def test_the_cone_stands_where_the_optics_say() -> None:
    """Near ground h / tan(tilt + vfov/2)."""
    for name in ("TH-01", "TH-13", "TH-24"):
        camera = SITE.camera(name)
        near = camera.height_m / np.tan(np.radians(-camera.pitch_deg + camera.lens.vfov_deg / 2))
        remedy = aim_remedy(camera, Pose.of(camera), -5, 0.5)
        assert remedy.field_check is not None and f"cone {near:.1f} m" in remedy.field_check


def test_a_view_without_near_ground_gets_another_landmark() -> None:
    camera = replace(SITE.camera("TH-07"), height_m=40.0)
    remedy = aim_remedy(camera, Pose.of(camera), -5, 0.5)
    assert remedy.field_check is not None and "true horizon" in remedy.field_check
    row = geometry(camera).horizon_row_px
    assert row is not None and f"{(row + 0.5) / camera.lens.height_px:.0%}" in remedy.field_check


def test_level_and_view_words() -> None:
    fish = SITE.camera("TH-17")
    assert "shim the mounting face" in level_remedy(fish, 3, 0.5).action
    assert view_remedy(fish, 0.1, -2.0, 0.0, 0.1).action.startswith("Tilt down 2.0°")
    assert view_remedy(fish, 12.0, 0.0, 1.0, 0.1).action.startswith("Pan right 12.0°, rotate clockwise 1.0°")
    assert missing_tilt_part(fish, -1.0, 0.5) == "tilt adapter 30" and missing_tilt_part(fish, -20.0, 0.5) is None
    assert missing_tilt_part(SITE.camera("TH-01"), 0.0, 0.5) is None
    assert "TH-08" in swap_remedy(("TH-07", "TH-08"), True).action
    assert "sunshield" in night_remedy(replace(SITE.camera("TH-09"), mount=SITE.camera("TH-02").mount)).action


@pytest.mark.parametrize("name", ["TH-01", "TH-17", "TH-19"])
def test_lowest_pitch_for_a_share_of_sky_is_the_inverse(name: str) -> None:
    lens = SITE.camera(name).lens
    for pitch in (-12.0, -3.0, 8.0):
        found = lowest_pitch_for_sky(lens, open_sky_fraction(lens, pitch))
        assert found is not None and found == pytest.approx(pitch, abs=0.15)
    assert lowest_pitch_for_sky(lens, 1.01) is None

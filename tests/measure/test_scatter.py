"""The stated scatter: wider for a flatter maximum, for rivals, for cues that disagree and for leaning uprights."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from orientation_scenes import town

from audit.lens import Lens
from audit.measure.constants import constants
from audit.measure.orientation import measure_orientation
from audit.measure.scatter import own_sd_deg, scatter_facts
from audit.measure.segments import find_segments, grey
from audit.measure.up_direction import Evidence, Seen, solve

WIDE = Lens(640, 360, 95.0)


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    shades = grey(town(WIDE, 2.0, -8.0, seed=3))
    segments, scale = find_segments(shades)
    return solve(Seen(segments, scale, None, shades), WIDE)


def test_facts_widen_the_scatter(evidence: Evidence) -> None:
    plain = own_sd_deg(evidence)
    assert own_sd_deg(replace(evidence, covariance_deg2=25 * evidence.covariance_deg2))[0] > plain[0]
    assert own_sd_deg(replace(evidence, spread_deg=4 * evidence.spread_deg))[1] > plain[1]
    assert own_sd_deg(replace(evidence, fit=replace(evidence.fit, scatter=2.5)))[1] > plain[1]


def test_disagreement_counts_beyond_chance_alone(evidence: Evidence) -> None:
    assert np.allclose(scatter_facts(replace(evidence, disagreement=3.9)), scatter_facts(evidence))
    torn = scatter_facts(replace(evidence, disagreement=16.0))
    assert torn[:, 1] - scatter_facts(evidence)[:, 1] == pytest.approx(np.log(2.0))


def test_scatter_never_falls_below_the_floor(evidence: Evidence) -> None:
    sharp = replace(evidence, covariance_deg2=1e-12 * np.eye(2), spread_deg=0.0)
    table = constants()["answer"]
    assert own_sd_deg(sharp)[0] >= table["roll_floor_deg"]
    assert own_sd_deg(sharp)[1] >= table["pitch_floor_deg"]


def test_answer_is_silent_above_the_largest_scatter(monkeypatch: pytest.MonkeyPatch) -> None:
    image = town(WIDE, 2.0, -8.0, seed=3)
    assert measure_orientation(image, WIDE).pitch_deg is not None
    monkeypatch.setitem(constants()["answer"], "most_pitch_sd_deg", 0.05)
    found = measure_orientation(image, WIDE)
    assert found.pitch_deg is None and found.note and "which way is up" in found.note

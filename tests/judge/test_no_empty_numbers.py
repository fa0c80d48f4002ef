"""No sentence says an angle that rounds to nothing with a way to go, nor a nought below nought."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from audit.cli import sentences
from audit.judge.evidence import Comparison
from audit.judge.finding import Verdict
from audit.judge.findings import intended_pose
from audit.measure.measurement import ViewChange
from tests.judge_samples import SITE, good_pair, judged, mast
from ui.parts.numbers import amount, figure, limit_of, with_interval

ROOT = Path(__file__).parents[2]
#: A nought with a minus of either kind, and a nought with a way: "0.0° too low", "0.0° to the right", "in by 0%".
BELOW_NOUGHT = re.compile(r"[-−]0(\.0+)?(?![\d.])")
NO_WAY = re.compile(
    r"(?<![\d.])(?<!± )0(\.0+)?( ?%|°)( too (high|low|far)| to the | up\b| down\b| (counter-)?clockwise)"
    r"|(Looks|Panned|Turned|Tilt (up|down)|Pan (left|right)|Rotate|Rotated|(in|out) by) 0(\.0+)?( ?%|°)"
)
small = st.floats(-0.2, 0.2)
angle = st.one_of(small, st.floats(-25, 25))
spread = st.one_of(st.floats(0.001, 0.05), st.floats(0.05, 9.0))


def check(text: str) -> None:
    assert not BELOW_NOUGHT.search(text), text
    assert not NO_WAY.search(text), text


def said(verdict: Verdict) -> Iterator[str]:
    for finding in verdict.findings:
        yield finding.why
        if finding.remedy is not None:
            yield finding.remedy.action
            yield finding.remedy.field_check or ""
    yield sentences.verdict_sentence(verdict)


@settings(deadline=None)
@given(st.floats(-1e4, 1e4) | small | st.floats(-1e-9, 1e-9), spread, st.sampled_from(["deg", "share", "probability", "px", "px/m", None]))
def test_the_desks_numbers(value: float, sd: float, unit: str | None) -> None:
    for text in (amount(value, unit), with_interval(value, sd, unit), limit_of(abs(value), unit), figure(value, 1, signed=True)):
        check(text)
        assert not re.match(r"\+0(\.0+)?(?![\d.])", text), text


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from([c.camera for c in SITE.cameras]), angle, angle, angle, spread,
    st.floats(-0.05, 0.05) | st.floats(0, 1),
)  # fmt: skip
@example("TH-24", 0.03125, 0.0, 0.0, 0.015625, 0.1875)
def test_what_the_judge_says_of_one_picture(
    name: str, tilt: float, roll: float, pan: float, sd: float, sky: float
) -> None:
    camera = SITE.camera(name)
    held = intended_pose(camera)
    pitch = max(-90.0, min(90.0, held.pitch_deg + tilt))
    day, night = good_pair(camera, pitch=pitch, roll=held.roll_deg + roll, sd=sd, sky=max(0.0, sky))
    for text in said(judged(name, day, night, pointed=mast(camera, day, night, turned_deg=pan))):
        check(text)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([c.camera for c in SITE.cameras]), angle, angle, angle, spread, small)
def test_what_the_judge_says_against_the_reference(
    name: str, pan: float, tilt: float, roll: float, sd: float, zoom: float
) -> None:
    camera = SITE.camera(name)
    day, night = good_pair(camera)
    change = ViewChange(0.99, pan, sd, tilt, sd, roll, sd, 0.98, 0.02, 1.0, 0.0, 0.0, 0.05, "clear")
    change = replace(change, zoom_ratio=1.0 + zoom, zoom_ratio_sd=min(sd, 0.05))
    then = replace(day.measured.orientation, pitch_deg=(day.measured.orientation.pitch_deg or 0.0) - tilt)
    compared = Comparison("reference.jpg", day.photo, False, change)
    for text in said(judged(name, day, night, comparisons=(compared,), reference_orientation=then)):
        check(text)


@given(angle, angle, angle, small, spread)
def test_what_the_commands_say_of_a_pair(pan: float, tilt: float, roll: float, zoom: float, sd: float) -> None:
    line = {
        "error": None, "today": "b.jpg", "reference": "a.jpg", "same_view_probability": 0.99, "pan_change_deg": pan,
        "pitch_change_deg": tilt, "roll_change_deg": roll, "zoom_ratio": 1 + zoom, "zoom_ratio_sd": sd / 100,
        "contrast_ratio": 1.0, "dirt_probability": 0.0, "dirt_cause": "clear",
    }  # fmt: skip
    assert not BELOW_NOUGHT.search(sentences.compare_sentence(line))


@pytest.mark.parametrize("place", ["audit/judge", "audit/cli/sentences.py"])
def test_every_rounded_number_is_written_without_a_sign_of_its_nought(place: str) -> None:
    """``z`` of Python's format specification: a value that rounds to zero loses its minus."""
    at = ROOT / place
    for file in [at] if at.is_file() else sorted(at.glob("*.py")):
        found = re.findall(r":\+?\.\d[f%]\}", file.read_text(encoding="utf-8"))
        assert not found, f"{file.name}: {found[:3]}"

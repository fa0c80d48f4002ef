"""What a device says of itself against the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from audit.judge.device import device_findings
from audit.judge.evidence import DeviceKnown
from audit.judge.finding import Finding
from audit.photos.device import DeviceFacts
from audit.plan.model import Site
from tests.judge_samples import LIMITS, SITE

CAMERA = replace(SITE.camera("TH-18"), serial="SN-18", name="south gate")
AT = datetime(2026, 6, 16, 8, 0, tzinfo=UTC)
RIGHT = DeviceFacts(
    "onvif://192.0.2.18", AT, "SN-18", "maker", "model", "1.0", None, "TH-18 south gate", CAMERA.lens.width_px,
    CAMERA.lens.height_px, "H264", 0.2, 0.3, "CET-1CEST", True,
)  # fmt: skip
PLANNED = Site((CAMERA, replace(CAMERA, camera="TH-07", serial="SN-07")))


def found(**changes: object) -> dict[str, Finding]:
    facts = replace(RIGHT, **changes)  # type: ignore[arg-type]
    return {f.check: f for f in device_findings(CAMERA, facts, PLANNED.owner_of(facts.serial), LIMITS)}


def test_all_as_planned() -> None:
    assert {check: f.state for check, f in found().items()} == dict.fromkeys(("identity", "name", "clock", "stream"), "as planned")
    assert found(serial="sn 18")["identity"].state == "as planned"
    assert device_findings(CAMERA, None, None, LIMITS) == []


def test_what_was_not_told_is_left_out() -> None:
    silent = found(serial=None, name=None, clock_offset_s=None, width_px=None)
    assert silent == {}
    assert "identity" not in {f.check for f in device_findings(replace(CAMERA, serial=""), RIGHT, None, LIMITS)}


def test_another_device_is_a_defect_and_its_owner_is_named() -> None:
    other = found(serial="SN-07")["identity"]
    assert other.state == "defect" and "planned for TH-07" in other.why and other.remedy is not None
    assert "TH-07" in other.remedy.action
    strange = found(serial="SN-99")["identity"]
    assert strange.state == "defect" and strange.remedy is not None and "rating label" in strange.remedy.action


def test_without_a_planned_serial_a_device_that_answers_twice_or_changed_is_looked_at() -> None:
    bare = replace(CAMERA, serial="")

    def identity(known: DeviceKnown) -> list[Finding]:
        return [f for f in device_findings(bare, RIGHT, None, LIMITS, known) if f.check == "identity"]

    (twice,) = identity(DeviceKnown(others=("TH-07",)))
    assert twice.state == "to check" and "device of TH-07 tells the same one" in twice.why and twice.remedy is not None
    (changed,) = identity(DeviceKnown("SN-17", 1))
    assert changed.state == "to check" and "in visit 1 it was serial SN-17" in changed.why
    assert identity(DeviceKnown("sn 18", 1)) == []
    planned = {f.check: f for f in device_findings(CAMERA, RIGHT, "TH-18", LIMITS, DeviceKnown(others=("TH-07",)))}
    assert planned["identity"].state == "as planned", "the other one is at fault"
    other = {f.check: f for f in device_findings(CAMERA, replace(RIGHT, serial="SN-07"), "TH-07", LIMITS, DeviceKnown(others=("TH-07",)))}
    assert other["identity"].state == "defect" and "device of TH-07 tells the same one" in other["identity"].why


def test_another_name_is_to_check() -> None:
    wrong = found(name="CAMERA")["name"]
    assert wrong.state == "to check" and "'TH-18 south gate'" in wrong.why
    assert found(name="South Gate")["name"].state == "as planned"


@pytest.mark.parametrize(
    ("off", "state", "words"),
    [(0.9, "as planned", "right within"), (1.9, "to check", "ahead"), (5.0, "defect", "drifts"), (-5.0, "defect", "behind"),
     (3600.0, "defect", "time zone or summer time"), (3601.0, "defect", "summer time"), (-19800.0, "defect", "time zone"),
     (1000.0, "defect", "drifts"), (-1.78e9, "defect", "never set")],
)  # fmt: skip
def test_the_clock(off: float, state: str, words: str) -> None:
    clock = found(clock_offset_s=off)["clock"]
    assert clock.state == state and words in clock.why and clock.unit == "s" and clock.limit == 2.0
    assert (clock.remedy is None) == (state == "as planned")


def test_another_size_is_to_check() -> None:
    small = found(width_px=640, height_px=360)["stream"]
    assert small.state == "to check" and "640 × 360 px (H264)" in small.why and small.remedy is not None

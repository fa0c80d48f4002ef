"""What a low reading proves depends on what it was seen from."""

from __future__ import annotations

import pytest

from audit.judge.glass import proves_clean
from audit.judge.limits import load_limits

LIMITS = load_limits()


def test_a_turned_camera_can_prove_its_glass_clean() -> None:
    assert proves_clean(0.05, LIMITS, "turned camera")
    assert not proves_clean(0.2, LIMITS, "turned camera"), "read higher than a clean glass usually does"


@pytest.mark.parametrize("seen_from", ["one picture", "one scene", "several scenes"])
def test_nothing_else_can_by_its_measured_curve(seen_from: str) -> None:
    assert not proves_clean(0.05, LIMITS, seen_from)  # type: ignore[arg-type]

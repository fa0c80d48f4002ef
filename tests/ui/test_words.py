"""The catalogue of words, numbers, and text that must not be taken for mark-up."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from audit.judge.finding import CHECKS, STATES
from audit.report.pictures import LAYERS
from audit.report.worklist import SHOTS
from ui.parts import words
from ui.parts.numbers import amount, with_interval
from ui.parts.plain import literal

UI = Path(words.__file__).resolve().parent.parent
USED = re.compile(r'word\(\s*f?"([a-z_]+\.[a-z_]+)"')


def test_every_word_that_is_asked_for_is_in_the_catalogue() -> None:
    asked = {key for path in UI.rglob("*.py") for key in USED.findall(path.read_text(encoding="utf-8"))}
    assert len(asked) > 60
    assert asked <= set(words._catalogue())


@pytest.mark.parametrize(
    ("group", "names"), [("state", STATES), ("check", CHECKS), ("layer", LAYERS), ("role", SHOTS)]
)
def test_every_value_of_the_audit_has_a_word(group: str, names: tuple[str, ...]) -> None:
    assert all(f"{group}.{name.replace(' ', '_')}" in words._catalogue() for name in names)


def test_mark_up_is_taken_apart() -> None:
    assert literal("![x](http://a) $1$ :red[y]") == r"\!\[x\]\(http\:\/\/a\) \$1\$ \:red\[y\]"


def test_numbers_carry_unit_and_interval() -> None:
    assert with_interval(-7.0, 0.5, "deg") == "−7.0° ± 1.0°"
    assert with_interval(0.4, 0.05, "share") == "40 % ± 10 %"
    assert amount(1234.5, "px") == "1 234 px"


def test_texts_on_the_pages_come_from_the_catalogue() -> None:
    spoken = re.compile(r'st\.(?:button|header|subheader|info|warning|error|success|caption|toggle)\("')
    for path in UI.rglob("*.py"):
        assert not spoken.search(path.read_text(encoding="utf-8")), path

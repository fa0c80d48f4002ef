"""The catalogue of words, numbers, and text that must not be taken for mark-up."""

from __future__ import annotations

import ast
import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from audit.account.pictures import LAYERS
from audit.account.worklist import SHOTS
from audit.judge.finding import CHECKS, STATES
from tests.desk_samples import judged_logbook
from ui.parts import words
from ui.parts.numbers import amount, day, figure, minute, with_interval
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


def _spoken(path: Path) -> list[str]:
    """Literals of a file that read like words for a person: two words in a row, or text between an element's tags."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {id(n.body[0].value) for n in ast.walk(tree)
            if isinstance(n, ast.Module | ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and isinstance(n.body[0], ast.Expr)}  # fmt: skip
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            text = re.sub(r"<[^>]*>?|^[^<]*>", " ", node.value)
            if re.search(r"[A-Za-z]{2,},? [A-Za-z]{2,}", text) and node.value not in NO_WORDS:
                found.append(node.value)
    return found


#: Values of the audit and of the browser that are never shown as they are.
NO_WORDS = {*STATES, "bring in", "kept visit", "kept name", "wrong way up", "kept language"}
SCRIPTS = ("focus.py",)


def test_no_words_for_a_person_stand_outside_the_catalogue() -> None:
    found = {p.name: _spoken(p) for p in UI.rglob("*.py") if p.name not in SCRIPTS}
    assert {name: texts for name, texts in found.items() if texts} == {}
    for name in SCRIPTS:
        assert not re.search(r"(?:textContent|innerText|title|ariaLabel) *= *[\"'`]", (UI / "parts" / name).read_text())
    assert not re.search(r"textContent: *[\"'`]", (UI / "parts" / "viewer.js").read_text(encoding="utf-8"))


LABELLED = ("button", "header", "subheader", "info", "warning", "success", "caption", "text_input", "toggle", "checkbox",
            "selectbox", "date_input", "expander", "file_uploader", "download_button", "button_group", "popover")  # fmt: skip


def test_another_language_reaches_every_label(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each page in a made-up language in which every word begins with QQ: what begins without is no word of it."""
    own = words._catalogue()
    foreign = {key: text if key.startswith("numbers.") else f"QQ{text}QQ" for key, text in own.items()}
    monkeypatch.setattr(words, "_catalogue", lambda: foreign)
    judged_logbook(tmp_path, cameras=4).close()
    st.cache_resource.clear()
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(tmp_path / "logbook"))
    desk = AppTest.from_file(str(UI / "app.py"), default_timeout=60)
    desk.session_state["name"] = "Ada"
    desk.run()
    seen = 0
    for name in ("review", "bring_in", "place", "site", "over_time", "checks", "sign", "plan"):
        desk.switch_page(f"desk_pages/{name}.py").run()
        assert not desk.exception, name
        for kind in LABELLED:
            for element in desk.get(kind):
                text = str(getattr(element, "label", None) or getattr(element, "value", None) or element.proto)
                seen += 1
                assert "QQ" in text, (name, kind, text)
    assert seen > 60


def test_numbers_and_days_follow_the_language(monkeypatch: pytest.MonkeyPatch) -> None:
    marks = {"numbers.decimal": ",", "numbers.thousands": ".", "numbers.day": "%d.%m.%Y", "numbers.minute": "%d.%m.%Y %H:%M"}
    monkeypatch.setattr(words, "_catalogue", lambda: marks)
    assert amount(1234.5, "m") == "1.234,50 m"
    assert with_interval(-7.25, 0.5, "deg") == "−7,2° ± 1,0°"
    assert figure(0.5, 2, signed=True) == "+0,50"
    assert day(date(2026, 6, 16)) == "16.06.2026"
    assert minute(datetime(2026, 6, 16, 9, 5, tzinfo=UTC)) == "16.06.2026 09:05 UTC"

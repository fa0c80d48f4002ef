"""Who may do what on a shared server: roles by sign-in, and none without a role."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from audit.logbook import Logbook
from audit.people import Person
from tests.desk_samples import judged_logbook
from ui.parts import session

APP = Path(__file__).resolve().parents[2] / "ui" / "app.py"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    judged_logbook(folder, cameras=4, visits=1).close()
    return folder / "logbook"


@pytest.fixture
def desk(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[AppTest]:
    st.cache_resource.clear()
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(folder))
    yield AppTest.from_file(str(APP), default_timeout=60)


def signed_in_as(role: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    who = None if role is None else Person("https://id.example.org", "24400320", "Ada Example", role)
    monkeypatch.setattr(session, "_sign_in_is_set_up", lambda: True)
    monkeypatch.setattr(session, "person", lambda: who)


def keys(desk: AppTest) -> set[str]:
    return {str(b.key) for b in desk.button}


def test_no_logbook_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PHOTO_AUDIT_LOGBOOK", raising=False)
    desk = AppTest.from_file(str(APP), default_timeout=60).run()
    assert "photo-audit open LOGBOOK" in desk.error[0].value and not desk.exception


def test_without_sign_in_a_name_is_asked_for(desk: AppTest, folder: Path) -> None:
    desk.run()
    assert not desk.exception
    assert {"confirm", "dismiss", "tolerate", "accept_all"} <= keys(desk)
    desk.button(key="confirm").click().run()
    assert any("Enter your name" in w.value for w in desk.warning)
    with Logbook.open(str(folder)) as book:
        assert book.decisions(1) == ()


@pytest.mark.parametrize(
    ("role", "decides", "signs"), [("reader", False, False), ("crew", False, False), ("reviewer", True, False), ("signer", True, True)]
)
def test_roles(desk: AppTest, monkeypatch: pytest.MonkeyPatch, role: str, decides: bool, signs: bool) -> None:
    signed_in_as(role, monkeypatch)
    desk.run()
    assert not desk.exception
    assert ("confirm" in keys(desk)) == decides
    desk.switch_page("desk_pages/sign.py").run()
    assert not desk.exception
    assert any(b.label.startswith("Sign off as") for b in desk.button) == signs


def test_reader_brings_nothing_in(desk: AppTest, monkeypatch: pytest.MonkeyPatch) -> None:
    signed_in_as("reader", monkeypatch)
    desk.run()
    desk.switch_page("desk_pages/bring_in.py").run()
    assert not any(b.label == "Start" for b in desk.button)
    assert "not change anything" in desk.info[0].value


def test_a_decision_carries_who_and_when(desk: AppTest, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    signed_in_as("reviewer", monkeypatch)
    desk.run()
    desk.button(key="confirm").click().run()
    with Logbook.open(str(folder)) as book:
        decision = book.decisions(1)[-1]
    assert (decision.by, decision.check, decision.decision) == ("Ada Example <https://id.example.org 24400320>", "aim", "confirm")
    assert decision.at.tzinfo is not None

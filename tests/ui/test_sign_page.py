"""Signing on the desk: wrong passphrase, a record that was changed, two reviewers at once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from audit.account.unproven import left_open, unproven
from audit.logbook import Logbook
from tests.desk_samples import judged_logbook

APP = Path(__file__).resolve().parents[2] / "ui" / "app.py"


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[AppTest]:
    st.cache_resource.clear()
    judged_logbook(tmp_path, cameras=4, visits=1).close()
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(tmp_path / "logbook"))
    yield opened("sign")


def opened(page: str) -> AppTest:
    desk = AppTest.from_file(str(APP), default_timeout=60)
    desk.session_state["name"] = "Ada Example"
    desk.run()
    return desk.switch_page(f"desk_pages/{page}.py").run()


def sign(desk: AppTest, passphrase: str) -> AppTest:
    desk.text_input(key="passphrase").input(passphrase)
    for tick in desk.checkbox:
        if (tick.key or "").startswith("unproven-"):
            tick.check()
    return next(b for b in desk.button if b.label.startswith("Sign off as")).click().run()


def said(desk: AppTest) -> str:
    assert not desk.exception
    return " ".join(e.value.replace("\\", "") for e in (*desk.error, *desk.warning, *desk.success))


def test_a_wrong_passphrase_signs_nothing(desk: AppTest, tmp_path: Path) -> None:
    assert "Signed by Ada Example" in said(sign(desk, "the right passphrase"))
    with Logbook.open(str(tmp_path / "logbook")) as book:
        book.open_visit("maintenance", book.visit().on.replace(year=2027))
    second = opened("sign")
    text = said(sign(second, "the wrong passphrase"))
    assert "passphrase" in text and "Signed by" not in text
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert book.visit(2).signed_at is None
    assert "Signed by Ada Example" in said(sign(second, "the right passphrase"))


def test_nothing_is_signed_without_a_passphrase(
    desk: AppTest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the server's environment holds one: a click alone must not sign."""
    monkeypatch.setenv("PHOTO_AUDIT_PASSPHRASE", "the right passphrase")
    assert "Type the key's passphrase" in said(sign(desk, ""))
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert book.visit(1).signed_at is None


def test_a_name_in_the_address_signs_nothing(desk: AppTest, tmp_path: Path) -> None:
    """Who opens a made-up address is asked who they are, and no button that signs is there for a click."""
    stranger = AppTest.from_file(str(APP), default_timeout=60)
    for said_ in ("name", "by", "user", "passphrase", "who"):
        stranger.query_params[said_] = "Ada Example"
    stranger.run()
    stranger.switch_page("desk_pages/sign.py").run()
    assert not stranger.exception
    assert "name" not in stranger.session_state or not stranger.session_state["name"]
    assert not [b for b in stranger.button if b.label.startswith("Sign off as") and not b.disabled]
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert book.visit(1).signed_at is None


def test_a_wrong_passphrase_writes_no_package(desk: AppTest) -> None:
    sign(desk, "the right passphrase")
    desk.text_input(key="passphrase").input("the wrong passphrase").run()
    desk.button(key="handover").click().run()
    assert "passphrase" in said(desk) and "package" not in desk.session_state


def test_one_changed_byte_is_named(desk: AppTest, tmp_path: Path) -> None:
    sign(desk, "the right passphrase")
    desk.button(key="verify").click().run()
    assert "Nothing changed" in said(desk)
    path = tmp_path / "logbook" / "logbook.sqlite"
    with sqlite3.connect(path) as database:
        changed = database.execute(
            "UPDATE verdicts SET body = replace(body, 'Looks 8.0', 'Looks 2.0') WHERE camera = 'C-1'"
        ).rowcount
    assert changed == 1
    desk.button(key="verify").click().run()
    text = said(desk)
    assert "C-1" in text and "Nothing changed" not in text


def test_two_reviewers_on_one_camera(desk: AppTest, tmp_path: Path) -> None:
    ada, ben = opened("review"), opened("review")
    ben.session_state["name"] = "Ben Example"
    ben.run()
    ada.button(key="confirm").click().run()
    ben.button(key="confirm").click().run()
    assert "Ada Example decided 'confirm'" in said(ben)
    ada.button(key="choose-aim").click().run()
    ada.button(key="dismiss").click().run()
    ben.button(key="tolerate").click().run()
    ben.text_input(key="why-1-C-1-aim").input("agreed with Ada")
    next(b for b in ben.button if b.label == "Save").click().run()
    ada.text_input(key="why-1-C-1-aim").input("measured again on site")
    next(b for b in ada.button if b.label == "Save").click().run()
    assert "Ben Example decided 'tolerate'" in said(ada)
    assert ada.text_input(key="why-1-C-1-aim").value == "measured again on site", "the reason that was typed stays"
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert [(d.by, d.decision) for d in book.decisions(1, "C-1")] == [("Ada Example", "confirm"), ("Ben Example", "tolerate")]


def test_signing_with_checks_left_open_needs_one_deliberate_tick(desk: AppTest, tmp_path: Path) -> None:
    """The list stands before the button; a reason for all of a kind, a day for one, and a tick for what is left."""
    with Logbook.open(str(tmp_path / "logbook")) as book:
        items = unproven(book, book.visit(1))
    assert any("Not verified" in s.value and str(len(items)) in s.value for s in desk.subheader)
    desk.text_input(key="passphrase").input("the right passphrase")
    next(b for b in desk.button if b.label.startswith("Sign off as")).click().run()
    assert f"{len(items)} checks are not verified and left open" in said(desk) and "Signed by" not in said(desk)
    wanted = next(o for o in desk.selectbox(key="settle_what").options if o.startswith("all:"))
    desk.selectbox(key="settle_what").select(wanted)
    next(b for b in desk.button if b.label == "Record").click().run()
    assert "Write why" in said(desk)
    desk.selectbox(key="settle_what").select(wanted)
    desk.text_input(key="settle_why").input("agreed with the owner")
    next(b for b in desk.button if b.label == "Record").click().run()
    with Logbook.open(str(tmp_path / "logbook")) as book:
        left = left_open(unproven(book, book.visit(1)))
        assert len(left) < len(items)
    desk.text_input(key="passphrase").input("the right passphrase")
    if left:
        desk.checkbox(key=f"unproven-1-{len(left)}").check()
    next(b for b in desk.button if b.label.startswith("Sign off as")).click().run()
    assert "Signed by Ada Example" in said(desk)

"""The page of all checks: every camera and check, filtered, as CSV; references with their grounds, chosen with a reason."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from audit.account.checks import check_table, reference_table
from audit.logbook import Logbook
from tests.desk_samples import judged_logbook
from tests.ui.test_sign_page import opened, said


def test_the_table_holds_every_camera_and_check(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, cameras=5, visits=1)
    visit = book.visit(1)
    header, rows = check_table(book, visit)
    verdicts = {v.camera: v for v in book.verdicts(visit)}
    assert [row[0] for row in rows] == list(verdicts)
    for camera, state, *cells in rows:
        found = {f.check: f.state for f in verdicts[camera].findings}
        assert state.endswith(verdicts[camera].state)
        for check, cell in zip(header[2:], cells, strict=True):
            assert cell[2:] == found.get(check, "")  # type: ignore[call-overload]


def test_the_page_filters_and_a_reference_needs_a_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    st.cache_resource.clear()
    book = judged_logbook(tmp_path, cameras=4, visits=1)
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(tmp_path / "logbook"))
    desk: AppTest = opened("checks")
    assert not desk.exception and any("4 of 4 cameras" in c.value for c in desk.caption)
    desk.text_input(key="checks_filter").input("C-1").run()
    assert any("1 of 4 cameras" in c.value for c in desk.caption)
    desk.selectbox(key="reference_camera").select("C-1")
    next(b for b in desk.button if b.label == "Save").click().run()
    assert not desk.exception and ("say why" in said(desk) or "no picture" in said(desk))
    with Logbook.open(str(tmp_path / "logbook")) as again:
        assert again.reference_choices() == ()
    _, rows = reference_table(book, book.visit(1))
    assert {row[1] for row in rows} == {"no reference yet"}
    assert any("aim defect" in row[2] for row in rows)

"""The language is looked for once a run: a page of a large site asks for it tens of thousands of times."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from tests.desk_samples import judged_logbook
from tests.ui.test_sign_page import opened
from ui.parts import words


def test_it_is_looked_for_once_and_follows_the_picker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    st.cache_resource.clear()
    judged_logbook(tmp_path, cameras=6, visits=1).close()
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(tmp_path / "logbook"))
    asked: list[object] = []
    language_of = words.language_of
    monkeypatch.setattr(words, "language_of", lambda wanted: (asked.append(wanted), language_of(wanted))[1])
    desk: AppTest = opened("sign")
    assert not desk.exception and len(asked) <= 6, "twice to open the page, and once for each callback"
    desk.selectbox(key="language").select("de").run()
    assert "Abnahme" in " ".join(s.value for s in desk.subheader)
    desk.selectbox(key="language").select("en").run()
    assert any(s.value.startswith("Sign-off") for s in desk.subheader)

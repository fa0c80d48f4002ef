"""Choosing cameras on the review page, and what changed since the signed visit."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from tests.desk_samples import judged_logbook

APP = Path(__file__).resolve().parents[2] / "ui" / "app.py"


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[AppTest]:
    st.cache_resource.clear()
    judged_logbook(tmp_path).close()
    monkeypatch.setenv("PHOTO_AUDIT_LOGBOOK", str(tmp_path / "logbook"))
    desk = AppTest.from_file(str(APP), default_timeout=60)
    desk.session_state["name"] = "Ada Example"
    yield desk.run()


def here(desk: AppTest) -> str:
    assert not desk.exception
    return str(desk.session_state["camera"])


def test_next_goes_through_what_is_chosen(desk: AppTest) -> None:
    desk.selectbox(key="visit").set_value(1).run()
    desk.text_input(key="only_text").input("place").run()
    seen = [here(desk)]
    for _ in range(4):
        desk.button(key="next").click().run()
        seen.append(here(desk))
    assert sorted(set(seen)) == ["C-1", "C-2", "C-3", "C-6"], "C-4 and C-5 have other names"
    desk.selectbox(key="only_floor").set_value("upper").run()
    assert here(desk) == "C-6"


def test_a_camera_that_is_left_out_is_found_by_its_id(desk: AppTest) -> None:
    desk.text_input(key="only_text").input("SN0002").run()
    assert here(desk) == "C-2"
    desk.text_input(key="go_to").input("c-5").run()
    assert here(desk) == "C-5" and desk.text_input(key="only_text").value == ""
    desk.text_input(key="go_to").input("C-99").run()
    assert here(desk) == "C-5" and "C-99" in desk.warning[0].value.replace("\\", "")


def test_nothing_fits(desk: AppTest) -> None:
    desk.text_input(key="only_text").input("nowhere").run()
    assert not desk.exception and "No camera fits" in desk.info[0].value
    desk.button(key="show_all").click().run()
    assert not desk.info and here(desk) in {f"C-{n}" for n in range(1, 7)}
    assert any(b.key == "next" for b in desk.button)


def test_what_changed_since_the_signed_visit(desk: AppTest) -> None:
    desk.switch_page("desk_pages/over_time.py").run()
    assert not desk.exception
    assert any("Changed since visit 1" in e.label and e.label.endswith("3 of the cameras") for e in desk.expander)


def test_a_camera_with_a_signed_reference_is_shown_over_time(desk: AppTest) -> None:
    desk.session_state["camera"] = "C-5"
    desk.switch_page("desk_pages/over_time.py").run()
    assert not desk.exception
    assert "Cleaning date" in "".join(e.proto.body for e in desk.get("html"))

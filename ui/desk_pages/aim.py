"""Aim: one camera's fresh picture against the plan, about once a second, for a phone held in one hand."""

from __future__ import annotations

import html
import os
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime

import streamlit as st

from audit.aiming import Aiming, AimView
from audit.desk import CAMERAS_VARIABLE, CREDENTIALS_VARIABLE
from audit.errors import AuditError
from audit.judge.remedies import cautions_of
from audit.logbook import Logbook
from audit.visit.aim import AimJob
from ui.parts.aiming import lines_html, sharpness_html
from ui.parts.phones import let_a_phone_in
from ui.parts.plain import literal, paragraph, show_notice
from ui.parts.point_picture import tappable
from ui.parts.session import addresses, logbook, may, paired, role
from ui.parts.viewer import data_url
from ui.parts.words import said, word

#: Each keeps a process and asks a camera once a second.
_AT_ONCE = 4
#: A password that a camera has not taken this often is not tried again: accounts lock (our default).
_WRONG_PASSWORDS = 2


@dataclass
class _Aims:
    """What is being aimed on this server, by camera, and the passwords that were not taken."""

    by_camera: dict[str, Aiming] = field(default_factory=dict)
    wrong: Counter[str] = field(default_factory=Counter)

    @property
    def alive(self) -> int:
        return sum(aim.alive for aim in self.by_camera.values())


@st.cache_resource(show_spinner=False)
def _aims() -> _Aims:
    return _Aims()


def _visit_to_keep_in(book: Logbook) -> tuple[str, str]:
    """Kind and day of the visit into which a picture is kept: the latest while it is open, else today's next."""
    phone = paired()
    if phone is not None:
        return phone.host.kind, phone.host.on
    visits = book.visits()
    if visits and visits[-1].signed_at is None:
        return visits[-1].kind, visits[-1].on.isoformat()
    return "maintenance" if visits else "commissioning", datetime.now(UTC).astimezone().date().isoformat()


def _start(camera: str) -> None:
    aims = _aims()
    if not may("bring in"):
        return
    if aims.wrong[camera] >= _WRONG_PASSWORDS:
        st.session_state["notice"] = word("aim.locked", camera=camera)
        return
    if aims.alive >= _AT_ONCE:
        st.session_state["notice"] = word("aim.busy", n=aims.alive)
        return
    kind, on = _visit_to_keep_in(logbook())
    tables = os.environ.get(CAMERAS_VARIABLE), os.environ.get(CREDENTIALS_VARIABLE)
    aim = Aiming(AimJob(*addresses(), camera, *tables, kind, on))
    try:
        aim.start()
    except AuditError as error:
        st.session_state["notice"] = error.message
        return
    aims.by_camera[camera] = aim


def _ended(camera: str) -> None:
    """Say why it ended, once, and count passwords that were not taken."""
    aim = _aims().by_camera.pop(camera, None)
    if aim is None or aim.problem is None:
        return
    if aim.password_refused:
        _aims().wrong[camera] += 1
    st.session_state["notice"] = aim.problem


@st.fragment(run_every=1.0)
def _live(camera: str) -> None:
    aim = _aims().by_camera.get(camera)
    if aim is None or not aim.alive:
        _ended(camera)
        st.rerun()
        return
    view = aim.look()
    if aim.silent is not None:
        st.warning(literal(word("aim.silent", why=said(aim.silent))))
    if view is None:
        paragraph(word("aim.waiting"), "strong")
    else:
        _show(camera, aim, view)
    st.button(word("aim.stop"), key="aim-stop", on_click=aim.stop)


def _show(camera: str, aim: Aiming, view: AimView) -> None:
    st.html(lines_html(view))
    if view.target:
        paragraph(said(view.target), "strong")
    if aim.notice:
        st.info(literal(said(aim.notice)))
    _tap(camera, aim, view)
    st.html(sharpness_html(view))
    if aim.keeping:
        paragraph(word("aim.keeping"), "strong")
    else:
        st.button(word("aim.keep"), key="aim-keep", type="primary", on_click=aim.keep)
        st.button(word("aim.keep_turned"), key="aim-keep-turned", on_click=aim.keep, args=("turned",))
        paragraph(word("aim.why_turned"), "faint")
    paragraph(word("aim.took", took=f"{view.took_s:.1f}"), "faint")


def _tap(camera: str, aim: Aiming, view: AimView) -> None:
    """The picture; what is tapped in it shows where the camera is panned to."""
    landmark = ""
    if view.landmarks:
        landmark = st.selectbox(word("aim.tap_what"), view.landmarks, key=f"aim-landmark-{camera}")
    answer = tappable(
        data={
            "src": data_url(view.jpeg),
            "alt": word("aim.picture", camera=camera),
            "aspect": f"{view.width_px} / {view.height_px}",
            "of": str(view.number),
            "mark": None,
            "region": None,
            "label": word("aim.tap", landmark=landmark, camera=camera),
            "enabled": bool(landmark),
        },
        key=f"aim-picture-{camera}",
        on_at_change=lambda: None,
    )
    at = answer.get("at")
    if at is not None and landmark:
        aim.point(int(at[2]), landmark, (float(at[0]), float(at[1])))


def page() -> None:
    """Choose the camera, start, look."""
    st.header(word("aim.title"))
    if not may("bring in"):
        st.info(word("desk.not_your_role", role=role() or ""))
        return
    site = logbook().site()
    names = sorted(camera.camera for camera in site.cameras)
    here = st.session_state.get("camera") or st.query_params.get("camera")
    camera = st.selectbox(word("aim.camera"), names, index=names.index(here) if here in names else 0, width=320)
    st.session_state["camera"] = camera
    show_notice()
    aim = _aims().by_camera.get(camera)
    if aim is not None and aim.alive:
        _live(camera)
    else:
        _ended(camera)
        show_notice()
        st.button(word("aim.start"), key="aim-start", type="primary", on_click=_start, args=(camera,))
    paragraph(word("aim.read_only"), "faint")
    cautions = "".join(f"<li>{text}</li>" for text in map(html.escape, cautions_of(site.camera(camera))))
    if paired() is None:
        let_a_phone_in(*_visit_to_keep_in(logbook()))
    st.html(f'<div class="cautions"><strong>{html.escape(word("aim.cautions"))}</strong><ul>{cautions}</ul></div>')


page()

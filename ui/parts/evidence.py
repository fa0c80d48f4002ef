"""A camera's pictures with what was seen in them; drawn once and kept."""

from __future__ import annotations

from typing import cast

import streamlit as st

from audit.judge.finding import Finding
from audit.logbook import Logbook
from audit.report import pictures
from audit.report.case import Case, Shot, evidence_of, pose_held_to, preview_of
from ui.parts.session import logbook

__all__ = ["drawn", "preview", "remedied"]

_SIDE_PX = 960


@st.cache_data(max_entries=400, show_spinner=False)
def preview(sha256: str) -> bytes:
    """A kept picture at screen size, as JPEG."""
    picture = pictures.decode_picture(preview_of(logbook(), sha256), _SIDE_PX)
    return pictures.encode_jpeg(picture)


@st.cache_data(
    max_entries=200, show_spinner=False, hash_funcs={Case: lambda c: c.camera.camera, Shot: lambda s: s.photo.sha256}
)
def _drawn(case: Case, shot: Shot, layers: tuple[str, ...], visit: int) -> bytes:
    book: Logbook = logbook()
    picture = pictures.decode_picture(preview_of(book, shot.photo.sha256), _SIDE_PX)
    _, change = evidence_of(book, case, shot)
    patches = change.patches if change is not None else ()
    wanted = cast("tuple[pictures.Layer, ...]", layers)
    return pictures.encode_jpeg(
        pictures.evidence_picture(picture, case.camera, pose_held_to(case.camera), shot.measured, patches, wanted)
    )


def drawn(case: Case, shot: Shot, layers: tuple[str, ...], visit: int) -> bytes:
    """The snapshot with the chosen layers drawn over it, as JPEG."""
    return _drawn(case, shot, layers, visit)


def remedied(case: Case, shot: Shot, finding: Finding) -> bytes | None:
    """The picture as it will be after the remedy; None where the remedy is no turn."""
    remedy = finding.remedy
    if remedy is None or not any((remedy.turn_deg, remedy.tip_deg, remedy.roll_deg)):
        return None
    held = pose_held_to(case.camera)
    orientation = shot.measured.orientation if shot.measured is not None else None
    pitch = orientation.pitch_deg if orientation is not None and orientation.pitch_deg is not None else held.pitch_deg
    roll = orientation.roll_deg if orientation is not None and orientation.roll_deg is not None else held.roll_deg
    picture = pictures.decode_picture(preview_of(logbook(), shot.photo.sha256), _SIDE_PX)
    lens = case.camera.lens
    turn, tip, twist = remedy.turn_deg or 0.0, remedy.tip_deg or 0.0, remedy.roll_deg or 0.0
    return pictures.encode_jpeg(pictures.remedy_preview(picture, lens, turn, tip, twist, pitch, roll))

"""A camera's pictures with what was seen in them; drawn once and kept."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import cast

import streamlit as st

from audit.account import pictures
from audit.account.case import Case, Shot, Turn, marks_in, preview_of, turned_by
from audit.judge.finding import Finding
from audit.judge.intended import intended_pose
from audit.plan.model import Camera
from ui.parts.session import logbook
from ui.parts.viewer import data_url
from ui.parts.words import word

__all__ = ["drawn", "preview", "remedied", "thumb", "thumbnails"]

_SIDE_PX = 960
_FINE_SIDE_PX = 1920
_THUMB_PX = 240


@st.cache_data(max_entries=300, show_spinner=False)
def preview(sha256: str, side_px: int = _SIDE_PX) -> bytes:
    """A kept picture at screen size, as JPEG."""
    book = logbook()
    data = book.image(sha256) if side_px > _SIDE_PX else preview_of(book, sha256)
    return pictures.encode_jpeg(pictures.decode_picture(data, side_px))


@st.cache_data(max_entries=2000, show_spinner=False)
def thumb(sha256: str) -> bytes:
    """A kept picture small enough for a row of many, as JPEG."""
    return pictures.encode_jpeg(pictures.decode_picture(preview_of(logbook(), sha256), _THUMB_PX), 80)


@st.cache_data(
    max_entries=100,
    show_spinner=False,
    hash_funcs={
        Case: lambda case: repr(case.camera),
        Shot: lambda shot: (shot.photo.sha256, repr(shot.measured)[:400]),
    },
)
def _drawn(
    case: Case, shot: Shot, layers: tuple[str, ...], visit: int, fine: bool, marks: tuple[tuple[float, float], ...]
) -> bytes:
    book = logbook()
    side = _FINE_SIDE_PX if fine else _SIDE_PX
    data = book.image(shot.photo.sha256) if fine else preview_of(book, shot.photo.sha256)
    picture = pictures.decode_picture(data, side)
    _, change = case.compared(shot)
    patches = change.patches if change is not None else ()
    drawing = pictures.Drawing(cast("tuple[pictures.Layer, ...]", layers), patches, marks)
    return pictures.encode_jpeg(
        pictures.evidence_picture(picture, case.camera, intended_pose(case.camera).pose, shot.measured, drawing)
    )


def drawn(case: Case, shot: Shot, layers: tuple[str, ...], visit: int, fine: bool = False) -> bytes:
    """The snapshot with the chosen layers drawn over it, as JPEG; ``fine`` from the original."""
    return _drawn(case, shot, layers, visit, fine, marks_in(case, shot.photo))


def remedied(case: Case, shot: Shot, finding: Finding) -> bytes | None:
    """The picture as it will be after the remedy; None where the remedy is no turn."""
    turn = turned_by(case, shot, finding)
    return None if turn is None else _remedied(shot.photo.sha256, case.camera, turn)


@st.cache_data(max_entries=60, show_spinner=False, hash_funcs={Camera: repr})
def _remedied(sha256: str, camera: Camera, turn: Turn) -> bytes:
    picture = pictures.decode_picture(preview_of(logbook(), sha256), _SIDE_PX * 3 // 4)
    return pictures.encode_jpeg(pictures.remedy_preview(picture, camera.lens, turn))


def thumbnails(photos: Sequence[tuple[str, str, str]]) -> None:
    """Small pictures in cells of one size: (sha256, name, role or nothing) each; the whole name is the picture's text."""
    cells = "".join(
        f'<figure title="{html.escape(name)}"><img src="{data_url(thumb(sha256))}" alt="{html.escape(f"{role} {name}")}">'
        f"<figcaption>{html.escape(f'{role}: ' if role else '')}{html.escape(PurePosixPath(name).name)}</figcaption></figure>"
        for sha256, name, role in photos
    )
    st.html(f'<div class="thumbs" role="group" aria-label="{html.escape(word("review.photos"))}">{cells}</div>')

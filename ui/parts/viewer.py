"""Pictures side by side under one zoom, or one over the other with a line to draw across."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import streamlit as st

from ui.parts.words import word

__all__ = ["Ahead", "Picture", "data_url", "send_ahead", "show_beside", "show_one", "show_wiped"]

_HERE = Path(__file__).parent
#: Pictures that a browser keeps for the cameras to come; ``viewer.js`` keeps as many.
_KEPT_AHEAD = 12
_AHEAD = "sent_ahead"
_viewer = st.components.v2.component(
    "photo_audit_viewer",
    html='<div class="viewer"></div>',
    css=(_HERE / "viewer.css").read_text(encoding="utf-8"),
    js=(_HERE / "viewer.js").read_text(encoding="utf-8"),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG with what stands under it and what a screen reader says of it."""

    jpeg: bytes
    caption: str
    alt: str

    @property
    def token(self) -> str:
        """What the browser knows the picture by."""
        return hashlib.sha256(self.jpeg).hexdigest()[:24]


def data_url(jpeg: bytes) -> str:
    """A JPEG as an address that a page can hold."""
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"


def show_beside(pictures: Sequence[Picture], width_px: int, height_px: int, of: str, key: str) -> None:
    """One or two pictures in frames of one shape; zoom and place move both.

    Parameters
    ----------
    width_px, height_px : int
        Shape of the frames: the room is kept before a picture is there.
    of : str
        What is shown; zoom starts anew where it changes.
    """
    _show(pictures, (width_px, height_px), of, key, "zoom")


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is likely to be shown next: pictures, the shape of their frames, and what :func:`show_beside` will call them."""

    pictures: Sequence[Picture]
    shape: tuple[int, int]
    of: str


def send_ahead(ahead: Ahead | None, keys: Sequence[str], key: str) -> None:
    """Give the browser pictures that are likely to be shown next, so that they need not travel then.

    Parameters
    ----------
    ahead : Ahead or None
        None: nothing comes after.
    keys : sequence of str
        Keys that go on: pressed, they show these pictures at once, and the page follows; what it shows instead, where it
        stays, counts.
    """
    sent = _sent()
    fresh = {} if ahead is None else {p.token: p for p in ahead.pictures if p.token not in sent}
    sent.extend(fresh)
    del sent[:-_KEPT_AHEAD]
    runs = st.session_state["viewer_runs"] = st.session_state.get("viewer_runs", 0) + 1  # else the browser wouldn't hear of a page that stayed
    data = {
        "ahead": [{"token": token, "src": data_url(p.jpeg)} for token, p in fresh.items()],
        "next": None if ahead is None else _data(ahead.pictures, ahead.shape, ahead.of, "zoom"),
        "keys": list(keys),
        "run": runs,
    }
    _viewer(data=data, key=key)


def _sent() -> list[str]:
    """Tokens of the pictures that this page's browser keeps, the oldest first."""
    tokens: list[str] = st.session_state.setdefault(_AHEAD, [])
    return tokens


def show_one(picture: Picture, width_px: int, height_px: int, key: str) -> None:
    """One picture in a frame of fixed shape."""
    _show((picture,), (width_px, height_px), key, key)


def show_wiped(reference: Picture, today: Picture, width_px: int, height_px: int, of: str, key: str) -> None:
    """The reference left of a line, today's picture right of it; a slider moves the line."""
    _show((reference, today), (width_px, height_px), of, key, "wipe")


def _show(
    pictures: Sequence[Picture], shape: tuple[int, int], of: str, key: str, hand: Literal["zoom", "wipe"] | None = None
) -> None:
    """Pictures in frames of a (width, height), and what a hand can do with them."""
    answer = _viewer(data=_data(pictures, shape, of, hand), key=key, on_lost_change=lambda: None)
    if answer.get("lost"):
        _sent().clear()
        st.rerun()


def _data(pictures: Sequence[Picture], shape: tuple[int, int], of: str, hand: Literal["zoom", "wipe"] | None) -> dict[str, Any]:
    sent = _sent()
    return {
        "pictures": [
            {"token": p.token, "src": None if p.token in sent else data_url(p.jpeg), "caption": p.caption, "alt": p.alt} for p in pictures
        ],
        "aspect": f"{shape[0]} / {shape[1]}",
        "of": of,
        "zoom": hand == "zoom",
        "wipe": hand == "wipe",
        "words": {name: word(f"viewer.{name}") for name in ("zoom", "wipe", "keys")},
    }

"""The site's drawing on a page: zoomed and moved by touch, mouse or keys; a camera is chosen by a click or a key."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from ui.parts.words import word

__all__ = ["show_drawing"]

_HERE = Path(__file__).parent
_drawing = st.components.v2.component(
    "photo_audit_drawing",
    html='<div class="drawing"></div>',
    css=(_HERE / "drawing.css").read_text(encoding="utf-8"),
    js=(_HERE / "drawing.js").read_text(encoding="utf-8"),
)


def show_drawing(svg: str, key: str) -> str | None:
    """Show a drawing whose parts carry ``data-camera``; the camera that was just chosen, or None."""
    words = {name: word(f"site.{name}") for name in ("keys", "nearer", "farther", "whole")}
    chosen = _drawing(data={"svg": svg, "words": words}, key=key, on_camera_change=lambda: None)
    camera = chosen.get("camera")
    return None if camera is None else str(camera)

"""The site's drawing on a page: a camera is chosen by a click or by the keyboard."""

from __future__ import annotations

import streamlit as st

__all__ = ["show_drawing"]

_CSS = """
.drawing {min-height: 24rem; overflow-x: auto;}
.drawing svg {width: 100%; min-width: 52rem; height: auto; max-height: max(78vh, 28rem); display: block; font-family: var(--st-font, sans-serif); background: #fbfbfb; border: 1px solid #d5d5da; border-radius: .3rem;}
.drawing g[data-camera] {cursor: pointer;}
.drawing g[data-camera]:focus-visible {outline: 3px solid #0072b2; outline-offset: 2px;}
"""
_JS = """
export default function ({ parentElement, data, setTriggerValue }) {
  const place = parentElement.querySelector(".drawing");
  if (place.shown === data.svg) return;
  place.shown = data.svg;
  place.innerHTML = data.svg;
  const chosen = (event) => event.target.closest("[data-camera]")?.dataset.camera;
  place.onclick = (event) => { const camera = chosen(event); if (camera) setTriggerValue("camera", camera); };
  place.onkeydown = (event) => {
    const camera = chosen(event);
    if (!camera || (event.key !== "Enter" && event.key !== " ")) return;
    event.preventDefault();
    event.stopPropagation();
    setTriggerValue("camera", camera);
  };
}
"""
_drawing = st.components.v2.component("photo_audit_drawing", html='<div class="drawing"></div>', css=_CSS, js=_JS)


def show_drawing(svg: str, key: str) -> str | None:
    """Show a drawing whose parts carry ``data-camera``; the camera that was just chosen, or None."""
    chosen = _drawing(data={"svg": svg}, key=key, on_camera_change=lambda: None)
    camera = chosen.get("camera")
    return None if camera is None else str(camera)

"""A picture on which one place is pointed out: by a click, by dragging the cross, or by the arrow keys and Enter."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from ui.parts.viewer import data_url

__all__ = ["ToPoint", "point_in", "tappable"]

_HERE = Path(__file__).parent
#: Answers ``at``: column and row as shares of the picture, and which picture it was.
tappable = st.components.v2.component(
    "photo_audit_pointing",
    html='<div class="point"></div>',
    css=(_HERE / "pointing.css").read_text(encoding="utf-8"),
    js=(_HERE / "pointing.js").read_text(encoding="utf-8"),
)


@dataclass(frozen=True, slots=True)
class ToPoint:
    """The picture and what stands on it; places in 0..1 of its width and height.

    Attributes
    ----------
    of : str
        What is shown; the cross starts anew where it changes.
    mark, region : (x, y), (half width, half height) or None
        Where the cross starts, and the area drawn around it.
    label : str
        What a screen reader says.
    """

    jpeg: bytes
    alt: str
    width_px: int
    height_px: int
    of: str
    label: str
    mark: tuple[float, float] | None = None
    region: tuple[float, float] | None = None

    def pixel(self, share: tuple[float, float]) -> tuple[float, float]:
        """A place of the picture in pixels of its full size."""
        return share[0] * self.width_px - 0.5, share[1] * self.height_px - 0.5


def point_in(picture: ToPoint, key: str, *, enabled: bool = True) -> tuple[float, float] | None:
    """Shows it; the place that was pointed out just now, in pixels of the full size."""
    answer = tappable(
        data={
            "src": data_url(picture.jpeg),
            "alt": picture.alt,
            "aspect": f"{picture.width_px} / {picture.height_px}",
            "of": picture.of,
            "mark": picture.mark,
            "region": picture.region,
            "label": picture.label,
            "enabled": enabled,
        },
        key=key,
        on_at_change=lambda: None,
    )
    at = answer.get("at") if enabled else None
    return None if at is None else picture.pixel((float(at[0]), float(at[1])))

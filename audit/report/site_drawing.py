"""The site as a drawing in the package: on the report's first pages, and as files of its own."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

from audit.account.case import Case
from audit.account.drawing import seen_of, site_svg, size_of
from audit.judge.finding import STATE_MARKS
from audit.plan.model import Site
from audit.report.document import Document

__all__ = ["show_site_drawings", "write_site_drawings"]

#: Height that a drawing may take on a page, so that counts and drawing share the first one.
_HIGH_MM = 112.0
_CAPTION_MM = 9.0
_WORDS = {"title": "Site drawing", "north": "N", "camera": "{camera} {name}: {state}"}
_TO_ROUND = 50


def show_site_drawings(document: Document, site: Site, found: Sequence[Case]) -> None:
    """A drawing of each floor with its scale and what the lines and shapes mean."""
    for floor in site.floors:
        svg = _svg(site, found, floor, paper=True)
        size = size_of(site, floor)
        wide_mm = min(document.inner_mm, _HIGH_MM * size.width_px / size.height_px)
        high_mm = wide_mm * size.height_px / size.width_px
        if document.room_mm() < high_mm + _CAPTION_MM + 12:
            document.add_page()
        document.heading("Site drawing" + (f", {floor}" if floor else ""), 2)
        top = float(document.get_y())
        document.image(BytesIO(svg.encode()), x=document.l_margin, y=top, w=wide_mm, h=high_mm, alt_text=_said(found))
        document.set_y(top + high_mm + 1)
        scale = round(size.width_m * 1000 / wide_mm / _TO_ROUND) * _TO_ROUND
        marks = ", ".join(f"{mark} {state}" for state, mark in STATE_MARKS.items())
        document.sentence(
            f"About 1 : {max(scale, _TO_ROUND)}. {marks}. Dashed: direction as planned; filled: as measured; bar: where the "
            "picture's lower edge meets the ground.", grey=True,
        )  # fmt: skip


def write_site_drawings(site: Site, found: Sequence[Case], folder: Path) -> None:
    """``site_drawing.svg``, or one numbered file a floor."""
    for number, floor in enumerate(site.floors, 1):
        name = "site_drawing.svg" if len(site.floors) == 1 else f"site_drawing_{number}.svg"
        (folder / name).write_text(_svg(site, found, floor, paper=False), encoding="utf-8")


def _svg(site: Site, found: Sequence[Case], floor: str, paper: bool) -> str:
    verdicts = [case.verdict for case in found]
    states = {verdict.camera: verdict.state for verdict in verdicts}
    return site_svg(site, states, seen_of(verdicts), floor, _WORDS, paper)


def _said(found: Sequence[Case]) -> str:
    """The drawing in words, for who can't see it."""
    return "; ".join(f"{case.camera.camera} {case.verdict.state}" for case in found)

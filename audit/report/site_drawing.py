"""The site as a drawing in the package: on the report's first pages, and as files of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

from audit.account.case import Case
from audit.account.drawing import Sheet, seen_of, site_svg, size_of
from audit.account.underlay import underlay_of
from audit.judge.finding import STATE_MARKS
from audit.logbook import DrawingRecord, Logbook, VisitRecord
from audit.plan.model import Site
from audit.report.document import FONT, Document

__all__ = ["show_site_drawings", "write_site_drawings"]

#: Height that a drawing may take on a page, so that counts and drawing share the first one.
_HIGH_MM = 112.0
_CAPTION_MM = 9.0
_WORDS = {"title": "Site drawing", "north": "N", "camera": "{camera} {name}: {state}"}
#: A scale is one of these times a power of ten, so that a rule can be laid on the page.
_SCALES = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)


def show_site_drawings(document: Document, logbook: Logbook, visit: VisitRecord, found: Sequence[Case]) -> None:
    """A drawing of each floor with its scale and what the lines and shapes mean."""
    site, kept = logbook.site(visit), logbook.drawings(visit)
    for floor in site.floors:
        sheet = Sheet(floor, underlay_of(logbook, kept.get(floor)), paper=True)
        svg = _svg(site, found, sheet)
        size = size_of(site, sheet)
        room_mm = min(document.inner_mm, _HIGH_MM * size.width_px / size.height_px)
        scale = _next_scale(size.width_m * 1000 / room_mm)
        wide_mm = size.width_m * 1000 / scale
        high_mm = wide_mm * size.height_px / size.width_px
        if document.room_mm() < high_mm + _CAPTION_MM + 12:
            document.add_page()
        document.heading("Site drawing" + (f", {floor}" if floor else ""), 2)
        top = float(document.get_y())
        svg = svg.replace("<text ", f'<text font-family="{FONT}" ')  # else it would ask for a font that isn't in the file
        document.image(BytesIO(svg.encode()), x=document.l_margin, y=top, w=wide_mm, h=high_mm, alt_text=_said(found))
        document.set_y(top + high_mm + 1)
        marks = ", ".join(f"{mark} {state}" for state, mark in STATE_MARKS.items())
        document.sentence(
            f"Scale 1 : {scale:,.0f} when printed at full size. {marks}. Dashed: direction as planned; filled: as measured; bar: "
            "where the picture's lower edge meets the ground; grey: ground below it that the camera can't see; ×: target; □: landmark.",
            grey=True,
        )
        if floor in kept:
            document.sentence(_placed_words(kept[floor]), grey=True)


def _next_scale(at_least: float) -> float:
    """The next round scale at which the drawing still fits."""
    whole = 10.0 ** math.floor(math.log10(at_least))
    return next(step * whole for step in (*_SCALES, 10.0) if step * whole >= at_least * (1 - 1e-9))


def _placed_words(record: DrawingRecord) -> str:
    """Which drawing lies under the cameras, and how well."""
    assert record.drawing is not None
    placed = record.drawing.placed
    if placed.how == "georeference":
        return f"Under the cameras: {record.name}, placed by its own coordinates ({placed.grid})."
    off = placed.residual_note if placed.residual_m is None else f"they lie {placed.residual_m:.2f} m off on average"
    return f"Under the cameras: {record.name}, placed by {len(placed.points)} known points; {off}."


def write_site_drawings(logbook: Logbook, visit: VisitRecord, found: Sequence[Case], folder: Path) -> None:
    """``site_drawing.svg``, or one numbered file a floor."""
    site, kept = logbook.site(visit), logbook.drawings(visit)
    for number, floor in enumerate(site.floors, 1):
        name = "site_drawing.svg" if len(site.floors) == 1 else f"site_drawing_{number}.svg"
        sheet = Sheet(floor, underlay_of(logbook, kept.get(floor)))
        (folder / name).write_text(_svg(site, found, sheet), encoding="utf-8")


def _svg(site: Site, found: Sequence[Case], sheet: Sheet) -> str:
    verdicts = [case.verdict for case in found]
    states = {verdict.camera: verdict.state for verdict in verdicts}
    return site_svg(site, states, seen_of(verdicts), sheet, _WORDS)


def _said(found: Sequence[Case]) -> str:
    """The drawing in words, for who can't see it."""
    return "; ".join(f"{case.camera.camera} {case.verdict.state}" for case in found)

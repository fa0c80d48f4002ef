"""The cameras as they were built as a DXF (in metres of the plan): to be laid over the site's own drawing.

A block ``CAMERA`` at each camera looks along its x axis and carries the plan's columns as attributes, so that ``plan import``
reads the drawing back; sectors of view and what was planned lie on layers of their own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from audit.judge.finding import State
from audit.plan.model import Site
from audit.report.as_built import Built, sector

__all__ = ["write_as_built_dxf"]

#: Layer, and its colour by the numbers of the format (1 red, 2 yellow, 3 green, 5 blue, 8 grey).
_LAYERS = {"AS_BUILT_CAMERAS": 7, "AS_BUILT_VIEWS": 8, "PLANNED_VIEWS": 5, "TARGETS": 5, "LANDMARKS": 5}
_COLOURS: dict[State, int] = {"defect": 1, "to check": 2, "not verified": 8, "as planned": 3}
_LETTERS_M = 0.5
_METRES = 6


def write_as_built_dxf(site: Site, built: tuple[Built, ...], path: Path) -> None:
    """Write the drawing; needs the extra ``drawings``."""
    from ezdxf.filemanagement import new

    document = new("R2010", setup=True)
    document.units = _METRES
    for layer, colour in _LAYERS.items():
        document.layers.add(layer, color=colour)
    tags = sorted({tag for one in built for tag in _attributes(one)})
    _symbol(document, tags)
    model = document.modelspace()
    for one in built:
        camera = one.camera
        insert = model.add_blockref(
            "CAMERA", (camera.east_m, camera.north_m, camera.up_m),
            dxfattribs={"layer": "AS_BUILT_CAMERAS", "rotation": 90.0 - one.pose.bearing_deg, "color": _COLOURS[one.state]},
        )  # fmt: skip
        insert.add_auto_attribs(_attributes(one))
        model.add_lwpolyline(sector(camera, one.pose.bearing_deg), close=True, dxfattribs={"layer": "AS_BUILT_VIEWS"})
        if "bearing" in one.measured:
            model.add_lwpolyline(sector(camera, camera.bearing_deg), close=True, dxfattribs={"layer": "PLANNED_VIEWS"})
        for target in camera.targets:
            model.add_point((target.east_m, target.north_m, target.up_m), dxfattribs={"layer": "TARGETS"})
    for mark in site.landmarks:
        model.add_point((mark.east_m, mark.north_m, mark.up_m or 0.0), dxfattribs={"layer": "LANDMARKS"})
        text = model.add_text(mark.landmark, height=_LETTERS_M, dxfattribs={"layer": "LANDMARKS"})
        text.set_placement((mark.east_m + _LETTERS_M, mark.north_m))
    document.saveas(path)


def _attributes(one: Built) -> dict[str, str]:
    """The plan's columns by name, and what was found."""
    camera = one.camera
    values = {
        "camera": camera.camera, "name": camera.name, "floor": camera.floor, "height_m": f"{camera.height_m:.2f}",
        "ground_up_m": f"{camera.ground_up_m:.2f}",
        "bearing_deg": f"{one.pose.bearing_deg:.2f}", "pitch_deg": f"{one.pose.pitch_deg:.2f}", "roll_deg": f"{one.pose.roll_deg:.2f}",
        "hfov_deg": f"{camera.lens.hfov_deg:.2f}", "projection": camera.lens.projection,
        "image_width_px": str(camera.lens.width_px), "image_height_px": str(camera.lens.height_px),
        "form": camera.form or "", "serial": camera.serial,
        "planned bearing": f"{camera.bearing_deg:.2f}", "planned pitch": f"{camera.pitch_deg:.2f}",
        "measured": ", ".join(one.measured), "state": one.state, "open checks": ", ".join(one.open_checks),
    }  # fmt: skip
    return {key.upper().replace(" ", "_"): value for key, value in values.items() if value}


def _symbol(document: Any, tags: list[str]) -> None:
    """A body with an arrow that looks along x; the id is written beside it, the rest is carried unseen."""
    block = document.blocks.new("CAMERA")
    block.add_circle((0, 0), 0.25)
    block.add_lwpolyline([(0.25, -0.25), (0.9, 0), (0.25, 0.25)])
    for tag in tags:
        flags = {} if tag == "CAMERA" else {"flags": 1}
        block.add_attdef(tag, (0.0, 0.5), dxfattribs={"height": _LETTERS_M, **flags})

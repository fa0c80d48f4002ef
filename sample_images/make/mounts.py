"""Put the cameras and their chains of parts into the scene."""

from __future__ import annotations

import tempfile
from pathlib import Path

import devices
import visits
from grounds import World
from labels import write_labels
from materials import image_material
from shapes import Shapes

__all__ = ["build"]


def build(world: World) -> None:
    """Masts for good, and each camera in each state it has in a visit (group ``device NAME VISIT``)."""
    plan = visits.read_plan()
    labels = Path(tempfile.mkdtemp())
    write_labels({name: row["serial"] for name, row in plan.items()}, labels, frozenset({"TH-06"}))
    for name in plan:
        image_material(f"label {name}", labels / f"{name}.png")
    s = Shapes()
    devices.masts(s)
    world.shapes("fixed", "masts", s)
    for visit in visits.VISITS:
        for name, state in visits.states(visit).items():
            shapes, _ = visits.mounted(name, state)
            world.shapes(f"device {name} {visit}", f"device {name} {visit}", shapes)

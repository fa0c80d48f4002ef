"""A small visit with real measurements: three cameras of the demo's yard, one of them put up rolled and straightened later.

Pictures are the demo's (``sample_images/``, rendered, every pose known in ``truth.json``).
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from PIL import Image

from audit.demo import sample_folder
from audit.judge.limits import load_limits
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.visit import run_visit

SAMPLES = sample_folder()
#: Put up rolled by 6 degrees at the commissioning, straightened until the maintenance.
ROLLED, OTHER = "TH-11", "TH-12"
CAMERAS = ("TH-09", ROLLED, OTHER)
BEFORE = "TH-11_20260616-123917_day.jpg"
ON = date(2026, 6, 16)


def snapshot(camera: str, visit: str = "maintenance", light: str = "day") -> Path:
    """A camera's own picture of one of the demo's visits."""
    return next((SAMPLES / visit / "snapshots").glob(f"{camera}_*{light}.jpg"))


def bare(source: Path, target: Path) -> Path:
    """The same picture with nothing in file or name that says whose it is."""
    with Image.open(source) as picture:
        picture.convert("RGB").save(target, "JPEG", quality=90)
    return target


def plan_of(folder: Path, cameras: Sequence[str] = CAMERAS) -> Path:
    """The demo's plan of some of its cameras."""
    lines = (SAMPLES / "plan.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines[1:] if line.partition(",")[0] in cameras]
    plan = folder / "plan.csv"
    plan.write_text("\n".join((lines[0], *rows)) + "\n", encoding="utf-8")
    return plan


def judged_yard(folder: Path) -> Path:
    """A logbook with one commissioning visit of the three cameras, one day picture each."""
    plan, photos = plan_of(folder), folder / "photos"
    photos.mkdir()
    for camera in CAMERAS:
        shutil.copy(snapshot(camera, "commissioning"), photos)
    with Logbook.create(str(folder / "book"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        run_visit(book, photos, "commissioning", ON, limits=load_limits(SAMPLES / "limits.toml"))
    return folder / "book"

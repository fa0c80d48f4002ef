"""The demo's cameras as devices on loopback, to try ``collect`` without a camera."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from audit.demo import sample_folder
from audit.devices import Device
from audit.plan.files import read_plan

__all__ = ["PASSWORD", "USER", "demo_devices", "write_credentials"]

USER, PASSWORD = "crew", "tansy halt"
_OTHER_PASSWORD = "not in the table"
#: What is wrong on purpose: a clock an hour ahead, two that answer at each other's address, another password, silence.
_WRONG_CLOCK, _SWAPPED, _OTHER, _SILENT = "TH-03", ("TH-12", "TH-13"), "TH-06", "TH-20"
#: One that has the second media service alone (profile T).
_SECOND = "TH-05"
_AN_HOUR_S = 3600.0


def demo_devices() -> tuple[Device, ...]:
    """A device for each camera of the demo's plan, showing its picture of the maintenance visit.

    Raises
    ------
    AuditError
        Where the program was installed without the demo's pictures.
    """
    folder = sample_folder()
    site = read_plan(folder / "plan.csv")
    pictures = {path.name.partition("_")[0]: path for path in sorted((folder / "maintenance" / "snapshots").glob("TH-*_day.jpg"))}
    whole = next(iter(pictures.values()))
    devices = {
        c.camera: Device(
            camera=c.camera,
            picture=pictures.get(c.camera, whole).read_bytes(),
            serial=c.serial or c.camera,
            name=f"{c.camera} {c.name}".strip(),
            width_px=c.lens.width_px,
            height_px=c.lens.height_px,
            user=USER,
            password=_OTHER_PASSWORD if c.camera == _OTHER else PASSWORD,
            clock_offset_s=_AN_HOUR_S if c.camera == _WRONG_CLOCK else 0.0,
            silent=c.camera == _SILENT,
            media=("media2",) if c.camera == _SECOND else ("media",),
        )
        for c in site.cameras
    }
    one, other = (devices[name] for name in _SWAPPED)
    devices[one.camera], devices[other.camera] = replace(other, camera=one.camera), replace(one, camera=other.camera)
    return tuple(devices.values())


def write_credentials(path: Path, names: Sequence[str] = ("*",)) -> None:
    """The table of users and passwords, readable by its owner alone."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(("camera", "user", "password"))
    rows.writerows((name, USER, PASSWORD) for name in names)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as stream:
        stream.write(text.getvalue())
    path.chmod(0o600)

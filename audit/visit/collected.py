"""Before the first step: what was fetched from the cameras themselves is known by camera, without a guess."""

from __future__ import annotations

from collections.abc import Iterable

from audit.collect.journal import Entry
from audit.logbook import DeviceRecord, Logbook, SaidRole, VisitRecord
from audit.photos.device import DeviceFacts

__all__ = ["COLLECTOR", "note_collected"]

#: Who says where a fetched picture belongs: its camera's address does.
COLLECTOR = "collect"


def note_collected(logbook: Logbook, visit: VisitRecord, entries: Iterable[Entry]) -> None:
    """Keep what the devices said of themselves, why others gave no picture, and whose each picture is."""
    there = logbook.answers(visit)
    facts: dict[str, DeviceFacts] = {}
    for entry in entries:
        if entry.facts is not None:
            facts[entry.camera] = entry.facts
        record = DeviceRecord(entry.camera, entry.at, facts.get(entry.camera), entry.reason, entry.message)
        logbook.put_device(visit, record)
        if entry.file is not None and entry.file not in there:
            role: SaidRole | None = "turned" if entry.shot == "turned" else None
            logbook.answer(visit, entry.file, entry.camera, COLLECTOR, role)

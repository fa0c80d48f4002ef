"""What a visit has fetched so far: one JSON line a try, so that a run that is killed goes on where it was."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Any

from audit.photos.device import DeviceFacts

__all__ = ["Entry", "Journal"]

_FILE = "collected.jsonl"


@dataclass(frozen=True, slots=True)
class Entry:
    """One try at one camera.

    Attributes
    ----------
    light : str
        ``day`` or ``night``, by the sun at the site.
    shot : str
        ``snapshot``, or ``turned``: one of those taken while the camera is turned a little.
    file : str or None
        Name in the folder; None where there is no picture.
    reason, message : str or None
        Why not.
    """

    camera: str
    at: datetime
    light: str
    file: str | None = None
    sha256: str | None = None
    reason: str | None = None
    message: str | None = None
    facts: DeviceFacts | None = None
    shot: str = "snapshot"


class Journal:
    """The entries of one folder, appended one by one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._file = folder / _FILE
        self._lock = Lock()

    def add(self, entry: Entry) -> None:
        """Append one; a line is whole or not there."""
        line = json.dumps(asdict(entry), default=datetime.isoformat, ensure_ascii=False)
        with self._lock, self._file.open("a", encoding="utf-8") as stream:
            stream.write(f"{line}\n")

    def entries(self) -> tuple[Entry, ...]:
        """All of them in order; a line that was cut off is passed over."""
        try:
            lines = self._file.read_text(encoding="utf-8").splitlines()
        except OSError:
            return ()
        return tuple(entry for line in lines if (entry := _entry(line)) is not None)

    def fetched(self, light: str, since: datetime | None = None) -> dict[str, Entry]:
        """The last snapshot of each camera by this light that is still in the folder."""
        return {e.camera: e for e in self._there(light, since) if e.shot == "snapshot"}

    def turned(self, since: datetime | None = None) -> Counter[str]:
        """How many pictures of each camera there are from while it was turned."""
        return Counter(e.camera for e in self._there("day", since) if e.shot == "turned")

    def _there(self, light: str, since: datetime | None) -> Iterator[Entry]:
        for e in self.entries():
            if e.light == light and e.file is not None and (since is None or e.at >= since) and (self.folder / e.file).is_file():
                yield e

    def wrong_passwords(self, camera: str) -> int:
        """Tries at a camera that it did not take."""
        return sum(e.camera == camera and e.reason == "wrong password" for e in self.entries())


def _entry(line: str) -> Entry | None:
    try:
        read: dict[str, Any] = json.loads(line)
        facts = read.pop("facts", None)
        known = {f.name for f in fields(DeviceFacts)}
        told = None
        if facts is not None:
            told = DeviceFacts(**{k: v for k, v in facts.items() if k in known} | {"asked_at": datetime.fromisoformat(facts["asked_at"])})
        wanted = {k: v for k, v in read.items() if k in {f.name for f in fields(Entry)}}
        return Entry(**wanted | {"at": datetime.fromisoformat(read["at"]), "facts": told})
    except (ValueError, TypeError, KeyError, AttributeError):
        return None

"""Where dropped photos wait on disk until a visit takes them in; ZIP archives are unpacked safely."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import tempfile
import zipfile
import zlib
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath
from typing import IO

from audit.errors import AuditError

__all__ = ["MAX_UNPACKED_BYTES", "Inbox"]

MAX_UNPACKED_BYTES = 20 << 30
MAX_MEMBERS = 50_000
#: Photos hardly shrink; what unpacks to more than this many times its size, and to more than the allowance, is a bomb.
MAX_RATIO = 100
_RATIO_ALLOWANCE_BYTES = 64 << 20
_BLOCK = 1 << 20
_MARKER = ".under-way"


@dataclass(frozen=True, slots=True)
class Inbox:
    """A folder for one kind and day of visit of one logbook."""

    folder: Path

    @classmethod
    def of(cls, logbook_address: str, kind: str, on: date) -> Inbox:
        """The inbox beside a logbook folder, or in the temporary folder for a database."""
        part = f"{kind}-{on.isoformat()}"
        if "://" in logbook_address:
            key = hashlib.sha256(logbook_address.encode()).hexdigest()[:16]
            return cls(Path(tempfile.gettempdir()) / f"photo-audit-{key}" / part)
        return cls(Path(logbook_address) / "incoming" / part)

    @classmethod
    def under_way(cls, logbook_address: str) -> tuple[tuple[str, date, Path], ...]:
        """Kind, day and source of the runs that were begun and not finished, oldest day first."""
        found = []
        for marker in cls.of(logbook_address, "any", date.min).folder.parent.glob(f"*{_MARKER}"):
            kind, _, day = marker.name.removesuffix(_MARKER).partition("-")
            try:
                found.append((kind, date.fromisoformat(day), Path(marker.read_text(encoding="utf-8"))))
            except (OSError, ValueError):
                continue
        return tuple(sorted(found, key=lambda run: (run[1], run[0])))

    def begin(self, source: Path) -> None:
        """Note that a run over a folder is under way, so that a server that starts anew can offer to go on."""
        self._make_place()
        self._marker.write_text(str(source), encoding="utf-8")

    def finish(self) -> None:
        """The run is finished: there is nothing to go on with."""
        self._marker.unlink(missing_ok=True)

    @property
    def _marker(self) -> Path:
        return self.folder.with_name(f"{self.folder.name}{_MARKER}")

    def put(self, name: str, stream: IO[bytes]) -> None:
        """Keep one dropped file, streamed to disk; a ZIP is unpacked, path traversal and bombs refused.

        Raises
        ------
        AuditError
            Naming the archive and what is wrong with it.
        """
        self._make_place()
        self.folder.mkdir(exist_ok=True)
        if name.lower().endswith(".zip"):
            self._unpack(name, stream)
        else:
            self._write(self._place(PurePosixPath(name.replace("\\", "/")).name), stream)

    def _make_place(self) -> None:
        """The folder of all inboxes; in the temporary folder, which is everybody's, it must be this account's own."""
        place = self.folder.parent
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = place.lstat()
        if place.parent != Path(tempfile.gettempdir()) or not hasattr(os, "geteuid"):
            return
        if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid() or found.st_mode & 0o077:
            raise AuditError(f"{place}: is open to others or somebody else's; take it away, or set TMPDIR to a folder of yours.")

    def _unpack(self, name: str, stream: IO[bytes]) -> None:
        try:
            with zipfile.ZipFile(stream) as archive:
                members = [m for m in archive.infolist() if not m.filename.endswith("/")]
                unpacked, size = sum(m.file_size for m in members), stream.seek(0, io.SEEK_END)
                bomb = unpacked > max(_RATIO_ALLOWANCE_BYTES, MAX_RATIO * size)
                if len(members) > MAX_MEMBERS or unpacked > MAX_UNPACKED_BYTES or bomb:
                    raise AuditError(f"{name}: unpacks to more than a visit can be; bring the photos in by folder.")
                for member in members:
                    parts = [p for p in PurePosixPath(member.filename.replace("\\", "/")).parts if p not in ("/", "..")]
                    if len(parts) == 0 or ".." in PurePosixPath(member.filename.replace("\\", "/")).parts:
                        raise AuditError(f"{name}: holds a path that leads outside it; pack the photos again.")
                    with archive.open(member) as inner:
                        self._write(self._place("/".join(parts)), inner, member.file_size)
        except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError, zlib.error) as error:
            raise AuditError(f"{name}: is no readable ZIP archive ({error}); pack it again.") from None

    def _place(self, name: str) -> Path:
        place = self.folder / name
        try:
            inside = place.resolve()
            if inside == self.folder.resolve() or not inside.is_relative_to(self.folder.resolve()):
                raise AuditError(f"'{name}': leads outside the inbox; rename it.")
            place.parent.mkdir(parents=True, exist_ok=True)
        except (OSError, ValueError):
            raise AuditError(f"'{_shown(name)}': no file can have this name; rename it.") from None
        return place

    @classmethod
    def _write(cls, place: Path, stream: IO[bytes], limit: int | None = None) -> None:
        """Stream to disk beside the place, then put it there; a file of the same name with other bytes stays as well."""
        partial = place.with_name(f".{place.stem[:40]}.part")
        try:
            cls._stream(place, partial, stream, limit)
            if place.exists() and _digest(place) != (digest := _digest(partial)):
                place = place.with_name(f"{place.stem}~{digest[:12]}{place.suffix}")
            partial.replace(place)
        except OSError as error:
            partial.unlink(missing_ok=True)
            reason = error.strerror or str(error)
            raise AuditError(f"'{_shown(place.name)}': could not be kept ({reason}); rename it, or make room.") from None

    @staticmethod
    def _stream(place: Path, partial: Path, stream: IO[bytes], limit: int | None) -> None:
        written = 0
        with partial.open("wb") as out:
            while block := stream.read(_BLOCK):
                written += len(block)
                if limit is not None and written > limit:
                    out.close()
                    partial.unlink()
                    raise AuditError(f"{place.name}: is larger than its archive says; pack it again.")
                out.write(block)


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _shown(name: str) -> str:
    """A name that fits into a sentence."""
    clean = "".join(c if c.isprintable() else "?" for c in name)
    return clean if len(clean) <= 80 else f"{clean[:80]}…"

"""Where a package may be put: made in a fresh folder of exactly its own files, then moved into place in one step.

Nothing of anybody else is packed, written over or taken away: a folder that holds anything but an earlier package of the
same logbook is refused, and so is one inside the logbook or above it.
"""

from __future__ import annotations

import errno
import json
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from audit.errors import AuditError
from audit.logbook import Logbook
from audit.logbook.container import Container, Damaged, FolderContainer, ZipContainer, open_zip
from audit.logbook.files import NotRegular
from audit.logbook.package import OWN_FILES, zip_package

__all__ = ["list_files", "placed_package"]

ABOUT = "about.json"
_FORMAT = "photo-audit package"
_LARGEST_ABOUT = 16 << 20


@contextmanager
def placed_package(logbook: Logbook, folder: Path, about: dict[str, Any]) -> Iterator[Path]:
    """A fresh folder for a package's files, which takes its place and is packed beside it when all of them are there.

    Parameters
    ----------
    folder : Path
        Where the package is to be; ``NAME.zip`` comes beside it.
    about : dict
        What the package says of itself in ``about.json``, besides the list of its files.

    Raises
    ------
    AuditError
        If the place is not a package's, or can't be written.
    """
    folder = Path(os.path.abspath(folder))
    archive = folder.with_name(f"{folder.name}.zip")
    try:
        _refuse_near(folder, logbook.own_places())
        _refuse_foreign(folder, archive, logbook.identity())
        folder.parent.mkdir(parents=True, exist_ok=True)
        mark = secrets.token_hex(6)
        fresh, packed = (folder.with_name(f".{name}.{mark}.new") for name in (folder.name, archive.name))
        fresh.mkdir()
        try:
            _write_about(fresh, {"format": _FORMAT, "logbook": logbook.identity(), **about})
            yield fresh
            zip_package(fresh, packed)
            _swap(fresh, folder, mark)
            os.replace(packed, archive)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
            packed.unlink(missing_ok=True)
    except OSError as error:
        raise AuditError(_sentence(folder, error)) from error


def list_files(folder: Path) -> None:
    """Write the names of all files of a package into its ``about.json``; what sealing adds is known without."""
    about = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
    about["files"] = FolderContainer(folder).names()
    _write_about(folder, about)


def _write_about(folder: Path, about: dict[str, Any]) -> None:
    (folder / ABOUT).write_text(json.dumps(about, indent=2) + "\n", encoding="utf-8")


def _refuse_near(folder: Path, places: Iterable[Path]) -> None:
    wanted = folder.resolve()
    for place in places:
        there = place.resolve()
        if wanted == there or there in wanted.parents or wanted in there.parents:
            raise AuditError(
                f"{folder}: a package can't lie in or above '{there}', where the logbook, its images or its key are; name a "
                f"folder elsewhere."
            )


def _refuse_foreign(folder: Path, archive: Path, identity: str) -> None:
    """Raises AuditError unless both places are free, or hold an earlier package of the same logbook and nothing else."""
    if os.path.lexists(folder):
        if folder.is_symlink() or not folder.is_dir():
            raise AuditError(f"{folder}: this is no folder; name one for the package.")
        container = FolderContainer(folder)
        if container.names() and not _own(container, identity) or _empty_folders(folder, container):
            raise AuditError(
                f"{folder}: the folder holds what no earlier package of this logbook wrote; name an empty or a new one."
            )
    if os.path.lexists(archive):
        try:
            if archive.is_symlink():
                raise Damaged("", "is a link")
            with open_zip(archive) as opened:
                own = _own(ZipContainer(opened, archive.stat().st_size), identity)
        except (Damaged, NotRegular):
            own = False
        if not own:
            raise AuditError(f"{archive}: this is no earlier package of this logbook; move it away, or name another folder.")


def _own(container: Container, identity: str) -> bool:
    """Whether a container holds a package of this logbook, and no other file."""
    names = container.names()
    if ABOUT not in names:
        return False
    data = b""
    try:
        for block in container.blocks(ABOUT):
            data += block
            if len(data) > _LARGEST_ABOUT:
                return False
        about = json.loads(data)
        listed = set(about["files"])
        told = about["format"], about["logbook"]
    except (Damaged, ValueError, TypeError, KeyError, RecursionError):
        return False
    return told == (_FORMAT, identity) and set(names) <= listed | {ABOUT, *OWN_FILES}


def _empty_folders(folder: Path, container: FolderContainer) -> bool:
    """Whether there is a folder in which no file lies: a package has none."""
    with_files = {Path(name).parent for name in container.names()}
    with_files |= {above for place in with_files for above in place.parents}
    below = (Path(place).relative_to(folder) for place, _, _ in os.walk(folder))
    return any(place not in with_files for place in below if place != Path("."))


def _swap(fresh: Path, folder: Path, mark: str) -> None:
    if not folder.exists():
        fresh.rename(folder)
        return
    old = folder.with_name(f".{folder.name}.{mark}.old")
    folder.rename(old)
    try:
        fresh.rename(folder)
    except OSError:
        old.rename(folder)
        raise
    shutil.rmtree(old)


def _sentence(folder: Path, error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"{folder}: the disk is full; free some space and write the package again, nothing is lost."
    return f"{folder}: the package can't be written ({error.strerror or error}); name another folder."

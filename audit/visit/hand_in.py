"""The one file that the job list on a phone makes: what the crew says is done, with the pictures, taken in answer by answer."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.logbook.container import Damaged, ZipContainer, open_zip
from audit.people import typed_name
from audit.photos.intake import MAX_FILE_BYTES, shown_name
from audit.visit.done import Answer, hand_in_done

__all__ = ["ANSWERS_NAME", "HAND_IN_FORMAT", "Outcome", "take_hand_in"]

HAND_IN_FORMAT = "photo-audit answers 1"
ANSWERS_NAME = "answers.json"
_LARGEST_LIST_BYTES = 1 << 20
_MOST_ANSWERS = 5000


@dataclass(frozen=True, slots=True)
class _Said:
    """One answer as the phone wrote it; ``photo`` is the picture's place in the file, ``name`` what it was called there."""

    camera: str
    checks: tuple[str, ...]
    photo: str | None = None
    name: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class _HandIn:
    """The list: which logbook and visit it is for, and who answers."""

    format: str
    logbook: str
    visit: int
    by: str
    answers: tuple[_Said, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one answer.

    Attributes
    ----------
    sentence : str
        What the picture made of it, or why it was not taken.
    taken : bool
    """

    camera: str
    checks: tuple[str, ...]
    sentence: str
    taken: bool


def take_hand_in(logbook: Logbook, file: Path, name: str | None = None, by: str | None = None) -> tuple[Outcome, ...]:
    """Take in every answer of a crew's file; one that can't be taken leaves the others as they are.

    Parameters
    ----------
    name : str or None
        The file's name as people know it.
    by : str or None
        Who answers, in place of the name in the file.

    Raises
    ------
    AuditError
        Where the file is none that a job list made, is for another site, or its visit is signed.
    """
    shown = name or shown_name(file.name)
    try:
        with open_zip(file) as archive:
            container = ZipContainer(archive, file.stat().st_size)
            said = _read_list(container, shown)
            visit = _visit_of(logbook, said, shown)
            with tempfile.TemporaryDirectory() as folder:
                return tuple(_take(logbook, visit, container, one, by or typed_name(said.by), Path(folder)) for one in said.answers)
    except (Damaged, OSError) as error:
        raise AuditError(f"{shown}: can't be read as a crew's file; make it again from the job list.") from error


def _read_list(container: ZipContainer, shown: str) -> _HandIn:
    wrong = AuditError(f"{shown}: is no file that a job list made; hand in the one that it saved, or photos with Add photos.")
    if ANSWERS_NAME not in container.names() or container.size(ANSWERS_NAME) > _LARGEST_LIST_BYTES:
        raise wrong
    try:
        said = TypeAdapter(_HandIn).validate_python(json.loads(b"".join(container.blocks(ANSWERS_NAME))))
    except (ValueError, ValidationError, RecursionError) as error:
        raise wrong from error
    if said.format != HAND_IN_FORMAT:
        raise AuditError(f"{shown}: was made by another version of the job list; save the list again and answer in that one.")
    if len(said.answers) > _MOST_ANSWERS:
        raise wrong
    return said


def _visit_of(logbook: Logbook, said: _HandIn, shown: str) -> VisitRecord:
    if said.logbook != logbook.identity():
        raise AuditError(f"{shown}: answers the job list of another site's logbook; hand it in there.")
    visit = logbook.visit(said.visit)
    if visit.signed_at is not None:
        raise AuditError(
            f"{shown}: answers visit {visit.number}, which is signed, and what is signed stays: bring its pictures in with the "
            f"next visit ('photo-audit visit LOGBOOK FOLDER --kind maintenance', or Add photos at the desk)."
        )
    return visit


def _take(
    logbook: Logbook, visit: VisitRecord, container: ZipContainer, said: _Said, by: str, folder: Path
) -> Outcome:
    """One answer, whatever is wrong with it."""
    try:
        file = _picture(container, said, folder)
        name = shown_name(said.name.replace("\\", "/").rpartition("/")[2]) or file.name
        brought = hand_in_done(logbook, visit, Answer(said.camera, said.checks, file, name, by, said.words))
    except AuditError as error:
        return Outcome(said.camera, said.checks, error.message, False)
    states = ", ".join(f"{check} {state}" for check, state in brought.states)
    return Outcome(said.camera, said.checks, f"{said.camera}: {states} by {brought.photo}.", True)


def _picture(container: ZipContainer, said: _Said, folder: Path) -> Path:
    """The answer's picture as a file; nothing in the ZIP ever becomes a path."""
    what = f"{said.camera} {', '.join(said.checks)}"
    if said.photo is None:
        raise AuditError(f"{what}: said to be done without a picture; hand one in.")
    if said.photo not in container.names():
        raise AuditError(f"{what}: its picture is not in the crew's file; make the file again.")
    path = folder / "picture"
    with path.open("wb") as out:
        for block in _limited(container.blocks(said.photo), what):
            out.write(block)
    return path


def _limited(blocks: Iterator[bytes], what: str) -> Iterator[bytes]:
    size = 0
    try:
        for block in blocks:
            size += len(block)
            if size > MAX_FILE_BYTES:
                raise AuditError(f"{what}: its picture is too large.")
            yield block
    except Damaged as error:
        raise AuditError(f"{what}: its picture is damaged in the crew's file; make the file again.") from error

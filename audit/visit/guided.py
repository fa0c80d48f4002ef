"""Photos of the guide on a phone: whose each is was chosen before it was taken, and is taken at its word."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import get_args

from pydantic import BaseModel, ConfigDict, ValidationError

from audit.logbook import Logbook, SaidRole, VisitRecord
from audit.people import typed_name
from audit.photos.intake import shown_name

__all__ = ["GUIDE_FORMAT", "GUIDE_LIST", "note_guided"]

log = logging.getLogger(__name__)

GUIDE_FORMAT = "photo-audit photos 1"
#: Stands beside the photos that it lists; hidden, so that nobody takes it for a photo.
GUIDE_LIST = ".guide.json"
_LISTS = ".guide*.json"
_LARGEST_LIST_BYTES = 4 << 20
_MOST_PHOTOS = 20_000


class _Photo(BaseModel):
    """One photo as the guide wrote it; what else stands there is for people."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    file: str
    camera: str
    shot: str = ""


class _List(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)

    format: str
    logbook: str
    by: str
    photos: tuple[_Photo, ...]


def note_guided(logbook: Logbook, visit: VisitRecord, folder: Path) -> int:
    """Say of each photo that a guide's list below a folder names whose it is; what a person said of it stays.

    Returns
    -------
    int
        Photos that were said to be somebody's now. A list of another logbook, and one that can't be read, says nothing:
        its photos are placed like any others.
    """
    there = logbook.answers(visit)
    site = logbook.site(visit)
    said = 0
    for place in sorted(folder.rglob(_LISTS)):
        listed = _read(place, logbook.identity())
        if listed is None:
            continue
        prefix = "".join(f"{shown_name(part)}/" for part in place.parent.relative_to(folder).parts)
        by = typed_name(listed.by) or "guide"
        for photo in listed.photos:
            name = f"{prefix}{shown_name(photo.file)}"
            whole = "/" not in photo.file and "\\" not in photo.file and (place.parent / photo.file).is_file()
            if whole and photo.camera in site and name not in there:
                role: SaidRole | None = photo.shot if photo.shot in get_args(SaidRole) else None  # type: ignore[assignment]
                logbook.answer(visit, name, photo.camera, by, role)
                said += 1
    return said


def _read(place: Path, identity: str) -> _List | None:
    try:
        if place.is_symlink() or not place.is_file() or place.stat().st_size > _LARGEST_LIST_BYTES:
            return None
        listed = _List.model_validate(json.loads(place.read_bytes()))
    except (OSError, ValueError, ValidationError, RecursionError):
        log.warning("a guide's list can't be read", extra={"list": place.name})
        return None
    fits = listed.format == GUIDE_FORMAT and listed.logbook == identity and len(listed.photos) <= _MOST_PHOTOS
    return listed if fits else None

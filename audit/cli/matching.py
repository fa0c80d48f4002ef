"""What ``match`` prints: photos of a folder, or a CSV of their metadata, put to planned cameras."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.cli.speak import say
from audit.errors import AuditError, PhotoRefused
from audit.match.assign import match_photos
from audit.match.labels import label_index, read_codes
from audit.match.look import look_at
from audit.match.placement import Placement
from audit.match.reading import READ_SIDE_PX, id_reader, ids_of, may_hold_print, read_label, to_read, unread_sentence
from audit.match.roles import by_hand, of_a_phone
from audit.match.table import read_answers, read_metadata_table
from audit.match.written import name_reader, names_of
from audit.measure.burned_in import read_burned_in
from audit.measure.image import MEASURE_SIDE_PX
from audit.photos.intake import find_files, open_photo
from audit.photos.photo import Photo
from audit.plan.files import read_plan
from audit.plan.model import Site

__all__ = ["match_files"]

Line = dict[str, Any]


def match_files(
    plan: Path, photos: Path, answers: Path | None, at_least: float, report: Callable[[str, int, int, str], None]
) -> list[Line]:
    """The contract's ``match`` lines of a folder of photos or a CSV of their metadata, in input order."""
    site = read_plan(plan)
    told = read_answers(answers) if answers is not None else {}
    refused: dict[str, str] = {}
    order: list[str] = []
    taken: list[Photo] = []
    if photos.is_dir():
        files = list(find_files(photos))
        for done, found in enumerate(files, 1):
            order.append(found.name)
            try:
                opened = open_photo(found.path, found.name, max_side_px=MEASURE_SIDE_PX, guarded=True)
                taken.append(_looked_at(replace(opened.photo, codes=read_codes(opened.pixels)), opened.pixels))
            except PhotoRefused as error:
                refused[found.name] = error.message
            report("read", done, len(files), found.name)
        if not files:
            raise AuditError(f"{photos}: holds no files; name the folder that holds the photos.")
    elif photos.is_file():
        table, problems = read_metadata_table(photos)
        taken = list(table)
        order = [p.name for p in taken]
        for problem in problems:
            order.insert(problem.row - 2, problem.photo)
        refused = {problem.photo: problem.message for problem in problems}
    else:
        raise AuditError(f"{photos}: no such folder or CSV file.")
    placed = {p.photo: p for p in match_photos(site, taken, told, at_least)}
    if photos.is_dir():
        placed = _placed_by_text(site, photos, taken, placed, told, at_least)
    return [_match_line(placed[name]) if name in placed else _refused_line(name, refused[name]) for name in order]


def _placed_by_text(
    site: Site, folder: Path, taken: list[Photo], placed: dict[str, Placement], told: Mapping[str, str | None], at_least: float
) -> dict[str, Placement]:
    """The placements again, with the text of photos that were left open; as they are where none tells."""
    unread = unread_sentence(sum(to_read(photo, placed[photo.name]) for photo in taken))
    if unread is not None:
        say(unread)
        return placed
    paths = {found.name: found.path for found in find_files(folder)}
    read: dict[str, Photo] = {photo.name: photo for photo in taken}
    for name, photo in read.items():
        if to_read(photo, placed[name]):
            opened = open_photo(paths[name], name, max_side_px=READ_SIDE_PX, guarded=True)
            read[name] = _with_text(site, photo, opened.pixels)
    if list(read.values()) == taken:
        return placed
    return {p.photo: p for p in match_photos(site, tuple(read.values()), told, at_least)}


def _looked_at(photo: Photo, pixels: NDArray[np.uint8]) -> Photo:
    """The photo with what it shows, where a phone may have taken it."""
    return replace(photo, shows=look_at(pixels).probabilities) if by_hand(photo) else photo


def _with_text(site: Site, photo: Photo, pixels: NDArray[np.uint8]) -> Photo:
    """The photo with the camera whose name is burnt into it or whose id is printed on a label in it."""
    if not of_a_phone(photo) and not label_index(site).hits(photo):
        camera = name_reader(names_of(site)).camera(read_burned_in(pixels))
        if camera is not None:
            return replace(photo, written=(camera,))
    if not may_hold_print(photo):
        return photo
    ids = id_reader(ids_of(site))
    text = ids.told(read_label(pixels, ids))
    return photo if text is None else replace(photo, codes=(text,))


def _match_line(placement: Placement) -> Line:
    line = asdict(replace(placement, own=None))
    for name in ("light", "turned", "own", "ahead"):
        line.pop(name)
    line["probability"] = round(placement.probability, 6)
    line["alternatives"] = [
        {"camera": a.camera, "probability": round(a.probability, 6)} for a in placement.alternatives
    ]
    return {**line, "error": None}


def _refused_line(name: str, message: str) -> Line:
    return {
        "photo": name,
        "camera": None,
        "probability": None,
        "decision": "uncertain",
        "group": name,
        "alternatives": [],
        "role": "unknown",
        "evidence": [],
        "error": message,
    }

"""The crew's photos of each camera in the package: small on its page, the files themselves where they are asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from audit.account import pictures
from audit.account.case import Case, Shot
from audit.logbook import Logbook
from audit.report.document import Document
from audit.report.private import faces_blurred, without_position

__all__ = ["SHOWN_AS", "annex_crew_photos", "chosen_crew_photos", "show_crew_photos", "write_originals"]

#: Roles in the order in which they stand on a page, and how a client reads them.
SHOWN_AS: Mapping[str, str] = {
    "label": "Rating label",
    "bracket": "Bracket close-up",
    "wide view": "Wide view",
    "unknown": "Crew's photo",
}
_ON_A_PAGE = 3
_SIDE_PX = 640
_QUALITY = 72
_GAP_MM, _HIGH_MM, _LEAST_MM, _CAPTION_MM = 4.0, 38.0, 16.0, 8.0
_SUFFIXES = {"JPEG": "jpg", "HEIF": "heic"}


def chosen_crew_photos(case: Case) -> tuple[Shot, ...]:
    """At most three of a camera's crew photos: one of each role first, then what room is left for, by name."""
    crew = sorted((s for s in case.shots if s.placement.role in SHOWN_AS and s.measured is None), key=_order)
    taken = {s.photo.name for s in case.account.before}
    crew = [s for s in crew if s.photo.name not in taken]
    firsts = {s.placement.role: s for s in reversed(crew)}
    chosen = [firsts[role] for role in SHOWN_AS if role in firsts]
    chosen += [s for s in crew if s not in chosen]
    return tuple(sorted(chosen[:_ON_A_PAGE], key=_order))


def show_crew_photos(document: Document, logbook: Logbook, case: Case, private: bool) -> bool:
    """A strip of small pictures with what each shows, where the camera's page has room; False where it has none."""
    shots = chosen_crew_photos(case)
    if shots and document.room_mm() < _LEAST_MM + _CAPTION_MM:
        return False
    if shots:
        _strip(document, logbook, shots, private)
    return True


def annex_crew_photos(document: Document, logbook: Logbook, found: Sequence[Case], private: bool) -> None:
    """The same for cameras whose page was full, on pages of their own at the end."""
    if not found:
        return
    document.add_page()
    document.heading("Crew's photos of cameras whose page is full")
    for case in found:
        if document.room_mm() < _HIGH_MM + 2 * _CAPTION_MM:
            document.add_page()
        document.sentence(f"{case.camera.camera}  {case.camera.name}".strip(), bold=True)
        _strip(document, logbook, chosen_crew_photos(case), private)


def _strip(document: Document, logbook: Logbook, shots: Sequence[Shot], private: bool) -> None:
    top = document.get_y() + 1
    high = min(_HIGH_MM, document.room_mm() - _CAPTION_MM - 1)
    wide = (document.inner_mm - (_ON_A_PAGE - 1) * _GAP_MM) / _ON_A_PAGE
    low = top
    for place, shot in enumerate(shots):
        words = f"{SHOWN_AS[shot.placement.role]}: {shot.photo.name.rpartition('/')[2]}"
        left = document.l_margin + place * (wide + _GAP_MM)
        low = max(low, top + document.picture(_small(logbook, shot, private), words, left, top, wide, high))
    document.set_y(low + 1)


def write_originals(logbook: Logbook, found: Sequence[Case], folder: Path, names: Mapping[str, str], private: bool) -> None:
    """Every crew photo of every camera as the crew took it, or without positions and with faces blurred.

    Parameters
    ----------
    names : mapping
        How the files of each camera are called.
    """
    folder.mkdir()
    for case in found:
        used: Counter[str] = Counter()
        crew = (s for s in case.shots if s.measured is None and s.placement.role in SHOWN_AS)
        for shot in sorted(crew, key=_order):
            role = shot.placement.role.replace(" ", "_").replace("unknown", "photo")
            used[role] += 1
            data, suffix = logbook.image(shot.photo.sha256), _SUFFIXES.get(shot.photo.format, shot.photo.format.lower())
            if private:
                data, suffix = without_position(faces_blurred(data)), "jpg"
            number = "" if used[role] == 1 else f"_{used[role]}"
            (folder / f"{names[case.camera.camera]}_{role}{number}.{suffix}").write_bytes(data)


def _small(logbook: Logbook, shot: Shot, private: bool) -> bytes:
    """A picture of screen size, drawn anew, so that nothing of the file but what it shows is in the report."""
    jpeg = pictures.encode_jpeg(pictures.decode_picture(logbook.image(shot.photo.sha256), _SIDE_PX), _QUALITY)
    return faces_blurred(jpeg) if private else jpeg


def _order(shot: Shot) -> tuple[int, str]:
    return list(SHOWN_AS).index(shot.placement.role), shot.photo.name

"""The time that a phone wrote into a file's name, for copies that lost everything else on their way.

Phones name photos by their own clock (common practice, no source), and whoever strips a file of its metadata often leaves it its name. A
name is believed only where the visit's own photos bear it out: others whose names begin alike, and whose metadata say the very time
that the name says, all of one device. The copy then belongs to that device's walk.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo

from audit.photos.photo import Photo

__all__ = ["BY_NAME", "timed_by_names"]

#: What is said of a photo whose time comes from its name.
BY_NAME = "its file name gives its time, as the names of this phone's other photos do"
#: A date and a time of day in a name: ISO 8601's basic form, or with the separators that file names allow.
_CLOCK = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)[-_.T ]{0,2}(\d\d)[-_.]?(\d\d)[-_.]?(\d\d)(?!\d{4})")
#: Photos of a device that must bear a form of names out, the share of that form's photos that must, and how far name and metadata may
#: differ: a phone names a file when it writes it.
_LEAST, _AGREE, _APART = 5, 0.95, timedelta(seconds=3)


@dataclass(frozen=True, slots=True)
class _Phone:
    device: str
    zone: tzinfo | None


def _read(name: str) -> tuple[str, datetime] | None:
    """How a name begins before its time, and that time, by a clock whose zone no name tells (UTC stands for it)."""
    stem = name.rpartition("/")[2].rsplit(".", 1)[0]
    found = _CLOCK.search(stem)
    if found is None:
        return None
    try:
        year, month, day, hour, minute, second = (int(part) for part in found.groups())
        return stem[: found.start()].lower(), datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None


def _phones(photos: Sequence[Photo]) -> Mapping[str, _Phone]:
    """The one device, and its zone, whose photos bear each form of names out."""
    agree: dict[str, list[_Phone]] = {}
    count: dict[str, int] = {}
    for photo in photos:
        taken, read = photo.metadata.taken_at, _read(photo.name)
        if taken is None or read is None:
            continue
        form, told = read
        count[form] = count.get(form, 0) + 1
        if photo.metadata.device is not None and abs(taken.replace(tzinfo=UTC) - told) <= _APART:
            agree.setdefault(form, []).append(_Phone(photo.metadata.device, taken.tzinfo))
    return {form: phones[0] for form, phones in agree.items()
            if len(phones) >= max(_LEAST, _AGREE * count[form]) and len(set(phones)) == 1}


def timed_by_names(photos: Sequence[Photo]) -> tuple[Photo, ...]:
    """The photos, those without any time with the time and the device that their names tell, where that is borne out."""
    phones = _phones(photos)
    if not phones:
        return tuple(photos)
    return tuple(_timed(photo, phones) for photo in photos)


def _timed(photo: Photo, phones: Mapping[str, _Phone]) -> Photo:
    meta = photo.metadata
    read = _read(photo.name) if meta.taken_at is None and meta.gps_at is None else None
    if read is None or read[0] not in phones or meta.device not in (None, phones[read[0]].device):
        return photo
    phone = phones[read[0]]
    return replace(photo, metadata=replace(meta, taken_at=read[1].replace(tzinfo=phone.zone), device=phone.device))

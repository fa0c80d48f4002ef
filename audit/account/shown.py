"""What each photo of a visit shows, where it was looked at: a label, a bracket, a street."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from audit.logbook import Logbook, VisitRecord
from audit.match.shots import SHOT_METHOD, shows_from_record
from audit.photos.photo import Photo

__all__ = ["with_shots"]


def with_shots(logbook: Logbook, visit: VisitRecord, photos: Mapping[str, Photo]) -> dict[str, Photo]:
    """The photos by name, those that were looked at with the probabilities of what they show."""
    kept = logbook.measurements(visit, SHOT_METHOD)
    found = dict(photos)
    for name, photo in photos.items():
        shows = shows_from_record(kept[photo.sha256]) if photo.sha256 in kept else None
        if shows is not None:
            found[name] = replace(photo, shows=shows.probabilities)
    return found

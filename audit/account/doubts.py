"""What looks wrong with a visit as a whole: photos of other days than its own, files of an earlier visit, labels of other
cameras, print unread."""

from __future__ import annotations

from collections.abc import Mapping

from audit.account.shown import with_shots
from audit.logbook import Logbook, VisitRecord
from audit.match.labels import label_index
from audit.match.reading import TEXT_METHOD, to_read, unread_sentence
from audit.measure.burned_in import WRITTEN_METHOD
from audit.photos.photo import Photo

__all__ = ["visit_doubts"]

_NAMED = 3


def visit_doubts(logbook: Logbook, visit: VisitRecord) -> tuple[str, ...]:
    """Sentences for a person; none where nothing looks wrong.

    A photo taken the day before or after still counts as the visit's: clocks of devices lie in other zones, and night
    pictures reach over midnight.
    """
    photos = logbook.photos(visit)
    found = []
    days = {p.name: p.metadata.taken_at.date() for p in photos if p.metadata.taken_at is not None}
    other = {name: day for name, day in days.items() if abs((day - visit.on).days) > 1}
    if other:
        first, last = min(other.values()), max(other.values())
        when = f"{first}" if first == last else f"{first} to {last}"
        found.append(
            f"{len(other)} of {len(days)} dated photos were taken on other days ({when}) than the visit's {visit.on} "
            f"({_some(sorted(other))}): check --on, or the clock of the device."
        )
    mine = {p.sha256: p.name for p in photos}
    for earlier in logbook.visits():
        if earlier.number < visit.number:
            again = sorted(mine[p.sha256] for p in logbook.photos(earlier) if p.sha256 in mine)
            if again:
                found.append(
                    f"{len(again)} file{'' if len(again) == 1 else 's'} of this visit came in with visit {earlier.number} "
                    f"already ({_some(again)}): nothing new is seen in them."
                )
    by_name = with_shots(logbook, visit, {photo.name: photo for photo in photos})
    found += _labels_of_others(logbook, visit, by_name)
    placed = [p for p in logbook.placements(visit) if p.photo in by_name]
    open_ = [by_name[p.photo] for p in placed if to_read(by_name[p.photo], p)]
    read = {**logbook.measurements(visit, TEXT_METHOD), **logbook.measurements(visit, WRITTEN_METHOD)} if open_ else {}
    snapshots = sum(p.decision == "placed" and p.role == "snapshot" for p in placed)
    unread = unread_sentence(len(open_), snapshots, sum(photo.sha256 not in read for photo in open_))
    return tuple(found) if unread is None else (*found, unread)


def _labels_of_others(logbook: Logbook, visit: VisitRecord, photos: Mapping[str, Photo]) -> list[str]:
    """Photos that a person gave to one camera, and whose code is another's: the camera was chosen wrongly, or the labels are."""
    site = logbook.site(visit)
    index = label_index(site)
    found = []
    for name, camera in logbook.answers(visit).items():
        photo = photos.get(name)
        if photo is None or camera is None:
            continue
        read = {site.cameras[i].camera: hit for hit in index.hits(photo) if hit.source == "code" for i in hit.cameras}
        if read and camera not in read:
            other, hit = next(iter(read.items()))
            found.append(
                f"{name} was taken for {camera}, but its label's code is that of {other} ({hit.text}): the camera was chosen "
                f"wrongly, or the labels are swapped; look at it."
            )
    return found


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more

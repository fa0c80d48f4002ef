"""Two cameras on each other's record: names, serial numbers and the crew's views that contradict each other crosswise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from audit.frames import bearing_difference_deg
from audit.match.evidence import true_bearing_deg
from audit.match.labels import LabelIndex
from audit.photos.clocks import device_clock_offsets, taken_utc
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site

__all__ = ["Swap", "swapped_pairs"]

_FILED = ("name", "folder")
_CARRIED = ("serial", "code", "text")
#: Photos of one device this close to a label photo are of the same camera (common practice, no source).
_SAME_STAY = timedelta(minutes=4)
#: Cameras whose labels can be mistaken for each other stand this close (common practice, no source).
_NEAR_M = 12.0
#: A crew stands in front of the camera or at right angles to it, so that the phone looks against the camera's own
#: bearing within this much (common practice, no source); views further off than the second figure speak against it.
_FITS_DEG = 75.0
_CONTRADICTS_DEG = 105.0


@dataclass(frozen=True, slots=True)
class Swap:
    """A pair of cameras whose records are exchanged, with the sentences that say why."""

    first: str
    second: str
    evidence: tuple[str, ...]


def swapped_pairs(site: Site, photos: Iterable[Photo]) -> tuple[Swap, ...]:
    """Pairs of cameras that stand on each other's record.

    Either a photo filed as A carries the serial of B and one filed as B that of A; or the views taken beside the label of
    A face a camera that looks as B is planned to, and the reverse. A contradiction in one direction alone is no swap (a
    wrong label, a typing error); it is left to the person who places photos.
    """
    taken = tuple(photos)
    index = LabelIndex(site)
    crossed = _by_record(site, index, taken)
    for pair, sentences in _by_view(site, index, taken).items():
        crossed.setdefault(pair, []).extend(sentences)
    pairs = []
    for (a, b), sentences in sorted(crossed.items()):
        if a < b and (b, a) in crossed:
            evidence = (*sentences[:2], *crossed[(b, a)][:2])
            pairs.append(Swap(site.cameras[a].camera, site.cameras[b].camera, evidence))
    return tuple(pairs)


def _by_record(site: Site, index: LabelIndex, photos: Sequence[Photo]) -> dict[tuple[int, int], list[str]]:
    """(filed as, serial of) with the sentences that say so."""
    crossed: dict[tuple[int, int], list[str]] = {}
    for photo in photos:
        hits = index.hits(photo)
        filed = {c for hit in hits if hit.source in _FILED and hit.kind == "camera" for c in hit.cameras}
        if len(filed) != 1:
            continue
        (here,) = filed
        for hit in hits:
            if hit.source not in _CARRIED or hit.kind != "serial" or len(hit.cameras) != 1:
                continue
            there = hit.cameras[0]
            if there != here:
                name, owner = site.cameras[here].camera, site.cameras[there].camera
                sentence = f"{photo.name} is filed as {name} but carries {hit.text}, the serial of {owner}."
                crossed.setdefault((here, there), []).append(sentence)
    return crossed


def _by_view(site: Site, index: LabelIndex, photos: Sequence[Photo]) -> dict[tuple[int, int], list[str]]:
    """(label of, looks like) from the phone's direction in the views taken beside a label."""
    clocks = device_clock_offsets(photos)
    moments = {p.name: taken_utc(p.metadata, clocks) for p in photos}
    origin = None
    if site.origin_latitude is not None and site.origin_longitude is not None:
        origin = site.origin_latitude, site.origin_longitude
    labels = [(p, here) for p in photos if (here := _labelled(index, p)) is not None and moments[p.name] is not None]
    crossed: dict[tuple[int, int], list[str]] = {}
    for label, here in labels:
        camera = site.cameras[here]
        views = [p for p in photos if p.metadata.device == label.metadata.device and not p.codes and p is not label]
        for view in views:
            bearing = true_bearing_deg(view.metadata, origin)
            if bearing is None or not _nearest_label(view, label, labels, moments):
                continue
            if _against(bearing, camera) < _CONTRADICTS_DEG:
                continue
            for there, other in enumerate(site.cameras):
                if there != here and _near(camera, other) and _against(bearing, other) <= _FITS_DEG:
                    crossed.setdefault((here, there), []).append(
                        f"{view.name}, taken beside the label of {camera.camera}, looks {bearing:.0f}°: it faces a camera "
                        f"that looks about {(bearing + 180) % 360:.0f}°, as {other.camera} is planned to "
                        f"({other.bearing_deg:.0f}°) and {camera.camera} is not ({camera.bearing_deg:.0f}°)."
                    )
    return crossed


def _labelled(index: LabelIndex, photo: Photo) -> int | None:
    """The one camera whose code stands in a close-up."""
    found = {c for hit in index.hits(photo) if hit.source == "code" for c in hit.cameras}
    return found.pop() if len(found) == 1 else None


def _nearest_label(
    view: Photo, label: Photo, labels: Sequence[tuple[Photo, int]], moments: dict[str, datetime | None]
) -> bool:
    """Whether a view belongs to the stay of this label: no other label of the device is nearer in time."""
    at, own = moments[view.name], moments[label.name]
    if at is None or own is None or abs(at - own) > _SAME_STAY:
        return False
    others = [moments[other.name] for other, _ in labels if other.metadata.device == label.metadata.device]
    return all(abs(at - other) >= abs(at - own) for other in others if other is not None)


def _against(bearing_deg: float, camera: Camera) -> float:
    """Angle between where the phone looks and straight against the camera's planned axis."""
    return abs(bearing_difference_deg(bearing_deg, camera.bearing_deg + 180.0))


def _near(one: Camera, other: Camera) -> bool:
    return (one.east_m - other.east_m) ** 2 + (one.north_m - other.north_m) ** 2 <= _NEAR_M**2

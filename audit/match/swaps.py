"""Two cameras on each other's record: names, serial numbers and the crew's views that contradict each other crosswise."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from scipy.spatial import cKDTree

from audit.frames import bearing_difference_deg
from audit.match.evidence import true_bearing_deg
from audit.match.labels import LabelIndex, label_index
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
_STEEPEST_DEG = -60.0


@dataclass(frozen=True, slots=True)
class Swap:
    """A pair of cameras whose records are exchanged, with the sentences that say why.

    ``certain`` is False where the crew's compass alone says so: then a person looks.
    """

    first: str
    second: str
    evidence: tuple[str, ...]
    certain: bool = True


def swapped_pairs(site: Site, photos: Iterable[Photo]) -> tuple[Swap, ...]:
    """Pairs of cameras that stand on each other's record.

    Either a photo filed as A carries the serial of B and one filed as B that of A; or the views taken beside the label of
    A face a camera that looks as B is planned to, and the reverse. A contradiction in one direction alone is no swap (a
    wrong label, a typing error); it is left to the person who places photos.
    """
    taken = tuple(photos)
    index = label_index(site)
    pairs: dict[tuple[int, int], Swap] = {}
    for certain, crossed in ((True, _by_record(site, index, taken)), (False, _by_view(site, index, taken))):
        for (a, b), sentences in sorted(crossed.items()):
            if a < b and (b, a) in crossed:
                evidence = (*sentences[:2], *crossed[(b, a)][:2])
                swap = Swap(site.cameras[a].camera, site.cameras[b].camera, evidence, certain)
                pairs.setdefault((a, b), swap)
    return tuple(pairs.values())


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
    stays = _stays(index, photos, moments)
    near = cKDTree([(c.east_m, c.north_m) for c in site.cameras])
    crossed: dict[tuple[int, int], list[str]] = {}
    for view, here in stays:
        camera = site.cameras[here]
        bearing = true_bearing_deg(view.metadata, origin)
        if bearing is None or not _looks_along(camera) or _against(bearing, camera) < _CONTRADICTS_DEG:
            continue
        for there in near.query_ball_point((camera.east_m, camera.north_m), _NEAR_M):
            other = site.cameras[there]
            same_kind = _looks_along(other) and other.setting == camera.setting
            if there != here and same_kind and _against(bearing, other) <= _FITS_DEG:
                crossed.setdefault((here, there), []).append(
                    f"{view.name}, taken at {camera.camera}'s label, points {bearing:.0f}°, so that camera faces about "
                    f"{(bearing + 180) % 360:.0f}°: nearer {other.camera} ({other.bearing_deg:.0f}°) than {camera.camera} "
                    f"({camera.bearing_deg:.0f}°)."
                )
    return crossed


def _stays(index: LabelIndex, photos: Sequence[Photo], moments: dict[str, datetime | None]) -> list[tuple[Photo, int]]:
    """Views without a code, each with the camera of the label nearest in time on the same device, if it is close."""
    by_device: dict[str, list[tuple[datetime, Photo]]] = {}
    for photo in photos:
        at = moments[photo.name]
        if at is not None and photo.metadata.device is not None:
            by_device.setdefault(photo.metadata.device, []).append((at, photo))
    stays = []
    for taken in by_device.values():
        taken.sort(key=lambda item: (item[0], item[1].name))
        labels = [(at, here) for at, photo in taken if (here := _labelled(index, photo)) is not None]
        times = [at for at, _ in labels]
        for at, photo in taken:
            if photo.codes or photo.metadata.bearing_deg is None:
                continue
            k = bisect(times, at)
            nearest = min(labels[max(0, k - 1) : k + 1], key=lambda label: abs(label[0] - at), default=None)
            if nearest is not None and abs(nearest[0] - at) <= _SAME_STAY:
                stays.append((photo, nearest[1]))
    return stays


def _labelled(index: LabelIndex, photo: Photo) -> int | None:
    """The one camera whose code stands in a close-up."""
    found = {c for hit in index.hits(photo) if hit.source == "code" for c in hit.cameras}
    return found.pop() if len(found) == 1 else None


def _looks_along(camera: Camera) -> bool:
    """Whether the camera has a direction that one can stand in front of: not one that looks down from a ceiling."""
    return camera.pitch_deg > _STEEPEST_DEG


def _against(bearing_deg: float, camera: Camera) -> float:
    """Angle between where the phone looks and straight against the camera's planned axis."""
    return abs(bearing_difference_deg(bearing_deg, camera.bearing_deg + 180.0))

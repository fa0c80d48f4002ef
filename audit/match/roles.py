"""Which shot of the evidence list a photo is, and which shots a camera still lacks."""

from __future__ import annotations

from collections.abc import Sequence

from audit.match.labels import LabelHit, words
from audit.match.placement import Placement, Role
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site

__all__ = ["missing_shots", "role_of"]

_WORDS: dict[str, Role] = {
    "overview": "overview", "context": "overview", "wide": "overview", "scene": "overview",
    "mount": "mount", "bracket": "mount", "closeup": "mount", "side": "mount", "fixing": "mount",
    "label": "label", "serial": "label", "plate": "label", "barcode": "label", "qr": "label", "sn": "label",
    "snapshot": "snapshot", "snap": "snapshot", "still": "snapshot", "view": "snapshot", "live": "snapshot",
    "night": "snapshot",
}
_WANTED: tuple[Role, ...] = ("overview", "mount", "label", "snapshot")


def role_of(photo: Photo, camera: Camera | None, hits: Sequence[LabelHit]) -> Role:
    """The shot that a photo is, from its codes, name, size and metadata; ``unknown`` where nothing tells.

    A picture that has the planned camera's own image size, and neither the position nor the lens data of a phone,
    is a snapshot of that camera.
    """
    if photo.codes:
        return "label"
    folder, _, file_name = photo.name.rpartition("/")
    for text in (file_name.rsplit(".", 1)[0], folder):
        for word in words(text):
            if word in _WORDS:
                return _WORDS[word]
    meta = photo.metadata
    phone = meta.latitude is not None or meta.focal_35mm is not None or meta.bearing_deg is not None
    if camera is not None and not phone and photo.width_px:
        size = (camera.lens.width_px, camera.lens.height_px)
        if (photo.width_px, photo.height_px) == size:
            return "snapshot"
    if any(hit.source == "serial" for hit in hits):
        return "snapshot"
    if any(hit.source == "text" and hit.kind == "serial" for hit in hits):
        return "label"
    return "unknown"


def missing_shots(site: Site, placements: Sequence[Placement]) -> dict[str, tuple[Role, ...]]:
    """For every planned camera, the shots of the evidence list that no placed photo gives.

    A photo of unknown role stands for none of them.
    """
    have: dict[str, set[Role]] = {camera.camera: set() for camera in site.cameras}
    for placement in placements:
        if placement.decision == "placed" and placement.camera in have:
            have[placement.camera].add(placement.role)
    return {camera: tuple(role for role in _WANTED if role not in roles) for camera, roles in have.items()}

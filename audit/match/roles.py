"""Which shot of the evidence list a photo is, and which shots a camera still lacks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from audit.match.labels import LabelHit, words
from audit.match.placement import Light, Role
from audit.match.shots import Shows, role_by_look
from audit.photos.photo import Photo
from audit.plan.model import Camera

__all__ = ["CREW_SHOTS", "OWN_PICTURES", "by_hand", "lacking_shots", "light_named", "of_a_phone", "role_of", "roles_by_order"]

_WORDS: dict[str, Role] = {
    "overview": "wide view",
    "context": "wide view",
    "wide": "wide view",
    "scene": "wide view",
    "mount": "bracket",
    "bracket": "bracket",
    "closeup": "bracket",
    "side": "bracket",
    "fixing": "bracket",
    "label": "label",
    "serial": "label",
    "plate": "label",
    "barcode": "label",
    "qr": "label",
    "sn": "label",
    "snapshot": "snapshot",
    "snap": "snapshot",
    "still": "snapshot",
    "view": "snapshot",
    "live": "snapshot",
    "night": "snapshot",
    "turned": "turned",
}
#: The last word of a snapshot's file name that tells its light, as ``photo-audit collect`` writes it.
_LIGHTS: dict[str, Light] = {"day": "day", "night": "night"}
#: What the crew photographs at every camera, in the order of the work.
CREW_SHOTS: tuple[Role, ...] = ("label", "wide view", "bracket")
#: What the camera itself took.
OWN_PICTURES: tuple[Role, ...] = ("snapshot", "turned")

#: Cameras that must show in which order a crew takes two shots, and the share of them that must agree.
_LEAST_CAMERAS, _AGREE = 5, 0.9


def of_a_phone(photo: Photo) -> bool:
    """Whether the file carries what phones write and cameras on a wall don't: a position, a direction, lens data."""
    meta = photo.metadata
    return meta.latitude is not None or meta.focal_35mm is not None or meta.bearing_deg is not None


def by_hand(photo: Photo) -> bool:
    """Whether somebody may have taken a photo by hand: a phone did, or it lost all that the file said, as messengers' copies do."""
    meta = photo.metadata
    return of_a_phone(photo) or (meta.device is None and meta.serial is None and meta.taken_at is None)


def light_named(name: str) -> Light | None:
    """The light that a file's name ends with: a white room is as grey by day as under infrared; None where it ends with none.

    Examples
    --------
    >>> light_named("snapshots/TH-07_20260616-125449_day.jpg")
    'day'
    """
    last = words(name.rpartition("/")[2].rsplit(".", 1)[0])[-1:]
    return _LIGHTS.get(last[0]) if last else None


def role_of(photo: Photo, camera: Camera | None, hits: Sequence[LabelHit]) -> Role:
    """The shot that a photo is, from its codes, name, size, metadata and look; ``unknown`` where nothing tells.

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
    if camera is not None and not of_a_phone(photo) and photo.width_px:
        size = (camera.lens.width_px, camera.lens.height_px)
        if (photo.width_px, photo.height_px) == size:
            return "snapshot"
    if any(hit.source in ("serial", "picture") for hit in hits):
        return "snapshot"
    if any(hit.source == "text" and hit.kind == "serial" for hit in hits):
        return "label"
    return (role_by_look(Shows(photo.shows)) if photo.shows else None) or "unknown"


def _order_of_work(visits: Sequence[Sequence[Role]]) -> tuple[Role, ...]:
    """The crew's shots in the order in which it takes them; empty where known roles don't show one."""
    before = {(a, b): 0 for a in CREW_SHOTS for b in CREW_SHOTS if a != b}
    for roles in visits:
        for a, b in before:
            before[a, b] += a in roles and b in roles and roles.index(a) < roles.index(b)
    for a, b in before:
        seen = before[a, b] + before[b, a]
        if seen < _LEAST_CAMERAS or max(before[a, b], before[b, a]) < _AGREE * seen:
            return ()
    ahead = {shot: sum(before[shot, other] > before[other, shot] for other in CREW_SHOTS if other != shot) for shot in CREW_SHOTS}
    return tuple(sorted(CREW_SHOTS, key=lambda shot: -ahead[shot])) if len(set(ahead.values())) == len(CREW_SHOTS) else ()


def roles_by_order(visits: Sequence[Sequence[Role]]) -> list[list[Role]]:
    """Tells unknown shots by their place among a camera's photos, where the visit's known ones show the crew's order.

    Parameters
    ----------
    visits : sequence of sequences of Role
        For each camera the roles of its photos in the order in which they were taken, snapshots left out.

    Returns
    -------
    list of lists of Role
        The same, with unknown roles told where a camera has just the crew's shots and its known ones stand in their places.
    """
    order = _order_of_work(visits)

    def fits(roles: Sequence[Role]) -> bool:
        return len(roles) == len(order) and all(role in ("unknown", due) for role, due in zip(roles, order, strict=True))

    return [list(order) if fits(roles) else list(roles) for roles in visits]


def lacking_shots(roles: Iterable[str]) -> tuple[tuple[Role, ...], tuple[Role, ...]]:
    """The crew's shots that the photos at one camera don't give: those missing, and those that a person must tell apart.

    As many photos of unknown role stand for as many of overview and mount; a label is never guessed.
    """
    placed = tuple(roles)
    lacking = [role for role in CREW_SHOTS if role not in placed]
    by_look = [role for role in lacking if role != "label"][: placed.count("unknown")]
    return tuple(role for role in lacking if role not in by_look), tuple(by_look)

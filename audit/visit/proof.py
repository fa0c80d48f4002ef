"""Whether a picture that comes with the word that work is done shows the camera that it is said to be of."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from audit.account.account import Account, Shot, accounts_of
from audit.errors import PhotoRefused
from audit.match.labels import label_index
from audit.match.placement import Role
from audit.match.roles import role_of
from audit.measure.image import MEASURE_SIDE_PX
from audit.measure.swaps import best_views
from audit.photos.intake import OpenedPhoto
from audit.photos.pixels import decode
from audit.visit.run import Run

__all__ = ["role_as_proof"]

#: From this probability on a picture is taken to show another camera's view (our default, as for references).
_SURE = 0.9
_SAME_VIEW = 0.5


def role_as_proof(
    run: Run, account: Account, partners: Collection[str], opened: OpenedPhoto, vouched: bool
) -> Role:
    """What a picture from after the work is: ``snapshot`` where it is the camera's own, and can be measured.

    Parameters
    ----------
    partners : collection of str
        The camera, and those it may have been exchanged with.
    vouched : bool
        A person says that it is this camera's.

    Raises
    ------
    PhotoRefused
        ``not proof``, with the way on: where the picture is another camera's, or nothing in what should be the camera's
        own picture is like its earlier ones.
    """
    photo, camera = opened.photo, account.camera
    index = label_index(run.site)
    hits = index.hits(photo)
    role = role_of(photo, camera, hits)
    told = {run.site.cameras[c].camera for hit in hits for c in hit.cameras}
    by_phone = photo.metadata.latitude is not None or photo.metadata.focal_35mm is not None
    if not vouched and told and not told & set(partners):
        raise _not_proof(photo.name, f"its name or serial says {', '.join(sorted(told))}, not {camera.camera}")
    if role not in ("snapshot", "unknown") or by_phone or (vouched and role == "snapshot"):
        return role
    own = _pictures(run, [account])
    if own and _best(run, own, opened)[1] >= _SAME_VIEW:
        return "snapshot"
    if vouched:
        return role
    others = accounts_of(run.logbook, run.visit, [c for c in run.site.cameras if c.camera != camera.camera], run.limits)
    seen, probability = _best(run, _pictures(run, list(others.values())), opened)
    if seen in partners:
        return "snapshot"
    if seen is not None and probability >= _SURE:
        raise _not_proof(photo.name, f"it shows the view of {seen}, not that of {camera.camera}")
    if own and role == "snapshot":
        before = own[0][1].photo.name
        raise _not_proof(photo.name, f"nothing in it is like the earlier picture of {camera.camera} ({before})")
    return role


def _not_proof(name: str, why: str) -> PhotoRefused:
    return PhotoRefused(
        name,
        "not proof",
        f"{name}: not taken as proof: {why}. Hand in the right camera's picture, or say that it is this camera's (--vouch).",
    )


def _pictures(run: Run, accounts: Sequence[Account]) -> list[tuple[str, Shot]]:
    """Earlier pictures of cameras: the day's, else the night's."""
    shots = ((a.camera.camera, a.day or a.night) for a in accounts)
    return [(camera, shot) for camera, shot in shots if shot is not None]


def _best(run: Run, pictures: Sequence[tuple[str, Shot]], opened: OpenedPhoto) -> tuple[str | None, float]:
    """The camera whose earlier picture the new one is most like, with the probability of one view."""
    if not pictures:
        return None, 0.0
    decoded = [decode(run.logbook.image(shot.photo.sha256), MEASURE_SIDE_PX) for _, shot in pictures]
    lenses = [run.lens(c).resized(p.shape[1], p.shape[0]) for (c, _), p in zip(pictures, decoded, strict=True)]
    (match,) = best_views([opened.pixels], decoded, lenses)
    return (None, 0.0) if match.reference is None else (pictures[match.reference][0], match.probability)

"""One camera's evidence in one visit: its photos, what was measured in them and against its references.

Judge, desk and report take it from here; read for all cameras at once in a few statements.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from audit.judge.limits import Limits, planned_lens
from audit.judge.turned import turned_by_word
from audit.logbook import Channel, DonePictures, KeptRecord, Logbook, ReferenceRecord, VisitRecord, given_to, together
from audit.match.placement import Placement
from audit.match.roles import of_a_phone
from audit.measure.image import METHOD, measurement_method
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, ViewChange
from audit.measure.record import change_from_record, clarity_from_record, measurement_from_record
from audit.photos.photo import Photo
from audit.plan.model import Camera

__all__ = ["Account", "Shot", "accounts_of", "chosen", "compared_anew"]

#: Day snapshots of one camera that are seen together.
_SEEN_TOGETHER = 4


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo of the camera with its place and, for the camera's own pictures, its measurement."""

    photo: Photo
    placement: Placement
    measured: ImageMeasurement | None

    @property
    def night(self) -> bool:
        """Whether it is the camera's own picture, taken in the dark: by a person's word, else as measured."""
        if self.measured is None:
            return False
        return self.measured.clarity.night if self.placement.light is None else self.placement.light == "night"


@dataclass(frozen=True, slots=True)
class Account:
    """All that the logbook holds of one camera in one visit.

    Attributes
    ----------
    placements : tuple of Placement
        Photos that lie at the camera, by name.
    shots : tuple of Shot
        The same with what they are: the camera's own pictures first, day before night, the clearest first.
    references : tuple of ReferenceRecord
        Signed earlier, by day and by night.
    then : mapping
        What was measured in each signed reference by the camera's planned lens, by its channel.
    changes : mapping
        What came out of each comparison, by (reference's hash, today's hash).
    series : Clarity or None
        What stays on the glass over the day snapshots together.
    before : tuple of Shot
        The camera's own pictures from before the work that a later one shows as done, and those taken back; they count
        for nothing here.
    """

    visit: VisitRecord
    camera: Camera
    placements: tuple[Placement, ...]
    shots: tuple[Shot, ...]
    references: tuple[ReferenceRecord, ...]
    then: Mapping[Channel, Orientation]
    changes: Mapping[tuple[str, str], ViewChange]
    series: Clarity | None
    before: tuple[Shot, ...] = ()

    @property
    def snapshots(self) -> tuple[Shot, ...]:
        """The camera's own pictures that were measured."""
        return tuple(s for s in self.shots if s.measured is not None)

    @property
    def day(self) -> Shot | None:
        """The best day snapshot."""
        return next((s for s in self.snapshots if not s.night), None)

    @property
    def night(self) -> Shot | None:
        """The best night snapshot."""
        return next((s for s in self.snapshots if s.night), None)

    @property
    def seen_together(self) -> tuple[str, ...]:
        """Hashes of the day snapshots that are seen together, with those taken while the camera was turned; empty where there
        is one only, or no day snapshot."""
        day = tuple(s.photo.sha256 for s in self.snapshots if not s.night)
        turned = tuple(s.photo.sha256 for s in self.turned)[: _SEEN_TOGETHER - 1]
        together = day[: _SEEN_TOGETHER - len(turned)] + turned
        return together if day and len(together) > 1 else ()

    @property
    def turned(self) -> tuple[Shot, ...]:
        """The camera's own pictures from while it was turned, by name; a phone's picture of a screen is none."""
        own = (s for s in self.shots if s.placement.role == "turned" and not of_a_phone(s.photo))
        return tuple(sorted(own, key=lambda s: s.photo.name))

    def before_work(self, shot: Shot) -> Shot | None:
        """The picture of the same light that a picture handed in as done took the place of."""
        return next((s for s in self.before if s.night == shot.night), None)

    def with_done(self, shot: Shot) -> Account:
        """The same account as if a picture were handed in as done."""
        every, given = (*self.shots, *self.before, shot), DonePictures((shot.photo.name,))
        counting, before = _sorted_out(every, given)
        return replace(self, shots=counting, before=before, placements=(*self.placements, shot.placement), series=None)

    def reference(self, night: bool) -> ReferenceRecord | None:
        """The signed reference by day or by night."""
        return next((r for r in self.references if r.channel == ("night" if night else "day")), None)

    def compared(self, shot: Shot) -> tuple[ReferenceRecord | None, ViewChange | None]:
        """The reference that a snapshot is compared with, and what came out."""
        reference = None if shot.measured is None else self.reference(shot.night)
        return reference, None if reference is None else self.changes.get((reference.sha256, shot.photo.sha256))


def accounts_of(
    logbook: Logbook,
    visit: VisitRecord,
    cameras: Sequence[Camera],
    limits: Limits | None = None,
    given: Mapping[str, DonePictures] | None = None,
) -> dict[str, Account]:
    """The accounts of cameras of the plan, by camera, in the order given.

    Parameters
    ----------
    limits : Limits or None
        The visit's own, where they were read before.
    given : mapping or None
        What was handed in as done, by camera, where it was read before.
    """
    with logbook.one_view():
        if given is None:
            given = logbook.done_pictures(visit, cameras[0].camera if len(cameras) == 1 else None)
        found = _uncompared(logbook, visit, cameras, limits or logbook.limits(visit), given)
        return compared_anew(logbook, visit, found)


def _uncompared(
    logbook: Logbook, visit: VisitRecord, cameras: Sequence[Camera], limits: Limits, given: Mapping[str, DonePictures]
) -> dict[str, Account]:
    """Accounts without comparisons and series."""
    one = cameras[0].camera if len(cameras) == 1 else None
    placements = _by_camera(logbook.placements(visit, one))
    photos = {photo.name: photo for photo in logbook.photos(visit, one)}
    measured = logbook.measured(visit, one, visit.signed_at)
    referenced = logbook.referenced(visit, one, visit.signed_at)
    references: dict[str, list[ReferenceRecord]] = {}
    for reference in referenced:
        references.setdefault(reference.camera, []).append(reference)
    found = {}
    for camera in cameras:
        wanted = measurement_method(planned_lens(camera, limits))
        placed = tuple(p for p in placements.get(camera.camera, ()) if p.photo in photos)
        every = [_shot(photos[p.photo], p, measured, wanted) for p in placed]
        shots, before = _sorted_out(every, given.get(camera.camera, DonePictures()))
        signed = tuple(references.get(camera.camera, ()))
        then = {r.channel: _measurement(referenced[r], wanted) for r in signed}
        found[camera.camera] = Account(
            visit=visit,
            camera=camera,
            placements=placed,
            shots=shots,
            references=signed,
            then={channel: seen.orientation for channel, seen in then.items() if seen is not None},
            changes={},
            series=None,
            before=before,
        )
    return found


def compared_anew(logbook: Logbook, visit: VisitRecord, accounts: Mapping[str, Account]) -> dict[str, Account]:
    """The same accounts with the comparisons and series that are kept by now."""
    one = next(iter(accounts)) if len(accounts) == 1 else None
    changes = logbook.compared(visit, one, visit.signed_at) if any(a.references for a in accounts.values()) else {}
    series = logbook.seen_together(visit, one, visit.signed_at) if any(a.seen_together for a in accounts.values()) else {}
    return {name: _with_results(account, changes, series) for name, account in accounts.items()}


def chosen(kept: Sequence[KeptRecord], wanted: str) -> KeptRecord | None:
    """This program's record where there is one; else the latest before it, by which the visit was judged then.

    Parameters
    ----------
    kept : sequence of KeptRecord
        Oldest first.
    wanted : str
        Key of this program's method; others count only where they were given the same lens.
    """
    same = [record for record in kept if given_to(record.method) == given_to(wanted)]
    return next((record for record in same if record.method == wanted), same[-1] if same else None)


def _with_results(
    account: Account,
    changes: Mapping[tuple[str, str], Sequence[KeptRecord]],
    series: Mapping[tuple[str, str], Sequence[KeptRecord]],
) -> Account:
    found = {}
    for shot in account.snapshots:
        reference = account.reference(shot.night)
        pair = ("" if reference is None else reference.sha256, shot.photo.sha256)
        change = chosen(changes.get(pair, ()), METHOD)
        if change is not None:
            found[pair] = change_from_record(change.record())
    several = account.seen_together
    seen = chosen(series.get((account.camera.camera, together(several)), ()), METHOD) if several else None
    return replace(account, changes=found, series=None if seen is None else clarity_from_record(seen.record()))


def _sorted_out(shots: Iterable[Shot], given: DonePictures) -> tuple[tuple[Shot, ...], tuple[Shot, ...]]:
    """What counts, and the camera's own pictures that don't: from before the work that was done, or taken back.

    Of each light the last picture handed in as done counts alone. Those that don't count come with the visit's own first.
    """
    every = sorted(shots, key=_own_pictures_first)
    own = {s.photo.name: s for s in every if s.measured is not None}
    latest = {own[name].night: name for name in given.counting if name in own}
    aside = {
        name
        for name, shot in own.items()
        if name in given.taken_back or latest.get(shot.night, name) != name
    }
    before = sorted((own[name] for name in aside), key=lambda s: s.photo.name in {*given.counting, *given.taken_back})
    return tuple(s for s in every if s.photo.name not in aside), tuple(before)


def _shot(photo: Photo, placement: Placement, measured: Mapping[str, Sequence[KeptRecord]], wanted: str) -> Shot:
    found = _measurement(measured.get(photo.sha256, ()), wanted) if placement.role == "snapshot" else None
    return Shot(photo, placement, turned_by_word(found) if found is not None and placement.turned else found)


def _measurement(kept: Sequence[KeptRecord], wanted: str) -> ImageMeasurement | None:
    record = chosen(kept, wanted)
    return None if record is None else measurement_from_record(record.record())


def _by_camera(placements: Iterable[Placement]) -> dict[str, list[Placement]]:
    found: dict[str, list[Placement]] = {}
    for placement in placements:
        if placement.camera is not None:
            found.setdefault(placement.camera, []).append(placement)
    return found


def _own_pictures_first(shot: Shot) -> tuple[bool, bool, float, str]:
    if shot.measured is None:
        return True, False, 1.0, shot.photo.name
    dirt = shot.measured.clarity.dirt_probability
    return False, shot.night, 1.0 if dirt is None else round(dirt, 3), shot.photo.name

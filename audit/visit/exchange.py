"""Step seven: cameras whose pictures lie under each other's name, thought of before any repair."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from audit.account.account import Account
from audit.judge.evidence import CameraEvidence, Snapshot
from audit.judge.exchange import Hint, Weighed, hints_of, weigh, worth_measuring
from audit.lens import Lens
from audit.match.swaps import swapped_pairs
from audit.measure.image import MEASURE_SIDE_PX, measurement_method
from audit.measure.measurement import Orientation
from audit.measure.record import measurement_from_record
from audit.measure.swaps import best_views, shown_elsewhere
from audit.photos.photo import Photo
from audit.photos.pixels import decode
from audit.visit.measure import Measuring, measure_with
from audit.visit.run import Run

__all__ = ["exchange_hints", "find_exchanges"]

#: Cameras with a strange view that are matched against each other's references at once.
_MOST_STRANGE = 60


def exchange_hints(run: Run, photos: Iterable[Photo], accounts: Mapping[str, Account]) -> tuple[Hint, ...]:
    """What the photos' own words tell, then the signed references."""
    return (*hints_of(swapped_pairs(run.site, photos)), *_by_picture(run, accounts))


def find_exchanges(run: Run, evidence: Mapping[str, CameraEvidence], hints: tuple[Hint, ...]) -> Weighed:
    """The exchanges of the site, and the cameras that may be part of one.

    Pictures that might come from a camera with another lens are measured with that lens too, and without any, which
    tells how wide they are.
    """
    partners = worth_measuring(run.site, evidence, run.limits, hints)
    jobs = [(name, lens) for name, others in partners.items() for lens in _lenses(run, name, others)]
    shots = {name: day for name in partners if (day := evidence[name].day) is not None}
    waiting = [Measuring(shots[name].photo, shots[name].sha256, lens) for name, lens in jobs if name in shots]
    measure_with(run, waiting)
    again = {name: tuple(_orientations(run, shots[name], _lenses(run, name, partners[name]))) for name in shots}
    better = {name: replace(found, by_lens=again.get(name, ())) for name, found in evidence.items()}
    return weigh(run.site, better, run.limits, hints)


def _lenses(run: Run, camera: str, others: Iterable[str]) -> tuple[Lens | None, ...]:
    """The others' lenses at the size of this camera's pictures, and none; each once."""
    own = run.lens(camera)
    lenses = (run.lens(other).resized(own.width_px, own.height_px) for other in others)
    return (*dict.fromkeys(lens for lens in lenses if measurement_method(lens) != measurement_method(own)), None)


def _orientations(run: Run, shot: Snapshot, lenses: Iterable[Lens | None]) -> Iterator[Orientation]:
    for lens in lenses:
        record = run.logbook.measurement(shot.sha256, measurement_method(lens))
        if record is not None:
            yield measurement_from_record(record).orientation


def _by_picture(run: Run, accounts: Mapping[str, Account]) -> tuple[Hint, ...]:
    """Cameras that don't show their own signed reference but another's."""
    least = run.limits.movement.same_view_probability
    shown = [(name, account.day, account.compared(account.day)) for name, account in accounts.items() if account.day]
    found = [
        (name, shot, reference)
        for name, shot, (reference, change) in shown
        if reference is not None and change is not None and (change.same_view_probability or 0.0) < least
    ][:_MOST_STRANGE]
    if len(found) < 2:
        return ()
    strange = [name for name, _, _ in found]
    shots = [shot.photo for _, shot, _ in found]
    today = [decode(run.logbook.image(photo.sha256), MEASURE_SIDE_PX) for photo in shots]
    then = [decode(run.logbook.image(reference.sha256), MEASURE_SIDE_PX) for _, _, reference in found]
    lenses = [
        run.lens(camera).resized(pixels.shape[1], pixels.shape[0]) for camera, pixels in zip(strange, then, strict=True)
    ]
    matches = best_views(today, then, lenses)
    return tuple(
        Hint(strange[here], strange[there], f"{shots[here].name} shows the signed reference of {strange[there]}.", True)
        for here, there in shown_elsewhere(matches, range(len(strange)))
    )

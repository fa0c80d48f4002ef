"""What shows where cameras are panned to: clicks of this visit, boards in its pictures, and what was shown before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from audit.account.account import Account, Shot
from audit.account.boards import boards_of
from audit.judge.evidence import CameraEvidence, Pointed, ShownBearing
from audit.judge.limits import Limits, planned_lens
from audit.judge.panned import landmarks_of, place_of
from audit.logbook import Logbook, PointRecord, VisitRecord
from audit.measure.board import Board, Sighted, board_sentences, view_of
from audit.plan.model import Camera, Landmark, Site
from audit.visit.boards import BOARDS_METHOD, boards_from_record

__all__ = ["Shown", "as_pointed", "shown_before", "with_bearing"]


@dataclass(frozen=True, slots=True)
class Shown:
    """Read once for all cameras of a run.

    Attributes
    ----------
    clicks : mapping
        Entries in force by camera.
    before : mapping
        Bearings of signed references by (visit, camera).
    boards : mapping
        The site's boards by number.
    photographed : mapping
        Boards in the crew's photos, by the photo's hash.
    """

    clicks: Mapping[str, tuple[PointRecord, ...]]
    before: Mapping[tuple[int, str], ShownBearing]
    boards: Mapping[int, Sighted]
    photographed: Mapping[str, tuple[Board, ...]]


def shown_before(logbook: Logbook, visit: VisitRecord, site: Site, accounts: Mapping[str, Account]) -> Shown:
    """Clicks, earlier bearings and boards, for the cameras of the accounts."""
    one = next(iter(accounts)) if len(accounts) == 1 else None
    clicks: dict[str, tuple[PointRecord, ...]] = {}
    for record in logbook.points(visit, one):
        if record.in_force:
            clicks[record.camera] = (*clicks.get(record.camera, ()), record)
    visits = {r.visit for a in accounts.values() if (r := a.reference(night=False)) is not None}
    before = {(number, camera): shown for number in visits for camera, shown in _shown_in(logbook, number, one)}
    kept = logbook.measurements(visit, BOARDS_METHOD).items()
    photographed = {sha256: boards_from_record(record) for sha256, record in kept}
    return Shown(clicks, before, boards_of(logbook, site), photographed)


def with_bearing(
    evidence: CameraEvidence, account: Account, site: Site, shown: Shown, limits: Limits
) -> CameraEvidence:
    """The evidence of a camera with what shows where it is panned to."""
    camera = account.camera
    sizes = {s.photo.name: (s.photo.width_px, s.photo.height_px) for s in account.snapshots}
    clicks = tuple(
        as_pointed(site, camera, record, sizes[record.photo])
        for record in shown.clicks.get(camera.camera, ())
        if record.photo in sizes
    )
    told = {p.landmark for p in clicks}
    boards, notes = _by_boards(site, account, shown, limits)
    reference = account.reference(night=False)
    before = None if reference is None else shown.before.get((reference.visit, camera.camera))
    return replace(
        evidence,
        pointed=(*clicks, *(p for p in boards if p.landmark not in told)),
        reference_bearing=before,
        can_point=bool(landmarks_of(site, camera)),
        board_notes=notes,
    )


def as_pointed(site: Site, camera: Camera, record: PointRecord, size_px: tuple[int, int]) -> Pointed:
    """A click with the place that the plan gives now."""
    return Pointed(
        record.landmark,
        place_of(site, camera, record.landmark),
        record.photo,
        record.at_px,
        size_px,
        record.by,
        record.confirmed,
    )


def _shown_in(logbook: Logbook, number: int, camera: str | None) -> Iterable[tuple[str, ShownBearing]]:
    """Bearings by the verdicts of a signed visit, without those that a reviewer dismissed."""
    dismissed = {
        d.camera for d in logbook.standing(number) if d.check == "pan" and d.decision == "dismiss"
    }
    for verdict in logbook.verdicts(number, camera):
        for finding in verdict.findings:
            known = finding.check == "pan" and finding.measured is not None and finding.measured_sd is not None
            if known and verdict.camera not in dismissed:
                yield verdict.camera, ShownBearing(finding.measured or 0.0, finding.measured_sd or 0.0, number)


def _by_boards(
    site: Site, account: Account, shown: Shown, limits: Limits
) -> tuple[list[Pointed], tuple[str, ...]]:
    """Boards in the camera's own pictures, and what is to be said of those that can't be used, the crew's included."""
    camera, known = account.camera, shown.boards
    found: list[Pointed] = []
    notes: list[str] = []
    for shot in account.snapshots:
        boards = () if shot.measured is None else shot.measured.boards
        notes += board_sentences(camera.camera, boards, known, snapshot=True)
        numbers = [b.number for b in boards]
        for board in boards:
            place = _place(site, camera, known.get(board.number if board.number is not None else -1))
            if place is not None and numbers.count(board.number) == 1:
                seen = _seen(camera, shot, board, place, limits)
                if seen is not None and all(p.landmark != seen.landmark for p in found):
                    found.append(seen)
    for shot in account.shots:
        if shot.measured is None:
            boards = shown.photographed.get(shot.photo.sha256, ())
            notes += board_sentences(camera.camera, boards, known, snapshot=False)
    return found, tuple(dict.fromkeys(notes))


def _place(site: Site, camera: Camera, board: Sighted | None) -> Landmark | None:
    """Where a board hangs; the one that is carried along stands for the only target of a camera."""
    if board is None:
        return None
    if board.target is None or board.camera is None:
        return place_of(site, camera, camera.targets[0].name) if len(camera.targets) == 1 else None
    if board.camera == camera.camera:
        return place_of(site, camera, board.target)
    if board.camera not in site:
        return None
    other = place_of(site, site.camera(board.camera), board.target)
    return None if other is None else replace(other, landmark=f"{board.target} of {board.camera}")


def _seen(camera: Camera, shot: Shot, board: Board, place: Landmark, limits: Limits) -> Pointed | None:
    lens = planned_lens(camera, limits)
    size = shot.photo.width_px, shot.photo.height_px
    if (lens.width_px, lens.height_px) != size:
        lens = lens.resized(*size)
    view = view_of(board, lens)
    if view is None:
        return None
    at = view.column_px, view.row_px
    return Pointed(place.landmark, place, shot.photo.name, at, size, by_board=True, px_per_m=view.px_per_m,
                   px_per_m_sd=view.px_per_m_sd)  # fmt: skip

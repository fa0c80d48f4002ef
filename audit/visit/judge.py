"""The last step: the evidence of each camera to its verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from audit.account.account import Account, Shot
from audit.judge.evidence import NOTHING_ELSE, CameraEvidence, Comparison, DeviceKnown, Snapshot
from audit.judge.exchange import Weighed
from audit.judge.finding import Verdict
from audit.judge.findings import judge_camera, waiting_verdict
from audit.judge.hints import bearing_hints
from audit.logbook import DeviceRecord
from audit.match.evidence import true_bearing_deg
from audit.match.placement import Placement
from audit.measure.measurement import ImageMeasurement, Orientation
from audit.measure.several import combine_orientations
from audit.plan.check import plan_errors
from audit.plan.model import Site, bare_id
from audit.visit.grounds import grounds_of
from audit.visit.pointed import shown_before, with_bearing
from audit.visit.run import Progress, Run
from audit.visit.shots import brackets_seen
from audit.visit.written import written_by_camera

__all__ = ["evidence_by_camera", "judge", "with_hints"]



def evidence_by_camera(
    run: Run, placements: Sequence[Placement], accounts: Mapping[str, Account]
) -> dict[str, CameraEvidence]:
    """All that the visit brought for each camera of the plan."""
    uncertain = _uncertain(placements)
    asked = run.logbook.devices(run.visit)
    devices = _devices_known(run, asked)
    written, site_time = written_by_camera(run, placements)
    wrong = plan_errors(run.site)
    brackets = brackets_seen(run, accounts)
    shown = shown_before(run.logbook, run.visit, run.site, accounts)
    found = {}
    for name, account in accounts.items():
        told = asked.get(name)
        evidence = with_bearing(_evidence(run, account, uncertain[name]), account, run.site, shown, run.limits)
        found[name] = replace(
            evidence,
            device=None if told is None else told.facts,
            device_owner=run.site.owner_of(told.facts.serial) if told is not None and told.facts is not None else None,
            device_known=devices.get(name, NOTHING_ELSE),
            no_picture=None if told is None else told.message,
            written=written.get(name, ()),
            site_time=site_time,
            plan_errors=wrong.get(name, ()),
            brackets=brackets.get(name, ()),
        )
    return found


def _devices_known(run: Run, asked: Mapping[str, DeviceRecord]) -> dict[str, DeviceKnown]:
    """What else is known of the serials that devices told: others that told the same, and what was told before."""
    told = {name: bare_id(r.facts.serial) for name, r in asked.items() if r.facts is not None and r.facts.serial is not None}
    if not told:
        return {}
    before: dict[str, tuple[str, int]] = {}
    for visit in run.logbook.visits():
        if visit.number < run.visit.number:
            earlier = run.logbook.devices(visit).items()
            before |= {name: (r.facts.serial, visit.number) for name, r in earlier if r.facts is not None and r.facts.serial}
    same: dict[str, list[str]] = {}
    for name, serial in told.items():
        same.setdefault(serial, []).append(name)
    found = {}
    for name, serial in told.items():
        was, visit_before = before.get(name, (None, 0))
        found[name] = DeviceKnown(was, visit_before, tuple(other for other in same[serial] if other != name))
    return found


def with_hints(run: Run, evidence: Mapping[str, CameraEvidence]) -> dict[str, CameraEvidence]:
    """The same with what the site's pictures together say against a planned bearing; wants all cameras of the site."""
    told = bearing_hints(run.site, evidence, run.limits, grounds_of(run, evidence))
    return {name: replace(found, hints=told.get(name, ())) for name, found in evidence.items()}


def judge(run: Run, evidence: Mapping[str, CameraEvidence], weighed: Weighed) -> tuple[Verdict, ...]:
    """Judge every camera of the plan, and keep the verdicts."""
    exchanged = {name: exchange for exchange in weighed.exchanges for name in exchange.cameras}
    verdicts = []
    for done, camera in enumerate(run.site.cameras, 1):
        name = camera.camera
        known = replace(evidence[name], exchange=exchanged.get(name), doubt=weighed.doubts.get(name))
        verdicts.append(judge_camera(camera, known, run.limits))
        run.progress(Progress("judge", done, len(run.site.cameras), name))
    verdicts += [waiting_verdict(camera) for camera in run.site.waiting]
    run.logbook.put_verdicts(run.visit, verdicts)
    return tuple(verdicts)


def _evidence(run: Run, account: Account, uncertain: int) -> CameraEvidence:
    shots = tuple(_snapshot(shot, shot.measured) for shot in account.shots if shot.measured is not None)
    return CameraEvidence(
        placements=account.placements,
        uncertain=uncertain,
        snapshots=shots,
        orientation=_combined(shots),
        series=account.series,
        comparisons=tuple(_comparisons(account)),
        reference_orientation=account.then.get("day"),
        maintenance=run.visit.kind == "maintenance",
        crew_bearings_deg=tuple(_crew_bearings(run.site, account)),
    )


def _crew_bearings(site: Site, account: Account) -> Iterator[float]:
    """True bearings of the crew's phones in the photos of the camera that show it from outside."""
    origin = None
    if site.origin_latitude is not None and site.origin_longitude is not None:
        origin = site.origin_latitude, site.origin_longitude
    for shot in account.shots:
        bearing = true_bearing_deg(shot.photo.metadata, origin)
        if bearing is not None and shot.placement.role != "snapshot":
            yield bearing


def _snapshot(shot: Shot, measured: ImageMeasurement) -> Snapshot:
    photo, taken_at = shot.photo, shot.photo.metadata.taken_at
    turned = shot.placement.turned
    return Snapshot(photo.name, photo.sha256, photo.width_px, photo.height_px, taken_at, shot.night, measured, turned)


def _comparisons(account: Account) -> Iterator[Comparison]:
    """The best snapshot of each light against the reference of that light."""
    for shot in (account.day, account.night):
        if shot is not None:
            reference, change = account.compared(shot)
            if reference is not None and change is not None:
                yield Comparison(reference.photo, shot.photo.name, shot.night, change, reference.glass_verified)


def _uncertain(placements: Iterable[Placement]) -> Counter[str]:
    """How many photos that wait for a person may be each camera's."""
    found: Counter[str] = Counter()
    for placement in placements:
        if placement.decision == "uncertain":
            found.update(a.camera for a in placement.alternatives[:2] if a.camera is not None)
    return found


def _combined(shots: Sequence[Snapshot]) -> Orientation | None:
    day = [s.measured.orientation for s in shots if not s.night]
    return combine_orientations(day) if len(day) > 1 else None

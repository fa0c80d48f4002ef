"""Cameras judged again in the same moment, by where their photos lie and what people said by now."""

from __future__ import annotations

from collections.abc import Iterable

from audit import compute
from audit.account.account import Account, accounts_of, compared_anew
from audit.judge.evidence import CameraEvidence
from audit.judge.finding import Finding, Verdict
from audit.judge.findings import MAY_BE_OF, judge_camera
from audit.judge.limits import Limits
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Site
from audit.visit.compare import compare
from audit.visit.exchange import exchange_hints, find_exchanges
from audit.visit.judge import evidence_by_camera, judge, with_hints
from audit.visit.measure import measure
from audit.visit.place import placed_snapshots
from audit.visit.reading import with_texts
from audit.visit.run import Run
from audit.visit.series import see_together

__all__ = ["evidence_of", "judge_anew", "judge_placed"]

#: How often a judgement begins anew because somebody spoke meanwhile.
_MOST_ROUNDS = 5


def judge_placed(run: Run) -> None:
    """Measure, compare and judge the whole visit by where the photos lie; again where somebody spoke meanwhile."""
    for _ in range(_MOST_ROUNDS):
        said = run.logbook.last_said(run.visit)
        placements = run.logbook.placements(run.visit)
        photos = with_texts(run, {photo.name: photo for photo in run.logbook.photos(run.visit)})
        measure(run, photos, placed_snapshots(placements))
        accounts = accounts_of(run.logbook, run.visit, run.site.cameras, run.limits)
        see_together(run, accounts)
        compare(run, accounts)
        accounts = compared_anew(run.logbook, run.visit, accounts)
        evidence = with_hints(run, evidence_by_camera(run, placements, accounts))
        judge(run, evidence, find_exchanges(run, evidence, exchange_hints(run, photos.values(), accounts)))
        if run.logbook.last_said(run.visit) == said:
            return


def judge_anew(logbook: Logbook, visit: VisitRecord, cameras: Iterable[str]) -> tuple[Verdict, ...]:
    """Judge cameras again; the whole visit where one of them is part of an exchange, or may be.

    What is known is judged first, so that a word counts at once; pictures that have come to a camera are measured then.

    Returns
    -------
    tuple of Verdict
        As they count now, in the order given; cameras that the plan no longer has are passed over.
    """
    site, limits = logbook.site(visit), logbook.limits(visit)
    names = [name for name in dict.fromkeys(cameras) if name in site]
    with compute.executor(0) as executor:
        run = Run(logbook, visit, site, limits, executor)
        if any(_hangs_on_others(f) for name in names for v in logbook.verdicts(visit, name) for f in v.findings):
            judge_placed(run)
        else:
            _judge_some(run, names)
    return tuple(verdict for name in names for verdict in logbook.verdicts(visit, name))


def _hangs_on_others(finding: Finding) -> bool:
    """Whether a finding was weighed over the whole site."""
    return bool(finding.shared) or MAY_BE_OF in finding.evidence


def evidence_of(logbook: Logbook, visit: VisitRecord, site: Site, account: Account, limits: Limits) -> CameraEvidence:
    """All that the logbook holds of one camera in a visit by now."""
    with compute.executor(0) as executor:
        run = Run(logbook, visit, site, limits, executor)
        found = evidence_by_camera(run, logbook.placements(visit), {account.camera.camera: account})
        return found[account.camera.camera]


def _judge_some(run: Run, names: list[str]) -> None:
    for _ in range(_MOST_ROUNDS):
        said = run.logbook.last_said(run.visit)
        accounts = _accounts(run, names)
        waiting = [s for a in accounts.values() for s in a.shots if s.placement.role == "snapshot" and s.measured is None]
        if waiting:
            _keep(run, accounts)
            measure(run, {s.photo.name: s.photo for s in waiting}, placed_snapshots(s.placement for s in waiting))
            accounts = _accounts(run, names)
        see_together(run, accounts)
        compare(run, accounts)
        _keep(run, {n: a for name in accounts for n, a in compared_anew(run.logbook, run.visit, {name: accounts[name]}).items()})
        if run.logbook.last_said(run.visit) == said:
            return


def _accounts(run: Run, names: list[str]) -> dict[str, Account]:
    return {
        name: account
        for one in names
        for name, account in accounts_of(run.logbook, run.visit, [run.site.camera(one)], run.limits).items()
    }


def _keep(run: Run, accounts: dict[str, Account]) -> None:
    for name, known in evidence_by_camera(run, run.logbook.placements(run.visit), accounts).items():
        run.logbook.put_verdict(run.visit, judge_camera(run.site.camera(name), known, run.limits))

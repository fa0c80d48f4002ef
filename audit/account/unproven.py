"""Every check of a visit that is not verified, with the reason and what a person said about it: one list for all places."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from audit.judge.finding import Check, Finding, Verdict
from audit.logbook import Logbook, VisitRecord

__all__ = ["Reason", "Unproven", "by_reason", "left_open", "unproven", "unproven_of", "unproven_sentences"]

Reason = Literal[
    "no picture", "photos waiting", "no night picture", "pan never shown", "glass not seen clean", "not measured",
    "site photos missing", "not seen",
]  # fmt: skip
_BY_CHECK: dict[Check, Reason] = {
    "night": "no night picture", "pan": "pan never shown", "cleanliness": "glass not seen clean",
    "photos": "site photos missing",
}  # fmt: skip
_NAMED = 12


@dataclass(frozen=True, slots=True)
class Unproven:
    """One check of one camera that is not verified.

    Attributes
    ----------
    said : str
        ``tolerate`` or ``promise`` where a person said so; empty where it is left open.
    by, words : str
        Who, and why.
    due : date or None
        Until when it is promised.
    """

    camera: str
    check: Check
    reason: Reason
    why: str
    said: str = ""
    by: str = ""
    words: str = ""
    due: date | None = None


def unproven(logbook: Logbook, visit: VisitRecord) -> tuple[Unproven, ...]:
    """All of a visit, cameras worst first."""
    return unproven_of(logbook, visit, logbook.verdicts(visit))


def unproven_of(logbook: Logbook, visit: VisitRecord, verdicts: Iterable[Verdict]) -> tuple[Unproven, ...]:
    """Those of some verdicts of a visit."""
    said = {(d.camera, d.check): d for d in logbook.standing(visit) if d.decision in ("tolerate", "promise")}
    found = []
    for verdict in verdicts:
        unseen = any(f.check == "image" and f.state == "not verified" for f in verdict.findings)
        for finding in verdict.findings:
            if finding.state == "not verified":
                word = said.get((verdict.camera, finding.check))
                told = () if word is None else (word.decision, word.by, word.why, word.due)
                found.append(Unproven(verdict.camera, finding.check, _reason(finding, unseen), finding.why, *told))
    return tuple(found)


def left_open(items: Iterable[Unproven]) -> tuple[Unproven, ...]:
    """Those that nobody has tolerated or promised."""
    return tuple(item for item in items if not item.said)


def by_reason(items: Iterable[Unproven]) -> dict[Reason, tuple[Unproven, ...]]:
    """The same by reason, the commonest first."""
    found: dict[Reason, list[Unproven]] = {}
    for item in items:
        found.setdefault(item.reason, []).append(item)
    return {reason: tuple(group) for reason, group in sorted(found.items(), key=lambda pair: -len(pair[1]))}


def unproven_sentences(items: Sequence[Unproven]) -> tuple[str, ...]:
    """How many there are, and by reason where; none where everything was seen."""
    if not items:
        return ()
    cameras = len({item.camera for item in items})
    settled = len(items) - len(left_open(items))
    more = f" ({settled} tolerated or promised)" if settled else ""
    head = f"Not verified: {_checks(len(items))} of {cameras} camera{'' if cameras == 1 else 's'}{more}."
    return (head, *(f"{reason.capitalize()}: {_places(group)}." for reason, group in by_reason(items).items()))


def _places(group: Sequence[Unproven]) -> str:
    names = list(dict.fromkeys(item.camera for item in group))
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{_checks(len(group))} ({', '.join(names[:_NAMED])}{more})"


def _checks(number: int) -> str:
    return f"{number} check{'' if number == 1 else 's'}"


def _reason(finding: Finding, unseen: bool) -> Reason:
    if finding.check == "photos":
        return "site photos missing"
    if unseen:
        return "photos waiting" if finding.check == "image" and "wait to be placed" in finding.why else "no picture"
    if finding.check in _BY_CHECK and (finding.check != "night" or finding.photo is None):
        return _BY_CHECK[finding.check]
    return "not measured" if finding.why.startswith("Not measured") or "vague" in finding.why else "not seen"

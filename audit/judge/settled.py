"""What stands after people have spoken: the judge's verdict with their findings and decisions laid over it, in order.

ISO 9000's terms, as far as they apply: a dismissed fault is conformity by a person's word, a tolerated one a concession,
and a confirmed one a nonconformity that waits for its correction.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from audit.judge.finding import Check, Finding, Remedy, State, Verdict, in_order, state_of_all

__all__ = ["Said", "Word", "answered", "decided_on", "settled"]

Word = Literal["confirm", "dismiss", "tolerate", "promise", "finding", "done", "wait"]


@dataclass(frozen=True, slots=True)
class Said:
    """One entry of a person about one check.

    Attributes
    ----------
    state : State or None
        Of a person's own finding; of ``done``: what the picture after the work made of the finding.
    photo, column_px, row_px : str, float, float or None
        Where it is seen.
    due : date or None
        Until when it is promised.
    """

    word: Word
    by: str
    why: str
    state: State | None = None
    photo: str | None = None
    column_px: float | None = None
    row_px: float | None = None
    due: date | None = None


def settled(judged: Verdict, said: Mapping[Check, Sequence[Said]]) -> Verdict:
    """The verdict that counts.

    Parameters
    ----------
    judged : Verdict
        As the judge left it.
    said : mapping from check to entries
        Those that were not taken back, in the order in which they were added.
    """
    if not said:
        return judged
    by_check = {f.check: f for f in judged.findings}
    for check, entries in said.items():
        if any(e.word == "dismiss" for e in entries) and (one := by_check.get(check)) is not None and one.shared:
            # what the exchange held back comes forward, each under its own check
            by_check = {f.check: f for f in one.withheld} | by_check
    found = []
    for check in (*by_check, *(c for c in said if c not in by_check)):
        finding, decision = _walk(judged.camera, check, by_check.get(check), said.get(check, ()))
        finding = finding if decision is None else _decided(judged.camera, check, finding, decision)
        if finding is not None:
            found.append(finding)
    findings = tuple(in_order(found))
    return replace(judged, state=state_of_all(findings), findings=findings)


def decided_on(judged: Verdict, check: Check, said: Iterable[Said]) -> Finding | None:
    """The finding that the next decision on a check is about; None where there is none."""
    finding = next((f for f in judged.findings if f.check == check), None)
    return _walk(judged.camera, check, finding, said)[0]


def _walk(
    camera: str, check: Check, finding: Finding | None, said: Iterable[Said]
) -> tuple[Finding | None, Said | None]:
    """The finding that stands, and the decision on it that counts."""
    decision: Said | None = None
    judged = finding
    for entry in said:
        if entry.word == "finding":
            finding, decision = _own(camera, check, entry), None
        elif entry.word == "done":
            finding, decision = answered(camera, check, judged, entry), None
        elif entry.word == "wait":
            continue
        elif entry.word == "dismiss" and finding is not None and (held := _held_back(finding)) is not None:
            finding, decision = held, None
        else:
            decision = entry
    return finding, decision


def answered(camera: str, check: Check, judged: Finding | None, said: Said) -> Finding:
    """The finding after the work: as judged from the picture that came with it; *to check* where that doesn't tell.

    A crew's own photo of its work is no measurement, and neither is a picture in which the check can't be measured: both
    leave the last word to a person.
    """
    told = f"Done by {said.by}."
    who = {"by": said.by, "done": said.photo}
    if judged is not None and _tells(judged, said.state):
        return replace(judged, why=f"{judged.why} {told}", evidence=judged.evidence | who)
    return Finding(
        camera,
        check,
        "to check",
        f"{told} No measurement shows it: look at {said.photo}.",
        photo=said.photo,
        remedy=Remedy(f"Look at {said.photo}: is the fault corrected? Dismiss the finding if so."),
        evidence=dict(who),
    )


def _tells(judged: Finding, after: State | None) -> bool:
    """Whether what the judge says holds after the work too."""
    if judged.state == "not verified":
        return after == "not verified"
    return judged.state != "defect" or after != "to check"


def _held_back(finding: Finding) -> Finding | None:
    """What an exchange held back about its own check."""
    return next((f for f in finding.withheld if f.check == finding.check), None)


def _own(camera: str, check: Check, said: Said) -> Finding:
    state = said.state or "to check"
    asks = state in ("defect", "to check")
    where = {} if said.column_px is None else {"at_px": [said.column_px, said.row_px]}
    return Finding(
        camera,
        check,
        state,
        f"{_sentence(said.why)} Seen by {said.by}.",
        photo=said.photo,
        remedy=Remedy(f"As seen by {said.by}: {_sentence(said.why)}") if asks else None,
        evidence={"by": said.by, **where},
    )


def _decided(camera: str, check: Check, finding: Finding | None, decision: Said) -> Finding | None:
    told = f"{decision.by}: {_sentence(decision.why)}" if decision.why.strip() else f"{decision.by}."
    if finding is None:
        return _without_finding(camera, check, decision, told)
    if decision.word == "confirm" and finding.state == "to check":
        return replace(finding, state="defect", why=f"{finding.why} Confirmed by {told}")
    if decision.word == "dismiss":
        if finding.state == "as planned":
            return replace(finding, state="to check", why=f"Pass dismissed by {told} {finding.why}")
        return replace(finding, state="as planned", why=f"{finding.why} Dismissed by {told}", remedy=None, withheld=())
    return finding


def _without_finding(camera: str, check: Check, decision: Said, told: str) -> Finding | None:
    """A decision on a check that nothing was found about."""
    words: dict[Word, tuple[State, str]] = {
        "confirm": ("defect", "A fault by the word of"),
        "dismiss": ("as planned", "No fault by the word of"),
        "tolerate": ("not verified", "Tolerated unseen by"),
        "promise": ("not verified", "Promised by"),
    }
    if decision.word not in words:
        return None
    state, word = words[decision.word]
    remedy = Remedy(f"As told by {told}") if state == "defect" else None
    return Finding(camera, check, state, f"{word} {told}", remedy=remedy, evidence={"by": decision.by})


def _sentence(text: str) -> str:
    """A person's words as a sentence."""
    clean = text.strip()
    if not clean:
        return ""
    return f"{clean[0].upper()}{clean[1:]}" + ("" if clean[-1] in ".!?" else ".")

"""What a picture from after the work makes of a finding, in figures: before, after, closed or kept."""

from __future__ import annotations

from audit.judge.finding import Check, Finding, State, Verdict

__all__ = ["after_work", "figures", "said_after"]

_TWO_SIDED_95 = 1.96


def after_work(before: Finding | None, check: Check, verdict: Verdict | None) -> tuple[State, Finding | None]:
    """The state of a finding after the work, and what was measured.

    Parameters
    ----------
    before : Finding or None
        As it stood.
    verdict : Verdict or None
        Of the camera as judged with the picture from after the work; None where that is no picture from the camera itself,
        so that nothing was measured.
    """
    after = None if verdict is None else next((f for f in verdict.findings if f.check == check), None)
    if after is None:
        return "to check", None
    unseen_before = before is not None and before.state == "not verified"
    if after.state == "not verified" and not unseen_before:
        return "to check", after
    return after.state, after


def said_after(why: str, before: Finding | None, after: Finding | None, state: State, photo: str) -> str:
    """One sentence each on before and after, behind the words of whoever did it."""
    words = why.strip()
    said = "" if not words else words if words[-1] in ".!?" else f"{words}."
    then = "no finding" if before is None else f"{figures(before)} ({before.state}{_seen_in(before)})"
    now = "not measured" if after is None else figures(after)
    return f"{said} Before: {then}. After: {now} ({state}, {photo}).".strip()


def figures(finding: Finding) -> str:
    """The measured value with its 95 % interval; ``not measured`` where there is none."""
    if finding.measured is None or finding.unit is None:
        return "not measured"
    band = None if finding.measured_sd is None else _TWO_SIDED_95 * finding.measured_sd
    value = _amount(finding.measured, finding.unit, signed=True)
    return value if band is None else f"{value} ± {_amount(band, finding.unit, signed=False)}"


def _amount(value: float, unit: str, signed: bool) -> str:
    if unit == "deg":
        return f"{value:+z.1f}°" if signed else f"{value:z.1f}°"
    return f"{100 * value:z.0f} %" if unit in ("share", "probability") else f"{value:.3g} {unit}"


def _seen_in(finding: Finding) -> str:
    return f", {finding.photo}" if finding.photo else ""

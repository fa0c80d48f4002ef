"""Whether a camera's picture may become its reference: only what was found good, or what a person stands for."""

from __future__ import annotations

from collections.abc import Collection

from audit.judge.finding import Check, Verdict

__all__ = ["glass_verified", "reference_bar", "reference_grounds"]

#: Without these seen or confirmed, later visits would be held to a pose that nobody knows.
_POSE: tuple[Check, ...] = ("aim", "level")


def reference_bar(verdict: Verdict, tolerated: Collection[Check]) -> str | None:
    """Why none of the camera's pictures may become a reference; None where one may.

    Parameters
    ----------
    verdict : Verdict
        As it counts, with what people dismissed and confirmed laid over it.
    tolerated : collection of checks
        Findings that stand and are tolerated.
    """
    standing = [f for f in verdict.findings if f.state in ("defect", "to check") and f.check not in tolerated]
    if standing:
        return ", ".join(f"{f.check} {f.state}" for f in standing)
    unseen = [f.check for f in verdict.findings if f.check in _POSE and f.state == "not verified"]
    unseen = [check for check in unseen if check not in tolerated]
    return f"{' and '.join(unseen)} not verified, and nobody confirmed it" if unseen else None


def reference_grounds(verdict: Verdict, tolerated: Collection[Check]) -> str:
    """On what grounds a picture becomes reference."""
    conceded = [f.check for f in verdict.findings if f.check in tolerated and f.state != "as planned"]
    return f"tolerated: {', '.join(conceded)}" if conceded else "as planned"


def glass_verified(verdict: Verdict) -> bool:
    """Whether the glass was seen clean when the picture became reference: else it can't prove later glass clean."""
    return any(f.check == "cleanliness" and f.state == "as planned" for f in verdict.findings)

"""Errors that a user can do something about.

Every message is one sentence that names what was read and says what to do. The command line prints it
without a traceback and exits with ``exit_code``.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["AuditError", "LogbookError", "PhotoRefused", "PlanError", "PlanProblem", "SignatureError"]


class AuditError(Exception):
    """Root of all errors that the program raises on purpose.

    Parameters
    ----------
    message : str
        One sentence for a person: what, where, and what to do.
    """

    exit_code = 2

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


@dataclass(frozen=True, slots=True)
class PlanProblem:
    """One thing that is wrong in a plan, with the cell it stands in.

    Attributes
    ----------
    file : str
        File name (and sheet, if any) as the user knows it.
    row : int or None
        Row number as a spreadsheet shows it (the header is row 1), None where the whole file is meant.
    column, value, accepted : str or None
        Column name, the value found, and what would be accepted.
    message : str
        One sentence.
    severity : str
        ``error`` (it can't be used or built as planned), ``warning`` (it can, with care) or ``caution`` (worth knowing).
    camera : str or None
        The camera concerned, if any.
    remedy : str or None
        What to do about it.
    cell : str or None
        The cell or cells as a spreadsheet names them (``cameras!F12``).
    guess : str or None
        What is probably meant; ``plan check --fix`` takes it.
    """

    file: str
    message: str
    row: int | None = None
    column: str | None = None
    value: str | None = None
    accepted: str | None = None
    severity: str = "error"
    camera: str | None = None
    remedy: str | None = None
    cell: str | None = None
    guess: str | None = None

    def sentence(self) -> str:
        """The problem as one line: place, message, remedy."""
        place = self.file
        if self.cell is not None:
            place += f", {self.cell}"
        elif self.row is not None:
            place += f", row {self.row}"
        if self.camera is not None:
            place += f", {' '.join(self.camera.split())}"
        if self.column is not None:
            place += f", column {self.column}"
        text = f"{place}: {self.message}"
        if self.guess:
            text += f" Guess: {self.guess}."
        if self.remedy:
            text += f" {self.remedy}"
        return text


class PlanError(AuditError, ValueError):
    """A plan that can't be used; carries every problem found, not only the first."""

    def __init__(self, problems: tuple[PlanProblem, ...]) -> None:
        first = problems[0].sentence() if problems else "the plan is empty."
        more = len(problems) - 1
        tail = f" ({more} more problem{'s' if more != 1 else ''} in this plan)" if more > 0 else ""
        super().__init__(first + tail)
        self.problems = problems

    def __reduce__(self) -> tuple[type[PlanError], tuple[tuple[PlanProblem, ...]]]:
        """Comes back whole from a worker process."""
        return type(self), (self.problems,)


class PhotoRefused(AuditError, ValueError):
    """A file that can't be taken as a photo; the visit goes on without it.

    Attributes
    ----------
    name : str
        The file's name as shown to the user (unprintable bytes escaped).
    kind : str
        Short code: ``not an image``, ``damaged``, ``too large``, ``unsupported``, ``unreadable``, ``timeout``.
    """

    def __init__(self, name: str, kind: str, message: str) -> None:
        super().__init__(message)
        self.name = name
        self.kind = kind

    def __reduce__(self) -> tuple[type[PhotoRefused], tuple[str, str, str]]:
        """Comes back whole from a worker process."""
        return type(self), (self.name, self.kind, self.message)


class LogbookError(AuditError):
    """A logbook that is missing, busy, newer than the program, or damaged."""


class SignatureError(AuditError):
    """A signature, key or passphrase that doesn't fit."""

"""What is said about a column: one message a habit, however many cells have it, each cell named.

A *note* tells how cells were read, where the file itself says so. A *guess* is what the file doesn't say but its values
suggest: the rows wait until it is taken. A *question* has no answer in the file: the rows wait until a person gives it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from audit.errors import PlanProblem
from audit.plan.grid import Grid, ranges
from audit.plan.table import Cell, Problems, Row, cell_text, shortened

__all__ = ["FIX", "Voice"]

#: What a person does about a guess.
FIX = "'photo-audit plan check PLAN --fix OUT' writes a plan with the guesses taken."
_EACH_NAMED = 3


@dataclass(slots=True)
class _Group:
    severity: str
    message: str
    guess: str | None = None
    accepted: str | None = None
    rows: list[Row] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)


class Voice:
    """Speaks for one column of one sheet.

    Parameters
    ----------
    at : tuple
        Column from 1, its title in the file, and the plan's column.
    take : bool
        Whether guesses are taken.
    """

    def __init__(self, grid: Grid, at: tuple[int, str, str], problems: Problems, take: bool) -> None:
        self.grid, self.problems, self.take = grid, problems, take
        self.column, self.title, self.key = at
        self._groups: dict[tuple[str, str], _Group] = {}

    def note(self, row: Row, line: int, cell: Cell, message: str) -> None:
        """Say how a cell was read."""
        self._put(_Group("caution", message), row, line, cell)

    def warn(self, row: Row, line: int, cell: Cell, message: str) -> None:
        """Say what is doubtful and hinders nothing."""
        self._put(_Group("warning", message), row, line, cell)

    def guess(self, row: Row, line: int, cell: Cell, message: str, what: str, take: Callable[[], None]) -> None:
        """Offer a guess: taken at once where guesses are taken, else the row waits for it."""
        if self.take:
            take()
            self._put(_Group("caution", message, f"{what}; taken"), row, line, cell)
            return
        row.raw.setdefault(self.key, cell_text(cell))
        row.wait(f"{self.grid.address(line, self.column)}, {self.title}: '{shortened(cell_text(cell))}' {message}")
        self._put(_Group("error", message, what), row, line, cell)

    def question(
        self, row: Row, line: int, cell: Cell, message: str, accepted: str | None = None, severity: str = "error"
    ) -> None:
        """Ask; the row waits."""
        row.wait(f"{self.grid.address(line, self.column)}, {self.title}: '{shortened(cell_text(cell))}' {message}")
        self._put(_Group(severity, message, accepted=accepted), row, line, cell)

    def _put(self, said: _Group, row: Row, line: int, cell: Cell) -> None:
        """One more cell of which this is said; the first one's guess stands for all."""
        group = self._groups.setdefault((said.severity, said.message), said)
        group.rows.append(row)
        group.lines.append(line)
        group.texts.append(shortened(cell_text(cell)))

    def flush(self) -> None:
        """Hand what was collected to the problems, few alike one by one and many alike in one sentence."""
        for group in self._groups.values():
            alone = len(group.rows) < _EACH_NAMED and group.severity != "caution"
            for part in [[i] for i in range(len(group.rows))] if alone else [list(range(len(group.rows)))]:
                self.problems.add(self._problem(group, part))
        self._groups.clear()

    def _problem(self, group: _Group, part: list[int]) -> PlanProblem:
        one = len(part) == 1
        text = group.texts[part[0]]
        what = f"'{text}'" if one else f"{len(part)} cells, such as '{text}':"
        return PlanProblem(
            self.grid.file if self.grid.sheet else self.grid.place,
            f"{what} {group.message}" + ("" if group.message.endswith((".", "?")) else "."),
            row=self.grid.line(group.lines[part[0]]),
            column=self.title,
            value=text,
            accepted=group.accepted,
            severity=group.severity,
            camera=(group.rows[part[0]].text("camera") or None) if one else None,
            remedy=FIX if group.guess and not group.guess.endswith("taken") else None,
            cell=ranges(self.grid, self.column, [group.lines[i] for i in part]),
            guess=group.guess,
        )

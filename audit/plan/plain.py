"""A sheet as people write it to the plan's plain table: units, grids, norths and heights taken out.

What the file itself says (a unit in a title, a named grid, a magnetic north) is done and told; what only its values
suggest is offered as a guess; what nobody can know is asked, and its row waits.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime
from functools import partial

from audit.errors import PlanProblem
from audit.plan.columns import by_key
from audit.plan.crs import NamedGrid, grid_named
from audit.plan.grid import is_blank
from audit.plan.layout import Heading, Sheet
from audit.plan.magnetic import declination_deg
from audit.plan.measures import Kind, Measure
from audit.plan.numbers import NumberReader, decimal_of
from audit.plan.table import Cell, Problems, Row, Table, cell_text
from audit.plan.titles import Title
from audit.plan.voice import Voice
from audit.plan.wording import WordReader

__all__ = ["plain_table", "voice_of"]

#: Coordinates while they may still be exchanged, of a grid, or above the sea.
_WIDE: dict[str, Measure] = {
    "latitude": Measure("deg", -180, 180, sort="latitude"),
    "longitude": Measure("deg", -180, 180, sort="longitude"),
    "target_latitude": Measure("deg", -180, 180, sort="latitude"),
    "target_longitude": Measure("deg", -180, 180, sort="longitude"),
}
_GRID_NORTH_DEG = 0.5  # our default: less than this is below what a bearing on a drawing is good for
#: Titles of a column that names the grid.
_GRID_TITLE = re.compile(
    r"grid|crs|epsg|datum|zone|fuso|huso|fuseau|koordinatensystem|bezugssystem|syst[eè]me|sistema", re.IGNORECASE
)
_GRID = Measure("m", -100_000_000, 100_000_000)
_SEA = Measure("m", -500, 9000)
#: Columns that say something of the row's other cells.
_FIRST = ("camera", "as_written", "waits", "surveyed_on")
#: Columns that the angle of view makes needless: there what can't be read is kept as text.
_LAST = ("focal_mm", "sensor_width_mm")
_IN_THE_LARGE_M = 100_000.0
_LENGTHS_OF_LINES = (
    "east_m",
    "north_m",
    "height_m",
    "ground_up_m",
    "up_m",
    "target_east_m",
    "target_north_m",
    "target_up_m",
    "position_sd_m",
)
_ANGLES_OF_LINES = ("bearing_deg", "pitch_deg", "tilt_down_deg", "roll_deg", "hfov_deg")
#: Columns that may stand in one cell together.
_TOGETHER = {"image_width_px": "image_size", "image_height_px": "image_size", "latitude": "position", "longitude": "position"}
_EASTS = (
    ("east_m", "north_m", "latitude", "longitude"),
    ("target_east_m", "target_north_m", "target_latitude", "target_longitude"),
)


def plain_table(sheet: Sheet, problems: Problems, take: bool, ground_sea_m: float | None = None) -> Table:
    """One sheet's table in plain form.

    Parameters
    ----------
    take : bool
        Whether guesses are taken (``--fix``).
    ground_sea_m : float or None
        The ground's level above the sea, in metres, that the tables before count from; None: this one's first counts.
    """
    for note in sheet.notes:
        problems.add(note)
    grid = sheet.grid
    rows = [Row(grid.line(r), r) for r in sheet.rows]
    table = Table(grid.place, {}, rows, language=sheet.language, grid=grid, ground_sea_m=ground_sea_m)
    reader = _Reader(sheet, table, problems, take)
    reader.read()
    return table


def voice_of(table: Table, key: str, problems: Problems, take: bool) -> Voice:
    """The voice that speaks for a column of a table that is read."""
    column, title = table.at.get(key) or table.at.get(_TOGETHER.get(key, "")) or (1, key)
    return Voice(table.grid, (column, title, key), problems, take)


class _Reader:
    """Reads one sheet's columns in turn."""

    def __init__(self, sheet: Sheet, table: Table, problems: Problems, take: bool) -> None:
        self.sheet, self.table, self.problems, self.take = sheet, table, problems, take
        self.lines = sheet.rows
        self.magnetic: set[int] = set()
        self.words: dict[str, frozenset[str]] = {}
        self._decimals: set[str] | None = None
        self.crs = self._named_grid()

    def read(self) -> None:
        """All columns, then what joins them."""
        chosen, left = self._chosen()
        for heading, title in chosen:
            self._column(heading, title)
        for heading, title in left:
            self._second(heading, title)
        self._extras(left)
        self._rows_themselves()
        self._struck_cells()
        if self.sheet.floor:
            for row in self.table.rows:
                row.cells.setdefault("floor", self.sheet.floor)
        self._grids()
        self._heights()
        self._norths()

    def _chosen(self) -> tuple[list[tuple[Heading, Title]], list[tuple[Heading, Title]]]:
        """A heading for each of the plan's columns (the plan's own name first), and the others that mean the same."""
        order = sorted(
            ((h, h.title) for h in self.sheet.headings if h.title is not None),
            key=lambda p: (not p[1].exact, "guess" in p[1].words),
        )
        chosen: dict[str, tuple[Heading, Title]] = {}
        left = []
        for heading, title in order:
            if title.key in chosen:
                left.append((heading, title))
            else:
                chosen[title.key] = (heading, title)
        for heading, title in chosen.values():
            if "guess" in title.words:
                self.problems.add(
                    PlanProblem(
                        self.sheet.grid.place,
                        f"the title '{heading.text}' is read as {title.key}.",
                        severity="warning",
                        column=heading.text,
                    )
                )
        return sorted(chosen.values(), key=lambda p: (_turn_of(p[1].key), p[0].column)), left

    def _kind(self, title: Title) -> tuple[str, Kind]:
        """The column that a title is read to at first, and what it accepts there."""
        key, kind = title.key, by_key(self.sheet.table)[title.key].kind
        if self.crs is not None and key in ("east_m", "north_m", "target_east_m", "target_north_m"):
            return key, _GRID
        sea = "sea" in title.words or (self.sheet.facts.sea and not title.exact)
        if sea and key in ("height_m", "ground_up_m", "up_m", "target_up_m"):
            return {"height_m": "height_sea_m", "ground_up_m": "ground_sea_m"}.get(key, f"{key}_sea"), _SEA
        return key, _WIDE.get(key, kind)

    def _unit(self, title: Title) -> str | None:
        if title.unit is not None or title.exact:
            return title.unit
        facts = self.sheet.facts
        if title.key in _LENGTHS_OF_LINES:
            return facts.length
        return facts.angle if title.key in _ANGLES_OF_LINES else None

    def _column(self, heading: Heading, title: Title) -> None:
        key, kind = self._kind(title)
        self.table.titles[title.key] = heading.text
        self.table.at[key] = self.table.at[title.key] = (heading.column, heading.text)
        self.words[title.key] = title.words
        self._read(heading, title, key, kind, self._put)
        self._line_against_title(title, key)

    def _read(
        self, heading: Heading, title: Title, key: str, kind: Kind, put: Callable[[Row, int, str, Cell], None]
    ) -> None:
        voice = Voice(self.sheet.grid, (heading.column, heading.text, key), self.problems, self.take)
        if isinstance(kind, Measure):
            decimal = decimal_of(self.sheet.grid, heading.column, self.lines, kind) or self._sheet_decimals()
            sign = decimal.pop() if len(decimal) == 1 else None
            NumberReader(
                self.sheet, heading, title, key, kind, self._unit(title), sign, voice, put, self.magnetic
            ).read(self.table.rows, self.lines)
        else:
            WordReader(self.sheet, heading, key, kind, voice, put).read(self.table.rows, self.lines)

    def _sheet_decimals(self) -> set[str]:
        if self._decimals is None:
            self._decimals = set()
            for heading in self.sheet.headings:
                if heading.title is not None and isinstance(kind := self._kind(heading.title)[1], Measure):
                    self._decimals |= decimal_of(self.sheet.grid, heading.column, self.lines, kind)
        return set(self._decimals)

    @staticmethod
    def _put(row: Row, line: int, key: str, value: Cell) -> None:
        row.cells.setdefault(key, value)

    def _line_against_title(self, title: Title, key: str) -> None:
        """``All dimensions in feet`` above a column whose own name says metres: one of them is wrong."""
        unit = self.sheet.facts.length
        kind = by_key(self.sheet.table)[title.key].kind
        if (
            not title.exact
            or title.key not in _LENGTHS_OF_LINES
            or unit in (None, "m")
            or not isinstance(kind, Measure)
        ):
            return
        factor = kind.factor(unit or "") or 1.0
        voice = voice_of(self.table, key, self.problems, self.take)
        for row in self.table.rows:
            value = row.number_in(key)
            if value is not None and value != 0.0 and key not in _as_written(row):
                row.suspected.add(key)
                voice.guess(
                    row,
                    row.line,
                    value,
                    f"stands under a title in metres, and a line of the sheet says {unit}",
                    f"the numbers are in {unit}",
                    partial(row.cells.__setitem__, key, round(value * factor, 9)),
                )
        voice.flush()

    def _second(self, heading: Heading, title: Title) -> None:
        """Another column of the same meaning: it must not say something else."""
        key, kind = self._kind(title)
        if not isinstance(kind, Measure):
            return
        quiet = Problems()
        said: dict[int, float] = {}
        voice = Voice(self.sheet.grid, (heading.column, heading.text, key), quiet, self.take)
        shadow = [Row(r.number, r.line) for r in self.table.rows]
        NumberReader(self.sheet, heading, title, key, kind, self._unit(title), None, voice,
                     lambda row, line, k, value: said.__setitem__(line, value), set()).read(shadow, self.lines)  # fmt: skip
        first = self.table.titles.get(title.key, title.key)
        voice = Voice(self.sheet.grid, (heading.column, heading.text, key), self.problems, self.take)
        for row in self.table.rows:
            one, other = row.number_in(key), said.get(row.line)
            if (
                one is not None
                and other is not None
                and not math.isclose(one, other, rel_tol=0.01, abs_tol=0.006)
                and key not in _as_written(row)
            ):
                row.suspected.add(key)
                voice.question(
                    row,
                    row.line,
                    self.sheet.grid.value(row.line, heading.column),
                    f"is another value than the column '{first}' has for the same; keep the one that is right",
                )
        voice.flush()

    def _extras(self, left: Iterable[tuple[Heading, Title]]) -> None:
        """Columns that the plan doesn't know, kept as they are under their own titles."""
        columns = {h.column for h, _ in left}
        known = set(by_key(self.sheet.table))
        extras: list[str] = []
        for heading in self.sheet.headings:
            if heading.title is not None and heading.column not in columns:
                continue
            name = heading.text
            while name in extras or name in known:
                name += " (2)"
            extras.append(name)
            for row in self.table.rows:
                cell = self.sheet.grid.value(row.line, heading.column)
                if not is_blank(cell):
                    row.cells[name] = cell_text(cell)
                    row.where[name] = self.sheet.grid.address(row.line, heading.column)
        self.table.extras = tuple(extras)
        titled = {h.column for h in self.sheet.headings}
        for row in self.table.rows:
            for column, cell in enumerate(self.sheet.grid.rows[row.line - 1], start=1):
                if column not in titled and not is_blank(cell):
                    address = self.sheet.grid.address(row.line, column)
                    row.wait(f"{address}: '{cell_text(cell)}' stands under no column title")
                    self.problems.add(
                        PlanProblem(
                            self.sheet.grid.file, f"'{cell_text(cell)}' stands under no column title; give the column a title, or look for an unquoted separator.",
                            row=row.number, cell=address, value=cell_text(cell), camera=row.text("camera") or None)
                    )  # fmt: skip
                    break

    def _rows_themselves(self) -> None:
        """Rows that are hidden, struck through, or that the plan says wait."""
        voice = voice_of(self.table, "camera", self.problems, self.take)
        for row in self.table.rows:
            name = row.text("camera") or row.text("target") or f"row {row.number}"
            if row.line in self.sheet.grid.hidden_rows:
                voice.question(
                    row, row.line, name, "stands in a hidden row: show the row if it counts, delete it if it doesn't"
                )
            if row.line in self.sheet.disputes:
                voice.question(row, row.line, name, f"has other cells on another sheet ({self.sheet.disputes[row.line]}): take the older one out of the workbook")
            if self._struck(row):
                voice.guess(
                    row,
                    row.line,
                    name,
                    "is struck through",
                    "the row no longer counts",
                    partial(setattr, row, "dropped", True),
                )
            for top, left, bottom, right in self.sheet.grid.merged:
                if left < right and top <= row.line <= bottom:
                    cells = f"{self.sheet.grid.address(top, left)} to {self.sheet.grid.address(bottom, right)}"
                    voice.question(
                        row,
                        row.line,
                        name,
                        f"has merged cells ({cells}), so that their columns can't be told apart; unmerge them",
                    )
            stated = row.text("waits")
            if stated and row.reasons:
                row.wait(stated)
            elif stated:
                voice.question(
                    row,
                    row.line,
                    name,
                    f"waits, as the plan says: {stated.rstrip('.')}; put it right and empty the cell in the column 'waits'",
                )
        voice.flush()

    def _struck(self, row: Row) -> bool:
        cells = self.sheet.grid.rows[row.line - 1]
        filled = [c for c, cell in enumerate(cells, start=1) if not is_blank(cell)]
        struck = [c for c in filled if self.sheet.grid.mark(row.line, c).struck]
        return len(struck) > len(filled) / 2

    def _struck_cells(self) -> None:
        if not any(mark.struck for mark in self.sheet.grid.marks.values()):
            return
        for heading in self.sheet.headings:
            voice = Voice(self.sheet.grid, (heading.column, heading.text, heading.text), self.problems, self.take)
            for row in self.table.rows:
                if self.sheet.grid.mark(row.line, heading.column).struck and not self._struck(row):
                    voice.question(
                        row,
                        row.line,
                        self.sheet.grid.value(row.line, heading.column),
                        "is struck through, in a row that is not: write the value that counts",
                    )
            voice.flush()

    def _named_grid(self) -> NamedGrid | None:
        texts = [h.text for h in self.sheet.headings if h.title is not None and h.title.key in ("east_m", "north_m")]
        for heading in self.sheet.headings:
            if heading.title is None and _GRID_TITLE.search(heading.text):
                values = {cell_text(self.sheet.grid.value(line, heading.column)) for line in self.lines} - {""}
                utm = "UTM zone" if any("utm" in t.lower() for t in (*texts, heading.text)) else heading.text
                texts = [*(f"{utm} {value}" for value in values if len(values) == 1), *texts]
        for text in (*texts, self.sheet.facts.text):
            found = grid_named(text) if text else None
            if isinstance(found, str):
                self.problems.add(PlanProblem(self.sheet.grid.place, f"{found}.", column=text[:60]))
            elif found is not None:
                return found
        return None

    def _grids(self) -> None:
        """Coordinates of a named grid to latitude and longitude; small ones beside large ones stay local metres."""
        if self.crs is None:
            return
        for east, north, latitude, longitude in _EASTS:
            voice = voice_of(self.table, east, self.problems, self.take)
            for row in self.table.rows:
                e, n = row.number_in(east), row.number_in(north)
                if e is None or n is None or max(abs(e), abs(n)) < _IN_THE_LARGE_M:
                    continue
                self._to_wgs84(voice, row, (e, n), (east, north, latitude, longitude))
            voice.flush()
        self._say_grid_north()

    def _say_grid_north(self) -> None:
        """Bearings beside coordinates of a grid are often measured on it, and grid north is not true north."""
        place = next((p for row in self.table.rows if (p := _place(row)) is not None), None)
        said = self.words.get("bearing_deg", frozenset()) & {"true", "magnetic", "grid"}
        turn = None if place is None or self.crs is None else self.crs.convergence_deg(*place)
        if turn is not None and abs(turn) >= _GRID_NORTH_DEG and "bearing_deg" in self.table.at and not said:
            self.problems.add(
                PlanProblem(
                    self.sheet.grid.place,
                    f"bearings are taken from true north; the grid's north lies {turn:+z.1f}° from it here.",
                    column=self.table.titles.get("bearing_deg"),
                    severity="caution",
                    remedy="If they were measured on the grid, name the column 'bearing from grid north'.",
                )
            )

    def _to_wgs84(self, voice: Voice, row: Row, at: tuple[float, float], keys: tuple[str, str, str, str]) -> None:
        assert self.crs is not None
        east, north, latitude, longitude = keys

        def keep(place: tuple[float, float]) -> None:
            row.cells.pop(east, None)
            row.cells.pop(north, None)
            row.cells.setdefault(latitude, place[0])
            row.cells.setdefault(longitude, place[1])

        place, turned = self.crs.to_wgs84(*at), self.crs.to_wgs84(at[1], at[0])
        if place is not None:
            keep(place)
            voice.note(
                row,
                row.line,
                at[0],
                f"is read in {self.crs.name}, which the plan names, and turned to latitude and longitude",
            )
        elif turned is not None:
            voice.guess(
                row,
                row.line,
                at[0],
                f"lies outside {self.crs.name}",
                "east and north are exchanged",
                lambda: keep(turned),
            )
            self._withdraw(row, east, north)
        else:
            self._withdraw(row, east, north)
            voice.question(
                row, row.line, at[0], f"lies outside {self.crs.name}; check the coordinates and the grid's name"
            )

    def _withdraw(self, row: Row, *keys: str) -> None:
        """Takes values back that are not what their column says; the row waits by what was said."""
        for key in keys:
            if key in row.cells and row.reasons:
                row.raw[key] = cell_text(row.cells.pop(key))

    def _heights(self) -> None:
        """Heights above the sea to heights above the ground, where the plan has the ground's level too."""
        grounds = [g for row in self.table.rows if (g := row.number_in("ground_sea_m")) is not None]
        first = self.table.ground_sea_m
        if first is None and grounds:
            first = self.table.ground_sea_m = grounds[0]
        for key in ("height_sea_m", "up_m_sea", "target_up_m_sea"):
            voice = voice_of(self.table, key, self.problems, self.take)
            for row in self.table.rows:
                value = row.number_in(key)
                if value is None:
                    continue
                ground = row.number_in("ground_sea_m") if key == "height_sea_m" else first
                plain = {"height_sea_m": "height_m"}.get(key, key.removesuffix("_sea"))
                row.cells.pop(key)
                if ground is None or (plain == "height_m" and not 0 < value - ground <= 200):
                    row.raw[plain] = f"{value:g} m above the sea"
                    voice.question(row, row.line, value, "is above the sea, and nothing says how high the ground there is; add the ground's level, or write heights above the ground"
                                   if ground is None else f"is above the sea, and the ground at {ground:g} m is no place below it")  # fmt: skip
                    continue
                row.cells[plain] = round(value - ground, 6)
                voice.note(row, row.line, value, "is above the sea; the ground's level is taken off")
            voice.flush()
        for row in self.table.rows:
            ground = row.number_in("ground_sea_m")
            if ground is not None and first is not None:
                row.cells.pop("ground_sea_m")
                row.cells["ground_up_m"] = round(ground - first, 6)

    def _norths(self) -> None:
        """Magnetic and grid bearings to true ones."""
        words = self.words.get("bearing_deg", frozenset())
        if self.sheet.facts.own_north and not words & {"true", "magnetic", "grid"}:
            self._own_north()
            return
        all_magnetic = "magnetic" in words or (self.sheet.facts.magnetic and "true" not in words)
        voice = voice_of(self.table, "bearing_deg", self.problems, self.take)
        place = next((p for row in self.table.rows for p in (_place(row),) if p is not None), None)
        for row in self.table.rows:
            bearing = row.number_in("bearing_deg")
            if bearing is None or not (all_magnetic or id(row) in self.magnetic or "grid" in words):
                continue
            at = _place(row) or place
            turn = self._turn(row, at, "grid" in words and id(row) not in self.magnetic)
            if turn is None:
                row.raw["bearing_deg"] = f"{bearing:g} from {'grid' if 'grid' in words else 'magnetic'} north"
                row.cells.pop("bearing_deg")
                voice.question(
                    row,
                    row.line,
                    bearing,
                    "does not count from true north, and nothing says where the site lies; give latitude and longitude, or write bearings from true north",
                )
                continue
            row.cells["bearing_deg"] = round((bearing + turn) % 360.0, 6)
            north = "grid" if "grid" in words else "magnetic"
            voice.note(
                row,
                row.line,
                bearing,
                f"counts from {north} north, as the plan says; it is turned by {turn:+z.1f}° to true north",
            )
        voice.flush()

    def _own_north(self) -> None:
        """A line of the sheet speaks of the site's own north: nothing says from which one the bearings count."""
        voice = voice_of(self.table, "bearing_deg", self.problems, self.take)
        for row in self.table.rows:
            bearing = row.number_in("bearing_deg")
            if bearing is None or "bearing_deg" in _as_written(row):
                continue
            row.raw["bearing_deg"] = f"{row.cells.pop('bearing_deg')}"
            voice.question(
                row, row.line, bearing,
                "may count from the site's own north, of which a line of the sheet speaks; write bearings from true north, and say so in the title",
            )  # fmt: skip
        voice.flush()

    def _turn(self, row: Row, at: tuple[float, float] | None, grid: bool) -> float | None:
        if at is None:
            return None
        if grid:
            return None if self.crs is None else self.crs.convergence_deg(*at)
        stated = row.cells.get("surveyed_on")
        year = re.search(r"(?:19|20)\d\d", str(stated or ""))
        day = stated if isinstance(stated, date) else datetime.now(UTC).date()
        day = date(int(year.group()), 7, 1) if year and not isinstance(stated, date) else day
        return round(
            declination_deg(round(at[0], 2), round(at[1], 2), 0.0, round(day.year + day.timetuple().tm_yday / 366, 1)),
            2,
        )


def _turn_of(key: str) -> int:
    return 0 if key in _FIRST else 2 if key in _LAST else 1


def _place(row: Row) -> tuple[float, float] | None:
    latitude, longitude = row.number_in("latitude"), row.number_in("longitude")
    if latitude is None or longitude is None:
        latitude, longitude = row.number_in("origin_latitude"), row.number_in("origin_longitude")
    return None if latitude is None or longitude is None or abs(latitude) > 90 else (latitude, longitude)


def _as_written(row: Row) -> set[str]:
    return set(row.text("as_written").replace(",", " ").split())

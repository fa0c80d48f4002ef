"""Where a sheet's table stands: its header, which table it is, its rows, and what the lines around it say.

The header may have two rows, stand far below a title, or run down the first column. What a row holds besides a camera
(a repeated header, units, a sum, a heading) is told apart here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from audit.errors import PlanProblem
from audit.plan.columns import TableWord, by_key
from audit.plan.grid import Grid, is_blank
from audit.plan.measures import unit_named
from audit.plan.quantities import plain_letters
from audit.plan.table import MAX_ROWS, Cell, Problems, cell_text, shortened
from audit.plan.titles import LANGUAGES, Facts, Title, facts_of, read_title

__all__ = ["Heading", "Sheet", "lay_out"]

_SEARCHED = 200
_MAX_BLANK_ROWS = 10_000
_FEWEST_TITLES = 3
_TABLES: tuple[TableWord, ...] = ("cameras", "targets", "landmarks")
#: The column that names what a row is.
_OWN: dict[TableWord, str] = {"cameras": "camera", "targets": "target", "landmarks": "landmark"}
_TOTAL = re.compile(
    r"^(grand )?(total|totals|sum|subtotal|summe|gesamt|gesamtsumme|zwischensumme|anzahl|somme|total general|sous total|suma|somma|totale)\b.*"
)
#: Names of sheets that are floors.
_FLOOR = re.compile(
    r"floor|level|storey|basement|roof|\b(eg|ug|og|dg|kg)\b|geschoss|etage|keller|dach|\bniveau|\brdc\b|sous sol|toiture|planta|piso|sotano|piano|interrato|tetto|\bl\d"
)
_EXAMPLE = re.compile(r"^(example|beispiel|exemple|ejemplo|esempio)\b.*")


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a sheet: where it stands, its own title, and what that says (None where it is not known)."""

    column: int
    text: str
    title: Title | None


@dataclass(slots=True)
class Sheet:
    """A table found on a sheet; rows are numbers into the grid, ``disputes`` what another sheet says otherwise of some of them."""

    grid: Grid
    table: TableWord
    headings: list[Heading]
    header_row: int
    rows: list[int]
    facts: Facts
    language: str
    floor: str = ""
    notes: list[PlanProblem] = field(default_factory=list)
    disputes: dict[int, str] = field(default_factory=dict)


def lay_out(grids: Sequence[Grid], problems: Problems) -> list[Sheet]:
    """The tables of a plan's sheets; a sheet that holds none is left out, and said where it seems to be meant."""
    found = [sheet for grid in grids for sheet in _sheets(grid, problems)]
    cameras = [s for s in found if s.table == "cameras"]
    if not cameras:
        _say_none(grids, problems)
        return found
    shown = [s for s in cameras if not s.grid.hidden] or cameras
    named = [s for s in shown if s.grid.sheet.strip().lower() == "cameras"]
    kept = _without_copies(named + [s for s in shown if s not in named], problems)
    for sheet in cameras:
        if sheet not in shown:
            problems.add(
                PlanProblem(sheet.grid.place, "the sheet is hidden, so its cameras are left out.", severity="warning",
                            remedy="Show the sheet if they count.")
            )  # fmt: skip
    if len({id(s.grid) for s in kept}) > 1:
        for sheet in kept:
            if not any(h.title is not None and h.title.key == "floor" for h in sheet.headings):
                sheet.floor = sheet.grid.sheet
        names = ", ".join(dict.fromkeys(f"'{s.grid.sheet}'" for s in kept))
        floors = [s.grid.sheet for s in kept if s.floor]
        problems.add(
            PlanProblem(
                kept[0].grid.file,
                f"the cameras of {len({id(s.grid) for s in kept})} sheets are read together: {shortened(names, 200)}."
                + (" Each sheet's name is taken as its floor." if floors else ""),
                severity="caution",
            )
        )
    elif kept[0].grid.sheet and kept[0].grid.sheet.strip().lower() != "cameras" and len(grids) > 1:
        problems.add(
            PlanProblem(
                kept[0].grid.file, f"the cameras are read from sheet '{kept[0].grid.sheet}'.", severity="caution"
            )
        )
    return kept + [s for s in found if s.table != "cameras" and not s.grid.hidden]


def _say_none(grids: Sequence[Grid], problems: Problems) -> None:
    if not grids or problems.serious:
        return
    empty = all(is_blank(c) for grid in grids for row in grid.rows for c in row)
    sheets = ", ".join(g.sheet for g in grids if g.sheet)
    problems.add(
        PlanProblem(
            grids[0].place if len(grids) == 1 or not sheets else grids[0].file,
            "no table of cameras is found: no row has titles such as camera, height_m, bearing_deg"
            + (" (the sheet is empty)." if empty else f" (sheets: {shortened(sheets, 200)})." if sheets else "."),
            accepted="a header row with camera, latitude, longitude, height_m, bearing_deg, …",
            remedy="'photo-audit plan template -o plan.xlsx' writes an empty plan to fill in.",
        )
    )


def _without_copies(sheets: list[Sheet], problems: Problems) -> list[Sheet]:
    """Sheets of cameras without those that repeat another's ids: an older copy is no second floor."""
    kept: list[Sheet] = []
    for sheet in sheets:
        ids = set(_ids(sheet))
        floors = bool(_FLOOR.search(plain_letters(sheet.grid.sheet)))
        of = next(
            (k for k in kept if k.grid is not sheet.grid and not floors and ids and len(ids & set(_ids(k))) > len(ids) / 2), None
        )
        if of is None:
            kept.append(sheet)
            continue
        if of.grid.sheet.strip().lower() != "cameras":
            of.disputes |= _disputes(of, sheet)
        problems.add(
            PlanProblem(
                sheet.grid.place,
                f"the sheet repeats cameras of sheet '{of.grid.sheet}', so it is not read.",
                severity="warning",
                remedy="Take the older one out of the workbook, or hide the sheet that doesn't count.",
            )
        )
    return kept


def _disputes(sheet: Sheet, copy: Sheet) -> dict[int, str]:
    """Rows of which a copy says something else: by row, the copy's cell."""
    places = {h.title.key: h for h in copy.headings if h.title is not None}
    lines = {name: line for line, name in zip(copy.rows, _ids(copy), strict=True)}
    found: dict[int, str] = {}
    for line, name in zip(sheet.rows, _ids(sheet), strict=True):
        for heading in sheet.headings:
            other = None if heading.title is None or name not in lines else places.get(heading.title.key)
            if other is None:
                continue
            theirs = copy.grid.value(lines[name], other.column)
            if cell_text(theirs) != cell_text(sheet.grid.value(line, heading.column)):
                found.setdefault(line, copy.grid.address(lines[name], other.column))
    return found


def _own_column(sheet: Sheet) -> int | None:
    """The column of what the table is about: its ids, or its targets' or landmarks' names."""
    return next((h.column for h in sheet.headings if h.title is not None and h.title.key == _OWN[sheet.table]), None)


def _ids(sheet: Sheet) -> Iterator[str]:
    """The id of each row; none at all where no column has them."""
    column = _own_column(sheet)
    for row in sheet.rows if column is not None else ():
        yield cell_text(sheet.grid.value(row, column or 0))


def _sheets(grid: Grid, problems: Problems) -> list[Sheet]:
    """The table of a sheet; below a header that names other columns, another one."""
    turned = None if grid.features else _turned_if_sideways(grid)
    grid = turned or grid
    best: tuple[int, TableWord, int, int, list[Heading]] | None = None
    wanted = _wanted(grid)
    for table in wanted:
        for row in range(1, min(len(grid.rows), 1 if grid.features else _SEARCHED) + 1):
            for depth in (1, 2, 3):
                headings = _headings(grid, row, depth, table)
                score = _score(headings, table, len(wanted) == 1)
                if score and (best is None or (score, -depth) > (best[0], -best[3])):
                    best = (score, table, row, depth, headings)
    if best is None:
        if len(wanted) == 1 and wanted[0] != "cameras" and any(not is_blank(c) for r in grid.rows for c in r):
            own = _OWN[wanted[0]]
            accepted = ", ".join(list(by_key(wanted[0]))[:6])
            problems.add(
                PlanProblem(grid.place, f"the table has no header row with a column '{own}'.", accepted=accepted)
            )
        return []
    _, table, row, depth, headings = best
    headings = _known_headings(grid, row, depth, table)
    filled = _fill_downwards(
        grid, row + depth, {h.column for h in headings if h.title is None or h.title.key != "camera"}
    )
    sheet = Sheet(grid, table, headings, row + depth - 1, [], Facts(), _language(headings))
    if turned is not None:
        sheet.notes.append(
            PlanProblem(
                grid.place,
                "the table lies on its side: its titles are taken from the first column.",
                severity="caution",
            )
        )
    if filled:
        sheet.notes.append(
            PlanProblem(
                grid.place,
                f"cells merged over several rows, such as {filled[0]}, count for each of them.",
                severity="caution",
            )
        )
    return _take_rows(sheet, row, problems)


def _known_headings(grid: Grid, row: int, depth: int, table: TableWord) -> list[Heading]:
    """The headings of a table's header, titles that are nearly right among them, those of cameras by the cells below as well."""
    headings = _headings(grid, row, depth, table, nearly=True)
    return _settled(headings, grid, row + depth) if table == "cameras" else headings


def _fill_downwards(grid: Grid, first: int, columns: set[int]) -> list[str]:
    """Gives every row its part of a cell that is merged over several; returns the merged cells."""
    filled = []
    for top, left, bottom, right in grid.merged:
        value = grid.value(top, left)
        if top < first or bottom == top or left != right or left not in columns or is_blank(value):
            continue
        for row in range(top + 1, min(bottom, len(grid.rows)) + 1):
            cells = grid.rows[row - 1]
            if all(map(is_blank, cells)):
                continue
            cells.extend([None] * (left - len(cells)))
            cells[left - 1] = value
        filled.append(f"{grid.address(top, left)}:{grid.address(bottom, left).rsplit('!', 1)[-1]}")
    return filled


def _wanted(grid: Grid) -> tuple[TableWord, ...]:
    """Tables that a sheet may be: those of a CSV and a workbook's named sheets are told by name."""
    name = grid.word or grid.sheet.strip().lower()
    for word in _TABLES:
        if name == word:
            return (word,)
    return _TABLES


def _headings(grid: Grid, row: int, depth: int, table: TableWord, nearly: bool = False) -> list[Heading]:
    """Titles of a header that starts at a row and has that many rows; empty where the lower ones are no titles."""
    if row + depth - 1 > len(grid.rows):
        return []
    lower = [grid.rows[r - 1] for r in range(row + 1, row + depth)]
    if any(_is_datum(c) for cells in lower for c in cells) or any(all(map(is_blank, cells)) for cells in lower):
        return []
    width = max(len(grid.rows[r - 1]) for r in range(row, row + depth))
    if depth == 1 and not any(isinstance(c, str) for c in grid.rows[row - 1]):
        return []
    found: list[Heading] = []
    for column in range(1, width + 1):
        texts = [
            str(v) for r in range(row, row + depth) if isinstance(v := _over(grid, r, column, r < row + depth - 1), str)
        ]
        if not texts:
            continue
        found.append(
            Heading(column, texts[-1] if depth == 1 else " ".join(dict.fromkeys(texts)), _title(texts, table, nearly))
        )
    return found


def _is_datum(cell: Cell) -> bool:
    """Whether a cell is a value, not a title: a number, or a text that begins with one."""
    return (cell is not None and not isinstance(cell, str)) or (
        isinstance(cell, str) and re.match(r"[+\-−]?[.,]?\d", cell.strip()) is not None
    )


def _over(grid: Grid, row: int, column: int, group: bool) -> Cell:
    """A header cell; a group's title reaches over its merged cells, or over the blanks to its right."""
    value = grid.value(row, column)
    if not is_blank(value) or not group:
        return None if is_blank(value) else value
    for top, left, bottom, right in grid.merged:
        if top <= row <= bottom and left <= column <= right:
            return grid.value(top, left)
    if is_blank(grid.value(row + 1, column)):
        return None
    for before in range(column - 1, 0, -1):
        if not is_blank(grid.value(row, before)):
            return grid.value(row, before) if not is_blank(grid.value(row + 1, before)) else None
    return None


def _title(texts: list[str], table: TableWord, nearly: bool) -> Title | None:
    """The title that header cells over each other make: together, the lowest, or the upper with the lower's unit."""
    if len(texts) == 1:
        return read_title(texts[0], table, nearly)
    unit = unit_named(texts[-1])
    if unit is not None:
        upper = _title(texts[:-1], table, nearly)
        return None if upper is None else replace(upper, unit=unit)
    together, alone = read_title(" ".join(texts), table), read_title(texts[-1], table)
    return together or alone or read_title(texts[0], table, nearly)


_MARKS: dict[TableWord, frozenset[str]] = {
    "cameras": frozenset(
        (
            "bearing_deg",
            "pitch_deg",
            "tilt_down_deg",
            "hfov_deg",
            "height_m",
            "image_width_px",
            "image_size",
            "focal_mm",
            "form",
            "mount",
        )
    ),
    "targets": frozenset(("target", "up_m", "required_px_per_m", "purpose")),
    "landmarks": frozenset(("landmark", "position_sd_m")),
}


def _score(headings: list[Heading], table: TableWord, named: bool) -> int:
    """How much a row looks like a table's header: its known titles; nought where what makes the table is not there."""
    titles = [h.title for h in headings if h.title is not None]
    keys = {t.key for t in titles}
    marks = keys & _MARKS[table]
    own = _OWN[table]
    exact = sum(t.exact for t in titles)
    if table == "cameras":
        fits = (own in keys and (len(keys) > 1 or exact)) or len(marks) >= _FEWEST_TITLES
    else:
        fits = own in keys and (named or len(keys) >= _FEWEST_TITLES) and (table == "landmarks" or "camera" in keys)
    if not fits:
        return 0
    return 20 * len(keys) + 10 * len(marks) + exact - (30 if table == "cameras" and not marks else 0)


def _turned_if_sideways(grid: Grid) -> Grid | None:
    """The sheet turned, where its first column holds more titles than any of its rows; else None."""
    rows = max((_known(grid.rows[r]) for r in range(min(len(grid.rows), _SEARCHED))), default=0)
    first = [[grid.value(row, column) for row in range(1, min(len(grid.rows), _SEARCHED) + 1)] for column in (1, 2, 3)]
    columns = max(map(_known, first))
    return grid.turned() if columns > max(rows, _FEWEST_TITLES) else None


def _known(cells: Sequence[Cell]) -> int:
    return len({t.key for c in cells if isinstance(c, str) and (t := read_title(c, "cameras")) is not None})


def _settled(headings: list[Heading], grid: Grid, first: int) -> list[Heading]:
    """Titles that are one thing or another by their neighbours: German *Breite*, *height* beside *width*."""
    keys = {h.title.key for h in headings if h.title is not None}

    def middle(heading: Heading) -> float:
        values = [
            v
            for r in range(first, min(first + 50, len(grid.rows)) + 1)
            if isinstance(v := grid.value(r, heading.column), (int, float))
        ]
        texts = [grid.value(r, heading.column) for r in range(first, min(first + 50, len(grid.rows)) + 1)]
        values += [float(t) for t in texts if isinstance(t, str) and re.fullmatch(r"\d+(\.\d+)?", t)]
        return sorted(values)[len(values) // 2] if values else 0.0

    settled: list[Heading] = []
    upright = [h for h in headings if h.title is not None and h.title.key == "image_height_px"]
    across = [h for h in upright if re.search(r"\bh\b|\bhor", plain_letters(h.text)) and len(upright) > 1]
    for heading in headings:
        title = heading.title
        word = plain_letters(heading.text).strip(" ()[].:")
        if title is None and word == "w" and middle(heading) >= 240 and "image_width_px" not in keys:
            settled.append(replace(heading, title=Title("image_width_px")))
            keys = keys | {"image_width_px"}
            continue
        if title is None or title.exact:
            settled.append(heading)
            continue
        if heading in across and "image_width_px" not in keys:
            title = replace(title, key="image_width_px")
        elif title.key == "latitude" and word == "breite" and ("longitude" not in keys or middle(heading) > 90):
            title = replace(title, key="image_width_px")
            keys = keys | {"image_width_px"}
        elif (
            title.key == "height_m" and title.unit is None and middle(heading) >= 240 and "image_height_px" not in keys
        ):
            doubled = sum(h.title is not None and h.title.key == "height_m" for h in headings) > 1
            title = replace(title, key="image_height_px") if "image_width_px" in keys and doubled else title
        settled.append(replace(heading, title=title))
    return settled if "camera" in keys else _named_by(settled)


def _named_by(headings: list[Heading]) -> list[Heading]:
    """Where no column is an id, the names are: they are read as ids, and that is said."""
    return [
        replace(h, title=replace(h.title, key="camera", words=h.title.words | {"guess"}))
        if h.title is not None and h.title.key == "name"
        else h
        for h in headings
    ]


def _language(headings: list[Heading]) -> str:
    """The language of most titles; English where none speaks up."""
    count = dict.fromkeys(LANGUAGES, 0.0)
    for heading in headings:
        if heading.title is not None and heading.title.languages:
            for language in heading.title.languages:
                count[language] += 1.0 / len(heading.title.languages)
    return max(LANGUAGES, key=lambda language: count[language])


def _take_rows(sheet: Sheet, header: int, problems: Problems) -> list[Sheet]:
    """The rows that hold cameras (targets, landmarks); what else stands there is said once a kind.

    Gives the sheet, and one more for each header further down that names other columns.
    """
    grid, sheets = sheet.grid, [sheet]
    facts = _joined([*_lines_above(grid, header), sheet.grid.sheet])
    own = _own_column(sheet)
    titles = [plain_letters(h.text).strip() for h in sheet.headings]
    left_out: dict[str, list[int]] = {}
    blank = 0
    for row in range(sheet.header_row + 1, len(grid.rows) + 1):
        cells = grid.rows[row - 1]
        filled = [c for c in cells if not is_blank(c)]
        if not filled:
            blank += 1
            if blank > _MAX_BLANK_ROWS:
                break
            continue
        blank = 0
        kind = _no_camera(sheet, row, own, titles, filled)
        if kind == "units":
            sheet.headings = [_with_unit(h, grid.value(row, h.column)) for h in sheet.headings]
        elif kind == "header" and (below := _other_table(sheet, row)) is not None:
            sheet = below
            sheets.append(sheet)
            titles = [plain_letters(h.text).strip() for h in sheet.headings]
            own = _own_column(sheet)
        elif kind:
            left_out.setdefault(kind, []).append(row)
            if kind == "heading":
                facts = _joined([facts.text, str(filled[0])])
        elif len(sheet.rows) >= MAX_ROWS:
            problems.add(
                PlanProblem(
                    grid.place,
                    f"the table has more than {MAX_ROWS:,} rows; a plan holds one site: split it.",
                    row=grid.line(row),
                )
            )
            sheet.rows = []
            return sheets
        else:
            sheet.rows.append(row)
    for part in sheets:
        part.facts = facts
    for kind, rows in left_out.items():
        sheets[0].notes.append(
            PlanProblem(
                grid.place,
                f"{_LEFT_OUT[kind]} left out: {shortened(cell_text(next(c for c in grid.rows[rows[0] - 1] if not is_blank(c))))}"
                + (f", and {len(rows) - 1} more." if len(rows) > 1 else "."),
                row=grid.line(rows[0]),
                severity="caution",
            )
        )
    return sheets


def _other_table(sheet: Sheet, row: int) -> Sheet | None:
    """The table below a header that comes again, where it names other columns, another order or other units."""
    grid = sheet.grid
    headings = _known_headings(grid, row, 1, sheet.table)
    if not _score(headings, sheet.table, False):
        return None
    before, after = ({(h.column, h.text if h.title is None else (h.title.key, h.title.unit)) for h in some} for some in (sheet.headings, headings))
    if before == after:
        return None
    said = PlanProblem(
        grid.place, "a header further down names other columns, units or another order: the rows below it are read by it.",
        row=grid.line(row), severity="caution",
    )  # fmt: skip
    return Sheet(grid, sheet.table, headings, row, [], Facts(), sheet.language, notes=[said])


_LEFT_OUT = {
    "header": "a header that comes again is",
    "total": "a row with a sum is",
    "heading": "a line that is no camera is",
    "example": "the example row is",
}


def _no_camera(sheet: Sheet, row: int, own: int | None, titles: list[str], filled: list[Cell]) -> str:
    """What a row is that holds no camera: units, header, total, heading, example; empty where it is a row of the table."""
    ids = [
        sheet.grid.value(row, h.column) for h in sheet.headings if h.title is not None and h.title.key in _OWN.values()
    ]
    if any(isinstance(i, str) and _EXAMPLE.match(plain_letters(i)) for i in ids[:1]):
        return "example"
    if sheet.grid.features:
        return ""
    texts = [c.strip() for c in filled if isinstance(c, str)]
    name = cell_text(sheet.grid.value(row, own)) if own is not None else ""
    if row == sheet.header_row + 1 and len(texts) == len(filled) and all(_unit_word(t) for t in texts):
        return "units"
    if (
        len(texts) == len(filled)
        and len(filled) > 2
        and (sum(plain_letters(t) in titles for t in texts) > len(texts) / 2 or _known(filled) > max(_FEWEST_TITLES, len(texts) / 2))
    ):
        return "header"
    first = plain_letters(str(filled[0])) if isinstance(filled[0], str) else ""
    placed = sum(not is_blank(sheet.grid.value(row, h.column)) for h in sheet.headings if h.title is not None)
    if _TOTAL.match(plain_letters(name) or first) and placed <= max(3, len(sheet.headings) // 3):
        return "total"
    if len(filled) == 1 and isinstance(filled[0], str) and len(sheet.headings) > 2:
        return "" if name and re.search(r"\d", name) and len(name) < 20 else "heading"
    return ""


def _unit_word(text: str) -> bool:
    return unit_named(text) is not None or text.strip("()[] ") in (
        "-",
        "–",
        "—",
        "/",
        "text",
        "Text",
        "dec. deg",
        "WGS84",
    )


def _with_unit(heading: Heading, cell: Cell) -> Heading:
    unit = unit_named(cell) if isinstance(cell, str) else None
    if unit is None or heading.title is None or heading.title.unit is not None:
        return heading
    return replace(heading, title=replace(heading.title, unit=unit))


def _lines_above(grid: Grid, header: int) -> list[str]:
    return [" ".join(cell_text(c) for c in grid.rows[r - 1] if not is_blank(c)) for r in range(1, header)]


def _joined(lines: Sequence[str]) -> Facts:
    """What several lines say together; the first that says something of a kind counts."""
    said = [facts_of(line) for line in lines if line]
    return Facts(
        next((f.length for f in said if f.length), None),
        next((f.angle for f in said if f.angle), None),
        any(f.magnetic for f in said),
        any(f.sea for f in said),
        any(f.own_north for f in said),
        " | ".join(f.text for f in said if f.text),
    )

"""More plans as people write them, by a hand that had not read the reader: what a site's own papers do to a table."""

from __future__ import annotations

import math
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont

from tests.plan.habit_plans import (
    FIELDS,
    HABITS,
    PLAIN,
    TITLES,
    TRUTH,
    _book,
    _csv,
    _sheet,
    comma,
    down,
    habit,
    rows,
    titled,
)

__all__ = ["HABITS"]

ALL = " ".join(r[0] for r in TRUTH)


def _stacked() -> None:
    other = (0, 1, 2, 3, 5, 4, 6, 7, 9, 8, 10, 11, 12)
    grid = [["Indoor"], list(PLAIN), *[list(r) for r in TRUTH[:3]], [], ["Outdoor"], [PLAIN[i] for i in other], *[[r[i] for i in other] for r in TRUTH[3:]]]
    habit("a second header in another order", _csv(grid))
    feet = titled(PLAIN, rows(height=lambda v: round(v / 0.3048, 6)), height="Height (ft)")
    habit("a second header in other units", _csv([list(PLAIN), *[list(r) for r in TRUTH[:3]], [], feet[0], *feet[4:]]))
    german = titled(TITLES["de"], rows(pitch=down))
    habit("a second header in another language", _csv([list(PLAIN), *[list(r) for r in TRUTH[:3]], [], german[0], *german[4:]]))


def _revisions() -> None:
    newer = [list(r) for r in TRUTH]
    newer[2][4] = 3.4

    def fill(book: Any) -> None:
        for name, grid in (("Rev A", TRUTH), ("Rev B", newer)):
            sheet = book.create_sheet(name)
            for line in (PLAIN, *grid):
                sheet.append(list(line))
        book.remove(book.worksheets[0])

    habit("two revisions that differ in one camera", _book(fill), "asks", ".xlsx", waits="KA-03", cells="")


def _struck(shared: bool) -> Callable[[Path], None]:
    """A workbook in whose cells an old digit is struck through before the new number; also as spreadsheet programs keep texts."""

    def after(sheet: Any) -> None:
        sheet["E2"] = CellRichText(TextBlock(InlineFont(strike=True), "2"), "3.2")
        sheet["F5"] = CellRichText("3", TextBlock(InlineFont(strike=True), "3"), "15")

    def write(path: Path) -> None:
        _sheet([list(PLAIN), *[list(r) for r in TRUTH]], after)(path)
        if shared:
            _share_texts(path)

    return write


def _share_texts(path: Path) -> None:
    """Moves the texts of the first sheet to the workbook's own list of texts."""
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    texts: list[bytes] = []
    def moved(found: re.Match[bytes]) -> bytes:
        texts.append(found[2])
        return b'<c%s t="s"><v>%d</v></c>' % (found[1], len(texts) - 1)

    files[sheet] = re.sub(rb'<c( r="[A-Z]+[0-9]+")[^>]*? t="inlineStr"[^>]*><is>(.*?)</is></c>', moved, files[sheet], flags=re.DOTALL)
    inner = b"".join(b"<si>%s</si>" % text for text in texts)
    files["xl/sharedStrings.xml"] = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">' + inner + b"</sst>"
    part = b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/>'
    files["[Content_Types].xml"] = files["[Content_Types].xml"].replace(b"</Types>", part + b"</Types>")
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)


def _lines_and_titles() -> None:
    turned = titled(PLAIN, rows(bearing=lambda v: (v - 23) % 360), bearing="Bearing")
    habit("bearings from the site's own north", _csv([["Bearings from site north (23° true)"], *turned]), "asks", waits=ALL, cells="F3:F8")
    percent = titled(PLAIN, rows(pitch=lambda v: round(100 * math.tan(math.radians(-v)), 6)), pitch="Tilt down (%)")
    habit("a slope in percent", _csv(percent), "fix")
    degrees = {f: (lambda v, n=n, p=p: f"{n if v < 0 else p}{int(abs(v)):03d} {(abs(v) % 1) * 60:.6f}") for f, n, p in (("latitude", "S", "N"), ("longitude", "W", "E"))}
    habit("degrees and minutes behind a letter", _csv(titled(PLAIN, rows(**degrees))))

    def grouped(sheet: Any) -> None:
        sheet.insert_rows(1)
        for cell, text in (("C1", "Position"), ("F1", "Aim"), ("I1", "Image")):
            sheet[cell] = text
        for span in ("C1:E1", "F1:G1", "I1:J1"):
            sheet.merge_cells(span)

    titles = ("Camera", "Name", "Lat", "Lon", "Height (m)", "Bearing", "Down", "HFOV", "W", "H", *PLAIN[10:])
    habit("down under aim", _sheet(titled(titles, rows(pitch=down)), grouped), suffix=".xlsx")
    habit("the French angle of the field", _csv(titled(TITLES["fr"], rows(pitch=down), hfov="Angle de champ horizontal")))
    thousands = [[f"{round(v * 1000):,}".replace(",", ".") if f == "height" else comma(v) if isinstance(v, float) else v for f, v in zip(FIELDS, r, strict=True)] for r in rows(pitch=down)]
    habit("millimetres with a sign for thousands", _csv([[*TITLES["de"][:4], "Höhe (mm)", *TITLES["de"][5:]], *thousands], ";"))
    for name, title in (("vertical", "Vertical FOV (deg)"), ("diagonal", "Diagonal angle of view")):
        habit(f"a {name} angle of view alone", _csv(titled(PLAIN, rows(), hfov=title)), "asks", waits=ALL, cells="H2")
    habit("an angle from straight down", _csv(titled(PLAIN, rows(pitch=lambda v: 90 + v), pitch="Tilt (0° = straight down)")), "asks", waits=ALL, cells="G2")


def _cells() -> None:
    odd = [list(r) for r in TRUTH]
    odd[1][4], odd[2][4] = "4. Mai", "02.Aug"  # 4.5 and 2.8
    habit("a number that became a day in words", _csv([list(PLAIN), *odd]), "fix")
    limits = [list(r) for r in TRUTH]
    limits[5][4] = ">6.5"
    habit("a limit for a height", _csv([list(PLAIN), *limits]), "asks", waits="KA-06", cells="E7")
    datum = titled(PLAIN, rows(height=lambda v: v + 4.2), height="Height above site datum (m)")
    habit("heights above a datum", _csv(datum), "asks", waits=ALL, cells="E2")
    minus = titled(PLAIN, [[*r[:6], r[6] if r[0] == "KA-04" else -r[6], *r[7:]] for r in TRUTH], pitch="Tilt down")
    habit("one minus under tilt down", _csv(minus), "asks", waits="KA-04", cells="G5")
    mixed = titled(PLAIN, [[*r[:6], -r[6] if i % 2 else r[6], *r[7:]] for i, r in enumerate(TRUTH)], pitch="Pitch")
    habit("a pitch of both signs", _csv(mixed), "asks", waits=ALL, cells="G2:G7")
    pair = [["camera", "name", "Resolution", *PLAIN[2:8], *PLAIN[10:]], *[[r[0], r[1], f"{r[9]}x{r[8]}" if r[0] == "KA-03" else f"{r[8]}x{r[9]}", *r[2:8], *r[10:]] for r in TRUTH]]
    habit("one resolution upright", _csv(pair), "fix")


_stacked()
_revisions()
habit("an old digit struck through", _struck(False), "asks", ".xlsx", waits="KA-01 KA-04", cells="cameras!E2 cameras!F5")
habit("an old digit struck through, texts shared", _struck(True), "asks", ".xlsx", waits="KA-01 KA-04", cells="cameras!E2 cameras!F5")
_lines_and_titles()
_cells()

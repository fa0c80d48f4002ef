"""Plans as people write them, made from one invented site: each habit a way to write the same cameras.

A habit says how the plan must end: ``read`` (every camera right at once), ``fix`` (every camera right after the guesses
are taken), or the ids that must wait with their cells named, all others being right.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pygeomag
from openpyxl.styles import Font

FIELDS = ("camera", "name", "latitude", "longitude", "height", "bearing", "pitch", "hfov", "width", "pixels_down", "form",
          "surface", "setting")  # fmt: skip
#: The site: every habit writes these cameras.
TRUTH: tuple[tuple[Any, ...], ...] = (
    ("KA-01", "Gate", 46.500036, -17.999922, 3.2, 45.0, -15.0, 84.0, 1920, 1080, "dome", "wall", "outdoor"),
    ("KA-02", "Ramp", 46.500412, -17.999318, 4.5, 135.0, -22.5, 60.0, 1920, 1080, "bullet", "pole", "outdoor"),
    ("KA-03", "Store", 46.500187, -18.000604, 2.8, 270.0, -30.0, 90.0, 2560, 1440, "dome", "hard ceiling", "indoor"),
    ("KA-04", "Yard", 46.499745, -17.999105, 5.25, 315.0, -12.0, 70.5, 3840, 2160, "bullet", "corner", "outdoor"),
    ("KA-05", "Office", 46.500309, -18.000201, 2.65, 180.0, -35.0, 95.0, 1920, 1080, "turret", "soffit", "indoor"),
    ("KA-06", "Fence", 46.499902, -17.998877, 6.75, 0.0, -10.0, 45.25, 1920, 1080, "bullet", "pole", "outdoor"),
)
PLAIN = ("camera", "name", "latitude", "longitude", "height_m", "bearing_deg", "pitch_deg", "hfov_deg", "image_width_px",
         "image_height_px", "form", "surface", "setting")  # fmt: skip
TITLES: dict[str, tuple[str, ...]] = {
    "en": ("Camera ID", "Location", "Latitude", "Longitude", "Mounting height", "Bearing", "Tilt down", "Field of view",
           "Image width", "Image height", "Camera type", "Mounting surface", "Environment"),
    "de": ("Kamera-Nr.", "Bezeichnung", "Geogr. Breite", "Geogr. Länge", "Montagehöhe", "Blickrichtung", "Neigung nach unten",
           "Bildwinkel", "Bildbreite", "Bildhöhe", "Kameratyp", "Untergrund", "Umgebung"),
    "fr": ("N° caméra", "Emplacement", "Latitude", "Longitude", "Hauteur de pose", "Azimut", "Inclinaison vers le bas",
           "Angle de vue", "Largeur image", "Hauteur image", "Type de caméra", "Support", "Environnement"),
    "es": ("Cámara", "Ubicación", "Latitud", "Longitud", "Altura de montaje", "Rumbo", "Inclinación hacia abajo",
           "Ángulo de visión", "Ancho imagen", "Alto imagen", "Tipo de cámara", "Superficie", "Entorno"),
    "it": ("Telecamera", "Ubicazione", "Latitudine", "Longitudine", "Altezza di montaggio", "Direzione", "Inclinazione verso il basso",
           "Angolo di campo", "Larghezza immagine", "Altezza immagine", "Tipo di telecamera", "Superficie di montaggio", "Ambiente"),
}  # fmt: skip
POINTS = {45.0: "NE", 135.0: "SE", 270.0: "W", 315.0: "NW", 180.0: "S", 0.0: "N"}
GERMAN = {45.0: "NO", 135.0: "SO", 270.0: "W", 315.0: "NW", 180.0: "S", 0.0: "N"}
FRENCH = {45.0: "NE", 135.0: "SE", 270.0: "O", 315.0: "NO", 180.0: "S", 0.0: "N"}

Grid = list[list[Any]]


@dataclass(frozen=True)
class Habit:
    """One way to write the plan: a file's ending, who writes it, how it ends, and the cells that must be named."""

    name: str
    suffix: str
    write: Callable[[Path], None]
    end: str
    waits: frozenset[str] = frozenset()
    cells: tuple[str, ...] = field(default=())


HABITS: list[Habit] = []


def rows(**changes: Callable[[Any], Any]) -> Grid:
    """The site's rows with some fields written otherwise."""
    return [[changes.get(f, lambda v: v)(v) for f, v in zip(FIELDS, row, strict=True)] for row in TRUTH]


def comma(value: Any) -> str:
    """A number with a decimal comma."""
    return str(value).replace(".", ",")


def _csv(grid: Grid, delimiter: str = ",") -> Callable[[Path], None]:
    def write(path: Path) -> None:
        out = io.StringIO(newline="")
        csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(grid)
        path.write_text(out.getvalue(), encoding="utf-8")

    return write


def _book(fill: Callable[[Any], None]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        book = openpyxl.Workbook()
        fill(book)
        book.save(path)

    return write


def _sheet(grid: Grid, after: Callable[[Any], None] | None = None, title: str = "cameras") -> Callable[[Path], None]:
    def fill(book: Any) -> None:
        sheet = book.active
        sheet.title = title
        for line in grid:
            sheet.append(line)
        if after is not None:
            after(sheet)

    return _book(fill)


def habit(
    name: str, write: Callable[[Path], None], end: str = "read", suffix: str = ".csv", waits: str = "", cells: str = ""
) -> None:
    """Adds a habit."""
    HABITS.append(Habit(name, suffix, write, end, frozenset(waits.split()), tuple(cells.split())))


def titled(titles: tuple[str, ...], grid: Grid, **renamed: str) -> Grid:
    """A header over rows, some of its titles exchanged."""
    head = [renamed.get(f, t) for f, t in zip(FIELDS, titles, strict=True)]
    return [head, *grid]


def down(value: float) -> float:
    """Pitch as an angle downwards."""
    return -value


def _languages() -> None:
    for language, titles in TITLES.items():
        grid = titled(titles, rows(pitch=down))
        habit(f"titles in {language}", _csv(grid))
        habit(
            f"titles in {language} with decimal commas",
            _csv([grid[0], *[[comma(v) if isinstance(v, float) else v for v in r] for r in grid[1:]]], ";"),
        )
        habit(f"titles in {language}, in a workbook", _sheet(grid, title="Plan"), suffix=".xlsx")
        habit(
            f"titles in {language} in capitals with units",
            _csv(
                titled(
                    tuple(t.upper() for t in titles),
                    rows(pitch=down),
                    height=titles[4].upper() + " (M)",
                    bearing=titles[5].upper() + " [°]",
                )
            ),
        )
    words = {"wall": "Wand", "pole": "Mast", "hard ceiling": "Decke", "corner": "Gebäudeecke", "soffit": "Vordach"}
    grid = titled(
        TITLES["de"],
        rows(
            pitch=down,
            surface=lambda v: words[v],
            setting=lambda v: {"outdoor": "außen", "indoor": "innen"}[v],
            bearing=lambda v: GERMAN[v],
        ),
    )
    habit("German words and compass points", _csv(grid, ";"))
    habit("French compass points", _csv(titled(TITLES["fr"], rows(pitch=down, bearing=lambda v: FRENCH[v])), ";"))
    habit("compass points", _csv(titled(TITLES["en"], rows(pitch=down, bearing=lambda v: POINTS[v]))))
    ambiguous = titled(PLAIN, rows(bearing=lambda v: {45.0: "NO"}.get(v, v)))
    habit("NO in an English plan", _csv(ambiguous), waits="KA-01", end="asks", cells="F2")


def _units() -> None:
    feet = [round(r[4] / 0.3048, 6) for r in TRUTH]
    habit("feet in the title", _csv(titled(PLAIN, rows(height=lambda v: round(v / 0.3048, 6)), height="Height (ft)")))
    habit("feet in the name", _csv(titled(PLAIN, rows(height=lambda v: round(v / 0.3048, 6)), height="height_ft")))
    habit(
        "millimetres in the title",
        _csv(titled(PLAIN, rows(height=lambda v: round(v * 1000)), height="Montagehöhe [mm]")),
    )
    habit("centimetres behind the number", _csv(titled(PLAIN, rows(height=lambda v: f"{v * 100:g} cm"))))
    habit("feet behind the number", _csv(titled(PLAIN, rows(height=lambda v: f"{round(v / 0.3048, 6)} ft"))))
    habit("feet and inches", _csv(titled(PLAIN, rows(height=_feet_and_inches))))
    habit("metres behind the number with a comma", _csv(titled(PLAIN, rows(height=lambda v: f"{comma(v)} m")), ";"))
    habit(
        "heights in millimetres that nothing says",
        _csv(titled(PLAIN, rows(height=lambda v: round(v * 1000)))),
        end="fix",
    )
    habit("gon in the title", _csv(titled(PLAIN, rows(bearing=lambda v: round(v / 0.9, 6)), bearing="Azimut (gon)")))
    habit("degrees and minutes", _csv(titled(PLAIN, rows(latitude=_minutes("NS"), longitude=_minutes("EW")))))
    habit("degrees, minutes and seconds", _csv(titled(PLAIN, rows(latitude=_seconds("NS"), longitude=_seconds("EW")))))
    spaced = rows(latitude=lambda v: _parted(v, " ") + " N", longitude=lambda v: _parted(v, ":"))
    habit("degrees, minutes and seconds without signs", _csv(titled(PLAIN, spaced)))
    habit(
        "hemispheres behind the number",
        _csv(titled(PLAIN, rows(longitude=lambda v: f"{-v} W", latitude=lambda v: f"{v}° N"))),
    )
    habit("longitude west in the title", _csv(titled(PLAIN, rows(longitude=lambda v: -v), longitude="Longitude (W)")))
    habit("degrees down in words", _csv(titled(PLAIN, rows(pitch=lambda v: f"{-v:g}° down"))))
    habit(
        "degrees down in German",
        _csv(titled(TITLES["de"], rows(pitch=lambda v: f"{comma(-v)}° nach unten"), pitch="Neigung"), ";"),
    )
    habit("quadrant bearings", _csv(titled(PLAIN, rows(bearing=_quadrant))))

    def formatted(sheet: Any) -> None:
        for row, value in enumerate(feet, start=2):
            sheet.cell(row, 5, value).number_format = '0.0" ft"'

    habit(
        "feet in the number format", _sheet(titled(PLAIN, rows(), height="Mounting height"), formatted), suffix=".xlsx"
    )
    habit("feet in the number format under a title in metres", _sheet(titled(PLAIN, rows()), formatted), "fix", ".xlsx")
    head = titled(TITLES["en"], rows(pitch=down, height=lambda v: round(v / 0.3048, 6)))
    habit("feet in a line above", _csv([["Camera schedule"], ["All dimensions in feet"], [], *head]))
    units = ["", "", "°", "°", "ft", "°", "°", "°", "px", "px", "", "", ""]
    habit("a row of units", _csv([head[0], units, *head[1:]]))


def _feet_and_inches(value: float) -> str:
    total = value / 0.0254
    return f"{int(total // 12)}' {total % 12:.6f}\""


def _minutes(letters: str) -> Callable[[float], str]:
    return lambda v: f"{int(abs(v))}° {abs(v) % 1 * 60:.6f}' {letters[v < 0]}"


def _seconds(letters: str) -> Callable[[float], str]:
    def text(value: float) -> str:
        seconds = round(abs(value) * 3600, 4)
        return f"{int(seconds // 3600)}°{int(seconds % 3600 // 60)}'{seconds % 60:.4f}\"{letters[value < 0]}"

    return text


def _parted(value: float, sign: str) -> str:
    seconds = round(abs(value) * 3600, 4)
    text = sign.join((f"{int(seconds // 3600)}", f"{int(seconds % 3600 // 60):02d}", f"{seconds % 60:07.4f}"))
    return f"-{text}" if value < 0 else text


def _quadrant(value: float) -> str:
    return {45.0: "N 45° E", 135.0: "S 45° E", 270.0: "S 90° W", 315.0: "N45W", 180.0: "S 0 E", 0.0: "N 0° E"}[value]


def _numbers() -> None:
    grid = titled(PLAIN, [[comma(v) if isinstance(v, float) else v for v in r] for r in rows()])
    habit("decimal commas", _csv(grid, ";"))
    habit("decimal commas in a workbook", _sheet(grid), suffix=".xlsx")
    tabs = titled(PLAIN, rows())
    habit("tabs", _csv(tabs, "\t"))
    wide = titled(PLAIN, rows(width=lambda v: f"{v // 1000}.{v % 1000:03d}", pixels_down=lambda v: f"{v // 1000}.{v % 1000:03d}",
                              height=comma, hfov=comma, latitude=comma, longitude=comma, bearing=comma, pitch=comma))  # fmt: skip
    habit("points for thousands", _csv(wide, ";"))
    swiss = titled(
        PLAIN, rows(width=lambda v: f"{v // 1000}'{v % 1000:03d}", pixels_down=lambda v: f"{v // 1000} {v % 1000:03d}")
    )
    habit("apostrophes and spaces for thousands", _csv(swiss))
    east = [
        "camera",
        "east_m",
        "north_m",
        "height_m",
        "bearing_deg",
        "pitch_deg",
        "hfov_deg",
        "image_width_px",
        "image_height_px",
    ]
    doubt = [
        [r[0], "1.250" if i == 0 else 12 + i, 7 + i, 3, *[int(v) for v in r[5:8]], r[8], r[9]]
        for i, r in enumerate(TRUTH)
    ]
    habit("metres or kilometres", _csv([east, *doubt]), "asks", waits="KA-01", cells="B2")
    habit("a sign for about", _csv(titled(PLAIN, rows(height=lambda v: f"ca. {v}"))), "fix")
    habit("a bearing below nought", _csv(titled(PLAIN, rows(bearing=lambda v: v - 360 if v > 180 else v))), "fix")
    habit(
        "sizes in one cell",
        _csv([[*PLAIN[:8], "Resolution", *PLAIN[10:]], *[[*r[:8], f"{r[8]} x {r[9]}", *r[10:]] for r in TRUTH]]),
    )
    habit(
        "position in one cell",
        _csv([["camera", "name", "GPS", *PLAIN[4:]], *[[*r[:2], f"{r[2]}, {r[3]}", *r[4:]] for r in TRUTH]]),
    )
    spoilt = rows(latitude=lambda v: f"{v:.6f}".replace(".", "")[:2] + "." + f"{v:.6f}"[3:6] + "." + f"{v:.6f}"[6:9])
    habit("coordinates with signs for thousands", _csv(titled(PLAIN, spoilt), ";"), "fix")
    tbc = [list(r) for r in TRUTH]
    tbc[2][4] = "tbc"
    habit("a height to be confirmed", _csv([list(PLAIN), *tbc]), "asks", waits="KA-03", cells="E4")


def _layouts() -> None:
    grid = titled(PLAIN, rows())
    german = titled(TITLES["de"], rows(pitch=down))
    habit("title lines above", _csv([["Site plan of the yard"], ["Revision", "C"], [], *grid]))
    habit("a header below row twenty", _sheet([[f"Note {i}"] for i in range(24)] + german), suffix=".xlsx")
    groups = ["", "", "Position", "", "", "Aim", "", "Lens", "Picture", "", "Mount", "", ""]
    low = [
        "Camera",
        "Name",
        "Latitude",
        "Longitude",
        "Height",
        "Bearing",
        "Tilt down",
        "Angle of view",
        "Width",
        "Height",
        "Type",
        "Surface",
        "Environment",
    ]
    pairs = [groups[:8] + ["Image", ""] + groups[10:], low, *rows(pitch=down)]

    def merge(sheet: Any) -> None:
        for span in ("C1:E1", "F1:G1", "I1:J1", "K1:L1"):
            sheet.merge_cells(span)

    habit("merged groups over the header", _sheet(pairs, merge), suffix=".xlsx")
    upper = [
        "Camera",
        "Name",
        "Position",
        "",
        "Height",
        "Bearing",
        "Pitch",
        "HFOV",
        "Image",
        "",
        "Type",
        "Surface",
        "Environment",
    ]
    lower = ["", "", "Latitude", "Longitude", "", "", "", "", "width", "height", "", "", ""]

    def tall(sheet: Any) -> None:
        for span in ("A1:A2", "B1:B2", "C1:D1", "E1:E2", "F1:F2", "I1:J1"):
            sheet.merge_cells(span)

    habit("headers of two rows, merged both ways", _sheet([upper, lower, *rows()], tall), suffix=".xlsx")
    turned = [list(c) for c in zip(*german, strict=True)]
    habit("a table on its side", _sheet(turned), suffix=".xlsx")
    habit("a table on its side as CSV", _csv([list(c) for c in zip(*grid, strict=True)]))
    half = len(TRUTH) // 2

    def floors(book: Any) -> None:
        for number, part in enumerate((rows()[:half], rows()[half:])):
            sheet = book.active if number == 0 else book.create_sheet()
            sheet.title = ("Ground floor", "First floor")[number]
            for line in [list(PLAIN), *part]:
                sheet.append(line)

    habit("a sheet a floor", _book(floors), suffix=".xlsx")

    def others(book: Any) -> None:
        book.active.title = "Cover"
        book.active.append(["Security concept"])
        sheet = book.create_sheet("Kameraliste")
        for line in german:
            sheet.append(line)
        book.create_sheet("Kabel").append(["Kabel", "Länge"])

    habit("sheets under other names", _book(others), suffix=".xlsx")

    def older(book: Any) -> None:
        book.active.title = "cameras"
        for line in grid:
            book.active.append(line)
        sheet = book.create_sheet("cameras old")
        for line in titled(PLAIN, rows(height=lambda v: v + 1)):
            sheet.append(line)

    habit("an older copy on another sheet", _book(older), suffix=".xlsx")
    total = ["Total", "", "", "", sum(r[4] for r in TRUTH)]
    habit("a row of sums", _csv([*grid, [], total]))
    habit("a row of sums in German", _csv([*german, ["Summe", len(TRUTH)]], ";"))
    habit("headings between the rows", _csv([grid[0], ["Outside"], *grid[1:4], ["Inside"], *grid[4:]]))
    habit("the header again on each page", _csv([*grid[:4], grid[0], *grid[4:]]))
    habit("a legend below", _csv([*grid, [], ["Legend: D = dome"], ["Drawn by the planning office"]]))

    def hidden(sheet: Any) -> None:
        sheet.row_dimensions[4].hidden = True

    habit("a hidden row", _sheet(grid, hidden), "asks", ".xlsx", waits="KA-03", cells="cameras!A4")
    struck = [*grid, ["KA-07", *rows()[0][1:2], 46.5003, -17.9995, *rows()[0][4:]]]

    def strike(sheet: Any) -> None:
        for cell in sheet[len(struck)]:
            cell.font = Font(strike=True)

    habit("a row struck through", _sheet(struck, strike), "fix", ".xlsx")
    numbered = [["No.", *PLAIN], *[[i, *r] for i, r in enumerate(rows(), start=1)]]
    habit("a column of running numbers", _csv(numbered))
    habit(
        "notes that nobody knows",
        _csv([[*PLAIN, "Remark", "Installer"], *[[*r, "see drawing", "team 2"] for r in rows()]]),
    )

    def formulas(sheet: Any) -> None:
        sheet["E3"] = "=4+0.5"

    habit(
        "a formula that was never computed", _sheet(grid, formulas), "asks", ".xlsx", waits="KA-02", cells="cameras!E3"
    )


def _grids() -> None:
    from pyproj import Transformer

    def moved(code: int, latitude: float, longitude: float) -> Grid:
        turn = Transformer.from_crs(4326, code, always_xy=True)
        return [
            [*r[:2], *[round(v, 4) for v in turn.transform(r[3] + longitude, r[2] + latitude)], *r[4:]] for r in TRUTH
        ]

    def head(east: str, north: str) -> list[str]:
        return [*PLAIN[:2], east, north, *PLAIN[4:]]

    habit("UTM named in the titles", _csv([head("Easting (UTM 27N)", "Northing (UTM 27N)"), *moved(32627, 0, 0)]))
    habit(
        "UTM by its code in a line above",
        _csv([["Coordinates: EPSG:32627"], head("East", "North"), *moved(32627, 0, 0)]),
    )
    column = [[*head("Easting", "Northing"), "Grid"], *[[*r, "UTM 27N"] for r in moved(32627, 0, 0)]]
    habit("a grid that a column names", _csv(column))
    habit(
        "UTM with the columns exchanged",
        _csv([head("Northing (UTM 27N)", "Easting (UTM 27N)"), *moved(32627, 0, 0)]),
        "fix",
    )
    habit(
        "a grid without a name",
        _csv([head("Easting", "Northing"), *moved(32627, 0, 0)]),
        "asks",
        waits=" ".join(r[0] for r in TRUTH),
        cells="C2:C7",
    )


def _focal(hfov: float) -> float:
    return round(2.4 / math.tan(math.radians(hfov / 2)), 9)


def _magnetic(true: float) -> float:
    """What a compass shows there, by the World Magnetic Model (pygeomag's own coefficients)."""
    turn = pygeomag.GeoMag(coefficients_file="wmm/WMM_2025.COF").calculate(glat=46.5, glon=-18.0, alt=0, time=2026.5).d
    return round((true - turn) % 360, 4)


def _suspicions() -> None:
    habit("tilt written positive", _csv(titled(PLAIN, rows(pitch=down))), "fix")
    focal = [
        [*PLAIN[:7], "Lens", "Sensor width (mm)", *PLAIN[8:]],
        *[[*r[:7], f"{comma(_focal(r[7]))} mm", "4,8", *r[8:]] for r in TRUTH],
    ]
    habit("focal lengths with a unit and a comma", _csv(focal, ";"))
    zoom = [[*PLAIN, "Lens (mm)", "Sensor"], *[[*r, "2,8-12 mm", '1/2.8"'] for r in TRUTH]]
    habit("a zoom lens beside its angle", _csv(zoom, ";"))
    magnetic = titled(PLAIN, rows(bearing=_magnetic), bearing="Bearing (magnetic)")
    habit("magnetic bearings", _csv([[*magnetic[0], "surveyed_on"], *[[*r, "2026-07-01"] for r in magnetic[1:]]]))
    lost = [
        [PLAIN[0], "east_m", "north_m", PLAIN[4], "Kompass (°)", *PLAIN[6:]],
        *[[r[0], i, 2, *r[4:]] for i, r in enumerate(TRUTH)],
    ]
    habit(
        "magnetic bearings of a site without a place",
        _csv(lost),
        "asks",
        waits=" ".join(r[0] for r in TRUTH),
        cells="E2:E7",
    )
    habit("a tilt whose sign nobody defined", _csv(titled(PLAIN, rows(pitch=down), pitch="Tilt")), "fix")
    habit(
        "width and height exchanged by title",
        _csv(titled(PLAIN, rows(), width="image_height_px", pixels_down="image_width_px")),
        "fix",
    )
    one = [list(r) for r in TRUTH]
    one[1][8], one[1][9] = one[1][9], one[1][8]
    habit("width and height exchanged in a row", _csv([list(PLAIN), *one]), "fix")
    far = [list(r) for r in TRUTH]
    far[3][2], far[3][3] = far[3][3], far[3][2]
    habit("latitude and longitude exchanged in a row", _csv([list(PLAIN), *far]), "fix")
    stroke = [list(r) for r in TRUTH]
    stroke[4][5] = "20/200"
    habit("two bearings in a cell", _csv([list(PLAIN), *stroke]), "asks", waits="KA-05", cells="F6")
    span = [list(r) for r in TRUTH]
    span[4][0] = "KA-05-KA-09"
    habit("a range of ids", _csv([list(PLAIN), *span]), "asks", waits="KA-05-KA-09", cells="A6")
    swapped = titled(PLAIN, rows(), latitude="longitude", longitude="latitude")
    habit("latitude and longitude exchanged by title", _csv(swapped), "fix")
    alike = [list(r) for r in TRUTH]
    alike[5][0] = "KA-O1"
    habit("an id that looks like another", _csv([list(PLAIN), *alike]), "alike")
    named = [["Kamerabezeichnung", *PLAIN[2:]], *[[r[0], *r[2:]] for r in TRUTH]]
    habit("names in place of ids", _csv(named))
    sign = [list(r) for r in TRUTH]
    sign[3][3] = -sign[3][3]
    habit("a sign lost in a row", _csv([list(PLAIN), *sign]), "fix")
    gone = [list(r) for r in TRUTH]
    gone[3][2] = 41.5
    habit("a slip of the keyboard far away", _csv([list(PLAIN), *gone]), "asks", waits="KA-04", cells="C5")
    levels = [
        [*PLAIN[:4], "Height ASL (m)", "Ground level ASL (m)", *PLAIN[5:]],
        *[[*r[:4], round(r[4] + 412.3, 3), 412.3, *r[5:]] for r in TRUTH],
    ]
    habit("heights above the sea beside the ground's", _csv(levels))
    alone = [[*PLAIN[:4], "Höhe ü. NN", *PLAIN[5:]], *[[*r[:4], round(r[4] + 412.3, 3), *r[5:]] for r in TRUTH]]
    habit("heights above the sea alone", _csv(alone), "asks", waits=" ".join(r[0] for r in TRUTH), cells="E2:E7")
    habit(
        "heights above the sea that nothing says",
        _csv(titled(PLAIN, rows(height=lambda v: round(v + 412.3, 3)))),
        "asks",
        waits=" ".join(r[0] for r in TRUTH),
        cells="E2:E7",
    )
    habit(
        "low heights above the sea that nothing says",
        _csv(titled(PLAIN, rows(height=lambda v: round(v + 62.3, 3)))),
        "asks",
        waits=" ".join(r[0] for r in TRUTH),
        cells="E2:E7",
    )
    double = [list(r) for r in TRUTH]
    double[1][0] = "KA-02 / KA-07"
    habit("two cameras in one row", _csv([list(PLAIN), *double]), "asks", waits="KA-02", cells="A3")
    twice = [list(r) for r in TRUTH]
    twice[4][0] = "KA-01"
    habit("one id twice", _csv([list(PLAIN), *twice]), "asks", waits="KA-01", cells="A2 A6")
    many = [[*PLAIN, "Qty"], *[[*r, 2 if r[0] == "KA-03" else 1] for r in TRUTH]]
    habit("a number of pieces", _csv(many), "asks", waits="KA-03", cells="A4")
    words = [list(r) for r in TRUTH]
    words[5][11] = "flagpole stump"
    habit("an unknown surface", _csv([list(PLAIN), *words]), "asks", waits="KA-06", cells="L7")


def _dates() -> None:
    for name, texts in (
        ("German", ("03.04.2026",) * 6), ("British", ("03/04/2026", "25/04/2026") * 3), ("American", ("04/03/2026", "04/25/2026") * 3),
        ("in words", ("3 April 2026", "3. April 2026", "April 3, 2026") * 2),
    ):  # fmt: skip
        grid = [[*PLAIN, "Survey date"], *[[*r, texts[i]] for i, r in enumerate(TRUTH)]]
        habit(f"dates, {name}", _csv(grid, ";"))
    stamped = [[*PLAIN, "Datum"], *[[*r, date(2026, 4, 3)] for r in TRUTH]]
    habit("dates of a spreadsheet", _sheet(stamped), suffix=".xlsx")
    doubt = [[*PLAIN, "Survey date"], *[[*r, "03/04/2026"] for r in TRUTH]]
    habit("dates that may be two days", _csv(doubt))


_languages()
_units()
_numbers()
_layouts()
_grids()
_suspicions()
_dates()

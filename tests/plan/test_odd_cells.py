"""Single cells as people fill them in: what is read, what is asked about, and what a guess that is taken makes of it."""

from __future__ import annotations

import csv
import math
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from audit.plan.files import fix_plan, look_at_plan
from audit.plan.model import Camera

CELLS = {
    "camera": "C1", "east_m": "0", "north_m": "0", "height_m": "3", "bearing_deg": "20", "pitch_deg": "-15", "hfov_deg": "56",
    "image_width_px": "1920", "image_height_px": "1080", "form": "bullet", "surface": "wall", "setting": "outdoor", "mount": "wall > junction box",
    "night": "white light", "purpose": "recognise", "target_east_m": "3", "target_north_m": "9", "target_up_m": "1.6",
}  # fmt: skip
EVERYWHERE = {"east_m", "north_m", "target_east_m", "target_north_m", "target_up_m"}


def changed(told: dict[str, str]) -> dict[str, str]:
    """The cells with those; a title without its like takes the place of the column that begins like it."""
    kept = dict(CELLS)
    if "latitude" in told:
        kept = {key: value for key, value in kept.items() if key not in EVERYWHERE}
    if "focal_mm" in told:
        del kept["hfov_deg"]
    for title in told:
        word = title.replace("tilt_down", "pitch").split("_")[0].split(" ")[0]
        if title not in CELLS and f"{word}_deg" in kept:
            del kept[f"{word}_deg"]
        elif title not in CELLS and f"{word}_m" in kept:
            del kept[f"{word}_m"]
    return kept | told


def plan(folder: Path, **told: str) -> Path:
    path = folder / "plan.csv"
    cells = changed(told)
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([cells, cells.values()])
    return path


def read(path: Path) -> tuple[Camera | None, str, list[str]]:
    """The camera, what is said of errors, and the guesses that are offered."""
    site, problems = look_at_plan(path)
    assert site is not None
    wrong = [p for p in problems if p.severity in ("error", "warning")]
    return next(iter(site.cameras), None), " | ".join(p.sentence() for p in wrong), [p.guess for p in wrong if p.guess]


@pytest.mark.parametrize(
    ("title", "text", "field", "value"),
    [
        ("pitch_deg", "level", "pitch_deg", 0.0), ("tilt_down_deg", "straight down", "pitch_deg", -90.0), ("pitch_deg", "senkrecht", "pitch_deg", -90.0),
        ("pitch_deg", "12 down", "pitch_deg", -12.0), ("tilt_down_deg", "12 down", "pitch_deg", -12.0), ("tilt_down_deg", "12", "pitch_deg", -12.0),
        ("bearing_deg", "S 30 W", "bearing_deg", 210.0), ("bearing_deg", "N 30 W", "bearing_deg", 330.0), ("bearing_deg", "SE", "bearing_deg", 135.0),
        ("bearing (gon)", "100", "bearing_deg", 90.0), ("bearing (mil)", "1600", "bearing_deg", 90.0), ("bearing (rad)", "1.5707963268", "bearing_deg", 90.0),
        ("height (mm)", "3200", "height_m", 3.2), ("height (ft)", "10", "height_m", 3.048), ("height_m", "10' 6 1/2\"", "height_m", 126.5 * 0.0254),
        ("height_m", "9' 3/4\"", "height_m", 108.75 * 0.0254),
    ],
)  # fmt: skip
def test_what_a_cell_says_is_read_in_the_plans_unit_and_sign(tmp_path: Path, title: str, text: str, field: str, value: float) -> None:
    """An inch is 25.4 mm, a foot 12 of them (ISO 80000-3); 400 gon and 6400 mil are a full turn; quadrant bearings count from north or south."""
    camera, said, _ = read(plan(tmp_path, **{title: text}))
    assert camera is not None and said == ""
    assert getattr(camera, field) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"latitude": "46.5 E", "longitude": "8.5"}, "hemisphere of the other coordinate"),
        ({"latitude": "46.5", "longitude": "8.5 N"}, "hemisphere of the other coordinate"),
        ({"latitude": "46.5", "longitude": "8.5 O"}, "east in German and west in French"),
        ({"bearing_deg": "N 120 E"}, "from 0 to 360"), ({"bearing_deg": "398"}, "is it 38, or in gon (358.2°)?"),
        ({"bearing (%)": "20"}, "is in %, as its title says, which is no unit"), ({"bearing_mag": "20"}, "nothing says where the site lies"),
        ({"height_m": "10' 6 5/4\""}, "two numbers"), ({"height_m": "10' 6 1/3\""}, "two numbers"), ({"height_m": "1,500.5"}, "above the sea, or in millimetres"),
        ({"height_m": "at least 3"}, "is a limit, not the value"), ({"height_m": "tbd"}, "is still open"), ({"height_m": "yes"}, "not a number"),
        ({"focal_mm": "4", "sensor_width_mm": "1/2.8"}, "a sensor's type, not its width"),
        ({"focal_mm": "2", "sensor_width_mm": "8", "k1": "-0.3"}, "fold the picture"), ({"focal_mm": "4"}, "sensor_width_mm"),
        ({"principal_x_px": "960"}, "needs both principal_x_px and principal_y_px"), ({"target_east_m": "", "target_north_m": ""}, "a height but no position"),
        ({"target_up_m": ""}, "target_up_m is empty"), ({"form": "bulet"}, "Did you mean 'bullet'?"), ({"night": "perhaps"}, "the camera waits"),
        ({"east_m": "512345"}, "name the grid in the title"),
    ],
)  # fmt: skip
def test_what_can_not_be_read_is_asked_about_and_the_camera_waits(tmp_path: Path, told: dict[str, str], words: str) -> None:
    camera, said, _ = read(plan(tmp_path, **told))
    assert camera is None and words in said, said
    assert any(f"column {title}:" in said for title in (*told, "sensor_width_mm", "target_up_m")), "the cell's column is named"


@pytest.mark.parametrize(
    ("told", "guess", "field", "value"),
    [
        ({"pitch_%": "-15"}, "100 % being 45", "pitch_deg", -8.5308), ({"pitch_deg": "12 up"}, "downwards", "pitch_deg", -12.0),
        ({"height_m": "412"}, "in cm", "height_m", 4.12), ({"height_m": "2900"}, "in mm", "height_m", 2.9),
        ({"bearing_deg": "1,234"}, "the other one", "bearing_deg", 1.234), ({"height_m": "ca. 3.5"}, "that much", "height_m", 3.5),
    ],
)  # fmt: skip
def test_a_likely_meaning_is_offered_never_taken_and_is_right_where_it_is(tmp_path: Path, told: dict[str, str], guess: str, field: str, value: float) -> None:
    """A slope of 15 % is atan 0.15 = 8.5308 degrees."""
    path = plan(tmp_path, **told)
    camera, _, guesses = read(path)
    assert camera is None and guesses and all(guess in one for one in guesses)
    fixed, _ = fix_plan(path, tmp_path / "fixed.csv")
    assert getattr(fixed.cameras[0], field) == pytest.approx(value, abs=1e-4)


@pytest.mark.parametrize(
    ("titles", "east"),
    [
        ("Kamera;Breite;Länge;Höhe über Boden (m);Richtung (°);Neigung (°);Bildwinkel (°);Bildbreite (px);Bildhöhe (px)", 8.5),
        ("caméra;latitude;longitude;hauteur (m);azimut (°);inclinaison (°);angle de vue (°);largeur image (px);hauteur image (px)", -8.5),
        ("cámara;latitud;longitud;altura (m);azimut (°);inclinación (°);campo de visión (°);ancho imagen (px);alto imagen (px)", -8.5),
    ],
)
def test_o_is_east_in_a_german_plan_and_west_in_a_french_or_spanish_one(tmp_path: Path, titles: str, east: float) -> None:
    """Ost; ouest, oeste."""
    path = tmp_path / "plan.csv"
    path.write_text(f"{titles}\nC1;46,5 N;8,5 O;3;20;-15;56;1920;1080\n", encoding="utf-8")
    site, _ = look_at_plan(path)
    assert site is not None and (site.origin_latitude, site.origin_longitude) == (46.5, east)


@pytest.mark.parametrize(
    ("key", "value", "looks", "words"),
    [
        ("bearing_deg", date(2026, 5, 30), "yyyy-mm-dd", "is a date"), ("image_width_px", date(2026, 5, 30), "yyyy-mm-dd", "is a date"),
        ("height_m", 3.2, "0%", "is formatted in percent"), ("pitch_deg", -0.15, "0%", "is formatted in percent"),
        ("height_m", "#DIV/0!", "General", "holds the error #DIV/0!"), ("form", "#REF!", "General", "holds the error #REF!"),
        ("camera", date(2026, 5, 3), "yyyy-mm-dd", "made of an id such as 3-5"),
    ],
)  # fmt: skip
def test_a_workbooks_cell_that_is_no_number_of_its_column_is_asked_about(tmp_path: Path, key: str, value: object, looks: str, words: str) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "cameras"
    sheet.append(list(CELLS))
    sheet.append([float(text) if text.replace("-", "").replace(".", "").isdigit() else text for text in CELLS.values()])
    cell = sheet.cell(2, list(CELLS).index(key) + 1)
    cell.value, cell.number_format = value, looks
    book.save(tmp_path / "plan.xlsx")
    camera, said, _ = read(tmp_path / "plan.xlsx")
    assert camera is None and words in said and f"cameras!{cell.coordinate}" in said


@pytest.mark.parametrize(("title", "text", "read_as"), [("form", "bulet", "bullet"), ("setting", "outdor", "outdoor"), ("surface", "wal", "wall")])
def test_a_misspelt_word_is_what_it_is_nearest_to_where_guesses_are_taken(tmp_path: Path, title: str, text: str, read_as: str) -> None:
    path = plan(tmp_path, **{title: text})
    assert read(path)[0] is None
    site, said = fix_plan(path, tmp_path / "fixed.csv")
    assert getattr(site.cameras[0], title) == read_as and any(f"'{read_as}' is taken" in p.message for p in said)


@pytest.mark.parametrize(("text", "size"), [("1920 x 1080", (1920, 1080)), ("2688×1520", (2688, 1520)), ("wide", None), ("1920", None), ("0 x 1080", None)])
def test_a_size_in_one_cell_is_width_and_height_and_nothing_less(tmp_path: Path, text: str, size: tuple[int, int] | None) -> None:
    kept = {key: value for key, value in CELLS.items() if not key.startswith("image")} | {"resolution": text}
    path = tmp_path / "plan.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([kept, kept.values()])
    camera, said, _ = read(path)
    assert (None if camera is None else (camera.lens.width_px, camera.lens.height_px)) == size, said
    assert size is not None or "image_width_px" in said


def test_bearings_that_are_all_smaller_than_a_turn_in_radians_are_offered_as_radians(tmp_path: Path) -> None:
    """0.35 is 20.05 degrees, 1.57 is 89.95, 5.1 is 292.21."""
    rows = [CELLS | {"camera": f"C{i}", "east_m": str(i), "bearing_deg": text} for i, text in enumerate(("0.35", "1.57", "5.1"))]
    path = tmp_path / "plan.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([CELLS, *(row.values() for row in rows)])
    camera, _, guesses = read(path)
    assert camera is None and guesses == ["they are in radians"]
    assert [round(c.bearing_deg, 2) for c in fix_plan(path, tmp_path / "fixed.csv")[0].cameras] == [20.05, 89.95, 292.21]


@pytest.mark.parametrize(("off_deg", "offered"), [(0.0, True), (12.0, True), (18.0, False), (60.0, False)])
def test_columns_of_degrees_are_exchanged_where_only_so_cameras_look_at_their_targets(tmp_path: Path, off_deg: float, offered: bool) -> None:
    """A target 200 m away to the south east, seen by a lens of 60 degrees, with latitude and longitude in each other's columns; as
    they stand the camera would look the other way. Within a quarter of the picture's width of its middle the target is where it looks."""
    way = math.radians(150.0 + off_deg)
    latitude, longitude = 46.5 + 200 * math.cos(way) / 111_195, 8.0 + 200 * math.sin(way) / 111_195 / math.cos(math.radians(46.5))
    path = plan(tmp_path, latitude="8.0", longitude="46.5", bearing_deg="150", hfov_deg="60",
                target_latitude=f"{longitude:.7f}", target_longitude=f"{latitude:.7f}", target_up_m="1.6")  # fmt: skip
    _, said, _ = read(path)
    assert ("does not fit the plan's directions and distances" in said) is offered, said


def test_one_tilt_upwards_among_many_downwards_is_offered_downwards_where_its_target_lies_below(tmp_path: Path) -> None:
    """Cameras 3 m up; the gate's 1.6 m lie below them, 9 m away: a camera that looks up by 15 degrees can't be meant."""
    rows = [CELLS | {"camera": f"C{i}", "east_m": str(i), "pitch_deg": "15" if i == 3 else "-15"} for i in range(6)]
    path = tmp_path / "plan.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([CELLS, *(row.values() for row in rows)])
    _, said, guesses = read(path)
    assert "its target is below it" in said and guesses == ["the angle is downwards"]
    site, _ = fix_plan(path, tmp_path / "fixed.csv")
    assert [c.pitch_deg for c in site.cameras] == [-15.0] * 6


@pytest.mark.parametrize("exchanged", [False, True])
def test_columns_of_degrees_are_exchanged_where_only_so_local_metres_fit(tmp_path: Path, exchanged: bool) -> None:
    """Three cameras with metres from a corner of the yard beside their degrees (a sphere's 111,195 m a degree)."""
    rows = []
    for i, (east, north) in enumerate(((10.0, 40.0), (60.0, 55.0), (25.0, 90.0))):
        latitude, longitude = f"{46.5 + north / 111_195:.7f}", f"{8.0 + east / 111_195 / math.cos(math.radians(46.5)):.7f}"
        told = {"latitude": longitude, "longitude": latitude} if exchanged else {"latitude": latitude, "longitude": longitude}
        place = {"camera": f"C{i}", "east_m": f"{east}", "north_m": f"{north}", "target_east_m": f"{east + 3}", "target_north_m": f"{north + 9}"}
        rows.append(CELLS | place | told)
    path = tmp_path / "plan.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([rows[0], *(row.values() for row in rows)])
    _, said, _ = read(path)
    assert ("does not fit the plan's directions and distances" in said) is exchanged, said


def test_a_camera_without_any_position_is_asked_for_one_in_the_column_that_the_plan_has(tmp_path: Path) -> None:
    _, said, _ = read(plan(tmp_path, east_m="", north_m=""))
    assert "column east_m" in said and "the camera has no position" in said

"""Grids by their names, titles by what they say, and numbers with minutes, feet and hemispheres."""

from __future__ import annotations

import math
import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from audit.plan.crs import NamedGrid, grid_named
from audit.plan.files import read_plan, read_plan_problems
from audit.plan.quantities import quantities
from audit.plan.titles import facts_of, read_title
from tests.plan.test_quantities import HEIGHT, LATITUDE, only

HEADER = "camera,{},{},height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px"


@pytest.mark.parametrize("zone", [1, 28, 32, 38, 39, 60])
@pytest.mark.parametrize("band", ["", "N", "X", "M", "C", "north", "south", "Süd"])
@pytest.mark.parametrize("datum", ["", "ETRS89 ", "ED50 "])
def test_a_utm_zone_is_the_one_that_the_register_has_under_its_code(zone: int, band: str, datum: str) -> None:
    """Outside: the names of the EPSG register as pyproj carries them; bands C to M lie south (DMA TM 8358.2)."""
    grid = grid_named(f"{datum}UTM {zone}{' ' if len(band) > 1 else ''}{band}")
    assert isinstance(grid, NamedGrid)
    register = CRS.from_epsg(grid.code).name
    south = band in ("M", "C", "south", "Süd")
    assert register.endswith(f"UTM zone {zone}{'S' if south else 'N'}")
    european = 28 <= zone <= 38 and not south and datum
    assert register.startswith(datum.strip() if european else "WGS 84")


def test_zones_that_cannot_be_or_say_two_things_are_not_guessed() -> None:
    for text, said in (("UTM 0", "zones 1 to 60"), ("UTM 61 N", "zones 1 to 60"), ("UTM 33S", "write EPSG:32633 or EPSG:32733")):
        told = grid_named(text)
        assert isinstance(told, str) and said in told


@pytest.mark.parametrize("zone", [2, 3, 4, 5])
def test_gauss_krueger_strips_are_the_register_s(zone: int) -> None:
    grid = grid_named(f"Gauß-Krüger Zone {zone}")
    assert isinstance(grid, NamedGrid)
    assert re.search(rf"zone {zone}$", CRS.from_epsg(grid.code).name)


def test_an_easting_that_begins_with_its_zone_is_read_in_it_and_in_no_other() -> None:
    """Outside: PROJ, through pyproj. Surveyors write UTM 32 as 32 500 000 m, and strips of Gauss and Krueger always begin with theirs."""
    utm, unnamed = grid_named("ETRS89 UTM 32N"), grid_named("Gauß-Krüger")
    assert isinstance(utm, NamedGrid) and isinstance(unnamed, NamedGrid)
    assert utm.to_wgs84(32_512_345.0, 5_400_000.0) == utm.to_wgs84(512_345.0, 5_400_000.0) is not None
    assert utm.to_wgs84(33_512_345.0, 5_400_000.0) is None, "another zone's"
    for zone, east in ((2, 2_600_000.0), (3, 3_500_000.0), (4, 4_500_000.0), (5, 5_400_000.0)):
        longitude, latitude = Transformer.from_crs(31464 + zone, 4326, always_xy=True).transform(east, 5_500_000.0)
        assert unnamed.to_wgs84(east, 5_500_000.0) == pytest.approx((latitude, longitude), abs=1e-9)
    assert unnamed.to_wgs84(1_500_000.0, 5_500_000.0) is None and unnamed.to_wgs84(6_500_000.0, 5_500_000.0) is None
    assert unnamed.convergence_deg(50.0, 9.0) is None, "of no strip in particular"


def test_grid_north_turns_with_the_way_from_the_middle_of_the_zone() -> None:
    """On a sphere the convergence is atan(tan of the difference of longitude times sin of the latitude): 0.766 degrees at 1 and 50."""
    utm = grid_named("UTM 32N")
    assert isinstance(utm, NamedGrid)
    turn = math.degrees(math.atan(math.tan(math.radians(1)) * math.sin(math.radians(50))))
    found = [utm.convergence_deg(50.0, longitude) for longitude in (8.0, 9.0, 10.0)]
    assert found == pytest.approx([-turn, 0.0, turn], abs=1e-3)


def test_codes_that_are_no_grid_in_metres_are_told_from_those_that_are_degrees() -> None:
    """The EPSG register: 4326, 4258 and 4979 are WGS 84 and ETRS89 in degrees, 4978 is geocentric, 9999 is not in it."""
    assert [grid_named(f"EPSG:{code}") for code in (4326, 4258, 4979)] == [None] * 3
    geocentric, unknown = grid_named("EPSG:4978"), grid_named("EPSG 99999")
    assert isinstance(geocentric, str) and "no grid in metres" in geocentric
    assert isinstance(unknown, str) and "no coordinate system that is known" in unknown


@pytest.mark.parametrize(
    ("title", "key", "words"),
    [
        ("Latitude S", "latitude", {"south"}), ("Lat (°S)", "latitude", {"south"}), ("South latitude", "latitude", {"south"}),
        ("Latitude N", "latitude", {"north"}), ("Longitude W", "longitude", {"west"}), ("Longitude (West)", "longitude", {"west"}),
        ("Longitude E", "longitude", {"east"}), ("Longitude O", "longitude", {"o"}), ("Breite Süd", "latitude", {"south"}),
        ("Target east (m)", "target_east_m", set()), ("Ziel Höhe (m)", "target_up_m", set()), ("Cible est (m)", "target_east_m", set()),
        ("Objetivo norte (m)", "target_north_m", set()), ("Target height above sea level (m)", "target_up_m", {"sea"}),
        ("Target purpose", "target_purpose", set()), ("Target name", "target", set()), ("Ziel", "target", set()),
        ("target px/m", "required_px_per_m", set()), ("Kompass", "bearing_deg", {"magnetic"}), ("ü. NN", "height_m", {"sea"}),
        ("Height above the pavement of the court (m)", "height_m", set()), ("Mounting height above sea level (m)", "height_m", {"sea"}),
        ("Hauteur au dessus du sol fini (m)", "height_m", set()), ("Height (m), m", "height_m", set()), ("f (mm)", "focal_mm", set()),
        ("Magnetic (°)", "bearing_deg", {"magnetic"}), ("Vertical tilt (°)", "pitch_deg", {"tilt"}),
        ("Inclinaison verticale vers le bas", "tilt_down_deg", {"down"}), ("Neigung nach unten (°)", "tilt_down_deg", {"down"}),
        ("Pitch (negative = down)", "pitch_deg", {"sign"}), ("Tilt (+ = down)", "tilt_down_deg", {"sign"}), ("mm", None, set()),
        ("Angle d'inclinaison (°)", "pitch_deg", {"tilt"}), ("Angle d’inclinaison", "pitch_deg", {"tilt"}), ("Angolo di inclinazione", "pitch_deg", {"tilt"}), ("Ángulo de inclinación (°)", "pitch_deg", {"tilt"}),
        ("Tilt down", "tilt_down_deg", set()), ("Target banana", None, set()), ("Target (m)", None, set()), ("Lon (°W)", "longitude", {"west"}),
    ],
)  # fmt: skip
def test_a_title_is_read_with_what_it_says(title: str, key: str | None, words: set[str]) -> None:
    found = read_title(title, "cameras")
    assert (None if found is None else found.key) == key
    assert found is None or found.words == words


@pytest.mark.parametrize(
    ("title", "key"), [("bearng_deg", "bearing_deg"), ("Brennwite (mm)", "focal_mm"), ("Mounting hieght (m)", "height_m"), ("Longitde", "longitude"), ("xyzzy plugh", None)]
)
def test_a_title_that_is_nearly_spelt_right_is_guessed_only_where_guesses_are_asked_for(title: str, key: str | None) -> None:
    guess = read_title(title, "cameras", nearly=True)
    assert read_title(title, "cameras") is None and (None if guess is None else guess.key) == key
    assert guess is None or "guess" in guess.words


def test_targets_have_no_tilt() -> None:
    assert [read_title(title, "targets") for title in ("Tilt (°)", "Inclination", "Neigung")] == [None] * 3


@pytest.mark.parametrize(
    ("line", "length", "angle"),
    [
        ("All dimensions in feet", "ft", None), ("All angles in gon", None, "gon"), ("All dimensions in feet, angles in gon", "ft", "gon"),
        ("Winkel in gon", None, "gon"), ("Bearings in mil", None, "mil"), ("Angles in degrees", None, "°"), ("Alle Maße in mm", "mm", None),
        ("Plan of the yard", None, None),
    ],
)  # fmt: skip
def test_a_line_above_the_table_says_the_unit_of_all_lengths_or_all_angles(line: str, length: str | None, angle: str | None) -> None:
    said = facts_of(line)
    assert (said.length, said.angle) == (length, angle)


@pytest.mark.parametrize(("north", "east", "sign"), [("Latitude S", "Longitude W", (-1, -1)), ("Latitude", "Longitude E", (1, 1))])
def test_a_hemisphere_in_the_title_counts_for_its_column(tmp_path: Path, north: str, east: str, sign: tuple[int, int]) -> None:
    path = tmp_path / "plan.csv"
    path.write_text(f"{HEADER.format(north, east)}\nC1,33.5,70.5,3,20,-15,56,1920,1080\n")
    site = read_plan(path)
    assert (site.origin_latitude, site.origin_longitude) == (33.5 * sign[0], 70.5 * sign[1])


@given(st.integers(0, 89), st.integers(0, 59), st.integers(0, 59), st.sampled_from(["N", "S"]))
@settings(max_examples=60)
def test_degrees_minutes_and_seconds_are_what_they_were_in_every_writing(d: int, m: int, s: int, way: str) -> None:
    value = d + m / 60 + s / 3600
    for text in (f"{d}° {m}' {s}\" {way}", f"{way} {d} {m} {s}", f"{way} {d}°{m}'{s}\"", f"{d}°{m}′{s}″{way}"):
        found = only(text, LATITUDE)
        assert found.value == pytest.approx(value, abs=1e-9) and found.sense == way.lower(), text
    for text in (f"{d}° {60 + m}' {way}", f"{d}° {m}' {60 + s}\" {way}"):
        assert quantities(text, LATITUDE) == (), "no minute beyond the sixtieth"


@given(st.integers(1, 99), st.integers(0, 11))
@settings(max_examples=30)
def test_feet_and_inches_go_together(feet: int, inches: int) -> None:
    for text in (f"{feet}' {inches}\"", f"{feet} ft {inches} in"):
        found = only(text, HEIGHT)
        assert found.value == pytest.approx(feet + inches / 12) and found.unit == "ft"
    assert quantities(f"{feet}' {inches + 12}\"", HEIGHT) == ()


def test_a_number_that_a_spreadsheet_made_a_date_is_asked_about(tmp_path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.append(HEADER.format("east_m", "north_m").split(","))
    sheet.append(["C1", 0, 0, date(2026, 5, 3), 20, -15, 56, 1920, 1080])
    sheet.append(["C2", 9, 0, 3, 20, date(2026, 5, 30), 56, 1920, 1080])
    book.save(tmp_path / "plan.xlsx")
    site, problems = read_plan_problems(tmp_path / "plan.xlsx")
    assert site is None or not site.cameras
    told = {p.column: p for p in problems if p.severity == "error"}
    assert "3.5" in (told["height_m"].guess or "") and "date" in told["height_m"].message
    assert "date" in told["pitch_deg"].message


@pytest.mark.parametrize(
    ("text", "register"),
    [
        ("LV95", "CH1903+ / LV95"), ("CH1903+", "CH1903+ / LV95"), ("LV03", "CH1903 / LV03"), ("CH1903", "CH1903 / LV03"),
        ("Lambert-93", "RGF93 v1 / Lambert-93"), ("British National Grid", "OSGB36 / British National Grid"), ("BNG", "OSGB36 / British National Grid"),
        ("Irish Transverse Mercator", "IRENET95 / Irish Transverse Mercator"), ("ITM", "IRENET95 / Irish Transverse Mercator"),
        ("Irish Grid", "TM75 / Irish Grid"), ("RD New", "Amersfoort / RD New"), ("Lambert 2008", "ETRS89 / Belgian Lambert 2008"),
        ("Belgian Lambert 72", "BD72 / Belgian Lambert 72"), ("LUREF", "LUREF / Luxembourg TM"), ("SWEREF 99 TM", "SWEREF99 TM"),
        ("TM35FIN", "ETRS89 / TM35FIN(E,N)"), ("MGI M28", "MGI / Austria GK M28"), ("MGI M31", "MGI / Austria GK M31"),
        ("MGI M34", "MGI / Austria GK M34"), ("Gauss-Boaga ovest", "Monte Mario / Italy zone 1"), ("Gauss-Boaga est", "Monte Mario / Italy zone 2"),
        ("PUWG 1992", "ETRF2000-PL / CS92"), ("S-JTSK Krovak", "S-JTSK / Krovak East North"), ("LAEA", "ETRS89-extended / LAEA Europe"),
        ("NZTM2000", "NZGD2000 / New Zealand Transverse Mercator 2000"),
    ],
)  # fmt: skip
def test_a_grid_by_name_is_the_one_that_the_register_calls_so(text: str, register: str) -> None:
    """Outside: the names of the EPSG register as pyproj carries them."""
    grid = grid_named(text)
    assert isinstance(grid, NamedGrid) and CRS.from_epsg(grid.code).name == register


@pytest.mark.parametrize(("upright", "lying", "asked"), [(0, 3, 0), (1, 2, 1), (2, 2, 2), (2, 1, 0), (3, 0, 3), (1, 0, 1)])
def test_pictures_higher_than_wide_are_asked_about_where_they_are_not_most(tmp_path: Path, upright: int, lying: int, asked: int) -> None:
    """A site of cameras set up for corridors stands upright; a few among others, or all, may be columns exchanged."""
    sizes = ["1080,1920"] * upright + ["1920,1080"] * lying
    rows = [f"C{n},{n}0,0,3,20,-15,40,{size}" for n, size in enumerate(sizes)]
    path = tmp_path / "plan.csv"
    path.write_text("\n".join((HEADER.format("east_m", "north_m"), *rows)) + "\n")
    site, problems = read_plan_problems(path)
    assert len({w.camera for w in site.waiting} if site is not None else rows) == asked
    assert any("width and height are exchanged" in (p.guess or "") for p in problems) is bool(asked)

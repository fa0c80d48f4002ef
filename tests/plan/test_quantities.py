"""Numbers as people write them, one text at a time: what is read, with which unit and direction, and what is no number."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.plan.files import fix_plan, look_at_plan, read_plan_problems
from audit.plan.measures import Measure
from audit.plan.quantities import Quantity, quantities

HEIGHT = Measure("m", 0, 200, above=True)
BEARING = Measure("deg", 0, 360, sort="bearing")
PITCH = Measure("deg", -90, 90, sort="pitch")
LATITUDE = Measure("deg", -90, 90, sort="latitude")


def only(text: str, measure: Measure) -> Quantity:
    (found,) = quantities(text, measure)
    return found


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [("3.2 m", 3.2, "m"), ("3,2", 3.2, None), ("320cm", 320.0, "cm"), ("12 ft", 12.0, "ft"), ("ca. 4 m", 4.0, "m")],
)
def test_a_height_with_its_unit(text: str, value: float, unit: str | None) -> None:
    found = only(text, HEIGHT)
    assert found.value == pytest.approx(value) and found.unit == unit
    assert found.vague == text.startswith("ca")


@pytest.mark.parametrize(("text", "north"), [("45° magnetic", "magnetic"), ("45 missweisend", "magnetic"), ("45° true", "true"), ("45", None)])
def test_a_bearing_says_from_which_north(text: str, north: str | None) -> None:
    found = only(text, BEARING)
    assert (found.value, found.north, found.sense) == (45.0, north, None)


def test_directions_belong_to_what_they_can_be_said_of() -> None:
    assert only("15° down", PITCH).sense == "down" and only("46.5 N", LATITUDE).sense == "n"
    assert quantities("3 m west", HEIGHT) == () and quantities("46.5 down", LATITUDE) == ()
    assert quantities("15° south", PITCH) == ()


def test_a_point_between_three_digits_may_part_thousands_or_decimals() -> None:
    """Both habits are common practice (no source): the column's other cells decide."""
    assert {(q.value, q.decimal) for q in quantities("1.250", HEIGHT)} == {(1.25, "."), (1250.0, ",")}
    assert {q.value for q in quantities("1,250", HEIGHT)} == {1.25, 1250.0}
    assert only("1'250.5", HEIGHT).value == 1250.5


@pytest.mark.parametrize("text", ["", "-", "3 or 4", "north", "3 m 4", "1.2.3,4,5", "nan", "3 apples"])
def test_what_is_no_number_is_none(text: str) -> None:
    assert quantities(text, HEIGHT) == ()


def _plan(path: Path, heights: list[str], above: str = "", places: tuple[str, list[str]] | None = None) -> Path:
    """A plan of so many cameras with these heights, as they are written, below a line of text; ``places`` are titles and cells."""
    titles, cells = places or ("latitude;longitude", [f"46.5000{k};-18.0000{k}" for k in range(len(heights))])
    lines = [above] if above else []
    lines.append(f"camera;{titles};height_m;bearing_deg;pitch_deg;hfov_deg;image_width_px;image_height_px;form;surface;setting")
    lines += [f"C{k};{cells[k]};{height};45;-15;84;1920;1080;dome;wall;outdoor" for k, height in enumerate(heights)]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_a_point_among_commas_is_asked_about_where_it_would_be_out_of_range(tmp_path: Path) -> None:
    """Read as the other cells are it is 1250 m; the one way that lies in the column's range is offered, not taken."""
    plan = _plan(tmp_path / "plan.csv", ["3,2", "2,85", "1.250", "4,5"])
    site, problems = look_at_plan(plan)
    assert site is not None and [w.camera for w in site.waiting] == ["C2"]
    assert any("is out of range, read as the other cells are" in p.sentence() for p in problems)
    fix_plan(plan, tmp_path / "fixed.csv")
    fixed, left = read_plan_problems(tmp_path / "fixed.csv")
    assert fixed is not None and [c.height_m for c in fixed.cameras] == [3.2, 2.85, 1.25, 4.5] and not left


def test_a_line_in_feet_above_a_column_in_metres_is_asked_about(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "plan.csv", ["10", "12"], "All dimensions in feet")
    site, problems = look_at_plan(plan)
    assert site is not None and [w.camera for w in site.waiting] == ["C0", "C1"]
    assert any("stands under a title in metres, and a line of the sheet says ft" in p.sentence() for p in problems)
    fix_plan(plan, tmp_path / "fixed.csv")
    fixed, _ = read_plan_problems(tmp_path / "fixed.csv")
    assert fixed is not None and [c.height_m for c in fixed.cameras] == pytest.approx([3.048, 3.6576])


def test_exchanged_east_and_north_of_a_named_grid_are_asked_about(tmp_path: Path) -> None:
    """UTM zone 32 north: east 500 km, north 5,150 km; the other way round it lies outside the zone."""
    cells = [f"{500_000 + 10 * k};{5_150_000 + 20 * k}" for k in range(2)]
    right = _plan(tmp_path / "right.csv", ["3", "4"], places=("Easting (UTM 32N);Northing (UTM 32N)", cells))
    turned = _plan(tmp_path / "turned.csv", ["3", "4"], places=("Northing (UTM 32N);Easting (UTM 32N)", cells))
    read, _ = look_at_plan(right)
    asked, problems = look_at_plan(turned)
    assert read is not None and not read.waiting and asked is not None and [w.camera for w in asked.waiting] == ["C0", "C1"]
    assert any("lies outside" in p.sentence() for p in problems)
    fix_plan(turned, tmp_path / "fixed.csv")
    fixed, _ = read_plan_problems(tmp_path / "fixed.csv")
    assert fixed is not None
    for one, other in zip(fixed.cameras, read.cameras, strict=True):
        assert (one.east_m, one.north_m) == pytest.approx((other.east_m, other.north_m), abs=0.01)


def test_a_tilt_without_a_said_sense_that_has_both_signs_is_asked_about(tmp_path: Path) -> None:
    """Two of six against four is no slip of the pen: one of either could be meant, so every row waits."""
    plan = _plan(tmp_path / "plan.csv", ["3"] * 6)
    header, *rows = plan.read_text(encoding="utf-8").replace("pitch_deg", "Tilt").splitlines()
    turned = [row.replace(";-15;", ";15;") if k < 2 else row for k, row in enumerate(rows)]
    plan.write_text("\n".join([header, *turned]), encoding="utf-8")
    site, problems = look_at_plan(plan)
    assert site is not None and len(site.waiting) == 6
    assert any("doesn't say whether plus is up or down" in p.sentence() for p in problems)


def test_a_column_called_w_of_hundreds_is_the_pictures_width(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "plan.csv", ["3", "4"])
    text = plan.read_text(encoding="utf-8").replace("image_width_px;image_height_px", "W;H")
    plan.write_text(text, encoding="utf-8")
    site, _ = look_at_plan(plan)
    assert site is not None and [(c.lens.width_px, c.lens.height_px) for c in site.cameras] == [(1920, 1080)] * 2

"""Plans in and out: round trips, coordinates, and a sentence that names the cell for whatever is wrong."""

from __future__ import annotations

import json
import math
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils import get_column_letter
from pyproj import Transformer

from audit.errors import PlanError, PlanProblem
from audit.lens import Lens
from audit.plan.files import fix_plan, look_at_plan, read_plan, read_plan_problems, write_plan
from audit.plan.model import PURPOSE_PX_PER_M, Camera, MountChain, Site, Target
from audit.plan.places import to_local
from audit.plan.template import write_template

HEADER = (
    "camera,east_m,north_m,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,form,surface,"
    "setting,mount,night,purpose,target_east_m,target_north_m,target_up_m"
)
ROW = "C1,0,0,3,20,-15,56,1920,1080,bullet,brick wall,outdoor,wall > junction box,infrared,recognise,3,9,1.6"


def _write(folder: Path, text: str, name: str = "plan.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_text(text, encoding=encoding)
    return path


def _plan(folder: Path, *rows: str, header: str = HEADER) -> Path:
    return _write(folder, "\n".join((header, *rows)) + "\n")


def _changed(column: str, value: str, row: str = ROW) -> str:
    cells = row.split(",")
    cells[HEADER.split(",").index(column)] = f'"{value}"' if "," in value else value
    return ",".join(cells)


def _errors(path: Path) -> list[PlanProblem]:
    return [p for p in read_plan_problems(path)[1] if p.severity == "error"]


def test_a_plain_plan_is_read(tmp_path: Path) -> None:
    site = read_plan(_plan(tmp_path, ROW))
    camera = site.camera("C1")
    assert (camera.bearing_deg, camera.pitch_deg, camera.height_m) == (20, -15, 3)
    assert (camera.form, camera.surface, camera.surface_detail) == ("bullet", "wall", "brick wall")
    assert camera.mount.parts == ("wall", "junction box")
    assert camera.targets == (Target("target", 3, 9, 1.6, PURPOSE_PX_PER_M["recognise"], "recognise"),)
    assert site.origin_latitude is None and camera.row == 2


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("semicolons", [False, True])
def test_encodings_and_decimal_commas(tmp_path: Path, encoding: str, semicolons: bool) -> None:
    text = f"{HEADER},name\n{_changed('height_m', '3.25')},Südtor\n"
    if semicolons:
        text = text.replace(".", ",").replace(",", ";").replace("3;25", "3,25").replace("1;6", "1,6")
    camera = read_plan(_write(tmp_path, text, encoding=encoding)).camera("C1")
    assert (camera.height_m, camera.targets[0].up_m, camera.name) == (3.25, 1.6, "Südtor")


@pytest.mark.parametrize(("east", "height", "metres"), [("1,234", "3,5", 1.234), ("1.234", "3,5", 1234), ("1,234", "3.5", 1234), ("1.234", "3.5", 1.234)])
def test_a_number_with_three_digits_behind_its_sign_is_read_as_the_other_columns_write_theirs(tmp_path: Path, east: str, height: str, metres: float) -> None:
    """A point parts thousands in one country and decimals in the next (CLDR's number symbols: de 1.234,5; en 1,234.5)."""
    cells = dict(zip(HEADER.split(","), ROW.split(","), strict=True)) | {"east_m": east, "height_m": height, "target_up_m": "1"}
    camera = read_plan(_write(tmp_path, f"{HEADER.replace(',', ';')}\n{';'.join(cells.values())}\n")).camera("C1")
    assert (camera.east_m, camera.height_m) == (metres, 3.5)


def test_a_sep_line_and_a_title_above_the_header_keep_row_numbers(tmp_path: Path) -> None:
    text = "sep=;\n" + "\n".join((HEADER, _changed("bearing_deg", "370"))).replace(",", ";")
    assert _errors(_write(tmp_path, text))[0].row == 3
    text = "\n".join(("Site plan of the yard", "", HEADER, _changed("bearing_deg", "370")))
    assert _errors(_write(tmp_path, text))[0].row == 4


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("bearing_deg", "370", "333"),
        ("bearing_deg", "-10", "full turn"),
        ("hfov_deg", "200", "below 180"),
        ("hfov_deg", "180", "below 180"),
        ("height_m", "0", "above 0"),
        ("height_m", "-3", "above 0"),
        ("height_m", "3000", "in mm"),
        ("height_m", "412.5", "above the sea"),
        ("height_m", "3.000,5", "above the sea"),
        ("height_m", "high", "number"),
        ("height_m", "nan", "number"),
        ("height_m", "1e999", "number"),
        ("height_m", "", "empty"),
        ("pitch_deg", "-95", "-90"),
        ("pitch_deg", "", "empty"),
        ("image_width_px", "1920.5", "whole"),
        ("image_width_px", "0", "16"),
        ("camera", "", "id"),
        ("target_east_m", "", "target_east_m"),
        ("target_up_m", "x", "number"),
        ("east_m", "", "east_m"),
    ],
)
def test_each_wrong_cell_is_named(tmp_path: Path, column: str, value: str, says: str) -> None:
    path = _plan(tmp_path, ROW.replace("C1", "C0"), _changed(column, value))
    found = _errors(path)
    assert len(found) == 1, [p.sentence() for p in found]
    assert found[0].row == 3 and found[0].file == "plan.csv" and found[0].column == column
    assert found[0].cell == f"{get_column_letter(HEADER.split(',').index(column) + 1)}3"
    assert says in found[0].message + (found[0].accepted or "") + (found[0].guess or "")
    assert found[0].sentence().count("\n") == 0
    site = read_plan(path)
    assert [c.camera for c in site.cameras] == ["C0"], "the other camera is used"
    assert [w.camera for w in site.waiting] == ["row 3" if column == "camera" else "C1"] and site.waiting[0].reasons


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [("form", "bulet", "bullet"), ("surface", "air", ""), ("surface", "tower wal", "wall"), ("night", "moon", "")],
)
def test_an_unknown_word_is_a_warning_and_its_camera_alone_waits(
    tmp_path: Path, column: str, value: str, says: str
) -> None:
    site, problems = read_plan_problems(_plan(tmp_path, ROW.replace("C1", "C0"), _changed(column, value)))
    assert site is not None and [w.camera for w in site.waiting] == ["C1"]
    assert [(p.severity, p.row, p.column) for p in problems] == [("warning", 3, column)]
    assert says in problems[0].message


def test_all_problems_at_once(tmp_path: Path) -> None:
    rows = [
        _changed("bearing_deg", "370"),
        _changed("height_m", "-3").replace("C1", "C2"),
        _changed("hfov_deg", "200").replace("C1", "C3"),
        ROW.replace("C1", "C4"),
        ROW.replace("C1", "C4"),
    ]
    rows[-1] = _changed("pitch_deg", "-20", rows[-1])
    with pytest.raises(PlanError) as caught:
        read_plan(_plan(tmp_path, *rows))
    assert sorted((p.row, p.column) for p in caught.value.problems) == [
        (2, "bearing_deg"),
        (3, "height_m"),
        (4, "hfov_deg"),
        (5, "camera"),
        (6, "camera"),
    ]
    assert "4 more problems" in str(caught.value)


def test_a_row_that_stands_there_twice_is_read_once(tmp_path: Path) -> None:
    site, problems = read_plan_problems(_plan(tmp_path, ROW, ROW))
    assert site is not None and len(site.cameras) == 1 and not site.waiting
    assert [(p.severity, p.row) for p in problems] == [("caution", 3)]


def test_units_may_be_written_behind_the_number(tmp_path: Path) -> None:
    row = _changed("pitch_deg", "−15°", _changed("height_m", "3 m"))
    camera = read_plan(_plan(tmp_path, row)).camera("C1")
    assert (camera.height_m, camera.pitch_deg) == (3, -15)


def test_a_column_in_feet_is_read_in_feet_and_said(tmp_path: Path) -> None:
    site, problems = read_plan_problems(_plan(tmp_path, ROW, header=HEADER.replace("height_m", "height_ft")))
    assert site is not None and site.camera("C1").height_m == pytest.approx(3 * 0.3048)
    assert [(p.severity, p.column) for p in problems] == [("caution", "height_ft")] and "ft" in problems[0].message


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    found = _errors(_plan(tmp_path, ROW, header=HEADER.replace("height_m", "tallness")))
    assert len(found) == 1 and "height_m is missing" in found[0].message


def test_tilt_down_and_pitch(tmp_path: Path) -> None:
    camera = read_plan(
        _plan(tmp_path, _changed("pitch_deg", "15"), header=HEADER.replace("pitch_deg", "tilt_down_deg"))
    ).camera("C1")
    assert camera.pitch_deg == -15
    found = _errors(_plan(tmp_path, ROW + ",10", header=HEADER + ",tilt_down_deg"))
    assert "contradict" in found[0].message
    assert read_plan(_plan(tmp_path, ROW + ",15", header=HEADER + ",tilt_down_deg")).camera("C1").pitch_deg == -15


def test_focal_length_and_sensor_give_the_angle(tmp_path: Path) -> None:
    header = HEADER.replace("hfov_deg", "focal_mm") + ",sensor_width_mm,projection"
    camera = read_plan(_plan(tmp_path, _changed("hfov_deg", "4") + ",4.8,", header=header)).camera("C1")
    assert camera.lens.hfov_deg == pytest.approx(61.93, abs=0.01)
    assert dict(camera.extra) == {"focal_mm": "4", "sensor_width_mm": "4.8"}
    fish = read_plan(_plan(tmp_path, _changed("hfov_deg", "1.5") + ",4.8,fisheye", header=header)).camera("C1")
    assert fish.lens.hfov_deg == pytest.approx(math.degrees(4.8 / 1.5))


def test_radial_terms_that_fold_the_picture_are_refused(tmp_path: Path) -> None:
    found = _errors(_plan(tmp_path, _changed("hfov_deg", "100") + ",-0.5", header=HEADER + ",k1"))
    assert found[0].column == "k1" and "fold" in found[0].message


def test_targets_beside_the_plan(tmp_path: Path) -> None:
    path = _plan(tmp_path, ROW)
    _write(
        tmp_path,
        "camera,target,east_m,north_m,up_m,purpose,required_px_per_m,colour\n"
        "C1,gate,4,8,1,identify,,red\nC1,lane,4,9,1,who goes there,80,\n",
        "plan.targets.csv",
    )
    targets = read_plan(path).camera("C1").targets
    assert [(t.name, t.required_px_per_m, t.purpose, t.extra) for t in targets] == [
        ("target", 125, "recognise", ()),
        ("gate", 250, "identify", (("colour", "red"),)),
        ("lane", 80, "who goes there", ()),
    ]
    _write(
        tmp_path,
        "camera,target,east_m,north_m,up_m,purpose\nC9,gate,4,8,1,identify\nC1,,4,8,1,\nC1,x,4,8,1,guess\n"
        "C1,target,1,1,1,\n",
        "plan.targets.csv",
    )
    found = _errors(path)
    assert [(p.file, p.row, p.column) for p in found] == [
        ("plan.targets.csv", 2, "camera"),
        ("plan.targets.csv", 3, "target"),
        ("plan.targets.csv", 5, "target"),
    ]


GEO = HEADER.replace("east_m,north_m,", "latitude,longitude,", 1).replace(
    "target_east_m,target_north_m", "target_latitude,target_longitude"
)
GEO_ROW = "{0},46.5,-18,3,20,-15,56,1920,1080,bullet,wall,outdoor,wall > junction box,none,detect,46.5001,-18,1.6"


def test_latitude_and_longitude_alone_start_at_the_first_camera(tmp_path: Path) -> None:
    site = read_plan(
        _plan(tmp_path, GEO_ROW.format("A"), GEO_ROW.format("B").replace("46.5,-18,", "46.501,-18.001,"), header=GEO)
    )
    assert (site.origin_latitude, site.origin_longitude) == (46.5, -18)
    assert (site.camera("A").east_m, site.camera("A").north_m) == (0, 0)
    b = site.camera("B")
    assert (b.east_m, b.north_m) == pytest.approx(to_local(46.501, -18.001, (46.5, -18)))
    assert b.north_m == pytest.approx(111.16, abs=0.05) and b.east_m == pytest.approx(-76.8, abs=0.1)
    assert site.camera("A").targets[0].north_m == pytest.approx(11.12, abs=0.01)


def test_both_kinds_of_coordinates_find_the_origin_and_a_contradiction(tmp_path: Path) -> None:
    rows = [
        f"C{i},{46.5 + n / 111170:.6f},{-18 + e / 76700:.6f},{ROW.split(',', 1)[1]}".replace(",0,0,", f",{e},{n},", 1)
        for i, (e, n) in enumerate(((100, 50), (130, 80), (90, 60)))
    ]
    header = HEADER.replace("camera,", "camera,latitude,longitude,")
    site, problems = read_plan_problems(_plan(tmp_path, *rows, header=header))
    assert site is not None and not problems
    assert site.origin_latitude == pytest.approx(46.5, abs=2e-6)
    assert site.origin_longitude == pytest.approx(-18, abs=3e-6)
    rows[1] = rows[1].replace(",130,80,", ",150,80,")
    site, problems = read_plan_problems(_plan(tmp_path, *rows, header=header))
    assert site is not None and [(p.severity, p.row) for p in problems] == [("warning", 3)]
    assert "m apart" in problems[0].message


def test_swapped_latitude_and_longitude(tmp_path: Path) -> None:
    rows = [GEO_ROW.format(c) for c in "ABCD"]
    rows[2] = rows[2].replace("46.5,-18,3", "-18,46.5,3")
    found = _errors(_plan(tmp_path, *rows, header=GEO))
    assert [p.row for p in found] == [4] and "exchanged" in (found[0].guess or "")
    rows[2] = rows[2].replace("-18,46.5,3", "146.5,-18,3")
    assert "latitude" in _errors(_plan(tmp_path, *rows, header=GEO))[0].sentence()


def test_a_camera_far_away_is_a_warning(tmp_path: Path) -> None:
    rows = [GEO_ROW.format(c) for c in "ABCD"]
    rows[3] = rows[3].replace("46.5,-18,3", "47.5,-18,3")
    site, problems = read_plan_problems(_plan(tmp_path, *rows, header=GEO))
    assert site is not None and [p.row for p in problems] == [5] and "km" in problems[0].message


def test_mixed_coordinates_without_a_link(tmp_path: Path) -> None:
    header = HEADER.replace("camera,", "camera,latitude,longitude,")
    tail = ROW.split(",", 3)[3]
    found = _errors(_plan(tmp_path, f"A,46.5,-18,,,{tail}", f"B,,,5,5,{tail}", header=header))
    assert any("brought together" in p.message for p in found)


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """Any site that a plan file can say."""
    number = st.floats(-900, 900, allow_nan=False).map(lambda v: round(v, 9))
    word = st.text(st.characters(exclude_categories=("Cs", "Cc", "Z")), max_size=12)
    cameras = []
    for index in range(draw(st.integers(1, 4))):
        equidistant = draw(st.booleans())
        lens = Lens(
            draw(st.integers(16, 9000)),
            draw(st.integers(16, 9000)),
            draw(st.floats(10, 175) if not equidistant else st.floats(10, 360)),
            hfov_sd_deg=draw(st.sampled_from([0.0, 1.25])),
            projection="equidistant" if equidistant else "rectilinear",
            k1=draw(st.sampled_from([0.0, 0.0125])),
            k2=draw(st.sampled_from([0.0, 0.001])),
            principal_px=draw(st.sampled_from([None, (100.5, 80.25)])),
        )
        targets = tuple(
            Target(
                f"t{k} {draw(word)}".strip(),
                draw(number),
                draw(number),
                draw(number),
                draw(st.sampled_from([None, 25.0, 77.7])),
                draw(st.sampled_from([None, "detect", "my own words"])) if k else None,
                draw(st.sampled_from([(), (("colour", "red"),)])),
            )
            for k in range(draw(st.integers(0, 3)))
        )
        targets = tuple(replace(t, purpose=None) if t.required_px_per_m is None else t for t in targets)
        cameras.append(
            Camera(
                f"C{index}",
                draw(number),
                draw(number),
                draw(st.floats(0.1, 150)),
                draw(st.floats(0, 359.9)),
                draw(st.floats(-90, 90)),
                lens,
                draw(st.floats(-180, 180)),
                draw(word),
                draw(word),
                draw(st.sampled_from([0.0, 2.5])),
                draw(st.sampled_from([None, "dome"])),
                "",
                draw(st.sampled_from([None, "wall"])),
                "",
                draw(st.sampled_from([None, "indoor"])),
                MountChain(draw(st.sampled_from([(), ("wall", "arm", "pendant cap")]))),
                draw(word),
                draw(st.sampled_from(["none", "infrared"])),
                draw(st.sampled_from([None, "who drives in", "detect"])),
                targets,
                draw(st.sampled_from([(), (("Remark", "=1+1"), ("owner", "yard"))])),
            )
        )
    origin = draw(st.sampled_from([(None, None), (46.5, -18.0), (-33.1, 151.2), (0.0, 179.9999)]))
    return Site(tuple(cameras), draw(st.sampled_from(["plan", "Yard"])), origin[0], origin[1], "plan")


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".geojson"])
def test_round_trips_lose_nothing(suffix: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("round")

    @settings(max_examples=40, deadline=None)
    @given(sites())
    def check(site: Site) -> None:
        path = folder / f"plan{suffix}"
        write_plan(site, path)
        back, problems = read_plan_problems(path)
        assert not problems, [p.sentence() for p in problems]
        assert back == replace(site, file=path.name)

    check()


def test_geojson_is_as_the_standard_says(tmp_path: Path) -> None:
    """RFC 7946: coordinates are longitude, latitude; a feature without a place has a null geometry."""
    site = read_plan(_plan(tmp_path, GEO_ROW.format("A"), header=GEO))
    write_plan(site, tmp_path / "p.geojson")
    document = json.loads((tmp_path / "p.geojson").read_text())
    assert document["type"] == "FeatureCollection"
    assert document["features"][0]["geometry"] == {"type": "Point", "coordinates": [-18.0, 46.5]}
    write_plan(replace(site, origin_latitude=None, origin_longitude=None), tmp_path / "q.geojson")
    assert json.loads((tmp_path / "q.geojson").read_text())["features"][0]["geometry"] is None
    assert read_plan(tmp_path / "q.geojson").origin_latitude is None


def test_geojson_of_other_makers_needs_no_mark_on_targets(tmp_path: Path) -> None:
    def point(longitude: float, latitude: float, **properties: object) -> dict[str, object]:
        place = {"type": "Point", "coordinates": [longitude, latitude, 12.0]}
        return {"type": "Feature", "geometry": place, "properties": properties}

    camera = {"camera": "A", "height_m": 3, "bearing_deg": 10, "tilt_down_deg": 12, "hfov_deg": 60,
              "image_width_px": 1920, "image_height_px": 1080}  # fmt: skip
    document = {"type": "FeatureCollection", "features": [
        point(-18, 46.5, **camera), point(-18, 46.5001, camera="A", target="gate", up_m=1.6, purpose="detect")]}  # fmt: skip
    site = read_plan(_write(tmp_path, json.dumps(document), "plan.geojson"))
    assert site.camera("A").pitch_deg == -12 and site.camera("A").targets[0].north_m == pytest.approx(11.12, abs=0.01)


@pytest.mark.parametrize(
    ("crs", "place"),
    [
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}, (512_345.0, 5_400_000.0)),
        ({"type": "name", "properties": {"name": "EPSG:25832"}}, (512_345.0, 5_400_000.0)),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG:6.9:25832"}}, (512_345.0, 5_400_000.0)),
        ({"type": "name", "properties": {"name": "http://www.opengis.net/def/crs/EPSG/0/25832"}}, (512_345.0, 5_400_000.0)),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::4258"}}, None),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}, None),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::4326"}}, None),
        ({"type": "name", "properties": {}}, None), ({"type": "name", "properties": 7}, None), (7, None), (None, None),
    ],
)  # fmt: skip
def test_geojson_of_a_geographic_information_system_may_name_its_grid(tmp_path: Path, crs: object, place: tuple[float, float] | None) -> None:
    """The member ``crs`` of GeoJSON 2008, which RFC 7946 dropped and such programs still write. Outside: PROJ, through pyproj."""
    longitude, latitude = Transformer.from_crs(25832, 4326, always_xy=True).transform(512_345.0, 5_400_000.0)
    camera = {"camera": "A", "height_m": 3, "bearing_deg": 10, "pitch_deg": -12, "hfov_deg": 60, "image_width_px": 1920, "image_height_px": 1080}
    feature = {"type": "Feature", "geometry": {"type": "Point", "coordinates": place or (longitude, latitude)}, "properties": camera}
    document = {"type": "FeatureCollection", "crs": crs, "features": [feature]}
    site, problems = look_at_plan(_write(tmp_path, json.dumps(document), "plan.geojson"))
    assert site is not None and site.origin_latitude == pytest.approx(latitude, abs=1e-7), [p.sentence() for p in problems]
    assert site.origin_longitude == pytest.approx(longitude, abs=1e-7)


def test_a_property_that_is_a_list_is_kept_as_it_is_written_and_an_empty_one_is_none(tmp_path: Path) -> None:
    site = read_plan(_plan(tmp_path, GEO_ROW.format("A"), header=GEO))
    write_plan(site, tmp_path / "p.geojson")
    document = json.loads((tmp_path / "p.geojson").read_text())
    document["features"][0]["properties"] |= {"photographs": ["Nord", "Süd"], "remark": " "}
    read = read_plan(_write(tmp_path, json.dumps(document), "q.geojson")).camera("A")
    assert dict(read.extra) == {"photographs": '["Nord", "Süd"]'}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "JSON"),
        ("[]", "FeatureCollection"),
        ('{"type":"FeatureCollection","features":[1]}', "feature"),
        ('{"type":"FeatureCollection","features":[]}', "no camera"),
        ('{"type":"FeatureCollection","features":7}', "FeatureCollection"),
        ('{"type":"FeatureCollection","features":[{"type":"Feature","geometry":null,"properties":[1]}]}', "no object"),
        (
            '{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Polygon","coordinates":[]},'
            '"properties":{"camera":"A"}}]}',
            "Point",
        ),
    ],
)
def test_broken_geojson(tmp_path: Path, text: str, says: str) -> None:
    assert says in _errors(_write(tmp_path, text, "plan.geojson"))[0].message


def _workbook(path: Path, header: str = HEADER, *rows: str) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "cameras"
    for line in (header, *rows):
        sheet.append([float(c) if c.replace(".", "").replace("-", "").isdigit() else c for c in line.split(",")])
    book.save(path)
    return book


def test_workbook_traps(tmp_path: Path) -> None:
    path = tmp_path / "plan.xlsx"
    book = _workbook(path, HEADER, ROW, ROW.replace("C1", "C2"))
    assert len(read_plan(path).cameras) == 2
    sheet = book["cameras"]
    sheet["D2"] = "=1+2"
    book.save(path)
    found = _errors(path)
    assert found[0].row == 2 and found[0].cell == "cameras!D2" and "formula" in found[0].message
    assert [c.camera for c in read_plan(path).cameras] == ["C2"]
    sheet["D2"] = 3
    sheet.merge_cells("E2:E3")
    book.save(path)
    site, problems = read_plan_problems(path)
    assert site is not None and [c.bearing_deg for c in site.cameras] == [20, 20]
    assert [p.severity for p in problems] == ["caution"] and "E2:E3" in problems[0].message
    sheet.merge_cells("G2:H2")
    book.save(path)
    assert any("merged" in p.message and p.row == 2 for p in _errors(path))


def test_a_list_of_targets_says_which_column_and_which_place_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "plan.xlsx"
    book = _workbook(path, HEADER, ROW)
    sheet = book.create_sheet("targets")
    for line in (["camera", "target", "up_m", "east_m", "north_m"], ["C1", "gate", 1.6, 0, 12], ["C1", "door", 1.6, None, None]):
        sheet.append(line)
    book.save(path)
    site, problems = look_at_plan(path)
    assert site is not None and [w.camera for w in site.waiting] == ["C1"], "a target that is not known makes its camera wait"
    assert [p.message for p in problems if p.severity == "error"] == ["the target has no position."]
    sheet["D3"], sheet["E3"] = 1, 11
    book.save(path)
    assert [t.name for t in read_plan(path).camera("C1").targets] == ["target", "gate", "door"]
    sheet["B3"] = "gate"
    book.save(path)
    assert [p.message for p in _errors(path)] == ["'gate' stands there twice for camera 'C1'."]
    sheet["C1"] = "remark"
    book.save(path)
    assert [p.message for p in _errors(path)] == ["the column up_m is missing."]


@pytest.mark.parametrize(
    ("titles", "cells", "targets"),
    [
        (("camera", "target", "bearing_deg", "required_px_per_m"), ("C1", "gate", 20, 125), 0),
        (("camera", "target", "bearing_deg", "purpose"), ("C1", "gate", 20, "detect"), 0),
        (("camera", "target", "up_m", "east_m", "north_m", "purpose"), ("C1", "gate", 1.6, 1, 9, "detect"), 1),
    ],
)
def test_a_second_sheet_is_of_targets_where_it_says_where_they_are_and_of_cameras_where_it_has_bearings(
    tmp_path: Path, titles: tuple[str, ...], cells: tuple[object, ...], targets: int
) -> None:
    book = openpyxl.Workbook()
    first, second = book.active, book.create_sheet("Sheet2")
    first.title = "Sheet1"
    for sheet, rows in ((first, (HEADER.split(",")[:9], ["C1", 0, 0, 3, 20, -15, 56, 1920, 1080])), (second, (titles, cells))):
        for row in rows:
            sheet.append(row)
    book.save(tmp_path / "plan.xlsx")
    site = read_plan(tmp_path / "plan.xlsx")
    assert [(c.camera, len(c.targets)) for c in site.cameras] == [("C1", targets)] and not site.waiting


def test_workbook_sheets(tmp_path: Path) -> None:
    path = tmp_path / "plan.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "cameras"
    book.save(path)
    assert "empty" in _errors(path)[0].message
    book.active.title = "first"
    book.create_sheet("second")
    book.save(path)
    assert "empty" in _errors(path)[0].message
    book["second"]["A1"] = "a list of something else"
    book.save(path)
    assert "first, second" in _errors(path)[0].message


def test_workbooks_that_must_not_be_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "plan.xlsx"
    _workbook(path, HEADER, ROW)
    evil = tmp_path / "evil.xlsx"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(evil, "w") as out:
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename == "xl/workbook.xml":
                data = data.replace(
                    b"<workbook", b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><workbook', 1
                )
            out.writestr(entry, data)
    assert "entities" in _errors(evil)[0].message
    bomb = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as out:
        for entry in source.infolist():
            out.writestr(entry, source.read(entry))
        out.writestr("xl/worksheets/sheet2.xml", b"\0" * (2 * 2**20))
    small = bomb.read_bytes().replace((2 * 2**20).to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    monkeypatch.setattr("audit.plan.workbook._MAX_UNPACKED_BYTES", 2**20)
    assert "unpacks" in _errors(bomb)[0].message
    bomb.write_bytes(small)
    assert "XLSX" in _errors(bomb)[0].message, "a part that is larger than it says is read no further"
    (tmp_path / "no.xlsx").write_bytes(b"PK\x03\x04 not really")
    assert "XLSX" in _errors(tmp_path / "no.xlsx")[0].message
    (tmp_path / "old.xlsx").write_bytes(b"\xd0\xcf\x11\xe0 old")
    assert "old or password" in _errors(tmp_path / "old.xlsx")[0].message


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("plan.csv", b"", "no table of cameras"),
        ("plan.csv", HEADER.encode(), "no cameras"),
        ("plan.pdf", b"%PDF", "CSV, XLSX"),
        ("plan.csv", b'camera,height_m\n"C1,3\n', "quotation"),
        ("plan.csv", b"\xff\xfe\x00\xd8" * 50, "no table of cameras"),
        ("plan.csv", (HEADER + ",height_m\n" + ROW + ",4\n").encode(), "another value"),
        ("plan.csv", (HEADER + "\n" + ROW + ",7\n").encode(), "no column title"),
    ],
)
def test_files_that_are_no_plans(tmp_path: Path, name: str, data: bytes, says: str) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    assert any(says in p.message for p in _errors(path))


def test_missing_file_and_too_many_rows(tmp_path: Path) -> None:
    assert "no such file" in _errors(tmp_path / "none.csv")[0].message
    path = _plan(tmp_path, *(f"C{i},{ROW.split(',', 1)[1]}" for i in range(50_001)))
    found = _errors(path)
    assert len(found) == 1 and "50,000" in found[0].message and found[0].row == 50_002


def test_one_slip_a_thousand_times_is_one_message(tmp_path: Path) -> None:
    path = _plan(tmp_path, *(_changed("bearing_deg", "370").replace("C1", f"C{i}") for i in range(3000)))
    found = _errors(path)
    assert len(found) == 1 and found[0].cell == "E2:E3001" and "3000 cells" in found[0].message


def test_thousands_of_problems_stay_readable(tmp_path: Path) -> None:
    path = _plan(tmp_path, ROW)
    rows = "".join(f"X{i},gate,4,8,1\n" for i in range(3000))
    _write(tmp_path, "camera,target,east_m,north_m,up_m\n" + rows, "plan.targets.csv")
    found = _errors(path)
    assert len(found) == 1001 and "2000 more" in found[-1].message


def test_written_plans_that_cannot_be_written(tmp_path: Path) -> None:
    site = read_plan(_plan(tmp_path, ROW))
    with pytest.raises(PlanError, match="written as"):
        write_plan(site, tmp_path / "plan.txt")
    with pytest.raises(PlanError, match="can't be written"):
        write_plan(site, tmp_path / "no" / "plan.csv")


def test_file_names_are_shown_on_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a\nb.csv"
    path.write_text("x")
    assert "\n" not in _errors(path)[0].sentence()


def test_a_workbook_whose_packed_data_is_damaged_is_refused(tmp_path: Path) -> None:
    """A first byte of 0xFF is a block of a type that deflate does not have (RFC 1951, 3.2.3)."""
    path = tmp_path / "plan.xlsx"
    write_plan(read_plan(_plan(tmp_path, ROW)), path)
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as archive:
        member = next(e for e in archive.infolist() if "worksheets/" in e.filename)
    data[member.header_offset + 30 + len(member.filename)] = 0xFF
    path.write_bytes(bytes(data))
    assert [e.message for e in _errors(path)] == ["this is no XLSX workbook, or it is damaged; save it again as .xlsx."]


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".geojson"])
def test_damaged_files_never_raise_anything_else(suffix: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Sound plans with bytes changed, cut and repeated: a site or problems, and each problem one line."""
    folder = tmp_path_factory.mktemp("damaged")
    write_plan(read_plan(_plan(folder, ROW, ROW.replace("C1", "C2"))), folder / f"sound{suffix}")
    sound = (folder / f"sound{suffix}").read_bytes()
    place = st.integers(0, len(sound) - 1)
    changes = st.lists(st.tuples(place, st.binary(max_size=4), st.integers(0, 12)), min_size=1, max_size=6)

    @settings(max_examples=120, deadline=None)
    @given(changes, st.integers(0, len(sound)))
    def check(edits: list[tuple[int, bytes, int]], end: int) -> None:
        data = bytearray(sound)
        for where, new, gone in edits:
            data[where : where + gone] = new
        path = folder / f"damaged{suffix}"
        path.write_bytes(bytes(data[:end] if end % 3 == 0 else data))
        site, problems = read_plan_problems(path)
        assert site is not None or problems
        assert all("\n" not in p.sentence() for p in problems)

    check()


def test_an_open_quotation_mark_spoils_its_own_row_alone(tmp_path: Path) -> None:
    spoilt = _changed("height_m", "3").replace(",3,20,", ',"3,20,', 1)
    path = _write(tmp_path, "\n".join((HEADER, spoilt, ROW.replace("C1", "C2"))) + "\n")
    site = read_plan(path)
    assert [c.camera for c in site.cameras] == ["C2"] and [w.camera for w in site.waiting] == ["C1"]
    assert any(p.row == 2 and "quotation" in p.message for p in _errors(path))


def test_a_fixed_plan_is_never_written_over_a_file(tmp_path: Path) -> None:
    path = _plan(tmp_path, ROW)
    with pytest.raises(PlanError, match="not written over"):
        fix_plan(path, path)
    assert path.read_text(encoding="utf-8").startswith(HEADER)


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".geojson"])
def test_an_empty_template_is_read_as_a_plan_without_cameras(suffix: str, tmp_path: Path) -> None:
    write_template(tmp_path / f"new{suffix}")
    site, problems = look_at_plan(tmp_path / f"new{suffix}")
    assert site is not None and not site.cameras and not site.waiting
    assert [p.message for p in problems if p.severity == "error"] == ["the plan has no cameras below its header."]
    with pytest.raises(PlanError, match=rf"new\{suffix}: is there already and is not written over; name a new file\.$"):
        write_template(tmp_path / f"new{suffix}")


def test_a_filled_template_is_read(tmp_path: Path) -> None:
    write_template(tmp_path / "new.xlsx")
    book = openpyxl.load_workbook(tmp_path / "new.xlsx")
    sheet = book["cameras"]
    titles = [cell.value for cell in sheet[1]]
    example = [cell.value for cell in sheet[2]]
    assert all(cell.font.italic and cell.font.color.rgb == "00666666" for cell in sheet[2]), "an example looks like no entry"
    sheet.append([{"camera": "C9"}.get(t, v) for t, v in zip(titles, example, strict=True)])
    book.save(tmp_path / "new.xlsx")
    site, problems = read_plan_problems(tmp_path / "new.xlsx")
    assert site is not None and [c.camera for c in site.cameras] == ["C9"], [p.sentence() for p in problems]
    assert all(p.severity == "caution" for p in problems)

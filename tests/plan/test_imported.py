"""Drawings to plans: blocks, attributes, units, rotation, mirrors, blocks inside blocks, and what must be refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from audit.errors import PlanError
from audit.plan.files import look_at_plan
from audit.plan.imported import import_drawing

ezdxf = pytest.importorskip("ezdxf")

TAGS = ("NUMMER", "HEIGHT", "TILT_DOWN", "FOV", "RESOLUTION", "TYPE")


def _drawing(unit: int = 6) -> Any:
    """A drawing with a camera block that looks along its x axis."""
    document = ezdxf.new("R2018", setup=True)
    document.units = unit
    block = document.blocks.new("CAM_DOME")
    block.add_line((0, 0), (1, 0))
    for number, tag in enumerate(TAGS):
        block.add_attdef(tag, (0, -number))
    return document


def _camera(space: Any, name: str, at: tuple[float, float], rotation: float, **more: Any) -> Any:
    insert = space.add_blockref("CAM_DOME", at, dxfattribs={"rotation": rotation, "layer": "CCTV", **more})
    insert.add_auto_attribs(dict(zip(TAGS, (name, "3.2", "15", "84", "1920x1080", "dome"), strict=True)))
    return insert


def _mapping(folder: Path, text: str = "") -> Path:
    path = folder / "mapping.toml"
    path.write_text(f'{text}\n[columns]\nNUMMER = "camera"\n', encoding="utf-8")
    return path


@pytest.mark.parametrize(("unit", "per_metre"), [(6, 1.0), (4, 1000.0), (5, 100.0), (2, 1 / 0.3048)])
def test_blocks_become_cameras_in_metres_with_bearings(tmp_path: Path, unit: int, per_metre: float) -> None:
    """Units by $INSUNITS of the DXF reference: 2 feet, 4 millimetres, 5 centimetres, 6 metres. A rotation of 0 looks along
    x, which is east; rotations go counter-clockwise, bearings clockwise from north."""
    document = _drawing(unit)
    for name, at, rotation in (("K1", (10, 20), 0), ("K2", (30, 5), 90), ("K3", (0, 0), 225)):
        _camera(document.modelspace(), name, (at[0] * per_metre, at[1] * per_metre), rotation)
    document.saveas(tmp_path / "site.dxf")
    site, problems = import_drawing(tmp_path / "site.dxf", tmp_path / "plan.csv", _mapping(tmp_path))
    assert not [p for p in problems if p.severity == "error"], [p.sentence() for p in problems]
    assert [(c.camera, c.bearing_deg) for c in site.cameras] == [("K1", 90), ("K2", 0), ("K3", 225)]
    assert [(c.east_m, c.north_m) for c in site.cameras] == [
        pytest.approx((10, 20)), pytest.approx((30, 5)), pytest.approx((0, 0))]  # fmt: skip
    assert site.cameras[0].pitch_deg == -15 and site.cameras[0].lens.width_px == 1920
    again, _ = look_at_plan(tmp_path / "plan.csv")
    assert again is not None and again.cameras == site.cameras


def test_mirrored_and_nested_blocks_look_where_they_are_drawn(tmp_path: Path) -> None:
    document = _drawing()
    _camera(document.modelspace(), "K1", (0, 0), 30, yscale=-1)
    _camera(document.modelspace(), "K2", (0, 0), 30, xscale=-1)
    floor = document.blocks.new("FLOOR")
    _camera(floor, "K3", (5, 0), 0)
    document.modelspace().add_blockref("FLOOR", (100, 0), dxfattribs={"rotation": 90})
    document.saveas(tmp_path / "site.dxf")
    site, _ = import_drawing(tmp_path / "site.dxf", tmp_path / "plan.xlsx", _mapping(tmp_path))
    found = {c.camera: c for c in site.cameras}
    assert found["K1"].bearing_deg == pytest.approx(60) and found["K2"].bearing_deg == pytest.approx(240)
    assert (found["K3"].east_m, found["K3"].north_m) == pytest.approx((100, 5)) and found["K3"].bearing_deg == 0


def test_a_drawing_on_a_grid_and_turned_against_north(tmp_path: Path) -> None:
    document = _drawing()
    _camera(document.modelspace(), "K1", (500_000, 5_150_000), 90)
    document.saveas(tmp_path / "site.dxf")
    mapping = _mapping(tmp_path, '[dxf]\ngrid = "EPSG:32627"\nnorth_deg = 12')
    site, _ = import_drawing(tmp_path / "site.dxf", tmp_path / "plan.geojson", mapping)
    assert site.origin_longitude == pytest.approx(-21) and site.cameras[0].bearing_deg == 12


@pytest.mark.parametrize("named", [True, False])
def test_tags_that_only_the_mapping_understands_fill_its_columns_and_cameras_without_a_name_are_numbered(tmp_path: Path, named: bool) -> None:
    """Tags stand in capitals in a drawing; people write them as they like in a mapping."""
    document = _drawing()
    for number, at in enumerate(((0, 0), (5, 0))):
        insert = _camera(document.modelspace(), f"K{number}", at, 0)
        for attribute in insert.attribs:
            attribute.dxf.tag = {"NUMMER": "QX" if named else "NOTE", "HEIGHT": "ZZ_UP"}.get(attribute.dxf.tag, attribute.dxf.tag)
    document.saveas(tmp_path / "site.dxf")
    path = tmp_path / "mapping.toml"
    path.write_text('[columns]\nqx = "camera"\nZz_Up = "height_m"\n', encoding="utf-8")
    site, _ = import_drawing(tmp_path / "site.dxf", tmp_path / "plan.csv", path)
    assert [(c.camera, c.height_m) for c in site.cameras] == [("K0" if named else "C01", 3.2), ("K1" if named else "C02", 3.2)]
    path.write_text('[columns]\nqx = "camra"\n', encoding="utf-8")
    with pytest.raises(PlanError, match="'camra' is no column of a plan"):
        import_drawing(tmp_path / "site.dxf", tmp_path / "other.csv", path)


def test_what_a_drawing_does_not_tell_waits(tmp_path: Path) -> None:
    document = _drawing()
    insert = _camera(document.modelspace(), "K1", (0, 0), 0)
    next(a for a in insert.attribs if a.dxf.tag == "HEIGHT").dxf.text = "to be measured"
    _camera(document.modelspace(), "K2", (0, 3), 0)
    document.saveas(tmp_path / "site.dxf")
    site, problems = import_drawing(tmp_path / "site.dxf", tmp_path / "plan.csv", _mapping(tmp_path))
    assert [c.camera for c in site.cameras] == ["K2"] and [w.camera for w in site.waiting] == ["K1"]
    assert any("to be measured" in p.message for p in problems)
    again, _ = look_at_plan(tmp_path / "plan.csv")
    assert again is not None and [w.camera for w in again.waiting] == ["K1"]


def test_drawings_that_must_be_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def says(words: str, name: str = "site.dxf", mapping: Path | None = None) -> None:
        with pytest.raises(PlanError, match=words):
            import_drawing(tmp_path / name, tmp_path / "plan.csv", mapping)
        assert not (tmp_path / "plan.csv").exists()

    says("no such file")
    (tmp_path / "site.dxf").write_bytes(b"AC1032 closed")
    says("save it as DXF")
    (tmp_path / "site.dxf").write_bytes(b"0\nSECTION\n2\nHEADER\n garbage")
    says("damaged|no DXF")
    says("imported from a DXF", "site.pdf")
    document = _drawing(unit=0)
    _camera(document.modelspace(), "K1", (0, 0), 0)
    document.saveas(tmp_path / "site.dxf")
    says("doesn't tell its unit")
    for text, words in (
        ("[dxf]\nmetres_per_unit = -1", "above 0"),
        ("[dxf]\nblcks = []", "no key"),
        ("[dxf", "can't be used"),
    ):
        says(words, mapping=_mapping(tmp_path, text))
    says("mapping can't be read", mapping=tmp_path / "none.toml")
    ezdxf.new().saveas(tmp_path / "site.dxf")
    says("unit|no block")
    monkeypatch.setattr("audit.plan.imported._MAX_BYTES", 10)
    says("larger than")


def test_blocks_that_multiply_are_refused_at_once(tmp_path: Path) -> None:
    """Nine blocks, each holding ten of the next, would be a thousand million cameras."""
    document = _drawing()
    inner = "CAM_DOME"
    for level in range(9):
        block = document.blocks.new(f"LEVEL{level}")
        for number in range(10):
            block.add_blockref(inner, (number, 0))
        inner = f"LEVEL{level}"
    document.modelspace().add_blockref(inner, (0, 0))
    document.saveas(tmp_path / "bomb.dxf")
    with pytest.raises(PlanError, match="over and over"):
        import_drawing(tmp_path / "bomb.dxf", tmp_path / "plan.csv")
    many = _drawing()
    many.modelspace().add_blockref(
        "CAM_DOME",
        (0, 0),
        dxfattribs={"column_count": 30_000, "row_count": 30_000, "column_spacing": 1, "row_spacing": 1},
    )
    many.saveas(tmp_path / "many.dxf")
    with pytest.raises(PlanError, match="over and over"):
        import_drawing(tmp_path / "many.dxf", tmp_path / "plan.csv")

"""Cameras of IFC models to plans: models made by ifcopenshell's own API, read as ISO 16739-1 says."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audit.drawings import ifc
from audit.drawings.ifc import import_ifc
from audit.errors import PlanError
from audit.plan.files import read_plan
from audit.plan.places import to_local
from tests.conftest import Ran

api = pytest.importorskip("ifcopenshell.api")
Audit = Callable[..., Ran]
E0, N0 = 500_000.0, 5_200_000.0


class Model:
    """A model of one storey, its unit in metres given, with or without a map conversion."""

    def __init__(self, unit_m: float = 1.0, schema: str = "IFC4") -> None:
        import ifcopenshell.api.aggregate
        import ifcopenshell.api.context
        import ifcopenshell.api.project
        import ifcopenshell.api.root
        import ifcopenshell.api.unit

        self.unit_m = unit_m
        self.file = ifcopenshell.api.project.create_file(version=schema)
        self.project = self.make("IfcProject", "yard")
        prefix = {1.0: None, 0.001: "MILLI"}[unit_m]
        unit = ifcopenshell.api.unit.add_si_unit(self.file, unit_type="LENGTHUNIT", prefix=prefix)
        ifcopenshell.api.unit.assign_unit(self.file, units=[unit])
        self.context = ifcopenshell.api.context.add_context(self.file, context_type="Model")
        self.storey = self.make("IfcBuildingStorey", "L1")
        ifcopenshell.api.aggregate.assign_object(self.file, products=[self.storey], relating_object=self.project)
        self.place(self.storey, (0, 0, 4.0))

    def make(self, kind: str, name: str, **more: Any) -> Any:
        import ifcopenshell.api.root

        return ifcopenshell.api.root.create_entity(self.file, ifc_class=kind, name=name, **more)

    def place(self, element: Any, at: tuple[float, float, float], bearing: float = 90.0, pitch: float = 0.0) -> None:
        """Its x axis looks to a bearing (clockwise from the model's y) and a pitch; metres."""
        import ifcopenshell.api.geometry

        b, p = math.radians(bearing), math.radians(pitch)
        x = np.array([math.sin(b) * math.cos(p), math.cos(b) * math.cos(p), math.sin(p)])
        y = np.array([-math.cos(b), math.sin(b), 0.0])
        matrix = np.eye(4)
        matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = x, y, np.cross(x, y)
        matrix[:3, 3] = at
        ifcopenshell.api.geometry.edit_object_placement(self.file, product=element, matrix=matrix, is_si=True)

    def camera(self, name: str, at: tuple[float, float, float], bearing: float = 0.0, pitch: float = 0.0, **sets: dict[str, Any]) -> Any:
        import ifcopenshell.api.pset
        import ifcopenshell.api.spatial

        element = self.make("IfcAudioVisualAppliance", name, predefined_type="CAMERA")
        ifcopenshell.api.spatial.assign_container(self.file, products=[element], relating_structure=self.storey)
        self.place(element, at, bearing, pitch)
        for title, properties in sets.items():
            pset = ifcopenshell.api.pset.add_pset(self.file, product=element, name=title)
            ifcopenshell.api.pset.edit_pset(self.file, pset=pset, properties=properties)
        return element

    def on_the_map(self, turned_deg: float = 0.0, epsg: str = "EPSG:32632", **more: Any) -> None:
        """The model's x axis runs ``turned_deg`` counter-clockwise from the map's east."""
        import ifcopenshell.api.georeference

        ifcopenshell.api.georeference.add_georeferencing(self.file)
        turn = math.radians(turned_deg)
        ifcopenshell.api.georeference.edit_georeferencing(
            self.file, projected_crs={"Name": epsg},
            coordinate_operation={
                "Eastings": E0, "Northings": N0, "OrthogonalHeight": 300.0, "XAxisAbscissa": math.cos(turn), "XAxisOrdinate": math.sin(turn),
                "Scale": self.unit_m, **more,
            },
        )  # fmt: skip

    def save(self, folder: Path) -> Path:
        path = folder / "model.ifc"
        self.file.write(str(path))
        return path


VIEW = {"hfov_deg": 60.0, "image_width_px": 1920, "image_height_px": 1080}


def test_places_levels_and_directions_of_a_model_without_a_map(tmp_path: Path) -> None:
    model = Model()
    model.camera("K-1", (10.0, 5.0, 7.5), 30.0, -20.0, Site=VIEW)
    model.camera("K-2", (-3.0, 2.0, 7.0), 215.0, 0.0, Site=VIEW)
    model.make("IfcAudioVisualAppliance", "SPEAKER", predefined_type="SPEAKER")
    site, problems = import_ifc(model.save(tmp_path), tmp_path / "plan.csv")
    one = site.camera("K-1")
    assert (one.east_m, one.north_m, one.height_m, one.ground_up_m) == pytest.approx((10.0, 5.0, 3.5, 4.0))
    assert one.floor == "L1" and len(site.cameras) == 2
    assert (one.bearing_deg, one.pitch_deg, one.roll_deg) == pytest.approx((30.0, -20.0, 0.0), abs=1e-3)
    assert site.camera("K-2").bearing_deg == pytest.approx(215.0, abs=1e-3)
    assert [p.severity for p in problems if "look along the x axis" in p.message] == ["caution"]
    assert read_plan(tmp_path / "plan.csv").cameras == site.cameras


@pytest.mark.parametrize("unit_m", [1.0, 0.001])
def test_a_map_conversion_gives_latitude_and_longitude(unit_m: float, tmp_path: Path) -> None:
    """Against PROJ alone: the model's place turned and moved by hand into UTM 32N, to within 0.05 m."""
    from pyproj import Proj, Transformer

    model = Model(unit_m)
    model.on_the_map(turned_deg=25.0)
    for number, place in enumerate(((0.0, 0.0, 7.0), (40.0, 0.0, 7.0), (0.0, 30.0, 8.0)), start=1):
        model.camera(f"K-{number}", place, 90.0, Site=VIEW)
    site, _ = import_ifc(model.save(tmp_path), tmp_path / "plan.geojson")
    assert site.origin_latitude is not None and site.origin_longitude is not None
    to_degrees = Transformer.from_crs(32632, 4326, always_xy=True)
    turn = math.radians(25.0)
    for number, (x, y) in enumerate(((0.0, 0.0), (40.0, 0.0), (0.0, 30.0)), start=1):
        east, north = E0 + x * math.cos(turn) - y * math.sin(turn), N0 + x * math.sin(turn) + y * math.cos(turn)
        longitude, latitude = to_degrees.transform(east, north)
        truth = to_local(latitude, longitude, (site.origin_latitude, site.origin_longitude))
        camera = site.camera(f"K-{number}")
        assert (camera.east_m, camera.north_m) == pytest.approx(truth, abs=0.05)
        grid_north = Proj(32632).get_factors(longitude, latitude).meridian_convergence
        assert camera.bearing_deg == pytest.approx(65.0 + grid_north, abs=0.01)
        assert camera.ground_up_m == pytest.approx(4.0)


def test_true_north_turns_a_model_without_a_map(tmp_path: Path) -> None:
    model = Model()
    direction = model.file.create_entity("IfcDirection", (math.sin(math.radians(30)), math.cos(math.radians(30))))
    model.context.TrueNorth = direction
    model.camera("K-1", (0.0, 10.0, 7.0), 0.0, Site=VIEW)
    site, _ = import_ifc(model.save(tmp_path), tmp_path / "plan.csv")
    one = site.camera("K-1")
    assert one.bearing_deg == pytest.approx(330.0, abs=1e-3)
    assert (one.east_m, one.north_m) == pytest.approx((-5.0, 10 * math.cos(math.radians(30))), abs=1e-3)


def test_property_sets_are_columns_and_count_before_the_placement(tmp_path: Path) -> None:
    model = Model()
    model.camera(
        "K-1", (1.0, 2.0, 7.0), 10.0, 0.0, Site={**VIEW, "bearing_deg": 123.0, "tilt_down_deg": 15.0, "No": "TH-7", "Cable": "7.3"},
        Pset_ManufacturerOccurrence={"SerialNumber": "SN-1"}, Pset_AudioVisualApplianceTypeCamera={"IsOutdoors": True},
    )  # fmt: skip
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[columns]\n"Site.No" = "camera"\n', encoding="utf-8")
    site, problems = import_ifc(model.save(tmp_path), tmp_path / "plan.csv", mapping)
    one = site.camera("TH-7")
    assert (one.bearing_deg, one.pitch_deg) == pytest.approx((123.0, -15.0))
    assert one.serial == "SN-1" and one.setting == "outdoor" and dict(one.extra)["Cable"] == "7.3"
    assert not [p for p in problems if "look along" in p.message]


def test_other_classes_and_axes_by_a_mapping(tmp_path: Path) -> None:
    model = Model()
    for name in ("CAM 01", "BENCH"):
        import ifcopenshell.api.pset

        element = model.make("IfcBuildingElementProxy", name)
        model.place(element, (1.0, 2.0, 3.0), 90.0)
        pset = ifcopenshell.api.pset.add_pset(model.file, product=element, name="View")
        ifcopenshell.api.pset.edit_pset(model.file, pset=pset, properties=VIEW)
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[ifc]\nclasses = ["IfcBuildingElementProxy"]\nlooks = "-y"\n', encoding="utf-8")
    site, _ = import_ifc(model.save(tmp_path), tmp_path / "plan.csv", mapping)
    (one,) = site.cameras
    assert one.camera == "CAM 01" and one.bearing_deg == pytest.approx(180.0, abs=1e-3)
    assert one.height_m == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[ifc]\nlooks = "up"\n', "looks is one of"),
        ("[ifc]\nlook = 1\n", "'look' is no key"),
        ('[columns]\nA = "nothing"\n', "'nothing' is no column"),
        ("[ifc\n", "can't be used"),
        ('[ifc]\nclasses = ["IfcNothing"]\n', "'IfcNothing' is no class of IFC4"),
        ('[ifc]\ngrid = "EPSG:99999"\n', "no coordinate system that is known"),
    ],
)
def test_a_wrong_mapping_is_said(text: str, words: str, tmp_path: Path) -> None:
    model = Model()
    model.camera("K-1", (0, 0, 7), Site=VIEW)
    (tmp_path / "mapping.toml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=words):
        import_ifc(model.save(tmp_path), tmp_path / "plan.csv", tmp_path / "mapping.toml")


def test_models_that_can_not_be_read_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = Model()
    with pytest.raises(PlanError, match=r"model\.ifc.*no element is a camera"):
        import_ifc(empty.save(tmp_path), tmp_path / "plan.csv")
    (tmp_path / "text.ifc").write_text("hello", encoding="utf-8")
    with pytest.raises(PlanError, match=r"text\.ifc.*is no IFC model as text"):
        import_ifc(tmp_path / "text.ifc", tmp_path / "plan.csv")
    (tmp_path / "cut.ifc").write_bytes((tmp_path / "model.ifc").read_bytes()[:300])
    with pytest.raises(PlanError, match=r"cut\.ifc"):
        import_ifc(tmp_path / "cut.ifc", tmp_path / "plan.csv")
    with pytest.raises(PlanError, match=r"none\.ifc.*can't be read"):
        import_ifc(tmp_path / "none.ifc", tmp_path / "plan.csv")
    away = Model()
    away.on_the_map()
    away.file.by_type("IfcMapConversion")[0].Eastings = 9e7
    away.camera("K-1", (0, 0, 7), Site=VIEW)
    with pytest.raises(PlanError, match="outside UTM zone 32N|outside .*32632"):
        import_ifc(away.save(tmp_path), tmp_path / "plan.csv")
    assert not (tmp_path / "plan.csv").exists()


def test_a_model_of_500_megabytes_is_refused_before_it_is_opened(tmp_path: Path, audit: Audit) -> None:
    with (tmp_path / "large.ifc").open("wb") as stream:
        stream.write(b"ISO-10303-21;\n")
        stream.truncate(500 * 2**20)
    ran = audit("plan", "import", tmp_path / "large.ifc", "-o", tmp_path / "plan.csv")
    assert ran.code == 2 and "large.ifc" in ran.err and "the model is larger than 200 MB" in ran.err
    assert len(ran.err.strip().splitlines()) == 1


def test_by_command(tmp_path: Path, audit: Audit) -> None:
    model = Model()
    model.camera("K-1", (10.0, 5.0, 7.5), 30.0, -20.0, Site=VIEW)
    ran = audit("plan", "import", model.save(tmp_path), "-o", tmp_path / "plan.csv")
    assert ran.code == 0, ran.err
    assert [c.camera for c in read_plan(tmp_path / "plan.csv").cameras] == ["K-1"]
    assert ifc.MAX_BYTES < 500 * 2**20

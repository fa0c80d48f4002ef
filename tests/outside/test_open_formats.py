"""The as-built files, read by others' programs: GeoPackage by GDAL (pyogrio), BCF by classes made of buildingSMART's schemas
(bcf-client), DXF by ezdxf and by our own import; and the GeoPackage's own tables against the standard (OGC 12-128r18)."""

from __future__ import annotations

import math
import shutil
import sqlite3
import subprocess
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from audit.account.case import cases, open_findings
from audit.plan.files import read_plan
from audit.plan.imported import import_drawing
from audit.plan.places import from_local
from audit.report.as_built import Built, built_cameras
from audit.report.as_built_dxf import write_as_built_dxf
from audit.report.bcf import write_bcf
from audit.report.geopackage import write_geopackage
from tests.desk_samples import judged_logbook

PICTURE = b"\xff\xd8\xff\xe0 as good as a picture"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The three files of one visit."""
    place = tmp_path_factory.mktemp("as built")
    with judged_logbook(place, cameras=6, visits=1) as book:
        visit, site = book.visit(1), book.site()
        found = cases(book, visit)
        built = built_cameras(site, found)
        write_geopackage(site, built, found, visit.started_at, place / "as_built.gpkg")
        local = replace(site, origin_latitude=None, origin_longitude=None)
        write_geopackage(local, built, found, visit.started_at, place / "local.gpkg")
        write_bcf(site, visit, built, found, lambda case, finding: PICTURE, place / "findings.bcf")
        write_bcf(site, visit, built, found, lambda case, finding: PICTURE, place / "again.bcf")
        write_as_built_dxf(site, built, place / "as_built.dxf")
    return place


@pytest.fixture(scope="module")
def built(folder: Path) -> Iterator[tuple[Built, ...]]:
    from audit.logbook import Logbook

    with Logbook.open(folder / "logbook") as book:
        yield built_cameras(book.site(), cases(book, book.visit(1)))


def test_geopackage_is_read_by_gdal(folder: Path, built: tuple[Built, ...]) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    layers = {name: kind for name, kind in pyogrio.list_layers(folder / "as_built.gpkg").tolist()}
    assert layers["cameras"] == "Point" and layers["views"] == "Polygon" and layers["findings"] is None
    info = pyogrio.read_info(folder / "as_built.gpkg", layer="cameras")
    assert info["crs"] == "EPSG:4326" and info["features"] == len(built)
    meta, _, shapes, values = pyogrio.raw.read(folder / "as_built.gpkg", layer="cameras")
    fields = {name: list(column) for name, column in zip(meta["fields"], values, strict=True)}
    from shapely import wkb

    from audit.logbook import Logbook

    with Logbook.open(folder / "logbook") as book:
        site = book.site()
    assert site.origin_latitude is not None and site.origin_longitude is not None
    for n, one in enumerate(built):
        point = wkb.loads(shapes[n])
        latitude, longitude = from_local(one.camera.east_m, one.camera.north_m, (site.origin_latitude, site.origin_longitude))
        assert (point.x, point.y) == pytest.approx((longitude, latitude), abs=1e-9)
        assert fields["camera"][n] == one.camera.camera and fields["state"][n] == one.state
        assert fields["pitch_deg"][n] == pytest.approx(one.pose.pitch_deg)
    _, _, rings, _ = pyogrio.raw.read(folder / "as_built.gpkg", layer="views")
    assert all(wkb.loads(ring).is_valid and wkb.loads(ring).exterior.is_ccw for ring in rings)
    local = pyogrio.raw.read(folder / "local.gpkg", layer="cameras")
    assert wkb.loads(local[2][0]).x == pytest.approx(built[0].camera.east_m)


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="Debian's gdal-bin isn't installed")
def test_geopackage_is_listed_by_ogrinfo_without_a_warning(folder: Path) -> None:
    for name in ("as_built.gpkg", "local.gpkg"):
        done = subprocess.run(["ogrinfo", "-al", "-so", folder / name], capture_output=True, text=True, check=False)
        assert done.returncode == 0 and done.stderr == "" and "Layer name: cameras" in done.stdout


def test_geopackage_keeps_the_standard(folder: Path) -> None:
    """Requirements 1, 2, 11, 12, 13, 18 and 22 of OGC 12-128r18: header, references, contents, geometries and their header."""
    data = (folder / "as_built.gpkg").read_bytes()
    assert data[:16] == b"SQLite format 3\0" and data[68:72] == b"GPKG" and int.from_bytes(data[60:64], "big") == 10300
    with closing(sqlite3.connect(folder / "as_built.gpkg")) as db:
        assert {row[0] for row in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")} >= {4326, 0, -1}
        contents = dict(db.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert set(contents.values()) == {"features", "attributes"}
        geometries = dict(db.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns"))
        assert set(geometries) == {name for name, kind in contents.items() if kind == "features"}
        for name in geometries:
            (blob,) = db.execute(f'SELECT geom FROM "{name}"').fetchone()
            assert blob[:4] == b"GP\0\x01" and int.from_bytes(blob[4:8], "little") == 4326
            columns = {row[1]: row for row in db.execute(f'PRAGMA table_info("{name}")')}
            assert columns["fid"][2] == "INTEGER" and columns["fid"][5] == 1
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        box = db.execute("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'cameras'").fetchone()
        assert -180 <= box[0] <= box[2] <= 180 and -90 <= box[1] <= box[3] <= 90


def test_bcf_topics_are_those_of_the_schemas(folder: Path, built: tuple[Built, ...]) -> None:
    pytest.importorskip("bcf")
    from bcf.v3 import model
    from bcf.v3.bcfxml import BcfXml
    from xsdata.formats.dataclass.parsers import XmlParser
    from xsdata.formats.dataclass.parsers.config import ParserConfig

    strict = XmlParser(config=ParserConfig(fail_on_unknown_properties=True, fail_on_unknown_attributes=True, fail_on_converter_warnings=True))
    kinds = {
        "bcf.version": model.Version, "project.bcfp": model.ProjectInfo, "extensions.xml": model.Extensions,
        "markup.bcf": model.Markup, "viewpoint.bcfv": model.VisualizationInfo,
    }  # fmt: skip
    with zipfile.ZipFile(folder / "findings.bcf") as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        for name in names:
            if not name.endswith("snapshot.jpg"):
                strict.from_bytes(archive.read(name), kinds[name.rsplit("/", 1)[-1]])
    with BcfXml.load(folder / "findings.bcf") as read:
        assert read is not None and read.version.version_id == "3.0"
        topics = list(read.topics.values())
        from audit.logbook import Logbook

        with Logbook.open(folder / "logbook") as book:
            wanted = [f for case in cases(book, book.visit(1)) for f in open_findings(case)]
        assert len(topics) == len(wanted) > 0
        by_title = {t.topic.title: t for t in topics}
        for finding in wanted:
            topic = by_title[f"{finding.camera}: {finding.check}, {finding.state}"]
            assert topic.topic.topic_type in read.extensions.topic_types.topic_type
            assert topic.topic.topic_status in read.extensions.topic_statuses.topic_status
            assert set(topic.topic.labels.label) <= set(read.extensions.topic_labels.topic_label)
            seen = next(iter(topic.viewpoints.values())).visualization_info.perspective_camera
            one = next(b for b in built if b.camera.camera == finding.camera)
            ahead = seen.camera_direction
            assert math.degrees(math.atan2(ahead.x, ahead.y)) % 360 == pytest.approx(one.pose.bearing_deg, abs=1e-3)
            assert math.degrees(math.asin(ahead.z)) == pytest.approx(one.pose.pitch_deg, abs=1e-3)
            up = seen.camera_up_vector
            assert ahead.x * up.x + ahead.y * up.y + ahead.z * up.z == pytest.approx(0, abs=1e-5) and up.z > 0
            assert seen.field_of_view == pytest.approx(one.camera.lens.vfov_deg, abs=1e-3)
    assert (folder / "findings.bcf").read_bytes() == (folder / "again.bcf").read_bytes()


def test_the_as_built_dxf_is_sound_and_reads_back_as_a_plan(folder: Path, built: tuple[Built, ...]) -> None:
    ezdxf = pytest.importorskip("ezdxf")
    document = ezdxf.readfile(folder / "as_built.dxf")
    assert document.units == 6 and not document.audit().errors
    assert {i.dxf.layer for i in document.modelspace().query("INSERT")} == {"AS_BUILT_CAMERAS"}
    site, problems = import_drawing(folder / "as_built.dxf", folder / "again.csv")
    assert not [p for p in problems if p.severity == "error"]
    assert read_plan(folder / "again.csv").cameras == site.cameras
    for one in built:
        camera = site.camera(one.camera.camera)
        assert (camera.east_m, camera.north_m) == pytest.approx((one.camera.east_m, one.camera.north_m), abs=1e-4)
        assert camera.bearing_deg == pytest.approx(one.pose.bearing_deg, abs=0.006)
        assert camera.pitch_deg == pytest.approx(one.pose.pitch_deg, abs=0.006)
        assert camera.height_m == pytest.approx(one.camera.height_m, abs=0.006)

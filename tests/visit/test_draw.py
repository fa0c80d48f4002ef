"""A drawing comes under a floor: by command, in the drawing of the site, in the report, and under the signature."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.account.drawing import Sheet, site_svg, size_of
from audit.account.underlay import underlay_of
from audit.drawings.picture import Opened
from audit.errors import AuditError
from audit.logbook import Logbook
from audit.plan.places import from_local
from audit.visit.draw import DrawingFile, Opening, draw, known_point, place_drawing
from tests.conftest import Ran
from tests.desk_samples import judged_logbook
from tests.logbook_samples import make_site

Audit = Callable[..., Ran]
METRES_PER_PX = 0.05
WORDS = {"title": "t", "north": "N", "camera": "{camera}"}


def floor_png(book: Logbook, path: Path, marks: bool = True) -> Path:
    """White, with a black square of 0.4 m at each camera of the site; 3 m of room around them."""
    cameras = book.site().cameras
    west, north = min(c.east_m for c in cameras) - 3, max(c.north_m for c in cameras) + 3
    size = (
        int((max(c.east_m for c in cameras) + 3 - west) / METRES_PER_PX), int((north - min(c.north_m for c in cameras) + 3) / METRES_PER_PX)
    )  # fmt: skip
    grey = np.full((size[1], size[0]), 255, np.uint8)
    if marks:
        for camera in cameras:
            x, y = (round(v) for v in pixel(book, camera.east_m, camera.north_m))
            grey[y - 4 : y + 4, x - 4 : x + 4] = 0
    Image.fromarray(grey).save(path)
    return path


def pixel(book: Logbook, east_m: float, north_m: float) -> tuple[float, float]:
    cameras = book.site().cameras
    west, north = min(c.east_m for c in cameras) - 3, max(c.north_m for c in cameras) + 3
    return (east_m - west) / METRES_PER_PX, (north - north_m) / METRES_PER_PX


def known(book: Logbook, *cameras: str) -> list[str]:
    found = []
    for name in cameras:
        camera = book.site().camera(name)
        x, y = pixel(book, camera.east_m, camera.north_m)
        found += ["--known", f"{x:.1f},{y:.1f}={name}"]
    return found


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """The second visit is open; its plan has the cameras all about, on one floor."""
    made = judged_logbook(tmp_path, cameras=6, visits=2)
    places = ((0, 0), (20, 1), (31, 14), (28, 30), (9, 33), (-4, 17))
    moved = tuple(
        replace(c, east_m=float(e), north_m=float(n), floor="", targets=()) for c, (e, n) in zip(made.site().cameras, places, strict=True)
    )
    made.replace_plan(replace(made.site(), cameras=moved, _index={}), "moved.csv", b"moved")
    return made


def test_known_points_by_command(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    file = floor_png(book, tmp_path / "floor.png")
    ran = audit("drawing", book.address, file, *known(book, "C-1", "C-4", "C-6"), "--by", "Ada Example", "--json")
    assert ran.code == 0, ran.err
    (line,) = ran.lines
    assert line["placed_by"] == "points" and line["residual_m"] < 0.05 and line["metres_per_px"] == pytest.approx(METRES_PER_PX, rel=0.01)
    assert [p["name"] for p in line["points"]] == ["C-1", "C-4", "C-6"]
    listed = audit("drawing", book.address)
    assert "floor.png: placed by 3 points, residual 0.0" in listed.out and "± " in listed.out
    assert audit("drawing", book.address, "--remove", "--by", "Ada Example").code == 0
    assert "No floor has a drawing" in audit("drawing", book.address).err


def test_a_list_of_known_points_and_places_in_metres_and_degrees(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    site, file = book.site(), floor_png(book, tmp_path / "floor.png")
    assert site.origin_latitude is not None and site.origin_longitude is not None
    one, two = site.cameras[0], site.cameras[3]
    latitude, longitude = from_local(two.east_m, two.north_m, (site.origin_latitude, site.origin_longitude))
    (x1, y1), (x2, y2) = pixel(book, one.east_m, one.north_m), pixel(book, two.east_m, two.north_m)
    rows = f'column_px,row_px,place\n{x1},{y1},"{one.east_m},{one.north_m}"\n{x2},{y2},"@{latitude},{longitude}"\n'
    (tmp_path / "known.csv").write_text(rows, encoding="utf-8")
    ran = audit("drawing", book.address, file, "--list", tmp_path / "known.csv", "--by", "Ada Example", "--json")
    assert ran.code == 0, ran.err
    assert ran.lines[0]["residual_m"] is None and "two points" in ran.lines[0]["residual_note"]
    assert ran.lines[0]["metres_per_px"] == pytest.approx(METRES_PER_PX, rel=1e-3)


def test_a_world_file_with_its_grid_lies_to_a_centimetre(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    """Known points on the ground, turned into the grid by PROJ alone, lie where the placed drawing has them: 0.05 m are asked."""
    from pyproj import Transformer

    site, file = book.site(), floor_png(book, tmp_path / "aerial.png")
    assert site.origin_latitude is not None and site.origin_longitude is not None
    zone = 32600 + int((site.origin_longitude + 180) // 6) + 1
    grid = Transformer.from_crs(4326, zone, always_xy=True)
    latitude, longitude = from_local(0.0, 0.0, (site.origin_latitude, site.origin_longitude))
    east, north = grid.transform(longitude, latitude)
    with Image.open(file) as picture:
        wide, high = picture.size
    (tmp_path / "aerial.pgw").write_text(f"{METRES_PER_PX}\n0\n0\n-{METRES_PER_PX}\n{east - 10}\n{north + 10}\n", encoding="ascii")
    refused = audit("drawing", book.address, file, "--by", "Ada Example")
    assert refused.code == 2 and "aerial.png: the drawing has coordinates, but doesn't tell of which grid" in refused.err
    ran = audit("drawing", book.address, file, "--grid", f"EPSG:{zone}", "--by", "Ada Example", "--json")
    assert ran.code == 0, ran.err
    assert ran.lines[0]["residual_m"] <= 0.05
    record = book.drawing(book.visit(None), "")
    assert record is not None and record.drawing is not None
    for column, row in ((0, 0), (wide - 1, 0), (wide / 2, high - 1)):
        e, n = east - 10 + METRES_PER_PX * column, north + 10 - METRES_PER_PX * row
        back = Transformer.from_crs(zone, 4326, always_xy=True).transform(e, n)
        from audit.plan.places import to_local

        truth = to_local(back[1], back[0], (site.origin_latitude, site.origin_longitude))
        assert record.drawing.placed.at(column, row) == pytest.approx(truth, abs=0.02)


def test_the_drawing_lies_under_the_cameras(book: Logbook, tmp_path: Path) -> None:
    """The black squares at the cameras' places come out where the cameras' shapes stand."""
    visit, site = book.visit(None), book.site()
    file = DrawingFile.read(floor_png(book, tmp_path / "floor.png"))
    points = [known_point(site, "", pixel(book, c.east_m, c.north_m), c.camera) for c in site.cameras[:4]]
    record = draw(book, visit, file, Opening(points=points), "Ada Example")
    sheet = Sheet("", underlay_of(book, record))
    svg = site_svg(site, {}, {}, sheet, WORDS)
    found = re.search(r'<image [^>]*href="data:image/\w+;base64,([^"]+)"', svg)
    assert found is not None
    with Image.open(io.BytesIO(base64.b64decode(found[1]))) as shown:
        grey = np.asarray(shown.convert("L"))
    size = size_of(site, sheet)
    shrink = grey.shape[1] / size.width_px
    assert grey.shape[0] == pytest.approx(size.height_px * shrink, abs=2)
    for camera in site.cameras:
        group = svg.split(f'data-camera="{camera.camera}"')[1]
        x, y = (float(v) for v in re.search(r'c[xy]="([\d.]+)" cy="([\d.]+)"', group).groups())  # type: ignore[union-attr]
        assert grey[round(y * shrink), round(x * shrink)] < 140
    assert np.mean(grey > 200) > 0.9


def test_a_signed_drawing_stays_and_later_visits_go_on_with_it(book: Logbook, tmp_path: Path) -> None:
    visit, site = book.visit(None), book.site()
    file = DrawingFile.read(floor_png(book, tmp_path / "floor.png"))
    points = [known_point(site, "", pixel(book, c.east_m, c.north_m), c.camera) for c in site.cameras[:3]]
    draw(book, visit, file, Opening(points=points), "Ada Example")
    assert book.drawings(1) == {} and set(book.drawings(2)) == {""}
    book.sign(visit, "Ada Example", unprotected=True)
    assert book.verify() == ()
    with pytest.raises(AuditError, match="was signed"):
        draw(book, visit, file, Opening(points=points), "Ada Example")
    with pytest.raises(AuditError, match="was signed"):
        book.take_drawing_away(visit, "", "Ada Example")
    third = book.open_visit("maintenance", visit.on.replace(year=visit.on.year + 1))
    assert set(book.drawings(third)) == {""}
    book.take_drawing_away(third, "", "Ada Example")
    assert book.drawings(third) == {} and set(book.drawings(2)) == {""}
    book.export(tmp_path / "all.zip")
    with Logbook.import_(tmp_path / "all.zip", str(tmp_path / "again")) as again:
        assert again.verify() == () and set(again.drawings(2)) == {""}
    record = book.drawings(2)[""]
    kept = next(p for p in (tmp_path / "logbook" / "images").rglob(record.picture_sha256))
    kept.chmod(0o644)
    kept.write_bytes(b"another picture")
    assert {(p.name, p.visit) for p in book.verify()} == {("floor.png", 2), ("floor.png", 3)}


def test_what_is_wrong_is_one_sentence(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    file = floor_png(book, tmp_path / "floor.png")
    by = ("--by", "Ada Example")
    first = known(book, "C-1")
    for arguments, words in (
        ((file, *by), "floor.png: the drawing doesn't tell where it lies"),
        ((file, *first, *by), "1 point can't place a drawing"),
        ((file, *first, "--known", "300,300=C-99", *by), "'C-99' is no camera"),
        ((file, *first, "--known", "300=C-2", *by), "not a position"),
        ((file, *first, "--known", "300,300", *by), "write COLUMN,ROW=PLACE"),
        ((file, *first, *first, *by), "one spot of the drawing"),
        ((file, *known(book, "C-1", "C-4")), "say who puts the drawing there"),
        ((file, "--floor", "L9", *by), "no camera on such a floor"),
        ((tmp_path / "none.png", *first, *by), "can't be read"),
        ((file, "--known", "10,10=90000,0", "--known", "300,10=90020,0", *by), "m away from the nearest camera"),
        (("--remove", *by), "has no drawing to take away"),
    ):
        ran = audit("drawing", book.address, *arguments)
        assert ran.code == 2 and words in ran.err and len(ran.err.strip().splitlines()) == 1, (arguments, ran.err)
    assert book.drawings(book.visit(None)) == {}


def test_floors_have_a_drawing_each(tmp_path: Path) -> None:
    site = make_site(4)
    cameras = tuple(replace(c, floor="L1" if n < 2 else "L2") for n, c in enumerate(site.cameras))
    site = replace(site, cameras=cameras)
    opened = Opened(b"", 400, 300)
    with pytest.raises(AuditError, match="'C-3' is no camera"):
        known_point(site, "L1", (1, 1), "C-3")
    with pytest.raises(AuditError, match="doesn't tell where it lies"):
        place_drawing(site, opened, "floor.png", Opening("L1"))


def test_the_report_shows_it_at_a_scale(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    from pypdf import PdfReader

    file = floor_png(book, tmp_path / "floor.png")
    assert audit("drawing", book.address, file, *known(book, "C-1", "C-4", "C-6"), "--by", "Ada Example").code == 0
    assert audit("handover", book.address, "-o", tmp_path / "package").code == 0
    text = " ".join(" ".join(page.extract_text() for page in PdfReader(tmp_path / "package" / "report.pdf").pages[:2]).split())
    assert re.search(r"Scale 1 : [\d,]+ when printed at full size", text)
    assert "Under the cameras: floor.png, placed by 3 known points; they lie 0.0" in text
    assert "data:image/" in (tmp_path / "package" / "site_drawing.svg").read_text(encoding="utf-8")


def test_before_the_first_visit_a_drawing_waits_for_it(tmp_path: Path, audit: Audit) -> None:
    book = Logbook.create(str(tmp_path / "logbook"), make_site(), "plan.csv", b"plan")
    file = floor_png(book, tmp_path / "floor.png")
    floor = ("--floor", book.site().floors[0])
    ran = audit("drawing", book.address, file, *known(book, "C-1", "C-3"), *floor, "--by", "Ada Example", "--json")
    assert ran.code == 0, ran.err
    assert ran.lines[0]["visit"] is None
    assert "floor.png" in (listed := audit("drawing", book.address).out) and "waits for the next visit" in listed
    assert audit("drawing", book.address, "--remove", *floor, "--by", "Ada Example").code == 0
    assert "No floor has a drawing" in audit("drawing", book.address).err
    for name in ("floor.png", "again.png"):  # the latest of a floor counts
        assert audit("drawing", book.address, floor_png(book, tmp_path / name), *known(book, "C-1", "C-3"), *floor, "--by", "Ada Example").code == 0
    visit = book.open_visit("commissioning", date(2026, 6, 16))
    assert book.drawings(None) == {}
    (kept,) = book.drawings(visit).values()
    assert (kept.name, kept.visit, kept.by) == ("again.png", visit.number, "Ada Example")
    assert book.image(kept.sha256) == (tmp_path / "again.png").read_bytes()
    assert book.open_visit("commissioning", date(2026, 6, 16)) == visit and len(book.drawings(visit)) == 1

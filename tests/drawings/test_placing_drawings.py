"""Where a drawing lies: known points and georeferences, and what is refused."""

from __future__ import annotations

import math
import random

import pytest

from audit.drawings.georeference import SITE, geotiff, to_site, world_file
from audit.drawings.placing import KnownPoint, by_matrix, by_points
from audit.errors import AuditError
from tests.logbook_samples import make_site

WIDE, HIGH = 2000, 1500


def seen(east: float, north: float, metres_per_px: float = 0.05, turned_deg: float = 30.0) -> tuple[float, float]:
    """Pixel of a place in a drawing that is turned: its upward side looks to a bearing of ``turned_deg``."""
    angle = math.radians(turned_deg)
    across = east * math.cos(angle) - north * math.sin(angle)
    up = east * math.sin(angle) + north * math.cos(angle)
    return 1000 + across / metres_per_px, 700 - up / metres_per_px


def points(*places: tuple[float, float], mirrored: bool = False, off_px: float = 0.0) -> list[KnownPoint]:
    luck = random.Random(5)
    found = []
    for number, (east, north) in enumerate(places):
        column, row = seen(east, north)
        column = WIDE - column if mirrored else column
        found.append(KnownPoint(f"P{number}", column + luck.gauss(0, off_px), row + luck.gauss(0, off_px), east, north))
    return found


def test_two_points_place_a_drawing_and_tell_no_residual() -> None:
    placed = by_points(points((-20, -10), (25, 15)), WIDE, HIGH)
    assert placed.metres_per_px == pytest.approx(0.05)
    assert placed.turned_deg == pytest.approx(30.0)
    assert placed.at(*seen(7.0, -3.0)) == pytest.approx((7.0, -3.0))
    assert placed.pixel(7.0, -3.0) == pytest.approx(seen(7.0, -3.0))
    assert placed.residual_m is None and "two points fit any drawing" in (placed.residual_note or "")
    assert placed.sd_m is not None and placed.sd_m > 0


def test_the_residual_is_what_the_points_miss_by() -> None:
    known = points((-20, -10), (25, 15), (-15, 20), (20, -12))
    assert by_points(known, WIDE, HIGH).residual_m == pytest.approx(0.0, abs=1e-9)
    wrong = [*known[:3], KnownPoint("P3", known[3].column_px + 40, known[3].row_px, 20, -12)]
    placed = by_points(wrong, WIDE, HIGH)
    assert 0.4 < (placed.residual_m or 0) < 2.0
    assert max(placed.points, key=lambda p: p.off_m or 0).name == "P3"


def test_the_stated_deviation_holds_what_clicks_miss() -> None:
    """Over drawn clicks a place in the corner lies within 1.96 sd a coordinate in about 95 %."""
    luck = random.Random(3)
    held = tries = 0
    for _ in range(300):
        known = []
        for east, north in ((-20, -10), (25, 15), (-15, 20), (20, -12), (0, 0)):
            column, row = seen(east, north)
            known.append(KnownPoint("p", column + luck.gauss(0, 3), row + luck.gauss(0, 3), east, north))
        placed = by_points(known, WIDE, HIGH)
        truth = by_points(points((-20, -10), (25, 15)), WIDE, HIGH)
        got, right = placed.at(0, 0), truth.at(0, 0)
        held += sum(abs(a - b) <= 1.96 * (placed.sd_m or 0) for a, b in zip(got, right, strict=True))
        tries += 2
    assert held / tries >= 0.93


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ([], "0 points can't place"),
        (points((1, 1)), "1 point can't place"),
        ([KnownPoint("A", 10, 10, 0, 0), KnownPoint("B", 12, 11, 30, 5)], "one spot of the drawing"),
        ([KnownPoint("A", 10, 10, 0, 0), KnownPoint("B", 900, 11, 0.1, 0.2)], "one place of the site"),
        (points((-20, -10), (25, 15), (-15, 20), mirrored=True), "mirrored"),
    ],
)
def test_what_can_not_place_a_drawing_is_said(known: list[KnownPoint], words: str) -> None:
    with pytest.raises(AuditError, match=words):
        by_points(known, WIDE, HIGH)


def test_a_world_file_counts_from_the_middle_of_the_upper_left_pixel() -> None:
    """The six lines as common practice has them: A, D, B, E, C, F."""
    found = world_file("0.5\n0\n0\n-0.5\n100.0\n200.0\n", "a.pgw", SITE)
    placed = by_matrix(found.matrix, to_site(SITE, make_site()), 400, 300, SITE)
    assert placed.at(0, 0) == pytest.approx((100.0, 200.0))
    assert placed.at(10, 20) == pytest.approx((105.0, 190.0))
    turned = world_file("0\n0,5\n0.5\n0\n0\n0\n", "a.pgw", SITE)
    assert turned.matrix == (0.0, 0.5, 0.0, 0.5, 0.0, 0.0)


@pytest.mark.parametrize("text", ["", "1\n2\n3", "a\nb\nc\nd\ne\nf", "1\n0\n0\n-1\nnan\n0"])
def test_a_broken_world_file_is_named(text: str) -> None:
    with pytest.raises(AuditError, match=r"a\.pgw: a world file has six lines"):
        world_file(text, "a.pgw")


@pytest.mark.parametrize(
    ("matrix", "words"),
    [((0.5, 0, 0, 0, 0.5, 0), "mirrors"), ((0.5, 0.5, 0, 0.5, 0.5, 0), "a line"), ((0, 0, 3, 0, 0, 4), "a line")],
)
def test_a_georeference_that_mirrors_or_flattens_is_refused(matrix: tuple[float, ...], words: str) -> None:
    with pytest.raises(AuditError, match=words):
        by_matrix(matrix, lambda x, y: (x, y), 400, 300, SITE)


def test_geotiff_keys() -> None:
    """OGC GeoTIFF 19-008r4: tie point and scale, PixelIsArea (coordinates of the corner) and PixelIsPoint (of the middle)."""
    area = {33550: (0.2, 0.2, 0), 33922: (0, 0, 0, 500000, 5200000, 0), 34735: (1, 1, 0, 2, 1025, 0, 1, 1, 3072, 0, 1, 32632)}
    found = geotiff(area)
    assert found is not None and found.grid == "EPSG:32632"
    assert found.matrix == pytest.approx((0.2, 0, 500000.1, 0, -0.2, 5199999.9))
    point = {**area, 34735: (1, 1, 0, 1, 1025, 0, 1, 2)}
    assert geotiff(point).matrix == pytest.approx((0.2, 0, 500000, 0, -0.2, 5200000))
    whole = {34264: (0, 0.5, 0, 10, 0.5, 0, 0, 20, 0, 0, 0, 0, 0, 0, 0, 1), 34735: (1, 1, 0, 1, 1025, 0, 1, 2)}
    assert geotiff(whole).matrix == (0, 0.5, 10, 0.5, 0, 20)
    assert geotiff({}) is None and geotiff({33550: (1.0,), 33922: (0,) * 6}) is None


def test_a_grid_that_is_unknown_or_unusable_is_said() -> None:
    site = make_site()
    for grid in ("EPSG:99999", "no grid at all"):
        with pytest.raises(AuditError, match="--grid"):
            to_site(grid, site)
    from dataclasses import replace

    with pytest.raises(AuditError, match="local metres alone"):
        to_site("EPSG:32632", replace(site, origin_latitude=None))

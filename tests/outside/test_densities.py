"""Pixel densities against published tables.

Sources beside each case; [S] = published (through secondary pages where the standard itself is behind a counter),
[C] = own calculation by the formula given there.
"""

from __future__ import annotations

import math

import pytest

from audit.lens import Lens, hfov_from_focal
from audit.plan.model import PURPOSE_PX_PER_M, Camera, Target
from audit.plan.optics import geometry


def _density(width: int, hfov: float, distance: float) -> float:
    camera = Camera("c", 0, 0, 1.6, 0, 0, Lens(width, width * 9 // 16, hfov), targets=(Target("t", 0, distance, 1.6),))
    found = geometry(camera).targets[0].px_per_m
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("purpose", "px_per_m", "mm_per_px", "face_px"),
    [
        ("monitor", 12.5, 80, 2),
        ("detect", 25, 40, 4),
        ("observe", 62.5, 16, 10),
        ("recognise", 125, 8, 20),
        ("identify", 250, 4, 40),
        ("inspect", 1000, 1, 160),
    ],
)
def test_levels_of_iec_62676_4(purpose: str, px_per_m: float, mm_per_px: float, face_px: float) -> None:
    """IEC 62676-4:2014 / EN 62676-4:2015 [S, two secondary tables]: px/m, mm/px, and px over a 16 cm face agree."""
    assert PURPOSE_PX_PER_M[purpose] == px_per_m == 1000 / mm_per_px
    assert PURPOSE_PX_PER_M[purpose] * 0.16 == face_px


@pytest.mark.parametrize(
    ("width", "hfov", "px_per_m", "distance"),
    [
        (1920, 56, 12.5, 144.44),
        (1920, 56, 25, 72.22),
        (1920, 56, 62.5, 28.89),
        (1920, 56, 125, 14.44),
        (1920, 56, 250, 7.22),
        (1920, 90, 12.5, 76.80),
        (1920, 90, 25, 38.40),
        (1920, 90, 62.5, 15.36),
        (1920, 90, 125, 7.68),
        (1920, 90, 250, 3.84),
        (2560, 84, 125, 11.37),
        (2560, 84, 250, 5.69),
        (3840, 110, 125, 10.76),
        (3840, 110, 250, 5.38),
    ],
)
def test_distance_at_which_a_level_is_reached(width: int, hfov: float, px_per_m: float, distance: float) -> None:
    """W / (2 D tan(hfov/2)) [C]; the distances are rounded to a centimetre."""
    assert _density(width, hfov, distance) == pytest.approx(px_per_m, rel=0.001)


@pytest.mark.parametrize(("ground_m", "px_per_m"), [(5, 351.1), (10, 181.9), (20, 92.6)])
def test_density_goes_by_depth_and_not_by_ground_distance(ground_m: float, px_per_m: float) -> None:
    """3 m camera, pitch -15, f = 1823.01 px, face at 1.6 m: f / (D cos p + dz sin p) [C]; f/D alone is 4 % off."""
    hfov = math.degrees(2 * math.atan(960 / 1823.0094))
    camera = Camera("c", 0, 0, 3.0, 0, -15, Lens(1920, 1080, hfov), targets=(Target("face", 0, ground_m, 1.6),))
    assert geometry(camera).targets[0].px_per_m == pytest.approx(px_per_m, abs=0.05)


@pytest.mark.parametrize(("height_m", "metres_15", "metres_30"), [(2.5, 3.36, 1.56), (3, 5.22, 2.42), (4, 8.96, 4.16)])
def test_how_steeply_a_face_is_seen(height_m: float, metres_15: float, metres_30: float) -> None:
    """Ground distance at which the angle down to a 1.6 m high face is 15 and 30 degrees [C]."""
    targets = (Target("15", 0, metres_15, 1.6), Target("30", 0, metres_30, 1.6))
    views = geometry(Camera("c", 0, 0, height_m, 0, -15, Lens(1920, 1080, 90), targets=targets)).targets
    assert views[0].look_down_deg == pytest.approx(15, abs=0.05)
    assert views[1].look_down_deg == pytest.approx(30, abs=0.1)


@pytest.mark.parametrize(
    ("level", "line_pairs", "pixels"),
    [("detection", 1.0, 2), ("orientation", 1.4, 2.8), ("recognition", 4.0, 8), ("identification", 6.4, 12.8)],
)
def test_johnson_criteria_across_a_person(level: str, line_pairs: float, pixels: float) -> None:
    """Johnson's line pairs across the critical dimension at 50 % [S, encyclopaedia copies of the 1958 paper]; one
    line pair is two pixels. A 0.5 m wide person at the distance that gives those pixels has that density."""
    distance = 1805.50 * 0.5 / pixels
    assert _density(1920, 56, distance) * 0.5 == pytest.approx(2 * line_pairs, rel=0.001)


@pytest.mark.parametrize(
    ("sensor", "focal_mm", "hfov_deg"),
    [
        (4.8, 2.8, 81.20),
        (4.8, 4, 61.93),
        (4.8, 6, 43.60),
        (4.8, 8, 33.40),
        (4.8, 12, 22.62),
        (3.6, 2.8, 65.47),
        (3.6, 4, 48.46),
        (3.6, 6, 33.40),
        (3.6, 8, 25.36),
        (3.6, 12, 17.06),
        (5.57, 2.8, 89.69),
        (5.57, 4, 69.70),
        (5.57, 6, 49.80),
        (5.57, 8, 38.39),
        (5.57, 12, 26.13),
    ],
)
def test_angle_of_view_from_focal_length_and_sensor(sensor: float, focal_mm: float, hfov_deg: float) -> None:
    """2 atan(w / 2F) [C] for 1/3", 1/4" 4:3 (sizes by the 18 mm rule, optowiki.info sensor format) and 1/2.8" 16:9."""
    assert hfov_from_focal(focal_mm, sensor) == pytest.approx(hfov_deg, abs=0.01)


@pytest.mark.parametrize(
    ("inch", "rule_mm", "sides"),
    [(1 / 3, 18, (4.8, 3.6)), (1 / 4, 18, (3.6, 2.7)), (1 / 2.8, 18, (5.57, 3.13)), (1 / 1.8, 16, (7.18, 5.32))],
)
def test_sensor_sizes_by_the_inch_rule(inch: float, rule_mm: float, sides: tuple[float, float]) -> None:
    """Diagonal = 18 mm x inch below 1/2", 16 mm x inch from there [S, optowiki.info/glossary/sensor-format]."""
    assert math.hypot(*sides) == pytest.approx(rule_mm * inch, rel=0.01)


def test_a_ceiling_fisheye_by_its_arc() -> None:
    """Equidistant lens: an upright cylinder of radius 8 m around the foot is imaged on a circle of radius f theta, so
    that px/m across is f theta / 8 [C]: 145.2 for 2880 px, hfov 180, 3.5 m, a target 1 m up."""
    lens = Lens(2880, 2880, 180, projection="equidistant")
    camera = Camera("c", 0, 0, 3.5, 0, -90, lens, targets=(Target("t", 8, 0, 1.0),))
    circle = 2 * math.pi * (1440 / (math.pi / 2)) * math.atan2(8, 2.5)
    assert geometry(camera).targets[0].px_per_m == pytest.approx(circle / (2 * math.pi * 8), rel=1e-9)
    assert geometry(camera).targets[0].px_per_m == pytest.approx(145.3, rel=0.002)

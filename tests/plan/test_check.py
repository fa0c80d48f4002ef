"""What contradicts itself in a plan, and how fast that is found."""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from pathlib import Path
from types import FrameType

import numpy as np
import pytest

from audit.lens import Lens
from audit.plan.check import _season, check_plan
from audit.plan.files import read_plan
from audit.plan.model import Camera, MountChain, Site, Target
from audit.plan.optics import Pose, geometry, uncertainty, under_poses
from audit.plan.sun import glare

DEMO = Path(__file__).parents[2] / "sample_images" / "plan.csv"
BASE = Camera(
    "C1",
    0,
    0,
    3,
    0,
    -15,
    Lens(1920, 1080, 56),
    form="bullet",
    surface="wall",
    setting="outdoor",
    night="infrared",
    mount=MountChain(("wall", "junction box")),
    purpose="recognise",
    serial="S1",
    targets=(Target("gate", 0, 10, 1.6, 125.0, "recognise"),),
    row=2,
)


def _said(*cameras: Camera, origin: tuple[float, float] | None = None, severity: str | None = None) -> str:
    site = Site(cameras, origin_latitude=origin and origin[0], origin_longitude=origin and origin[1], file="plan.csv")
    return " | ".join(p.sentence() for p in check_plan(site) if severity in (None, p.severity))


def test_a_sound_camera_has_nothing_to_say() -> None:
    assert _said(BASE) == ""


@pytest.mark.parametrize(
    ("camera", "severity", "says"),
    [
        (replace(BASE, bearing_deg=180), "error", "behind the camera"),
        (replace(BASE, bearing_deg=60), "error", "left of the picture"),
        (replace(BASE, pitch_deg=-60), "error", "above the picture"),
        (replace(BASE, targets=(Target("far", 0, 40, 1.6, 125.0),)), "error", "125 required"),
        (replace(BASE, pitch_deg=15), "warning", "tilt_down_deg positive"),
        (replace(BASE, height_m=30), "warning", "Check the unit"),
        (replace(BASE, height_m=2.2), "caution", "within reach"),
        (replace(BASE, lens=Lens(1920, 1080, 160)), "warning", "equidistant"),
        (replace(BASE, lens=Lens(4000, 500, 56)), "warning", "unusual shape"),
        (replace(BASE, form="fisheye"), "warning", "fisheye is planned with a rectilinear"),
        (replace(BASE, targets=()), "warning", "nothing is planned"),
        (replace(BASE, purpose=None, targets=(Target("t", 0, 10, 1.6),)), "warning", "no purpose"),
        (
            replace(BASE, purpose="recgonise", targets=(Target("gate", 0, 10, 1.6), Target("door", 1, 10, 1.6))),
            "warning",
            "'recgonise' is no level of pixel density, so targets 'gate', 'door' have no requirement",
        ),
        (replace(BASE, surface=None, mount=MountChain(("junction box",))), "caution", "surface is not given"),
        (replace(BASE, night="none"), "caution", "by day alone"),
        (replace(BASE, targets=(Target("pond", 0, 40, 1.6, 25.0),)), "caution", "56% of the light"),
        (replace(BASE, extra=(("infrared_range_m", "8"),)), "warning", "plan's IR range of 8 m"),
        (replace(BASE, extra=(("infrared_range_m", "far"),)), "warning", "'far' is not a number"),
        (replace(BASE, extra=(("infrared_range_m", "0"),)), "warning", "'0' is not a number above 0"),
        (replace(BASE, targets=(Target("face", 0, 2, 1.6, 250.0),), pitch_deg=-40), "warning", "from above"),
        (
            replace(BASE, lens=Lens(2880, 2880, 360, projection="equidistant")),
            "warning",
            "not the 360° of its panorama",
        ),
        (replace(BASE, lens=Lens(1920, 1080, 0.98)), "warning", "in radians it is 56°"),
        (replace(BASE, extra=(("agreed_pitch_deg", "steeper"),)), "warning", "planned angle counts"),
        (replace(BASE, extra=(("agreed_pitch_deg", "-17,5"),)), None, ""),
        (replace(BASE, pitch_deg=2), None, ""),
    ],
)
def test_each_contradiction_is_said(camera: Camera, severity: str | None, says: str) -> None:
    assert says in _said(camera, severity=severity)


def test_two_of_the_same() -> None:
    assert "also that of C1" in _said(BASE, replace(BASE, camera="C2", east_m=5, targets=()), severity="error")
    assert "looks the same way as C1" in _said(BASE, replace(BASE, camera="C2", serial="S2"))
    assert "looks the same way" not in _said(BASE, replace(BASE, camera="C2", serial="S2", bearing_deg=180, targets=()))


def test_density_remedies_reach_the_density() -> None:
    """Each of the three remedies, applied, meets the need."""
    short = replace(BASE, targets=(Target("far", 0, 20, 1.6, 125.0),))
    have = geometry(short).targets[0].px_per_m
    assert have is not None
    factor = 125.0 / have
    view = geometry(replace(short, lens=Lens(round(1920 * factor), round(1080 * factor), 56))).targets[0]
    assert view.px_per_m == pytest.approx(125, rel=0.002)
    text = _said(short, severity="error")
    angle = float(text.split("take a lens of ")[1].split("°")[0])
    view = geometry(replace(short, lens=Lens(1920, 1080, angle))).targets[0]
    assert view.px_per_m == pytest.approx(125, rel=0.03)


def test_low_winter_sun_looks_into_a_south_east_camera() -> None:
    """The sun at 46.5 N on 16 December 09:20 UTC stands 3.5 degrees high at azimuth 130 (pvlib 0.16.1)."""
    camera = replace(BASE, bearing_deg=120, pitch_deg=-17, lens=Lens(1920, 1080, 70))
    found = glare(camera, 46.5, -18.0)
    assert found is not None and found.hours_in_picture > 0 and 12 in found.months and 6 not in found.months
    north = glare(replace(BASE, bearing_deg=0, pitch_deg=-30), 46.5, -18.0)
    assert north is None
    assert "sun stands in the picture" in _said(replace(camera, targets=()), origin=(46.5, -18.0))
    assert "sun" not in _said(replace(camera, targets=(), setting="indoor"), origin=(46.5, -18.0))
    south = glare(replace(BASE, bearing_deg=0, pitch_deg=-10, lens=Lens(1920, 1080, 90)), -35.0, 150.0)
    assert south is not None and 6 in south.months, "in the southern hemisphere the noon sun stands in the north"


def test_hours_of_the_sun_are_told_by_the_clock_of_the_place() -> None:
    """pvlib 0.16.1: at 47.4 N 8.5 E the sun crosses azimuth 120 at 07:37 UTC on 15 October, 09:37 by the clock there
    (summer time ends on the last Sunday of October)."""
    camera = replace(BASE, bearing_deg=120, pitch_deg=-10, lens=Lens(1920, 1080, 30))
    found = glare(camera, 47.4, 8.5)
    assert found is not None and found.worst_at.utcoffset() is not None
    offset = found.worst_at.utcoffset().total_seconds() / 3600  # type: ignore[union-attr]
    assert offset == (2.0 if 4 <= found.worst_at.month <= 9 else offset) and offset in (1.0, 2.0)
    assert found.earliest <= f"{found.worst_at:%H:%M}" <= found.latest


@pytest.mark.parametrize(
    ("months", "said"),
    [
        (tuple(range(1, 13)), "all year"),
        ((1, 2, 3), "Jan to Mar"),
        ((6,), "Jun"),
        ((1, 2, 11, 12), "Nov to Feb"),
        ((1, 12), "Dec to Jan"),
        ((1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12), "Dec to Oct"),
        ((2, 3, 10), "Feb, Mar, Oct"),
        ((1, 6), "Jan, Jun"),
    ],
)
def test_months_of_glare_are_told_as_a_season_over_the_new_year_too(months: tuple[int, ...], said: str) -> None:
    found = glare(replace(BASE, bearing_deg=120, pitch_deg=-10), 47.4, 8.5)
    assert found is not None and _season(replace(found, months=months)) == said


@pytest.mark.parametrize(
    ("lens", "form", "column", "value", "accepted"),
    [
        (Lens(1920, 1080, 160), "bullet", "hfov_deg", "160", "up to about 120 for rectilinear lenses"),
        (Lens(2880, 2880, 360, projection="equidistant"), "fisheye", "hfov_deg", "360", "up to 230"),
        (Lens(1920, 1080, 1), "bullet", "hfov_deg", "1", "usually 20 to 120"),
        (Lens(1920, 1080, 100), "fisheye", "projection", "rectilinear", "equidistant"),
        (Lens(4000, 640, 90), "bullet", "image_width_px", "4000 x 640", None),
    ],
)
def test_a_lens_that_can_t_be_is_named_with_its_cell_and_what_is_usual(
    lens: Lens, form: str, column: str, value: str, accepted: str | None
) -> None:
    camera = replace(BASE, lens=lens, form=form, targets=())
    (problem,) = [p for p in check_plan(Site((camera,), file="plan.csv")) if p.column == column]
    assert (problem.camera, problem.row, problem.severity, problem.value) == ("C1", 2, "warning", value)
    assert problem.accepted == accepted and problem.remedy and problem.message


def test_the_glare_cone_ends_ten_degrees_beyond_the_picture() -> None:
    """Over a June the sun's northernmost place one degree above the horizon, by pvlib 0.16.1, limits who sees it."""
    pvlib = pytest.importorskip("pvlib")
    pandas = pytest.importorskip("pandas")
    times = pandas.date_range("2026-06-01", "2026-06-30 23:59", freq="2min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(times, 46.5, -18.0)
    northernmost = float(sun[sun.apparent_elevation >= 1.0].azimuth.min())

    def camera(past_the_edge: float, pitch: float = 0.0) -> Camera:
        return replace(BASE, bearing_deg=northernmost - 20 - past_the_edge, pitch_deg=pitch, lens=Lens(1920, 1080, 40))

    assert glare(camera(12.0), 46.5, -18.0) is None
    inside = glare(camera(7.0), 46.5, -18.0)
    assert inside is not None and inside.hours_in_picture == 0 and inside.hours_near > 0
    assert glare(camera(-3.0), 46.5, -18.0).hours_in_picture > 0  # type: ignore[union-attr]
    half_up = Lens(1920, 1080, 40).vfov_deg / 2
    assert glare(camera(7.0, pitch=-half_up - 11.5), 46.5, -18.0) is None, "the low sun stands above the cone"
    assert glare(camera(7.0, pitch=-half_up - 6.0), 46.5, -18.0) is not None


def test_the_demo_plan_is_sound() -> None:
    site = read_plan(DEMO)
    bad = [p.sentence() for p in check_plan(site) if p.severity != "caution" and "fence" not in p.message]
    assert bad == []


def test_the_work_grows_as_the_cameras() -> None:
    """Ten times the cameras run at most twenty times the lines of code, whatever the clock says."""
    site = read_plan(DEMO)
    rng = random.Random(1)
    cameras = tuple(
        replace(
            c,
            camera=f"C{i}",
            serial=f"s{i}",
            bearing_deg=rng.uniform(0, 360),
            lens=replace(c.lens, hfov_deg=c.lens.hfov_deg * rng.uniform(0.9, 1)),
        )
        for i, c in ((i, site.cameras[i % len(site.cameras)]) for i in range(1_000))
    )

    def lines_run(several: tuple[Camera, ...]) -> int:
        lines = 0

        def count(frame: FrameType, event: str, what: object) -> object:
            nonlocal lines
            lines += event == "line"
            return count

        kept = sys.gettrace()
        sys.settrace(count)
        try:
            check_plan(replace(site, cameras=several))
        finally:
            sys.settrace(kept)
        return lines

    lines_run(cameras[:10])  # loads what is loaded once
    assert lines_run(cameras) < 20 * lines_run(cameras[:100])


def test_uncertainty_agrees_with_drawn_poses() -> None:
    """First-order propagation against 4,000 drawn poses."""
    sd = (1.0, 0.5, 0.8)
    camera = replace(BASE, targets=(Target("gate", 1, 12, 1.6, 125.0),))
    found = uncertainty(camera, Pose.of(camera), sd)
    rng = np.random.default_rng(0)
    poses = np.array([0, -15, 0]) + rng.normal(size=(4000, 3)) * sd
    drawn = [geometry(camera, Pose(*p)) for p in poses[:600]]
    rows = np.array([g.horizon_row_px for g in drawn if g.horizon_row_px is not None])
    columns = np.array([g.targets[0].column_px for g in drawn], dtype=float)
    near = np.array([g.nearest_ground_m for g in drawn], dtype=float)
    assert found.targets[0].column_px == pytest.approx(columns.std(), rel=0.1)
    assert found.nearest_ground_m == pytest.approx(near.std(), rel=0.1)
    assert found.horizon_row_px == pytest.approx(rows.std(), rel=0.12)
    density = under_poses(camera, poses)[1][:, 0]
    assert found.targets[0].px_per_m == pytest.approx(density.std(), rel=0.15)


def test_what_is_said_of_a_plan_does_not_hang_on_where_its_zero_lies() -> None:
    """A contradiction is one between things of the plan: the same site a kilometre off says the same, word for word."""
    wrong = (
        replace(BASE, bearing_deg=180), replace(BASE, bearing_deg=60), replace(BASE, pitch_deg=-60), replace(BASE, pitch_deg=15),
        replace(BASE, targets=(Target("face", 0, 2, 1.6, 250.0),), pitch_deg=-40),
        replace(BASE, targets=(Target("far", 3, 40, 1.6, 125.0), Target("near", -30, 1, 1.6, 125.0))),
    )  # fmt: skip
    for camera in wrong:
        moved = replace(
            camera, east_m=camera.east_m + 700.0, north_m=camera.north_m - 300.0,
            targets=tuple(replace(t, east_m=t.east_m + 700.0, north_m=t.north_m - 300.0) for t in camera.targets),
        )  # fmt: skip
        assert _said(moved) == _said(camera) != ""
    assert "It lies at bearing 0°" in _said(wrong[1]) and "(it lies at 0°)" in _said(wrong[0])
    assert "It lies at bearing 272°" in _said(wrong[5]) or "(it lies at 272°)" in _said(wrong[5])

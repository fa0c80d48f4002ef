"""Days as people write them, and names of cameras that are nearly right: what is taken, and what is said."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.plan.files import read_plan, read_plan_problems
from audit.plan.magnetic import declination_deg
from audit.plan.wording import _dates

HEADER = "camera,east_m,north_m,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,surveyed_on"


def plan(folder: Path, *days: str) -> Path:
    rows = [f'C{n},{n}0,0,3,20,-15,56,1920,1080,"{day}"' for n, day in enumerate(days, start=1)]
    path = folder / "plan.csv"
    path.write_text("\n".join((HEADER, *rows)) + "\n")
    return path


@pytest.mark.parametrize(
    ("days", "kept", "said"),
    [
        (("2026-06-16",), (date(2026, 6, 16),), None), (("16.6.2026",), (date(2026, 6, 16),), None), (("6.7.26",), (date(2026, 7, 6),), None),
        (("16 June 2026",), (date(2026, 6, 16),), None), (("June 16, 2026",), (date(2026, 6, 16),), None),
        (("16/06/2026",), (date(2026, 6, 16),), None), (("06/16/2026",), (date(2026, 6, 16),), None), (("06/06/2026",), (date(2026, 6, 6),), None),
        (("06/07/2026",), ("06/07/2026",), "is 06 July 2026 or 07 June 2026; it is kept as it is: write 2026-07-06 or 2026-06-07"),
        (("06/07/2026", "16/06/2026"), (date(2026, 7, 6), date(2026, 6, 16)), "is read with the day first, as other dates of the column"),
        (("06/07/2026", "06/16/2026"), (date(2026, 6, 7), date(2026, 6, 16)), "is read with the month first, as other dates of the column"),
        (("06/07/2026", "06/16/2026", "16/06/2026"), ("06/07/2026", date(2026, 6, 16), date(2026, 6, 16)), "is 06 July 2026 or 07 June"),
        (("30/02/2026",), ("30/02/2026",), "is not a date"), (("soon",), ("soon",), "is not a date"),
    ],
)  # fmt: skip
def test_a_day_is_read_where_it_can_only_be_one(tmp_path: Path, days: tuple[str, ...], kept: tuple[object, ...], said: str | None) -> None:
    site, problems = read_plan_problems(plan(tmp_path, *days))
    assert site is not None and len(site.cameras) == len(days), "a doubtful day keeps no camera waiting"
    assert [dict(c.extra)["surveyed_on"] for c in site.cameras] == [str(day) for day in kept]
    about = [p for p in problems if "surveyed_on" in (p.column or "")]
    assert [said in p.message for p in about] == ([] if said is None else [True]), [p.message for p in about]


@given(st.dates(date(1950, 1, 1), date(2090, 1, 1)))
@settings(max_examples=60)
def test_a_day_is_among_what_its_figures_can_mean(day: date) -> None:
    """Two readings only where both parts can be a month and differ; one with points, or with the year first."""
    slashes = _dates(f"{day:%d/%m/%Y}")
    assert day in slashes and day in _dates(f"{day:%m/%d/%Y}")
    assert len(slashes) == (2 if day.day <= 12 and day.day != day.month else 1)
    assert _dates(f"{day:%d.%m.%Y}") == _dates(f"{day:%Y-%m-%d}") == _dates(f"{day:%d %B %Y}") == [day]
    assert abs(slashes[0] - slashes[-1]) < timedelta(days=366)


@pytest.mark.parametrize(
    ("name", "said", "waits"),
    [
        ("TH-1O1", "'TH-1O1' is taken for the camera 'TH-101'.", False), ("th 101", "'th 101' is taken for the camera 'TH-101'.", False),
        ("TH-102", "no camera 'TH-102' is in the plan, so the target is left out. Did you mean 'TH-101'?", True),
        ("gate", "no camera 'gate' is in the plan, so the target is left out.", False),
    ],
)  # fmt: skip
def test_a_target_of_a_camera_that_is_nearly_there(tmp_path: Path, name: str, said: str, waits: bool) -> None:
    path = tmp_path / "plan.csv"
    path.write_text(f"{HEADER}\nTH-101,0,0,3,20,-15,56,1920,1080,\nZZ-9,30,0,3,20,-15,56,1920,1080,\n")
    (tmp_path / "plan.targets.csv").write_text(f"camera,target,east_m,north_m,up_m\n{name},door,4,8,1\n")
    site, problems = read_plan_problems(path)
    (about,) = [p for p in problems if p.file == "plan.targets.csv"]
    assert about.message == said and about.row == 2
    assert site is not None and ("TH-101" in {w.camera for w in site.waiting}) is waits, "it may be its own"
    assert "ZZ-9" in {c.camera for c in site.cameras}
    if about.severity == "caution":
        assert [t.name for t in read_plan(path).camera("TH-101").targets] == ["door"]


def test_a_header_of_two_rows_is_read_as_one(tmp_path: Path) -> None:
    """The upper row's word over two columns, and units alone in the lower one."""
    path = tmp_path / "plan.csv"
    path.write_text(
        "camera,position,,height,bearing,pitch,hfov,resolution\n,east m,north m,ft,deg,deg,deg,\nC1,1,2,10,20,-15,56,1920x1080\n"
    )
    camera = read_plan(path).camera("C1")
    assert (camera.east_m, camera.north_m, camera.lens.width_px) == (1, 2, 1920)
    assert camera.height_m == pytest.approx(10 * 0.3048)


def test_a_bearing_that_says_magnetic_is_turned_and_its_neighbour_is_not(tmp_path: Path) -> None:
    """Outside: the declination's own values are held to the model's published ones in tests/outside/test_declination.py."""
    header = HEADER.replace("east_m,north_m", "latitude,longitude")
    place = "47.4,8.5,3,{},-15,56,1920,1080,2026-06-16\n"
    path = tmp_path / "plan.csv"
    path.write_text(f"{header}\nC1,{place.format('45° magnetic')}C2,{place.format('45').replace('47.4', '47.401')}C3,{place.format('45° true').replace('47.4', '47.402')}")
    turned, plain, true = read_plan(path).cameras
    assert turned.bearing_deg - 45.0 == pytest.approx(declination_deg(47.4, 8.5, 0.0, 2026.46), abs=0.05)
    assert turned.bearing_deg > 47.0 and plain.bearing_deg == true.bearing_deg == 45.0


def test_targets_above_the_sea_count_from_the_ground_of_the_cameras(tmp_path: Path) -> None:
    """The zero of all heights is the first camera's ground, in the tables that come after it too."""
    path = tmp_path / "plan.csv"
    header = HEADER.replace("height_m", "height a.s.l. (m),ground a.s.l. (m)")
    path.write_text(f"{header}\nC1,0,0,405,402,20,-15,56,1920,1080,\nC2,9,0,407,403,20,-15,56,1920,1080,\n")
    (tmp_path / "plan.targets.csv").write_text(
        "camera,target,east_m,north_m,Height above sea level (m)\nC1,gate,4,8,403.5\nC2,door,4,8,403.5\n"
    )
    site = read_plan(path)
    assert [(c.height_m, c.ground_up_m, c.up_m) for c in site.cameras] == [(3, 0, 3), (4, 1, 5)]
    assert [t.up_m for c in site.cameras for t in c.targets] == [1.5, 1.5]


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("exchanged", [False, True])
def test_columns_that_fit_only_exchanged_are_asked_about_however_few_rows_tell(tmp_path: Path, count: int, exchanged: bool) -> None:
    """Each camera looks north at a target a hundred metres north of it; with the columns exchanged that would be east."""
    path = tmp_path / "plan.csv"
    header = HEADER.replace("east_m,north_m", "latitude,longitude") + ",target_latitude,target_longitude,target_up_m"
    rows = []
    for n in range(count):
        camera, target = (46.5, -18.0 + 0.0004 * n), (46.501, -18.0 + 0.0004 * n)
        place, aim = (f"{p[1]:.4f},{p[0]:.4f}" if exchanged else f"{p[0]:.4f},{p[1]:.4f}" for p in (camera, target))
        rows.append(f"C{n},{place},3,0,-15,56,1920,1080,,{aim},1.6")
    path.write_text("\n".join((header, *rows)) + "\n")
    found = [p for p in read_plan_problems(path)[1] if "exchanged" in (p.guess or "")]
    assert bool(found) is exchanged

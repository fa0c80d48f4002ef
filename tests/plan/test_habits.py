"""Plans as people write them: read right, right after the guesses are taken, or asked about; never misread in silence."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.plan.files import fix_plan, look_at_plan, read_plan_problems
from audit.plan.model import Site
from audit.plan.places import from_local
from tests.plan.habit_plans import FIELDS, TRUTH, Habit
from tests.plan.odder_plans import HABITS

TRUE = {row[0]: dict(zip(FIELDS, row, strict=True)) for row in TRUTH}


def _wrong(site: Site) -> list[str]:
    """Cameras that are not as they truly are, each with what differs."""
    wrong = []
    for camera in site.cameras:
        true = TRUE.get(camera.camera)
        if true is None:
            wrong.append(f"{camera.camera} is no camera of the site")
            continue
        read = {
            "height": camera.height_m, "bearing": camera.bearing_deg, "pitch": camera.pitch_deg,
            "hfov": camera.lens.hfov_deg, "width": camera.lens.width_px, "pixels_down": camera.lens.height_px,
            "form": camera.form, "surface": camera.surface, "setting": camera.setting,
        }  # fmt: skip
        if camera.form is None:
            read = {k: v for k, v in read.items() if k not in ("form", "surface", "setting")}
        if site.origin_latitude is not None and site.origin_longitude is not None:
            latitude, longitude = from_local(
                camera.east_m, camera.north_m, (site.origin_latitude, site.origin_longitude)
            )
            read |= {"latitude": latitude, "longitude": longitude}
        for name, value in read.items():
            near = 1e-6 if "itude" in name else 0.03 if name == "bearing" else 2e-5
            if isinstance(value, str) or value is None:
                same = value == true[name]
            elif name == "bearing":
                same = abs((value - true[name] + 180) % 360 - 180) < near
            else:
                same = abs(value - true[name]) < near
            if not same and not (site.origin_latitude is None and name in ("height", "hfov")):
                wrong.append(f"{camera.camera} {name}: {value} for {true[name]}")
    return wrong


@pytest.mark.parametrize("habit", HABITS, ids=lambda h: h.name)
def test_each_habit_is_read_or_asked_about(habit: Habit, tmp_path: Path) -> None:
    path = tmp_path / f"plan{habit.suffix}"
    habit.write(path)
    site, problems = look_at_plan(path)
    said = [p.sentence() for p in problems]
    assert site is not None, said
    names = {c.camera for c in site.cameras}
    if habit.end == "alike":
        assert any("KA-O1" in text and "KA-01" in text for text in said)
        return
    if habit.name != "metres or kilometres":
        assert not _wrong(site), said
    if habit.end == "read":
        assert names == set(TRUE) and not site.waiting, (said, [w.reasons for w in site.waiting])
        assert not [p for p in problems if p.severity == "error"], said
        assert len(problems) <= 8, said
        return
    assert site.waiting and all(w.reasons for w in site.waiting)
    assert any(p.cell for p in problems if p.severity in ("error", "warning")), said
    out = tmp_path / f"fixed{habit.suffix}"
    fix_plan(path, out)
    fixed, left = read_plan_problems(out)
    if habit.end == "fix":
        assert fixed is not None and not fixed.waiting, [p.sentence() for p in left]
        assert {c.camera for c in fixed.cameras} == set(TRUE) and not _wrong(fixed)
        assert not left, [p.sentence() for p in left]
        return
    assert {w.camera.split(" ")[0] for w in site.waiting} == set(habit.waits), said
    for cell in habit.cells:
        assert any(p.cell == cell for p in problems), (cell, said)
    if fixed is not None:
        assert {w.camera for w in fixed.waiting} == {w.camera for w in site.waiting}


def test_there_are_sixty_and_more() -> None:
    assert len(HABITS) >= 60 and sum(h.end in ("read", "fix") for h in HABITS) >= 40


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".geojson"])
def test_what_waits_still_waits_after_a_round_trip(suffix: str, tmp_path: Path) -> None:
    habit = next(h for h in HABITS if h.name == "a height to be confirmed")
    habit.write(tmp_path / "plan.csv")
    fix_plan(tmp_path / "plan.csv", tmp_path / f"one{suffix}")
    site, _ = look_at_plan(tmp_path / f"one{suffix}")
    assert site is not None and [w.camera for w in site.waiting] == ["KA-03"]
    assert dict(site.waiting[0].cells)["height_m"] == "tbc" and "E4" in site.waiting[0].reasons[-1]


_SIGNS = st.sampled_from([("{}", ","), ("{}", ";"), ("{}", "\t"), ("comma", ";")])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.5, 20).map(lambda v: round(v, 3)), st.floats(0, 359.9).map(lambda v: round(v, 1)),
            st.floats(-80, -2).map(lambda v: round(v, 2)), st.floats(20, 120).map(lambda v: round(v, 2)),
        ),
        min_size=1, max_size=6,
    ),
    _SIGNS,
    st.sampled_from(["height_m", "Height (ft)", "Montagehöhe [cm]", "Hauteur de pose (mm)", "Altura"]),
    st.sampled_from(["pitch_deg", "Tilt down", "Neigung nach unten (gon)"]),
    st.sampled_from(["bearing_deg", "Azimut (gon)", "Blickrichtung"]),
)  # fmt: skip
def test_any_numbers_in_any_of_these_habits_are_read_or_wait(
    tmp_path_factory: pytest.TempPathFactory,
    values: list[tuple[float, float, float, float]],
    signs: tuple[str, str],
    height: str,
    pitch: str,
    bearing: str,
) -> None:
    """What is read is right to the last digit that was written; what is not read says so."""
    per = {
        "height_m": 1.0,
        "Height (ft)": 0.3048,
        "Montagehöhe [cm]": 0.01,
        "Hauteur de pose (mm)": 0.001,
        "Altura": 1.0,
    }[height]
    turn = 0.9 if "gon" in bearing else 1.0
    tip = {"pitch_deg": 1.0, "Tilt down": -1.0, "Neigung nach unten (gon)": -0.9}[pitch]

    def text(value: float) -> str:
        return repr(value).replace(".", ",") if signs[0] == "comma" else repr(value)

    lines = [
        signs[1].join(
            ("camera", "east_m", "north_m", height, bearing, pitch, "hfov_deg", "image_width_px", "image_height_px")
        )
    ]
    for i, (h, b, p, f) in enumerate(values):
        lines.append(
            signs[1].join(
                (f"P{i + 2}", str(i), "4", text(h / per), text(b / turn), text(p / tip), text(f), "1920", "1080")
            )
        )
    path = tmp_path_factory.mktemp("any") / "plan.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    site, problems = look_at_plan(path)
    assert site is not None
    for camera in site.cameras:
        h, b, p, f = values[int(camera.camera[1:]) - 2]
        assert camera.height_m == pytest.approx(h, abs=1e-6) and camera.lens.hfov_deg == f
        assert camera.bearing_deg == pytest.approx(b, abs=1e-6) and camera.pitch_deg == pytest.approx(p, abs=1e-6)
    assert len(site.cameras) + len(site.waiting) == len(values)
    assert bool(site.waiting) == any(q.severity == "error" for q in problems)


def test_an_odd_value_that_was_checked_stands(tmp_path: Path) -> None:
    """``as_written`` is how a person says that a value is right."""
    habit = next(h for h in HABITS if h.name == "tilt written positive")
    habit.write(tmp_path / "plan.csv")
    lines = (tmp_path / "plan.csv").read_text(encoding="utf-8").splitlines()
    text = "\n".join([lines[0] + ",as_written", *[line + ",pitch_deg" for line in lines[1:]]])
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    site, problems = look_at_plan(tmp_path / "plan.csv")
    assert site is not None and not site.waiting and not problems
    assert [c.pitch_deg for c in site.cameras] == [-row[6] for row in TRUTH]

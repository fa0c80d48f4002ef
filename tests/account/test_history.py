"""When the glass wants cleaning, and which shots are missing."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from audit.account.drawing import Seen, Sheet, site_svg, size_of
from audit.account.history import cleaning_due
from audit.account.worklist import lacking_shots, missing_work, open_work
from audit.plan.model import Landmark, Target
from tests.desk_samples import HOSTILE_NAME, judged_logbook

START = date(2026, 6, 16)


def row(days: float, ratio: float, sd: float = 0.02) -> dict[str, object]:
    on = START + timedelta(days=days)
    return {"kind": "contrast", "on": on.isoformat(), "since": START.isoformat(), "value": ratio, "sd": sd}


def test_cleaning_day_of_a_steady_loss() -> None:
    due = cleaning_due([row(100, 0.9), row(200, 0.8)], START, 0.75)
    assert due.on == START + timedelta(days=250)
    assert due.earliest < due.on < due.latest


def test_interval_holds_the_truth() -> None:
    """Over drawn losses of known slope the 95 % interval holds the true day about as often as it says."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(300):
        rows = [row(d, 1 - 0.001 * d + rng.normal(0, 0.02)) for d in (90, 180, 270)]
        due = cleaning_due(rows, START, 0.75)
        truth = START + timedelta(days=250)
        held += due.earliest is not None and due.earliest <= truth and (due.latest is None or truth <= due.latest)
    assert held >= 0.9 * 300


@pytest.mark.parametrize("rows", [[], [row(100, 0.9)], [row(100, 1.01), row(200, 1.02)]])
def test_no_day_without_a_loss_that_shows(rows: list[dict[str, object]]) -> None:
    due = cleaning_due(rows, START, 0.75)
    assert due.on is None and due.note


def test_shots_that_make_no_sense_are_not_asked_for(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, cameras=4, visits=1)
    camera = book.site().cameras[0]
    assert lacking_shots(camera, {"label"}, True, False) == ("wide view", "bracket", "night snapshot")
    assert lacking_shots(camera, (), True, False, "maintenance") == ("night snapshot",)
    assert "night snapshot" not in lacking_shots(replace(camera, night="none"), (), True, False)
    assert dict(missing_work(book, book.visit(1)))["C-1"][:2] == ("wide view", "bracket")
    work = open_work(book, book.visit(1))
    assert [w["camera"] for w in work] == ["C-1", "C-1", "C-2 / C-3", "C-4"]
    book.decide(1, "C-4", "cleanliness", "tolerate", "Ada", "known")
    assert len(open_work(book, book.visit(1))) == 3


def test_drawing_shows_each_state_by_shape_and_escapes_names(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, cameras=4, visits=1)
    site = book.site()
    words = {"title": "t", "north": "N", "camera": "{camera} {name}, {state}"}
    states = dict(zip((c.camera for c in site.cameras), ("defect", "to check", "not verified", "as planned"), strict=True))
    svg = site_svg(site, states, {"C-1": Seen(4.0, -7.0)}, Sheet(""), words)
    assert HOSTILE_NAME not in svg and "&lt;script&gt;" in svg
    shapes = [part.split("</title>")[1].split("/>")[0] for part in svg.split("data-camera")[1:]]
    plain = {s.split(" ")[0] + str(s.count("L")) + ("#ffffff" if "#ffffff" in s else "") for s in shapes}
    assert len(plain) == 4


def test_cameras_of_one_mast_stand_side_by_side_worst_on_top(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, cameras=3, visits=1)
    one, two, three = book.site().cameras
    moved = (replace(one, floor=""), replace(two, east_m=one.east_m, north_m=one.north_m, floor=""), replace(three, east_m=40.0, floor=""))
    site = replace(book.site(), cameras=moved, _index={})
    svg = site_svg(site, {"C-2": "defect", "C-1": "as planned"}, {}, Sheet(""), {"title": "t", "north": "N", "camera": "{camera}"})
    groups = {name: svg.split(f'data-camera="{name}"')[1].split("</g>")[0] for name in ("C-1", "C-2", "C-3")}
    circle = re.search(r'cy="([\d.]+)"', groups["C-1"])
    tip = re.search(r'd="M[\d.]+,([\d.]+)', groups["C-2"])
    assert circle is not None and tip is not None
    assert float(circle[1]) - (float(tip[1]) + 9) == pytest.approx(19.0, abs=0.2)


def test_blind_ground_targets_and_landmarks_are_drawn(tmp_path: Path) -> None:
    """Straight ahead the blind ground ends where the picture's lower edge meets it: height / tan(tilt + half the high angle)."""
    book = judged_logbook(tmp_path, cameras=1, visits=1)
    one = replace(book.site().cameras[0], east_m=0.0, north_m=0.0, floor="", bearing_deg=0.0, pitch_deg=-40.0, height_m=1.0)
    far = replace(one, camera="C-9", east_m=100.0, north_m=100.0)
    marks = (Landmark("post <3>", 50.0, 50.0, 0.0),)
    site = replace(book.site(), cameras=(replace(one, targets=(Target("gate", 40.0, 50.0, 0.0),)), far), landmarks=marks, _index={})
    sheet = Sheet("")
    svg = site_svg(site, {}, {}, sheet, {"title": "t", "north": "N", "camera": "{camera}"})
    assert "post &lt;3&gt;" in svg and "<title>gate</title>" in svg
    shape = re.search(r'<path d="M([^"]+)Z" fill="#5f616b"', svg)
    assert shape is not None
    points = [tuple(map(float, p.split(","))) for p in shape[1].split("L")]
    metres_per_px = size_of(site, sheet).width_m / size_of(site, sheet).width_px
    middle = points[1:][len(points[1:]) // 2]
    ahead = (points[0][1] - middle[1]) * metres_per_px
    assert ahead == pytest.approx(1.0 / math.tan(math.radians(40.0 + one.lens.vfov_deg / 2)), abs=0.03)


def test_labels_of_cameras_on_one_pole_do_not_overlap(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, cameras=3, visits=1)
    one = book.site().cameras[0]
    site = replace(book.site(), cameras=tuple(replace(one, camera=f"TH-{n}") for n in range(6)), _index={})
    svg = site_svg(site, {}, {}, Sheet(""), {"title": "t", "north": "N", "camera": "{camera}"})
    places = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>TH-', svg)
    rows = sorted(float(y) for x, y in places if x == places[0][0])
    assert len(set(places)) == len(rows) == 6
    assert min(b - a for a, b in pairwise(rows)) >= 13

"""Landmarks of a plan: in and out in all three kinds of file, and bad rows named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from audit.plan.files import read_plan, read_plan_problems, write_plan
from audit.plan.model import Landmark

CAMERAS = (
    "camera,east_m,north_m,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,position_sd_m,"
    "origin_latitude,origin_longitude\nC1,0,0,3,20,-15,56,1920,1080,0.1,48.2,16.4\n"
)
LANDMARKS = "landmark,east_m,north_m,up_m,position_sd_m,floor,colour\nmast,12,30.5,0,0.05,,red\nmanhole,4,9,,,EG,\n"
EXPECTED = (
    Landmark("mast", 12, 30.5, 0, 0.05, "", (("colour", "red"),)),
    Landmark("manhole", 4, 9, None, None, "EG"),
)


def _plan(folder: Path, landmarks: str) -> Path:
    path = folder / "plan.csv"
    path.write_text(CAMERAS, encoding="utf-8")
    (folder / "plan.landmarks.csv").write_text(landmarks, encoding="utf-8")
    return path


def test_landmarks_are_read_beside_the_plan(tmp_path: Path) -> None:
    site = read_plan(_plan(tmp_path, LANDMARKS))
    assert site.landmarks == EXPECTED
    assert site.camera("C1").position_sd_m == 0.1


@pytest.mark.parametrize("name", ["again.csv", "again.xlsx", "again.geojson"])
def test_they_come_back_from_every_kind_of_file(tmp_path: Path, name: str) -> None:
    site = read_plan(_plan(tmp_path, LANDMARKS))
    write_plan(site, tmp_path / name)
    again = read_plan(tmp_path / name)
    assert [(m.landmark, m.up_m, m.position_sd_m, m.floor, m.extra) for m in again.landmarks] == [
        (m.landmark, m.up_m, m.position_sd_m, m.floor, m.extra) for m in EXPECTED
    ]
    assert [m.east_m for m in again.landmarks] == pytest.approx([12, 4], abs=1e-6)
    assert again.camera("C1").position_sd_m == 0.1


def test_a_point_with_a_landmark_s_name_is_one(tmp_path: Path) -> None:
    site = read_plan(_plan(tmp_path, LANDMARKS))
    write_plan(site, tmp_path / "plan.geojson")
    document = json.loads((tmp_path / "plan.geojson").read_text(encoding="utf-8"))
    for feature in document["features"]:
        del feature["properties"]["feature"]
    (tmp_path / "plan.geojson").write_text(json.dumps(document), encoding="utf-8")
    assert len(read_plan(tmp_path / "plan.geojson").landmarks) == 2


@pytest.mark.parametrize(
    "landmarks, words",
    [
        ("landmark,east_m,north_m,up_m\nmast,twelve,3,0\n", "B2, column east_m: 'twelve' is not a number"),
        ("landmark,east_m,north_m,up_m\nmast,,,0\n", "the landmark has no position"),
        ("landmark,east_m,north_m,up_m\n,1,3,0\n", "the landmark has no name"),
        ("landmark,east_m,north_m,up_m\nmast,1,3,0\nmast,2,3,0\n", "the landmark 'mast' stands there twice"),
        ("landmark,east_m,north_m,up_m,position_sd_m\nmast,1,3,0,-1\n", "'-1' is not a number from 0 to 100 m"),
        ("landmark,up_m\nmast,1\n", "the column east_m + north_m or latitude + longitude is missing"),
        ("name,east_m,north_m\nmast,1,2\n", "no header row with a column 'landmark'"),
    ],
)
def test_a_bad_row_is_named(tmp_path: Path, landmarks: str, words: str) -> None:
    site, problems = read_plan_problems(_plan(tmp_path, landmarks))
    said = " ".join(p.sentence() for p in problems if p.severity == "error")
    assert site is not None and "plan.landmarks.csv" in said and words in said

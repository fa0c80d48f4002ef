"""The demo site's pictures agree with its plan, its truth and what the awkward files are meant to be."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest
from PIL import ExifTags, Image, ImageFile

FOLDER = Path(__file__).parents[2] / "sample_images"
VISITS = ("commissioning", "maintenance")


@pytest.fixture(scope="module")
def plan() -> dict[str, dict[str, str]]:
    with (FOLDER / "plan.csv").open(newline="", encoding="utf-8") as file:
        return {row["camera"]: row for row in csv.DictReader(file)}


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))["visits"]


def photos(truth: dict[str, Any], visit: str, **wanted: object) -> list[dict[str, Any]]:
    return [p for p in truth[visit]["photos"] if all(p.get(k) == v for k, v in wanted.items())]


def exif_of(path: Path) -> tuple[Image.Exif, dict[int, Any], dict[int, Any]]:
    with Image.open(path) as image:
        exif = image.getexif()
        return exif, exif.get_ifd(ExifTags.IFD.Exif), exif.get_ifd(ExifTags.IFD.GPSInfo)


def test_plan_has_24_cameras_with_unique_serials(plan: dict[str, dict[str, str]]) -> None:
    assert len(plan) == 24
    assert len({row["serial"] for row in plan.values()}) == 24


def test_planned_pixel_density_meets_need_in_closed_form(plan: dict[str, dict[str, str]]) -> None:
    """IEC 62676-4:2014 levels in pixels per metre: detect 25, observe 62.5, recognise 125, identify 250.

    Pinhole: f over the depth along the axis; equidistant lens looking down: f times the angle from the axis over the
    ground distance (across); both follow from the projections' definitions.
    """
    need = {"detect": 25.0, "observe": 62.5, "recognise": 125.0, "identify": 250.0}
    for row in plan.values():
        east, north = float(row["target_east_m"]) - float(row["east_m"]), float(row["target_north_m"]) - float(row["north_m"])
        distance, rise = math.hypot(east, north), float(row["target_up_m"]) - float(row["height_m"])
        bearing, pitch, hfov = (math.radians(float(row[k])) for k in ("bearing_deg", "pitch_deg", "hfov_deg"))
        width = int(row["image_width_px"])
        if row["projection"] == "rectilinear":
            ahead = east * math.sin(bearing) + north * math.cos(bearing)
            density = width / 2 / math.tan(hfov / 2) / (ahead * math.cos(pitch) + rise * math.sin(pitch))
        elif row["pitch_deg"] == "-90":
            density = width / hfov * math.atan2(distance, -rise) / distance
        else:
            density = width / hfov / math.hypot(distance, rise)
        assert float(row["required_px_per_m"]) == need[row["purpose"]]
        assert density >= need[row["purpose"]], row["camera"]


def test_every_file_of_the_truth_is_there_and_no_other(truth: dict[str, Any]) -> None:
    for visit in VISITS:
        told = {p["photo"] for p in truth[visit]["photos"]}
        there = {str(p.relative_to(FOLDER / visit)) for p in (FOLDER / visit).rglob("*") if p.is_file()}
        assert told == there


def test_snapshots_have_the_planned_size(plan: dict[str, dict[str, str]], truth: dict[str, Any]) -> None:
    for visit in VISITS:
        for photo in photos(truth, visit, role="snapshot"):
            row = plan[photo["shows_view_of"]]
            with Image.open(FOLDER / visit / photo["photo"]) as image:
                assert image.size == (int(row["image_width_px"]), int(row["image_height_px"])), photo["photo"]


def test_each_camera_has_day_and_night_but_one(plan: dict[str, dict[str, str]], truth: dict[str, Any]) -> None:
    for visit in VISITS:
        snapshots = photos(truth, visit, role="snapshot")
        assert {p["camera"] for p in snapshots if p["part"].startswith("day")} == set(plan)
        missing = set(plan) - {p["camera"] for p in snapshots if p["part"] == "night"}
        assert missing == ({"TH-23"} if visit == "commissioning" else set())


def test_ten_faults_and_seven_decoys(truth: dict[str, Any]) -> None:
    cameras = [c for visit in VISITS for c in truth[visit]["cameras"].values()]
    assert {c["fault"] for c in cameras} - {None} == {f"F{k}" for k in range(1, 11)}
    assert {c["decoy"] for c in cameras} - {None} == {f"D{k}" for k in range(1, 8)}
    first, second = (truth[v]["cameras"] for v in VISITS)
    assert first["TH-18"]["pitch_deg"] == -7.0 and first["TH-11"]["roll_deg"] == 6.0 and first["TH-17"]["pitch_deg"] == 0.0
    assert second["TH-16"]["bearing_deg"] - first["TH-16"]["bearing_deg"] == pytest.approx(4.0)
    assert second["TH-16"]["pitch_deg"] - first["TH-16"]["pitch_deg"] == pytest.approx(2.0)
    assert {c for c, t in second.items() if t["fault"]} == {"TH-16", "TH-20"}


def test_snapshot_of_a_swapped_camera_carries_the_serial_of_its_record(truth: dict[str, Any]) -> None:
    for camera, other in (("TH-07", "TH-08"), ("TH-08", "TH-07")):
        photo = photos(truth, "commissioning", role="snapshot", camera=camera, part="day")[0]
        _, exif, _ = exif_of(FOLDER / "commissioning" / photo["photo"])
        assert exif[ExifTags.Base.BodySerialNumber] == photo["serial"] == f"TH{int(camera[3:]):04d}"
        assert photo["shows_view_of"] == other


def test_orientation_6(truth: dict[str, Any]) -> None:
    photo = photos(truth, "commissioning", role="overview", camera="TH-02")[0]
    exif, _, _ = exif_of(FOLDER / "commissioning" / photo["photo"])
    assert exif[ExifTags.Base.Orientation] == 6


def test_magnetic_direction_is_310_true_with_the_declination_of_june_2026(truth: dict[str, Any]) -> None:
    """Declination -4.66 degrees at 46.5 N 18 W, mid-June 2026: World Magnetic Model WMM2025."""
    photo = photos(truth, "commissioning", role="overview", camera="TH-10")[0]
    _, _, gps = exif_of(FOLDER / "commissioning" / photo["photo"])
    assert gps[ExifTags.GPS.GPSImgDirectionRef] == "M"
    assert float(gps[ExifTags.GPS.GPSImgDirection]) - 4.66 == pytest.approx(310.0, abs=0.005)


def test_no_position_indoors_and_none_in_the_chat_copy(truth: dict[str, Any]) -> None:
    for photo in photos(truth, "commissioning", camera="TH-14"):
        if photo["role"] != "snapshot":
            assert not exif_of(FOLDER / "commissioning" / photo["photo"])[2]
    chat = photos(truth, "commissioning", camera="TH-22", role="overview")[0]
    assert len(exif_of(FOLDER / "commissioning" / chat["photo"])[0]) == 0


def test_second_phone_is_an_hour_fast_against_satellite_time(truth: dict[str, Any]) -> None:
    photo = photos(truth, "commissioning", camera="TH-16", role="overview")[0]
    _, exif, gps = exif_of(FOLDER / "commissioning" / photo["photo"])
    hour = int(exif[ExifTags.Base.DateTimeOriginal][11:13])
    assert exif[ExifTags.Base.OffsetTimeOriginal] == "+00:00"
    assert hour - int(gps[ExifTags.GPS.GPSTimeStamp][0]) == 1


def test_formats(truth: dict[str, Any]) -> None:
    heic = [p["photo"] for p in truth["commissioning"]["photos"] if p["photo"].endswith(".HEIC")]
    heads = {(FOLDER / "commissioning" / p).read_bytes()[:12][4:8] == b"ftyp" for p in heic}
    assert len(heic) == 2 and heads == {True, False}
    refused = photos(truth, "commissioning", expected="refused")
    assert len(refused) == 1
    strict = ImageFile.LOAD_TRUNCATED_IMAGES
    assert strict is False
    with Image.open(FOLDER / "commissioning" / refused[0]["photo"]) as image, pytest.raises(OSError):
        image.load()
    assert len(photos(truth, "commissioning", role="stray")) == 1


def test_folder_is_small_enough_for_git() -> None:
    total = sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    assert total <= 30_000_000

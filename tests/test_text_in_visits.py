"""Photos that say nothing of themselves are placed by the label that is printed in them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tests.conftest import PLAN_HEADER, Ran
from tests.match.test_reading import label
from tests.measure.test_burned_in import burnt, scene

Audit = Callable[..., Ran]


def stripped(path: Path, pixels: np.ndarray) -> None:
    """A picture as a messenger sends it: pixels alone, under a name that tells nothing."""
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert done
    path.write_bytes(bytes(data.tobytes()))


def test_a_stripped_label_photo_is_placed_once_and_kept(tmp_path: Path, audit: Audit) -> None:
    plan = tmp_path / "plan.csv"
    rows = [f"TH-{k:02d},gate {k},46.5,8.{k},3,0,-15,60,1920,1080,bullet,wall,outdoor,,SN44711{k:02d},none,,,," for k in range(1, 6)]
    plan.write_text("\n".join((PLAN_HEADER, *rows)) + "\n", encoding="utf-8")
    photos = tmp_path / "photos"
    photos.mkdir()
    stripped(photos / "a.jpg", label("SN4471103"))
    stripped(photos / "b.jpg", label("TH-04"))
    stripped(photos / "c.jpg", label("SN9999999"))
    lines = {line["photo"]: line for line in audit("match", plan, photos, "--json").lines}
    assert (lines["a.jpg"]["camera"], lines["b.jpg"]["camera"], lines["c.jpg"]["camera"]) == ("TH-03", "TH-04", None)
    assert lines["a.jpg"]["role"] == "label" and any("SN4471103" in why for why in lines["a.jpg"]["evidence"])
    assert audit("start", tmp_path / "logbook", "--plan", plan).code == 0
    visit = ("visit", tmp_path / "logbook", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")
    found = {line["camera"]: line["photos"] for line in audit(*visit).lines}
    assert found["TH-03"] == ["a.jpg"] and found["TH-04"] == ["b.jpg"]
    assert {line["camera"]: line["photos"] for line in audit(*visit).lines} == found


def plan_of(folder: Path, count: int) -> Path:
    plan = folder / "plan.csv"
    rows = [f"TH-{k:02d},gate {k},46.5,8.{k},3,0,{-6 * k},60,1280,720,bullet,wall,outdoor,,SN44711{k:02d},none,,,," for k in range(1, count + 1)]
    plan.write_text("\n".join((PLAN_HEADER, *rows)) + "\n", encoding="utf-8")
    return plan


def test_a_snapshot_that_says_nothing_is_placed_by_its_burnt_in_name(tmp_path: Path, audit: Audit) -> None:
    plan, photos = plan_of(tmp_path, 4), tmp_path / "photos"
    photos.mkdir()
    stripped(photos / "1.jpg", burnt(scene(), ("2026-06-16 10:00:05", True, True), ("TH-03 gate 3", False, False)))
    stripped(photos / "2.jpg", burnt(scene("rocket"), ("2026-06-16 10:00:09", True, True), ("gate 2", False, True)))
    stripped(photos / "3.jpg", burnt(scene("astronaut"), ("2026-06-16 10:00:09", True, True)))
    lines = {line["photo"]: line for line in audit("match", plan, photos, "--json").lines}
    assert [lines[f"{k}.jpg"]["camera"] for k in (1, 2, 3)] == ["TH-03", "TH-02", None]
    assert lines["1.jpg"]["role"] == "snapshot" and "camera TH-03 burnt into the picture" in lines["1.jpg"]["evidence"]
    assert audit("start", tmp_path / "logbook", "--plan", plan).code == 0
    visit = ("visit", tmp_path / "logbook", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")
    found = {line["camera"]: line for line in audit(*visit).lines}
    assert found["TH-03"]["photos"] == ["1.jpg"] and found["TH-02"]["photos"] == ["2.jpg"]
    checks = {f["check"]: f for f in found["TH-03"]["findings"]}
    assert checks["name"]["state"] == "as planned" and checks["clock"]["state"] == "not verified"
    assert {f["check"] for f in found["TH-01"]["findings"]}.isdisjoint({"name", "clock"})
    assert {line["camera"]: line["photos"] for line in audit(*visit).lines} == {c: line["photos"] for c, line in found.items()}


def test_names_crosswise_in_the_pictures_are_an_exchange_with_certainty(tmp_path: Path, audit: Audit) -> None:
    plan, photos = plan_of(tmp_path, 4), tmp_path / "photos"
    photos.mkdir()
    for filed, shown in ((1, 2), (2, 1), (3, 3)):
        picture = burnt(scene(), ("2026-06-16 10:00:05", True, True), (f"TH-{shown:02d}", False, False))
        stripped(photos / f"TH-{filed:02d}_snapshot.jpg", picture)
    assert audit("start", tmp_path / "logbook", "--plan", plan).code == 0
    visit = ("visit", tmp_path / "logbook", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")
    found = {line["camera"]: {f["check"]: f for f in line["findings"]} for line in audit(*visit).lines}
    for camera, other in (("TH-01", "TH-02"), ("TH-02", "TH-01")):
        assert found[camera]["name"]["state"] == "defect" and f"name of {other}" in found[camera]["name"]["why"]
        assert found[camera]["identity"]["state"] == "defect" and "are swapped" in found[camera]["identity"]["why"]
    assert found["TH-03"]["name"]["state"] == "as planned" and "identity" not in found["TH-03"]

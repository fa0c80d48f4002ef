"""Photos that say nothing of themselves are placed by the label that is printed in them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tests.conftest import PLAN_HEADER, Ran
from tests.match.test_reading import label

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

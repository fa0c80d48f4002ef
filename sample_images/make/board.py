"""The demo's one picture with a board: TH-01's day snapshot with the carried A4 board held at its target.

    python board.py [SAMPLE_IMAGES_FOLDER]        (in the project's own environment, from the project's folder)

The board is drawn into the finished picture where the demo's truth puts the target, at true scale, facing the camera, and
softened and noised as the picture around it is.
"""

from __future__ import annotations

import io
import json
import sys
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import piexif

sys.path.insert(0, str(Path(__file__).parents[2]))

from audit.frames import camera_from_world
from audit.measure.board import MARKER_SIDE_M, marker_picture, site_board_number
from audit.plan.files import read_plan

CAMERA = "TH-01"
_FINER = 6


def main() -> None:
    """Write the picture and its entry in truth.json."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent
    camera = read_plan(folder / "plan.csv").camera(CAMERA)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    visit = truth["visits"]["commissioning"]
    shots = [p for p in visit["photos"] if p["camera"] == CAMERA and p["role"] == "snapshot" and p.get("awkward") != "board"]
    day = next(p for p in shots if p["part"] == "day")
    picture = cv2.imread(str(folder / "commissioning" / day["photo"]))
    facts = visit["cameras"][CAMERA]
    rotation = camera_from_world(facts["bearing_deg"], facts["pitch_deg"], facts["roll_deg"])
    target = camera.targets[0]
    middle = rotation @ np.array([target.east_m - camera.east_m, target.north_m - camera.north_m, target.up_m - camera.up_m])
    drawn = _drawn(picture, camera.lens, middle)
    moment = datetime.fromisoformat(day["taken_at"]) + timedelta(minutes=3)
    name = f"snapshots/{CAMERA}_{moment:%Y%m%d-%H%M%S}_day.jpg"
    (folder / "commissioning" / name).write_bytes(_stored(drawn, folder / "commissioning" / day["photo"], moment))
    entry = {**day, "photo": name, "taken_at": moment.isoformat(), "awkward": "board"}
    visit["photos"] = [p for p in visit["photos"] if p.get("awkward") != "board"]
    visit["photos"].insert(visit["photos"].index(day) + 1, entry)
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _drawn(picture, lens, middle):
    marker = marker_picture(site_board_number("A4"))
    rim = marker.shape[0] // 10
    paper = np.pad(marker, rim, constant_values=255)
    away = middle / np.linalg.norm(middle)
    right = np.cross([0.0, 1.0, 0.0], away)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(away, right)])
    half = MARKER_SIDE_M["A4"] / 2
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]]) @ axes + middle
    low, high = rim - 0.5, rim + marker.shape[0] - 0.5
    here = np.array([[low, low], [high, low], [high, high], [low, high]], np.float32)
    warp = cv2.getPerspectiveTransform(here, ((lens.project(corners) + 0.5) * _FINER - 0.5).astype(np.float32))
    height, width = picture.shape[:2]
    size = width * _FINER, height * _FINER
    cover = cv2.resize(cv2.warpPerspective(np.ones_like(paper, np.float32), warp, size), (width, height), interpolation=cv2.INTER_AREA)
    ink = cv2.resize(cv2.warpPerspective(paper, warp, size).astype(np.float32), (width, height), interpolation=cv2.INTER_AREA)
    soft = [cv2.GaussianBlur(x, (0, 0), 0.7)[..., None] for x in (cover, ink)]
    noise = np.random.default_rng(12).normal(0, 2.0, picture.shape)
    lit = 18 * soft[0] + soft[1] * (205 - 18) / 255 + soft[0] * noise
    return np.clip(picture * (1 - soft[0]) + lit, 0, 255).astype(np.uint8)


def _stored(picture, like: Path, moment: datetime) -> bytes:
    tags = piexif.load(str(like))
    clock = moment.strftime("%Y:%m:%d %H:%M:%S").encode()
    tags["0th"][piexif.ImageIFD.DateTime] = tags["Exif"][piexif.ExifIFD.DateTimeOriginal] = clock
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 80, cv2.IMWRITE_JPEG_OPTIMIZE, 1])
    out = io.BytesIO()
    piexif.insert(piexif.dump(tags), data.tobytes(), out)
    return out.getvalue()


if __name__ == "__main__":
    main()

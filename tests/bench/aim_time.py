"""Aiming: from a picture's bytes to the answer, at 1080p and 4 MP; how far the tilt that is shown while the camera is followed
is off what is shown once it stands still there and was measured, off what the same picture measures by itself, and off the
truth; and how far each turn is off the true one, as followed and as single measures would tell it.

Views with a narrower angle are cut, turned, out of the demo's pictures, so that no edge of the picture is seen:
``python -m tests.bench.aim_time --pictures 80``. The fetch itself, some hundredths of a second on a site's network, is left out.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from audit.account.pictures import decode_picture
from audit.demo import sample_folder
from audit.frames import camera_from_world, pose_from_rotation
from audit.judge.limits import load_limits, planned_lens
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.photos.intake import open_photo
from audit.plan.files import read_plan
from audit.plan.model import Camera
from audit.visit.aim import Aimed, Aimer

SIZES = {"1080p": (1920, 1080), "4 MP": (2560, 1440)}
CAMERAS = ("TH-01", "TH-04", "TH-08", "TH-11")
_SHARE = 0.72
_TOLD = {
    "stood": "shown off itself once it stands", "alone": "off the same picture's single measure", "true": "off the truth",
    "alone true": "(single measures off the truth)", "turn": "turns off the true ones", "alone turn": "(turns of single measures)",
}  # fmt: skip


def focal_px(width: int, hfov_deg: float) -> float:
    """Focal length of a rectilinear lens."""
    return width / 2 / np.tan(np.radians(hfov_deg) / 2)


def turn(right_deg: float, up_deg: float) -> np.ndarray:
    """From the turned camera's axes (right, down, forward) to those before the turn."""
    yaw, pitch = np.radians(right_deg), np.radians(up_deg)
    about_up = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_right = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    return about_up @ about_right


def true_pitch_deg(pitch_deg: float, roll_deg: float, right_deg: float, up_deg: float) -> float:
    """Pitch of the turned camera, from the pose of the picture that was cut."""
    return float(pose_from_rotation(turn(right_deg, up_deg).T @ camera_from_world(0.0, pitch_deg, roll_deg))[1])


def view(picture: np.ndarray, hfov_deg: float, size: tuple[int, int], right_deg: float, up_deg: float) -> np.ndarray:
    """The view of a narrower camera at the same place, turned about its lens."""
    wide, high = picture.shape[1], picture.shape[0]
    outer = np.array([[focal_px(wide, hfov_deg), 0, (wide - 1) / 2], [0, focal_px(wide, hfov_deg), (high - 1) / 2], [0, 0, 1]])
    inner_f = focal_px(size[0], _SHARE * hfov_deg)
    inner = np.array([[inner_f, 0, (size[0] - 1) / 2], [0, inner_f, (size[1] - 1) / 2], [0, 0, 1]])
    there = outer @ turn(right_deg, up_deg) @ np.linalg.inv(inner)
    return cv2.warpPerspective(picture, np.linalg.inv(there), size, flags=cv2.INTER_CUBIC)


def walk(count: int) -> list[tuple[float, float]]:
    """A hand that turns for some seconds and rests for some, within the wider picture."""
    rng = np.random.default_rng(3)
    at, out = np.zeros(2), []
    for k in range(count):
        if k % 6 < 4:
            at = np.clip(at + rng.normal(0, 1.6, 2), (-6, -3), (6, 3))
        out.append((float(at[0]), float(at[1])))
    return out


def tilt_deg(seen: Aimed) -> float | None:
    """What is still to be tilted."""
    return next(line for line in seen.lines if line.axis == "tilt").correction_deg


def stood(aimer: Aimer, pixels: np.ndarray, size: tuple[int, int]) -> float | None:
    """The tilt that would be shown if the camera stood still in this picture and it was measured by itself."""
    still = copy.deepcopy(aimer)
    still.look(pixels, size)
    still.settle()
    return tilt_deg(still.look(pixels, size))


def aimed(camera: Camera, truth: Mapping[str, float], size: tuple[int, int], count: int) -> dict[str, list[float]]:
    """Seconds to each answer, and degrees off, by what they are off."""
    lens = replace(camera.lens, width_px=size[0], height_px=size[1], hfov_deg=_SHARE * camera.lens.hfov_deg, principal_px=None)
    narrow = replace(camera, lens=lens)
    picture = decode_picture(next((sample_folder() / "maintenance" / "snapshots").glob(f"{camera.camera}_*day.jpg")).read_bytes(), None)
    limits = load_limits()
    aimer = Aimer(read_plan(sample_folder() / "plan.csv"), narrow, limits)
    found: dict[str, list[float]] = defaultdict(list)
    before: tuple[float, float, float] | None = None
    for right, up in walk(count):
        data = cv2.imencode(".jpg", view(picture, camera.lens.hfov_deg, size, right, up)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
        began = time.perf_counter()
        opened = open_photo(data, camera.camera, max_side_px=MEASURE_SIDE_PX, guarded=True)
        seen = aimer.look(opened.pixels, size)
        found["took"].append(time.perf_counter() - began)
        shown, still = tilt_deg(seen), stood(aimer, opened.pixels, size)
        aimer.settle()
        alone = measure_image(opened.pixels, planned_lens(narrow, limits)).orientation.pitch_deg
        if shown is None or still is None or alone is None:
            continue
        pitch, true = narrow.pitch_deg - shown, true_pitch_deg(truth["pitch_deg"], truth["roll_deg"], right, up)
        if before is not None:
            found["stood"].append(abs(shown - still))
            found["alone"].append(abs(pitch - alone))
            found["true"].append(abs(pitch - true))
            found["alone true"].append(abs(alone - true))
            found["turn"].append(abs((pitch - before[0]) - (true - before[1])))
            found["alone turn"].append(abs((alone - before[2]) - (true - before[1])))
        before = pitch, true, alone
    found["took"] = found["took"][1:]
    return found


def line_of(name: str, values: Sequence[float]) -> str:
    """Median, 95th percentile and largest."""
    return f"{name} {np.median(values):.2f}, p95 {np.percentile(values, 95):.2f}, most {max(values):.2f}"


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=80)
    count = parser.parse_args().pictures
    site = read_plan(sample_folder() / "plan.csv")
    truth = json.loads((sample_folder() / "truth.json").read_text(encoding="utf-8"))["visits"]["maintenance"]["cameras"]
    for name, size in SIZES.items():
        found: dict[str, list[float]] = defaultdict(list)
        for camera in CAMERAS:
            one = aimed(site.camera(camera), truth[camera], size, count // len(CAMERAS))
            print(f"{name} {camera}: {line_of('shown off itself once it stands, deg:', one['stood'])}")
            for key, values in one.items():
                found[key] += values
        print(f"{name}: {len(found['took'])} answers after the first (load {os.getloadavg()[0]:.0f}); "
              f"{line_of('s to the answer:', found['took'])}")  # fmt: skip
        print("  degrees:", "; ".join(line_of(told, found[key]) for key, told in _TOLD.items()))


if __name__ == "__main__":
    main()

"""Aiming: from a picture's bytes to the answer, at 1080p and 4 MP; how far what is followed is off what the same picture
measures by itself, and how far each turn is off the true one.

Views with a narrower angle are cut, turned, out of the demo's pictures, so that no edge of the picture is seen:
``python -m tests.bench.aim_time --pictures 40``. The fetch itself, some hundredths of a second on a site's network, is left out.
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import replace

import cv2
import numpy as np

from audit.account.pictures import decode_picture
from audit.demo import sample_folder
from audit.errors import AuditError
from audit.judge.limits import load_limits, planned_lens
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.photos.intake import open_photo
from audit.plan.files import read_plan
from audit.plan.model import Camera
from audit.visit.aim import Aimer

SIZES = {"1080p": (1920, 1080), "4 MP": (2560, 1440)}
CAMERAS = ("TH-01", "TH-04", "TH-08", "TH-11")
_SHARE = 0.72


def focal_px(width: int, hfov_deg: float) -> float:
    """Focal length of a rectilinear lens."""
    return width / 2 / np.tan(np.radians(hfov_deg) / 2)


def turn(right_deg: float, up_deg: float) -> np.ndarray:
    """From the turned camera's axes (right, down, forward) to those before the turn."""
    yaw, pitch = np.radians(right_deg), np.radians(up_deg)
    about_up = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_right = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    return about_up @ about_right


def true_pitch_deg(pitch_deg: float, right_deg: float, up_deg: float) -> float:
    """Pitch of the turned axis, from a camera that stands upright at some pitch."""
    p = np.radians(pitch_deg)
    return float(np.degrees(np.arcsin(turn(right_deg, up_deg)[:, 2] @ np.array([0, -np.cos(p), np.sin(p)]))))


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


def aimed(camera: Camera, size: tuple[int, int], count: int) -> tuple[list[float], list[float], list[float]]:
    """Seconds to each answer, degrees between what was followed and what the same picture measures by itself, and degrees
    between each turn since the one before, as followed, and the true one."""
    site = read_plan(sample_folder() / "plan.csv")
    lens = replace(camera.lens, width_px=size[0], height_px=size[1], hfov_deg=_SHARE * camera.lens.hfov_deg, principal_px=None)
    narrow = replace(camera, lens=lens)
    picture = decode_picture(next((sample_folder() / "maintenance" / "snapshots").glob(f"{camera.camera}_*day.jpg")).read_bytes(), None)
    aimer, limits = Aimer(site, narrow, load_limits()), load_limits()
    took, off, wrong = [], [], []
    before: tuple[float, float] | None = None
    for right, up in walk(count):
        data = cv2.imencode(".jpg", view(picture, camera.lens.hfov_deg, size, right, up)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
        began = time.perf_counter()
        opened = open_photo(data, camera.camera, max_side_px=MEASURE_SIDE_PX, guarded=True)
        seen = aimer.look(opened.pixels, size)
        took.append(time.perf_counter() - began)
        aimer.settle()
        now = measure_image(opened.pixels, planned_lens(narrow, limits)).orientation
        tilt = next(line for line in seen.lines if line.axis == "tilt").correction_deg
        if tilt is None:
            continue
        pitch, true = narrow.pitch_deg - tilt, true_pitch_deg(narrow.pitch_deg, right, up)
        if now.pitch_deg is not None:
            off.append(abs(pitch - now.pitch_deg))
        if before is not None:
            wrong.append(abs((pitch - before[0]) - (true - before[1])))
        before = pitch, true
    return took[1:], off[1:], wrong


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=40)
    count = parser.parse_args().pictures
    site = read_plan(sample_folder() / "plan.csv")
    for name, size in SIZES.items():
        took: list[float] = []
        off: list[float] = []
        wrong: list[float] = []
        for camera in CAMERAS:
            try:
                seconds, degrees, turns = aimed(site.camera(camera), size, count // len(CAMERAS))
            except (AuditError, StopIteration) as error:
                print(f"{camera}: left out ({error})")
                continue
            took, off, wrong = took + seconds, off + degrees, wrong + turns
        print(f"{name}: {len(took)} answers after the first, median {np.median(took):.2f} s, p95 {np.percentile(took, 95):.2f} s; "
              f"followed off measured: median {np.median(off):.2f}, p95 {np.percentile(off, 95):.2f}, most {max(off):.2f} deg; "
              f"turns off true: median {np.median(wrong):.2f}, p95 {np.percentile(wrong, 95):.2f} deg "
              f"(load {os.getloadavg()[0]:.0f})")  # fmt: skip


if __name__ == "__main__":
    main()

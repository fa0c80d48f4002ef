"""What a reviewer would point out in the demo's snapshots, and the landmarks of the site, from the demo's truth.

    python clicks.py [SAMPLE_IMAGES_FOLDER]

A hand errs by some pixels. Where the planned target is not in the picture it is said so, and a landmark that is in it is
pointed out instead. The second visit needs clicks only for cameras whose picture did not become a reference in the first, or can't be laid over it.
"""

from __future__ import annotations

import csv
import math
import sys
from pathlib import Path

import devices
import numpy as np
import visits

__all__ = ["LANDMARKS", "main"]

#: Name, east, north, up in metres, as the scene has them.
LANDMARKS = (
    ("signal at the crossing, lower end of its head", 55.0, 33.4, 3.6),
    ("signal at the cabin, lower end of its head", 70.5, 22.9, 3.6),
    ("signal in the yard, lower end of its head", 100.0, 11.2, 3.6),
    ("signal at the halt, lower end of its head", -18.0, 27.9, 3.6),
    ("barrier south, top of its box", 46.9, 34.3, 1.1),
    ("barrier north, top of its box", 38.4, 39.9, 1.1),
    ("signal cabin, south-west corner", 60.0, 28.3, 0.0),
    ("plots mast, foot", 44.0, 74.0, 0.0),
    ("allotment mast, foot", 19.67, 59.91, 0.0),
)
_SURVEY_SD_M = 0.1
_HAND_SD = 0.0015
#: Cameras whose pictures are exchanged in the first visit: what is under their name shows the other's view.
_EXCHANGED = ("TH-07", "TH-08")
#: TH-01 was taken with the board at its target.
_BY_BOARD = ("TH-01",)
#: Its winter picture can't be laid over the first one.
_ANEW = ("TH-23",)


def pixel(row: dict[str, str], state: visits.State, lens: np.ndarray, place: tuple[float, float, float]) -> tuple[float, float] | None:
    """Where a place stands in a camera's picture, None outside it."""
    right, up, forward = visits._pose(state.bearing_deg, state.pitch_deg, state.roll_deg)
    offset = np.array(place) - lens
    x, y, z = offset @ right, -(offset @ up), offset @ forward
    width, height, hfov = int(row["image_width_px"]), int(row["image_height_px"]), math.radians(float(row["hfov_deg"]))
    if row["projection"] == "rectilinear":
        if z <= 0:
            return None
        focal = width / 2 / math.tan(hfov / 2)
        column, line = (width - 1) / 2 + focal * x / z, (height - 1) / 2 + focal * y / z
    else:
        across = math.hypot(x, y)
        radius = width / hfov * math.atan2(across, z)
        column, line = (width - 1) / 2 + radius * x / across, (height - 1) / 2 + radius * y / across
    inside = 0 <= column <= width - 1 and 0 <= line <= height - 1
    return (column, line) if inside else None


def _rows(visit: str) -> list[list[object]]:
    plan, truth = visits.read_plan(), visits.states(visit)
    first = visits.states("commissioning")
    rng = np.random.default_rng(77)
    rows: list[list[object]] = []
    for name, row in plan.items():
        known = name in _BY_BOARD if visit == "commissioning" else first[name].fault is None and name not in _ANEW
        if known or (visit == "commissioning" and name in _EXCHANGED):
            continue
        lens = devices.lens_position(name, float(row["east_m"]), float(row["north_m"]), float(row["height_m"]))
        target = row["target"], float(row["target_east_m"]), float(row["target_north_m"]), float(row["target_up_m"])
        at = pixel(row, truth[name], lens, target[1:])
        if at is None:
            rows.append([name, target[0], "", ""])
            marks = [(m[0], pixel(row, truth[name], lens, m[1:])) for m in LANDMARKS]
            seen = [(m, p) for m, p in marks if p is not None and m.startswith(("signal", "barrier"))]
        else:
            seen = [(target[0], at)]
        for mark, place in seen:
            hand = rng.normal(0, _HAND_SD * int(row["image_width_px"]), 2)
            rows.append([name, mark, round(place[0] + float(hand[0])), round(place[1] + float(hand[1]))])
    return rows


def main() -> None:
    """Write the landmarks beside the plan, and the clicks of each visit."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent
    with (out / "plan.landmarks.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["landmark", "east_m", "north_m", "up_m", "position_sd_m"])
        writer.writerows([*mark, _SURVEY_SD_M] for mark in LANDMARKS)
    for visit in visits.VISITS:
        with (out / f"clicks.{visit}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(["camera", "landmark", "column_px", "row_px"])
            writer.writerows(_rows(visit))


if __name__ == "__main__":
    main()

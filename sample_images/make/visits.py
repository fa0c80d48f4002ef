"""What the demo shows: how each camera really stands in each visit, and every picture that was taken.

This module is the demo's truth. ``render.py`` and ``finish.py`` make the pictures from it, ``truth.py`` writes it down.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import devices
import numpy as np
from shapes import Array, Shapes
from sun import sun_position

__all__ = ["DECOYS", "VISITS", "State", "jobs", "mounted", "read_plan", "states"]

VISITS = ("commissioning", "maintenance")
DAY = {"commissioning": datetime(2026, 6, 16, 10, 0, tzinfo=UTC), "maintenance": datetime(2026, 12, 16, 12, 0, tzinfo=UTC)}
NIGHT = {"commissioning": datetime(2026, 6, 16, 22, 40, tzinfo=UTC), "maintenance": datetime(2026, 12, 16, 18, 30, tzinfo=UTC)}
STEP = {"commissioning": timedelta(minutes=14), "maintenance": timedelta(minutes=7)}
WALK = ("TH-01", "TH-02", "TH-03", "TH-04", "TH-06", "TH-05", "TH-09", "TH-07", "TH-08", "TH-24", "TH-10", "TH-11",
        "TH-12", "TH-15", "TH-13", "TH-14", "TH-16", "TH-17", "TH-21", "TH-20", "TH-19", "TH-18", "TH-22", "TH-23")
SECOND_PHONE = ("TH-13", "TH-14", "TH-15", "TH-16")
DECLINATION_DEG = -4.66
DECOYS = {"TH-22": "D1", "TH-19": "D2", "TH-12": "D3", "TH-14": "D4", "TH-04": "D4", "TH-03": "D5", "TH-05": "D5", "TH-06": "D6", "TH-13": "D7"}

# Overview by phone: metres from the camera, degrees aside from where the camera looks, floor under the phone.
OVERVIEW: dict[str, tuple[float, float, float]] = {
    "TH-01": (6.5, -24, 0), "TH-02": (5.0, 30, 0), "TH-03": (5.0, 128, 0), "TH-04": (3.6, 12, 0), "TH-05": (4.6, 236, 0), "TH-06": (6.0, -15, 0),
    "TH-07": (6.5, 22, 0.28), "TH-08": (6.5, -22, 0.28), "TH-09": (6.5, -30, 0), "TH-10": (7.0, 180, 0), "TH-11": (7.0, 28, 0), "TH-12": (9.0, 30, 0),
    "TH-13": (7.5, 20, 0), "TH-14": (7.0, 8, 0.1), "TH-15": (5.5, 25, 0), "TH-16": (7.0, 30, 0), "TH-17": (6.0, 40, 0), "TH-18": (6.5, 25, 0),
    "TH-19": (7.0, 30, 0), "TH-20": (7.0, -30, 0), "TH-21": (6.0, 25, 0), "TH-22": (6.5, -25, 0), "TH-23": (7.0, 25, 0), "TH-24": (6.0, 28, 0),
}
PORTRAIT = frozenset({"TH-02", "TH-07", "TH-12", "TH-17", "TH-22"})


@dataclass(frozen=True, slots=True)
class State:
    """How a camera really stands, and what is wrong with it."""

    bearing_deg: float
    pitch_deg: float
    roll_deg: float
    fault: str | None = None
    chain_fault: str | None = None
    optics: str | None = None
    label: str = ""


def read_plan(path: Path | None = None) -> dict[str, dict[str, str]]:
    """Rows of ``plan.csv`` by camera."""
    path = path or Path(__file__).parent.parent / "plan.csv"
    with path.open(newline="", encoding="utf-8") as file:
        return {row["camera"]: row for row in csv.DictReader(file)}


def states(visit: str) -> dict[str, State]:
    """True state of every camera in a visit; small scatter of a good installation everywhere else."""
    out: dict[str, State] = {}
    for k, (name, row) in enumerate(read_plan().items()):
        scatter = np.clip(np.random.default_rng(900 + k).normal(0, (0.6, 0.3, 0.25)), (-1.2, -0.6, -0.5), (1.2, 0.6, 0.5))
        pitch = float(row["agreed_pitch_deg"] or row["pitch_deg"])
        good = State((float(row["bearing_deg"]) + round(float(scatter[0]), 2)) % 360, pitch + round(float(scatter[1]), 2),
                     round(float(scatter[2]), 2), label=name)
        if pitch == -90.0:
            good = replace(good, bearing_deg=float(row["bearing_deg"]), pitch_deg=pitch, roll_deg=0.0)
        out[name] = good
    if visit == "commissioning":
        out["TH-18"] = replace(out["TH-18"], pitch_deg=-7.0, fault="F1")
        out["TH-11"] = replace(out["TH-11"], roll_deg=6.0, fault="F2", chain_fault="slipped")
        out["TH-07"] = replace(out["TH-07"], fault="F3", label="TH-08")
        out["TH-08"] = replace(out["TH-08"], fault="F3", label="TH-07")
        out["TH-21"] = replace(out["TH-21"], fault="F4", chain_fault="film", optics="film")
        out["TH-09"] = replace(out["TH-09"], fault="F5", chain_fault="flat", optics="dried water")
        out["TH-17"] = replace(out["TH-17"], pitch_deg=0.0, fault="F6", chain_fault="no wedge")
        out["TH-24"] = replace(out["TH-24"], fault="F7", optics="defocus")
        out["TH-10"] = replace(out["TH-10"], bearing_deg=float(read_plan()["TH-10"]["bearing_deg"]) + 25.4, fault="F10")
        out["TH-23"] = replace(out["TH-23"], chain_fault="no box")
    else:
        signed = states("commissioning")["TH-16"]
        out["TH-16"] = replace(signed, bearing_deg=signed.bearing_deg + 4.0, pitch_deg=signed.pitch_deg + 2.0, fault="F8")
        out["TH-20"] = replace(out["TH-20"], fault="F9")
    return out


def _pose(bearing_deg: float, pitch_deg: float, roll_deg: float) -> tuple[Array, Array, Array]:
    b, p, r = np.radians([bearing_deg, pitch_deg, roll_deg])
    forward = np.array([np.sin(b) * np.cos(p), np.cos(b) * np.cos(p), np.sin(p)])
    right = np.array([np.cos(b), -np.sin(b), 0.0])
    up = np.cross(right, forward)
    return right * np.cos(r) - up * np.sin(r), up * np.cos(r) + right * np.sin(r), forward


def mounted(name: str, state: State) -> tuple[Shapes, devices.Label]:
    """Shapes of a camera as it hangs there, wearing the label that it wears."""
    row = read_plan()[name]
    lens = devices.lens_position(name, float(row["east_m"]), float(row["north_m"]), float(row["height_m"]))
    _, up, forward = _pose(state.bearing_deg, state.pitch_deg, state.roll_deg)
    shapes, label = devices.device(name, row["form"], lens, forward, up, state.chain_fault)
    shapes.parts[f"label {state.label}"] = shapes.parts.pop(f"label {name}")
    return shapes, label


def _light(when: datetime, **more: Any) -> dict[str, Any]:
    elevation, azimuth = sun_position(when)
    cloud = 0.42 if when.month == 6 else 0.55
    return {"kind": "day", "sun_elevation_deg": elevation, "sun_azimuth_deg": azimuth, "cloud": cloud, **more}


def _groups(visit: str, leave_out: str | None = None) -> list[str]:
    season = "june" if visit == "commissioning" else "december"
    out = [visit, season, *(f"device {n} {visit}" for n in read_plan() if n != leave_out)]
    return [*out, "frame TH-20"] if visit == "maintenance" else out


def _snapshots(visit: str) -> list[dict[str, Any]]:
    plan, truth = read_plan(), states(visit)
    swapped = {"TH-07": "TH-08", "TH-08": "TH-07"} if visit == "commissioning" else {}
    out = []
    for k, place in enumerate(WALK):
        row, state = plan[place], truth[place]
        record = swapped.get(place, place)
        lens = devices.lens_position(place, float(row["east_m"]), float(row["north_m"]), float(row["height_m"]))
        common = {
            "kind": "snapshot", "visit": visit, "camera": record, "place": place, "serial": plan[state.label]["serial"],
            "position": lens.tolist(), "bearing_deg": state.bearing_deg, "pitch_deg": state.pitch_deg, "roll_deg": state.roll_deg,
            "hfov_deg": float(row["hfov_deg"]), "projection": row["projection"], "circle_deg": 190.0 if place == "TH-17" else float(row["hfov_deg"]),
            "width": int(row["image_width_px"]), "height": int(row["image_height_px"]), "groups": _groups(visit, place), "optics": state.optics,
        }
        when = DAY[visit] + k * STEP[visit] + timedelta(minutes=5, seconds=7 * k % 60)
        shots = [("day", when, _light(when), None)]
        if place == "TH-22" and visit == "commissioning":
            early = when.replace(hour=10, minute=3)
            shots = [("day-morning", early, _light(early, cloud=0.95, direct=0.2), "fog"), ("day-noon", when.replace(hour=13, minute=8), _light(when.replace(hour=13, minute=8)), None)]
        dark = NIGHT[visit] + timedelta(seconds=40 * k)
        if not (place == "TH-23" and visit == "commissioning"):
            shots.append(("night", dark, {"kind": "night", "infrared": row["night"] == "infrared"}, None))
        for part, moment, light, weather in shots:
            out.append({**common, "name": f"{visit}_{record}_{part}", "part": part, "when": moment.isoformat(), "light": light, "weather": weather,
                        "file": f"{visit}/snapshots/{record}_{moment:%Y%m%d-%H%M%S}_{'night' if part == 'night' else 'day'}.jpg"})
    return out


def _look(position: Array, at: Array, up: Array | None = None) -> tuple[Array, Array, Array]:
    forward = (at - position) / np.linalg.norm(at - position)
    up = np.array([0.0, 0.0, 1.0]) if up is None else up
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    return right, np.cross(right, forward), forward


def _rolled(pose: tuple[Array, Array, Array], roll_deg: float) -> tuple[Array, Array, Array]:
    right, up, forward = pose
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    return right * c - up * s, up * c + right * s, forward


def _phone_shot(visit: str, name: str, role: str, pose: tuple[Array, Array, Array], position: Array, when: datetime, portrait: bool,
                hfov_deg: float) -> dict[str, Any]:
    width, height = (768, 1024) if portrait else (1024, 768)
    half = math.tan(math.radians(hfov_deg / 2)) * (0.75 if portrait else 1.0)
    return {"kind": "phone", "visit": visit, "camera": name, "role": role, "name": f"{visit}_{name}_{role}", "when": when.isoformat(),
            "position": position.tolist(), "axes": [a.tolist() for a in pose], "hfov_deg": 2 * math.degrees(math.atan(half)), "projection": "rectilinear",
            "width": width, "height": height, "groups": _groups(visit), "light": _light(when.replace(minute=30)), "optics": None, "weather": None}


def _phones(visit: str) -> list[dict[str, Any]]:
    plan, truth = read_plan(), states(visit)
    if visit == "commissioning":  # it was knocked round after the phones' photos of it
        truth["TH-10"] = states("maintenance")["TH-10"]
    wanted = {name: ("label", "mount", "overview") for name in WALK}
    if visit == "maintenance":
        wanted = {"TH-16": ("mount", "overview"), "TH-20": ("overview",), "TH-07": ("label",), "TH-08": ("label",), "TH-09": ("mount",), "TH-17": ("mount",), "TH-21": ("mount",)}
    out = []
    rng = np.random.default_rng(71)
    up = np.array([0.0, 0.0, 1.0])
    for k, name in enumerate(WALK):
        row, state = plan[name], truth[name]
        start = DAY[visit] + k * STEP[visit]
        lens = devices.lens_position(name, float(row["east_m"]), float(row["north_m"]), float(row["height_m"]))
        towards = np.array(devices.ATTACH[name][1])
        distance = devices.ATTACH[name][2]
        _, label = mounted(name, state)
        bearing = math.radians(state.bearing_deg)
        level = np.array([math.sin(bearing), math.cos(bearing), 0.0])
        tilt = rng.normal(0, 2.0, 3)
        for role in wanted.get(name, ()):
            if role == "label":
                spot = label.centre + label.normal * 0.150 + label.along * 0.016 * np.sign(tilt[0]) + label.up * 0.012
                pose = _rolled(_look(spot, label.centre + label.along * 0.004, label.up), float(tilt[0]) * 1.5)
                shot = _phone_shot(visit, name, role, pose, spot, start + timedelta(minutes=1, seconds=12), False, 56.0)
            elif role == "mount":
                out_h = np.array([-towards[0], -towards[1], 0.0]) if abs(towards[2]) < 0.5 else level
                out_h = out_h / np.linalg.norm(out_h)
                side = np.cross(out_h, up) * (1 if label.normal @ np.cross(out_h, up) > -0.2 else -1)
                reach = 0.95 if distance > 0.6 or abs(towards[2]) > 0.5 else 0.72
                spot = lens + (0.80 * side + 0.55 * out_h - 0.42 * up) * reach
                middle = lens + towards * distance * 0.5 - level * 0.05
                if devices.ATTACH[name][0] in ("arm", "corner"):
                    middle = lens + towards * distance * 0.4 + up * 0.14
                pose = _rolled(_look(spot, middle), float(tilt[1]))
                shot = _phone_shot(visit, name, role, pose, spot, start + timedelta(minutes=2, seconds=31), name in PORTRAIT, 58.0)
            else:
                far, aside, floor = OVERVIEW[name]
                a = bearing + math.radians(aside)
                spot = np.array([lens[0] + far * math.sin(a), lens[1] + far * math.cos(a), 1.58 + floor])
                middle = lens + up * (0.62 - 0.42 * lens[2])
                pose = _rolled(_look(spot, middle), float(tilt[2]) * 0.7)
                shot = _phone_shot(visit, name, role, pose, spot, start + timedelta(minutes=4, seconds=3), name in PORTRAIT, 66.0)
            out.append(shot)
    if visit == "commissioning":
        spot = np.array([86.6, 29.4, 1.6])
        pose = _rolled(_look(spot, np.array([92.0, 32.6, 1.5])), 1.2)
        stray = _phone_shot(visit, "", "stray", pose, spot, DAY[visit] + timedelta(hours=3, minutes=19), False, 66.0)
        out.append({**stray, "name": "commissioning_stray_locomotive"})
    return out


def jobs(visit: str) -> list[dict[str, Any]]:
    """Every picture to be rendered for a visit, with its pose, light, time and optics."""
    return [*_snapshots(visit), *_phones(visit)]

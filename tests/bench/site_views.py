"""Whole sites for :mod:`tests.bench.site_bench`: a drawn plan, how each camera was really put up, and what it shows.

A panorama of 1024 pixels is coarser than a camera's picture: its views are enlarged bicubically and their edges steepened by a
shock filter (Osher and Rudin, SIAM J. Numer. Anal. 27, 1990) till they are as sharp as a lens draws them; their fine detail is
lacking. All cameras of a place hang within a metre, as their views have no parallax; what lies under them is the panorama's,
whatever height the plan gives.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.plan.optics import open_sky_fraction
from tests.bench.near_bench import hidden
from training.dirt.check_glass import look_through
from training.evaluation_views import develop_view, level_rotation, panorama_stops, render_view

__all__ = ["FAULTS", "SITES", "Put", "draw_site", "pictures"]

#: Name of a site, and its places: rooms, towns, country. None of them any network was trained on; on those that
#: ``training.places`` names *held out* constants were set, on those of split *bench* nothing was.
SITES: dict[str, dict[str, tuple[str, ...]]] = {
    "works": {
        "room": ("abandoned_games_room_02", "artist_workshop", "small_empty_house"),
        "town": ("shanghai_bund", "spree_bank", "tears_of_steel_bridge"),
        "country": ("studio_garden", "evening_meadow", "quarry_01"),
    },
    "school": {
        "room": ("autoshop_01", "vestibule", "fireplace"),
        "town": ("modern_buildings_2", "urban_street_01", "dresden_square"),
        "country": ("chinese_garden", "kloofendal_48d_partly_cloudy", "eilenriede-park-2k"),
    },
    "park": {
        "room": ("st_fagans_interior", "peppermint_powerplant", "thatch_chapel"),
        "town": ("potsdamer_platz", "yokohama_3", "shanghai_riverside", "vignaioli_night"),
        "country": ("field", "dry_hay_field", "immenstadter_horn", "quarry_02", "snowy_field"),
    },
}
CAMERAS = 34
_KINDS, _SHARES = ("room", "town", "country"), (0.45, 0.38, 0.17)
FAULTS = ("too high", "rolled", "blurred", "blocked", "too much sky", "dirty", "upside down", "missing")
_SIZE = (960, 540)
_DIRT = ("haze", "film", "dust", "drops")
_STEP = 0.5
Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Put:
    """A planned camera and how it really hangs; ``fault`` is empty where it is sound, two ``landmarks`` lie in the plan's metres."""

    camera: str
    place: str
    kind: str
    lens: Lens
    height_m: float
    at_m: tuple[float, float]
    planned: tuple[float, float, float]
    true: tuple[float, float, float]
    true_lens: Lens
    night: str
    landmarks: tuple[tuple[float, float, float], ...] = ()
    fault: str = ""

    def click(self, landmark: int, rng: np.random.Generator) -> tuple[float, float] | None:
        """Where a person points a landmark out, a pixel or two and a decimetre of drawing off; None where it isn't seen."""
        off = np.array(self.landmarks[landmark]) - (*self.at_m, self.height_m) + rng.normal(0, 0.1, 3)
        pixel = self.true_lens.project(camera_from_world(*self.true) @ off) + rng.normal(0, 2, 2)
        if not bool(self.true_lens.in_frame(pixel)):
            return None
        if self.fault == "upside down":
            pixel = np.array([self.lens.width_px - 1, self.lens.height_px - 1]) - pixel
        return float(pixel[0]), float(pixel[1])


def _planned(rng: np.random.Generator, kind: str, ceiling: bool) -> tuple[Lens, float, float]:
    """Lens, pitch and height as a planner draws them (common practice, no source)."""
    if ceiling:
        return Lens(720, 720, 180.0, projection="equidistant"), -90.0, float(rng.uniform(2.7, 4.0))
    hfov = float(rng.choice((100.0, 84.0, 70.0, 56.0, 45.0)))
    pitch = -rng.uniform(14, 30) if kind == "room" else -rng.uniform(8, 20)
    return Lens(*_SIZE, hfov), float(pitch), float(rng.uniform(2.5, 3.2) if kind == "room" else rng.uniform(2.8, 5.0))


def _hang(rng: np.random.Generator, planned: tuple[float, float, float], lens: Lens, fault: str) -> tuple[float, float, float]:
    """How a crew leaves it, or the planted fault."""
    bearing, pitch, roll = np.array(planned) + rng.normal(0, (1.0, 1.0, 0.7))
    if fault == "too high":
        pitch = planned[1] + rng.uniform(8, 16)
    elif fault == "rolled":
        roll = rng.choice([-1, 1]) * rng.uniform(6, 10)
    elif fault == "too much sky":
        share = open_sky_fraction(lens, planned[1], 0.0) + 0.3
        pitch = next(p for p in np.arange(planned[1], 60, 0.5) if open_sky_fraction(lens, float(p), 0.0) >= share)
    return float(bearing), float(pitch), float(roll)


def _landmark(rng: np.random.Generator, put: Put, across: tuple[float, float]) -> tuple[float, float, float]:
    """Something of the plan that its planned pose shows between two shares of the picture's width."""
    while True:
        x, y = rng.uniform(*across) * put.lens.width_px, rng.uniform(0.35, 0.8) * put.lens.height_px
        ray = put.lens.unproject(np.array([x, y])) @ camera_from_world(*put.planned)
        away = rng.uniform(5, 12) if put.kind == "room" else rng.uniform(8, 30)
        at = np.array([*put.at_m, put.height_m]) + ray * away
        if at[2] > -0.5:
            return float(at[0]), float(at[1]), float(at[2])


def draw_site(name: str, seed: int, cameras: int = CAMERAS) -> list[Put]:
    """The site's cameras; every third one has a fault, the faults in turn."""
    rng = np.random.default_rng((seed, sorted(SITES).index(name)))
    found: list[Put] = []
    for index in range(cameras):
        kind = str(rng.choice(_KINDS, p=_SHARES))
        fault = FAULTS[index // 3 % len(FAULTS)] if index % 3 == 2 else ""
        if fault == "too much sky" and kind == "room":
            kind = "town"
        place = SITES[name][kind][int(rng.integers(len(SITES[name][kind])))]
        lens, pitch, height = _planned(rng, kind, ceiling=kind == "room" and not fault and rng.random() < 0.12)
        planned = float(rng.uniform(0, 360)), pitch, 0.0
        true_lens = lens.with_hfov(float(lens.hfov_deg * (1 + rng.normal(0, 0.015))))
        night = "infrared" if rng.random() < (0.25 if kind == "room" else 0.7) else "none"
        far = 300.0 * sorted(sum(SITES[name].values(), ())).index(place)
        put = Put(f"{name[0].upper()}{index + 1:02d}", place, kind, lens, height, (far + 0.1 * (index % 6), 0.1 * (index // 6)),
                  planned, _hang(rng, planned, lens, fault), true_lens, night, fault=fault)  # fmt: skip
        first = _landmark(rng, put, (0.2, 0.8))
        left = put.lens.project(camera_from_world(*planned) @ (np.array(first) - (*put.at_m, height)))[0] < put.lens.width_px / 2
        second = _landmark(np.random.default_rng((seed, index)), put, (0.65, 0.9) if left else (0.1, 0.35))
        found.append(replace(put, landmarks=(first, second)))
    return found


def _steepened(stops: NDArray[np.float32], steps: int) -> NDArray[np.float32]:
    """A view (h, w, 3) with its blurred edges made steep: towards the lighter or the darker neighbour, as the second derivative says."""
    out = stops
    for _ in range(steps):
        grey = cv2.GaussianBlur(out, (0, 0), 1.2).mean(-1)
        x, y = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
        bend = x * x * cv2.Sobel(grey, cv2.CV_32F, 2, 0) + y * y * cv2.Sobel(grey, cv2.CV_32F, 0, 2)
        bend = bend + 2 * x * y * cv2.Sobel(grey, cv2.CV_32F, 1, 1)
        around = np.ones((3, 3), np.uint8)
        aim = np.where((bend < 0)[..., None], cv2.dilate(out, around), cv2.erode(out, around))
        out = (out + _STEP * (aim - out)).astype(np.float32)
    return np.asarray(out, np.float32)


def _infrared(shown: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """The view as lamps beside the lens light it: grey, bright in the middle, noisy, the sky black."""
    height, width = shown.shape[:2]
    grey = shown @ np.array([0.5, 0.35, 0.15], np.float32)
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    lit = 0.25 + 0.75 * np.exp(-(x**2 + (y - rng.uniform(0, 0.4)) ** 2) / rng.uniform(0.7, 1.6))
    grey = grey * lit + rng.normal(0, 0.02, grey.shape)
    return np.repeat(grey[..., None], 3, 2).astype(np.float32)


def _spoilt(picture: Picture, put: Put, donor: Picture, rng: np.random.Generator, night: bool) -> Picture:
    """The picture with its planted fault, where that lies before or in the lens or in the camera's settings."""
    if put.fault == "upside down":
        return np.ascontiguousarray(picture[::-1, ::-1])
    if put.fault == "blurred":
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), rng.uniform(2.5, 5.0)), np.uint8)
    if put.fault == "blocked":
        return hidden(picture, donor, rng)
    if put.fault == "dirty":
        light = [(p.astype(np.float32) / 255) ** 2.2 for p in (picture, donor)]
        seen = look_through(light[0], light[1], str(rng.choice(_DIRT)), rng, night)[0]
        return np.asarray(np.clip(seen, 0, 1) ** (1 / 2.2) * 255, np.uint8)
    return picture


def pictures(put: Put, packed: Path, donor: Picture, seed: int) -> dict[str, tuple[Picture, int]]:
    """A camera's snapshots by light (``day``, ``night``), each with the quality that its JPEG gets; none where it is missing."""
    if put.fault == "missing":
        return {}
    places = {p["name"]: p for p in json.loads((packed / "places.json").read_text())}
    place = places[put.place]
    level = level_rotation(tuple(place["axis"]) if place["axis"] else None)
    stops = panorama_stops(packed, place)
    enlarged = put.true_lens.width_px / put.true_lens.hfov_deg * 360 / stops.shape[1]
    view = _steepened(render_view(stops, put.true_lens, *put.true, level), max(round(0.8 * enlarged), 2))
    found = {}
    for light in ("day", "night") if put.night != "none" else ("day",):
        rng = np.random.default_rng((seed, int(put.camera[1:]), ord(put.camera[0]), len(light)))
        shown = develop_view(view, rng)
        if light == "night":
            shown = _infrared(shown, rng)
        picture = np.asarray(np.clip(shown, 0, 1) * 255, np.uint8)
        fault_rng = np.random.default_rng((seed, int(put.camera[1:]), ord(put.camera[0])))
        found[light] = _spoilt(picture, put, donor, fault_rng, light == "night"), int(rng.integers(85, 93))
    return found

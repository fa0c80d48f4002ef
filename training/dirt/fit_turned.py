"""Fits how several pictures of a turned camera are judged (:mod:`audit.measure.turned`).

    python -m training.dirt.fit_turned PHOTOS REAL LAID audit/measure/weights

Places are the photographs of the part ``tune`` and the pictures in REAL, one of each real fixed camera. Each gives one clean series and
one through the dirt of :mod:`.glass`; those of every other place are unquiet as well: other exposure, the lens's fall-off, things
that moved, stronger compression, burnt-in text. LAID holds several pictures of real cameras laid over one another (:mod:`.lay_over`):
of every other camera, parts of three pictures at different hours and seasons, clean and with dirt. The even point is set on clean
series of each place judged by weights fitted without it. :mod:`.check_glass` and the other cameras are left for the figures.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold
from sklearn.preprocessing import StandardScaler

from audit.measure.clarity import single_verdict
from audit.measure.dirt_network import series_verdict
from audit.measure.lasting import measure_lasting
from audit.measure.laying import laid_pairs
from audit.measure.overlay import text_over_series
from audit.measure.transfer import log_luminance
from audit.measure.turned import TURNED_NAMES, seen_while_turned, turned_features
from training.dirt.check_glass import taken
from training.dirt.glass import KINDS, spoil
from training.dirt.photographs import photographs
from training.dirt.scene import cut_view

__all__ = ["fitted", "turned_series"]

Pixels = NDArray[np.uint8]
Light = NDArray[np.float32]
Through = Callable[[Light, np.random.Generator], Light]
#: Share of the view by which the camera turns from its first position; no more than the photograph reaches beyond it.
TURN_SHARE = (0.03, 0.11)
PICTURES, WIDTH, HEIGHT = 3, 640, 360
STRENGTH, FOLDS = 0.1, 8
#: Rows of a real picture above and below that may hold a strip.
STRIP, LONGEST_PX = 0.06, 1536
LEAST_SOILED, TRIES = 0.025, 8
#: Series of a camera with so many pictures; others give two.
MOST_SERIES, ENOUGH_PICTURES = 4, 6


@dataclass(frozen=True)
class Unrest:
    """What changes from picture to picture without being dirt."""

    rng: np.random.Generator
    fall_off: float
    text: bool
    things: Light

    def before(self, scene: Light) -> Light:
        """Things that came into the scene (H, W, 3)."""
        for _ in range(int(self.rng.integers(0, 3))):
            w, h = int(WIDTH * self.rng.uniform(0.03, 0.1)), int(HEIGHT * self.rng.uniform(0.06, 0.3))
            x, y, u, v = (int(self.rng.integers(0, side)) for side in (WIDTH - w, HEIGHT - h, WIDTH - w, HEIGHT - h))
            scene[y:y + h, x:x + w] = self.things[v:v + h, u:u + w]
        return scene

    def taken(self, seen: Light, noise: np.random.Generator, number: int) -> Pixels:
        """The picture with the lens's fall-off, an exposure and a compression of its own, and perhaps text."""
        y, x = np.mgrid[-1:1:HEIGHT * 1j, -1:1:WIDTH * 1j].astype(np.float32)
        aspect = (WIDTH / HEIGHT) ** 2
        dimmed = seen * (1 - self.fall_off * (x**2 * aspect + y**2) / (1 + aspect))[..., None]
        gain = float(np.exp(self.rng.normal(0, 0.25)))
        picture = taken(dimmed, noise, gain, int(self.rng.integers(60, 92)))
        if self.text:
            month, day, minute, second = (self.rng.integers(*span) for span in ((1, 9), (0, 9), (10, 59), (10, 59)))
            for words, at, size, thick in ((f"2026-0{month}-1{day} 1{number}:{minute}:{second}", (10, 24), 0.6, 2), ("CAM 04 YARD", (500, 350), 0.55, 1)):
                cv2.putText(picture, words, at, cv2.FONT_HERSHEY_SIMPLEX, size, (255, 255, 255), thick, cv2.LINE_AA)
        return picture


def unrest(things: Light, seed: tuple[int, ...]) -> Unrest:
    """What changes harmlessly over one series."""
    rng = np.random.default_rng((*seed, 5))
    return Unrest(rng, float(rng.uniform(0, 0.5)), bool(rng.random() < 0.5), things)


def turned_series(photo: Pixels, through: Through, seed: tuple[int, ...], unquiet: Unrest | None = None) -> list[Pixels]:
    """Three pictures 640 x 360 of one place through one glass, the camera turned between them.

    Parameters
    ----------
    photo : ndarray of uint8, shape (H, W, 3)
    through : callable
        What a scene in linear light (360, 640, 3) looks like through the glass; the generator is the same for each picture.
    seed : tuple of int
    unquiet : Unrest, optional
        What else changes.
    """
    rng = np.random.default_rng(seed)
    view = cut_view(photo, WIDTH, rng)
    images = []
    for number in range(PICTURES):
        way = rng.normal(size=3) * (1.0, 0.6, 0.2)
        turn = way / np.abs(way).max() * rng.uniform(*TURN_SHARE) * view.hfov_deg * (number > 0) * (1.0, view.height / view.width, 0.5)
        scene = np.asarray(cv2.resize(view.seen(tuple(turn)), (WIDTH, HEIGHT)), np.float32)
        seen = through(scene if unquiet is None else unquiet.before(scene), np.random.default_rng((*seed, 29)))
        # noise of its own in each picture: noise that stays would be dirt on the sensor
        noise = np.random.default_rng((*seed, 30, number))
        images.append(taken(seen, noise) if unquiet is None else unquiet.taken(seen, noise, number))
    return images


def _through(kind: str) -> Through:
    def look(scene: Light, rng: np.random.Generator) -> Light:
        if kind == "clear":
            return scene
        for _ in range(TRIES):
            spoilt, soiled, _ = spoil(scene, kind, rng, False)
            if soiled.mean() > LEAST_SOILED:
                break
        return np.asarray(spoilt, np.float32)

    return look


def _rows(places: list[tuple[str, Pixels]], base: int) -> Iterator[tuple[str, bool, NDArray[np.float64]]]:
    for at, (name, photo) in enumerate(places):
        things = (cv2.resize(places[(at + 1) % len(places)][1], (WIDTH, HEIGHT)).astype(np.float32) / 255) ** 2.2
        for dirty, kind in enumerate(("clear", KINDS[at % len(KINDS)])):
            seed = (base, at, dirty)
            facts = facts_of(turned_series(photo, _through(kind), seed, unrest(things, seed) if at % 2 else None))
            if facts is not None:
                yield name, bool(dirty), facts


def _rows_of_hours(folder: Path) -> Iterator[tuple[str, bool, NDArray[np.float64]]]:
    pictures = sorted(folder.glob("*__*.webp"))
    number = 0
    for at, camera in enumerate(sorted({path.name.split("__")[0] for path in pictures})):
        own = [path for path in pictures if path.name.split("__")[0] == camera]
        rng = np.random.default_rng((5, at))
        for series in range(MOST_SERIES if len(own) >= ENOUGH_PICTURES else 2):
            picked = rng.choice(len(own), PICTURES, replace=len(own) < PICTURES)
            corners = [(80, 100), *((int(rng.integers(10, 150)), int(rng.integers(40, 160))) for _ in range(PICTURES - 1))]
            parts = [cv2.imread(str(own[k]))[y:y + HEIGHT, x:x + WIDTH, ::-1] for k, (x, y) in zip(picked, corners, strict=True)]
            if at % 2 == 0:
                dirty = [_smeared(part, _through(KINDS[number % len(KINDS)]), (9, at, series), k) for k, part in enumerate(parts)]
                for spoilt, images in ((False, [np.ascontiguousarray(part) for part in parts]), (True, dirty)):
                    facts = facts_of(images)
                    if facts is not None:
                        yield camera, spoilt, facts
            number += 1


def _smeared(part: Pixels, through: Through, seed: tuple[int, ...], number: int) -> Pixels:
    """A part of a picture (360, 640, 3) as it would be behind dirt."""
    seen = through((part.astype(np.float32) / 255) ** 2.2, np.random.default_rng(seed)).clip(0, 1) ** (1 / 2.2) * 255
    noisy = (seen + np.random.default_rng((*seed, number)).normal(0, 1, seen.shape)).clip(0, 255).astype(np.uint8)
    data = cv2.imencode(".jpg", np.ascontiguousarray(noisy[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def facts_of(pictures: list[Pixels]) -> NDArray[np.float64] | None:
    """What the pictures (360, 640, 3) show, in the order of ``TURNED_NAMES``; None where the camera isn't seen to have turned."""
    logs = [log_luminance(p) for p in pictures]
    burnt = text_over_series([np.asarray(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), np.uint8) for p in pictures])
    turned = seen_while_turned(pictures, logs, laid_pairs(pictures, burnt), burnt)
    if turned is None:
        return None
    return turned_features(series_verdict(pictures, logs), measure_lasting(logs, burnt), [single_verdict(p) for p in pictures], turned)


def _of_cameras(folder: Path) -> Iterator[tuple[str, Pixels]]:
    for path in sorted(folder.iterdir()):
        pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
        scale = LONGEST_PX / pixels.shape[1]
        if scale < 1:
            pixels = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        strip = int(STRIP * len(pixels))
        yield path.stem, np.ascontiguousarray(pixels[strip:-strip, :, ::-1])


def fitted(x: NDArray[np.float64], dirty: NDArray[np.bool_], place: NDArray[np.str_]) -> tuple[dict[str, list[float]], float, NDArray[np.float64]]:
    """Weights, base, and each row's log odds by weights fitted without its place."""
    held = np.zeros(len(x))
    for train, test in GroupKFold(FOLDS).split(x, dirty, place):
        scaler, model = _one(x[train], dirty[train])
        held[test] = model.decision_function(scaler.transform(x[test]))
    scaler, model = _one(x, dirty)
    # some hundred clean series can't show one false alarm in a hundred, so none may pass
    limit = float(held[~dirty].max())
    stored = {"mean": scaler.mean_, "scale": scaler.scale_, "weight": model.coef_[0]}
    return {key: [round(float(v), 6) for v in values] for key, values in stored.items()}, round(float(model.intercept_[0]) - limit, 6), held - limit


def _one(x: NDArray[np.float64], dirty: NDArray[np.bool_]) -> tuple[StandardScaler, LogisticRegression]:
    scaler = StandardScaler().fit(x)
    return scaler, LogisticRegression(C=STRENGTH, max_iter=5000).fit(scaler.transform(x), dirty)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("real", type=Path)
    parser.add_argument("laid", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    tune = [item for item in photographs(arguments.photos, "tune") if "@" not in item[0]]
    rows = [*_rows(tune, 101), *_rows(list(_of_cameras(arguments.real)), 103), *_rows_of_hours(arguments.laid)]
    names, dirty, x = (np.array(v) for v in zip(*rows, strict=True))
    weights, base, held = fitted(x, dirty, names)
    (arguments.out / "dirt_turned.json").write_text(json.dumps({"names": list(TURNED_NAMES), **weights, "base": base}) + "\n", encoding="utf-8")
    print(f"{len(x)} series of {len(set(names))} places; places left out: AUROC {roc_auc_score(dirty, held):.3f}, "
          f"found {(held[dirty] > 0).mean():.2f}, clean called dirty {(held[~dirty] > 0).mean():.3f}")


if __name__ == "__main__":
    main()

"""Rows for :mod:`.fit_join`: what both networks say of pairs with and without the dirt of :mod:`.glass`.

    python -m training.dirt.join_rows REAL.npz --real FOLDER --cameras pklot owl --any dirt_fold
    python -m training.dirt.join_rows DRAWN.npz --photos PHOTOS --part tune --any dirt_hours
    python -m training.dirt.join_rows CALM.npz --photos PHOTOS --part tune --nearly-same

``--real``: pictures of fixed cameras laid over one another (:mod:`.lay_over`), two of one camera for each pair. ``--any`` is the
network for any light to be joined (``audit/measure/weights/NAME.onnx``): one that has not seen these cameras. ``--nearly-same``:
each photograph against itself, exposed and focused a little otherwise, clean and dirty, and through harmless changes alone.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.dirt_network import pair_verdict
from audit.measure.losses import join_features
from audit.measure.registration import grey_at_work_size, reference_in_today, register
from audit.measure.transfer import MEASURE_SIDE_PX, at_measure_size, band_maps, log_luminance
from training.dirt.glass import KINDS, film, rubbed, spoil, spots
from training.dirt.pairs import Pair, render_pair
from training.dirt.photographs import photographs
from training.dirt.scene import Harmless, cut_view, expose, pick_camera

__all__ = ["features", "main"]

Pixels = NDArray[np.uint8]
Row = tuple[str, str, NDArray[np.float64]]
SAME_VIEW = 0.5
DIRTY_EACH, HARMLESS_EACH = 2, 7


def features(reference: Pixels, today: Pixels, seen: NDArray[np.bool_], any_light: str) -> NDArray[np.float64]:
    """What the join rests on, of a pair laid over one another at measuring size (H, W, 3)."""
    logs = log_luminance(reference), log_luminance(today)
    one, any_ = (pair_verdict(name, reference, today, *logs, seen) for name in ("dirt_pair", any_light))
    return join_features(one, any_, band_maps(*logs, seen))


def _light(pixels: Pixels) -> NDArray[np.float32]:
    return np.asarray((pixels.astype(np.float32) / 255) ** 2.2, np.float32)


def _real(job: tuple[str, Path, Path, int], any_light: str) -> list[Row]:
    """A real pair as it is, and with dirt drawn on the later picture."""
    camera, before, after, seed = job
    cv2.setNumThreads(1)
    rng = np.random.default_rng((61, seed))
    reference, today = (at_measure_size(np.ascontiguousarray(cv2.imread(str(p))[..., ::-1]), MEASURE_SIDE_PX) for p in (before, after))
    seen = (reference.max(axis=2) > 0) & (today.max(axis=2) > 0)
    rows = [(camera, "clear", features(reference, today, seen, any_light))]
    for number in range(DIRTY_EACH):
        kind = KINDS[(seed * DIRTY_EACH + number) % len(KINDS)]
        spoiled = spoil(_light(today), kind, rng, night=False)[0]
        rows.append((camera, kind, features(reference, expose(spoiled, pick_camera(rng), rng, Harmless()), seen, any_light)))
    return rows


def _drawn(job: tuple[str, Pixels, Pixels, int], any_light: str) -> list[Row]:
    """A rendered pair without dirt and one with, registered as a measurement would."""
    name, photo, other, seed = job
    cv2.setNumThreads(1)
    rows = []
    for dirty in (False, True):
        pair = render_pair(photo, other, np.random.default_rng((62, seed, dirty)), dirty=dirty)
        laid = _laid(pair)
        if laid is not None:
            rows.append((name, pair.kind, features(*laid, any_light)))
    return rows


def _nearly_same(job: tuple[str, Pixels, Pixels, int], any_light: str) -> list[Row]:
    """A view against itself: clean, a little softer, and dirty; and one with harmless changes."""
    name, photo, other, seed = job
    cv2.setNumThreads(1)
    rng = np.random.default_rng((42, seed))
    scene = cut_view(photo, MEASURE_SIDE_PX, rng).seen()
    now = scene * np.float32(np.exp(rng.normal() * 0.15))
    reference = _taken(scene, rng, 0.006)
    seen = np.ones(reference.shape[:2], bool)
    shown = [("clear", _taken(now, rng, 0.006)),
             ("clear", _taken(cv2.GaussianBlur(now, (0, 0), float(rng.uniform(0.2, 0.6))), rng, 0.012))]
    shown += [(maker.__name__, _taken(maker(now, rng, False)[0], rng, 0.006)) for maker in (rubbed, rubbed, film, spots)]
    rows: list[Row] = [(name, kind, features(reference, today, seen, any_light)) for kind, today in shown]
    for number in range(HARMLESS_EACH):
        pair = render_pair(photo, other, np.random.default_rng((65, seed * 50 + number)), dirty=False)
        laid = _laid(pair)
        if laid is not None:
            rows.append((name, "clear", features(*laid, any_light)))
    return rows


def _taken(light: NDArray[np.float32], rng: np.random.Generator, noise: float) -> Pixels:
    """A picture of linear light: noise, tone, JPEG."""
    grain = rng.normal(size=light.shape) * noise * np.sqrt(light.clip(0, 1) + 0.02)
    values = ((light + grain).clip(0, 1) ** (1 / 2.2) * 255).round().astype(np.uint8)
    _, data = cv2.imencode(".jpg", values[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def _laid(pair: Pair) -> tuple[Pixels, Pixels, NDArray[np.bool_]] | None:
    """Reference laid over today, today, and where both are seen; None where they don't register."""
    reference, today = (at_measure_size(p) for p in (pair.reference, pair.today))
    small, now = grey_at_work_size(reference), grey_at_work_size(today)
    found = register(small, now, Lens(small.shape[1], small.shape[0], pair.hfov_deg))
    if found.same_view_probability < SAME_VIEW:
        return None
    placed = replace(found, reference_lens=found.reference_lens.resized(reference.shape[1], reference.shape[0]),
                     today_lens=found.today_lens.resized(today.shape[1], today.shape[0]))
    moved, seen = reference_in_today(placed, reference)
    return moved, today, seen


def _real_jobs(folder: Path, cameras: tuple[str, ...], each: int) -> list[tuple[str, Path, Path, int]]:
    groups: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*__*.webp")):
        if path.name.startswith(cameras):
            groups.setdefault(path.name.split("__")[0], []).append(path)
    jobs = []
    for camera, paths in groups.items():
        rng = np.random.default_rng((63, len(paths)))
        pairs = [(a, b) for a in paths for b in paths if a != b]
        for index in rng.permutation(len(pairs))[:each]:
            jobs.append((camera, *pairs[index], len(jobs)))
    return jobs


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("out", type=Path)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--cameras", nargs="*", default=[""])
    parser.add_argument("--photos", type=Path)
    parser.add_argument("--part", default="tune")
    parser.add_argument("--nearly-same", action="store_true")
    parser.add_argument("--any", default="dirt_hours")
    parser.add_argument("--each", type=int, default=40, help="pairs of each camera, or of each photograph, at most")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    if arguments.real:
        work, jobs = partial(_real, any_light=arguments.any), _real_jobs(arguments.real, tuple(arguments.cameras), arguments.each)
    else:
        places = [item for item in photographs(arguments.photos, arguments.part) if "@" not in item[0]]
        jobs = [(name, pixels, places[(at + 1) % len(places)][1], at * arguments.each + number)
                for at, (name, pixels) in enumerate(places) for number in range(1 if arguments.nearly_same else arguments.each)]
        work = partial(_nearly_same if arguments.nearly_same else _drawn, any_light=arguments.any)
    with Pool(arguments.workers) as pool:
        rows = [row for part in pool.imap(work, jobs) for row in part]
    places_, kinds, x = (np.array(v) for v in zip(*rows, strict=True))
    np.savez(arguments.out, X=x, y=(kinds != "clear").astype(int), kind=kinds, place=places_)
    print(arguments.out, len(rows), "rows,", int((kinds != "clear").sum()), "dirty")


if __name__ == "__main__":
    main()

"""Renders examples and keeps them with what was done to them.

    python -m training.dirt.make PHOTOS OUT --part train --count 4000 --seed 1

PHOTOS is a folder of JPEG photographs (see :mod:`.photographs`); panorama views are named ``PLACE@N.jpg``. OUT gets
``NNNNN_r.jpg``, ``NNNNN_t.jpg`` and ``NNNNN.npz`` (kind, masks on the cells, the registration found).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

from audit.lens import Lens
from audit.measure.overlay import burnt_in_text
from audit.measure.registration import grey_at_work_size, register
from audit.measure.transfer import CELL_PX, MEASURE_SIDE_PX
from training.dirt.pairs import render_pair
from training.dirt.photographs import photographs

PANORAMA_SHARE = 0.2


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--part", default="train")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--dirty-share", type=float, default=0.55)
    parser.add_argument("--check-renderer", action="store_true", help="render with the second dirt model")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    arguments.out.mkdir(parents=True, exist_ok=True)
    everything = list(photographs(arguments.photos, arguments.part))
    sharp = [item for item in everything if "@" not in item[0]]
    soft = [item for item in everything if "@" in item[0]] or sharp
    if arguments.check_renderer:
        from training.dirt.check_glass import render_check_pair as render
    else:
        render = render_pair
    for index in range(arguments.count):
        target = arguments.out / f"{index:05d}.npz"
        if target.exists():
            continue
        rng = np.random.default_rng((arguments.seed, index))
        panorama = rng.random() < PANORAMA_SHARE
        name, photo = (soft if panorama else sharp)[int(rng.integers(len(soft if panorama else sharp)))]
        _, other = sharp[int(rng.integers(len(sharp)))]
        dirty = bool(rng.random() < arguments.dirty_share)
        pair = render(photo, other, rng, dirty=dirty, width=400 if panorama else None)
        grey_r, grey_t = grey_at_work_size(pair.reference), grey_at_work_size(pair.today)
        found = register(grey_r, grey_t, Lens(grey_r.shape[1], grey_r.shape[0], pair.hfov_deg),
                         burnt_in_text(grey_t))
        scale = min(1.0, MEASURE_SIDE_PX / pair.today.shape[1])
        size = (max(3, round(pair.today.shape[1] * scale / CELL_PX)),
                max(3, round(pair.today.shape[0] * scale / CELL_PX)))
        for suffix, pixels in (("r", pair.reference), ("t", pair.today)):
            cv2.imwrite(str(arguments.out / f"{index:05d}_{suffix}.jpg"), pixels[..., ::-1],
                        [cv2.IMWRITE_JPEG_QUALITY, 98])
        np.savez(target, kind=pair.kind, photo=name, hfov_deg=pair.hfov_deg, turn_deg=pair.change.turn_deg,
                 harmless=",".join(pair.change.names + ((pair.change.night,) if pair.change.night else ())),
                 soiled=cv2.resize(pair.soiled, size, interpolation=cv2.INTER_AREA),
                 blocked=cv2.resize(pair.blocked, size, interpolation=cv2.INTER_AREA),
                 rotation=found.rotation, zoom=found.zoom, inliers=found.inliers, matches=found.matches,
                 spread=found.spread, method=found.method, same=found.same_view_probability)


if __name__ == "__main__":
    main()

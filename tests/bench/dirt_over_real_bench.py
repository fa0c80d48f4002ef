"""Dirt of the second renderer over real clean pairs: found at the cut and above the clean ones, by kind.

    python tests/bench/dirt_over_real_bench.py FOLDER [--step N] [--only CAMERA ...]

FOLDER holds ``pairs.csv`` as for ``real_pairs_bench.py``. Each clean pair is judged as it is and with dirt of two kinds
(``check_glass``) drawn on the later picture, exposed and coded anew. ``--only``: cameras by the start of their name, for
networks that have not seen these.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from sklearn.metrics import roc_auc_score

from audit.judge.limits import load_limits
from audit.measure.view import compare
from tests.bench.dirt_smear_bench import really, taken
from training.dirt.check_glass import CHECK_KINDS, look_through

CUT = load_limits().cleanliness.reference_look


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--step", type=int, default=1, help="every n-th pair")
    parser.add_argument("--only", nargs="*", default=[])
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    pairs = [item for item in really(arguments.folder, arguments.step) if item[0].startswith(tuple(arguments.only) or ("",))]
    rows: list[tuple[str, float]] = []
    for index, (_, reference, light, _) in enumerate(pairs):
        rng = np.random.default_rng((96, index))
        clean = compare(reference, taken(light, rng, 0.0)).dirt_probability
        if clean is None:
            continue
        rows.append(("clean", clean))
        other = cv2.resize(pairs[(index + len(pairs) // 2) % len(pairs)][2], light.shape[1::-1])
        for kind in (CHECK_KINDS[(2 * index + shift) % len(CHECK_KINDS)] for shift in (0, 1)):
            found = compare(reference, taken(look_through(light, other, kind, rng)[0], rng, 0.0)).dirt_probability
            rows.append((kind, 0.0 if found is None else found))
    kinds, p = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    dirty = kinds != "clean"
    strict = np.quantile(p[~dirty], 0.99)
    print(f"{(~dirty).sum()} clean, {dirty.sum()} dirty; AUROC {roc_auc_score(dirty, p):.3f}, found at 1 % false "
          f"{(p[dirty] > strict).mean():.2f}, at the cut {(p[dirty] >= CUT).mean():.2f}; clean called dirty {(p[~dirty] >= CUT).mean():.3f}")
    for kind in CHECK_KINDS:
        own = kinds == kind
        print(f"  {kind:10s} {own.sum():4d}: at the cut {(p[own] >= CUT).mean():.2f}, at 1 % {(p[own] > strict).mean():.2f}")


if __name__ == "__main__":
    main()

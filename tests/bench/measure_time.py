"""Time of ``measure`` against the full decode of the same 12-megapixel JPEG, and memory of a visit, in one run.

    python -m tests.bench.measure_time

Prints ratios; gates nothing. Numerical libraries get one thread each, as the product's workers give them.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from audit.demo import sample_folder
from audit.lens import Lens
from audit.logbook import Logbook
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.photos.intake import open_photo
from audit.plan.files import read_plan
from audit.visit import run_visit

ROUNDS = 9
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def _core_ms(work: Callable[[], object]) -> float:
    """Median processor time of one call in milliseconds, after one call to warm up."""
    work()
    spent = []
    for _ in range(ROUNDS):
        started = time.process_time()
        work()
        spent.append(1000 * (time.process_time() - started))
    return statistics.median(spent)


def main() -> None:
    """Print the table."""
    if any(os.environ.get(name) != "1" for name in ONE_THREAD):
        os.execve(sys.executable, [sys.executable, "-m", "tests.bench.measure_time"],
                  {**os.environ, **dict.fromkeys(ONE_THREAD, "1")})  # fmt: skip
    cv2.setNumThreads(1)
    snapshot = next((sample_folder() / "commissioning/snapshots").glob("TH-15_*_day.jpg"))
    picture = cv2.resize(cv2.imread(str(snapshot)), (4032, 3024), interpolation=cv2.INTER_CUBIC)
    noisy = picture.astype(np.float32) + np.random.default_rng(1).normal(0, 6, picture.shape)
    data = cv2.imencode(".jpg", noisy.clip(0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    buffer = np.frombuffer(data, np.uint8)
    full = _core_ms(lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR))
    opened = open_photo(data, "photo.jpg", max_side_px=MEASURE_SIDE_PX)
    lens = Lens(opened.pixels.shape[1], opened.pixels.shape[0], 84.0)
    reading = _core_ms(lambda: open_photo(data, "photo.jpg", max_side_px=MEASURE_SIDE_PX))
    known = _core_ms(lambda: measure_image(opened.pixels, lens))
    unknown = _core_ms(lambda: measure_image(opened.pixels, None))
    print(f"full decode of {len(data) / 2**20:.1f} MiB, 12 Mpx: {full:.0f} ms of one core")
    print(f"open (decode reduced, metadata, hash): {reading / full:.2f}x")
    print(f"measure, angle of view known:   {known:.0f} ms; whole {(reading + known) / full:.2f}x of the full decode")
    print(f"measure, angle of view unknown: {unknown:.0f} ms; whole {(reading + unknown) / full:.2f}x")
    with tempfile.TemporaryDirectory() as place:
        plan = sample_folder() / "plan.csv"
        with Logbook.create(f"{place}/book", read_plan(plan), plan.name, plan.read_bytes()) as book:
            summary = run_visit(
                book, Path(sample_folder() / "commissioning"), "commissioning", date(2026, 6, 16), workers=2
            )
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(
        f"visit of {summary.photos} photos, 2 workers: this process at most {own:.0f} MiB, largest child {child:.0f} MiB"
    )


if __name__ == "__main__":
    main()

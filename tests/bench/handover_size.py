"""Time and size of the handover package of a large site.

    python tests/bench/handover_size.py [CAMERAS]

The pictures are those of the sample site, each shifted so that no two are alike; every second camera has a night
picture. Prints seconds, processor seconds, pages and sizes; gates nothing.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from audit.report.handover import write_handover
from tests.desk_samples import judged_logbook

SAMPLES = sorted((Path(__file__).resolve().parents[2] / "sample_images" / "commissioning" / "snapshots").glob("*.jpg"))
PREVIEW_PX = 960


def shifted(number: int, night: bool) -> bytes:
    """A sample snapshot at preview size, moved sideways by its number."""
    picture = cv2.imread(str(SAMPLES[number % len(SAMPLES)]))
    scale = PREVIEW_PX / max(picture.shape[:2])
    picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    picture = np.roll(picture, 5 + 3 * number, axis=1)
    if night:
        picture = cv2.cvtColor(cv2.cvtColor(picture // 2, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()


def main(cameras: int) -> None:
    """Build, write, print."""
    cv2.setNumThreads(1)
    place = Path(tempfile.mkdtemp())
    try:
        book = judged_logbook(place / "site", cameras, 1, shifted)
        begun, worked = time.perf_counter(), time.process_time()
        written = write_handover(book, book.visit(1), place / "handover")
        seconds, processor = time.perf_counter() - begun, time.process_time() - worked
        report = place / "handover" / "report.pdf"
        print(f"{cameras} cameras: {seconds:.1f} s ({processor:.1f} s of processor), "
              f"{len(PdfReader(report).pages)} pages, report {report.stat().st_size / 1e6:.1f} MB, "
              f"ZIP {written[-1].stat().st_size / 1e6:.1f} MB")  # fmt: skip
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)

"""Processor time of a whole visit, from file to stored finding, against OpenCV's full decode of the same files.

    nice -n 10 python -m tests.bench.audit_time --photos 40

The demo's snapshots and crew's photos, enlarged to 12 megapixels with a sensor's noise and saved as a phone saves them
(about 5 MB each), go through ``photo-audit visit`` as a user starts it into a logbook on disk, twice: named by their cameras,
and with nothing in the name. Everything counts: starting the program, reading, hashing, the guarded worker, matching,
measuring, judging, the database and the image store. Prints ratios measured in one run; gates nothing. ``--profile`` runs the
visit in this process instead, and prints where time goes.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from audit.demo import sample_folder
from audit.logbook import Logbook
from audit.photos.guard import guard_of_this_process
from audit.plan.files import read_plan
from audit.plan.model import Site
from audit.visit import run_visit
from audit.visit.summary import summary_of

LONG_PX = 4000
DAY = date(2026, 6, 16)


def enlarged(source: Path, seed: int) -> tuple[bytes, tuple[int, int]]:
    """A 12-megapixel JPEG of a picture, its metadata kept, and its (width, height)."""
    data = source.read_bytes()
    small = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    factor = (12e6 / (small.shape[0] * small.shape[1])) ** 0.5
    size = (2 * round(small.shape[1] * factor / 2), 2 * round(small.shape[0] * factor / 2))
    large = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    noise = np.empty(large.shape, np.int8)
    cv2.setRNGSeed(seed)
    cv2.randn(noise, (0, 0, 0), (5, 5, 5))
    large = cv2.add(large, noise, dtype=cv2.CV_8U)
    coded = cv2.imencode(".jpg", large, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    return _with_segments(data, coded), size


def _with_segments(original: bytes, coded: bytes) -> bytes:
    """The coded picture with the application segments (Exif, XMP) of the original."""
    kept, at = b"", 2
    while original[at] == 0xFF and original[at + 1] in range(0xE1, 0xF0):
        length = 2 + int.from_bytes(original[at + 2 : at + 4], "big")
        kept += original[at : at + length]
        at += length
    return coded[:2] + kept + coded[2:]


def twelve_megapixel_site(site: Site) -> Site:
    """The demo's plan as if its cameras had 12 megapixels."""
    cameras = []
    for camera in site.cameras:
        factor = (12e6 / (camera.lens.width_px * camera.lens.height_px)) ** 0.5
        width, height = (2 * round(n * factor / 2) for n in (camera.lens.width_px, camera.lens.height_px))
        cameras.append(replace(camera, lens=camera.lens.resized(width, height)))
    return replace(site, cameras=tuple(cameras))


def lay_out(folder: Path, photos: int, share_of_crew: float, named: bool) -> list[Path]:
    """Write the photos of a visit; snapshots first, then the crew's."""
    root = sample_folder() / "commissioning"
    crew = sorted((root / "photos").glob("*.jpg"))[: round(photos * share_of_crew)]
    snapshots = sorted((root / "snapshots").glob("*_day.jpg"))[: photos - len(crew)]
    written = []
    for number, source in enumerate((*snapshots, *crew)):
        name = source.name if named or source in crew else f"DSC{number:05d}.jpg"
        path = folder / source.parent.name / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(enlarged(source, number)[0])
        written.append(path)
    return written


def _spent_s() -> float:
    """Processor time of this process and of its children that have ended, in seconds."""
    guard_of_this_process().close()
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def decode_s(files: list[Path]) -> float:
    """Processor time of reading and decoding every file in full, in seconds."""
    began = time.process_time()
    for path in files:
        cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    return time.process_time() - began


def visit(book: str, photos: Path, profile: cProfile.Profile | None) -> tuple[float, float]:
    """Processor time and time by the clock of a whole visit, in seconds: by the command, or in this process under a profile."""
    began, clock = _spent_s(), time.perf_counter()
    if profile is None:
        start = [sys.executable, "-c", "from audit.cli import main; main()", "visit", book, str(photos)]
        subprocess.run([*start, "--kind", "commissioning", "--on", DAY.isoformat()], check=True, capture_output=True)
    else:
        with Logbook.open(book) as opened:
            profile.runcall(run_visit, opened, photos, "commissioning", DAY)
    return _spent_s() - began, time.perf_counter() - clock


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--crew", type=float, default=0.5, help="share of the crew's photos")
    parser.add_argument("--profile", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    plan = sample_folder() / "plan.csv"
    site = twelve_megapixel_site(read_plan(plan))
    for title, named in (("snapshots named by camera", True), ("nothing in the names", False)):
        with tempfile.TemporaryDirectory() as place:
            files = lay_out(Path(place, "photos"), given.photos, given.crew, named)
            size_mb = sum(f.stat().st_size for f in files) / len(files) / 1e6
            decode_s(files[:2])
            before_s = decode_s(files)
            Logbook.create(f"{place}/book", site, plan.name, plan.read_bytes()).close()
            profile = cProfile.Profile(time.process_time) if given.profile else None
            audit_s, wall_s = visit(f"{place}/book", Path(place, "photos"), profile)
            with Logbook.open(f"{place}/book") as book:
                summary = summary_of(book, book.visit(None))
            after_s = decode_s(files)
        full_s = (before_s + after_s) / 2
        print(
            f"{title}: {summary.photos} photos of {size_mb:.1f} MB, {dict(summary.decisions)}: full decode "
            f"{1000 * full_s / len(files):.0f} ms a photo, audit {1000 * audit_s / len(files):.0f} ms of processor "
            f"({1000 * wall_s / len(files):.0f} ms by the clock): {audit_s / full_s:.2f}x; load {os.getloadavg()[0]:.1f}",
            flush=True,
        )
        if profile is not None:
            pstats.Stats(profile).sort_stats("tottime").print_stats(45)


if __name__ == "__main__":
    main()

"""Processor time of a whole visit with some photos' print read, against the same visit where nothing is read.

    nice -n 10 python -m tests.bench.reading_time --photos 40

The visit is that of :mod:`tests.bench.audit_time`; a share of its photos are printed labels that a messenger stripped of all metadata, so
that nothing but reading places them. Both visits are run by turns, twice each, into new logbooks; the ratio is that of their sums.
Everything counts, the engine's start included. Gates nothing.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

from audit.demo import sample_folder
from audit.logbook import Logbook
from audit.match.reading import TEXT_METHOD
from audit.plan.files import read_plan
from audit.plan.model import Camera
from tests.bench.audit_time import DAY, enlarged, lay_out, twelve_megapixel_site

#: The command as a user starts it, and the same with nothing read.
READ = "from audit.cli import main; main()"
UNREAD = "from audit.visit import conduct; conduct.read_texts = lambda *_: None; " + READ

#: Share of the crew's photos among the others.
CREW = 0.4


def label_photo(source: Path, camera: Camera, seed: int) -> bytes:
    """A photo of a printed label, 12 megapixels, without any metadata: a plate with the camera's id and serial before one of the crew's."""
    picture = cv2.imdecode(np.frombuffer(enlarged(source, seed)[0], np.uint8), cv2.IMREAD_COLOR)
    height, width = picture.shape[:2]
    top, left = int(0.3 * height), int(0.2 * width)
    cv2.rectangle(picture, (left, top), (width - left, height - top), (225, 228, 230), -1)
    for line, text in enumerate((f"CAMERA {camera.camera}", f"S/N {camera.serial}")):
        scale = width / 900
        cv2.putText(picture, text, (left + 60, top + int((line + 1) * 0.14 * height)), cv2.FONT_HERSHEY_SIMPLEX, scale, (25, 25, 25), round(2.2 * scale), cv2.LINE_AA)
    return bytes(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes())


def visit_s(program: str, book: str, photos: Path) -> float:
    """Processor time of a visit and its children, seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", program, "visit", book, str(photos), "--kind", "commissioning", "--on", DAY.isoformat()],
                   check=True, capture_output=True)  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--share", type=float, default=0.05, help="of photos whose print must be read")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    plan = sample_folder() / "plan.csv"
    site = twelve_megapixel_site(read_plan(plan))
    spent: dict[str, list[float]] = {READ: [], UNREAD: []}
    with tempfile.TemporaryDirectory() as place:
        files = lay_out(Path(place, "photos"), round(given.photos * (1 - given.share)), CREW, named=True)
        labels = max(1, round(len(files) * given.share / (1 - given.share)))
        sources = sorted((sample_folder() / "commissioning" / "photos").glob("*31.jpg"))
        for number in range(labels):
            camera = site.cameras[number % len(site.cameras)]
            Path(place, "photos", f"sent_{number:04d}.jpg").write_bytes(label_photo(sources[number % len(sources)], camera, number))
        for number, program in enumerate((UNREAD, READ, READ, UNREAD)):
            book = f"{place}/book{number}"
            Logbook.create(book, site, plan.name, plan.read_bytes()).close()
            spent[program].append(visit_s(program, book, Path(place, "photos")))
            with Logbook.open(book) as opened:
                read = len(opened.measurements(opened.visit(None), TEXT_METHOD))
            print(f"{'read' if program == READ else 'unread'}: {spent[program][-1]:.1f} s of processor, {read} photos read", flush=True)
    ratio = sum(spent[READ]) / sum(spent[UNREAD])
    print(f"{len(files) + labels} photos, {labels} of them to be read: {ratio:.2f}x; load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()

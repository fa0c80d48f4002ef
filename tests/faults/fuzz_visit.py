"""A visit over a folder of hostile files of every kind, and the readers of plans, packages and archives over theirs.

    nice -n 15 python -m tests.faults.fuzz_visit --files 10000

JPEG (baseline and progressive), PNG, TIFF, HEIC, WebP, ZIP (handover packages and exported logbooks), XLSX, CSV and
GeoJSON: sound ones with bits flipped, bytes overwritten, pieces cut out or doubled, and those that are hostile in a
known way. Prints what became of them. The rules: the visit ends; every file is a photo or a refusal under its own name;
no file takes more than 10 s; no worker grows beyond 1 GiB; what is no photo, read as a plan, package or archive, gives a
result or one sentence. Returns 1 where one of them was broken.
"""

from __future__ import annotations

import argparse
import collections
import json
import logging
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator
from datetime import date
from itertools import chain
from pathlib import Path

import numpy as np

from audit.demo import sample_folder
from audit.errors import AuditError
from audit.logbook import Logbook, verify_package, zip_package
from audit.photos.guard import guard_of_this_process
from audit.photos.intake import find_files
from audit.plan.files import read_plan, read_plan_problems, write_plan
from audit.visit import Progress, run_visit
from tests.logbook_samples import fill, start

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "photos"))

from hostile_files import mutated, named_hostile_files, scene, sound_file  # noqa: E402

PICTURES = {"JPEG": ".jpg", "PROGRESSIVE": ".jpg", "PNG": ".png", "TIFF": ".tif", "WEBP": ".webp", "HEIF": ".heic"}
LONGEST_S = 10.0
MOST_MIB = 1024.0


def sound_others(folder: Path) -> dict[str, tuple[str, bytes]]:
    """Sound files that are no photos, by kind: suffix and bytes."""
    plan = read_plan(sample_folder() / "plan.csv")
    found = {}
    for suffix in (".csv", ".xlsx", ".geojson"):
        write_plan(plan, folder / f"plan{suffix}")
        found[suffix[1:].upper()] = (suffix, (folder / f"plan{suffix}").read_bytes())
    with start(str(folder / "book")) as book:
        book.sign(fill(book), "Ada Example", unprotected=True)
        (folder / "package").mkdir()
        (folder / "package" / "report.pdf").write_bytes(b"%PDF-1.7 a report")
        book.seal(folder / "package", 1)
        book.export(folder / "logbook.zip")
    zip_package(folder / "package", folder / "package.zip")
    found["PACKAGE"] = (".zip", (folder / "package.zip").read_bytes())
    found["ARCHIVE"] = (".zip", (folder / "logbook.zip").read_bytes())
    return found


def hostile(count: int, seed: int, folder: Path) -> Iterator[tuple[str, bytes]]:
    """Names and bytes of the files, every kind as often as the others."""
    others = sound_others(folder)
    sound = {kind: (suffix, sound_file(kind, scene(160, 120))) for kind, suffix in PICTURES.items()} | others
    named = [(f"{n:05d} {name}.jpg".replace("/", "-"), data) for n, (name, data) in enumerate(named_hostile_files())]
    rng = np.random.default_rng(seed)
    kinds = tuple(sound)

    def made() -> Iterator[tuple[str, bytes]]:
        for number in range(len(named), count):
            kind = kinds[number % len(kinds)]
            suffix, data = sound[kind]
            how = int(rng.integers(0, 6))
            yield f"{number:05d} {kind} {how}{suffix}", mutated(data, how, rng)

    return chain(named, made())


class Watcher(threading.Thread):
    """Highest resident memory of the guarded worker, in MiB, looked at ten times a second."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.highest_mib = 0.0
        self.ended = threading.Event()

    def run(self) -> None:
        while not self.ended.wait(0.1):
            worker = guard_of_this_process().worker_id
            try:
                lines = Path(f"/proc/{worker}/status").read_text(encoding="ascii").splitlines()
            except OSError:
                continue
            for line in lines:
                if line.startswith("VmHWM"):
                    self.highest_mib = max(self.highest_mib, int(line.split()[1]) / 1024)


def read_as_what_it_claims(path: Path, place: Path) -> str:
    """Read a file that is no photo as a plan, package or archive; what came of it."""
    kind = path.name.split()[1]
    try:
        if kind == "PACKAGE":
            problems = verify_package(path)
            return "package changed" if problems else "package unchanged"
        if kind == "ARCHIVE":
            Logbook.import_(path, str(place / path.stem.replace(" ", "-"))).close()
            return "archive imported"
        site, found = read_plan_problems(path)
        assert site is not None or found
        return "plan refused" if site is None else "plan read"
    except AuditError as error:
        assert "\n" not in error.message
        return f"{kind.lower()} refused"


def main() -> int:
    """Print the counts; 1 where a rule was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    outcomes: collections.Counter[str] = collections.Counter()
    broken: list[str] = []
    slowest = (0.0, "")
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as temporary:
        place = Path(temporary)
        (place / "made").mkdir()
        (place / "photos").mkdir()
        (place / "out").mkdir()
        for name, data in hostile(given.files, given.seed, place / "made"):
            (place / "photos" / name).write_bytes(data)
        files = {found.name for found in find_files(place / "photos")}
        last = time.perf_counter()

        def note(progress: Progress) -> None:
            nonlocal last, slowest
            now = time.perf_counter()
            if progress.step == "read":
                slowest = max(slowest, (now - last, progress.name))
            last = now

        watcher = Watcher()
        watcher.start()
        plan = sample_folder() / "plan.csv"
        began = time.perf_counter()
        with Logbook.create(str(place / "logbook"), read_plan(plan), plan.name, plan.read_bytes()) as book:
            last = time.perf_counter()
            summary = run_visit(book, place / "photos", "commissioning", date(2026, 6, 16), progress=note)
            photos = {p.name for p in book.photos(summary.visit)}
            refused = {r.name: r for r in book.refusals(summary.visit)}
            wrong = [p.message for p in book.verify()]
        watcher.ended.set()
        took = time.perf_counter() - began
        outcomes.update({"photo": len(photos), **collections.Counter(r.kind for r in refused.values())})
        broken += [f"not accounted for: {name}" for name in sorted(files ^ (photos | set(refused)))]
        broken += [f"not named: {r.message}" for r in refused.values() if r.name not in r.message]
        broken += [f"both taken and refused: {name}" for name in sorted(photos & set(refused))]
        broken += wrong
        for path in sorted((place / "photos").iterdir()):
            if path.name.split()[1] not in ("CSV", "XLSX", "GEOJSON", "PACKAGE", "ARCHIVE"):
                continue
            started = time.perf_counter()
            try:
                outcomes[read_as_what_it_claims(path, place / "out")] += 1
            except Exception:
                broken.append(f"broke out: {path.name}: {traceback.format_exc()}")
            slowest = max(slowest, (time.perf_counter() - started, f"read {path.name}"))
    if slowest[0] > LONGEST_S:
        broken.append(f"too slow: {slowest}")
    if watcher.highest_mib > MOST_MIB:
        broken.append(f"too much memory: {watcher.highest_mib:.0f} MiB")
    print("\n".join(broken[:20]))
    print(json.dumps(dict(outcomes)))
    print(
        f"{len(files)} files, visit {took:.0f} s; slowest {slowest[0]:.2f} s ({slowest[1]}); worker at most "
        f"{watcher.highest_mib:.0f} MiB; broke the rules: {len(broken)}"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    raise SystemExit(main())

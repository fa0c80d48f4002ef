"""Mutated packages, archives and plans, each kind in a process of its own: tracebacks, memory, time and disk.

    nice -n 15 python -m tests.faults.fuzz_readers --each 10000

A package (ZIP and folder), an archive and a plan (CSV, XLSX, GeoJSON with its tables of targets) are changed at random
and read as the commands read them. The rules: a result or one sentence, whatever was changed; at most 300 MiB of memory,
5 s of processor, and on disk no more than twice the file's size beside the tables of an empty logbook, nothing at all where an import
is refused. Returns 1 where one of them was broken.
"""

from __future__ import annotations

import argparse
import collections
import json
import logging
import random
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from audit.demo import sample_folder
from audit.errors import AuditError
from audit.logbook import Anchors, Logbook, check, zip_package
from audit.plan.check import check_plan
from audit.plan.files import read_plan, read_plan_problems, write_plan
from tests.logbook.test_hostile_record import mutated
from tests.logbook_samples import fill, start

KINDS = ("package", "archive", "plan")
MOST_MIB, LONGEST_S, MOST_TIMES_ON_DISK = 300.0, 5.0, 2.0
_PLANS = (".csv", ".xlsx", ".geojson")


@dataclass
class Tried:
    """What became of one kind's files."""

    outcomes: collections.Counter[str] = field(default_factory=collections.Counter)
    broken: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest_wall_s: float = 0.0
    most_on_disk: float = 0.0
    empty_bytes: int = 0

    def read(self, name: str, size: int, place: Path, reading: Callable[[], str]) -> None:
        """Read one file; ``place`` is where it may leave something."""
        began, wall = time.process_time(), time.perf_counter()
        try:
            outcome = reading()
        except AuditError as error:
            outcome = "one sentence"
            if not error.message or "\n" in error.message:
                self.broken.append(f"{name}: no sentence: {error.message!r}")
            if place.exists():
                self.broken.append(f"{name}: refused, and left {place}")
        except Exception:
            outcome = "traceback"
            self.broken.append(f"{name}: {traceback.format_exc()}")
        took = time.process_time() - began
        self.slowest_wall_s = max(self.slowest_wall_s, time.perf_counter() - wall)
        self.outcomes[outcome] += 1
        self.slowest_s = max(self.slowest_s, took)
        if took > LONGEST_S:
            self.broken.append(f"{name}: {took:.1f} s")
        if place.exists():
            self.most_on_disk = max(self.most_on_disk, (bytes_below(place) - self.empty_bytes) / max(1, size))
            shutil.rmtree(place)


def bytes_below(place: Path) -> int:
    """What a folder takes on disk."""
    return sum(p.stat().st_size for p in place.rglob("*") if p.is_file())


def sound(kind: str, folder: Path) -> dict[str, bytes]:
    """Sound files of a kind, by name."""
    if kind == "plan":
        plan = read_plan(sample_folder() / "plan.csv")
        for suffix in _PLANS:
            write_plan(plan, folder / f"plan{suffix}")
        return {path.name: path.read_bytes() for path in sorted(folder.glob("plan*"))}
    with start(str(folder / "book")) as book:
        book.sign(fill(book), "Ada Example", unprotected=True)
        if kind == "archive":
            book.export(folder / "archive.zip")
            return {"archive.zip": (folder / "archive.zip").read_bytes()}
        (folder / "package").mkdir()
        (folder / "package" / "report.pdf").write_bytes(b"%PDF-1.7 a report")
        book.seal(folder / "package", 1)
    zip_package(folder / "package", folder / "package.zip")
    within = {f"package/{p.name}": p.read_bytes() for p in sorted((folder / "package").iterdir())}
    return {"package.zip": (folder / "package.zip").read_bytes(), **within}


def read_plan_fully(path: Path) -> str:
    """As ``plan check`` does: the cells, then the site."""
    site, found = read_plan_problems(path)
    if site is None:
        assert found
        return "problems told"
    check_plan(site)
    return "read"


def try_one(kind: str, count: int, seed: int, folder: Path) -> Tried:
    """So many mutations of the files of a kind."""
    files = sound(kind, folder)
    names = tuple(files)
    chance = random.Random(seed)
    with start(str(folder / "empty")):
        pass
    tried = Tried(empty_bytes=bytes_below(folder / "empty"))
    for number in range(count):
        name = names[0] if kind == "package" and number % 2 else names[number % len(names)]
        changed = mutated(files[name], chance)
        path, out = folder / name, folder / "out"
        path.write_bytes(changed)

        def reading(path: Path = path, out: Path = out, changed: bytes = changed, name: str = name) -> str:
            if kind == "archive":
                Logbook.import_(path, str(out)).close()
                return "imported"
            if kind == "plan":
                return read_plan_fully(folder / f"plan{path.suffix}" if path.stem == "plan" else folder / "plan.csv")
            checked = check(str(path if path.suffix == ".zip" else path.parent), Anchors())
            assert checked.problems or changed == files[name], "a change that verify doesn't see"
            return "changed" if checked.problems else "as it was"

        tried.read(f"{kind} {name} {number}", len(changed), out, reading)
        path.write_bytes(files[name])
    return tried


def main() -> int:
    """Print a line for each kind; 1 where a rule was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, help="this one, in this process")
    given = parser.parse_args()
    if given.kind is None:
        same = ("--each", str(given.each), "--seed", str(given.seed))
        runs = [subprocess.run([sys.executable, "-m", __spec__.name, *same, "--kind", kind], check=False) for kind in KINDS]
        return max(run.returncode for run in runs)
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as temporary:
        tried = try_one(given.kind, given.each, given.seed, Path(temporary))
    high = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    mib = int(high.split()[1]) / 1024
    if mib > MOST_MIB:
        tried.broken.append(f"{given.kind}: {mib:.0f} MiB")
    if tried.most_on_disk > MOST_TIMES_ON_DISK:
        tried.broken.append(f"{given.kind}: {tried.most_on_disk:.1f} times its size on disk")
    print("\n".join(tried.broken[:20]))
    print(
        f"{given.kind}: {given.each} mutations {json.dumps(dict(tried.outcomes))}; slowest {tried.slowest_s:.2f} s of processor "
        f"({tried.slowest_wall_s:.1f} s by the clock), at most "
        f"{mib:.0f} MiB, {tried.most_on_disk:.1f} times its size on disk; broke the rules: {len(tried.broken)}"
    )
    return 1 if tried.broken else 0


if __name__ == "__main__":
    raise SystemExit(main())

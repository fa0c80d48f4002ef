"""The collecting process of :mod:`tests.bench.collect_site`: what ``photo-audit collect`` has loaded while it fetches."""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path

import audit.logbook
from audit.collect.addresses import addresses
from audit.collect.conduct import Round, collect
from audit.collect.credentials import keys_from
from audit.collect.journal import Journal
from audit.collect.pins import Pins
from audit.plan.files import read_plan


def collector(folder: Path, timeout_s: float) -> None:
    """One JSON line a camera, then what it took."""
    assert audit.logbook
    found, _ = addresses(read_plan(folder / "plan.csv"), folder / "addresses.csv")
    (folder / "out").mkdir(exist_ok=True)
    this = Round(Journal(folder / "out"), keys_from(folder / "credentials.csv"), Pins(folder / "pins.json"), "day", timeout_s)
    for entry in collect(this, found):
        print(json.dumps([entry.camera, entry.file, entry.reason]), flush=True)
    used = resource.getrusage(resource.RUSAGE_SELF)
    high = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(json.dumps({"cpu_s": used.ru_utime + used.ru_stime, "mib": int(high.split()[1]) / 1024}), flush=True)


if __name__ == "__main__":
    collector(Path(sys.argv[1]), float(sys.argv[2]))

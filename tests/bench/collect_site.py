"""How long a site of simulated cameras takes to collect, in how much memory, and what a kill in the middle costs.

    nice python -m tests.bench.collect_site --cameras 300 --silent 0.1

The devices answer on loopback from a process of their own; another collects them as ``photo-audit collect`` does, without
the visit that follows. Then everything anew, killed half way and run again. Among the devices are a swapped pair, clocks
that are 5 s and 1 h off, and one whose stream has another size. Prints the seconds by the clock and of the processor, the
collector's highest memory, who was named silent, what was fetched twice, and which calls were sent.
"""

from __future__ import annotations

import argparse
import collections
import csv
import io
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from audit.collect.soap import CALLS
from audit.demo import sample_folder
from audit.devices import Device, SimulatedSite
from audit.judge.device import device_findings
from audit.judge.limits import load_limits
from audit.plan.files import read_plan
from audit.plan.model import Site

USER, PASSWORD = "crew", "a bench's password"
WIDTH_PX, HEIGHT_PX = 1920, 1080
MOST_S, MOST_MIB = 60.0, 300.0
READS = {f"{{{space}}}{name}" for space, names in CALLS.items() for name in names}
_PLAN = "camera,latitude,longitude,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,serial\n"


def plan_of(folder: Path, cameras: int) -> Site:
    """A site of so many cameras in a row."""
    rows = (f"B-{n:03d},{46.5 + n * 1e-4:.5f},8.0,3,{n % 360},-15,60,{WIDTH_PX},{HEIGHT_PX},SN{n:04d}\n" for n in range(cameras))
    (folder / "plan.csv").write_text(_PLAN + "".join(rows), encoding="utf-8")
    return read_plan(folder / "plan.csv")


def devices_of(site: Site, silent: float) -> tuple[Device, ...]:
    """Their devices: so many of them silent, one pair swapped, two clocks wrong, one stream small, every fourth of profile T."""
    picture = next((sample_folder() / "maintenance" / "snapshots").glob("*_day.jpg")).read_bytes()
    made = [Device(c.camera, picture, str(c.serial), c.camera, WIDTH_PX, HEIGHT_PX, USER, PASSWORD) for c in site.cameras]
    every = round(1 / silent) if silent else len(made) + 1
    made = [replace(d, silent=n % every == every - 1, media=("media2",) if n % 4 == 0 else ("media",)) for n, d in enumerate(made)]
    made[1], made[2] = replace(made[1], serial=made[2].serial), replace(made[2], serial=made[1].serial)
    made[3], made[4] = replace(made[3], clock_offset_s=5.0), replace(made[4], clock_offset_s=3600.0)
    made[5] = replace(made[5], width_px=640, height_px=480)
    return tuple(made)


def collected(folder: Path, timeout_s: float, kill_after: int | None = None) -> tuple[float, list[list[str | None]], dict[str, float]]:
    """Seconds by the clock, the cameras' lines, and what the collector used; killed after so many cameras."""
    began = time.perf_counter()
    line = [sys.executable, "-m", "tests.bench.collector", str(folder), str(timeout_s)]
    process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    lines: list[list[str | None]] = []
    used: dict[str, float] = {}
    for text in process.stdout:
        said = json.loads(text)
        if isinstance(said, dict):
            used = said
        else:
            lines.append(said)
        if kill_after is not None and len(lines) == kill_after:
            os.kill(process.pid, signal.SIGKILL)
            break
    process.wait()
    return time.perf_counter() - began, lines, used


def judged(folder: Path, site: Site) -> dict[str, list[str]]:
    """Cameras by the check of the device that found something."""
    from audit.collect.journal import Journal

    serials = {str(c.serial).lower(): c.camera for c in site.cameras}
    found: dict[str, list[str]] = collections.defaultdict(list)
    for entry in Journal(folder / "out").entries():
        if entry.facts is not None:
            for finding in device_findings(site.camera(entry.camera), entry.facts, serials, load_limits()):
                if finding.state in ("defect", "to check") and entry.camera not in found[finding.check]:
                    found[finding.check].append(entry.camera)
    return dict(found)


def served(folder: Path, devices: Sequence[Device], timeout_s: float, site: Site) -> int:
    """Collect, then again with a kill; print the figures. 1 where a goal was missed."""
    with SimulatedSite(devices) as running:
        (folder / "addresses.csv").write_text(running.table(), encoding="utf-8")
        table = io.StringIO()
        csv.writer(table).writerows((("camera", "user", "password"), ("*", USER, PASSWORD)))
        (folder / "credentials.csv").write_text(table.getvalue(), encoding="utf-8")
        (folder / "credentials.csv").chmod(0o600)
        took, lines, used = collected(folder, timeout_s)
        calls = collections.Counter(running.sent)
        silent = {d.camera for d in devices if d.silent}
        named = {str(camera) for camera, file, reason in lines if file is None and reason == "timeout"}
        print(f"{len(devices)} cameras, {len(silent)} silent: {took:.1f} s by the clock, {used['cpu_s']:.1f} s of processor, "
              f"{used['mib']:.0f} MiB; silent ones named {len(named & silent)}, others {len(named - silent)}")  # fmt: skip
        print(f"found by what the devices say: {judged(folder, site)}")
        print(f"calls: {dict(calls)}; not among those that only read: {sorted(set(calls) - READS)}")
        for path in (folder / "out").iterdir():
            path.unlink()
        running.calls.clear()
        _, first, _ = collected(folder, timeout_s, kill_after=len(devices) // 2)
        again_s, second, _ = collected(folder, timeout_s)
        pictures = [p.name.partition("_snapshot")[0] for p in (folder / "out").glob("*.jpg")]
        before = {camera for camera, file, _ in first if file is not None}
        print(f"killed after {len(first)}, run again in {again_s:.1f} s: {len(second)} cameras told, pictures of {len(set(pictures))} "
              f"in {len(pictures)} files, {len(before)} of them fetched before the kill")  # fmt: skip
    missed = took > MOST_S or used["mib"] > MOST_MIB or named != silent or len(second) != len(devices)
    return int(missed or set(calls) - READS != set())


def main() -> int:
    """Print the figures; 1 where a goal was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cameras", type=int, default=300)
    parser.add_argument("--silent", type=float, default=0.1)
    parser.add_argument("--timeout", type=float, default=5.0)
    given = parser.parse_args()
    print(datetime.now(UTC).isoformat(timespec="seconds"), f"load {os.getloadavg()[0]:.1f}")
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
    with tempfile.TemporaryDirectory() as temporary:
        site = plan_of(Path(temporary), given.cameras)
        return served(Path(temporary), devices_of(site, given.silent), given.timeout, site)


if __name__ == "__main__":
    raise SystemExit(main())

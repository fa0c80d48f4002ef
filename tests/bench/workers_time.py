"""Wall time of a whole visit in one process, two local processes, four, and four workers of a Dask cluster here.

    python -m tests.bench.workers_time --photos 240 --rounds 3

12-megapixel files as in ``audit_time``, each another file, go through ``run_visit`` into fresh logbooks; the ways take
turns, and medians count. Run it on a machine that does nothing else, with at least as many cores as workers (two cores
tell the first ratio; four workers on two cores only tell the cost of the cluster). The cluster's scheduler and workers are
started before, as they would be at a site; local workers start with each visit. Prints ratios; gates nothing.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import cv2

from audit.compute import usable_cores
from audit.demo import sample_folder
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.visit import run_visit
from tests.bench.audit_time import DAY, enlarged, twelve_megapixel_site


def lay_out(folder: Path, photos: int) -> None:
    """Snapshots of the demo's cameras by turns, each file another one: a comment of its own follows the head."""
    sources = sorted((sample_folder() / "commissioning" / "snapshots").glob("*_day.jpg"))
    large = [enlarged(source, n)[0] for n, source in enumerate(sources[:photos])]
    folder.mkdir()
    for number in range(photos):
        data, source = large[number % len(large)], sources[number % len(large)]
        comment = f"{number:06d}".encode()
        marked = data[:2] + b"\xff\xfe" + (2 + len(comment)).to_bytes(2, "big") + comment + data[2:]
        (folder / f"{source.stem}_{number:05d}.jpg").write_bytes(marked)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=240)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--no-dask", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    plan = sample_folder() / "plan.csv"
    site = twelve_megapixel_site(read_plan(plan))
    times: dict[str, list[float]] = {}
    with ExitStack() as stack:
        place = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        lay_out(place / "photos", given.photos)
        ways: dict[str, dict[str, object]] = {"one process": {}, "2 local": {"workers": 2}, "4 local": {"workers": 4}}
        if not given.no_dask:
            import distributed

            cluster = distributed.LocalCluster(
                n_workers=4, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
            )
            ways["4 of Dask"] = {"cluster": stack.enter_context(cluster).scheduler_address}

        def visit(more: dict[str, object]) -> None:
            with Logbook.create(str(place / "book"), site, plan.name, plan.read_bytes()) as book:
                summary = run_visit(book, place / "photos", "commissioning", DAY, **more)  # type: ignore[arg-type]
                assert summary.photos == given.photos, summary
            shutil.rmtree(place / "book")

        def timed(work: Callable[[dict[str, object]], None], more: dict[str, object]) -> float:
            began = time.perf_counter()
            work(more)
            return time.perf_counter() - began

        for _ in range(given.rounds):
            for name, more in ways.items():
                times.setdefault(name, []).append(timed(visit, more))
                print(f"  {name}: {times[name][-1]:.1f} s; load {os.getloadavg()[0]:.1f}", flush=True)
    medians = {name: statistics.median(taken) for name, taken in times.items()}
    print(f"{given.photos} photos, {usable_cores()} cores: " + ", ".join(f"{n} {s:.1f} s" for n, s in medians.items()))
    print(f"2 workers are {medians['one process'] / medians['2 local']:.2f} times as fast as one process")
    if not given.no_dask:
        print(f"4 workers of Dask take {medians['4 of Dask'] / medians['4 local']:.2f} of the time of 4 local processes")


if __name__ == "__main__":
    main()

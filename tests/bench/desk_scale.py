"""Paint and decision times of the desk on 5,000 cameras and 20,000 photos, beyond an empty Streamlit page.

    python -m tests.bench.desk_scale [CAMERAS]

Rows are generated; pictures are a few real ones that many rows share. An empty page is measured in the same run and
its median is taken off; so is the server's own CPU time, which other work on the machine disturbs less. Memory is the
slope of the server's resident size over 1, 5 and 10 open browsers, each of which has decided on ten cameras and looked at
every page. Prints seconds and MiB; gates nothing.
"""

from __future__ import annotations

import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from playwright.sync_api import sync_playwright

from audit.judge.finding import STATES
from audit.judge.limits import load_limits, planned_lens
from audit.logbook import Logbook, tables
from audit.logbook.codec import dump
from audit.match.placement import Placement, Role
from audit.measure.image import measurement_method
from audit.measure.record import measurement_to_record
from audit.plan.files import read_plan
from tests.browser.desk_server import ARGUMENTS, CHROMIUM, SIZES, free_port, start
from tests.desk_samples import FIRST_DAY, measured, photograph, take_photo, verdict_of, write_plan_of

PAGES = ("", "place", "site", "over_time", "sign", "plan", "bring_in")
PHOTOS_A_CAMERA = 4
REAL_PHOTOS = 24
ROUNDS = 5
BATCH = 2000


def generate(folder: Path, cameras: int) -> None:
    """A logbook with one open visit in which one camera in ten asks for something."""
    plan = write_plan_of(folder / "plan.csv", cameras)
    book = Logbook.create(str(folder / "logbook"), read_plan(plan), plan.name, plan.read_bytes())
    visit = book.open_visit("commissioning", FIRST_DAY)
    site, limits = book.site(), load_limits()
    kept = [take_photo(book, visit, f"real {n}.jpg", n, n % 4 == 1, photograph) for n in range(REAL_PHOTOS)]
    for n, photo in enumerate(kept):
        record = measurement_to_record(measured(site.cameras[0], -15.0, n % 4 == 1))
        book.put_measurement(photo.sha256, measurement_method(planned_lens(site.cameras[0], limits)), record)
    photos, placements, verdicts, counts = [], [], [], [0, 0, 0, 0]
    for n, camera in enumerate(site.cameras):
        verdict = verdict_of(site, (0, 3)[n % 2] if n % 10 == 0 else 5, 0)
        verdict = replace(verdict, camera=camera.camera,
                          findings=tuple(replace(f, camera=camera.camera) for f in verdict.findings))  # fmt: skip
        rank = STATES.index(verdict.state)
        counts[rank] += 1
        body = dump(verdict)
        verdicts.append({"visit": 1, "camera": camera.camera, "rank": rank, "probability_good": 0.1 + n / cameras / 2,
                         "body": body, "judged": body})  # fmt: skip
        for k in range(PHOTOS_A_CAMERA):
            name = f"{camera.camera}/{k}.jpg"
            role: Role = ("snapshot", "snapshot", "label", "wide view")[k]  # type: ignore[assignment]
            real = kept[(n * 4 + k) % REAL_PHOTOS]
            photos.append({"visit": 1, "name": name, "file_name": name, "sha256": real.sha256, "size_bytes": 1,
                           "mtime_ns": 1, "body": dump(replace(real, name=name))})  # fmt: skip
            placement = Placement(name, camera.camera, 0.99, "placed", name, role=role)
            placements.append({"visit": 1, "photo": name, "camera": camera.camera, "decision": "placed", "role": role,
                               "body": dump(placement)})  # fmt: skip
    with book.database.writing() as connection:
        for table, rows in ((tables.photos, photos), (tables.placements, placements), (tables.verdicts, verdicts)):
            for start in range(0, len(rows), BATCH):
                connection.execute(table.insert(), rows[start : start + BATCH])
        connection.execute(sa.delete(tables.verdict_counts))
        connection.execute(
            tables.verdict_counts.insert(), [{"visit": 1, "rank": r, "cameras": c} for r, c in enumerate(counts)]
        )
    book.close()


@contextmanager
def empty_page(folder: Path) -> Iterator[str]:
    """A server of an empty page, to take its time off."""
    app = folder / "empty.py"
    app.write_text(
        "import streamlit as st\n"
        "n = st.session_state['n'] = st.session_state.get('n', 0) + 1\n"
        "st.html(f'<h1>{n}</h1><p class=\"counts\">empty</p>')\nst.button('again', shortcut='Enter')\n"
    )
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    options = ("--server.address=127.0.0.1", f"--server.port={port}", "--server.headless=true", "--server.fileWatcherType=none")
    line = [sys.executable, "-m", "streamlit", "run", str(app), *options, "--browser.gatherUsageStats=false"]
    process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        time.sleep(8)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


@contextmanager
def own_desk(logbook: Path) -> Iterator[str]:
    """A desk in a process of its own, as users start it, so that its time and memory are its own."""
    port = free_port()
    process = start(logbook, port)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


def painted(browser: Any, address: str, wait: str) -> float:
    """Seconds until what is asked for is on the page."""
    page = browser.new_page(viewport=SIZES["desk"])
    begun = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_selector(wait, timeout=60_000)
    seconds = time.perf_counter() - begun
    page.close()
    return seconds


def decided(page: Any, rounds: int) -> list[float]:
    """Seconds from the key to the next camera's heading."""
    times = []
    for _ in range(rounds):
        before = page.locator("h1").inner_text()
        begun = time.perf_counter()
        page.keyboard.press("Enter")
        page.wait_for_function("was => document.querySelector('h1')?.innerText !== was", arg=before)
        times.append(time.perf_counter() - begun)
        page.wait_for_timeout(700)
    return times


def server_pid(port: str) -> int:
    """The process of the server that listens on a port."""
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = line.read_bytes().decode(errors="replace").split("\0")
        except OSError:
            continue
        if "ui.server" in words and any(f'"port": {port}' in word for word in words):
            return int(line.parent.name)
    raise AssertionError(f"no desk's server was found on port {port}")


def cpu_s(pid: int) -> float:
    """CPU time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mib(pid: int) -> float:
    """Resident memory of a process."""
    return int(Path(f"/proc/{pid}/status").read_text().split("VmRSS:")[1].split()[0]) / 1024


WAITS = {"": ".finding", "place": "h2", "site": "[data-camera]", "over_time": "table", "sign": "table", "plan": "table",
         "bring_in": "[data-testid='stFileUploader']"}  # fmt: skip


def main(cameras: int) -> None:
    """Generate, measure, print."""
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        folder = Path(place)
        begun = time.perf_counter()
        generate(folder, cameras)
        print(f"{cameras} cameras, {cameras * PHOTOS_A_CAMERA} photos generated in {time.perf_counter() - begun:.0f} s")
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        with empty_page(folder) as empty, own_desk(folder / "logbook") as desk:
            pages(browser, empty, desk)
            decisions(browser, empty, desk)
            memory(browser, desk)
        browser.close()


def pages(browser: Any, empty: str, desk: str) -> None:
    """First useful paint of each page, the first time and again."""
    pid = server_pid(desk.rsplit(":", 1)[1])
    bare = statistics.median(painted(browser, empty, ".counts") for _ in range(ROUNDS))
    print(f"empty page: {bare:.2f} s; the desk's server started with {cpu_s(pid):.1f} s of CPU, {rss_mib(pid):.0f} MiB")
    for name in PAGES:
        times, used = [], []
        for _ in range(4):
            before = cpu_s(pid)
            times.append(painted(browser, f"{desk}/{name}", WAITS[name]) - bare)
            used.append(cpu_s(pid) - before)
        again, again_cpu = statistics.median(times[1:]), statistics.median(used[1:])
        print(f"{name or 'review'}: first {times[0]:+.2f} s (server's CPU {used[0]:.2f} s), "
              f"then {again:+.2f} s ({again_cpu:.2f} s) beyond the empty page")  # fmt: skip


def decisions(browser: Any, empty: str, desk: str) -> None:
    """From the key to the next camera, beyond an empty page's run."""
    pid = server_pid(desk.rsplit(":", 1)[1])
    page = browser.new_page(viewport=SIZES["desk"])
    page.goto(empty)
    page.wait_for_selector(".counts")
    page.wait_for_timeout(1000)
    bare = statistics.median(decided(page, ROUNDS))
    page.goto(f"{desk}/")
    page.wait_for_selector(".finding")
    page.wait_for_timeout(2000)
    before = cpu_s(pid)
    run = decided(page, 2 * ROUNDS)
    used = (cpu_s(pid) - before) / len(run)
    print(f"decision: {1000 * (statistics.median(run) - bare):.0f} ms beyond an empty page's {1000 * bare:.0f} ms; "
          f"{1000 * used:.0f} ms of the server's CPU")  # fmt: skip
    page.close()


def memory(browser: Any, desk: str) -> None:
    """Resident size of the server over the number of open browsers."""
    pid = server_pid(desk.rsplit(":", 1)[1])
    sizes = {0: rss_mib(pid)}
    for n in range(1, 11):
        page = browser.new_context(viewport=SIZES["desk"]).new_page()
        for name in PAGES[1:]:
            page.goto(f"{desk}/{name}")
            page.wait_for_selector(WAITS[name], timeout=60_000)
        page.goto(f"{desk}/")
        page.wait_for_selector(".finding")
        page.wait_for_timeout(1000)
        decided(page, 10)
        sizes[n] = rss_mib(pid)
    slope = statistics.linear_regression([1, 5, 10], [sizes[1], sizes[5], sizes[10]]).slope
    shown = ", ".join(f"{n}: {sizes[n]:.0f}" for n in (0, 1, 5, 10))
    print(f"memory: {slope:.0f} MiB per open browser (server's MiB by open browsers {shown})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)

"""Bringing heaps in: progress, refusals by name, a server that is killed midway, uploads that don't stay in memory."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from audit.logbook import Logbook
from audit.photos.inbox import Inbox
from audit.plan.files import read_plan
from tests.browser.desk_server import free_port, start
from tests.desk_samples import write_plan_of

pytestmark = pytest.mark.browser
#: So few that the visit starts no workers (``tests/test_running.py`` has them end with their server): what must happen while
#: it reads waits for no clock (:func:`held`), so that the heap need not be large.
GOOD, BAD = int(os.environ.get("PHOTO_AUDIT_TEST_HEAP", "11")), 4
READING = f"/Reading for \\d+ s: \\d{{1,5}} of {GOOD + BAD} IMG_/.test(document.body.innerText)"


def small_jpeg(number: int, side_px: int = 96, quality: int = 40) -> bytes:
    """A made-up picture of which no two are alike."""
    noise = np.random.default_rng(number).integers(0, 255, (side_px // 8, side_px // 6, 3), dtype=np.uint8)
    out = BytesIO()
    Image.fromarray(noise).resize((side_px * 4 // 3, side_px)).save(out, "JPEG", quality=quality)
    return out.getvalue()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    plan = write_plan_of(tmp_path / "plan.csv", 6)
    with Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        yield book


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Callable[[int], subprocess.Popen[bytes]]]:
    """Starts a desk on a port; none outlives the test."""
    started: list[subprocess.Popen[bytes]] = []

    def begin(port: int) -> subprocess.Popen[bytes]:
        started.append(start(tmp_path / "logbook", port))
        return started[-1]

    yield begin
    for process in started:
        process.kill()
        process.wait(20)


@contextmanager
def held(book: Logbook, process: subprocess.Popen[bytes], more_than: int) -> Iterator[None]:
    """Once a visit has kept some photos more, those who open files for it stand still until the block ends."""
    until = time.monotonic() + 60
    while not book.visits() or len(book.photos(book.visit())) <= more_than:
        assert time.monotonic() < until, "nothing was read within 60 s"
        time.sleep(0.02)
    readers = _readers(process.pid)
    assert readers, "nobody opens files"
    for pid in readers:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in readers:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)


def _readers(above: int) -> list[int]:
    """Processes below a server's that open hostile files (``audit.photos.guard``)."""
    below, found = [above], []
    while below:
        pid = below.pop()
        with suppress(OSError):
            for task in Path(f"/proc/{pid}/task").iterdir():
                below += [int(child) for child in (task / "children").read_text().split()]
            if b"audit.photos.guard" in Path(f"/proc/{pid}/cmdline").read_bytes():
                found.append(pid)
    return found


def test_a_heap_with_bad_files_goes_on_after_the_server_was_killed(
    tmp_path: Path, book: Logbook, server: Callable[[int], subprocess.Popen[bytes]], page_of: Callable[[str], Any], keep: Any
) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    for n in range(GOOD):
        (photos / f"IMG_{n:04d}.jpg").write_bytes(small_jpeg(n))
    whole = small_jpeg(GOOD)
    for n in range(BAD):
        (photos / f"bad {n:02d}.jpg").write_bytes((whole[: len(whole) // 2], b"", b"not a photo", bytes(4000))[n % 4])
    port = free_port()
    process = server(port)
    page = page_of("desk")
    page.goto(f"http://127.0.0.1:{port}/bring_in")
    page.get_by_label("Folder on this computer").fill(str(photos))
    page.get_by_role("button", name="Start").press("Enter")
    with held(book, process, 2):
        page.wait_for_function(READING, timeout=60_000, polling=200)
        keep(page, "heap_under_way")
        process.kill()
        process.wait(20)
    visit = book.visit()
    kept = settled(book)
    assert 0 < kept < GOOD, "killed midway"
    process = server(port)
    page.goto(f"http://127.0.0.1:{port}/bring_in")
    page.wait_for_selector(f"text=was not finished. {kept} photos are kept with it")
    keep(page, "heap_offered_again")
    go_on = page.get_by_role("button", name="Go on with it")
    go_on.press("Enter")
    with held(book, process, kept):
        page.wait_for_function(READING, timeout=60_000, polling=200)
        page.reload()
        page.locator(".st-key-stop button").click()
        page.wait_for_selector(".st-key-stop button", state="detached")
    go_on.wait_for(timeout=60_000)
    assert kept < settled(book) < GOOD, "stopped by a page that was loaded anew"
    go_on.press("Enter")
    page.wait_for_selector(f"text={GOOD} photos read, {BAD} refused", timeout=240_000)
    assert len(book.photos(visit)) == GOOD and len(book.visits()) == 1
    page.wait_for_selector("table.plain td:first-child")  # the sentence stands on the page before its table does
    cells = page.locator("table.plain td:first-child").all_inner_texts()
    assert sorted(cells) == [f"bad {n:02d}.jpg" for n in range(BAD)]
    page.reload()
    page.wait_for_selector("text=Rejected files")
    page.wait_for_timeout(500)
    assert page.get_by_role("button", name="Go on with it").count() == 0


def settled(book: Logbook) -> int:
    """Photos kept once the visit has noticed that its server is gone."""
    before, now = -1, len(book.photos(book.visit()))
    while before != now:
        time.sleep(2)
        before, now = now, len(book.photos(book.visit()))
    return now


def rss_mib(pid: int) -> float:
    return int(Path(f"/proc/{pid}/status").read_text().split("VmRSS:")[1].split()[0]) / 1024


def test_dropped_photos_go_to_disk_and_leave_memory(
    tmp_path: Path, book: Logbook, server: Callable[[int], subprocess.Popen[bytes]], page_of: Callable[[str], Any]
) -> None:
    rng = np.random.default_rng(1)
    dropped = []
    for n in range(12):
        path = tmp_path / f"IMG_{n}.jpg"
        path.write_bytes(small_jpeg(n) + rng.bytes(8 << 20))
        dropped.append(str(path))
    port = free_port()
    process = server(port)
    page = page_of("phone")
    page.goto(f"http://127.0.0.1:{port}/bring_in")
    page.get_by_label("Folder on this computer").wait_for()
    page.wait_for_timeout(1500)
    before = rss_mib(process.pid)
    page.get_by_test_id("stForm").locator("input[type='file']").set_input_files(dropped)
    page.wait_for_timeout(4000)
    page.get_by_role("button", name="Start").press("Enter")
    page.wait_for_selector("text=12 photos read", timeout=120_000)
    visit = book.visit()
    inbox = Inbox.of(book.address, visit.kind, visit.on)
    assert {p.name for p in inbox.folder.iterdir()} == {Path(p).name for p in dropped}
    page.goto("about:blank")
    after = before + 1e6
    for _ in range(40):
        after = rss_mib(process.pid)
        if after - before < 60:
            break
        page.wait_for_timeout(500)
    print(f"server {before:.0f} MiB before, {after:.0f} MiB after 12 photos of 8 MiB")
    assert after - before < 60

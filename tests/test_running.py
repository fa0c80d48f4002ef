"""A visit beside a server: in a process of its own, with progress, stopped when asked, gone when its server is."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from audit import running
from audit.logbook import Logbook
from audit.photos.inbox import Inbox
from audit.plan.files import read_plan
from audit.running import Job, RunningVisit
from tests.conftest import photograph_bytes

ROOT = Path(__file__).resolve().parent.parent
DAY = "2026-06-16"
#: So many are worth workers; so few are read by the visit's own process.
MANY, FEW = 24, 6


@pytest.fixture
def book(tmp_path: Path, plan: Path) -> Iterator[Logbook]:
    with Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        yield book


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    return laid_out(tmp_path / "photos", MANY)


@pytest.fixture
def few(tmp_path: Path) -> Path:
    return laid_out(tmp_path / "few", FEW)


@pytest.fixture
def large(tmp_path: Path) -> Path:
    """Photos that take long enough for what is said meanwhile to be heard."""
    return laid_out(tmp_path / "large", MANY, photograph_bytes())


def laid_out(folder: Path, count: int, picture: bytes | None = None) -> Path:
    """Photos, by default small ones that take no longer than their number asks, and a file that is none."""
    picture = picture or small_photograph()
    folder.mkdir()
    for n in range(count):
        (folder / f"C-1_{n:03d}.jpg").write_bytes(picture + bytes([n]))
    (folder / "notes.txt").write_text("no photo")
    return folder


def small_photograph() -> bytes:
    small = BytesIO()
    Image.open(BytesIO(photograph_bytes())).resize((160, 90)).save(small, "JPEG")
    return small.getvalue()


def job(book: Logbook, folder: Path) -> Job:
    return Job(book.address, None, str(folder), "commissioning", DAY)


def gone(process_id: int) -> bool:
    try:
        state = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return True
    return state == "Z"


def until(condition: object, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.05)


def test_the_seconds_of_a_step_move_while_one_item_takes_long(book: Logbook, photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    run = RunningVisit(job(book, photos))
    said = {"step": "place", "done": 0, "total": 1, "name": ""}
    run._hear(said)
    for second in range(1, 15):
        now[0] = 100.0 + second
        run._hear(said)
        assert run.step_seconds == second
    run._hear({**said, "step": "measure"})
    assert run.step_seconds == 0


def test_it_says_how_far_it_is_and_what_it_brought(book: Logbook, large: Path) -> None:
    run = RunningVisit(job(book, large))
    run.start()
    assert run.process_id not in (None, os.getpid())
    seen = []
    while run.alive:
        if run.progress is not None and (not seen or seen[-1] is not run.progress):
            seen.append(run.progress)
        time.sleep(0.02)
    assert run.problem is None and run.brought is not None
    assert (run.brought.photos, run.brought.refused) == (MANY, 1)
    assert len(seen) >= 3 and max(each.total for each in seen) == MANY + 1
    assert len(book.photos(book.visit(run.brought.visit))) == MANY
    assert Inbox.under_way(book.address) == ()


def test_its_process_loads_no_page(book: Logbook, photos: Path, tmp_path: Path) -> None:
    """A server whose script has no guard, as a page hasn't: neither the visit nor its workers run it again, nor load the desk."""
    server = tmp_path / "page.py"
    server.write_text(
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        f"with open({str(tmp_path / 'ran')!r}, 'a') as ran: ran.write('once\\n')\n"
        "from audit.running import Job, RunningVisit\n"
        f"run = RunningVisit(Job({book.address!r}, None, {str(photos)!r}, 'commissioning', {DAY!r}))\n"
        "run.start()\nrun.wait()\n"
        "assert run.problem is None and run.brought.photos == int(sys.argv[1]), run.problem\n"
    )
    done = subprocess.run([sys.executable, str(server), str(MANY)], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "ran").read_text() == "once\n"
    loaded = "import sys, audit.running; print([m for m in sys.modules if m.split('.')[0] in ('ui', 'streamlit')])"
    told = subprocess.run([sys.executable, "-c", loaded], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout == "[]\n"


def test_it_stops_when_asked_and_goes_on_later(book: Logbook, large: Path) -> None:
    run = RunningVisit(job(book, large))
    run.start()
    until(lambda: run.progress is not None and run.progress.step == "read" and run.progress.done > 0)
    run.stop()
    run.wait(60)
    assert run.stopping and not run.alive and run.problem is not None and "stopped" in run.problem
    assert 0 < len(book.photos(book.visit())) < MANY
    assert len(Inbox.under_way(book.address)) == 1
    again = RunningVisit(job(book, large))
    again.start()
    again.wait(120)
    assert again.brought is not None and again.brought.photos == MANY and len(book.visits()) == 1


def test_a_folder_that_is_not_there_is_one_sentence(book: Logbook, tmp_path: Path) -> None:
    run = RunningVisit(job(book, tmp_path / "nowhere"))
    run.start()
    run.wait(60)
    assert run.problem is not None and "no such folder" in run.problem and Inbox.under_way(book.address) == ()


def test_a_process_that_dies_is_one_sentence(book: Logbook, few: Path) -> None:
    run = RunningVisit(job(book, few))
    run.start()
    until(lambda: run.progress is not None)
    os.kill(run.process_id or 0, signal.SIGKILL)
    run.wait(30)
    assert run.problem is not None and "goes on where it was" in run.problem and run.brought is None


def test_workers_are_started_where_the_photos_are_worth_them(photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "usable_cores", lambda: 2)
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "one.jpg").write_bytes(b"")
    (tmp_path / "all.zip").write_bytes(b"")
    assert [running._workers(tmp_path / name) for name in ("one", "photos", "all.zip", "nowhere")] == [0, 2, 2, 0]


def test_it_ends_with_its_server_however_that_ends(book: Logbook, photos: Path, tmp_path: Path) -> None:
    code = (
        "import sys, time; from audit.running import Job, RunningVisit\n"
        "run = RunningVisit(Job(*sys.argv[1:])); run.start(); print(run.process_id, flush=True)\n"
        "while run.progress is None: time.sleep(0.05)\n"
        "print('working', flush=True); time.sleep(600)"
    )
    line = [sys.executable, "-c", code, book.address, "", str(photos), "commissioning", DAY]
    with subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        visit = int(server.stdout.readline())
        assert server.stdout.readline() == "working\n"
        children = [int(c) for c in Path(f"/proc/{visit}/task/{visit}/children").read_text().split()]
        server.kill()
    until(lambda: gone(visit), 30)
    until(lambda: all(gone(child) for child in children), 30)
    assert len(book.visits()) == 1

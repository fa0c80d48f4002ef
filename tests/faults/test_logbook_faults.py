"""What the logbook does when it is killed, cut off, crowded, full, or left alone by its servers."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook
from tests.faults import working_visit
from tests.logbook_samples import DAY, fill, make_photo, make_verdict, start

ROOT = Path(__file__).parents[2]
KILLS = int(os.environ.get("PHOTO_AUDIT_TEST_KILLS", "12"))
CUTS = max(2, KILLS // 6)

needs_mount = pytest.mark.skipif(
    not hasattr(os, "getuid") or os.getuid() != 0 or shutil.which("mount") is None, reason="needs to mount as root"
)


def mounted(target: Path, *arguments: str) -> None:
    target.mkdir(exist_ok=True)
    done = subprocess.run(["mount", *arguments, str(target)], capture_output=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"can't mount here: {done.stderr.decode()}")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    mounted(disk, "-t", "tmpfs", "-o", "size=1m", "tmpfs")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict:
    address = str(tmp_path_factory.mktemp("undisturbed") / "logbook")
    working_visit.work(address, None)
    return working_visit.outcome(address)


def test_kills_at_random_moments_lose_and_double_nothing(place) -> None:
    """500 kills with PHOTO_AUDIT_TEST_KILLS=500."""
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if os.path.isdir("/dev/shm") else None))  # kills spare the disk
    address = str(folder) if place.images is None else place.address
    command = [sys.executable, "-m", "tests.faults.working_visit", address, str(folder / "images"), str(KILLS), "11"]
    try:
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=3000, check=False)
    finally:
        shutil.rmtree(folder)
    assert done.returncode == 0, done.stderr
    report = json.loads(done.stdout)
    assert report["kills"] >= KILLS
    assert report["differing"] == [] and report["lost"] == 0


@needs_mount
@pytest.mark.skipif(shutil.which("mkfs.ext4") is None, reason="needs mkfs.ext4")
def test_a_power_cut_loses_only_what_was_not_yet_said_to_be_kept(tmp_path: Path, undisturbed: dict) -> None:
    """The disk's content at a random moment, without what the system had not yet written to it."""
    chance = random.Random(5)
    dropped = 0
    for turn in range(CUTS):
        disk, copy = tmp_path / f"disk{turn}.img", tmp_path / f"copy{turn}.img"
        with disk.open("wb") as file:
            file.truncate(24 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-m", "0", str(disk)], check=True)
        before, after = tmp_path / f"before{turn}", tmp_path / f"after{turn}"
        mounted(before, "-o", "loop", str(disk))
        try:
            (before / "unsynced").write_bytes(b"x" * 5000)
            said, say = os.pipe()
            address = str(before / "logbook")

            def work(address: str = address, say: int = say) -> None:
                working_visit.work(address, None, lambda name: os.write(say, f"{name}\n".encode()) and None)

            process = working_visit.forked(work)
            os.close(say)
            time.sleep(chance.uniform(0.1, 0.9))
            os.kill(process, signal.SIGSTOP)
            shutil.copyfile(disk, copy)
            os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)
            with os.fdopen(said, "rb") as pipe:
                kept = pipe.read().decode().splitlines()
        finally:
            subprocess.run(["umount", "-l", str(before)], check=True)
        mounted(after, "-o", "loop", str(copy))
        try:
            unsynced = after / "unsynced"
            dropped += not unsynced.exists() or unsynced.stat().st_size == 0
            address = str(after / "logbook")
            if kept:
                with Logbook.open(address) as book:
                    assert set(kept) <= {p.name for p in book.photos(1)}
                    assert book.verify() == ()
            working_visit.work(address, None)
            assert working_visit.outcome(address) == undisturbed
        finally:
            subprocess.run(["umount", "-l", str(after)], check=True)
    assert dropped, "the simulation dropped nothing that was unsynced"


@needs_mount
def test_a_full_disk_is_one_sentence_and_the_run_goes_on_after_it(small_disk: Path, undisturbed: dict) -> None:
    address = str(small_disk / "logbook")
    with pytest.raises(
        LogbookError, match="the disk is full; free some space and run the same command again"
    ) as caught:
        working_visit.work(address, None)
    assert "\n" not in caught.value.message
    for _ in range(3):
        with pytest.raises(LogbookError, match="disk is full"):
            working_visit.work(address, None)
    if Logbook.exists(address):
        with Logbook.open(address) as book:
            assert book.verify() == ()
    subprocess.run(["mount", "-o", "remount,size=64m", str(small_disk)], check=True)
    working_visit.work(address, None)
    assert working_visit.outcome(address) == undisturbed


@needs_mount
def test_a_full_disk_while_signing_leaves_the_visit_open(small_disk: Path) -> None:
    book = start(str(small_disk / "logbook"))
    visit = fill(book)
    with pytest.raises(OSError, match="No space left"):
        (small_disk / "filler").write_bytes(bytes(2 << 20))
    with pytest.raises(LogbookError, match="disk is full"):
        book.sign(visit, "Ada Example")
    assert book.visit().signed_at is None
    (small_disk / "filler").unlink()
    book.sign(visit, "Ada Example")
    assert book.verify() == ()


@needs_mount
def test_a_read_only_disk_shows_and_verifies_but_takes_nothing(small_disk: Path) -> None:
    address = small_disk / "logbook"
    with closing(start(str(address))) as book:
        fill(book)
        book.sign(1, "Ada Example")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with Logbook.open(address) as book:
        assert len(book.photos(1)) == 6
        assert book.verify() == ()
        assert "read-only" in book.health()[1]
        for attempt in (
            lambda: book.open_visit("maintenance", DAY),
            lambda: fill(book, DAY.replace(month=12)),
            lambda: book.put_measurement(book.photos(1)[0].sha256, "x/1", {}),
            lambda: book.sign(1, "Ada Example"),
        ):
            with pytest.raises(LogbookError, match="read-only"):
                attempt()
    with pytest.raises(LogbookError, match="read-only"):
        start(str(small_disk / "other"))


@needs_mount
def test_a_read_only_copy_of_a_killed_logbook_says_what_to_do(small_disk: Path, tmp_path: Path) -> None:
    with closing(start(str(tmp_path / "logbook"))) as book:
        fill(book)
        shutil.copytree(tmp_path / "logbook", small_disk / "copy", ignore=shutil.ignore_patterns("*-shm"))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(LogbookError, match="was not closed .*copy it to a folder that can be written"):
        Logbook.open(small_disk / "copy").photos(1)


def held(address: str) -> subprocess.Popen[str]:
    """Another process that holds the logbook for writing."""
    code = (
        "import sys, time\n"
        "from audit.logbook import Logbook\n"
        "book = Logbook.open(sys.argv[1])\n"
        "with book.writing(1):\n"
        "    print('held', flush=True)\n"
        "    time.sleep(600)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code, address], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stdout.readline() == "held\n"
    return process


def test_a_second_writer_is_told_at_once_and_a_killed_one_never_blocks(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    process = held(place.address)
    try:
        sentence = f"process {process.pid} on" if place.images is None else "another program is writing"
        with pytest.raises(LogbookError, match=sentence), book.writing(visit):
            pass
        with pytest.raises(LogbookError, match="wait until it is done"):
            book.sign(visit, "Ada Example")
        assert process.poll() is None, "told while the other still writes"
        book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "a reviewer goes on meanwhile")
    finally:
        process.kill()
        process.wait()
    for _ in range(50):
        try:
            with book.writing(visit):
                break
        except LogbookError:
            time.sleep(0.1)  # a server needs a moment to see that its client is gone
    else:
        pytest.fail("the killed writer still holds the logbook")
    book.sign(visit, "Ada Example")


def together(*tasks) -> list[BaseException]:
    """Runs tasks at the same time, each in a thread; gives what they raised."""
    errors: list[BaseException] = []

    def run(task) -> None:
        try:
            task()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=run, args=(task,)) for task in tasks]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return errors


def test_reviewers_at_the_same_time_lose_no_decision(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)

    def decide(reviewer: int) -> None:
        with Logbook.open(place.address) as mine:
            for n in range(10):
                mine.decide(visit, f"C-{n % 3 + 1}", "aim", "confirm", f"Reviewer {reviewer}", str(n))

    assert together(*(lambda r=r: decide(r) for r in range(5))) == []
    decisions = book.decisions(visit)
    assert len({(d.by, d.why) for d in decisions}) == 50
    assert sum(d.in_force for d in decisions) == 3


def test_the_same_visit_opened_at_the_same_time_is_one(place) -> None:
    start(place.address, place.images).close()
    numbers: list[int] = []

    def open_visit() -> None:
        with Logbook.open(place.address) as mine:
            numbers.append(mine.open_visit("commissioning", DAY).number)

    assert together(*[open_visit] * 6) == []
    assert numbers == [1] * 6


def test_the_same_photo_at_the_same_time_is_kept_once(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    data = picture = random.Random(1).randbytes(50_000)

    def add() -> None:
        with Logbook.open(place.address) as mine:
            mine.add_photo(visit, make_photo("a.jpg", data), picture)

    assert together(*[add] * 6) == []
    assert [p.name for p in book.photos(visit)] == ["a.jpg"]


def test_nothing_slips_in_while_a_visit_is_signed(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    done = threading.Event()

    def write() -> None:
        with Logbook.open(place.address) as mine:
            for n in range(500):
                try:
                    mine.decide(visit, "C-1", "aim", "confirm", "Ada Example", str(n))
                except LogbookError as error:
                    assert "signed" in error.message
                    return
            done.set()

    def sign() -> None:
        time.sleep(0.05)
        book.sign(visit, "Ben Example")

    assert together(write, write, sign) == []
    assert book.verify() == ()


@pytest.mark.postgres
def test_a_database_that_goes_away_is_one_sentence_and_comes_back(
    postgres_server, postgres_url: str, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("PHOTO_AUDIT_KEYS", str(tmp_path / "keys"))
    book = start(postgres_url, str(tmp_path / "images"))
    visit = fill(book)
    postgres_server.stop()
    try:
        for attempt in (
            lambda: book.photos(visit),
            lambda: book.put_verdicts(visit, [make_verdict("C-1", "defect")]),
            lambda: book.writing(visit).__enter__(),
            lambda: Logbook.open(postgres_url),
        ):
            with pytest.raises(LogbookError, match="doesn't answer") as caught:
                attempt()
            assert "\n" not in caught.value.message
        assert not book.health()[0]
    finally:
        postgres_server.start()
    assert len(book.photos(visit)) == 6
    book.put_verdicts(visit, [make_verdict("C-1", "defect")])
    book.sign(visit, "Ada Example")
    assert book.verify() == ()


@pytest.mark.postgres
def test_a_database_that_goes_away_in_the_middle_of_a_visit(
    postgres_server, postgres_url, tmp_path, undisturbed
) -> None:
    images = str(tmp_path / "images")
    count = 0

    def cut(name: str) -> None:
        nonlocal count
        count += 1
        if count == 20:
            postgres_server.stop()

    try:
        with pytest.raises(LogbookError, match="doesn't answer"):
            working_visit.work(postgres_url, images, cut)
    finally:
        postgres_server.start()
    working_visit.work(postgres_url, images)
    assert working_visit.outcome(postgres_url) == undisturbed

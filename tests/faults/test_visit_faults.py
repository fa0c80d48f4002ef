"""Whole visits that something falls into: a store that goes, a card half copied, a clock that jumps, workers that die.

After each, run again: the findings are those of an undisturbed run, and no photo is lost or doubled.
"""

from __future__ import annotations

import os
import shutil
import signal
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook
from audit.photos.guard import guard_of_this_process
from audit.plan.files import read_plan
from audit.visit import Progress, run_visit
from audit.visit import read as reading
from tests.conftest import photograph_bytes, write_plan

DAY = date(2026, 6, 16)


@pytest.fixture(scope="module")
def whole_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Day and night pictures of two cameras, two of them with nothing in the name but the folder's, and a note."""
    folder = tmp_path_factory.mktemp("whole") / "card"
    picture_bytes = photograph_bytes()
    picture = cv2.imdecode(np.frombuffer(picture_bytes, np.uint8), cv2.IMREAD_COLOR)
    for number, name in enumerate(("C-1_day", "C-1_night", "C-2/day", "C-2/night")):
        path = folder / f"{name}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        darker = (picture * (1.0 if "day" in name else 0.25)).astype(np.uint8)
        path.write_bytes(cv2.imencode(".jpg", np.roll(darker, 40 * number, axis=1))[1].tobytes())
    (folder / "notes.txt").write_text("Lunch list")
    return folder


@pytest.fixture
def card(whole_card: Path, tmp_path: Path) -> Path:
    """A card of a test's own."""
    return Path(shutil.copytree(whole_card, tmp_path / "card"))


def new(plan: Path, where: Path, images: str | None = None, **more: object) -> Logbook:
    return Logbook.create(str(where), read_plan(plan), plan.name, plan.read_bytes(), images, **more)  # type: ignore[arg-type]


def outcome(book: Logbook) -> tuple[object, ...]:
    """What an undisturbed run gives: photos, refusals, places and verdicts."""
    photos = book.photos(1)
    return (
        photos,
        [(r.name, r.kind) for r in book.refusals(1)],
        book.placements(1),
        book.verdicts(1),
        [sorted(book.methods(p.sha256)) for p in photos],
        book.verify(),
    )


@pytest.fixture(scope="module")
def undisturbed(whole_card: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    folder = tmp_path_factory.mktemp("undisturbed")
    with new(write_plan(folder / "plan.csv"), folder / "book") as book:
        run_visit(book, whole_card, "commissioning", DAY)
        return outcome(book)


def test_a_store_that_goes_in_the_middle_and_comes_back(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An S3-compatible server over HTTP (moto) that stops after the second photo and is started again."""
    moto, s3fs = pytest.importorskip("moto.server"), pytest.importorskip("s3fs")
    server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    keys = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_DEFAULT_REGION": "us-east-1"}
    for name, value in ({"AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_MAX_ATTEMPTS": "1"} | keys).items():
        monkeypatch.setenv(name, value)
    s3fs.S3FileSystem.clear_instance_cache()
    s3fs.S3FileSystem().mkdir("visits")

    def stop(progress: Progress) -> None:
        if (progress.step, progress.done) == ("read", 2):
            server.stop()

    with new(plan, tmp_path / "book", "s3://visits/site") as book:
        with pytest.raises(LogbookError, match="image store doesn't answer"):
            run_visit(book, card, "commissioning", DAY, progress=stop)
        assert len(book.photos(1)) == 2
        server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
        server.start()
        try:
            run_visit(book, card, "commissioning", DAY)
            assert outcome(book) == undisturbed
        finally:
            server.stop()


def test_a_card_that_was_half_copied(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...]
) -> None:
    """One file cut, one with zeros where its end belongs, one not there yet; then all of them whole."""
    whole = {path: path.read_bytes() for path in card.rglob("*.jpg")}
    cut, zeros, missing = sorted(whole)[:3]
    cut.write_bytes(whole[cut][: len(whole[cut]) // 3])
    zeros.write_bytes(whole[zeros][: len(whole[zeros]) // 2].ljust(len(whole[zeros]), b"\0"))
    missing.unlink()
    with new(plan, tmp_path / "book") as book:
        summary = run_visit(book, card, "commissioning", DAY)
        assert {name for name, _ in summary.refused} == {"notes.txt", *(p.relative_to(card).as_posix() for p in (cut, zeros))}
        for path, data in whole.items():
            path.write_bytes(data)
            os.utime(path, ns=(0, 1_800_000_000_000_000_000))
        run_visit(book, card, "commissioning", DAY)
        assert outcome(book) == undisturbed


def test_a_file_that_changes_while_it_is_read_is_read_again(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = card / "C-1_day.jpg"
    data, really = path.read_bytes(), reading.read_file
    monkeypatch.setattr(reading, "read_file", lambda p, name: really(p, name) + b"x" * (p == path))
    with new(plan, tmp_path / "book") as book:
        summary = run_visit(book, card, "commissioning", DAY)
        assert ("C-1_day.jpg", "C-1_day.jpg: the file changed while it was read; run the visit again.") in summary.refused
        monkeypatch.setattr(reading, "read_file", really)
        path.write_bytes(data)
        run_visit(book, card, "commissioning", DAY)
        assert outcome(book) == undisturbed


def test_a_clock_that_jumps_back_and_forth(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...]
) -> None:
    ticks = 0

    def clock() -> datetime:
        nonlocal ticks
        ticks += 1
        return datetime(2026, 6, 16, tzinfo=UTC) + timedelta(days=(-400 if ticks % 3 else 4000) + ticks)

    with new(plan, tmp_path / "book", clock=clock) as book:
        run_visit(book, card, "commissioning", DAY)
        run_visit(book, card, "commissioning", DAY)
        assert outcome(book) == undisturbed
        book.sign(1, "Ada Example", keys=tmp_path / "keys")
        assert book.verify() == ()


def test_a_guarded_worker_that_is_killed_between_two_files(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...]
) -> None:
    killed = []

    def kill(progress: Progress) -> None:
        worker = guard_of_this_process().worker_id
        if progress.step == "read" and progress.done in (1, 3) and worker is not None:
            os.kill(worker, signal.SIGKILL)
            killed.append(worker)

    with new(plan, tmp_path / "book") as book:
        run_visit(book, card, "commissioning", DAY, progress=kill)
        assert killed and outcome(book) == undisturbed


def test_a_dask_cluster_finds_the_same(
    card: Path, plan: Path, tmp_path: Path, undisturbed: tuple[object, ...]
) -> None:
    """Its workers get a folder's images as bytes: they may stand on other machines."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster,
        new(plan, tmp_path / "book") as book,
    ):
        run_visit(book, card, "commissioning", DAY, cluster=cluster.scheduler_address)
        assert outcome(book) == undisturbed


def test_postgresql_an_object_store_and_a_dask_worker_that_is_killed(
    card: Path, plan: Path, undisturbed: tuple[object, ...], postgres_url: str, s3_url: str
) -> None:
    """All that may stand on other machines at once; a worker dies while it measures, and its nanny starts another."""
    distributed = pytest.importorskip("distributed")
    killed: list[int] = []
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster,
        Logbook.create(postgres_url, read_plan(plan), plan.name, plan.read_bytes(), s3_url) as book,
    ):

        def kill(progress: Progress) -> None:
            if progress.step == "measure" and not killed:
                killed.append(next(iter(cluster.workers.values())).pid)
                os.kill(killed[0], signal.SIGKILL)

        run_visit(book, card, "commissioning", DAY, cluster=cluster.scheduler_address, progress=kill)
        assert killed and outcome(book) == undisturbed

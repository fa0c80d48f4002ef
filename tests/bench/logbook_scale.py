"""Times of a logbook with 1,000,000 photos and 50,000 cameras over those with 10,000 photos and 500 cameras.

``python -m tests.bench.logbook_scale FOLDER [--photos 1000000] [--rounds 5] [--postgres SMALL LARGE | --own-postgres]``

``--postgres`` takes the addresses of two empty databases; ``--own-postgres`` starts a server in FOLDER for the run.

Rows are generated; a camera has 20 photos over two visits, a visit 500 cameras, and one more visit has judged all
cameras. Old photos have rows and no image files. Small and large are timed in turn, and the ratio of medians counts.
"""

from __future__ import annotations

import argparse
import atexit
import hashlib
import json
import random
import shutil
import statistics
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from audit.judge.finding import STATES
from audit.logbook import Logbook, tables
from audit.logbook.codec import dump
from tests.logbook_samples import METHOD, PLAN, make_photo, make_placement, make_site, make_verdict
from tests.servers import PostgresServer, postgres_binaries

PHOTOS_A_CAMERA = 20
CAMERAS_A_VISIT = 500
FIRST_DAY = date(2016, 1, 1)
BATCH = 5_000


def generate(book: Logbook, cameras: int) -> int:
    """Fills a logbook with rows; gives the number of the visit that judged every camera."""
    time_text = book.clock()
    last = 2 * cameras // CAMERAS_A_VISIT + 1
    visits = [
        {"number": n, "kind": "maintenance", "on_day": FIRST_DAY + timedelta(days=n), "started_at": time_text}
        for n in range(1, last + 1)
    ]
    shots = [
        (n, f"C-{c + 1}", k, hashlib.sha256(f"{n} {c} {k}".encode()).hexdigest())
        for n in range(1, last)
        for c in range((n - 1) // 2 * CAMERAS_A_VISIT, ((n - 1) // 2 + 1) * CAMERAS_A_VISIT)
        for k in range(PHOTOS_A_CAMERA // 2)
    ]
    photo, placement = dump(make_photo("NAME", b"x")), dump(make_placement("NAME", "CAMERA"))
    measurement = json.dumps({"roll_deg": 0.5, "pitch_deg": -15.0, "sky_fraction": 0.3, "note": "x" * 300})
    verdicts = {state: dump(make_verdict("CAMERA", state)) for state in STATES}
    chance = random.Random(1)

    def judged(pairs: Iterable[tuple[int, str]]) -> Iterator[dict[str, Any]]:
        for visit, camera in pairs:
            rank = chance.choices(range(4), (3, 5, 2, 90))[0]
            body = verdicts[STATES[rank]].replace("CAMERA", camera)
            yield {
                "visit": visit,
                "camera": camera,
                "rank": rank,
                "probability_good": chance.random(),
                "body": body,
            }

    _fill(book, tables.visits, visits)
    _fill(book, tables.images, ({"sha256": s, "size_bytes": 4_000_000, "stored_at": time_text} for *_, s in shots))
    _fill(
        book,
        tables.photos,
        (
            {
                "visit": n,
                "name": f"{camera}/{k}.jpg",
                "file_name": f"{camera}/{k}.jpg",
                "sha256": sha256,
                "size_bytes": 4_000_000,
                "mtime_ns": k,
                "body": photo.replace("NAME", f"{camera}/{k}.jpg"),
            }
            for n, camera, k, sha256 in shots
        ),
    )
    _fill(
        book,
        tables.measurements,
        ({"sha256": s, "method": METHOD, "body": measurement, "at": time_text} for *_, s in shots),
    )
    _fill(
        book,
        tables.placements,
        (
            {
                "visit": n,
                "photo": f"{camera}/{k}.jpg",
                "camera": camera,
                "decision": "placed",
                "role": "snapshot",
                "body": placement.replace("NAME", f"{camera}/{k}.jpg").replace("CAMERA", camera),
            }
            for n, camera, k, _ in shots
        ),
    )
    _fill(
        book,
        tables.references,
        (
            {"visit": n, "camera": camera, "channel": "day", "sha256": sha256, "photo": f"{camera}/{k}.jpg"}
            for n, camera, k, sha256 in shots
            if k == 0
        ),
    )
    _fill(book, tables.verdicts, judged(sorted({(n, camera) for n, camera, *_ in shots})))
    _fill(book, tables.verdicts, judged((last, f"C-{c + 1}") for c in range(cameras)))
    _fill(
        book,
        tables.verdict_counts,
        [{"visit": n, "rank": rank, "cameras": 100} for n in range(1, last + 1) for rank in range(len(STATES))],
    )
    return last


def _fill(book: Logbook, table: Any, rows: Iterable[dict[str, Any]]) -> None:
    batch: list[dict[str, Any]] = []
    with book.database.writing() as connection:
        for row in rows:
            batch.append(row)
            if len(batch) == BATCH:
                connection.execute(table.insert(), batch)
                batch = []
        if batch:
            connection.execute(table.insert(), batch)


def tasks(book: Logbook, judged: int) -> dict[str, Callable[[], object]]:
    """What is timed, by name."""
    chance = random.Random(2)
    turn = 0
    cameras = len(book.site().cameras)

    def visit_of_200() -> None:
        nonlocal turn
        turn += 1
        visit = book.open_visit("commissioning", FIRST_DAY + timedelta(days=10_000 + turn))
        with book.writing(visit):
            book.seen(visit)
            placements = []
            for n in range(200):
                data = chance.randbytes(20_000)
                photo = book.add_photo(visit, make_photo(f"{n}.jpg", data), data, preview=data[:2000])
                if book.measurement(photo.sha256, METHOD) is None:
                    book.put_measurement(photo.sha256, METHOD, {"roll_deg": 0.5, "night": n % 2 == 0})
                placements.append(make_placement(photo.name, f"C-{n % 20 + 1}"))
            book.put_placements(visit, placements)
            for n in range(20):
                book.referenced(visit, f"C-{n + 1}")
            book.put_verdicts(visit, [make_verdict(f"C-{n + 1}") for n in range(20)])

    def worst_first() -> None:
        assert len(book.verdicts(judged, limit=50)) == 50
        book.verdict_counts(judged)

    def camera_page() -> None:
        camera = f"C-{chance.randrange(cameras) + 1}"
        book.planned_camera(camera)
        assert len(book.verdicts(judged, camera=camera)) == 1
        history = book.camera_history(camera)
        visit = history[0].visit
        assert len(book.photos(visit, camera=camera)) == 10
        book.placements(visit, camera=camera)
        book.decisions(visit, camera)
        book.referenced(visit, camera)
        for photo in book.photos(visit, camera=camera)[:2]:
            book.measurement(photo.sha256, METHOD)

    def decide() -> None:
        camera = f"C-{chance.randrange(cameras) + 1}"
        book.decide(judged, camera, "aim", "confirm", "Ada Example", "")

    def open_again() -> None:
        Logbook.open(
            book.database.url.render_as_string(hide_password=False) if not book.database.folder else book.address
        ).close()

    return {
        "open": open_again,
        "visit of 200 photos": visit_of_200,
        "worst-first page": worst_first,
        "camera page": camera_page,
        "decision": decide,
        "whole plan": book.site,
        "all references": book.references,
        "counters": book.counters,
    }


def make(address: str, images: str | None, photos: int) -> tuple[Logbook, int]:
    cameras = photos // PHOTOS_A_CAMERA
    begun = time.perf_counter()
    book = Logbook.create(address, make_site(cameras), "plan.csv", PLAN, images)
    judged = generate(book, cameras)
    if not book.database.is_sqlite:
        with book.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM ANALYZE")
    print(f"{photos} photos, {cameras} cameras: made in {time.perf_counter() - begun:.0f} s", flush=True)
    return book, judged


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--postgres", nargs=2, metavar=("SMALL", "LARGE"))
    parser.add_argument("--own-postgres", action="store_true")
    given = parser.parse_args()
    if given.own_postgres:
        given.folder.chmod(0o755)
        (given.folder / "server").mkdir()
        server = PostgresServer(given.folder / "server", postgres_binaries() or Path("no PostgreSQL here"))
        atexit.register(server.stop)
        given.postgres = [server.made(name) for name in ("small", "large")]
    addresses = given.postgres or [str(given.folder / "small"), str(given.folder / "large")]
    for name in ("small", "large"):
        shutil.rmtree(given.folder / name, ignore_errors=True)
    images = [str(given.folder / "images small"), str(given.folder / "images large")] if given.postgres else [None] * 2
    small = tasks(*make(addresses[0], images[0], 10_000))
    large = tasks(*make(addresses[1], images[1], given.photos))
    for name in small:
        times: tuple[list[float], list[float]] = ([], [])
        for _ in range(given.rounds if name.startswith("visit") else 4 * given.rounds):
            for task, taken in zip((small[name], large[name]), times, strict=True):
                begun = time.perf_counter()
                task()
                taken.append(time.perf_counter() - begun)
        a, b = (statistics.median(taken) for taken in times)
        print(f"{name:22s} {1000 * a:9.1f} ms {1000 * b:9.1f} ms   ratio {b / a:.2f}", flush=True)


if __name__ == "__main__":
    main()

"""A visit of 60 photos as a process that can be killed at any moment and run again.

As a script: ``working_visit.py ADDRESS IMAGES KILLS SEED`` runs visits, kills them at random moments with SIGKILL
until KILLS kills have hit, lets each one finish, signs it, and prints what it found as JSON. Visits are forked from
this process, so that a kill hits the work and not the loading of libraries.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from audit.logbook import Logbook, SeenFile
from tests.logbook_samples import (
    DAY,
    METHOD,
    PLAN,
    files_of,
    make_photo,
    make_placement,
    make_site,
    make_verdict,
    measurements_of,
)

PHOTOS = 60
CAMERAS = 12


def picture(n: int) -> bytes:
    return random.Random(n).randbytes(8_000 + 700 * n)


def work(address: str, images: str | None, done: Callable[[str], None] = lambda name: None) -> None:
    """Takes up the visit where it is and brings it to its end; says what is kept."""
    if Logbook.exists(address):
        book = Logbook.open(address)
    else:
        book = Logbook.create(address, make_site(CAMERAS), "plan.csv", PLAN, images)
    visit = book.open_visit("commissioning", DAY)
    with book.writing(visit):
        seen = book.seen(visit)
        for n in range(PHOTOS):
            data, name = picture(n), f"card {n % 2}/{n:03d}.jpg"
            photo = make_photo(name, data)
            if SeenFile(name, len(data), n) not in seen:
                book.add_photo(visit, photo, data, preview=data[:500], mtime_ns=n)
                done(name)
            if book.measurement(photo.sha256, METHOD) is None:
                book.put_measurement(photo.sha256, METHOD, {"roll_deg": n / 7, "night": n % 3 == 0})
        book.add_refusal(visit, "notes.txt", "not an image", "notes.txt is not an image.")
        photos = book.photos(visit)
        book.put_placements(visit, [make_placement(p.name, f"C-{n % CAMERAS + 1}") for n, p in enumerate(photos)])
        book.put_verdicts(visit, [make_verdict(f"C-{n}") for n in range(1, CAMERAS + 1)])
    book.close()


def sign(address: str) -> None:
    with Logbook.open(address) as book:
        if book.visit(1).signed_at is None:
            book.sign(1, "Ada Example", unprotected=True)


def outcome(address: str) -> dict[str, Any]:
    """Everything that a visit has found, to compare runs."""
    with Logbook.open(address) as book:
        photos = book.photos(1)
        return {
            "visits": [v.number for v in book.visits()],
            "photos": [[p.name, p.sha256] for p in photos],
            "images": [book.image(p.sha256)[:16].hex() for p in photos],
            "previews": [len(book.preview(p.sha256) or b"") for p in photos],
            "refusals": [[r.name, r.kind] for r in book.refusals(1)],
            "measurements": measurements_of(book, 1, METHOD),
            "placements": [[p.photo, p.camera] for p in book.placements(1)],
            "verdicts": [[v.camera, v.state, v.findings[0].why] for v in book.verdicts(1)],
            "counts": book.verdict_counts(1),
            "orphans": sorted({n for n in files_of(book.images) if len(n) == 64} - {p.sha256 for p in photos}),
            "problems": [p.message for p in book.verify()],
        }


def forked(task: Callable[[], None]) -> int:
    """Process id of a fork that runs the task and ends."""
    process = os.fork()
    if process == 0:
        code = 1
        try:
            task()
            code = 0
        finally:
            os._exit(code)
    return process


def until_done(task: Callable[[], None], chance: random.Random, longest_s: float) -> int:
    """Runs a task again and again, killing each run at a random moment, until one comes through; counts kills."""
    kills = 0
    while True:
        process = forked(task)
        time.sleep(chance.uniform(0, longest_s))
        os.kill(process, signal.SIGKILL)
        _, status = os.waitpid(process, 0)
        if not os.WIFSIGNALED(status):
            if os.waitstatus_to_exitcode(status) != 0:
                raise SystemExit("a run failed by itself")
            return kills
        kills += 1
        longest_s *= 1.02


def main(address: str, images: str, kills: int, seed: int) -> None:
    chance = random.Random(seed)
    fresh = 0

    def place() -> tuple[str, str | None]:
        nonlocal fresh
        fresh += 1
        if "://" in address:
            import psycopg

            server, _, name = address.rpartition("/")
            with psycopg.connect(f"{server}/postgres".replace("+psycopg", ""), autocommit=True) as connection:
                connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
                connection.execute(f"CREATE DATABASE {name}")
            return address, f"{images}/{fresh}"
        return f"{address}/{fresh}", None

    where, store = place()
    started = time.monotonic()
    os.waitpid(forked(lambda: work(where, store)), 0)
    undisturbed_s = time.monotonic() - started
    expected = outcome(where)
    hits = runs = 0
    differing: list[str] = []
    while hits < kills:
        where, store = place()
        hits += until_done(lambda where=where, store=store: work(where, store), chance, undisturbed_s)
        hits += until_done(lambda where=where: sign(where), chance, undisturbed_s / 4)
        found = outcome(where)
        differing += [key for key in expected if found[key] != expected[key]]
        runs += 1
        if store is None:
            shutil.rmtree(where)
    lost = PHOTOS - len(expected["photos"])
    print(json.dumps({"kills": hits, "visits": runs, "differing": differing, "lost": lost, "s": undisturbed_s}))


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))

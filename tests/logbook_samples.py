"""Small made-up sites, photos and verdicts for tests of what is kept."""

from __future__ import annotations

import hashlib
from datetime import date, datetime
from typing import Any

from audit.judge.finding import Check, Finding, Remedy, State, Verdict
from audit.lens import Lens
from audit.logbook import ImageStore, Logbook, VisitRecord
from audit.match.placement import Placement, Role
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, MountChain, Site, Target

PLAN = b"camera,east_m,north_m\nC-1,0,0\n"
DAY = date(2026, 6, 16)
METHOD = "image/1"


def make_site(cameras: int = 3) -> Site:
    return Site(
        tuple(
            Camera(
                f"C-{n}",
                float(n),
                2.0,
                3.5,
                90.0,
                -15.0,
                Lens(1920, 1080, 60.0, principal_px=(959.5, 539.5)),
                mount=MountChain(("wall", "junction box")),
                targets=(Target("gate", 1.0, 2.0, 0.5, 125.0, "recognise"),),
                extra=(("note", "ä ☂"),),
            )
            for n in range(1, cameras + 1)
        ),
        name="Test yard",
        origin_latitude=46.5,
        origin_longitude=-18.0,
    )


def make_photo(name: str, data: bytes, taken_at: datetime | None = None) -> Photo:
    return Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        size_bytes=len(data),
        format="JPEG",
        width_px=640,
        height_px=480,
        metadata=Metadata(taken_at=taken_at, latitude=46.5, longitude=-18.0, notes=("a note",)),
        codes=("S/N 1",),
        picture_hash="00ff00ff00ff00ff",
    )


def make_verdict(
    camera: str, state: State = "as planned", check: Check = "aim", probability_bad: float | None = 0.01
) -> Verdict:
    finding = Finding(
        camera,
        check,
        state,
        why=f"{camera}: {state}",
        measured=-7.0,
        measured_sd=0.8,
        planned=-15.0,
        limit=2.0,
        unit="deg",
        probability_bad=probability_bad,
        remedy=Remedy("Tip down 8.0 deg.", parts=("tilt bracket",), tip_deg=-8.0, sd_deg=0.8),
        evidence={"horizon_row_px": [1.0, 2.5, None]},
    )
    return Verdict(camera, state, (finding,), photos=(f"{camera}.jpg",))


def make_placement(photo: str, camera: str | None, role: Role = "snapshot") -> Placement:
    return Placement(photo, camera, 0.99, "placed" if camera else "unmatched", photo, role=role, evidence=("name",))


def start(address: str, images: str | None = None, cameras: int = 3) -> Logbook:
    return Logbook.create(address, make_site(cameras), "plan.csv", PLAN, images)


def measurements_of(book: Logbook, visit: VisitRecord | int, method: str) -> dict[str, dict[str, Any]]:
    """What one method has measured in the snapshots of a visit, by image hash."""
    kept = {sha256: [k for k in found if k.method == method] for sha256, found in book.measured(visit).items()}
    return {sha256: found[-1].record() for sha256, found in kept.items() if found}


def files_of(store: ImageStore, room: str = "images") -> list[str]:
    """Names of the files that lie in an image store, what is left of a write among them."""
    if store.folder is not None:
        return sorted(p.name for p in (store.folder / room).rglob("*") if p.is_file())
    store._system.invalidate_cache()
    return sorted(path.rsplit("/", 1)[-1] for path in store._system.find(f"{store._root}/{room}"))


def fill(book: Logbook, on: date = DAY, cameras: int = 3, salt: bytes = b"") -> VisitRecord:
    """One whole visit: a day and a night snapshot of each camera, a refusal, an answer, verdicts, a decision."""
    visit = book.open_visit("commissioning" if on == DAY else "maintenance", on)
    placements = []
    with book.writing(visit):
        for n in range(1, cameras + 1):
            for channel in ("day", "night"):
                data = f"{channel} {n}".encode() + salt
                photo = book.add_photo(visit, make_photo(f"C-{n}/{channel}.jpg", data), data, preview=b"small " + data)
                book.put_measurement(
                    photo.sha256, METHOD, {"roll_deg": 0.5 * n, "clarity": {"night": channel == "night"}}
                )
                placements.append(make_placement(photo.name, f"C-{n}"))
        book.add_refusal(visit, "notes.txt", "not an image", "notes.txt is not an image; leave it out.")
        book.put_placements(visit, placements)
        book.answer(visit, "C-1/day.jpg", "C-1", "Ada Example")
        book.put_verdicts(visit, [make_verdict(f"C-{n}") for n in range(1, cameras + 1)])
    return visit

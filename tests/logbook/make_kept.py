"""Keeps a logbook, a package and an archive as today's program writes them, for ``test_kept.py``:

    python -m tests.logbook.make_kept tests/logbook/kept/DAY

Run once for each form that is handed to users; what was kept before stays, and must open, verify and go on forever.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from datetime import date
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image

from audit import __version__
from audit.account.case import cases
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.report.handover import write_handover
from audit.visit import run_visit
from tests.desk_samples import photograph, write_plan_of

PASSPHRASE = "kept for tests"
_QUALITY = 35
FIRST, SECOND = date(2026, 6, 16), date(2026, 12, 16)


def take_photos(folder: Path, number: int) -> Path:
    """The crew's card of one visit: a day picture of each of two cameras, one more of the first, a night picture, a note."""
    folder.mkdir(parents=True)
    for name, camera, night in (("C-1_day", 1, False), ("C-1_later", 1, False), ("C-2_day", 2, False), ("C-2_night", 2, True)):
        with Image.open(BytesIO(photograph(camera, night))) as picture:
            picture.save(folder / f"{name}.jpg", "JPEG", quality=_QUALITY, comment=f"{name} {number}".encode())
    (folder / "notes.txt").write_text("not a picture", encoding="utf-8")
    return folder


def told(book: Logbook) -> dict[str, object]:
    """What a logbook says of its visits, in words and figures."""
    return {
        str(visit.number): {
            case.camera.camera: {
                "state": case.verdict.state,
                "findings": {f.check: [f.state, f.why] for f in case.verdict.findings},
                "photos": [s.photo.name for s in case.shots],
                "decisions": [[d.check, d.decision, d.by, d.why] for d in case.decisions],
                "pitch_deg": [s.measured and s.measured.orientation.pitch_deg for s in case.shots],
                "compared": [(change := case.compared(s)[1]) and change.pan_change_deg for s in case.shots],
            }
            for case in cases(book, visit)
        }
        for visit in book.visits()
    }


def make(there: Path) -> None:
    """A signed commissioning, a maintenance that is signed and handed over, and both as an archive."""
    os.environ["PHOTO_AUDIT_PASSPHRASE"] = PASSPHRASE
    there.mkdir(parents=True)
    with TemporaryDirectory() as place:
        plan = write_plan_of(Path(place) / "plan.csv", cameras=2)
        address = Path(place) / "logbook"
        with Logbook.create(str(address), read_plan(plan), plan.name, plan.read_bytes()) as book:
            for number, (kind, day) in enumerate((("commissioning", FIRST), ("maintenance", SECOND)), 1):
                visit = run_visit(book, take_photos(Path(place) / kind, number), kind, day).visit
                finding = book.verdicts(visit, "C-1")[0].findings[0]
                book.decide(visit, "C-1", finding.check, "tolerate", "Ada Example", "known to the owner")
                book.answer(visit, "C-2_day.jpg", "C-2", "Ada Example")
                book.answer(visit, "C-1_later.jpg", "C-1", "Ada Example", role="wrong way up")
                for camera in ("C-1", "C-2"):
                    book.renew_reference(visit, camera, "day", f"{camera}_day.jpg", "Ada Example", "the view as agreed")
                book.sign(visit, "Ada Example")
            assert book.verify() == ()
            write_handover(book, book.visit(2), Path(place) / "package")
            shutil.copyfile(Path(place) / "package.zip", there / "package.zip")
            book.export(there / "archive.zip")
            about: dict[str, object] = {"program": __version__, "told": told(book)}
        shutil.make_archive(str(there / "logbook"), "zip", address)
    text = json.dumps(about, indent=1, ensure_ascii=False, sort_keys=True)
    (there / "about.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]))

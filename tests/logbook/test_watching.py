"""Looking on: how far a visit is, what a new version measures differently, counters, health and the log as JSON."""

from __future__ import annotations

import json
import logging
import socket
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from audit.cli import sentences
from audit.logbook import Logbook
from audit.logs import JsonLines
from tests.conftest import Ran
from tests.logbook_samples import METHOD, fill, make_photo, make_placement, start

ROOT = Path(__file__).parents[2]


def command(*words: str) -> subprocess.CompletedProcess[str]:
    code = "from audit.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=False, timeout=120
    )


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = start(str(tmp_path / "logbook"))
    visit = fill(made)
    made.put_placements(
        visit,
        [make_placement("C-1/day.jpg", "C-1"), make_placement("C-1/night.jpg", "C-1", "wide view"),
         make_placement("C-2/day.jpg", "C-2"), make_placement("C-2/night.jpg", None)],
    )  # fmt: skip
    return made


def test_progress_counts_what_a_visit_has(book: Logbook) -> None:
    data = b"came in later"
    book.add_photo(1, make_photo("late.jpg", data), data)
    book.put_placements(
        1, [make_placement(n, "C-1") for n in ("C-1/day.jpg", "late.jpg")] + [make_placement("C-2/day.jpg", None)]
    )
    far = book.progress(1)
    assert (far.photos, far.refused, far.placed, far.uncertain, far.unmatched) == (7, 1, 2, 0, 1)
    assert (far.snapshots, far.measured) == (2, 1), "the late one was not measured"
    assert (far.judged, far.cameras, far.writer) == (3, 3, None)
    sentence = sentences.progress_sentence(far)
    assert sentence.startswith("visit 1 (commissioning, 2026-06-16, open): 7 photos taken in, 1 refused, 2 placed")
    assert "4 not placed yet" in sentence and "1 of 2 placed snapshots measured, 3 of 3 cameras judged." in sentence


def test_progress_names_who_writes_and_believes_no_note_of_the_dead(place) -> None:
    made = start(place.address, place.images)
    visit = fill(made)
    with made.writing(visit), Logbook.open(place.address) as other:
        assert "writing this logbook" in (other.progress(1).writer or "")
        assert "writing this logbook" in sentences.progress_sentence(other.progress(1))
    assert made.progress(1).writer is None
    if place.images is None:
        done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
        note = {"process": int(done.stdout), "host": socket.gethostname(), "since": "2026"}
        (Path(place.address) / "writer.json").write_text(json.dumps(note))
        assert made.progress(1).writer is None, "that process has ended"


def test_show_progress_prints_one_line(book: Logbook, audit: Callable[..., Ran]) -> None:
    done = audit("show", book.address, "--progress")
    assert done.code == 0 and done.out == sentences.progress_sentence(book.progress(1)) + "\n"
    line = audit("show", book.address, "--progress", "--json").lines[0]
    assert (line["visit"], line["on"], line["photos"], line["measured"], line["writer"]) == (1, "2026-06-16", 6, 2, None)


def record(pitch: float | None, sd: float | None, sky: float, cause: str = "clear") -> dict[str, object]:
    return {
        "orientation": {"pitch_deg": pitch, "pitch_sd_deg": sd, "roll_deg": 0.1, "roll_sd_deg": 0.2},
        "sky": {"fraction": sky, "sd": 0.01},
        "clarity": {"dirt_probability": 0.1, "cause": cause, "sharpness": 0.9},
    }


def test_a_new_version_keeps_the_old_and_shows_the_difference(place) -> None:
    made = start(place.address, place.images)
    visit = fill(made)
    day, night = (made.photos(visit)[n].sha256 for n in (0, 1))
    made.put_measurement(day, "1-lens", record(-14.0, 0.3, 0.25))
    made.put_measurement(day, "1-other", record(-10.0, 0.3, 0.25))
    made.put_measurement(day, "2-lens", record(-16.0, 0.4, 0.25, "haze"))
    made.put_measurement(day, "3-lens", record(-15.8, 0.4, 0.2, "haze"))
    made.put_measurement(night, "2-lens", record(None, None, 0.25))
    made.put_measurement(night, "3-lens", record(-15.0, 0.5, 0.25))
    made.sign(visit, "Ada Example")
    found = made.remeasured(visit)
    assert [(f.photo, f.old_method, f.new_method) for f in found] == [
        ("C-1/day.jpg", "2-lens", "3-lens"),
        ("C-1/night.jpg", "2-lens", "3-lens"),
    ]
    assert sentences.change_of_method_sentence(found[0]) == (
        "C-1/day.jpg (version 2 → 3): pitch -16.0 ± 0.8° → -15.8 ± 0.8°, open sky 25.0 ± 2.0 % → 20.0 ± 2.0 %"
    )
    assert sentences.change_of_method_sentence(found[1]) == "C-1/night.jpg (version 2 → 3): pitch not measured → -15.0 ± 1.0°"
    assert sentences.change_of_method_line(found[0])["changes"] == {
        "orientation.pitch_deg": [-16.0, -15.8],
        "sky.fraction": [0.25, 0.2],
    }
    assert "2 pictures measured by two versions; 0 roll or pitch values" in sentences.methods_sentence(1, found)
    made.put_measurement(day, "4-lens", record(-12.0, 0.4, 0.2, "haze"))
    assert "1 roll or pitch value further apart" in sentences.methods_sentence(1, made.remeasured(visit)[:1])
    assert made.measurement(day, "1-lens") == record(-14.0, 0.3, 0.25), "the oldest stays too"
    assert made.verify() == (), "a signed visit may be measured again"


def test_the_same_version_shows_no_difference(book: Logbook, audit: Callable[..., Ran]) -> None:
    done = audit("methods", book.address)
    assert done.code == 0 and done.out == ""
    assert "no picture was measured by more than one version" in done.err
    sha256 = book.photos(1)[0].sha256
    book.put_measurement(sha256, "image/2", book.measurement(sha256, METHOD) or {})
    assert audit("methods", book.address).out == "C-1/day.jpg (version image/1 → image/2): the same\n"
    line = audit("methods", book.address, "--json").lines[0]
    assert line == {"photo": "C-1/day.jpg", "old_method": METHOD, "new_method": "image/2", "changes": {}}


def test_health_and_counters_answer_with_exit_codes(book: Logbook) -> None:
    done = command("health", book.address)
    assert done.returncode == 0 and "well, writable, 1 visit." in done.stdout
    counters = command("health", book.address, "--counters")
    assert counters.returncode == 0 and counters.stdout.endswith("# EOF\n") and "photo_audit_photos 6\n" in counters.stdout
    for photo in book.photos(1):
        Path(book.images.location(photo.sha256)).unlink()
    done = command("health", book.address)
    assert done.returncode == 2 and "an image is missing or changed" in done.stdout


def test_the_log_is_json_lines_with_what_it_knows(book: Logbook) -> None:
    done = command("--log-json", "sign", book.address, "--by", "Ada Example")
    assert done.returncode == 0
    told = [json.loads(line) for line in done.stderr.splitlines() if line.startswith("{")]
    (signed,) = (line for line in told if line["message"] == "visit signed")
    assert signed["level"] == "info" and signed["logger"] == "audit.logbook.signoff"
    assert signed["visit"] == 1 and signed["by"] == "Ada Example" and len(signed["record_sha256"]) == 64
    assert abs((datetime.now(UTC) - datetime.fromisoformat(signed["time"])).total_seconds()) < 300
    assert not [line for line in command("show", book.address).stderr.splitlines() if line.startswith("{")]


def test_a_log_line_is_one_line_whatever_it_holds() -> None:
    try:
        raise ValueError("first\nsecond")
    except ValueError:
        record = logging.LogRecord("audit.x", logging.ERROR, "f", 1, "a %s\nb", ("☂",), sys.exc_info())
    record.path = Path("a/b")
    record.level = "not the record's own"
    text = JsonLines().format(record)
    line = json.loads(text)
    assert "\n" not in text and line["message"] == "a ☂\nb" and line["path"] == "a/b" and line["level"] == "error"
    assert "ValueError: first\nsecond" in line["exception"]

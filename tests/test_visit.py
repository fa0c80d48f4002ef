"""A visit from files to findings, beyond what the command line's tests show."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from audit import demo
from audit.judge.limits import load_limits
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.report.case import case_of
from audit.visit import run_visit


def test_limits_of_ones_own_measure_once_and_still_show_what_was_measured(
    tmp_path: Path, plan: Path, picture_bytes: bytes
) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "C-1_day.jpg").write_bytes(picture_bytes)
    own = tmp_path / "own.toml"
    own.write_text("[lens]\nhfov_sd_fraction = 0.05\n")
    with Logbook.create(str(tmp_path / "book"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        summary = run_visit(book, photos, "commissioning", date(2026, 6, 16), limits=load_limits(own))
        (photo,) = book.photos(summary.visit)
        assert len(book.methods(photo.sha256)) == 1
        case = case_of(book, summary.visit, book.site().camera("C-1"))
        assert case is not None and case.day is not None


def test_the_demo_run_again_keeps_its_signed_visit(
    tmp_path: Path, plan: Path, picture_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = tmp_path / "source"
    for visit in ("commissioning", "maintenance"):
        (source / visit).mkdir(parents=True)
        (source / visit / "C-1_day.jpg").write_bytes(picture_bytes)
    (source / "plan.csv").write_bytes(plan.read_bytes())
    monkeypatch.setattr(demo, "sample_folder", lambda: source)
    first = demo.run_demo(tmp_path / "demo", 0)
    again = demo.run_demo(tmp_path / "demo", 0)
    assert [s.photos for s in again] == [s.photos for s in first] == [1, 1]
    assert again[0].visit.signed_at is not None and again[0].states == first[0].states

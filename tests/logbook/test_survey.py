"""Nothing that a logbook or a package keeps can be changed unnoticed, and the page of threats says what finds it."""

from __future__ import annotations

from pathlib import Path

from tests.logbook import survey


def test_every_column_and_every_class_of_file_counts(tmp_path: Path) -> None:
    """Changed one by one, each is found; the few that no signature covers are listed with the reason."""
    tried = survey.survey(tmp_path)
    assert survey.unnoticed(tried) == []
    assert {one.what.removesuffix(" taken away") for one in tried if not one.found} <= set(survey.HARMLESS)
    assert len(tried) > 150
    written = survey.PAGE.read_text(encoding="utf-8")
    assert survey.write_page(tried) == written, "python -m tests.logbook.survey writes the table anew"

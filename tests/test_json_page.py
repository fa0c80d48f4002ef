"""``docs/json.md`` is made from the types, and what the commands print and the packages hold is of these types."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pytest
from pydantic import ConfigDict, TypeAdapter, with_config
from typing_extensions import TypedDict, is_typeddict

from audit.cli.json_page import COMMANDS, FILES, members, page
from audit.cli.sentences import change_of_method_line, collect_line, no_address_line
from audit.cli.speak import plain
from audit.collect.journal import Entry
from audit.logbook import Remeasured
from audit.logbook.record import SECTIONS
from audit.report.handover import write_handover
from tests.conftest import Ran
from tests.desk_samples import judged_logbook

Audit = Callable[..., Ran]
ROOT = Path(__file__).resolve().parent.parent


def checker(kind: type[Any]) -> TypeAdapter[Any]:
    """Takes JSON of exactly the keys and types of a kind."""
    total = not is_typeddict(kind) or kind.__total__
    closed = TypedDict(kind.__name__, members(kind), total=total)  # type: ignore[operator]
    return TypeAdapter(with_config(ConfigDict(extra="forbid", strict=True))(closed))


def fits(command: str, lines: list[dict[str, Any]]) -> None:
    assert lines, command
    for line in lines:
        checker({**COMMANDS, **FILES}[command]).validate_json(json.dumps(line))


@pytest.fixture
def picture(tmp_path: Path, picture_bytes: bytes) -> Path:
    path = tmp_path / "C-1 day.jpg"
    path.write_bytes(picture_bytes)
    return path


def test_the_page_is_made_from_the_types() -> None:
    assert (ROOT / "docs" / "json.md").read_text(encoding="utf-8") == page(), "python -m audit.cli.json_page"


def test_lines_of_single_pictures_and_folders(audit: Audit, picture: Path, plan: Path) -> None:
    gone = picture.with_name("gone.jpg")
    fits("measure", audit("measure", picture, gone, "--json").lines)
    fits("compare", audit("compare", picture, picture, "--json").lines + audit("compare", picture, gone, "--json").lines)
    (picture.parent / "card").mkdir()
    for name in ("C-1 day.jpg", "other.jpg"):
        (picture.parent / "card" / name).write_bytes(picture.read_bytes() + name.encode())
    (picture.parent / "card" / "notes.txt").write_text("no picture", encoding="utf-8")
    fits("match", audit("match", plan, picture.parent / "card", "--json").lines)


def test_lines_of_a_plan(audit: Audit, plan: Path) -> None:
    fits("plan geometry", audit("plan", "geometry", plan, "--json").lines)
    fits("plan parts", audit("plan", "parts", plan, "--json").lines)
    plan.write_text(plan.read_text(encoding="utf-8").replace(",56,", ",400,"), encoding="utf-8")
    fits("plan check", audit("plan", "check", plan, "--json").lines)


def test_lines_and_files_of_a_logbook(audit: Audit, tmp_path: Path) -> None:
    with judged_logbook(tmp_path, visits=3) as book:
        write_handover(book, book.visit(2), tmp_path / "package")
    place = str(tmp_path / "logbook")
    for visit in (1, 2, 3):
        fits("visit, show, point", audit("show", place, "--visit", visit, "--json").lines)
    fits("show --progress", audit("show", place, "--progress", "--json").lines)
    *stops, end = audit("trip", place, "--visit", 1, "--json").lines
    fits("trip", stops)
    fits("trip, the last line", [end])
    fits("verify, the last line", audit("verify", place, "--json").lines)
    for name in FILES:
        fits(name, [json.loads((tmp_path / "package" / name).read_text(encoding="utf-8"))])
    assert set(SECTIONS) <= set(members(FILES["record.json"])), "every section of a record is told"
    (tmp_path / "package" / "about.json").write_text("{}", encoding="utf-8")
    *problems, answer = audit("verify", tmp_path / "package", "--json").lines
    fits("verify, a problem", problems)
    fits("verify, the last line", [answer])


def test_lines_of_cameras_and_methods() -> None:
    entry = Entry("C-1", datetime(2026, 6, 16, tzinfo=UTC), "day", reason="timeout", message="C-1: no answer.")
    fits("collect", [plain(collect_line(entry, "http://192.0.2.1")), no_address_line("C-2", "C-2: no address.")])
    fits("methods", [plain(change_of_method_line(Remeasured("a.jpg", "5-x", "6-x", {"a.b": 1.0}, {"a.b": None})))])


def test_packages_of_before_fit_as_well() -> None:
    """What is told of packages holds for those that were handed out."""
    for kept in (ROOT / "tests" / "logbook" / "kept").glob("*/package.zip"):
        with ZipFile(kept) as package:
            for name, kind in FILES.items():
                assert set(json.loads(package.read(name))) <= set(members(kind))

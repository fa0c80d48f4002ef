"""The house's rules: dependencies point one way, one OpenCV, every command documented."""

from __future__ import annotations

import importlib.metadata
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import typer.main

from audit.cli.commands import app
from tests.conftest import Ran
from tests.house_figures import figures
from tests.house_functions import MOST_LINES, MOST_PARAMETERS, too_much
from tests.house_symbols import PAGE, page

ROOT = Path(__file__).resolve().parent.parent


def test_dependencies_point_one_way() -> None:
    done = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports"))], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout


def test_exactly_one_opencv_is_installed() -> None:
    owners = set(importlib.metadata.packages_distributions()["cv2"])
    assert owners == {"opencv-python-headless"}, (
        f"{owners}: run 'pip uninstall -y opencv-python opencv-contrib-python' and install opencv-python-headless again"
    )


def _commands() -> list[str]:
    group = typer.main.get_command(app)
    found = []
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found += [f"{name} {sub}" for sub in inner] if inner else [name]
    return found


@pytest.mark.parametrize("command", _commands())
def test_every_command_is_in_the_readme_and_has_help(command: str, audit: Callable[..., Ran]) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"photo-audit {command}\b", readme), f"'photo-audit {command}' is not in README.md"
    done = audit(*command.split(), "--help")
    assert done.code == 0 and "Usage" in done.out


def test_the_installed_command_has_help() -> None:
    done = subprocess.run([str(Path(sys.executable).with_name("photo-audit")), "--help"], capture_output=True, text=True)
    assert done.returncode == 0 and "Usage" in done.stdout and "visit" in done.stdout


#: Functions that may be longer, or take more, than one thought does, each with the reason.
EXCEPTIONS = {
    "audit.logbook.migrations.versions.0001_first.upgrade": "one statement a table, read once from top to bottom",
    "audit.visit.conduct.run_visit": "the main job as it is called from outside: each option by its name",
    "audit.report.handover.write_handover": "what is asked of a package from outside, each by its name",
    "audit.visit.say.say_photos": "what a person says of some pictures, each by its name",
    "audit.visit.point.point_out": "what a person says of one picture, each by its name",
    "audit.logbook.points.Points.point": "what a person says of one picture, which are the columns of its row",
    "audit.logbook.decisions.Decisions.add_finding": "what a person says of one check, each by its name",
    "audit.logbook.decisions.Decisions.decide": "what a person says of one check, each by its name",
    "audit.desk.serve": "what the operator sets, each by its name",
    "audit.collect.rounds.rounds": "what the operator sets, each by its name",
}


def test_functions_hold_one_thought() -> None:
    """At most 60 lines and 6 parameters; a command's parameters are its options, so only its lines count."""
    large = too_much()
    found = {
        f"{function.place}: {function.lines} lines, {function.parameters} parameters"
        for function in large
        if function.place not in EXCEPTIONS and not (function.place.startswith("audit.cli.") and function.lines <= MOST_LINES)
    }
    assert not found, f"at most {MOST_LINES} lines and {MOST_PARAMETERS} parameters, or a reason in EXCEPTIONS"
    assert set(EXCEPTIONS) <= {function.place for function in large}, "an exception that no function needs"


def test_figures_in_numeric_code_have_a_name_or_a_reason() -> None:
    found = [f"{figure.file}:{figure.line}: {figure.text}" for figure in figures()]
    assert not found, "name them, or say in a comment where they come from: python -m tests.house_figures"


def test_every_symbol_stands_on_its_page_with_a_meaning() -> None:
    lines = list(page())
    assert PAGE.read_text(encoding="utf-8").splitlines() == lines, "python -m tests.house_symbols writes it anew"
    assert not [line for line in lines if line.startswith("| `") and line.split("|")[-2].strip() == ""]


def test_formulas_are_named_where_they_stand() -> None:
    """Files and names that the two pages of formulas name exist."""
    for name, room in (("matching.md", "match"), ("measuring.md", "measure")):
        text = (ROOT / "docs" / name).read_text(encoding="utf-8")
        files = [file for file in re.findall(r"`([\w*/]+\.py)`", text) if "/" not in file]
        assert files and all((ROOT / "audit" / room / file).is_file() for file in files)
        numbers = [int(n) for n in re.findall(r"\\tag\{(\d+)\}", text)]
        assert numbers == list(range(1, len(numbers) + 1))


def test_types_and_lint() -> None:
    lint = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "audit", "ui", "tests"], cwd=ROOT, capture_output=True, text=True
    )
    assert lint.returncode == 0, lint.stdout
    types = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True)
    assert types.returncode == 0, types.stdout

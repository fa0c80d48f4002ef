"""The house's rules: dependencies point one way, one OpenCV, every command documented."""

from __future__ import annotations

import importlib.metadata
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

from audit.cli.commands import app

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
def test_every_command_is_in_the_readme_and_has_help(command: str) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"photo-audit {command}\b", readme), f"'photo-audit {command}' is not in README.md"
    done = subprocess.run(
        [str(Path(sys.executable).with_name("photo-audit")), *command.split(), "--help"], capture_output=True, text=True
    )
    assert done.returncode == 0 and "Usage" in done.stdout


def test_types_and_lint() -> None:
    lint = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "audit", "ui", "tests"], cwd=ROOT, capture_output=True, text=True
    )
    assert lint.returncode == 0, lint.stdout
    types = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True)
    assert types.returncode == 0, types.stdout

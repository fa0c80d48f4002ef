"""Files of strangers in the working folder: none of them runs as code, whichever command is called there.

The attack is Python's own search path (docs.python.org, "sys.path[0]": with ``-c`` and ``-m`` the working folder comes
first; ``-P`` and ``PYTHONSAFEPATH`` leave it out).
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.browser.desk_server import free_port

ROOT = Path(__file__).resolve().parents[2]
PLANTED = (
    "cv2.py", "numpy.py", "json.py", "sitecustomize.py", "usercustomize.py", "streamlit.py", "multiprocessing/__init__.py",
    "audit/__init__.py", "audit/photos/__init__.py", "ui/__init__.py", "ui/server.py", "encodings/__init__.py",
)  # fmt: skip
RUN = "from pathlib import Path\nPath({marker!r}).write_text(__file__)\n"

Command = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def folder(tmp_path: Path, plan: Path, picture_bytes: bytes) -> Path:
    """A stranger's folder: a photo, and files with the names of modules that write down that they ran."""
    folder = tmp_path / "from a stranger"
    folder.mkdir()
    (folder / "C-1_day.jpg").write_bytes(picture_bytes)
    for name in PLANTED:
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(RUN.format(marker=str(tmp_path / "it ran")))
    return folder


@pytest.fixture
def script(tmp_path: Path) -> Path:
    """The command as an installer writes it: a file in a folder of its own."""
    path = tmp_path / "bin" / "photo-audit"
    path.parent.mkdir()
    path.write_text(
        f"import sys\nsys.path.append({str(ROOT)!r})\nfrom audit.cli import main\nif __name__ == '__main__':\n    main()\n"
    )
    return path


@pytest.fixture
def command(folder: Path, script: Path) -> Command:
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "PYTHONSAFEPATH")}

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        line = [sys.executable, str(script), *map(str, words)]
        return subprocess.run(
            line, cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=200
        )

    return run


def ran(folder: Path) -> str | None:
    marker = folder.parent / "it ran"
    return marker.read_text() if marker.exists() else None


def test_the_attack_works_where_nothing_stops_it(folder: Path) -> None:
    subprocess.run([sys.executable, "-c", "import cv2"], cwd=folder, check=True)
    assert ran(folder) == str(folder / "cv2.py")


@pytest.mark.parametrize("workers", [0, 2])
def test_measuring(command: Command, folder: Path, workers: int) -> None:
    done = command("measure", "C-1_day.jpg", "--workers", workers, "--json")
    assert ran(folder) is None
    assert done.returncode == 0 and '"error": null' in done.stdout, done.stderr


def test_a_visit_with_workers(command: Command, folder: Path, plan: Path) -> None:
    assert command("start", "../book", "--plan", plan).returncode == 0
    done = command("visit", "../book", ".", "--kind", "commissioning", "--on", "2026-06-16", "--workers", 2, "--json")
    assert ran(folder) is None
    assert done.returncode == 3 and '"photos": ["C-1_day.jpg"]' in done.stdout, done.stderr


def test_the_desk(command: Command, folder: Path, plan: Path, script: Path) -> None:
    assert command("start", "../book", "--plan", plan).returncode == 0
    port = free_port()
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "PYTHONSAFEPATH")}
    desk = subprocess.Popen(
        [sys.executable, str(script), "open", "../book", "--port", str(port), "--no-browser"],
        cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        answered = False
        until = time.monotonic() + 60
        while not answered and ran(folder) is None and time.monotonic() < until:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2) as answer:
                    answered = answer.status == 200
            except OSError:
                time.sleep(0.2)
    finally:
        desk.terminate()
        desk.wait(20)
    assert ran(folder) is None and answered


def test_relative_places_of_modules_are_not_handed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    from audit.children import child_environment

    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(("", ".", "lib", "/opt/lib")))
    environment = child_environment()
    assert environment["PYTHONPATH"] == os.pathsep.join((str(ROOT), "/opt/lib"))
    assert environment["PYTHONSAFEPATH"] == "1"

"""Commands that only print load no measuring: seen in fresh processes, by what they have loaded at the end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.desk_samples import judged_logbook

ROOT = Path(__file__).resolve().parent.parent
#: What takes long to load or much memory, and what the rooms that look at pictures stand on.
HEAVY = (
    "PIL", "audit.account.account", "audit.judge.findings", "audit.measure", "audit.match.assign", "audit.visit", "cryptography", "cv2", "onnxruntime",
    "openpyxl", "scipy", "skimage", "streamlit",
)  # fmt: skip
LARGEST_MIB = 80
#: The kernel's own count of this program alone; what the parent used before does not count (proc(5), VmHWM).
_CODE = (
    "import sys\n"
    "from audit.cli import main\n"
    "try:\n"
    "    main()\n"
    "finally:\n"
    "    peak = next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1]\n"
    "    print(int(peak) / 1024, *sys.modules, file=sys.stderr)\n"
)


def loaded(*arguments: str) -> tuple[float, set[str]]:
    """Peak memory in MiB and the modules that a command has loaded, their packages too."""
    done = subprocess.run(
        [sys.executable, "-c", _CODE, *arguments], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode in (0, 1) and done.stdout, done.stderr
    peak, *modules = done.stderr.splitlines()[-1].split()
    return float(peak), set(modules)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("light")
    judged_logbook(folder, visits=2).close()
    return str(folder / "logbook")


@pytest.mark.parametrize("more", [(), ("--json",), ("--progress",), ("--strict", "--visit", "1")])
def test_show_loads_no_measuring(book: str, more: tuple[str, ...]) -> None:
    peak, modules = loaded("show", book, *more)
    assert not modules & set(HEAVY)
    assert peak <= LARGEST_MIB


@pytest.mark.parametrize("arguments", [("--help",), ("visit", "--help"), ("--version",)])
def test_help_loads_nothing_but_the_parser(arguments: tuple[str, ...]) -> None:
    _, modules = loaded(*arguments)
    assert not modules & {*HEAVY, "numpy", "rich", "sqlalchemy", "audit.logbook", "audit.plan.model"}

"""The server has loaded what pages need before anybody asks for one."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

UI = Path(__file__).resolve().parents[2] / "ui"


def imported() -> set[str]:
    """Modules that the desk's pages and parts import at their head."""
    found = set()
    for path in (*UI.glob("desk_pages/*.py"), *UI.glob("parts/*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add(node.module or "")
    return {name for name in found if not name.startswith("ui.")}


def test_pages_import_nothing_that_is_not_loaded_at_the_start() -> None:
    asked = imported()
    assert {"audit.running", "altair", "audit.report.handover"} <= asked
    code = "import sys, ui.server; ui.server.load(); print('\\n'.join(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=UI.parent)
    assert asked - set(loaded.stdout.split()) == set()

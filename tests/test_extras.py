"""What only some features need is left out of the plain install, and each of those features says how to get it."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from audit import compute, extras
from audit.desk import serve
from audit.errors import AuditError
from tests.conftest import Ran
from tests.logbook_samples import DAY, fill, make_photo, start

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
#: The one place where an extra's modules may be imported, each inside a function unless it says so.
ADAPTERS = {
    "audit/compute.py": "cluster",
    "audit/collect/credentials.py": "collect",
    "audit/collect/rtsp.py": "collect",
    "audit/collect/soap.py": "collect",
    "audit/collect/web.py": "collect",
    "audit/drawings/dxf.py": "drawings",
    "audit/drawings/ifc.py": "ifc",
    "audit/drawings/picture.py": "drawings",
    "audit/logbook/token_key.py": "token",
    "audit/photos/text.py": "reading",
    "audit/plan/imported.py": "drawings",
    "audit/report/as_built_dxf.py": "drawings",
    "audit/report/private.py": "faces",
}
Audit = Callable[..., Ran]


def _names(requirements: list[str]) -> set[str]:
    return {_plain(re.split(r"[\[<>=~!; ]", text)[0]) for text in requirements}


def _plain(name: str) -> str:
    """A package's name as PyPI normalises it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _imports() -> Iterator[tuple[str, str]]:
    """File and top-level module of every import of the product."""
    for path in sorted([*ROOT.glob("audit/**/*.py"), *ROOT.glob("ui/**/*.py")]):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                for name in node.names:
                    yield str(path.relative_to(ROOT)), name.name.partition(".")[0]
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                yield str(path.relative_to(ROOT)), node.module.partition(".")[0]


def test_every_import_is_a_dependency_or_an_extra_at_its_adapter() -> None:
    plain = _names(PROJECT["dependencies"])
    owners = importlib.metadata.packages_distributions()
    wrong = []
    for file, module in set(_imports()):
        if module in sys.stdlib_module_names or module in ("audit", "ui"):
            continue
        packages = {_plain(name) for name in owners.get(module, ())}
        brought = _names(PROJECT["optional-dependencies"].get(ADAPTERS.get(file, ""), [])) | {"requests"}
        if not packages & (plain | (brought if file in ADAPTERS else set())):
            wrong.append(f"{file}: {module}")
    assert not wrong


def test_the_extras_that_the_program_names_are_those_of_the_project() -> None:
    optional = PROJECT["optional-dependencies"]
    assert set(extras.EXTRAS) == set(optional) - {"all", "test"}
    owners = importlib.metadata.packages_distributions()
    for extra, modules in extras.EXTRAS.items():
        brought = {_plain(name) for module in modules for name in owners.get(module, ())}
        assert brought and brought <= _names(optional[extra])
    (everything,) = optional["all"]
    assert set(re.search(r"\[(.*)\]", everything)[1].split(",")) == set(extras.EXTRAS)  # type: ignore[index]
    assert "photo-audit[all]" in optional["test"]


_BARE = """
import importlib, pkgutil, sys
for module in {modules!r}:
    sys.modules[module] = None
import audit
for found in pkgutil.walk_packages(audit.__path__, "audit."):
    if found.name not in {left!r} and ".migrations." not in found.name and not found.name.endswith("__main__"):
        importlib.import_module(found.name)
"""


def test_everything_else_loads_without_any_extra() -> None:
    modules = tuple(module for group in extras.EXTRAS.values() for module in group)
    # fetch.py and what stands on it speak HTTP: only what has asked for the extra loads them
    left = tuple(f"audit.collect.{name}" for name in ("onvif", "soap", "media", "web", "fetch", "conduct", "rounds", "watch")) + ("audit.visit.aim_loop",)
    done = subprocess.run(
        [sys.executable, "-c", _BARE.format(modules=modules, left=left)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def without(monkeypatch: pytest.MonkeyPatch, extra: str) -> str:
    """As if an extra were not installed; what its feature must say."""
    for module in extras.EXTRAS[extra]:
        monkeypatch.setitem(sys.modules, module, None)
    return f"pip install 'photo-audit[{extra}]'"


def test_each_extra_is_seen_to_be_here_or_not(monkeypatch: pytest.MonkeyPatch) -> None:
    for extra in extras.EXTRAS:
        assert extras.has(extra)
        without(monkeypatch, extra)
        assert not extras.has(extra)


def test_collect_says_what_it_needs(tmp_path: Path, audit: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    start(str(tmp_path / "book")).close()
    line = without(monkeypatch, "collect")
    ran = audit("collect", tmp_path / "book", "--kind", "commissioning")
    assert ran.code == 2 and line in ran.err and len(ran.err.splitlines()) == 1


def test_importing_a_drawing_says_what_it_needs(tmp_path: Path, audit: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    line = without(monkeypatch, "drawings")
    ran = audit("plan", "import", tmp_path / "site.dxf", "-o", tmp_path / "plan.csv")
    assert ran.code == 2 and line in ran.err and not (tmp_path / "plan.csv").exists()


def test_a_private_handover_says_what_it_needs(tmp_path: Path, audit: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    book = start(str(tmp_path / "book"))
    fill(book)
    book.close()
    line = without(monkeypatch, "faces")
    ran = audit("handover", tmp_path / "book", "-o", tmp_path / "out", "--private")
    assert ran.code == 2 and line in ran.err and not (tmp_path / "out").exists()


def test_a_cluster_says_what_it_needs(monkeypatch: pytest.MonkeyPatch) -> None:
    line = without(monkeypatch, "cluster")
    with pytest.raises(AuditError, match=re.escape(line)), compute.executor(0, "tcp://127.0.0.1:1"):
        pass


def test_sign_in_says_what_it_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    line = without(monkeypatch, "auth")
    monkeypatch.setattr("audit.desk.read_settings", lambda _: type("Said", (), {"auth": object()})())
    with pytest.raises(AuditError, match=re.escape(line)):
        serve(str(tmp_path), address="127.0.0.1", port=1, images=None, browser=False, settings=tmp_path / "desk.toml")


def test_photos_that_were_not_read_are_said_and_read_once_the_reader_is_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from audit.account.doubts import visit_doubts
    from audit.match.placement import Placement
    from audit.match.reading import TEXT_METHOD
    from audit.match.shots import SHOT_METHOD, Shows, shows_to_record

    book = start(str(tmp_path / "book"))
    visit = book.open_visit("commissioning", DAY)
    names = ("wide.jpg", "thumbnail.jpg", "street.jpg")
    for name, side in zip(names, (2000, 200, 2000), strict=True):
        data = name.encode()
        book.add_photo(visit, replace(make_photo(name, data), width_px=side, height_px=side // 2, codes=()), data)
    (street,) = (photo for photo in book.photos(visit) if photo.name == "street.jpg")
    book.put_measurement(street.sha256, SHOT_METHOD, shows_to_record(Shows((0.0, 0.05, 0.15, 0.0, 0.8))))
    book.put_placements(visit, [Placement(name, None, 0.5, "uncertain", name) for name in names])
    (left,) = visit_doubts(book, visit)
    assert left.startswith("1 photo that nothing else places was not read") and "run the visit again" in left
    wide = next(photo for photo in book.photos(visit) if photo.name == "wide.jpg")
    book.put_measurement(wide.sha256, TEXT_METHOD, {"lines": []})
    assert visit_doubts(book, visit) == (), "once it is read, nothing is left to say"
    line = without(monkeypatch, "reading")
    (said,) = visit_doubts(book, visit)
    assert said.startswith("1 photo that nothing else places was not read") and line in said


def test_the_readme_names_every_extra() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert all(f"`{extra}`" in readme for extra in extras.EXTRAS)

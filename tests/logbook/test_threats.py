"""The page of threats names tests that exist."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]


def test_every_test_named_among_the_threats_exists() -> None:
    page = (ROOT / "docs" / "threats.md").read_text()
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", page)
    assert len(named) > 20
    missing = [
        f"{path}::{name}"
        for path, name in named
        if not (ROOT / path).is_file() or (name and f"def {name}(" not in (ROOT / path).read_text())
    ]
    assert missing == []


def test_every_attack_names_a_test_that_shows_it() -> None:
    page = (ROOT / "docs" / "threats.md").read_text()
    rows = [line for line in page.partition("## Attacks")[2].partition("\n## ")[0].splitlines() if line.startswith("| ")]
    attacks = [row.strip("| ").split(" | ") for row in rows[1:]]
    assert len(attacks) >= 20
    assert [cells for cells in attacks if len(cells) != 4 or "`tests/" not in cells[3]] == []


def test_every_dependency_is_pinned_to_one_version() -> None:
    """Whatever the program or its tests bring along, directly or not, is named once, with one version; training, which no user runs, isn't."""
    product, tools = pins("constraints.txt"), pins("constraints-dev.txt")
    assert not set(product) & set(tools), "pinned in both"
    needed = reached({**product, **tools}, tests=True)
    assert needed <= set(product) | set(tools), "pip freeze them into constraints.txt, or constraints-dev.txt"
    assert len(needed) > 60


def test_what_only_tests_need_is_not_among_the_programs_pins() -> None:
    product = pins("constraints.txt")
    assert set(product) == reached(product, tests=False), "what only tests and lint need is pinned in constraints-dev.txt"


def pins(name: str) -> dict[str, Requirement]:
    found: dict[str, Requirement] = {}
    for line in (ROOT / name).read_text().splitlines():
        if line.strip() and not line.startswith("#"):
            requirement = Requirement(line)
            known = canonicalize_name(requirement.name)
            assert known not in found, f"{known} is pinned twice"
            assert re.fullmatch(r"==[\w.+!]+", str(requirement.specifier)), f"{line} is not one version"
            found[known] = requirement
    return found


def reached(pinned: Mapping[str, Requirement], *, tests: bool) -> set[str]:
    """The names of all that the program and its extras need, directly or not, and of the tests' too."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    left_out = set() if tests else {"test"}
    extras = project["optional-dependencies"]
    open_ = [*project["dependencies"], *(need for name, extra in extras.items() if name not in left_out for need in extra)]
    seen: set[tuple[str, str]] = set()
    names: set[str] = set()
    while open_:
        wanted = Requirement(open_.pop())
        name = canonicalize_name(wanted.name)
        if name == "photo-audit":
            continue
        names.add(name)
        if name in pinned:
            fits = wanted.specifier.contains(str(pinned[name].specifier)[2:], prereleases=True)
            assert fits, f"{name} is pinned outside {wanted}"
        for extra in wanted.extras or {""}:
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            try:
                needs = distribution(name).requires or []
            except PackageNotFoundError:
                continue
            for need in map(Requirement, needs):
                if need.marker is None or need.marker.evaluate({"extra": extra}):
                    open_.append(str(need).partition(";")[0])
    return names

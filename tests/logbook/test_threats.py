"""The page of threats names tests that exist."""

from __future__ import annotations

import re
import tomllib
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
    pinned: dict[str, Requirement] = {}
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        if line.strip() and not line.startswith("#"):
            requirement = Requirement(line)
            name = canonicalize_name(requirement.name)
            assert name not in pinned, f"{name} is pinned twice"
            assert re.fullmatch(r"==[\w.+!]+", str(requirement.specifier)), f"{line} is not one version"
            pinned[name] = requirement
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    open_ = [*project["dependencies"], *(need for name, extra in extras.items() if name != "train" for need in extra)]
    seen: set[tuple[str, str]] = set()
    missing = set()
    while open_:
        wanted = Requirement(open_.pop())
        name = canonicalize_name(wanted.name)
        if name == "photo-audit":
            continue
        if name not in pinned:
            missing.add(name)
            continue
        assert wanted.specifier.contains(str(pinned[name].specifier)[2:], prereleases=True), f"{name} is pinned outside {wanted}"
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
    assert not missing, "pip freeze them into constraints.txt"
    assert len(seen) > 60

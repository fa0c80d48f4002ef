"""What a limit may be: a share of a whole, an angle, a length, a time; and what none may be."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.judge.limits import load_limits

DEFAULTS = load_limits().model_dump()
ENTRIES = [
    (table, name) for table, held in DEFAULTS.items() for name in (held if isinstance(held, dict) else [None])
]
#: How well something is known: nothing is against knowing it perfectly.
MAY_BE_NOTHING = {"hfov_sd_fraction", "drawing_sd_m"}
#: Shares of a picture, of a density, of contrast and of glasses may be the whole; a probability to be reached never is.
MAY_BE_WHOLE = {
    "excess_fraction", "density_fraction", "contrast_ratio", "soiled_fraction", "blocked_fraction", "single_image_fraction",
    "sharpness_ratio", *(n for n in DEFAULTS["cleanliness"] if n.endswith(("_missed", "_passed"))),
}  # fmt: skip


def taken(folder: Path, table: str, name: str | None, value: str) -> bool:
    """Whether a value is taken; where not, the sentence names file and entry."""
    (folder / "own.toml").write_text(f"{table} = {value}\n" if name is None else f"[{table}]\n{name} = {value}\n")
    try:
        load_limits(folder / "own.toml")
    except AuditError as error:
        assert error.message.startswith(f"own.toml: entry '{table if name is None else f'{table}.{name}'}': ")
        return False
    return True


@pytest.mark.parametrize(("table", "name"), ENTRIES)
def test_a_limit_is_a_figure_that_can_be(tmp_path: Path, table: str, name: str | None) -> None:
    word = name or table
    for never in ("-0.01", "nan", "inf", "-inf", "true", "'0.5'", "[0.5]", "{ a = 1 }"):
        assert not taken(tmp_path, table, name, never), f"{word} = {never}"
    assert taken(tmp_path, table, name, "0.0") == (word in MAY_BE_NOTHING)
    if word.endswith("_deg"):  # tilt, roll and a turn end at a right angle, a bearing's error at a half turn
        most = 180 if word == "tolerance_deg" else 90
        assert taken(tmp_path, table, name, f"{most}") and not taken(tmp_path, table, name, f"{most}.01")
    elif word.endswith(("_s", "_m")):
        assert taken(tmp_path, table, name, "30")
        assert not word.endswith("_m") or not taken(tmp_path, table, name, "101.0"), "no drawing of one site is that far off"
    else:
        assert taken(tmp_path, table, name, "1") == (word in MAY_BE_WHOLE)
        assert not taken(tmp_path, table, name, "1.01")


def test_what_is_a_defect_is_likelier_than_not_and_what_passes_is_not(tmp_path: Path) -> None:
    for word, fits, not_so in (
        ("defect_at_least", "0.51", "0.5"), ("defect_if_vague", "0.51", "0.5"), ("as_planned_at_most", "0.49", "0.5"),
    ):  # fmt: skip
        assert taken(tmp_path, word, None, fits) and not taken(tmp_path, word, None, not_so)

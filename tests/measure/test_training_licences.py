"""What a next training may show the network, and whose photographs the present one saw."""

from __future__ import annotations

import csv
from pathlib import Path

from training.gather_photographs import asks_for_a_notice, photograph_rows

TRAINING = Path(__file__).parents[2] / "training"


def test_no_sharealike_or_gpl_photograph_is_trained_on_unless_asked_for() -> None:
    licences = {row["licence"] for row in photograph_rows("train")}
    assert licences and not [name for name in licences if "GPL" in name or "-SA" in name or "GFDL" in name]
    assert len(photograph_rows("train", any_licence=True)) > len(photograph_rows("train")) > 150
    assert not asks_for_a_notice("CC-BY-SA-4.0") and not asks_for_a_notice("LGPL-2.1+") and asks_for_a_notice("CC-BY-2.0")


def test_every_photograph_that_asks_for_its_author_names_one() -> None:
    with (TRAINING / "photographs.csv").open(newline="", encoding="utf-8") as file:
        asking = {row["name"]: row["licence"] for row in csv.DictReader(file) if row["licence"].startswith("CC-BY")}
    with (TRAINING / "photographs_authors.csv").open(newline="", encoding="utf-8") as file:
        named = {row["name"]: row for row in csv.DictReader(file)}
    assert set(named) == set(asking) and len(asking) > 100
    assert all(row["author"] and row["source"] and row["licence"] == asking[name] for name, row in named.items())

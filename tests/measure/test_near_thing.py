"""A thing right before the lens in one picture: the largest patch of cells that look hidden, and where it lies."""

from __future__ import annotations

import numpy as np
import pytest

from audit.demo import sample_folder
from audit.measure.clarity import measure_clarity, near_thing
from audit.measure.dirt_model import KINDS, Verdict
from audit.measure.measurement import Sky
from tests.bench.near_bench import hidden, read

BLOCKED = KINDS.index("blocked")


def _verdict(hidden_cells: np.ndarray) -> Verdict:
    cells = np.zeros((len(KINDS), *hidden_cells.shape), np.float32)
    cells[BLOCKED], cells[0] = hidden_cells, 1 - hidden_cells
    return Verdict(np.eye(len(KINDS), dtype=np.float32)[0], cells)


def test_the_largest_patch_counts_and_not_all_of_them_together() -> None:
    cells = np.zeros((18, 22), np.float32)
    cells[10:16, 0:6] = 0.6
    cells[0:2, 20:22] = 0.9
    share, at = near_thing(_verdict(cells))
    assert share == pytest.approx(36 / (18 * 22))
    assert at == pytest.approx((3.0 / 22, 13.0 / 18))


def test_a_patch_within_the_picture_is_a_wall_or_a_shade() -> None:
    cells = np.zeros((18, 22), np.float32)
    cells[6:14, 5:15] = 0.9
    assert near_thing(_verdict(cells)) == (0.0, None)


def test_open_sky_by_dusk_is_no_thing() -> None:
    cells, mask = np.zeros((18, 22), np.float32), np.zeros((360, 440), bool)
    cells[:6], mask[:125] = 0.9, True
    assert near_thing(_verdict(cells))[0] > 0.3
    assert near_thing(_verdict(cells), Sky(0.35, 0.01, None, mask)) == (0.0, None)


def test_scattered_cells_are_no_thing() -> None:
    cells = np.zeros((18, 22), np.float32)
    cells[::2, ::2] = 0.9
    assert near_thing(_verdict(cells)) == (0.0, None)
    assert near_thing(_verdict(np.zeros((18, 22), np.float32))) == (0.0, None)


def test_a_picture_of_the_demo_with_things_before_it_has_larger_patches() -> None:
    """Median over eight things; single ones may be missed (tests/bench/near_bench.py has the share on real pictures)."""
    shots = sorted((sample_folder() / "commissioning" / "snapshots").glob("TH-0[1-2]*_day.jpg"))
    picture, donor = read(shots[0]), read(shots[-1])
    assert picture is not None and donor is not None
    rng = np.random.default_rng(3)
    clean = measure_clarity(picture).blocked_fraction
    covered = [measure_clarity(hidden(picture, donor, rng)).blocked_fraction for _ in range(8)]
    assert clean is not None and clean < 0.05
    assert float(np.median([c for c in covered if c is not None])) > clean + 0.05


def test_a_black_picture_is_not_looked_at() -> None:
    assert measure_clarity(np.zeros((90, 160, 3), np.uint8)).blocked_fraction is None

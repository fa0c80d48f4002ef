"""Logistic models: log odds by hand, and one sentence where the weights aren't what they should be."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from audit.errors import AuditError
from audit.measure import logistic
from audit.measure.logistic import log_odds_of

MODEL = {"mean": [1.0, 2.0], "scale": [2.0, 0.5], "weight": [3.0, -1.0], "base": 0.25}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(logistic, "_WEIGHTS", tmp_path)
    logistic._weights.cache_clear()
    return tmp_path


def test_log_odds_by_hand(folder: Path) -> None:
    (folder / "some.json").write_text(json.dumps(MODEL))
    # 3 (5 - 1) / 2 - (3 - 2) / 0.5 + 0.25
    assert log_odds_of("some", np.array([5.0, 3.0])) == pytest.approx(4.25)
    assert log_odds_of("some", np.array([1.0, 2.0])) == pytest.approx(0.25), "the mean of what it was fitted to"


@pytest.mark.parametrize("text", [
    None, "no JSON", "{}", json.dumps({**MODEL, "weight": [3.0]}), json.dumps({**MODEL, "mean": [1.0, 2.0, 3.0]}),
    json.dumps({**MODEL, "scale": ["wide", 1]}), json.dumps({key: MODEL[key] for key in ("mean", "scale", "weight")}),
])  # fmt: skip
def test_weights_that_cant_be_read_are_one_sentence_with_the_files_name(folder: Path, text: str | None) -> None:
    if text is not None:
        (folder / "some.json").write_text(text)
    with pytest.raises(AuditError) as told:
        log_odds_of("some", np.array([5.0, 3.0]))
    assert str(told.value) == "some.json: the weights can't be read; install the package again"

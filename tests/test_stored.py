"""Kept records come back whole, by older and by newer programs too, or one sentence says why not."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np
import pytest

from audit.errors import LogbookError
from audit.judge.finding import Finding
from audit.logbook.codec import dump, load
from audit.measure.measurement import Clarity, ViewChange
from audit.measure.record import (
    change_from_record,
    change_to_record,
    clarity_from_record,
    clarity_to_record,
    measurement_from_record,
    measurement_to_record,
)
from audit.stored import checked
from tests.desk_samples import measured
from tests.logbook_samples import make_site

PATCHES = (((0.1, 0.2), (0.3, 0.4), (0.5, 0.1)),)


def kept() -> dict[str, Any]:
    record = measurement_to_record(measured(make_site().cameras[0], -15.0))
    record["orientation"]["segments_px"] = [[1.0, 2.0, 3.0, 4.5]] * 3
    return json.loads(json.dumps(record))


def test_what_is_kept_comes_back() -> None:
    before = measured(make_site().cameras[0], -15.0)
    after = measurement_from_record(kept())
    assert after.orientation.lens == before.orientation.lens and after.orientation.cues == before.orientation.cues
    assert after.clarity == before.clarity and (after.width_px, after.sky.fraction) == (before.width_px, before.sky.fraction)
    assert np.array_equal(after.sky.mask, measurement_from_record(measurement_to_record(before)).sky.mask)
    assert after.orientation.segments_px is not None and after.orientation.segments_px.shape == (3, 4)
    change = ViewChange(0.9, 1.5, 0.1, patches=PATCHES)
    assert change_from_record(json.loads(json.dumps(change_to_record(change)))) == change
    clarity = Clarity(0.3, "haze", None, 0.5, patches=PATCHES)
    assert clarity_from_record(json.loads(json.dumps(clarity_to_record(clarity)))) == clarity


def _places(record: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in record.items():
        yield (*path, key)
        if isinstance(value, dict):
            yield from _places(value, (*path, key))


#: Without these nothing can be said of a picture.
NEEDED = {("width_px",), ("height_px",), ("orientation",), ("sky",), ("clarity",), ("orientation", "lens"),
          *(("orientation", "lens", name) for name in ("width_px", "height_px", "hfov_deg"))}  # fmt: skip


@pytest.mark.parametrize("place", [*_places(kept())], ids=".".join)
def test_a_key_that_is_not_there_is_absent_or_a_sentence(place: tuple[str, ...]) -> None:
    record = kept()
    inner = record
    for key in place[:-1]:
        inner = inner[key]
    del inner[place[-1]]
    if place in NEEDED:
        with pytest.raises(LogbookError, match=rf"{place[-1]}: field required\); the logbook was changed"):
            measurement_from_record(record)
    else:
        assert measurement_from_record(record).width_px == 640


def test_keys_of_a_later_program_are_left_out() -> None:
    record = kept()
    record["later"], record["clarity"]["later"], record["orientation"]["lens"]["k9"] = {"a": 1}, [1], 0.5
    assert measurement_from_record(record).clarity == measurement_from_record(kept()).clarity
    assert change_from_record({**asdict(ViewChange(0.5)), "later": 1}) == ViewChange(0.5)
    finding = Finding("C-1", "aim", "defect", "why")
    assert load(Finding, dump(finding)[:-1] + ',"later":1}') == finding


@pytest.mark.parametrize("version", [2, "two", None])
def test_a_record_of_a_later_form_says_what_to_do(version: object) -> None:
    for read in (measurement_from_record, clarity_from_record, change_from_record):
        with pytest.raises(LogbookError, match="newer photo-audit.*update photo-audit"):
            read({**kept(), "version": version})


@pytest.mark.parametrize("record", [{}, [], 3, {"width_px": "wide"}, {**kept(), "clarity": None}])
def test_what_is_no_record_is_one_sentence(record: Any) -> None:
    with pytest.raises(LogbookError, match=r"a stored measurement can't be read \(\d+ problems.*backup\.$"):
        measurement_from_record(record)


def test_text_and_values_read_alike() -> None:
    change = ViewChange(0.5, patches=PATCHES)
    assert checked(ViewChange, json.dumps(asdict(change)), "comparison") == change

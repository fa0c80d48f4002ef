"""Any record becomes JSON text that a database can keep and everybody reads the same."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from audit.logbook.codec import dump_plain

TEXT = st.text() | st.sampled_from(["_index", "\0", "\ud800", "a\0b"])
RECORDS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXT,
    lambda inner: st.lists(inner) | st.tuples(inner, inner) | st.dictionaries(TEXT, inner),
    max_leaves=20,
)


def refuse(token: str) -> None:
    raise AssertionError(f"{token} is no JSON")


def texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [t for pair in value.items() for part in pair for t in texts(part)]
    return [t for item in value for t in texts(item)] if isinstance(value, list) else []


@given(RECORDS)
def test_any_record_is_written_as_text_that_can_be_kept_and_hashed(record: Any) -> None:
    written = dump_plain(record)
    read = json.loads(written.encode("utf-8"), parse_constant=refuse)
    assert not any("\0" in text for text in texts(read))
    assert dump_plain(read) == written, "written again it is the same text, so a hash holds"


def test_numbers_that_are_not_finite_are_null_and_keys_are_sorted() -> None:
    assert dump_plain({"b": float("nan"), "a": (float("inf"), 1.5), "_index": {}}) == '{"a":[null,1.5],"b":null}'

"""What a witness saw signed against what is there now: a whole logbook, or a package of one visit."""

from __future__ import annotations

import pytest

from audit.logbook.records import Chain, ChainLink
from audit.logbook.witness import Witness, witness_problems

ONE, TWO, OTHER = "1" * 64, "2" * 64, "f" * 64


def chain(links: dict[int, str], whole: bool = True, before: tuple[int, str] | None = None, logbook: str = "book") -> Chain:
    rows = tuple(ChainLink(visit, sha256, "Ada Example", "fingerprint") for visit, sha256 in links.items())
    return Chain(logbook, rows, (), whole=whole, before=before)


@pytest.mark.parametrize(
    ("saw", "now", "said"),
    [
        ({1: ONE, 2: TWO}, chain({1: ONE, 2: TWO}), {}), ({1: ONE}, chain({1: ONE, 2: TWO}), {}),
        ({1: ONE, 2: TWO}, chain({1: ONE}), {2: "is gone"}), ({1: ONE, 2: TWO}, chain({}), {1: "is gone", 2: "is gone"}),
        ({1: ONE, 2: TWO}, chain({1: OTHER, 2: TWO}), {1: "is not the one"}),
        # a package: its own visit and the one before it; of others it says nothing
        ({1: ONE, 2: TWO}, chain({2: TWO}, False, (1, ONE)), {}), ({1: ONE, 2: TWO}, chain({2: TWO}, False), {}),
        ({1: ONE, 2: TWO}, chain({2: TWO}, False, (1, OTHER)), {1: "is not the one"}),
        ({1: ONE, 2: TWO}, chain({2: OTHER}, False, (1, ONE)), {2: "is not the one"}),
        ({3: ONE}, chain({2: TWO}, False, (1, ONE)), {}),
        ({1: ONE}, chain({1: ONE}, logbook="another"), {None: "belongs to another logbook"}),
    ],
)  # fmt: skip
def test_what_was_seen_signed_is_still_there(saw: dict[int, str], now: Chain, said: dict[int | None, str]) -> None:
    found = {problem.visit: problem.message for problem in witness_problems(Witness("book", saw), now)}
    assert found.keys() == said.keys()
    assert all(words in found[visit] for visit, words in said.items())

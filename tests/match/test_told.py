"""A person's word over the program's: what it changes, what stays, and that taking it back leaves things as they were."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import get_args

import numpy as np
import pytest

from audit.match.assign import _against_its_label, _Belief, _vouched
from audit.match.placement import BY_HAND, Alternative, Placement
from audit.match.told import SaidRole, Told, laid_over, role_said, taken_back

OWN = Placement(
    "p.jpg", "C-2", 0.7, "placed", "group", (Alternative("C-2", 0.7), Alternative("C-3", 0.3)), "wide view",
    ("Its label reads C-2.", "It was taken 3 m from C-2."),
)  # fmt: skip


@pytest.mark.parametrize("camera", ["C-1", None])
@pytest.mark.parametrize("role", [None, *get_args(SaidRole)])
def test_a_word_counts_before_what_the_program_found_and_hides_none_of_it(camera: str | None, role: SaidRole | None) -> None:
    said = laid_over(OWN, Told(camera, role), OWN, ahead=True)
    assert (said.camera, said.probability, said.alternatives) == (camera, 1.0, (Alternative(camera, 1.0),))
    assert said.decision == ("unmatched" if camera is None else "placed")
    assert said.evidence == (BY_HAND, *OWN.evidence), "the reasons of the program stay to be read"
    assert said.role == (OWN.role if role is None else role_said(role))
    assert said.light == {"day snapshot": "day", "night snapshot": "night"}.get(role or "")
    assert said.turned is (role == "wrong way up") and said.ahead and said.own == OWN
    assert (said.photo, said.group) == (OWN.photo, OWN.group)
    again = laid_over(said, Told("C-9"), OWN, ahead=False)
    assert again.evidence == said.evidence, "said twice is written once"
    assert not again.ahead and again.camera == "C-9"
    assert taken_back(said) == replace(OWN, ahead=True)


def test_what_nobody_but_a_person_had_put_is_open_again_when_it_is_taken_back() -> None:
    first = laid_over(OWN, Told("C-1"), OWN, ahead=True)
    later = laid_over(first, Told("C-2", "bracket"), first, ahead=True)
    assert later.role == "bracket" and taken_back(later).role == OWN.role, "what it showed before the word that is taken back"
    assert taken_back(replace(later, own=None)).role == "bracket", "nothing else is known of it"
    open_again = taken_back(later)
    assert (open_again.camera, open_again.decision, open_again.probability) == (None, "uncertain", 0.0)
    assert open_again.role == OWN.role and open_again.ahead and len(open_again.evidence) == 1
    said = laid_over(open_again, Told("C-1"), open_again, ahead=False)
    assert said.evidence == (BY_HAND,), "that it was taken back counts no more"


def belief(step: int, camera: int = 1, share: float = 0.6, stray: float = 0.2) -> _Belief:
    return _Belief([camera], [share], stray, 0, step=step, trust=1.0)


def vouched(steps: list[int], times: list[float], seen_at: set[int]) -> bool:
    """Whether photos at these steps of a walk, which passed the camera at those, vouch for it; no label, no answer."""
    known = SimpleNamespace(answer=[None] * len(steps), factors=[None] * len(steps), otherwise=[0.0] * len(steps))
    result = SimpleNamespace(
        seen=lambda at, camera: float(set(map(int, at)) >= seen_at), draws=SimpleNamespace(place=np.zeros((4000, 9)))
    )
    arrays = SimpleNamespace(time_s=np.array(times))
    beliefs = {i: belief(step) for i, step in enumerate(steps)}
    return _vouched(range(len(steps)), arrays, known, 1, beliefs, result)  # type: ignore[arg-type]


def test_photos_vouch_for_a_camera_by_two_moments_of_the_walk_the_first_included() -> None:
    assert vouched([0, 5], [0.0, 600.0], {0, 5})
    assert not vouched([0, 5], [0.0, 0.5], {0, 5}), "one burst is one moment"
    assert not vouched([-1, -1], [0.0, 600.0], set()), "photos without a time are in no walk"
    assert not vouched([0, 5], [0.0, 600.0], {7})


def test_a_label_against_the_photos_round_about_is_for_a_person() -> None:
    known = SimpleNamespace(factors=[{2: 9.0}, {2: 9.0}, None], otherwise=[0.0, 0.0, 0.0], answered=[False, True, False])
    other, same = belief(0, camera=1), belief(0, camera=2)
    assert _against_its_label(known, 0, other) and not _against_its_label(known, 0, same)  # type: ignore[arg-type]
    assert not _against_its_label(known, 1, other), "what a person answered is settled"  # type: ignore[arg-type]
    assert not _against_its_label(known, 2, other), "nothing to contradict"  # type: ignore[arg-type]
    assert not _against_its_label(known, 0, belief(0, camera=2, share=0.4, stray=0.4)), "as likely its own"  # type: ignore[arg-type]
    assert _against_its_label(known, 0, belief(0, camera=2, share=0.3, stray=0.4)), "likelier a stray than its label's"  # type: ignore[arg-type]

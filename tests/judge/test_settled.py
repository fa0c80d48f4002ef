"""What people say laid over what was judged: state, counts, and nothing lost of either."""

from __future__ import annotations

from datetime import date

import pytest

from audit.judge.evidence import Exchange
from audit.judge.finding import Check, State, Verdict
from audit.judge.findings import judge_camera
from audit.judge.referencing import reference_bar, reference_grounds
from audit.judge.settled import Said, decided_on, settled
from tests.judge_samples import LIMITS as LIMITS
from tests.judge_samples import SITE, evidence, good_pair, judged, only

CAMERA = SITE.camera("TH-18")


def said(word: str, why: str = "as seen on site", **more: object) -> Said:
    return Said(word, "Ada Example", why, **more)  # type: ignore[arg-type]


def too_high() -> Verdict:
    return judged("TH-18", *good_pair(CAMERA, pitch=-7.0))


def good() -> Verdict:
    return judged("TH-18", *good_pair(CAMERA))


def test_without_words_the_judges_verdict_stands() -> None:
    assert settled(good(), {}) is not None and settled(good(), {}) == good()


def test_a_dismissed_pass_opens_the_check() -> None:
    verdict = settled(good(), {"cleanliness": [said("dismiss", "fourteen smears")]})
    found = only(verdict, "cleanliness")
    assert verdict.state == found.state == "to check" and "fourteen smears" in found.why.lower()


def test_a_dismissed_fault_is_conformity_by_a_persons_word() -> None:
    first = too_high()
    entries = {f.check: [said("dismiss")] for f in first.findings if f.state == "defect"}
    verdict = settled(first, entries)
    assert first.state == "defect" and verdict.state == "as planned"
    assert only(verdict, "aim").remedy is None and "Dismissed by Ada Example" in only(verdict, "aim").why


def test_a_confirmed_doubt_is_a_defect_and_a_tolerated_fault_stands() -> None:
    doubt = judged("TH-18", *good_pair(CAMERA, pitch=-11.0, sd=2.0))
    assert only(doubt, "aim").state == "to check"
    assert settled(doubt, {"aim": [said("confirm", "")]}).state == "defect"
    assert settled(too_high(), {"aim": [said("tolerate")]}).state == "defect"


def test_work_that_a_picture_shows_keeps_what_was_measured_and_names_who_did_it() -> None:
    first = good()
    found = only(settled(first, {"aim": [said("done", state="as planned", photo="after.jpg")]}), "aim")
    measured = only(first, "aim")
    assert found.state == "as planned" and found.why == f"{measured.why} Done by Ada Example."
    assert found.evidence == {**measured.evidence, "by": "Ada Example", "done": "after.jpg"} and measured.evidence


def test_a_persons_own_finding_stands_in_place_of_the_judges() -> None:
    seen = said("finding", "a film on the dome", state="defect", photo="day.jpg", column_px=10.0, row_px=20.0)
    verdict = settled(good(), {"cleanliness": [seen]})
    found = only(verdict, "cleanliness")
    assert verdict.state == "defect" and found.photo == "day.jpg" and found.evidence["at_px"] == [10.0, 20.0]
    assert found.remedy is not None and "A film on the dome." in found.remedy.action
    again = settled(good(), {"cleanliness": [seen, said("dismiss", "it was rain")]})
    assert again.state == "as planned"


@pytest.mark.parametrize(
    ("word", "state"), [("confirm", "defect"), ("dismiss", "as planned"), ("tolerate", "not verified")]
)
def test_a_check_without_a_finding_can_be_decided(word: str, state: State) -> None:
    verdict = settled(good(), {"mounting": [said(word)]})
    assert only(verdict, "mounting").state == state and "Ada Example" in only(verdict, "mounting").why


def test_a_promise_leaves_the_state() -> None:
    promised = said("promise", due=date(2030, 1, 1))
    assert settled(too_high(), {"aim": [promised]}).state == "defect"


def test_a_dismissed_exchange_brings_forward_what_it_held_back() -> None:
    exchange = Exchange(("TH-07", "TH-18"), ("Both fit the other's plan.",), False, 0.9)
    first = judge_camera(CAMERA, evidence(CAMERA, *good_pair(CAMERA, pitch=-7.0), exchange=exchange), LIMITS)
    assert {f.check for f in first.findings}.isdisjoint({"level", "target"})
    assert only(first, "identity").state == "to check"
    over = [said("dismiss", "stood in front of it")]
    verdict = settled(first, {"identity": over})
    assert only(verdict, "aim").state == "defect" and only(verdict, "aim").remedy is not None
    assert {"level", "target"} <= {f.check for f in verdict.findings}
    assert only(verdict, "identity").state == "as planned" and "Dismissed by" in only(verdict, "identity").why
    assert decided_on(first, "identity", over) == only(first, "identity")
    agreed = settled(first, {"identity": over, "aim": [said("dismiss", "agreed tilt")]})
    assert only(agreed, "aim").state == "as planned"


@pytest.mark.parametrize(
    ("states", "tolerated", "barred"),
    [
        ({"aim": "as planned", "level": "as planned"}, (), False),
        ({"aim": "defect"}, (), True),
        ({"aim": "defect"}, ("aim",), False),
        ({"cleanliness": "to check"}, (), True),
        ({"aim": "not verified"}, (), True),
        ({"aim": "not verified"}, ("aim",), False),
        ({"aim": "as planned", "level": "not verified"}, (), True),
        ({"aim": "as planned", "night": "not verified", "cleanliness": "not verified"}, (), False),
    ],
)
def test_what_may_become_reference(states: dict[Check, State], tolerated: tuple[Check, ...], barred: bool) -> None:
    findings = tuple(only(good(), "aim").__class__("TH-18", c, s, "Said.") for c, s in states.items())
    verdict = Verdict("TH-18", "as planned", findings)
    assert (reference_bar(verdict, tolerated) is not None) == barred
    assert reference_grounds(verdict, tolerated).startswith("tolerated" if tolerated else "as planned")


def test_work_that_no_measurement_shows_is_looked_at() -> None:
    """The photo that came with it still shows the fault, or can't be measured: a person has the last word."""
    found = only(settled(too_high(), {"aim": [said("done", state="to check", photo="after.jpg")]}), "aim")
    assert (found.camera, found.check, found.state, found.photo) == ("TH-18", "aim", "to check", "after.jpg")
    assert found.why == "Done by Ada Example. No measurement shows it: look at after.jpg."
    assert found.remedy is not None and "Look at after.jpg" in found.remedy.action

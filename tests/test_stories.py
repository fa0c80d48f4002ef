"""Random stories of two people over one visit: answers, moves, roles, findings, decisions, each taken back or not, while sessions
are closed and opened again at random. None of a person's words is lost.

A smaller number is told by default; ``PHOTO_AUDIT_TEST_STORIES=500`` tells all.
"""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, get_args

import pytest

from audit.account.unproven import unproven
from audit.account.worklist import missing_work, open_work, trip_of
from audit.errors import AuditError
from audit.judge.finding import CHECKS, STATES
from audit.logbook import Logbook, SaidRole
from audit.logbook.records import DECISIONS
from audit.match.placement import BY_HAND, Placement
from audit.match.told import role_said
from audit.measure.measurement import Clarity
from audit.measure.record import clarity_to_record, measurement_to_record
from audit.photos.text import lines_to_record
from audit.visit import judge_again
from audit.visit.done import take_back
from audit.visit.say import say_photos, take_photo_back
from tests.desk_samples import judged_logbook, measured

STORIES = int(os.environ.get("PHOTO_AUDIT_TEST_STORIES", "20"))
PEOPLE = ("Ada Example", "Ben Other")
CAMERAS = ("C-1", "C-2", "C-3", "C-4")
STEPS = 14
#: How often each thing happens in a story.
_OFTEN = {"decide": 5, "finding": 4, "promise": 1, "undo": 4, "say": 5, "unsay": 3, "stale": 2, "reopen": 3, "match": 1}


@dataclass
class Story:
    """The logbook as two sessions have it open, and what was said by a list of its own."""

    place: Path
    rng: random.Random
    books: list[Logbook] = field(default_factory=list)
    words: list[tuple[str, str, str, str, str]] = field(default_factory=list)
    answers: list[tuple[str, str | None, str, str | None]] = field(default_factory=list)

    def book(self) -> tuple[Logbook, str]:
        """One of the two sessions."""
        session = self.rng.randrange(2)
        return self.books[session], PEOPLE[session]

    def reopen(self) -> None:
        """One session ends and begins anew, or both do."""
        for session in self.rng.choice(((0,), (1,), (0, 1))):
            self.books[session].close()
            self.books[session] = Logbook.open(str(self.place))


def decide(story: Story) -> None:
    book, by = story.book()
    camera, check, word = story.rng.choice(CAMERAS), story.rng.choice(CHECKS), story.rng.choice(DECISIONS)
    why = f"because {len(story.words)}"
    verdict = book.verdicts(1, camera)[0]
    shared = next((f.shared for f in verdict.findings if f.check == check and f.shared), ())
    before = {d.id for d in book.decisions(1)}
    book.decide(1, camera, check, word, by, why)
    added = [d for d in book.decisions(1) if d.id not in before]
    assert camera in {d.camera for d in added} and {d.camera for d in added} <= {camera, *shared}
    story.words += [(d.camera, check, word, by, why) for d in added]


def finding(story: Story) -> None:
    book, by = story.book()
    camera, check, state = story.rng.choice(CAMERAS), story.rng.choice(CHECKS), story.rng.choice(STATES)
    photos = book.photos(1, camera)
    at = (story.rng.uniform(-100, 900), story.rng.uniform(-100, 500)) if photos and story.rng.random() < 0.5 else None
    why = f"seen {len(story.words)}"
    try:
        book.add_finding(1, camera, check, state, by, why, photos[0].name if at else None, at)
    except AuditError as error:
        assert at is not None and "outside" in error.message
        return
    story.words.append((camera, check, "finding", by, why))
    found = next(f for f in book.verdicts(1, camera)[0].findings if f.check == check)
    assert found.state == state and why in found.why.lower()


def promise(story: Story) -> None:
    book, by = story.book()
    camera, check = story.rng.choice(CAMERAS), story.rng.choice(CHECKS)
    shared = any(f.shared for f in book.verdicts(1, camera)[0].findings if f.check == check)
    if not shared:
        due = book.clock().date() + timedelta(days=story.rng.randrange(30))
        book.promise(1, camera, check, due, by, "later")
        story.words.append((camera, check, "promise", by, "later"))


def undo(story: Story) -> None:
    book, by = story.book()
    standing = [d for d in book.decisions(1) if d.in_force]
    if standing:
        one = story.rng.choice(standing)
        before = {d.id for d in book.decisions(1)}
        take_back(book, book.visit(1), one.camera, one.check, by)
        story.words += [(d.camera, d.check, "undo", by, "") for d in book.decisions(1) if d.id not in before]


def say(story: Story) -> None:
    book, by = story.book()
    photo = story.rng.choice([p.name for p in book.photos(1)])
    camera = story.rng.choice((*CAMERAS, None))
    role: SaidRole | None = story.rng.choice((*get_args(SaidRole), None))
    say_photos(book, book.visit(1), [photo], camera, by, role=role)
    story.answers.append((photo, camera, by, role))


def unsay(story: Story) -> None:
    book, by = story.book()
    said = [a.photo for a in book.answer_history(1) if a.in_force]
    if said:
        photo = story.rng.choice(said)
        take_photo_back(book, book.visit(1), [photo], by)
        story.answers.append((photo, None, by, "undo"))


def stale(story: Story) -> None:
    """Whoever has not seen the other's word can't speak over it."""
    book, by = story.book()
    spoken = [d for d in book.decisions(1) if d.decision != "undo"]
    if spoken:
        one = story.rng.choice(spoken)
        with pytest.raises(AuditError, match="while you were looking"):
            book.decide(1, one.camera, one.check, "confirm", by, "too late", latest_seen=one.id - 1)


def match(story: Story) -> None:
    book, _ = story.book()
    judge_again(book, book.visit(1))


TOLD: dict[str, Callable[[Story], None]] = {
    "decide": decide, "finding": finding, "promise": promise, "undo": undo, "say": say, "unsay": unsay, "stale": stale,
    "reopen": Story.reopen, "match": match,
}  # fmt: skip


def standing(said: list[tuple[Any, ...]], key: Callable[[tuple[Any, ...]], Any], word: int) -> dict[Any, list[tuple[Any, ...]]]:
    """What counts, by a model of its own: a pile for each subject; ``undo`` takes the uppermost away."""
    piles: dict[Any, list[tuple[Any, ...]]] = {}
    for one in said:
        pile = piles.setdefault(key(one), [])
        if one[word] == "undo":
            pile.pop()
        else:
            pile.append(one)
    return {subject: pile for subject, pile in piles.items() if pile}


def nothing_lost(story: Story) -> None:
    """A session that opens the logbook now sees every word, and what counts of them, in every place."""
    with Logbook.open(str(story.place)) as book:
        kept = book.decisions(1)
        assert [(d.camera, d.check, d.decision, d.by, d.why) for d in kept] == story.words
        counts = standing(list(story.words), lambda w: w[:2], 2)
        assert {(d.camera, d.check): (d.decision, d.by, d.why) for d in kept if d.in_force} == {
            subject: pile[-1][2:] for subject, pile in counts.items()
        }
        assert [(a.photo, a.camera, a.by, a.role) for a in book.answer_history(1)] == story.answers
        for photo, pile in standing(list(story.answers), lambda a: a[0], 3).items():
            placed, role = book.placement(1, photo), next((a[3] for a in reversed(pile) if a[3]), None)
            assert placed is not None and placed.camera == pile[-1][1] and placed.decision != "uncertain"
            assert role is None or placed.role == role_said(role)
        verdicts = book.verdicts(1)
        assert {s: n for s, n in book.verdict_counts(1).items() if n} == Counter(v.state for v in verdicts)
        for verdict in verdicts:
            for found in verdict.findings:
                pile = counts.get((verdict.camera, found.check), [])
                if pile and pile[-1][2] == "finding":
                    assert pile[-1][4] in found.why.lower()
        visit = book.visit(1)
        asking = {(v.camera, f.check) for v in verdicts for f in v.findings if f.state in ("defect", "to check")}
        assert {(r["camera"].split(" / ")[0], r["check"]) for r in open_work(book, visit)} <= asking
        trip_of(book, visit), missing_work(book, visit), unproven(book, visit)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stories")
    judged_logbook(folder, cameras=len(CAMERAS), visits=1).close()
    return folder / "logbook"


@pytest.fixture
def quick(begun: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring and matching answer at once, always the same: what people say is tried here."""
    with Logbook.open(str(begun)) as book:
        camera, own = book.site(1).camera("C-1"), {p.photo: p for p in book.placements(1)}
    record = measurement_to_record(measured(camera, -15.0))

    def matched(_site: object, photos: Any, cameras: Any, _least: float, _roles: object) -> tuple[Placement, ...]:
        said = {n: Placement(n, c, 1.0, "placed" if c else "unmatched", n, evidence=(BY_HAND,)) for n, c in cameras.items()}
        return tuple(said.get(p.name, own[p.name]) for p in photos)

    monkeypatch.setattr("audit.visit.measure._measure_one", lambda _job: {"measured": record, "written": lines_to_record(())})
    monkeypatch.setattr("audit.visit.series._series_of_one", lambda _job: clarity_to_record(Clarity(0.1, "clear", None, 0.7)))
    monkeypatch.setattr("audit.visit.conduct.read_texts", lambda *_: None)
    monkeypatch.setattr("audit.visit.place.match_photos", matched)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("number", range(STORIES))
def test_no_word_is_lost(begun: Path, tmp_path: Path, number: int) -> None:
    shutil.copytree(begun, tmp_path / "logbook")
    story = Story(tmp_path / "logbook", random.Random(number))
    story.books = [Logbook.open(str(story.place)) for _ in PEOPLE]
    try:
        for step in story.rng.choices(list(_OFTEN), list(_OFTEN.values()), k=STEPS):
            TOLD[step](story)
        nothing_lost(story)
        if number % 5 == 0:
            story.books[0].sign(1, PEOPLE[0], unprotected=True)
            assert story.books[1].verify() == ()
            nothing_lost(story)
            with pytest.raises(AuditError, match="signed"):
                say(story)
    finally:
        for book in story.books:
            book.close()

"""Stored English in German and French: whole, in part, and where it must not be touched."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from audit.wording import LANGUAGES, in_pieces, language_of, localised, translated

KEPT = Path(__file__).resolve().parent.parent / "judge" / "judge_sentences.txt"
#: Plan parts in a planner's own spelling, and values that the samples made up.
_MADE_UP = re.compile(r"Serial of |no lines|no answer")


def _kept_sentences() -> list[str]:
    """Every finding and remedy of the kept answers of the judge, once."""
    found: dict[str, None] = {}
    for line in KEPT.read_text(encoding="utf-8").splitlines():
        if finding := re.match(r"^  [a-z ]+ (?:as planned|defect|to check|not verified): (.*)$", line):
            found[finding[1]] = None
        elif remedy := re.match(r"^    (?!measured|no remedy)(.*)$", line):
            found.update(dict.fromkeys(p for p in remedy[1].split(" | ") if not re.match(r"(bring|care|turns)\b", p)))
    return [text for text in found if not _MADE_UP.search(text)]


@pytest.mark.parametrize("language", ["de", "fr"])
def test_every_sentence_of_the_judge_is_known(language: str) -> None:
    texts = _kept_sentences()
    assert len(texts) > 250
    assert [text for text in texts if not all(known for _, known in in_pieces(text, language))] == []


@pytest.mark.parametrize(
    ("english", "german", "french"),
    [
        ("Tilt -15.0° ± 0.8°, planned -15.0°: within ±5°.", "Neigung -15,0° ± 0,8°, geplant -15,0°: innerhalb ±5°.",
         "Inclinaison -15,0° ± 0,8°, prévu -15,0°\u00a0: dans les ±5°."),
        ("Tilt down 8.0° ± 0.8° at the base's ball joint, which reaches it; lock it; then take a new day and night snapshot.",
         "Nach unten neigen um 8,0° ± 0,8° über das Kugelgelenk am Sockel (reicht aus); feststellen; danach neues Tag- und Nachtbild aufnehmen.",
         "Incliner vers le bas de 8,0° ± 0,8° par la rotule de l'embase (course suffisante)\u00a0; bloquer\u00a0; puis reprendre une image de jour et de nuit."),
        ("Not verified: 1 check of 3 cameras.", "Nicht nachgewiesen: 1 Prüfpunkt an 3 Kameras.", "Non vérifié\u00a0: 1 contrôle sur 3 caméras."),
        ("TH-07 and TH-08 look swapped.", "TH-07 und TH-08 scheinen vertauscht.", "TH-07 et TH-08 semblent interverties."),
        ("as planned", "wie geplant", "conforme au plan"),
    ],
)  # fmt: skip
def test_sentences_are_given_in_the_language(english: str, german: str, french: str) -> None:
    assert translated(english, "de") == german
    assert translated(english, "fr") == french
    assert translated(english, "en") == english


def test_a_sentence_that_is_not_known_stays_english_whole() -> None:
    pieces = in_pieces("No photo of this camera was found. The gardener moved a ladder yesterday.", "de")
    assert pieces == (("Kein Foto dieser Kamera gefunden.", True), (" The gardener moved a ladder yesterday.", False))


@pytest.mark.parametrize("text", ["", " ", "TH-07", "P 12/a.jpg", "Zufahrt Süd", "12:30", "The gardener was here and left", "\x00", "{x}", "'" * 50])
def test_what_people_wrote_is_left_alone(text: str) -> None:
    for language in LANGUAGES:
        assert translated(text, language) == text


def test_quoted_names_stay_as_they_are() -> None:
    assert translated("'the wall' is out of the picture with probability 99%.", "de") == "'the wall' liegt außerhalb des Bildes mit Wahrscheinlichkeit 99\u00a0%."


def test_numbers_and_days() -> None:
    assert localised("1.5 m on 2026-06-16, 40%", "de") == "1,5 m on 16.06.2026, 40\u00a0%"
    assert localised("1.5 m on 2026-06-16, 40%", "fr") == "1,5 m on 16/06/2026, 40\u00a0%"
    assert localised("192.168.1.20 a1.5b v1.2.3 2026-06-16T10", "de") == "192.168.1.20 a1.5b v1.2.3 2026-06-16T10"


def test_numbers_and_days_are_those_of_cldr() -> None:
    """CLDR's decimal mark and medium date, by Babel."""
    from datetime import date

    from babel.dates import format_date
    from babel.numbers import format_decimal

    day = date(2026, 6, 16)
    for language, short in (("de", "dd.MM.yyyy"), ("fr", "dd/MM/yyyy")):
        assert localised("2026-06-16", language) == format_date(day, short, locale=language)
        assert format_date(day, "short", locale=language)[:5] == localised("2026-06-16", language)[:5]
        assert localised("1234.5", language)[-2:] == format_decimal(1234.5, locale=language)[-2:]


@pytest.mark.parametrize(
    ("asked", "language"),
    [("de-CH,fr;q=0.8", "de"), ("es,fr-FR;q=0.9,en;q=0.8", "fr"), ("fr_FR.UTF-8", "fr"), ("pt", "en"), ("", "en"), (None, "en")],
)
def test_the_language_of_a_browser(asked: str | None, language: str) -> None:
    assert language_of(asked) == language


def test_long_text_ends_in_time() -> None:
    import time

    began = time.process_time()
    translated("Not measured: " + "and " * 3000 + ".", "de")
    translated("(" * 1400, "de")
    translated("Tilt down 8.0°, " * 90, "fr")
    assert time.process_time() - began < 60

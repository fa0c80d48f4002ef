"""The catalogue is whole: every sentence that the sources hold is in it, translated, with its places and plural forms."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.plural import PluralRule

from audit.wording import catalogue as rooms
from audit.wording import translated, why_not
from audit.wording.catalogue import PLURAL_FORMS, catalogue
from tests import house_wording as house

#: Sentences of a room that may be without a translation: none.
MOST_UNTRANSLATED: dict[str, int] = {}


@pytest.mark.parametrize("language", house.LANGUAGES)
def test_no_room_gains_sentences_without_a_translation(language: str) -> None:
    missing = house.untranslated(language)
    over = {room: (n, MOST_UNTRANSLATED.get(room, 0)) for room, n in missing.items() if n > MOST_UNTRANSLATED.get(room, 0)}
    assert over == {}, f"{over}: translate them in audit/wording/{language}.po (python -m tests.house_wording brings it up to date)"


@pytest.mark.parametrize("language", house.LANGUAGES)
def test_every_translation_can_be_used(language: str) -> None:
    assert house.faults(house.read_catalogue(language)) == []


@pytest.mark.parametrize("language", house.LANGUAGES)
def test_what_the_program_reads_is_what_was_translated(language: str) -> None:
    assert (house.WORDING / f"{language}.json").read_text(encoding="utf-8") == house.compiled(language)


def test_broken_translations_are_found() -> None:
    bad = Catalog(locale="de")
    bad.add("Tilt {way} {give}", "Neigung {weg} {give}")
    bad.add("by {names}", "durch {names")
    bad.add(("{n} file", "{n} files"), ("{n} Datei", ""), auto_comments=["counts {n}"])
    bad.add("good {place}", "gut {place}")
    faults = house.faults(bad)
    assert len(faults) == 3
    assert any("weg" in f for f in faults) and any("form is missing" in f for f in faults)


def test_choices_are_written_out_and_plurals_paired(tmp_path: Path) -> None:
    source = tmp_path / "x.py"
    source.write_text(
        "def f(n, up, x):\n"
        "    log.info('nobody reads this here')\n"
        "    a = f\"{n} camera{'s' if n != 1 else ''} found\"\n"
        "    return f\"Tilt it {'up' if up else 'down'} by {x:.1f}°\" + a\n"
    )
    found = {s.key for s, _ in house.gather_python(source)}
    assert found == {("{n} camera found", "{n} cameras found"), "Tilt it up by {x:n}°", "Tilt it down by {x:n}°"}


@pytest.mark.parametrize("language", ["de", "fr"])
def test_plural_forms_are_those_of_cldr(language: str) -> None:
    """CLDR's plural rules, by Babel; French millions take the form for many."""
    from babel import Locale

    rule: PluralRule = Locale(language).plural_form
    for number in (0, 1, 2, 5, 11, 21, 100, 101, 1_000_000):
        assert (PLURAL_FORMS[language](number) == 0) == (rule(number) == "one"), number
    assert translated("0 checks", "fr") == "0 contrôle"
    assert translated("0 checks", "de") == "0 Prüfpunkte"


@pytest.mark.parametrize("text", ["{", "[]", '{"words": {}}', json.dumps({"words": {}, "sentences": [["a {b}", "c {d}"]]}), "\xff"])
def test_a_file_that_is_broken_leaves_english_with_a_warning(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "de.json").write_bytes(text.encode("latin-1"))
    monkeypatch.setattr(rooms.resources, "files", lambda _: tmp_path)
    catalogue.cache_clear()
    translated.cache_clear()
    try:
        with caplog.at_level(logging.WARNING):
            assert catalogue("de") is None
        assert "install photo-audit again" in caplog.text
        assert "English is shown" in (why_not("de") or "")
        (tmp_path / "de.json").unlink()
        assert why_not("de") is not None
    finally:
        monkeypatch.undo()
        catalogue.cache_clear()
        translated.cache_clear()
    assert "choose one of en, de, fr" in (why_not("es") or "")


def test_the_desks_numbers_are_those_of_cldr() -> None:
    from babel import Locale

    for language in house.LANGUAGES:
        symbols = Locale(language).number_symbols["latn"]
        assert rooms.label("numbers.decimal", ".", language) == symbols["decimal"]
        assert rooms.label("numbers.thousands", " ", language) == symbols["group"]

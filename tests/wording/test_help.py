"""The commands' help is in the language that was asked for, wherever the option stands."""

from __future__ import annotations

import pytest

from tests.test_commands import Audit


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (("--language", "de", "handover", "--help"), ("Aufruf: ", "Das Übergabepaket schreiben", "Optionen:", "[erforderlich]", "Diese Hilfe")),
        (("handover", "--help", "--language=fr"), ("Écrire le dossier remis", "Usage: ", "[obligatoire]", "Afficher cette aide")),
        (("plan", "check", "--help", "--language", "de"), ("widerspricht", "Argumente:")),
        (("--language", "de", "--help"), ("Befehle:", "Die Kameras auflisten", "PHOTO_AUDIT_LANGUAGE")),
        (("handover", "--help"), ("Usage: ", "Write the package", "[required]")),
    ],
)
def test_help_in_a_language(audit: Audit, line: tuple[str, ...], words: tuple[str, ...]) -> None:
    ran = audit(*line)
    assert ran.code == 0, ran.err
    assert all(word in ran.out for word in words), ran.out
    if "handover" in line and len(line) > 2:
        assert not any(word in ran.out for word in ("Write the", "Folder", "Show this", "[required]"))

"""What several commands take, and how they end."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import typer

from audit.errors import AuditError
from audit.people import shown_name
from audit.wording import LANGUAGES

__all__ = [
    "COULD_NOT",
    "DEFECT",
    "DONE",
    "SOME_REFUSED",
    "Images",
    "Json",
    "LimitsFile",
    "LogbookPlace",
    "PlanFile",
    "Visit",
    "Workers",
    "day_of",
    "known_language",
    "made_folder",
    "typed",
]

DONE, DEFECT, COULD_NOT, SOME_REFUSED = 0, 1, 2, 3

Json = Annotated[bool, typer.Option("--json", help="One JSON object per line on standard output.")]
Visit = Annotated[int | None, typer.Option("--visit", help="Number of the visit; the latest without it.")]
Images = Annotated[str | None, typer.Option("--images", help="Image store address, with a database.")]
LimitsFile = Annotated[Path | None, typer.Option("--limits", help="TOML file laid over the default limits; the visit keeps it.")]
LogbookPlace = Annotated[str, typer.Argument(help="The logbook.")]
PlanFile = Annotated[Path, typer.Argument(help="The plan file.")]
Workers = Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")]


def day_of(text: str | None) -> date:
    """The day that ``--on`` names; today without it."""
    if text is None:
        return datetime.now(UTC).astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise AuditError(f"--on {text}: not a day; write it as 2026-06-16.") from None


def made_folder(path: Path) -> Path:
    """The folder, made where it is missing."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AuditError(f"{path}: can't be made a folder ({error.strerror}); name another one.") from None
    return path


def known_language(language: str | None) -> str | None:
    """A language that the catalogue has."""
    if language is not None and language not in LANGUAGES:
        raise AuditError(f"--package-language {language}: this language is not here; choose one of {', '.join(LANGUAGES)}.")
    return language


def typed(name: str | None) -> str | None:
    """A name given with ``--by``: whatever it says, it must not look like one that signed in."""
    if name is not None and shown_name(name) != name:
        raise AuditError(f"--by {name}: ends like a name that signed in at a desk; give the name without the part in < >.")
    return name

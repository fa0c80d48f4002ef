"""The command that fetches pictures from the cameras themselves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Images, Json, LogbookPlace, Workers, day_of, made_folder
from audit.cli.speak import emit, progress_bar, say
from audit.errors import AuditError
from audit.extras import need

if TYPE_CHECKING:
    from audit.collect.addresses import Address
    from audit.collect.conduct import Round
    from audit.collect.journal import Entry
    from audit.collect.pins import Pins
    from audit.collect.rounds import Turned
    from audit.logbook import Logbook

__all__ = ["collect"]

_KINDS = ("commissioning", "maintenance")
#: Pictures while a camera is turned are taken by day.
_LIGHTS_TURNED = ("day", "both")


def collect(
    logbook: LogbookPlace,
    kind: Annotated[str, typer.Option("--kind", help="commissioning or maintenance.")],
    cameras: Annotated[
        Path | None, typer.Option("--cameras", help="CSV: camera, address; the plan's column address without it.")
    ] = None,
    light: Annotated[str, typer.Option("--light", help="day: now; night: when it is dark; both.")] = "day",
    turned: Annotated[
        int, typer.Option("--turned", min=0, max=3, help="So many more while each camera is turned a little, to see what sits on its glass.")
    ] = 0,
    every: Annotated[float, typer.Option("--every", min=1.0, max=600.0, help="Seconds between those, to turn it on.")] = 10.0,
    on: Annotated[str | None, typer.Option("--on", help="Day of the visit, YYYY-MM-DD; today without it.")] = None,
    credentials: Annotated[
        Path | None, typer.Option("--credentials", help="CSV: camera (or *), user, password; readable by you alone.")
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", help="Fetch anew what is older, as 2026-06-16T08:00+02:00.")
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Fetch every camera anew.")] = False,
    timeout: Annotated[float, typer.Option("--timeout", min=0.5, max=60.0, help="Seconds a camera has to answer.")] = 5.0,
    new_certificate: Annotated[
        list[str] | None, typer.Option("--new-certificate", help="Camera that was replaced: trust what it shows now.")
    ] = None,
    workers: Workers = 0,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Fetch the cameras' own pictures by HTTP, ONVIF or RTSP; nothing in a camera is changed."""
    need("collect", "Fetching from cameras")
    from audit.collect.addresses import addresses
    from audit.collect.conduct import Round, folder_of
    from audit.collect.credentials import keys_from
    from audit.collect.journal import Journal
    from audit.collect.pins import Pins, default_pins
    from audit.collect.rounds import LIGHTS, Turned
    from audit.logbook import Logbook
    from audit.photos.inbox import Inbox

    _refuse_other("--kind", kind, _KINDS)
    _refuse_other("--light", light, _LIGHTS_TURNED if turned else LIGHTS)
    day = day_of(on)
    book = Logbook.open(logbook, images=images)
    found, wrong = addresses(book.site(), cameras)
    pins = Pins(default_pins())
    _forget(pins, found, new_certificate or ())
    folder = made_folder(folder_of(Inbox.of(logbook, kind, day).folder, kind, day.isoformat()))
    this = Round(Journal(folder), keys_from(credentials), pins, "day", timeout, _moment(since), again)
    _tell_wrong(wrong, as_json)
    entries = _fetched(this, book, found, light, as_json) + _turned(this, found, Turned(turned, every), as_json)
    silent = len(wrong) + len({entry.camera for entry in entries if entry.file is None})
    # what measures is loaded when all is fetched
    from audit.visit.fetched import visit_collected

    with progress_bar() as report:
        visit = book.open_visit("commissioning" if kind == "commissioning" else "maintenance", day)
        visit_collected(
            book, folder, visit, entries, workers=workers, progress=lambda p: report(p.step, p.done, p.total, p.name)
        )
    say(sentences.collected(sum(entry.file is not None for entry in entries), silent, visit.number))
    return SOME_REFUSED if silent else DONE


def _refuse_other(option: str, given: str, known: Sequence[str]) -> None:
    if given not in known:
        raise AuditError(f"{option} {given}: one of {', '.join(known)}.")


def _tell_wrong(wrong: Mapping[str, str], as_json: bool) -> None:
    """Cameras whose address can't be used."""
    for camera, sentence in wrong.items():
        if as_json:
            emit(sentences.no_address_line(camera, sentence))
        else:
            typer.echo(sentence)


def _forget(pins: Pins, found: Mapping[str, Address], replaced: Iterable[str]) -> None:
    """Trust what cameras show now that were replaced."""
    for camera in replaced:
        if camera not in found:
            raise AuditError(f"--new-certificate {camera}: no camera with an address has this id.")
        pins.forget(found[camera].host, found[camera].port)


def _fetched(this: Round, book: Logbook, found: Mapping[str, Address], light: str, as_json: bool) -> list[Entry]:
    """Every camera's entry, told as it is done."""
    from audit.collect.rounds import rounds

    entries = []
    with progress_bar() as report:
        for entry in rounds(this, book.site(), found, light, waiting=lambda left: say(sentences.waiting_for_dark(left))):
            entries.append(entry)
            report("collect", len(entries), len(found), entry.camera)
            if as_json:
                emit(sentences.collect_line(entry, found[entry.camera].url))
            else:
                typer.echo(sentences.collect_sentence(entry))
    return entries


def _turned(this: Round, found: Mapping[str, Address], turned: Turned, as_json: bool) -> list[Entry]:
    """The pictures from while the cameras are turned, told one by one."""
    from audit.collect.rounds import while_turned

    entries = []
    for entry in while_turned(this, found, turned, waiting=lambda number, left_s: say(sentences.turn_now(number, left_s))):
        entries.append(entry)
        if as_json:
            emit(sentences.collect_line(entry, found[entry.camera].url))
        else:
            typer.echo(sentences.collect_sentence(entry))
    return entries


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise AuditError(f"--since {text}: not a moment; write it as 2026-06-16T08:00+02:00.") from None

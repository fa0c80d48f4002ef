"""The command that fetches pictures from the cameras themselves."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Images, Json, LogbookPlace, Workers, day_of, made_folder
from audit.cli.speak import emit, progress_bar, say
from audit.errors import AuditError
from audit.extras import need

__all__ = ["collect"]


def collect(
    logbook: LogbookPlace,
    kind: Annotated[str, typer.Option("--kind", help="commissioning or maintenance.")],
    cameras: Annotated[
        Path | None, typer.Option("--cameras", help="CSV: camera, address; the plan's column address without it.")
    ] = None,
    light: Annotated[str, typer.Option("--light", help="day: now; night: when it is dark; both.")] = "day",
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
    from audit.collect.rounds import LIGHTS, rounds
    from audit.logbook import Logbook
    from audit.photos.inbox import Inbox
    from audit.visit import KINDS, note_collected, run_visit

    if light not in LIGHTS:
        raise AuditError(f"--light {light}: one of {', '.join(LIGHTS)}.")
    if kind not in KINDS:
        raise AuditError(f"--kind {kind}: one of {', '.join(KINDS)}.")
    day = day_of(on)
    book = Logbook.open(logbook, images=images)
    site = book.site()
    found, wrong = addresses(site, cameras)
    pins = Pins(default_pins())
    for camera in new_certificate or ():
        if camera not in found:
            raise AuditError(f"--new-certificate {camera}: no camera with an address has this id.")
        pins.forget(found[camera].host, found[camera].port)
    folder = made_folder(folder_of(Inbox.of(logbook, kind, day).folder, kind, day.isoformat()))
    this = Round(Journal(folder), keys_from(credentials), pins, "day", timeout, _moment(since), again)
    for camera, sentence in wrong.items():
        if as_json:
            emit(sentences.no_address_line(camera, sentence))
        else:
            typer.echo(sentence)
    entries = []
    with progress_bar() as report:
        for entry in rounds(this, site, found, light, waiting=lambda left: say(sentences.waiting_for_dark(left))):
            entries.append(entry)
            report("collect", len(entries), len(found), entry.camera)
            if as_json:
                emit(sentences.collect_line(entry, found[entry.camera].url))
            else:
                typer.echo(sentences.collect_sentence(entry))
    silent = len(wrong) + sum(entry.file is None for entry in entries)
    visit = book.open_visit("commissioning" if kind == "commissioning" else "maintenance", day)
    note_collected(book, visit, entries)
    if any(entry.file is not None for entry in entries):
        with progress_bar() as report:
            run_visit(book, folder, kind, day, workers=workers, progress=lambda p: report(p.step, p.done, p.total, p.name))
    say(sentences.collected(len(entries) + len(wrong) - silent, silent, visit.number))
    return SOME_REFUSED if silent else DONE


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise AuditError(f"--since {text}: not a moment; write it as 2026-06-16T08:00+02:00.") from None

"""Commands around the desk: open it, ask how the logbook does, lay out the demo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from audit.cli import sentences
from audit.cli.options import COULD_NOT, DONE, Images, LogbookPlace, Workers, made_folder, typed
from audit.cli.speak import progress_bar, say, tell

__all__ = ["demo", "health", "open_desk"]


def health(
    logbook: LogbookPlace,
    counters: Annotated[bool, typer.Option("--counters", help="OpenMetrics text of what is kept.")] = False,
    images: Images = None,
) -> int:
    """Say in one line whether the logbook answers; for a service that watches."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    if counters:
        tell(book.counters(), ends_line=False)
        return DONE
    well, line = book.health()
    tell(line)
    return DONE if well else COULD_NOT


def open_desk(
    logbook: LogbookPlace,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on this machine.")] = 8501,
    address: Annotated[
        str, typer.Option("--address", help="Listen here; anything but loopback needs sign-in.")
    ] = "127.0.0.1",
    images: Images = None,
    settings: Annotated[
        Path | None, typer.Option("--settings", help="TOML file: sign-in, people, folders (docs/sign_in.md).")
    ] = None,
    by: Annotated[str, typer.Option("--by", help="Who works at it, without sign-in; else the desk asks.", callback=typed)] = "",
    cameras: Annotated[
        Path | None, typer.Option("--cameras", help="To aim: CSV camera, address; the plan's column address without it.")
    ] = None,
    credentials: Annotated[
        Path | None, typer.Option("--credentials", help="To aim: CSV camera (or *), user, password; readable by you alone.")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser too.")] = True,
) -> int:
    """Open the desk in a browser."""
    from audit.collect.credentials import keys_from
    from audit.desk import Asked, serve

    keys_from(credentials)
    asked = Asked(cameras, credentials)
    return serve(
        logbook, address=address, port=port, images=images, browser=browser, settings=settings, name=by, asked=asked
    )


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to lay it out.")] = Path("photo-audit-demo"),
    workers: Workers = 2,
    devices: Annotated[
        bool, typer.Option("--devices", help="Start the demo's cameras as devices on loopback instead, to try collect.")
    ] = False,
) -> int:
    """Lay out the demo site, run its commissioning and one maintenance visit."""
    from audit.demo import run_demo

    if devices:
        return _serve_devices(made_folder(folder))
    with progress_bar() as report:
        summaries = run_demo(folder, workers, lambda p: report(p.step, p.done, p.total, p.name))
    for summary in summaries:
        say(sentences.visit_sentence(summary))
    say(sentences.demo_sentence(folder))
    return DONE


def _serve_devices(folder: Path) -> int:
    """The demo's devices until they are stopped from the keyboard, with the tables that ``collect`` wants."""
    import threading

    from audit.demo import lay_out
    from audit.demo_devices import demo_devices, write_credentials
    from audit.devices import SimulatedSite

    lay_out(folder)
    table, passwords = folder / "addresses.csv", folder / "passwords.csv"
    found = demo_devices()
    with SimulatedSite(found) as site:
        table.write_text(site.table(), encoding="utf-8")
        write_credentials(passwords)
        say(sentences.devices_sentence(len(found), folder, table, passwords))
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            say(sentences.DEVICES_GONE)
    return DONE

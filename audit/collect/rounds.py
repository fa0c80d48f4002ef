"""By day now, by night when it is dark: the rounds that a visit's pictures take."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from audit.collect.addresses import Address
from audit.collect.conduct import AT_ONCE, Round, collect
from audit.collect.darkness import dark_from
from audit.collect.journal import Entry
from audit.plan.model import Site

__all__ = ["LIGHTS", "Turned", "rounds", "while_turned"]

LIGHTS = ("day", "night", "both")
#: Infrared needs a moment to settle after it comes on; the second of two pictures is kept (common practice, no source).
_SETTLING_S = 20.0
_LONGEST_NAP_S = 300.0


@dataclass(frozen=True, slots=True)
class Turned:
    """Pictures while the cameras are turned a little, before they are tightened.

    Attributes
    ----------
    more : int
        How many of each camera.
    every_s : float
        Time between them, in which the fitter turns it on.
    """

    more: int
    every_s: float


def rounds(
    this: Round,
    site: Site,
    found: Mapping[str, Address],
    light: str,
    at_once: int = AT_ONCE,
    sleep: Callable[[float], None] = time.sleep,
    waiting: Callable[[float], None] = lambda _: None,
) -> Iterator[Entry]:
    """The entries of each round in turn.

    Parameters
    ----------
    light : str
        ``day`` (now), ``night`` (waits until civil twilight is over, then takes two pictures), or ``both``.
    waiting : callable
        Told now and then how many seconds it still waits for darkness.

    Raises
    ------
    AuditError
        Where darkness is asked for and the site's place is not known, or the disk is full.
    """
    if light != "night":
        yield from collect(replace(this, light="day"), found, at_once)
    if light == "day":
        return
    dark = dark_from(site, this.clock())
    while (left := (dark - this.clock()).total_seconds()) > 0:
        waiting(left)
        sleep(min(left, _LONGEST_NAP_S))
    night = replace(this, light="night")
    known = set() if night.again else set(night.journal.fetched("night", night.since))
    first = list(collect(night, found, at_once))
    answered = {e.camera: found[e.camera] for e in first if e.file is not None and e.camera not in known}
    if not answered:
        yield from first
        return
    sleep(_SETTLING_S)
    settled = {e.camera: e for e in collect(replace(night, again=True), answered, at_once)}
    yield from (settled.get(entry.camera, entry) for entry in first)


def while_turned(
    this: Round,
    found: Mapping[str, Address],
    turned: Turned,
    at_once: int = AT_ONCE,
    sleep: Callable[[float], None] = time.sleep,
    waiting: Callable[[int, float], None] = lambda number, left_s: None,
) -> Iterator[Entry]:
    """Pictures of each camera that has a day snapshot, while it is turned; what an earlier run took counts.

    Parameters
    ----------
    waiting : callable
        Told before each wait which picture comes next, from 1, and in how many seconds.

    Raises
    ------
    AuditError
        Where the disk is full.
    """
    there = this.journal.turned(this.since)
    own = this.journal.fetched("day", this.since)
    for number in range(1, turned.more + 1):
        lacking = {camera: address for camera, address in found.items() if camera in own and there[camera] < number}
        if lacking:
            waiting(number, turned.every_s)
            sleep(turned.every_s)
            yield from collect(replace(this, light="day", shot="turned", again=True), lacking, at_once)

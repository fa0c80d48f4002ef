"""Places to the site's local metres: the origin found, contradictions said."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

from audit.plan.model import Camera, Target
from audit.plan.places import origin_from, to_local
from audit.plan.rows import Place, RoughCamera, RoughTarget, Speaker
from audit.plan.table import Table

__all__ = ["find_origin", "settle", "settled_place", "site_columns"]


#: Local metres against latitude and longitude: beyond this the two contradict each other. Our default: phone and
#: map positions of six decimals round to 0.1 m, a drawing's grid to 1 m.
_CONTRADICTION_M = 3.0


def site_columns(tables: list[Table]) -> tuple[str, tuple[float, float] | None]:
    """Name and origin where the plan gives them, in the first row that does."""
    name = ""
    origin = None
    for table in tables:
        for row in table.rows:
            name = name or row.text("site")
            latitude, longitude = row.number_in("origin_latitude"), row.number_in("origin_longitude")
            if origin is None and latitude is not None and longitude is not None and abs(latitude) <= 90:
                origin = (latitude, longitude)
    return name, origin


def find_origin(rough: list[RoughCamera], given: tuple[float, float] | None) -> tuple[float, float] | None:
    """The site's origin: as given; so that both kinds of coordinates agree; or the first camera's position."""
    if given is not None:
        return given
    usable = [(r, r.place) for r in rough if r.place is not None and r.camera is not None]
    located = [(r, p.geographic) for r, p in usable if p.geographic is not None]
    both = [(p.geographic, p.local) for _, p in usable if p.geographic is not None and p.local is not None]
    if both:
        origins = [origin_from(g[0], g[1], p[0], p[1]) for g, p in both]
        middle = _middle(origins)
        at_zero = [g for g, p in both if p == (0.0, 0.0)]
        if at_zero and math.hypot(*to_local(at_zero[0][0], at_zero[0][1], middle)) <= 1.0:
            return at_zero[0]
        return middle
    if not located:
        return None
    adrift = [r for r, p in usable if p.geographic is None]
    for number, r in enumerate(adrift):
        message = (
            "this camera has local metres and others have latitude and longitude, but no row has both and "
            "no origin is given, so they can't be brought together."
        )
        if number == 0:
            r.speaker.say("east_m", message, accepted="one row with both, or origin_latitude and origin_longitude")
        else:
            r.speaker.row.wait(message)
    return located[0][1]


def _middle(positions: list[tuple[float, float]]) -> tuple[float, float]:
    """Median latitude and longitude, also across the 180th meridian."""
    first = positions[0][1]
    turned = [(p[1] - first + 180.0) % 360.0 - 180.0 for p in positions]
    longitude = (first + statistics.median(turned) + 180.0) % 360.0 - 180.0
    return statistics.median(p[0] for p in positions), longitude


def settle(rough: RoughCamera, listed: list[RoughTarget], origin: tuple[float, float] | None) -> Camera | None:
    """The camera in local metres, with its targets; None where it waits."""
    row = rough.speaker.row
    names: set[str] = set()
    for t in ([rough.inline] if rough.inline else []) + listed:
        if t.target.name in names:
            message = f"'{t.target.name}' stands there twice for camera '{row.text('camera')}'."
            t.speaker.say("target", message, accepted="a name unique within its camera")
            row.wait(f"its target {message}")
        names.add(t.target.name)
    if rough.camera is None or rough.place is None or row.reasons:
        return None
    east, north = settled_place(rough.place, origin, rough.speaker, ("east_m", "latitude"))
    targets: list[Target] = []
    for t in ([rough.inline] if rough.inline else []) + listed:
        e, n = settled_place(t.place, origin, t.speaker, t.columns)
        targets.append(replace(t.target, east_m=e, north_m=n))
        for reason in t.speaker.row.reasons:
            row.wait(f"its target '{t.target.name}': {reason}")
    return None if row.reasons else replace(rough.camera, east_m=east, north_m=north, targets=tuple(targets))


def settled_place(
    place: Place, origin: tuple[float, float] | None, speaker: Speaker, columns: tuple[str, str]
) -> tuple[float, float]:
    """A place in local metres; a contradiction between its two kinds of coordinates is said."""
    if place.local is None:
        if place.geographic is None:
            return 0.0, 0.0
        if origin is None:
            speaker.say(
                columns[1],
                "latitude and longitude can't be related to local metres: no camera has both and no origin is given.",
                accepted="origin_latitude and origin_longitude",
            )
            return 0.0, 0.0
        return to_local(place.geographic[0], place.geographic[1], origin)
    if place.geographic is not None and origin is not None:
        e, n = to_local(place.geographic[0], place.geographic[1], origin)
        off = math.hypot(e - place.local[0], n - place.local[1])
        if off > _CONTRADICTION_M:
            speaker.say(
                columns[0],
                f"local metres and latitude/longitude lie {off:,.1f} m apart; the local metres are used.",
                severity="warning",
                remedy="Correct the one that is wrong.",
            )
    return place.local

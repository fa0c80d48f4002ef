"""Places to the site's local metres: the origin found, contradictions and swaps said."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from typing import Any

from audit.plan.cells import CellReader
from audit.plan.model import Camera, Target
from audit.plan.places import origin_from, to_local
from audit.plan.rows import LATITUDE, LONGITUDE, Place, RoughCamera, RoughTarget
from audit.plan.table import Problems, Table

__all__ = ["find_origin", "settle", "settled_place", "site_columns"]


#: Local metres against latitude and longitude: beyond this the two contradict each other. Our default: phone and
#: map positions of six decimals round to 0.1 m, a drawing's grid to 1 m.
_CONTRADICTION_M = 3.0

#: A camera this far from the others is not on the same site (our default).
_FAR_M = 20_000.0


def site_columns(table: Table, problems: Problems) -> tuple[str, tuple[float, float] | None]:
    """Name and origin where the plan gives them, in the first row that does."""
    name = ""
    origin = None
    for row in table.rows:
        reader = CellReader(table.place, row, table.titles, problems)
        name = name or reader.text("site")
        if origin is None and reader.has("origin_latitude") and reader.has("origin_longitude"):
            latitude = reader.number("origin_latitude", LATITUDE)
            longitude = reader.number("origin_longitude", LONGITUDE)
            if latitude is not None and longitude is not None:
                origin = (latitude, longitude)
    return name, origin


def find_origin(
    table: Table, rough: list[RoughCamera], given: tuple[float, float] | None, problems: Problems
) -> tuple[float, float] | None:
    """The site's origin: as given; so that both kinds of coordinates agree; or the first camera's position."""
    located = [r for r in rough if r.place.geographic is not None]
    if located:
        _check_scatter(located, problems)
    if given is not None:
        return given
    both = [(r.place.geographic, r.place.local) for r in located if r.place.local is not None]
    if both:
        origins = [origin_from(g[0], g[1], p[0], p[1]) for g, p in both if g is not None and p is not None]
        middle = _middle(origins)
        at_zero = [g for g, p in both if p == (0.0, 0.0) and g is not None]
        if at_zero and math.hypot(*to_local(at_zero[0][0], at_zero[0][1], middle)) <= 1.0:
            return at_zero[0]
        return middle
    if not located:
        return None
    adrift = [r for r in rough if r.place.geographic is None and r.place.local is not None]
    if adrift:
        adrift[0].reader.complain(
            "east_m",
            "this camera has local metres and others have latitude and longitude, but no row has both and "
            "no origin is given, so they can't be brought together.",
            accepted="one row with both, or origin_latitude and origin_longitude",
        )
    return located[0].place.geographic


def _check_scatter(located: list[RoughCamera], problems: Problems) -> None:
    """A position far from all others: latitude and longitude swapped, or a slip of the keyboard."""
    positions = [r.place.geographic for r in located if r.place.geographic is not None]
    middle = _middle(positions)
    for r in located:
        position = r.place.geographic
        if position is None or _rough_distance_m(position, middle) <= _FAR_M:
            continue
        swapped = abs(position[1]) <= 90 and _rough_distance_m((position[1], position[0]), middle) <= _FAR_M
        if swapped:
            r.reader.complain(
                "latitude",
                f"latitude {position[0]:g} and longitude {position[1]:g} are swapped: the "
                "other cameras lie where they would be the other way round.",
                value=position[0],
                accepted=f"{position[1]:g}",
            )
        elif len(located) > 2:
            far = _rough_distance_m(position, middle) / 1000
            r.reader.complain(
                "latitude",
                f"the camera lies {far:,.0f} km from the others.",
                value=position[0],
                severity="warning",
                remedy="Check latitude and longitude, and their signs.",
            )


def _middle(positions: list[tuple[float, float]]) -> tuple[float, float]:
    """Median latitude and longitude, also across the 180th meridian."""
    first = positions[0][1]
    turned = [(p[1] - first + 180.0) % 360.0 - 180.0 for p in positions]
    longitude = (first + statistics.median(turned) + 180.0) % 360.0 - 180.0
    return statistics.median(p[0] for p in positions), longitude


def _rough_distance_m(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Distance good enough to tell near from far (sphere)."""
    d_longitude = (a[1] - b[1] + 180) % 360 - 180
    north, east = a[0] - b[0], d_longitude * math.cos(math.radians((a[0] + b[0]) / 2))
    return 111_195.0 * math.hypot(north, east)


def settle(
    rough: RoughCamera, listed: list[RoughTarget], origin: tuple[float, float] | None, problems: Problems
) -> Camera:
    """The camera in local metres, with its targets."""
    east, north = settled_place(rough.place, origin, rough.reader, ("east_m", "latitude"))
    targets: list[Target] = []
    names: set[str] = set()
    for t in ([rough.inline] if rough.inline else []) + listed:
        if t.target.name in names:
            t.reader.complain(
                "target",
                f"'{t.target.name}' stands there twice for camera '{rough.camera.camera}'.",
                value=t.target.name,
                accepted="a name unique within its camera",
            )
        names.add(t.target.name)
        e, n = settled_place(t.place, origin, t.reader, t.columns)
        targets.append(replace(t.target, east_m=e, north_m=n))
    return _with(rough.camera, east_m=east, north_m=north, targets=tuple(targets))


def _with(camera: Camera, **changes: Any) -> Camera:
    fields = {name: getattr(camera, name) for name in Camera.__dataclass_fields__}
    return Camera(**(fields | changes))


def settled_place(
    place: Place, origin: tuple[float, float] | None, reader: CellReader, columns: tuple[str, str]
) -> tuple[float, float]:
    """A place in local metres; a contradiction between its two kinds of coordinates is noted."""
    if place.local is None:
        if place.geographic is None:
            return 0.0, 0.0
        if origin is None:
            reader.complain(
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
            latitude, longitude = place.geographic
            turned = (
                abs(longitude) <= 90
                and math.hypot(
                    *(a - b for a, b in zip(to_local(longitude, latitude, origin), place.local, strict=True))
                )
                < 100
            )
            if turned:
                reader.complain(
                    columns[1], "latitude and longitude are swapped.", value=latitude, accepted=f"{longitude:g}"
                )
            else:
                reader.complain(
                    columns[0],
                    f"local metres and latitude/longitude lie {off:,.1f} m apart; the local metres are used.",
                    value=place.local[0],
                    severity="warning",
                    remedy="Correct the one that is wrong.",
                )
    return place.local

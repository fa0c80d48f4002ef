"""Plans in and out: CSV, XLSX and GeoJSON, with every problem named by file, row, column and value.

Columns are those of the contract; unknown ones are kept. Round trips lose nothing: what is written is read back as
the same site. Positions may be given as local metres, as latitude and longitude, or both; where both are given the
site's origin is chosen so that they agree, and a contradiction of more than a few metres is said.
"""

from __future__ import annotations

import difflib
import math
import os
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from audit.errors import PlanError, PlanProblem
from audit.lens import Lens, Projection, hfov_from_focal
from audit.plan.catalogue import finer_name
from audit.plan.cells import CellReader, Measure
from audit.plan.model import (
    PURPOSE_PX_PER_M,
    Camera,
    Form,
    MountChain,
    Night,
    Setting,
    Site,
    Surface,
    Target,
)
from audit.plan.places import from_local, origin_from, to_local
from audit.plan.tables import (
    Cell,
    Problems,
    Table,
    cell_text,
    read_tables,
    shown_name,
    write_csv,
    write_json,
    write_xlsx,
)

__all__ = ["read_plan", "read_plan_problems", "write_plan"]

FORMS = ("bullet", "dome", "turret", "fisheye", "multi-sensor", "ptz", "box")
SURFACES = ("wall", "pole", "corner", "soffit", "hard ceiling", "tile ceiling", "parapet")
SETTINGS = ("indoor", "outdoor")
NIGHTS = ("none", "infrared", "white light")
_NIGHT_WORDS = {"ir": "infrared", "no": "none", "off": "none", "white": "white light", "visible": "white light"}
_PURPOSE_WORDS = {
    "monitoring": "monitor",
    "detection": "detect",
    "observation": "observe",
    "recognition": "recognise",
    "recognize": "recognise",
    "identification": "identify",
    "inspection": "inspect",
}
_PROJECTIONS = ("rectilinear", "equidistant")
_PROJECTION_WORDS = {"pinhole": "rectilinear", "perspective": "rectilinear", "fisheye": "equidistant"}

_POSITION_M = Measure("m", -100_000, 100_000)
_LATITUDE = Measure("deg", -90, 90)
_LONGITUDE = Measure("deg", -180, 180)
_HEIGHT = Measure("m", 0, 200, above=True)
_UP = Measure("m", -1000, 9000)
_BEARING = Measure("deg", 0, 360)
_PITCH = Measure("deg", -90, 90)
_ROLL = Measure("deg", -180, 180)
_PIXELS = Measure("px", 16, 65_535, whole=True)
_DENSITY = Measure("px/m", 0, 100_000, above=True)

#: Local metres against latitude and longitude: beyond this the two contradict each other. Our default: phone and
#: map positions of six decimals round to 0.1 m, a drawing's grid to 1 m.
_CONTRADICTION_M = 3.0
#: A camera this far from the others is not on the same site (our default).
_FAR_M = 20_000.0

_CAMERA_COLUMNS = (
    "camera",
    "name",
    "latitude",
    "longitude",
    "east_m",
    "north_m",
    "floor",
    "height_m",
    "ground_up_m",
    "bearing_deg",
    "pitch_deg",
    "tilt_down_deg",
    "roll_deg",
    "hfov_deg",
    "hfov_sd_deg",
    "focal_mm",
    "sensor_width_mm",
    "image_width_px",
    "image_height_px",
    "projection",
    "k1",
    "k2",
    "principal_x_px",
    "principal_y_px",
    "form",
    "surface",
    "setting",
    "mount",
    "serial",
    "night",
    "purpose",
    "target",
    "target_east_m",
    "target_north_m",
    "target_up_m",
    "target_latitude",
    "target_longitude",
    "target_purpose",
    "required_px_per_m",
    "site",
    "origin_latitude",
    "origin_longitude",
)
_TARGET_COLUMNS = (
    "camera",
    "target",
    "latitude",
    "longitude",
    "east_m",
    "north_m",
    "up_m",
    "purpose",
    "required_px_per_m",
)
#: Optical columns that the lens already answers; kept beside it so that nothing of the plan is lost.
_KEPT_BESIDE_LENS = ("focal_mm", "sensor_width_mm")


def read_plan(path: str | Path) -> Site:
    """Read a plan.

    Raises
    ------
    PlanError
        With every problem of the file, where at least one keeps the plan from being used.
    """
    site, problems = read_plan_problems(path)
    if site is None:
        raise PlanError(tuple(p for p in problems if p.severity == "error"))
    return site


def read_plan_problems(path: str | Path) -> tuple[Site | None, tuple[PlanProblem, ...]]:
    """Read a plan, and everything that is wrong or doubtful in it; the site is None where it can't be used."""
    path = Path(path)
    problems = Problems()
    tables = read_tables(path, problems)
    if "cameras" not in tables:
        return None, problems.all()
    table = tables["cameras"]
    _check_columns(table, problems)
    rough = [r for r in (_read_camera(table, i, problems) for i in range(len(table.rows))) if r is not None]
    if not table.rows and not problems.serious:
        problems.add(table.place, "the plan has no cameras below its header.")
    _check_ids(table, rough, problems)
    site_name, origin = _site_columns(table, problems)
    targets = _read_targets(tables.get("targets"), {r.camera.camera for r in rough}, problems)
    origin = _find_origin(table, rough, origin, problems)
    cameras = tuple(_settle(r, targets.get(r.camera.camera, []), origin, problems) for r in rough)
    if problems.serious:
        return None, problems.all()
    site = Site(
        cameras,
        name=site_name or path.stem,
        file=shown_name(path),
        origin_latitude=None if origin is None else origin[0],
        origin_longitude=None if origin is None else origin[1],
    )
    return site, problems.all()


@dataclass(frozen=True, slots=True)
class _Place:
    """A position as the plan gives it: local metres, latitude and longitude, or both."""

    local: tuple[float, float] | None
    geographic: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class _RoughTarget:
    target: Target
    place: _Place
    reader: CellReader
    columns: tuple[str, str]


@dataclass(frozen=True, slots=True)
class _RoughCamera:
    camera: Camera
    place: _Place
    reader: CellReader
    inline: _RoughTarget | None


def _check_columns(table: Table, problems: Problems) -> None:
    """Missing required columns, each named once, with the near miss that may have been meant."""
    have = set(table.titles)

    def missing(*choices: tuple[str, ...]) -> None:
        if any(set(choice) <= have for choice in choices):
            return
        words = " or ".join(" + ".join(choice) for choice in choices)
        unknown = sorted(have - set(_CAMERA_COLUMNS))
        near = [n for c in choices for name in c for n in difflib.get_close_matches(name, unknown, n=1, cutoff=0.6)]
        stem = [u for u in unknown for c in choices for name in c if u.rsplit("_", 1)[0] == name.rsplit("_", 1)[0]]
        guess = (stem or near)[:1]
        hint = f" The column '{table.titles[guess[0]]}' may be meant: the name tells the unit." if guess else ""
        problems.add(table.place, f"the column {words} is missing.{hint}", column=choices[0][0], accepted=words)

    missing(("latitude", "longitude"), ("east_m", "north_m"))
    missing(("height_m",))
    missing(("bearing_deg",))
    missing(("pitch_deg",), ("tilt_down_deg",))
    missing(("hfov_deg",), ("focal_mm", "sensor_width_mm"))
    missing(("image_width_px",))
    missing(("image_height_px",))


def _required(reader: CellReader, column: str, measure: Measure, present: bool) -> float | None:
    """A number that a camera can't do without; an empty cell is a problem (a missing column was one already)."""
    if present and not reader.has(column):
        reader.complain(column, f"{column} is empty.", accepted=measure.accepted)
    return reader.number(column, measure)


def _read_camera(table: Table, index: int, problems: Problems) -> _RoughCamera | None:
    row = table.rows[index]
    titles = table.titles
    camera_id = cell_text(row.cells.get("camera"))
    reader = CellReader(table.place, row, titles, problems, camera_id or None)
    if not camera_id:
        reader.complain("camera", "the camera has no id.", accepted="a unique id")
        return None
    place = _read_place(reader, "east_m", "north_m", "latitude", "longitude", required="camera")
    height = _required(reader, "height_m", _HEIGHT, "height_m" in titles)
    bearing = _required(reader, "bearing_deg", _BEARING, "bearing_deg" in titles)
    pitch = _read_pitch(reader, titles)
    lens = _read_lens(reader, titles)
    form = _finer(reader, "form", "forms", FORMS)
    surface = _finer(reader, "surface", "surfaces", SURFACES)
    setting = reader.choice("setting", SETTINGS)
    night = reader.choice("night", NIGHTS, _NIGHT_WORDS) or "none"
    roll = reader.number("roll_deg", _ROLL)
    ground = reader.number("ground_up_m", _UP)
    inline = _read_inline_target(reader)
    extra = tuple(
        (titles[key], cell_text(value))
        for key, value in row.cells.items()
        if key not in _CAMERA_COLUMNS or key in _KEPT_BESIDE_LENS
    )
    if height is None or bearing is None or pitch is None or lens is None or place is None:
        height, bearing, pitch = height or 1.0, bearing or 0.0, pitch or 0.0
        lens, place = lens or Lens(16, 16, 60.0), place or _Place(None, None)
        if not problems.serious:
            reader.complain("camera", "position, height, direction or lens can't be told from this row.")
    camera = Camera(
        camera=camera_id,
        east_m=0.0,
        north_m=0.0,
        height_m=height,
        bearing_deg=bearing % 360.0,
        pitch_deg=pitch,
        lens=lens,
        roll_deg=roll or 0.0,
        name=reader.text("name"),
        floor=reader.text("floor"),
        ground_up_m=ground or 0.0,
        form=cast(Form, form[0]) if form else None,
        form_detail=form[1] if form else "",
        surface=cast(Surface, surface[0]) if surface else None,
        surface_detail=surface[1] if surface else "",
        setting=cast(Setting, setting) if setting else None,
        mount=_read_mount(reader.text("mount")),
        serial=reader.text("serial"),
        night=cast(Night, night),
        purpose=reader.text("purpose") or None,
        extra=extra,
        row=row.number,
    )
    return _RoughCamera(camera, place, reader, inline)


def _read_mount(text: str) -> MountChain:
    return MountChain(tuple(part for part in (p.strip() for p in text.split(">")) if part))


def _finer(reader: CellReader, column: str, kind: str, accepted: tuple[str, ...]) -> tuple[str, str] | None:
    if not reader.has(column):
        return None
    found = finer_name(kind, reader.text(column))
    if found is None:
        reader.choice(column, accepted)
    return found


def _read_pitch(reader: CellReader, titles: dict[str, str]) -> float | None:
    pitch = reader.number("pitch_deg", _PITCH)
    tilt = reader.number("tilt_down_deg", _PITCH)
    if pitch is not None and tilt is not None and abs(pitch + tilt) > 1e-6:
        reader.complain(
            "tilt_down_deg",
            f"pitch_deg {pitch:g} and tilt_down_deg {tilt:g} contradict each other "
            "(tilt_down_deg = −pitch_deg); keep one.",
            value=tilt,
            accepted=f"{-pitch:g}",
        )
        return None
    if (
        pitch is None
        and tilt is None
        and not reader.has("pitch_deg")
        and not reader.has("tilt_down_deg")
        and ({"pitch_deg", "tilt_down_deg"} & set(titles))
    ):
        column = "pitch_deg" if "pitch_deg" in titles else "tilt_down_deg"
        reader.complain(column, f"{column} is empty.", accepted=_PITCH.accepted)
    return pitch if pitch is not None else None if tilt is None else 0.0 - tilt


def _read_lens(reader: CellReader, titles: dict[str, str]) -> Lens | None:
    width = _required(reader, "image_width_px", _PIXELS, "image_width_px" in titles)
    height = _required(reader, "image_height_px", _PIXELS, "image_height_px" in titles)
    projection = reader.choice("projection", _PROJECTIONS, _PROJECTION_WORDS)
    if projection is None:
        if reader.has("projection"):
            return None
        projection = "rectilinear"
    rectilinear = projection == "rectilinear"
    hfov = reader.number("hfov_deg", Measure("deg", 0, 180 if rectilinear else 360, above=True, below=rectilinear))
    focal = reader.number("focal_mm", Measure("mm", 0.1, 2000))
    sensor = reader.number("sensor_width_mm", Measure("mm", 0.5, 100))
    k1 = reader.number("k1", Measure("", -10, 10)) or 0.0
    k2 = reader.number("k2", Measure("", -10, 10)) or 0.0
    sd = reader.number("hfov_sd_deg", Measure("deg", 0, 90)) or 0.0
    principal_x = reader.number("principal_x_px", Measure("px", 0, 65_535))
    principal_y = reader.number("principal_y_px", Measure("px", 0, 65_535))
    principal = (principal_x, principal_y) if principal_x is not None and principal_y is not None else None
    if (principal_x is None) != (principal_y is None):
        reader.complain("principal_x_px", "the principal point needs both principal_x_px and principal_y_px.")
    try:
        by_focal = None
        if focal is not None and sensor is not None:
            by_focal = hfov_from_focal(focal, sensor, cast(Projection, projection), k1, k2)
        if hfov is None and by_focal is None:
            if (
                not reader.has("hfov_deg")
                and ({"hfov_deg", "focal_mm"} & set(titles))
                and not (reader.has("focal_mm") and reader.has("sensor_width_mm"))
            ):
                reader.complain(
                    "hfov_deg",
                    "neither hfov_deg nor focal_mm with sensor_width_mm is given.",
                    accepted="hfov_deg, or focal_mm and sensor_width_mm",
                )
            return None
        if hfov is not None and by_focal is not None and abs(by_focal - hfov) > 0.1 * hfov:
            reader.complain(
                "hfov_deg",
                f"hfov_deg {hfov:g} is used, but focal_mm {focal:g} and sensor_width_mm "
                f"{sensor:g} give {by_focal:.1f}.",
                value=hfov,
                accepted=f"about {by_focal:.1f}",
                severity="warning",
                remedy="Check the lens against its data sheet.",
            )
        if width is None or height is None:
            return None
        angle = hfov if hfov is not None else by_focal
        assert angle is not None
        return Lens(
            int(width),
            int(height),
            angle,
            hfov_sd_deg=sd,
            projection=cast(Projection, projection),
            k1=k1,
            k2=k2,
            principal_px=principal,
        )
    except ValueError as error:
        column = "k1" if "radial" in str(error) else "hfov_deg"
        reader.complain(column, f"{error}.", value=reader.text(column), accepted="a lens that can exist")
        return None


def _read_place(
    reader: CellReader, east: str, north: str, latitude: str, longitude: str, required: str | None
) -> _Place | None:
    before = (reader.has(east), reader.has(north), reader.has(latitude), reader.has(longitude))
    e, n = reader.number(east, _POSITION_M), reader.number(north, _POSITION_M)
    lat, lon = _read_geographic(reader, latitude, longitude)
    for has_one, has_other, one, other in (
        (before[0], before[1], east, north),
        (before[1], before[0], north, east),
        (before[2], before[3], latitude, longitude),
        (before[3], before[2], longitude, latitude),
    ):
        if has_one and not has_other:
            reader.complain(other, f"{one} is given without {other}.", accepted="both or neither")
            return None
    local = (e, n) if e is not None and n is not None else None
    geographic = (lat, lon) if lat is not None and lon is not None else None
    if local is None and geographic is None:
        if (
            required
            and not any(before)
            and ({east, north} <= set(reader.titles) or {latitude, longitude} <= set(reader.titles))
        ):
            column = east if east in reader.titles else latitude
            reader.complain(
                column,
                f"the {required} has no position.",
                accepted=f"{east} and {north}, or {latitude} and {longitude}",
            )
        return None
    return _Place(local, geographic)


def _read_geographic(reader: CellReader, latitude: str, longitude: str) -> tuple[float | None, float | None]:
    return reader.number(latitude, _LATITUDE), reader.number(longitude, _LONGITUDE)


def _required_density(reader: CellReader, purpose_column: str) -> tuple[float | None, str | None]:
    """Needed px/m and its label: a number wins, a purpose of the list stands for its number."""
    density = reader.number("required_px_per_m", _DENSITY)
    label = reader.text(purpose_column) or None
    if reader.has("required_px_per_m") or label is None:
        return density, label
    level = reader.choice(purpose_column, tuple(PURPOSE_PX_PER_M), _PURPOSE_WORDS)
    return (None, label) if level is None else (PURPOSE_PX_PER_M[level], level)


def _level(text: str) -> str | None:
    word = text.strip().lower()
    word = _PURPOSE_WORDS.get(word, word)
    return word if word in PURPOSE_PX_PER_M else None


def _read_inline_target(reader: CellReader) -> _RoughTarget | None:
    columns = ("target_east_m", "target_north_m", "target_latitude", "target_longitude", "target_up_m")
    if not any(map(reader.has, columns)):
        return None
    place = _read_place(reader, *columns[:4], required=None)
    up = reader.number("target_up_m", _UP)
    if place is None:
        if not any(map(reader.has, columns[:4])):
            reader.complain(
                "target_up_m",
                "the target has a height but no position.",
                accepted="target_east_m and target_north_m, or target_latitude and target_longitude",
            )
        return None
    if up is None and not reader.has("target_up_m"):
        reader.complain("target_up_m", "target_up_m is empty.", accepted=_UP.accepted)
    if reader.has("target_purpose"):
        density, label = _required_density(reader, "target_purpose")
    else:
        density = reader.number("required_px_per_m", _DENSITY)
        label = _level(reader.text("purpose"))
        if density is None and label is not None and not reader.has("required_px_per_m"):
            density = PURPOSE_PX_PER_M[label]
    target = Target(reader.text("target") or "target", 0.0, 0.0, up or 0.0, density, label)
    return _RoughTarget(target, place, reader, ("target_east_m", "target_latitude"))


def _read_targets(table: Table | None, cameras: set[str], problems: Problems) -> dict[str, list[_RoughTarget]]:
    found: dict[str, list[_RoughTarget]] = {}
    if table is None:
        return found
    for column in ("camera", "target", "up_m"):
        if column not in table.titles and table.rows:
            problems.add(table.place, f"the column {column} is missing.", column=column, accepted=column)
    if table.rows and not (
        {"east_m", "north_m"} <= set(table.titles) or {"latitude", "longitude"} <= set(table.titles)
    ):
        problems.add(
            table.place,
            "the column east_m + north_m or latitude + longitude is missing.",
            column="east_m",
            accepted="east_m + north_m or latitude + longitude",
        )
    for row in table.rows:
        camera = cell_text(row.cells.get("camera"))
        reader = CellReader(table.place, row, table.titles, problems, camera or None)
        if camera not in cameras:
            near = difflib.get_close_matches(camera, cameras, n=1)
            guess = f" Did you mean '{near[0]}'?" if near else ""
            reader.complain(
                "camera", f"no camera '{camera}' is in the plan.{guess}", value=camera, accepted="a camera of the plan"
            )
            continue
        name = reader.text("target")
        if not name and "target" in table.titles:
            reader.complain("target", "the target has no name.", accepted="a name")
        place = _read_place(reader, "east_m", "north_m", "latitude", "longitude", required="target")
        up = _required(reader, "up_m", _UP, "up_m" in table.titles)
        density, label = _required_density(reader, "purpose")
        if place is None or up is None:
            continue
        extra = tuple((table.titles[k], cell_text(v)) for k, v in row.cells.items() if k not in _TARGET_COLUMNS)
        rough = _RoughTarget(Target(name, 0.0, 0.0, up, density, label, extra), place, reader, ("east_m", "latitude"))
        found.setdefault(camera, []).append(rough)
    return found


def _check_ids(table: Table, rough: list[_RoughCamera], problems: Problems) -> None:
    first: dict[str, int | None] = {}
    folded: dict[str, str] = {}
    for r in rough:
        name = r.camera.camera
        if name in first:
            r.reader.complain(
                "camera", f"'{name}' stands in row {first[name]} already.", value=name, accepted="a unique id"
            )
            continue
        first[name] = r.camera.row
        other = folded.setdefault(name.casefold(), name)
        if other != name:
            r.reader.complain(
                "camera",
                f"'{name}' and '{other}' differ in capitals only and are easily confused.",
                value=name,
                severity="warning",
                remedy="Give one of them another id.",
            )


def _site_columns(table: Table, problems: Problems) -> tuple[str, tuple[float, float] | None]:
    name = ""
    origin = None
    for row in table.rows:
        reader = CellReader(table.place, row, table.titles, problems)
        name = name or reader.text("site")
        if origin is None and reader.has("origin_latitude") and reader.has("origin_longitude"):
            latitude = reader.number("origin_latitude", _LATITUDE)
            longitude = reader.number("origin_longitude", _LONGITUDE)
            if latitude is not None and longitude is not None:
                origin = (latitude, longitude)
    return name, origin


def _find_origin(
    table: Table, rough: list[_RoughCamera], given: tuple[float, float] | None, problems: Problems
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


def _check_scatter(located: list[_RoughCamera], problems: Problems) -> None:
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


def _settle(
    rough: _RoughCamera, listed: list[_RoughTarget], origin: tuple[float, float] | None, problems: Problems
) -> Camera:
    """The camera in local metres, with its targets."""
    east, north = _local(rough.place, origin, rough.reader, ("east_m", "latitude"))
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
        e, n = _local(t.place, origin, t.reader, t.columns)
        targets.append(
            Target(t.target.name, e, n, t.target.up_m, t.target.required_px_per_m, t.target.purpose, t.target.extra)
        )
    return _with(rough.camera, east_m=east, north_m=north, targets=tuple(targets))


def _with(camera: Camera, **changes: Any) -> Camera:
    fields = {name: getattr(camera, name) for name in Camera.__dataclass_fields__}
    return Camera(**(fields | changes))


def _local(
    place: _Place, origin: tuple[float, float] | None, reader: CellReader, columns: tuple[str, str]
) -> tuple[float, float]:
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


def write_plan(site: Site, path: str | Path) -> None:
    """Write a plan as CSV, XLSX or GeoJSON by the file's ending; :func:`read_plan` gives the same site back.

    A CSV's targets go to ``NAME.targets.csv`` beside it.

    Raises
    ------
    PlanError
        If the ending is none of these, or the file can't be written.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".xlsx", ".geojson"):
        raise PlanError(
            (
                PlanProblem(
                    shown_name(path), f"a plan is written as .csv, .xlsx or .geojson, not '{suffix or 'no ending'}'."
                ),
            )
        )
    cameras, targets = _camera_rows(site, path.stem), _target_rows(site)
    fresh = path.with_name(path.name + ".part")
    beside = path.with_name(path.stem + ".targets.csv")
    try:
        if suffix == ".csv":
            write_csv(fresh, *_square(cameras))
            if targets or beside.exists():
                beside_fresh = beside.with_name(beside.name + ".part")
                write_csv(beside_fresh, *_square(targets, _TARGET_COLUMNS))
                os.replace(beside_fresh, beside)
        elif suffix == ".xlsx":
            write_xlsx(fresh, {"cameras": _square(cameras), "targets": _square(targets, _TARGET_COLUMNS)})
        else:
            write_json(fresh, _feature_collection(cameras, targets))
        os.replace(fresh, path)
    except OSError as error:
        raise PlanError(
            (PlanProblem(shown_name(path), f"can't be written ({error.strerror}); choose another folder."),)
        ) from error


def _camera_rows(site: Site, stem: str) -> list[dict[str, Cell]]:
    rows: list[dict[str, Cell]] = []
    origin = _origin(site)
    for index, c in enumerate(site.cameras):
        row: dict[str, Cell] = {"camera": c.camera, "name": c.name or None}
        _put_place(row, c.east_m, c.north_m, origin)
        lens = c.lens
        row |= {
            "floor": c.floor or None,
            "height_m": c.height_m,
            "ground_up_m": c.ground_up_m or None,
            "bearing_deg": c.bearing_deg,
            "pitch_deg": c.pitch_deg,
            "roll_deg": c.roll_deg,
            "hfov_deg": lens.hfov_deg,
            "hfov_sd_deg": lens.hfov_sd_deg or None,
            "image_width_px": lens.width_px,
            "image_height_px": lens.height_px,
            "projection": lens.projection,
            "k1": lens.k1 or None,
            "k2": lens.k2 or None,
            "principal_x_px": lens.principal_px[0] if lens.principal_px else None,
            "principal_y_px": lens.principal_px[1] if lens.principal_px else None,
            "form": c.form_detail or c.form,
            "surface": c.surface_detail or c.surface,
            "setting": c.setting,
            "mount": str(c.mount) or None,
            "serial": c.serial or None,
            "night": c.night,
            "purpose": c.purpose,
        }
        if index == 0:
            row["site"] = site.name if site.name != stem else None
            if origin is not None:
                row["origin_latitude"], row["origin_longitude"] = origin
        row |= dict(c.extra)
        rows.append(row)
    return rows


def _target_rows(site: Site) -> list[dict[str, Cell]]:
    rows: list[dict[str, Cell]] = []
    origin = _origin(site)
    for c in site.cameras:
        for t in c.targets:
            row: dict[str, Cell] = {"camera": c.camera, "target": t.name}
            _put_place(row, t.east_m, t.north_m, origin)
            row |= {"up_m": t.up_m, "purpose": t.purpose, "required_px_per_m": t.required_px_per_m}
            rows.append(row | dict(t.extra))
    return rows


def _origin(site: Site) -> tuple[float, float] | None:
    if site.origin_latitude is None or site.origin_longitude is None:
        return None
    return site.origin_latitude, site.origin_longitude


def _put_place(row: dict[str, Cell], east_m: float, north_m: float, origin: tuple[float, float] | None) -> None:
    if origin is not None:
        row["latitude"], row["longitude"] = from_local(east_m, north_m, origin)
    row["east_m"], row["north_m"] = east_m, north_m


def _square(rows: list[dict[str, Cell]], columns: Iterable[str] = ()) -> tuple[list[str], list[list[Cell]]]:
    """Columns in first-seen order (empty ones left out), and every row's values in that order."""
    order = {name: None for name in columns}
    for row in rows:
        order |= {name: None for name, value in row.items() if value is not None}
    names = list(order)
    return names, [[row.get(name) for name in names] for row in rows]


def _feature_collection(cameras: list[dict[str, Cell]], targets: list[dict[str, Cell]]) -> dict[str, Any]:
    features = []
    for kind, rows in (("camera", cameras), ("target", targets)):
        for row in rows:
            properties = {k: v for k, v in row.items() if v is not None and k not in ("latitude", "longitude")}
            point = None
            if "latitude" in row:
                point = {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]}
            features.append({"type": "Feature", "geometry": point, "properties": {"feature": kind} | properties})
    return {"type": "FeatureCollection", "features": features}

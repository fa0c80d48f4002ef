"""Rows of a plan's tables to cameras and targets whose places are still as the plan gives them."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import cast

from audit.lens import Lens, Projection, hfov_from_focal
from audit.plan.catalogue import finer_name
from audit.plan.cells import CellReader, Measure
from audit.plan.model import PURPOSE_PX_PER_M, Camera, Form, MountChain, Night, Setting, Surface, Target
from audit.plan.table import Problems, Table, cell_text

__all__ = [
    "CAMERA_COLUMNS",
    "LATITUDE",
    "LONGITUDE",
    "POSITION_SD",
    "TARGET_COLUMNS",
    "UP",
    "Place",
    "RoughCamera",
    "RoughTarget",
    "check_columns",
    "check_ids",
    "read_camera",
    "read_place",
    "read_targets",
]


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

LATITUDE = Measure("deg", -90, 90)

LONGITUDE = Measure("deg", -180, 180)

#: How well a drawing or a survey gives a place.
POSITION_SD = Measure("m", 0, 100)

_HEIGHT = Measure("m", 0, 200, above=True)

UP = Measure("m", -1000, 9000)

_BEARING = Measure("deg", 0, 360)

_PITCH = Measure("deg", -90, 90)

_ROLL = Measure("deg", -180, 180)

_PIXELS = Measure("px", 16, 65_535, whole=True)

_DENSITY = Measure("px/m", 0, 100_000, above=True)

CAMERA_COLUMNS = (
    "camera",
    "name",
    "latitude",
    "longitude",
    "east_m",
    "north_m",
    "position_sd_m",
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

TARGET_COLUMNS = (
    "camera",
    "target",
    "latitude",
    "longitude",
    "east_m",
    "north_m",
    "up_m",
    "position_sd_m",
    "purpose",
    "required_px_per_m",
)

#: Optical columns that the lens already answers; kept beside it so that nothing of the plan is lost.
_KEPT_BESIDE_LENS = ("focal_mm", "sensor_width_mm")


@dataclass(frozen=True, slots=True)
class Place:
    """A position as the plan gives it: local metres, latitude and longitude, or both."""

    local: tuple[float, float] | None
    geographic: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class RoughTarget:
    target: Target
    place: Place
    reader: CellReader
    columns: tuple[str, str]


@dataclass(frozen=True, slots=True)
class RoughCamera:
    camera: Camera
    place: Place
    reader: CellReader
    inline: RoughTarget | None


def check_columns(table: Table, problems: Problems) -> None:
    """Missing required columns, each named once, with the near miss that may have been meant."""
    have = set(table.titles)

    def missing(*choices: tuple[str, ...]) -> None:
        if any(set(choice) <= have for choice in choices):
            return
        words = " or ".join(" + ".join(choice) for choice in choices)
        unknown = sorted(have - set(CAMERA_COLUMNS))
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


def read_camera(table: Table, index: int, problems: Problems) -> RoughCamera | None:
    """One camera; where a cell is wrong it is noted and the camera stands in with placeholders; None without an id."""
    row = table.rows[index]
    titles = table.titles
    camera_id = cell_text(row.cells.get("camera"))
    reader = CellReader(table.place, row, titles, problems, camera_id or None)
    if not camera_id:
        reader.complain("camera", "the camera has no id.", accepted="a unique id")
        return None
    place = read_place(reader, "east_m", "north_m", "latitude", "longitude", required="camera")
    height = _required(reader, "height_m", _HEIGHT, "height_m" in titles)
    bearing = _required(reader, "bearing_deg", _BEARING, "bearing_deg" in titles)
    pitch = _read_pitch(reader, titles)
    lens = _read_lens(reader, titles)
    form = _finer(reader, "form", "forms", FORMS)
    surface = _finer(reader, "surface", "surfaces", SURFACES)
    setting = reader.choice("setting", SETTINGS)
    night = reader.choice("night", NIGHTS, _NIGHT_WORDS) or "none"
    roll = reader.number("roll_deg", _ROLL)
    ground = reader.number("ground_up_m", UP)
    inline = _read_inline_target(reader)
    extra = tuple(
        (titles[key], cell_text(value))
        for key, value in row.cells.items()
        if key not in CAMERA_COLUMNS or key in _KEPT_BESIDE_LENS
    )
    if height is None or bearing is None or pitch is None or lens is None or place is None:
        height, bearing, pitch = height or 1.0, bearing or 0.0, pitch or 0.0
        lens, place = lens or Lens(16, 16, 60.0), place or Place(None, None)
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
        position_sd_m=reader.number("position_sd_m", POSITION_SD),
    )
    return RoughCamera(camera, place, reader, inline)


def read_targets(table: Table | None, cameras: set[str], problems: Problems) -> dict[str, list[RoughTarget]]:
    """Listed targets by camera."""
    found: dict[str, list[RoughTarget]] = {}
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
        place = read_place(reader, "east_m", "north_m", "latitude", "longitude", required="target")
        up = _required(reader, "up_m", UP, "up_m" in table.titles)
        density, label = _required_density(reader, "purpose")
        if place is None or up is None:
            continue
        extra = tuple((table.titles[k], cell_text(v)) for k, v in row.cells.items() if k not in TARGET_COLUMNS)
        sd = reader.number("position_sd_m", POSITION_SD)
        target = Target(name, 0.0, 0.0, up, density, label, extra, sd)
        rough = RoughTarget(target, place, reader, ("east_m", "latitude"))
        found.setdefault(camera, []).append(rough)
    return found


def check_ids(table: Table, rough: list[RoughCamera], problems: Problems) -> None:
    """Camera ids that stand there twice, or differ in capitals only."""
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


def _required(reader: CellReader, column: str, measure: Measure, present: bool) -> float | None:
    """A number that a camera can't do without; an empty cell is a problem (a missing column was one already)."""
    if present and not reader.has(column):
        reader.complain(column, f"{column} is empty.", accepted=measure.accepted)
    return reader.number(column, measure)


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


def read_place(
    reader: CellReader, east: str, north: str, latitude: str, longitude: str, required: str | None
) -> Place | None:
    """A position in either kind of coordinates; None where there is none, or half of one (then noted)."""
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
    return Place(local, geographic)


def _read_geographic(reader: CellReader, latitude: str, longitude: str) -> tuple[float | None, float | None]:
    return reader.number(latitude, LATITUDE), reader.number(longitude, LONGITUDE)


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


def _read_inline_target(reader: CellReader) -> RoughTarget | None:
    columns = ("target_east_m", "target_north_m", "target_latitude", "target_longitude", "target_up_m")
    if not any(map(reader.has, columns)):
        return None
    place = read_place(reader, *columns[:4], required=None)
    up = reader.number("target_up_m", UP)
    if place is None:
        if not any(map(reader.has, columns[:4])):
            reader.complain(
                "target_up_m",
                "the target has a height but no position.",
                accepted="target_east_m and target_north_m, or target_latitude and target_longitude",
            )
        return None
    if up is None and not reader.has("target_up_m"):
        reader.complain("target_up_m", "target_up_m is empty.", accepted=UP.accepted)
    if reader.has("target_purpose"):
        density, label = _required_density(reader, "target_purpose")
    else:
        density = reader.number("required_px_per_m", _DENSITY)
        label = _level(reader.text("purpose"))
        if density is None and label is not None and not reader.has("required_px_per_m"):
            density = PURPOSE_PX_PER_M[label]
    target = Target(reader.text("target") or "target", 0.0, 0.0, up or 0.0, density, label)
    return RoughTarget(target, place, reader, ("target_east_m", "target_latitude"))

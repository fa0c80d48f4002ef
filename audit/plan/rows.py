"""Plain rows to cameras and targets, whose places are still as the plan gives them; a row that lacks something waits."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import cast

from audit.errors import PlanProblem
from audit.lens import Lens, Projection, hfov_from_focal
from audit.plan.catalogue import finer_name
from audit.plan.columns import by_key, level_named
from audit.plan.measures import Measure
from audit.plan.model import PURPOSE_PX_PER_M, Camera, Form, MountChain, Night, Setting, Surface, Target
from audit.plan.quantities import plain_letters
from audit.plan.suspicions import nearest, same_id
from audit.plan.table import Problems, Row, Table, cell_text, shortened

__all__ = [
    "Place",
    "RoughCamera",
    "RoughTarget",
    "Speaker",
    "check_columns",
    "read_camera",
    "read_place",
    "read_targets",
]

#: Optical columns that the lens already answers; kept beside it so that nothing of the plan is lost.
_KEPT_BESIDE_LENS = ("focal_mm", "sensor_width_mm", "surveyed_on", "quantity")


@dataclass(frozen=True, slots=True)
class Place:
    """A position as the plan gives it: local metres, latitude and longitude, or both."""

    local: tuple[float, float] | None
    geographic: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Speaker:
    """Says what is wrong in one row; what is an error makes the row wait."""

    table: Table
    row: Row
    problems: Problems

    def say(
        self,
        column: str,
        message: str,
        *,
        accepted: str | None = None,
        severity: str = "error",
        remedy: str | None = None,
    ) -> None:
        """Note a problem with one cell of this row."""
        cell = self.row.cells.get(column, self.row.raw.get(column))
        if severity == "error":
            self.row.wait(message)
        self.problems.add(
            PlanProblem(
                self.table.grid.file if self.table.grid.sheet else self.table.place,
                message,
                row=self.row.number,
                column=self.table.titles.get(column, column),
                value=None if cell is None else cell_text(cell)[:60],
                accepted=accepted,
                severity=severity,
                camera=self.row.text("camera") or None,
                remedy=remedy,
                cell=self.row.where.get(column) or self._empty(column),
            )
        )

    def _empty(self, column: str) -> str | None:
        at = self.table.at.get(column)
        return None if at is None else str(self.table.grid.address(self.row.line, at[0]))

    def missing(self, column: str) -> None:
        """An empty cell that the camera can't do without; a missing column was said once already."""
        if self.row.has(column):
            return
        kind = by_key("cameras").get(column) or by_key("targets")[column]
        if column in self.table.titles:
            self.say(column, f"{column} is empty.", accepted=kind.kind.accepted)
        else:
            self.row.wait(f"the plan has no column {column}.")


@dataclass(frozen=True, slots=True)
class RoughTarget:
    """A target whose place is still as the plan gives it."""

    target: Target
    place: Place
    speaker: Speaker
    columns: tuple[str, str]


@dataclass(frozen=True, slots=True)
class RoughCamera:
    """A camera whose place is still as the plan gives it; None where its row can't be one yet."""

    camera: Camera | None
    place: Place | None
    speaker: Speaker
    inline: RoughTarget | None


def check_columns(tables: list[Table], problems: Problems) -> None:
    """Missing required columns, each named once."""
    for table in tables:
        have = set(table.titles)
        for choices in _NEEDED:
            if any(set(choice) <= have for choice in choices):
                continue
            words = " or ".join(" + ".join(choice) for choice in choices)
            missing = [e for e in table.extras if e]
            near = nearest(choices[0][0].rsplit("_", 1)[0], missing)
            alike = [e for e in missing if _ABOUT[choices[0][0]].search(plain_letters(e))]
            hint = f" Is it the column '{near}'?" if near else ""
            if alike:
                quoted = ", ".join(f"'{shortened(e)}'" for e in alike[:4])
                hint = f" Not understood: {quoted}; if one of these is it, name that column {choices[0][0]}."
            place = next((row.where[alike[0]] for row in table.rows if alike and alike[0] in row.where), None)
            problems.add(
                PlanProblem(table.place, f"the column {words} is missing.{hint}", column=choices[0][0], accepted=words, cell=place)
            )


_NEEDED: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("camera",),),
    (("latitude", "longitude"), ("east_m", "north_m"), ("position",)),
    (("height_m",),),
    (("bearing_deg",),),
    (("pitch_deg",), ("tilt_down_deg",)),
    (("hfov_deg",), ("focal_mm", "sensor_width_mm")),
    (("image_width_px",), ("image_size",)),
    (("image_height_px",), ("image_size",)),
)


#: Words of titles that may be meant for a column that is missing, in plain letters.
_ABOUT = {
    "camera": re.compile(r"cam|kam|id|nummer|number|label"),
    "latitude": re.compile(r"lat|coord|koord|position|easting|northing|\b[xye]\b|rechts|hoch"),
    "height_m": re.compile(r"heigh|hoh|haut|alt|level|elev|niveau"),
    "bearing_deg": re.compile(r"bear|azim|direct|richt|orient|heading|angle|winkel|nord|north|rumbo|facing"),
    "pitch_deg": re.compile(r"tilt|pitch|neig|incl|down|nadir|elev"),
    "hfov_deg": re.compile(r"fov|view|winkel|angle|angul|angol|champ|campo|lens|focal|brennw"),
    "image_width_px": re.compile(r"width|breite|larg|anch|pixel|resol|auflos|risol|image|bild"),
    "image_height_px": re.compile(r"height|hohe|haut|alt|pixel|resol|auflos|risol|image|bild"),
}


def read_camera(table: Table, row: Row, problems: Problems) -> RoughCamera:
    """One camera of a plain row; without one where something is missing, which is then said."""
    speaker = Speaker(table, row, problems)
    if not row.text("camera"):
        speaker.say("camera", "the camera has no id.", accepted="a unique id")
    place = read_place(speaker, "east_m", "north_m", "latitude", "longitude")
    if place is None and not any(row.has(c) for c in ("east_m", "north_m", "latitude", "longitude", "position")):
        column = next((c for c in ("east_m", "latitude", "position") if c in table.titles), None)
        if column is not None:
            speaker.say(column, "the camera has no position.", accepted="east_m and north_m, or latitude and longitude")
        else:
            row.wait("the plan has no column for positions.")
    for needed in ("height_m", "bearing_deg"):
        speaker.missing(needed)
    pitch = _read_pitch(speaker)
    lens = _read_lens(speaker)
    inline = _read_inline_target(speaker)
    camera = None if row.reasons or place is None or lens is None or pitch is None else _camera(table, row, pitch, lens)
    return RoughCamera(camera, place, speaker, inline)


def _camera(table: Table, row: Row, pitch: float, lens: Lens) -> Camera:
    form, surface = _finer(row, "form", "forms"), _finer(row, "surface", "surfaces")
    height, bearing = row.number_in("height_m"), row.number_in("bearing_deg")
    assert height is not None and bearing is not None
    return Camera(
        camera=row.text("camera"),
        east_m=0.0,
        north_m=0.0,
        height_m=height,
        bearing_deg=bearing % 360.0,
        pitch_deg=pitch,
        lens=lens,
        roll_deg=row.number_in("roll_deg") or 0.0,
        name=row.text("name"),
        floor=row.text("floor"),
        ground_up_m=row.number_in("ground_up_m") or 0.0,
        form=cast(Form, form[0]) if form else None,
        form_detail=form[1] if form else "",
        surface=cast(Surface, surface[0]) if surface else None,
        surface_detail=surface[1] if surface else "",
        setting=cast(Setting, row.text("setting")) if row.has("setting") else None,
        mount=MountChain(tuple(part for part in (p.strip() for p in row.text("mount").split(">")) if part)),
        serial=row.text("serial"),
        night=cast(Night, row.text("night") or "none"),
        purpose=row.text("purpose") or None,
        extra=_extra(table, row, "cameras"),
        row=row.number,
        position_sd_m=row.number_in("position_sd_m"),
    )


def _extra(table: Table, row: Row, word: str) -> tuple[tuple[str, str], ...]:
    known = by_key("cameras" if word == "cameras" else "targets")
    return tuple(
        (key, cell_text(value))
        for key, value in row.cells.items()
        if key not in known or (word == "cameras" and key in _KEPT_BESIDE_LENS)
    )


def _finer(row: Row, column: str, kind: str) -> tuple[str, str] | None:
    return finer_name(kind, row.text(column)) if row.has(column) else None


def read_targets(
    table: Table | None, cameras: dict[str, RoughCamera], problems: Problems
) -> dict[str, list[RoughTarget]]:
    """Listed targets by camera; a target that can't be read makes its camera wait."""
    found: dict[str, list[RoughTarget]] = {}
    if table is None:
        return found
    for choices in ((("camera",),), (("target",),), (("up_m",),), (("east_m", "north_m"), ("latitude", "longitude"))):
        if table.rows and not any(set(choice) <= set(table.titles) for choice in choices):
            words = " or ".join(" + ".join(choice) for choice in choices)
            problems.add(
                PlanProblem(table.place, f"the column {words} is missing.", column=choices[0][0], accepted=words)
            )
    for row in table.rows:
        if row.dropped:
            continue
        speaker = Speaker(table, row, problems)
        name = _camera_of(speaker, cameras)
        if name is None:
            continue
        target = _listed_target(speaker)
        if target is None or row.reasons:
            reasons = "; ".join(row.reasons) or "it is incomplete"
            cameras[name].speaker.row.wait(f"its target '{row.text('target') or row.number}' can't be read: {reasons}")
            continue
        found.setdefault(name, []).append(target)
    return found


def _camera_of(speaker: Speaker, cameras: dict[str, RoughCamera]) -> str | None:
    """The camera that a target belongs to; an id that is only written otherwise is taken, and said."""
    name = speaker.row.text("camera")
    if name in cameras:
        return name
    near = nearest(name, cameras) if name else None
    if near is not None and same_id(near, name):
        speaker.say("camera", f"'{name}' is taken for the camera '{near}'.", severity="caution")
        return near
    guess = f" Did you mean '{near}'?" if near else ""
    speaker.say(
        "camera",
        f"no camera '{name}' is in the plan, so the target is left out.{guess}",
        accepted="a camera of the plan",
    )
    if near is not None:
        cameras[near].speaker.row.wait(f"the target '{speaker.row.text('target')}' of '{name}' may be its own")
    return None


def _listed_target(speaker: Speaker) -> RoughTarget | None:
    row = speaker.row
    if not row.text("target") and "target" in speaker.table.titles:
        speaker.say("target", "the target has no name.", accepted="a name")
    place = read_place(speaker, "east_m", "north_m", "latitude", "longitude")
    if place is None and not row.reasons:
        column = "east_m" if "east_m" in speaker.table.titles else "latitude"
        speaker.say(column, "the target has no position.", accepted="east_m and north_m, or latitude and longitude")
    speaker.missing("up_m")
    up = row.number_in("up_m")
    if place is None or up is None or row.reasons:
        return None
    density, label = _density(row, "purpose")
    target = Target(row.text("target"), 0.0, 0.0, up, density, label, _extra(speaker.table, row, "targets"),
                    row.number_in("position_sd_m"))  # fmt: skip
    return RoughTarget(target, place, speaker, ("east_m", "latitude"))


def _read_pitch(speaker: Speaker) -> float | None:
    row = speaker.row
    pitch, tilt = row.number_in("pitch_deg"), row.number_in("tilt_down_deg")
    if pitch is not None and tilt is not None and abs(pitch + tilt) > 1e-6:
        speaker.say(
            "tilt_down_deg",
            f"pitch_deg {pitch:g} and tilt_down_deg {tilt:g} contradict each other "
            "(tilt_down_deg = −pitch_deg); keep one.",
            accepted=f"{-pitch:g}",
        )
        return None
    if not row.has("pitch_deg") and not row.has("tilt_down_deg"):
        speaker.missing("tilt_down_deg" if "pitch_deg" not in speaker.table.titles else "pitch_deg")
    return pitch if pitch is not None else None if tilt is None else 0.0 - tilt


def _read_lens(speaker: Speaker) -> Lens | None:
    row = speaker.row
    if not row.has("image_size"):
        for column in ("image_width_px", "image_height_px"):
            if column in speaker.table.titles or "image_size" not in speaker.table.titles:
                speaker.missing(column)
            elif not row.has(column):
                speaker.say("image_size", "image_size is empty.", accepted="two numbers, as in 1920 x 1080")
    width, height = row.number_in("image_width_px"), row.number_in("image_height_px")
    projection = cast(Projection, row.text("projection") or "rectilinear")
    angle = _angle(speaker, projection)
    principal = (row.number_in("principal_x_px"), row.number_in("principal_y_px"))
    if (principal[0] is None) != (principal[1] is None):
        speaker.say("principal_x_px", "the principal point needs both principal_x_px and principal_y_px.")
        return None
    if width is None or height is None or angle is None or "projection" in row.raw:
        return None
    try:
        return Lens(
            int(width),
            int(height),
            angle,
            hfov_sd_deg=row.number_in("hfov_sd_deg") or 0.0,
            projection=projection,
            k1=row.number_in("k1") or 0.0,
            k2=row.number_in("k2") or 0.0,
            principal_px=None if principal[0] is None or principal[1] is None else (principal[0], principal[1]),
        )
    except ValueError as error:
        speaker.say("k1" if "radial" in str(error) else "hfov_deg", f"{error}.", accepted="a lens that can exist")
        return None


def _angle(speaker: Speaker, projection: Projection) -> float | None:
    """Angle of view in degrees: as given, or by focal length and sensor width."""
    row = speaker.row
    hfov, focal, sensor = row.number_in("hfov_deg"), row.number_in("focal_mm"), row.number_in("sensor_width_mm")
    limit = Measure(
        "deg", 0, 180 if projection == "rectilinear" else 360, above=True, below=projection == "rectilinear"
    )
    if hfov is not None and not limit.holds(hfov):
        speaker.say("hfov_deg", f"{hfov:g} is not {limit.accepted} for a {projection} lens.", accepted=limit.accepted)
        return None
    by_focal = None
    if focal is not None and sensor is not None:
        try:
            by_focal = hfov_from_focal(
                focal, sensor, projection, row.number_in("k1") or 0.0, row.number_in("k2") or 0.0
            )
        except ValueError as error:
            speaker.say("k1" if "radial" in str(error) else "focal_mm", f"{error}.", accepted="a lens that can exist")
            return None
    if hfov is None and by_focal is None:
        if not row.has("hfov_deg") and not (row.has("focal_mm") and row.has("sensor_width_mm")):
            if {"hfov_deg", "focal_mm"} & set(speaker.table.titles):
                column = (
                    "hfov_deg"
                    if "hfov_deg" in speaker.table.titles
                    else "sensor_width_mm"
                    if row.has("focal_mm")
                    else "focal_mm"
                )
                speaker.say(
                    column,
                    "neither hfov_deg nor focal_mm with sensor_width_mm is given.",
                    accepted="hfov_deg, or focal_mm and sensor_width_mm",
                )
            else:
                row.wait("the plan has no column hfov_deg, nor focal_mm and sensor_width_mm.")
        return None
    if hfov is not None and by_focal is not None and abs(by_focal - hfov) > 0.1 * hfov:
        speaker.say(
            "hfov_deg",
            f"hfov_deg {hfov:g} is used, but focal_mm {focal:g} and sensor_width_mm {sensor:g} give {by_focal:.1f}.",
            accepted=f"about {by_focal:.1f}",
            severity="warning",
            remedy="Check the lens against its data sheet.",
        )
    return hfov if hfov is not None else by_focal


def read_place(speaker: Speaker, east: str, north: str, latitude: str, longitude: str) -> Place | None:
    """A position in either kind of coordinates; None where there is none, or half of one (then said)."""
    row = speaker.row
    for one, other in ((east, north), (north, east), (latitude, longitude), (longitude, latitude)):
        if row.has(one) and not row.has(other):
            speaker.say(other, f"{one} is given without {other}.", accepted="both or neither")
            return None
    e, n, lat, lon = (row.number_in(c) for c in (east, north, latitude, longitude))
    local = (e, n) if e is not None and n is not None else None
    geographic = (lat, lon) if lat is not None and lon is not None else None
    return None if local is None and geographic is None else Place(local, geographic)


def _density(row: Row, purpose: str) -> tuple[float | None, str | None]:
    """Needed px/m and its label: a number wins, a level stands for its number, other words need nothing."""
    density, label = row.number_in("required_px_per_m"), row.text(purpose) or None
    if row.has("required_px_per_m") or label is None:
        return density, label
    level = level_named(label)
    return (None, label) if level is None else (PURPOSE_PX_PER_M[level], level)


def _read_inline_target(speaker: Speaker) -> RoughTarget | None:
    row = speaker.row
    columns = ("target_east_m", "target_north_m", "target_latitude", "target_longitude", "target_up_m")
    if not any(map(row.has, columns)):
        return None
    place = read_place(speaker, *columns[:4])
    if place is None:
        if not any(map(row.has, columns[:4])):
            if row.has("target_up_m") and any(c in speaker.table.titles for c in columns[:4]):
                speaker.say("target_up_m", "the target has a height but no position.",
                            accepted="target_east_m and target_north_m, or target_latitude and target_longitude")  # fmt: skip
        return None
    up = row.number_in("target_up_m")
    if not row.has("target_up_m"):
        speaker.say("target_up_m", "target_up_m is empty.", accepted=by_key("cameras")["target_up_m"].kind.accepted)
    if row.has("target_purpose"):
        density, label = _density(row, "target_purpose")
    else:
        density, label = row.number_in("required_px_per_m"), level_named(row.text("purpose"))
        if density is None and label is not None and not row.has("required_px_per_m"):
            density = PURPOSE_PX_PER_M[label]
    target = Target(row.text("target") or "target", 0.0, 0.0, up or 0.0, density, label)
    return RoughTarget(target, place, speaker, ("target_east_m", "target_latitude"))

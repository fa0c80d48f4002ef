"""What in a plan contradicts itself, physics, or the rules of mounting; each with what to do about it.

``error``: can't be built or can't serve its purpose as planned; ``warning``: it can, with care; ``caution``: worth
knowing before the crew goes out.
"""

from __future__ import annotations

import calendar
import difflib
import math
from collections.abc import Iterator
from dataclasses import dataclass

from audit.errors import PlanProblem
from audit.plan.columns import PURPOSE_WORDS, level_named
from audit.plan.measures import Measure
from audit.plan.model import PURPOSE_PX_PER_M, Camera, Site
from audit.plan.mounts import chain_problems
from audit.plan.optics import Geometry, TargetView, geometry
from audit.plan.sun import Glare, glare

__all__ = ["check_plan", "plan_errors"]

#: Rounding of a plan's own figures is no shortfall: 0.5 % below the needed density still counts as met (our default).
_DENSITY_SLACK = 0.995
_WIDEST_FISHEYE_DEG = 230.0  # our default: the widest fisheye lenses in the trade image about 220
_NARROW_DEG = 4.0  # our default: longer lenses than this are for roads and borders
_WITHIN_REACH_M = 2.5  # common practice, no source
_HIGH_M = 12.0  # our default: above this faces are seen from above and service needs a platform
_STEEP_FACE_DEG = 30.0  # common practice, no source: 15 preferred, 30 the limit
_INFRARED_M = 30.0  # our default where the plan has no infrared_range_m: common reach of built-in emitters
_MUCH_SKY = 0.6  # our default
_EDGE_SHARE = 0.02  # our default: a target nearer to the edge than this share of the width is lost by a small knock
_RANGE = Measure("m", 0, 2000, above=True)
_DENSE_PX_PER_M = 125.0
_AGREED = {
    "agreed_bearing_deg": Measure("deg", 0, 360),
    "agreed_pitch_deg": Measure("deg", -90, 90),
    "agreed_roll_deg": Measure("deg", -180, 180),
}


def check_plan(site: Site) -> tuple[PlanProblem, ...]:
    """Every contradiction of a readable plan, in the cameras' order, errors first within a camera."""
    found: list[PlanProblem] = []
    rank = {"error": 0, "warning": 1, "caution": 2}
    file = site.file or site.name or "plan"
    for camera in site.cameras:
        seen = geometry(camera)
        own = [
            *_lens(camera, file),
            *_picture(camera, seen, file),
            *_aim(camera, file),
            *_view(camera, seen, file),
            *chain_problems(camera, file),
            *_paperwork(camera, file),
            *_agreed(camera, file),
            *_night(camera, file),
            *_sun(camera, site, file),
        ]
        found += sorted(own, key=lambda p: rank[p.severity])
    found += _pairs(site, file)
    return tuple(found)


def plan_errors(site: Site) -> dict[str, tuple[PlanProblem, ...]]:
    """What :func:`check_plan` calls an error, by camera: it can't serve, or can't be mounted, as planned."""
    file = site.file or site.name or "plan"
    problems = [
        *(p for c in site.cameras for p in (*_view(c, geometry(c), file), *chain_problems(c, file))),
        *_pairs(site, file),
    ]
    found: dict[str, tuple[PlanProblem, ...]] = {}
    for problem in problems:
        if problem.severity == "error" and problem.camera is not None:
            found[problem.camera] = (*found.get(problem.camera, ()), problem)
    return found


@dataclass(frozen=True, slots=True)
class _Row:
    """One camera's row of a plan's file, of which something is said."""

    camera: Camera
    file: str

    def problem(
        self,
        column: str | None,
        message: str,
        remedy: str,
        severity: str = "warning",
        value: object = None,
        accepted: str | None = None,
    ) -> PlanProblem:
        return PlanProblem(
            self.file,
            message,
            row=self.camera.row,
            column=column,
            value=None if value is None else str(value),
            accepted=accepted,
            severity=severity,
            camera=self.camera.camera,
            remedy=remedy,
        )


def _lens(camera: Camera, file: str) -> Iterator[PlanProblem]:
    """Angle of view, for the projection."""
    lens = camera.lens
    if lens.projection == "rectilinear" and lens.hfov_deg > 150:
        yield _Row(camera, file).problem(
            "hfov_deg",
            f"{lens.hfov_deg:g}° is very wide for a rectilinear lens.",
            "Check the data sheet; a fisheye has projection equidistant.",
            value=lens.hfov_deg,
            accepted="up to about 120 for rectilinear lenses",
        )
    if lens.projection == "equidistant" and lens.hfov_deg > _WIDEST_FISHEYE_DEG:
        yield _Row(camera, file).problem(
            "hfov_deg",
            f"{lens.hfov_deg:g}° across the picture is more than a fisheye lens images.",
            "Give the angle across the picture (180 for a usual ceiling fisheye), not the 360° of its panorama.",
            value=lens.hfov_deg,
            accepted=f"up to {_WIDEST_FISHEYE_DEG:g}",
        )
    if lens.hfov_deg < _NARROW_DEG:
        yield _Row(camera, file).problem(
            "hfov_deg",
            f"{lens.hfov_deg:g}° is very narrow for a fixed camera.",
            f"Angles are in degrees; if it was in radians it is {math.degrees(lens.hfov_deg):.0f}°.",
            value=lens.hfov_deg,
            accepted="usually 20 to 120",
        )


def _picture(camera: Camera, seen: Geometry, file: str) -> Iterator[PlanProblem]:
    """Projection and radial terms for the form of camera, and the picture's shape."""
    lens = camera.lens
    if camera.form == "fisheye" and lens.projection == "rectilinear":
        yield _Row(camera, file).problem(
            "projection",
            "a fisheye is planned with a rectilinear lens.",
            "Give projection equidistant and the angle over the picture's width.",
            value=lens.projection,
            accepted="equidistant",
        )
    if seen.vfov_deg is None:
        yield _Row(camera, file).problem(
            "k1",
            "the radial terms end before the picture's upper and lower edge.",
            "Check k1 and k2 against the calibration.",
            value=lens.k1,
        )
    if max(lens.width_px, lens.height_px) > 4 * min(lens.width_px, lens.height_px):
        yield _Row(camera, file).problem(
            "image_width_px",
            f"{lens.width_px} × {lens.height_px} px is an unusual shape.",
            "Check the picture's size.",
            value=f"{lens.width_px} x {lens.height_px}",
        )


def _aim(camera: Camera, file: str) -> Iterator[PlanProblem]:
    """Height and direction."""
    if camera.pitch_deg > 10 and camera.form != "ptz":
        yield _Row(camera, file).problem(
            "pitch_deg",
            f"it looks {camera.pitch_deg:g}° up.",
            "If it should look down, pitch_deg is negative (tilt_down_deg positive).",
            value=camera.pitch_deg,
            accepted="negative = down",
        )
    if camera.height_m > _HIGH_M:
        yield _Row(camera, file).problem(
            "height_m",
            f"{camera.height_m:g} m above the ground is high for a fixed camera.",
            "Check the unit (metres), and how the crew gets there.",
            "warning",
            camera.height_m,
            f"usually 2.5 to {_HIGH_M:g} m",
        )
    elif camera.height_m < _WITHIN_REACH_M and camera.setting != "indoor":
        yield _Row(camera, file).problem(
            "height_m",
            f"at {camera.height_m:g} m it is within reach.",
            "Raise it, or guard it against being turned by hand.",
            "caution",
            camera.height_m,
            f"from {_WITHIN_REACH_M:g} m",
        )


def _view(camera: Camera, seen: Geometry, file: str) -> Iterator[PlanProblem]:
    """What the picture will show."""
    if seen.open_sky_fraction > _MUCH_SKY and camera.setting != "indoor":
        yield _Row(camera, file).problem(
            "pitch_deg",
            f"{seen.open_sky_fraction:.0%} of the picture lies above the horizon.",
            "Tilt it down, or plan a tilt adapter.",
            value=camera.pitch_deg,
        )
    if seen.nearest_ground_m is None and not camera.targets and camera.setting != "indoor":
        yield _Row(camera, file).problem(
      "pitch_deg", "the picture shows no ground at all.", "Tilt it down.", value=camera.pitch_deg
        )
    if not camera.targets:
        yield _Row(camera, file).problem(
            "target",
            "nothing is planned that it must see, so its aim can only be judged by its angle.",
            "Give at least one target with the detail it needs.",
        )
    for target in seen.targets:
        yield from _target(camera, file, target, seen)


def _target(camera: Camera, file: str, view: TargetView, seen: Geometry) -> Iterator[PlanProblem]:
    name = f"target '{view.target}'"
    if view.column_px is None or view.row_px is None:
        yield _Row(camera, file).problem(
            "target",
            f"{name} lies behind the camera or beyond what the lens images.",
            f"Check bearing {camera.bearing_deg:g}° against the target's position "
            f"(it lies at {_bearing_to(camera, view.target):.0f}°).",
            "error",
            view.target,
        )
        return
    if not view.in_frame:
        yield _Row(camera, file).problem(
            "target",
            f"{name} lies {_outside(camera, view)} the picture.",
            f"It lies at bearing {_bearing_to(camera, view.target):.0f}°, {view.look_down_deg:.0f}° below "
            "level; pan or tilt the camera, or widen the lens.",
            "error",
            view.target,
        )
        return
    need, have = view.required_px_per_m, view.px_per_m
    if need is not None and have is not None and have < need * _DENSITY_SLACK:
        factor = need / have
        yield _Row(camera, file).problem(
            "target",
            f"{name} at {view.distance_m:.1f} m gets {have:.0f} px/m, {need:g} required.",
            f"Move the camera to {view.distance_m / factor:.1f} m, take a lens of "
            f"{_narrower(camera, factor):.0f}°, or {factor:.2f} times the pixels across.",
            "error",
            f"{have:.0f} px/m",
            f"{need:g} px/m",
        )
    elif view.margin_px is not None and view.margin_px < _EDGE_SHARE * camera.lens.width_px:
        yield _Row(camera, file).problem(
            "target",
            f"{name} stands {view.margin_px:.0f} px from the picture's edge, where a small knock loses it.",
            "Aim it nearer to the middle.",
            "caution",
            view.target,
        )
    face = need is not None and need >= _DENSE_PX_PER_M and 1.2 <= _target_up(camera, view.target) <= 2.2
    if face and view.look_down_deg > _STEEP_FACE_DEG:
        yield _Row(camera, file).problem(
            "height_m",
            f"it looks {view.look_down_deg:.0f}° down on {name}: a face is seen from above.",
            f"Mount it lower or farther away (at most {_STEEP_FACE_DEG:.0f}°, better 15°).",
            value=camera.height_m,
        )


def _outside(camera: Camera, view: TargetView) -> str:
    assert view.column_px is not None and view.row_px is not None
    sides = []
    if view.row_px < -0.5:
        sides.append("above")
    elif view.row_px > camera.lens.height_px - 0.5:
        sides.append("below")
    if view.column_px < -0.5:
        sides.append("left of")
    elif view.column_px > camera.lens.width_px - 0.5:
        sides.append("right of")
    return " and ".join(sides)


def _narrower(camera: Camera, factor: float) -> float:
    if camera.lens.projection == "equidistant":
        return camera.lens.hfov_deg / factor
    return math.degrees(2 * math.atan(math.tan(math.radians(camera.lens.hfov_deg) / 2) / factor))


def _bearing_to(camera: Camera, target: str) -> float:
    t = next(t for t in camera.targets if t.name == target)
    return math.degrees(math.atan2(t.east_m - camera.east_m, t.north_m - camera.north_m)) % 360.0


def _target_up(camera: Camera, target: str) -> float:
    return next(t.up_m for t in camera.targets if t.name == target) - camera.ground_up_m


def _paperwork(camera: Camera, file: str) -> Iterator[PlanProblem]:
    if not camera.purpose and not any(t.purpose for t in camera.targets):
        yield _Row(camera, file).problem(
            "purpose",
            "no purpose is written.",
            "Write one for every camera: data protection authorities ask for it (EDPB Guidelines 3/2019); "
            "local law decides.",
        )
    bare = [t for t in camera.targets if t.required_px_per_m is None]
    told = next((t.purpose for t in bare if t.purpose), camera.purpose)
    if bare and told and level_named(told) is None:
        names = ", ".join(f"'{t.name}'" for t in bare)
        near = difflib.get_close_matches(told.lower(), [*PURPOSE_PX_PER_M, *PURPOSE_WORDS], n=1, cutoff=0.75)
        level = level_named(near[0]) if near else None
        yield _Row(camera, file).problem(
            "purpose",
            f"'{told}' is no level of pixel density, so {'target' if len(bare) == 1 else 'targets'} {names} "
            f"{'has' if len(bare) == 1 else 'have'} no requirement: only whether it is in the picture is judged.",
            f"{f'Did you mean {level}? ' if level else ''}Give a level ({', '.join(PURPOSE_PX_PER_M)}) or required_px_per_m.",
            value=told,
            accepted=", ".join(PURPOSE_PX_PER_M),
        )
    missing = [
        column
        for column, value in (("form", camera.form), ("surface", camera.surface), ("setting", camera.setting))
        if value is None
    ]
    if missing:
        yield _Row(camera, file).problem(
            missing[0],
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} not given, so the mount can't be checked.",
            "Fill it in.",
            "caution",
        )


def _agreed(camera: Camera, file: str) -> Iterator[PlanProblem]:
    """Angles agreed since, in columns of their own: what is no angle would silently be left out."""
    for column, text in camera.extra:
        if column.lower() not in _AGREED:
            continue
        try:
            value = float(text.replace(",", ".").replace("−", "-"))
        except ValueError:
            value = math.nan
        if not _AGREED[column.lower()].holds(value):
            yield _Row(camera, file).problem(
                column,
                f"'{text}' is not {_AGREED[column.lower()].accepted}, so the planned angle counts.",
                "Write the agreed angle in degrees.",
                value=text,
                accepted=_AGREED[column.lower()].accepted,
            )


def _night(camera: Camera, file: str) -> Iterator[PlanProblem]:
    if camera.night == "none":
        if camera.setting == "outdoor":
            yield _Row(camera, file).problem(
                "night",
                "no light is planned for the night outdoors.",
                "Plan infrared or white light, or write down that it serves by day alone.",
                "caution",
            )
        return
    if camera.night != "infrared":
        return
    stated = next((text for column, text in camera.extra if column.lower() == "infrared_range_m"), None)
    reach, known = _INFRARED_M, False
    if stated is not None:
        try:
            reach, known = float(stated.replace(",", ".")), True
        except ValueError:
            known = False
        if not known or not _RANGE.holds(reach):
            yield _Row(camera, file).problem(
                "infrared_range_m",
                f"'{stated}' is not {_RANGE.accepted}.",
                "Give the IR illuminator's range in metres.",
                "warning",
                stated,
                _RANGE.accepted,
            )
            reach, known = _INFRARED_M, False
    far = max(
        ((math.hypot(t.east_m - camera.east_m, t.north_m - camera.north_m), t.name) for t in camera.targets),
        default=(0.0, ""),
    )
    if far[0] > reach:
        share = (reach / far[0]) ** 2
        source = "the plan's" if known else "the usual"
        yield _Row(camera, file).problem(
            "infrared_range_m" if known else "night",
            f"target '{far[1]}' is {far[0]:.0f} m away, beyond {source} IR range of {reach:g} m: it "
            f"gets {share:.0%} of the light (inverse square).",
            "Plan a separate IR illuminator near the target, or check it with a night snapshot.",
            "warning" if known else "caution",
            f"{reach:g}",
            f"at least {far[0]:.0f} m",
        )


def _sun(camera: Camera, site: Site, file: str) -> Iterator[PlanProblem]:
    if camera.setting != "outdoor" or site.origin_latitude is None or site.origin_longitude is None:
        return
    if camera.pitch_deg < -60:
        return
    found = glare(camera, site.origin_latitude, site.origin_longitude)
    if found is None:
        return
    where = "in the picture" if found.hours_in_picture else "just outside the picture"
    hours = found.hours_in_picture or found.hours_near
    yield _Row(camera, file).problem(
        "bearing_deg",
        f"the sun stands {where} about {hours:.0f} h a year ({_season(found)}, "
        f"{_hours_of_day(found)} local time; worst {found.worst_at:%d %b %H:%M}, "
        f"{found.worst_elevation_deg:.0f}° high).",
        "Expect backlight then: aim lower, add a sunshield, or set WDR; take a snapshot at such an hour.",
        "caution",
        camera.bearing_deg,
    )


def _hours_of_day(found: Glare) -> str:
    return f"about {found.earliest}" if found.earliest == found.latest else f"{found.earliest} to {found.latest}"


def _season(found: Glare) -> str:
    names = [calendar.month_abbr[m] for m in found.months]
    if len(names) == 12:
        return "all year"
    absent = [m for m in range(1, 13) if m not in found.months]
    runs = [m for m in found.months if (m - 2) % 12 + 1 in absent]
    if len(runs) != 1:
        return ", ".join(names)
    start = runs[0]
    end = next(m for m in ((start + k - 1) % 12 + 1 for k in range(12)) if m % 12 + 1 in absent)
    return calendar.month_abbr[start] if start == end else f"{calendar.month_abbr[start]} to {calendar.month_abbr[end]}"


def _pairs(site: Site, file: str) -> list[PlanProblem]:
    """Cameras that are the same twice: serial, or place and direction."""
    found = []
    serials: dict[str, Camera] = {}
    views: dict[tuple[float, ...], Camera] = {}
    for camera in site.cameras:
        if camera.serial:
            first = serials.setdefault(camera.serial.strip().casefold(), camera)
            if first is not camera:
                found.append(
                    _Row(camera, file).problem(
                        "serial",
                        f"serial '{camera.serial}' is also that of {first.camera} (row {first.row}).",
                        "Give each camera its own serial.",
                        "error",
                        camera.serial,
                        "a unique serial",
                    )
                )
        key = (
            round(camera.east_m, 1),
            round(camera.north_m, 1),
            round(camera.up_m, 1),
            round(camera.bearing_deg),
            round(camera.pitch_deg),
        )
        first = views.setdefault(key, camera)
        if first is not camera and not camera.form == "multi-sensor":
            found.append(
                _Row(camera, file).problem(
                    "camera",
                    f"it is mounted at the same place and looks the same way as {first.camera} (row {first.row}).",
                    "Take out the one that stands there twice.",
                    value=camera.camera,
                )
            )
    return found

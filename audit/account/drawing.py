"""The site as a drawing from its coordinates: markers, view cones, reach on the ground; no map service.

Everything is SVG with text escaped; states show by shape as well as by colour, what was measured by its line style.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from audit.frames import bearing_difference_deg
from audit.judge.finding import State, Verdict
from audit.judge.intended import intended_pose
from audit.plan.model import Camera, Site
from audit.plan.optics import Pose, geometry

__all__ = ["Seen", "Size", "seen_of", "site_svg", "size_of"]

_WIDTH_PX = 1000.0
_MARGIN_PX = 46.0
_MOST_CONES = 400
_ARC_STEPS = 14
_LABEL_PX, _PAPER_LABEL_PX = 13.0, 20.0
_COLOURS: dict[State, tuple[str, str]] = {
    "defect": ("#9c4300", "#9c4300"),
    "to check": ("#e69f00", "#6b4a00"),
    "not verified": ("#ffffff", "#4a4c55"),
    "as planned": ("#00563f", "#00563f"),
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What a visit measured of a camera's pose.

    Attributes
    ----------
    turn_deg : float or None
        Against the plan where the bearing was shown, else against the signed reference, + right; a single picture doesn't
        tell it.
    pitch_deg : float or None
        As measured in the picture.
    """

    turn_deg: float | None = None
    pitch_deg: float | None = None


def seen_of(verdicts: Iterable[Verdict]) -> dict[str, Seen]:
    """What was measured, by camera."""
    found = {}
    for verdict in verdicts:
        moved = next((f for f in verdict.findings if f.check == "movement"), None)
        aim = next((f for f in verdict.findings if f.check == "aim" and f.unit == "deg"), None)
        turn = moved.evidence.get("pan_change_deg") if moved is not None else None
        if turn is None and moved is not None and moved.remedy is not None and moved.remedy.turn_deg is not None:
            turn = -moved.remedy.turn_deg
        pan = next((f for f in verdict.findings if f.check == "pan"), None)
        if pan is not None and pan.measured is not None and pan.planned is not None:
            turn = bearing_difference_deg(pan.measured, pan.planned)
        found[verdict.camera] = Seen(None if turn is None else float(turn), aim.measured if aim else None)
    return found


@dataclass(frozen=True, slots=True)
class _Frame:
    """Metres to pixels, one scale for east and north."""

    west_m: float
    north_m: float
    px_per_m: float
    height_px: float

    @classmethod
    def around(cls, cameras: Sequence[Camera], reach_m: float) -> _Frame:
        east, north = [c.east_m for c in cameras], [c.north_m for c in cameras]
        wide = max(east) - min(east) + 2 * reach_m
        high = max(north) - min(north) + 2 * reach_m
        scale = (_WIDTH_PX - 2 * _MARGIN_PX) / max(wide, high * 1.4)
        spare = ((_WIDTH_PX - 2 * _MARGIN_PX) / scale - wide) / 2
        return cls(min(east) - reach_m - spare, max(north) + reach_m, scale, high * scale + 2 * _MARGIN_PX)

    def at(self, east_m: float, north_m: float) -> tuple[float, float]:
        return (
            _MARGIN_PX + (east_m - self.west_m) * self.px_per_m,
            _MARGIN_PX + (self.north_m - north_m) * self.px_per_m,
        )


def site_svg(
    site: Site,
    states: Mapping[str, State],
    seen: Mapping[str, Seen],
    floor: str,
    words: Mapping[str, str],
    paper: bool = False,
) -> str:
    """One floor of the site.

    Parameters
    ----------
    states : mapping of camera to state
    seen : mapping of camera to Seen
    floor : str
    words : mapping
        ``title``, ``north``, and ``camera`` with places ``{camera}``, ``{name}`` and ``{state}``: the words that a
        screen reader says.
    paper : bool
        For print: lines and letters alone.

    Returns
    -------
    str
        SVG; on a screen each camera is a group with ``data-camera``, reached by the tab key.
    """
    cameras = [c for c in site.cameras if c.floor == floor]
    if not cameras:
        return ""
    reach = _reach_m(cameras)
    frame = _Frame.around(cameras, reach)
    parts = [
        f'<svg viewBox="0 0 {_WIDTH_PX:.0f} {frame.height_px:.0f}" role="group" '
        f'aria-label="{html.escape(words["title"])}" xmlns="http://www.w3.org/2000/svg">',
        _scale_bar(frame),
        _north_arrow(words["north"]),
    ]
    drawn = cameras if len(cameras) <= _MOST_CONES else [
        c for c in cameras if states.get(c.camera) == "defect" or seen.get(c.camera, Seen()).turn_deg is not None
    ][:_MOST_CONES]  # fmt: skip
    parts += [_views(c, seen.get(c.camera, Seen()), frame, reach) for c in drawn]
    drawn_names = {c.camera for c in drawn}
    parts += [_tick(c, frame, reach) for c in cameras if c.camera not in drawn_names]
    labels = _labels(cameras, frame, _PAPER_LABEL_PX if paper else _LABEL_PX)
    order = sorted(cameras, key=lambda c: states.get(c.camera, "not verified") == "defect")
    parts += [_marker(c, states.get(c.camera, "not verified"), frame, labels.get(c.camera), words, paper) for c in order]
    return "".join((*parts, "</svg>"))


@dataclass(frozen=True, slots=True)
class Size:
    """A drawing's own coordinates: ``width_px`` by ``height_px``, ``width_m`` across."""

    width_px: float
    height_px: float
    width_m: float


def size_of(site: Site, floor: str) -> Size:
    """How large the drawing of a floor is that has cameras."""
    cameras = [c for c in site.cameras if c.floor == floor]
    frame = _Frame.around(cameras, _reach_m(cameras))
    return Size(_WIDTH_PX, frame.height_px, _WIDTH_PX / frame.px_per_m)


def _reach_m(cameras: Sequence[Camera]) -> float:
    east, north = [c.east_m for c in cameras], [c.north_m for c in cameras]
    extent = max(max(east) - min(east), max(north) - min(north), 20.0)
    return min(14.0, 0.12 * extent)


def _views(camera: Camera, seen: Seen, frame: _Frame, reach_m: float) -> str:
    held = intended_pose(camera)
    planned = _cone(camera, held.bearing_deg, frame, reach_m)
    out = f'<path d="{planned}" fill="none" stroke="#5f616b" stroke-width="1.3" stroke-dasharray="5 4"/>'
    if camera.pitch_deg < -80:
        return out
    out += _ground_bar(camera, held.pose, frame, reach_m, measured=False)
    if seen.turn_deg is not None:
        turned = _cone(camera, held.bearing_deg + seen.turn_deg, frame, reach_m)
        out += f'<path d="{turned}" fill="#d55e00" fill-opacity=".12" stroke="#9c4300" stroke-width="1.8"/>'
    if seen.pitch_deg is not None:
        pose = Pose(held.bearing_deg + (seen.turn_deg or 0.0), seen.pitch_deg, held.roll_deg)
        out += _ground_bar(camera, pose, frame, reach_m, measured=True)
    return out


def _cone(camera: Camera, bearing_deg: float, frame: _Frame, reach_m: float) -> str:
    if camera.pitch_deg < -80:
        x, y = frame.at(camera.east_m, camera.north_m)
        r = 0.5 * reach_m * frame.px_per_m
        return f"M{x - r:.1f},{y:.1f}a{r:.1f},{r:.1f} 0 1,0 {2 * r:.1f},0a{r:.1f},{r:.1f} 0 1,0 {-2 * r:.1f},0"
    half = min(90.0, camera.lens.hfov_deg / 2)
    edge = [bearing_deg - half + 2 * half * i / _ARC_STEPS for i in range(_ARC_STEPS + 1)]
    points = [frame.at(camera.east_m, camera.north_m), *(frame.at(*_along(camera, a, reach_m)) for a in edge)]
    return "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in points) + "Z"


def _ground_bar(camera: Camera, pose: Pose, frame: _Frame, reach_m: float, *, measured: bool) -> str:
    """A bar across the view where the picture's lower edge meets the ground, as far as it lies within the cone."""
    nearest = geometry(camera, pose).nearest_ground_m
    if nearest is None or not 0.2 < nearest <= reach_m:
        return ""
    half = min(25.0, camera.lens.hfov_deg / 3)
    ends = [frame.at(*_along(camera, pose.bearing_deg + side, nearest)) for side in (-half, half)]
    line = "L".join(f"{x:.1f},{y:.1f}" for x, y in ends)
    style = (
        'stroke="#9c4300" stroke-width="3"' if measured else 'stroke="#5f616b" stroke-width="2" stroke-dasharray="3 3"'
    )
    return f'<path d="M{line}" fill="none" {style}/>'


def _along(camera: Camera, bearing_deg: float, distance_m: float) -> tuple[float, float]:
    angle = math.radians(bearing_deg)
    return camera.east_m + distance_m * math.sin(angle), camera.north_m + distance_m * math.cos(angle)


def _tick(camera: Camera, frame: _Frame, reach_m: float) -> str:
    """Only the direction, where a site is too large for cones."""
    x1, y1 = frame.at(camera.east_m, camera.north_m)
    x2, y2 = frame.at(*_along(camera, camera.bearing_deg, 0.6 * reach_m))
    return f'<path d="M{x1:.1f},{y1:.1f}L{x2:.1f},{y2:.1f}" stroke="#8a8c95" stroke-width="1"/>'


def _labels(cameras: Sequence[Camera], frame: _Frame, letters_px: float) -> dict[str, tuple[float, float]]:
    """Where each id is written, so that those of one pole stand below each other; none on a site too crowded."""
    if len(cameras) > _MOST_CONES:
        return {}
    taken: list[tuple[float, float, float]] = []
    placed = {}
    for camera in sorted(cameras, key=lambda c: (-c.north_m, c.east_m)):
        x, y = frame.at(camera.east_m, camera.north_m)
        wide = 0.62 * letters_px * len(camera.camera)
        spots = [(x + 11, y + 4 + letters_px * k) for k in (0, -1, 1, -2, 2, -3, 3)]
        spots += [(x - 11 - wide, y + 4 + letters_px * k) for k in (0, -1, 1, -2, 2)]
        spot = next((s for s in spots if _free(s, wide, letters_px, taken)), spots[0])
        taken.append((*spot, wide))
        placed[camera.camera] = spot
    return placed


def _free(spot: tuple[float, float], wide: float, high: float, taken: Iterable[tuple[float, float, float]]) -> bool:
    x, y = spot
    return all(abs(y - v) >= high or x + wide < u or u + w < x for u, v, w in taken)


def _marker(
    camera: Camera,
    state: State,
    frame: _Frame,
    label: tuple[float, float] | None,
    words: Mapping[str, str],
    paper: bool,
) -> str:
    x, y = frame.at(camera.east_m, camera.north_m)
    name = html.escape(camera.camera)
    halo = "" if paper else 'paint-order="stroke" stroke="#ffffff" stroke-width="3" '
    text = "" if label is None else (
        f'<text x="{label[0]:.1f}" y="{label[1]:.1f}" font-size="{_PAPER_LABEL_PX if paper else _LABEL_PX:.0f}" {halo}fill="#1f2128">{name}</text>'
    )  # fmt: skip
    if paper:
        return f"<g>{_shape(state, x, y)}{text}</g>"
    said = html.escape(words["camera"].format(camera=camera.camera, name=camera.name, state=words.get(state, state)))
    return (
        f'<g data-camera="{name}" tabindex="0" role="button" aria-label="{said}"><title>{said}</title>'
        f"{_shape(state, x, y)}{text}</g>"
    )


def _shape(state: State, x: float, y: float) -> str:
    fill, edge = _COLOURS[state]
    style = f'fill="{fill}" stroke="{edge}" stroke-width="2"'
    if state == "defect":
        return f'<path d="M{x:.1f},{y - 9:.1f}L{x + 9:.1f},{y + 7:.1f}L{x - 9:.1f},{y + 7:.1f}Z" {style}/>'
    if state == "to check":
        return f'<path d="M{x:.1f},{y - 9:.1f}L{x + 9:.1f},{y:.1f}L{x:.1f},{y + 9:.1f}L{x - 9:.1f},{y:.1f}Z" {style}/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6.5" {style}/>'


def _scale_bar(frame: _Frame) -> str:
    length = next(m for m in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 1e5) if m * frame.px_per_m >= 60)
    y, x = frame.height_px - 14, _MARGIN_PX
    return (
        f'<path d="M{x},{y - 5}V{y}H{x + length * frame.px_per_m:.1f}V{y - 5}" fill="none" stroke="#1f2128"/>'
        f'<text x="{x + length * frame.px_per_m + 7:.1f}" y="{y + 3}" font-size="13" fill="#1f2128">{length:g} m</text>'
    )


def _north_arrow(word: str) -> str:
    x, y = _WIDTH_PX - 28, 46.0
    return (
        f'<path d="M{x},{y}V{y - 24}M{x - 6},{y - 15}L{x},{y - 26}L{x + 6},{y - 15}" fill="none" stroke="#1f2128" '
        f'stroke-width="2"/><text x="{x}" y="{y + 15}" text-anchor="middle" font-size="14" fill="#1f2128">'
        f"{html.escape(word)}</text>"
    )

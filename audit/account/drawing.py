"""The site as a drawing from its coordinates, on white or on its own floor plan: markers, view cones, reach on the ground, what
can't be seen below a camera; no map service.

Everything is SVG with text escaped; states show by shape as well as by colour, what was measured by its line style.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from audit.account.labels import Box, Label, Wanted, place_labels
from audit.account.underlay import Underlay, Window, cut_out
from audit.frames import bearing_difference_deg, camera_from_world
from audit.judge.finding import STATES, State, Verdict
from audit.judge.intended import intended_pose
from audit.plan.model import Camera, Site
from audit.plan.optics import Pose, nearest_ground_m

__all__ = ["Seen", "Sheet", "Size", "seen_of", "site_svg", "size_of"]

_WIDTH_PX = 1000.0
_MARGIN_PX = 46.0
_MOST_CONES = 400
_ARC_STEPS = 14
_LABEL_PX, _PAPER_LABEL_PX = 13.0, 20.0
#: Cameras nearer than this are drawn side by side, so far apart.
_ONE_MAST_PX, _APART_PX = 13.0, 19.0
#: Rays of the picture's lower edge by which blind ground is drawn.
_EDGE_RAYS = 15
_MOST_NAMES = 40
#: Half of what a camera's shape takes.
_HALF_PX = 9.5
_HALO = 'paint-order="stroke" stroke="#ffffff" stroke-width="3" '
#: How far a drawing may widen the frame on each side, as a share of what the cameras take.
_WIDENED = 0.5
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
class Sheet:
    """What is drawn.

    Attributes
    ----------
    floor : str
    under : Underlay or None
        The site's own drawing.
    paper : bool
        For print: lines and letters alone.
    """

    floor: str
    under: Underlay | None = None
    paper: bool = False


@dataclass(frozen=True, slots=True)
class _Frame:
    """Metres to pixels, one scale for east and north."""

    west_m: float
    north_m: float
    px_per_m: float
    height_px: float

    @classmethod
    def around(cls, cameras: Sequence[Camera], reach_m: float, under: Underlay | None) -> _Frame:
        west, south, east, north = _extent(cameras, reach_m, under)
        wide, high = east - west, north - south
        scale = (_WIDTH_PX - 2 * _MARGIN_PX) / max(wide, high * 1.4)
        spare = ((_WIDTH_PX - 2 * _MARGIN_PX) / scale - wide) / 2
        return cls(west - spare, north, scale, high * scale + 2 * _MARGIN_PX)

    @property
    def window(self) -> Window:
        """All that is shown, margins too."""
        edge = _MARGIN_PX / self.px_per_m
        return Window(self.west_m - edge, self.north_m + edge, _WIDTH_PX / self.px_per_m, self.height_px / self.px_per_m)

    def at(self, east_m: float, north_m: float) -> tuple[float, float]:
        return (
            _MARGIN_PX + (east_m - self.west_m) * self.px_per_m,
            _MARGIN_PX + (self.north_m - north_m) * self.px_per_m,
        )


def site_svg(
    site: Site, states: Mapping[str, State], seen: Mapping[str, Seen], sheet: Sheet, words: Mapping[str, str]
) -> str:
    """One floor of the site.

    Parameters
    ----------
    states : mapping of camera to state
    seen : mapping of camera to Seen
    sheet : Sheet
    words : mapping
        ``title``, ``north``, and ``camera`` with places ``{camera}``, ``{name}`` and ``{state}``: the words that a
        screen reader says.

    Returns
    -------
    str
        SVG; on a screen each camera is a group with ``data-camera``, reached by the tab key.
    """
    cameras = [c for c in site.cameras if c.floor == sheet.floor]
    if not cameras:
        return ""
    reach = _reach_m(cameras)
    frame = _Frame.around(cameras, reach, sheet.under)
    letters = _PAPER_LABEL_PX if sheet.paper else _LABEL_PX
    parts = [
        f'<svg viewBox="0 0 {_WIDTH_PX:.0f} {frame.height_px:.0f}" role="group" '
        f'aria-label="{html.escape(words["title"])}" xmlns="http://www.w3.org/2000/svg">',
        *_ground(sheet, frame),
        _scale_bar(frame, letters),
        _north_arrow(words["north"], letters),
    ]
    drawn = cameras if len(cameras) <= _MOST_CONES else [
        c for c in cameras if states.get(c.camera) == "defect" or seen.get(c.camera, Seen()).turn_deg is not None
    ][:_MOST_CONES]  # fmt: skip
    parts += [_views(c, seen.get(c.camera, Seen()), frame, reach) for c in drawn]
    drawn_names = {c.camera for c in drawn}
    parts += [_tick(c, frame, reach) for c in cameras if c.camera not in drawn_names]
    spots = _spots(cameras, states, frame)
    worst_first = sorted(cameras, key=lambda c: _rank(states, c))
    labels: dict[str, Label | None] = {}
    if len(cameras) <= _MOST_CONES:
        marks, crosses = _landmarks(site, cameras[0].floor, frame), _crosses(cameras, frame)
        labels, names = _names(worst_first, spots, marks, frame, letters, _boxes(crosses))
        parts += _things(crosses, marks, names, letters, "" if sheet.paper else _HALO)
    parts += [_leader(c, spots[c.camera], frame) for c in cameras]
    parts += [
        _marker(c, states.get(c.camera, "not verified"), spots[c.camera], labels.get(c.camera), words, sheet.paper)
        for c in reversed(worst_first)
    ]
    return "".join((*parts, "</svg>"))


@dataclass(frozen=True, slots=True)
class Size:
    """A drawing's own coordinates: ``width_px`` by ``height_px``, ``width_m`` across."""

    width_px: float
    height_px: float
    width_m: float


def size_of(site: Site, sheet: Sheet) -> Size:
    """How large the drawing of a floor is that has cameras."""
    cameras = [c for c in site.cameras if c.floor == sheet.floor]
    frame = _Frame.around(cameras, _reach_m(cameras), sheet.under)
    return Size(_WIDTH_PX, frame.height_px, _WIDTH_PX / frame.px_per_m)


def _reach_m(cameras: Sequence[Camera]) -> float:
    east, north = [c.east_m for c in cameras], [c.north_m for c in cameras]
    extent = max(max(east) - min(east), max(north) - min(north), 20.0)
    return min(14.0, 0.12 * extent)


def _extent(cameras: Sequence[Camera], reach_m: float, under: Underlay | None) -> tuple[float, float, float, float]:
    """West, south, east, north: the cameras with their reach, and of a drawing as much as lies around them."""
    east, north = [c.east_m for c in cameras], [c.north_m for c in cameras]
    own = (min(east) - reach_m, min(north) - reach_m, max(east) + reach_m, max(north) + reach_m)
    if under is None:
        return own
    more = _WIDENED * max(own[2] - own[0], own[3] - own[1])
    west, south, east_end, north_end = under.bounds
    return (
        min(own[0], max(west, own[0] - more)), min(own[1], max(south, own[1] - more)),
        max(own[2], min(east_end, own[2] + more)), max(own[3], min(north_end, own[3] + more)),
    )  # fmt: skip


def _ground(sheet: Sheet, frame: _Frame) -> tuple[str, ...]:
    """The site's own drawing, as large as the frame."""
    if sheet.under is None:
        return ()
    source = cut_out(sheet.under, frame.window)
    return (f'<image x="0" y="0" width="{_WIDTH_PX:.0f}" height="{frame.height_px:.1f}" href="{source}"/>',)


def _views(camera: Camera, seen: Seen, frame: _Frame, reach_m: float) -> str:
    held = intended_pose(camera)
    planned = _cone(camera, held.bearing_deg, frame, reach_m)
    out = f'<path d="{planned}" fill="none" stroke="#5f616b" stroke-width="1.3" stroke-dasharray="5 4"/>'
    if camera.pitch_deg < -80:
        return out
    turned = Pose(
        held.bearing_deg + (seen.turn_deg or 0.0),
        held.pose.pitch_deg if seen.pitch_deg is None else seen.pitch_deg,
        held.roll_deg,
    )
    out = _blind_ground(camera, turned, frame, reach_m) + out
    out += _ground_bar(camera, held.pose, frame, reach_m, measured=False)
    if seen.turn_deg is not None:
        measured = _cone(camera, turned.bearing_deg, frame, reach_m)
        out += f'<path d="{measured}" fill="#d55e00" fill-opacity=".12" stroke="#9c4300" stroke-width="1.8"/>'
    if seen.pitch_deg is not None:
        out += _ground_bar(camera, turned, frame, reach_m, measured=True)
    return out


def _blind_ground(camera: Camera, pose: Pose, frame: _Frame, reach_m: float) -> str:
    """Ground between the camera's foot and the picture's lower edge, as far as the cone is drawn."""
    lens = camera.lens
    edge = np.column_stack([np.linspace(-0.5, lens.width_px - 0.5, _EDGE_RAYS), np.full(_EDGE_RAYS, lens.height_px - 0.5)])
    rays = lens.unproject(edge) @ camera_from_world(pose.bearing_deg, pose.pitch_deg, pose.roll_deg)
    points = []
    for east, north, up in rays:
        level = math.hypot(east, north)
        if not up < 0 or level <= 0:  # a ray that never meets the ground, or isn't imaged
            return ""
        far = min(camera.height_m * level / -up, reach_m)
        points.append(frame.at(camera.east_m + far * east / level, camera.north_m + far * north / level))
    line = "L".join(f"{x:.1f},{y:.1f}" for x, y in (frame.at(camera.east_m, camera.north_m), *points))
    return f'<path d="M{line}Z" fill="#5f616b" fill-opacity=".22"/>'


def _landmarks(site: Site, floor: str, frame: _Frame) -> list[tuple[str, float, float]]:
    """Names and places of the landmarks that lie in the frame."""
    places = ((m.landmark, *frame.at(m.east_m, m.north_m)) for m in site.landmarks if m.floor in ("", floor))
    return [(name, x, y) for name, x, y in places if 0 <= x <= _WIDTH_PX and 0 <= y <= frame.height_px]


def _crosses(cameras: Sequence[Camera], frame: _Frame) -> list[tuple[str, float, float]]:
    """Names and places of the targets that lie in the frame, each once."""
    targets = dict.fromkeys((t.name, t.east_m, t.north_m) for c in cameras for t in c.targets)
    places = ((name, *frame.at(east, north)) for name, east, north in targets)
    return [(name, x, y) for name, x, y in places if 0 <= x <= _WIDTH_PX and 0 <= y <= frame.height_px]


def _boxes(things: Sequence[tuple[str, float, float]]) -> list[Box]:
    """What crosses and squares take."""
    return [(x - 5, y - 5, x + 5, y + 5) for _, x, y in things]


def _names(
    worst_first: Sequence[Camera],
    spots: Mapping[str, tuple[float, float]],
    marks: Sequence[tuple[str, float, float]],
    frame: _Frame,
    letters_px: float,
    taken: list[Box],
) -> tuple[dict[str, Label | None], list[Label | None]]:
    """Where the ids of the cameras stand, and the landmarks' names."""
    taken = taken + [(x - _HALF_PX, y - _HALF_PX, x + _HALF_PX, y + _HALF_PX) for x, y in spots.values()]
    taken += _boxes(marks)
    taken += [(0.0, frame.height_px - 24, _MARGIN_PX + 190, frame.height_px), (_WIDTH_PX - 44, 0.0, _WIDTH_PX, 50 + letters_px)]
    cameras = [Wanted(c.camera, *spots[c.camera], _HALF_PX) for c in worst_first]
    named = [Wanted(name, x, y, 5.0) for name, x, y in marks] if len(marks) <= _MOST_NAMES else []
    labels = place_labels([*cameras, *named], taken, letters_px, (_WIDTH_PX, frame.height_px))
    ids = dict(zip((c.camera for c in worst_first), labels, strict=False))
    return ids, labels[len(cameras) :] if named else [None] * len(marks)


def _things(
    crosses: Sequence[tuple[str, float, float]],
    marks: Sequence[tuple[str, float, float]],
    names: Sequence[Label | None],
    letters_px: float,
    halo: str,
) -> list[str]:
    """Targets as crosses, landmarks as squares with their names."""
    out = []
    for name, x, y in crosses:
        cross = f"M{x - 5:.1f},{y - 5:.1f}l10,10M{x + 5:.1f},{y - 5:.1f}l-10,10"
        out.append(f'<path d="{cross}" stroke="#0b4a75" stroke-width="2" fill="none"><title>{html.escape(name)}</title></path>')
    for (name, x, y), label in zip(marks, names, strict=True):
        out.append(
            f'<g><rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#ffffff" stroke="#0b4a75" stroke-width="1.6"/>'
            f"<title>{html.escape(name)}</title>{_written(name, label, letters_px, '#0b4a75', halo)}</g>"
        )
    return out


def _written(name: str, label: Label | None, letters_px: float, colour: str, halo: str) -> str:
    """A name at its place, with a line where it stands apart; nothing where it found none (its title is read on hover)."""
    if label is None:
        return ""
    line = "" if label.line is None else (
        f'<path d="M{label.line[0]:.1f},{label.line[1]:.1f}L{label.line[2]:.1f},{label.line[3]:.1f}" stroke="{colour}" stroke-width=".8" fill="none"/>'
    )  # fmt: skip
    anchor = ' text-anchor="end"' if label.left else ""
    return f'{line}<text x="{label.x:.1f}" y="{label.y:.1f}" font-size="{letters_px:.0f}"{anchor} {halo}fill="{colour}">{html.escape(name)}</text>'


def _rank(states: Mapping[str, State], camera: Camera) -> int:
    """Worst first."""
    return STATES.index(states.get(camera.camera, "not verified"))


def _spots(cameras: Sequence[Camera], states: Mapping[str, State], frame: _Frame) -> dict[str, tuple[float, float]]:
    """Where each camera's shape stands: at its place, those of one mast below each other, worst on top."""
    places = {c.camera: frame.at(c.east_m, c.north_m) for c in cameras}
    if len(cameras) > _MOST_CONES:
        return places
    masts: list[list[Camera]] = []
    for camera in cameras:
        x, y = places[camera.camera]
        near = (m for m in masts if math.hypot(x - places[m[0].camera][0], y - places[m[0].camera][1]) < _ONE_MAST_PX)
        mast = next(near, None)
        if mast is None:
            masts.append([camera])
        else:
            mast.append(camera)
    for mast in masts:
        if len(mast) > 1:
            x = sum(places[c.camera][0] for c in mast) / len(mast)
            y = sum(places[c.camera][1] for c in mast) / len(mast) - _APART_PX * (len(mast) - 1) / 2
            for row, camera in enumerate(sorted(mast, key=lambda c: (_rank(states, c), c.camera))):
                places[camera.camera] = (x, y + _APART_PX * row)
    return places


def _leader(camera: Camera, spot: tuple[float, float], frame: _Frame) -> str:
    """From a shape that was moved aside to where its camera is."""
    x, y = frame.at(camera.east_m, camera.north_m)
    if math.hypot(spot[0] - x, spot[1] - y) < 1:
        return ""
    return f'<path d="M{spot[0]:.1f},{spot[1]:.1f}L{x:.1f},{y:.1f}" stroke="#1f2128" stroke-width="1" fill="none"/>'


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
    nearest = nearest_ground_m(camera, pose)
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


def _marker(
    camera: Camera,
    state: State,
    spot: tuple[float, float],
    label: Label | None,
    words: Mapping[str, str],
    paper: bool,
) -> str:
    x, y = spot
    name = html.escape(camera.camera)
    text = _written(camera.camera, label, _PAPER_LABEL_PX if paper else _LABEL_PX, "#1f2128", "" if paper else _HALO)
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


def _scale_bar(frame: _Frame, letters_px: float) -> str:
    length = next(m for m in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 1e5) if m * frame.px_per_m >= 60)
    y, x = frame.height_px - 14, _MARGIN_PX
    return (
        f'<path d="M{x},{y - 5}V{y}H{x + length * frame.px_per_m:.1f}V{y - 5}" fill="none" stroke="#1f2128"/>'
        f'<text x="{x + length * frame.px_per_m + 7:.1f}" y="{y + 3}" font-size="{letters_px:.0f}" fill="#1f2128">{length:g} m</text>'
    )


def _north_arrow(word: str, letters_px: float) -> str:
    x, y = _WIDTH_PX - 28, 46.0
    return (
        f'<path d="M{x},{y}V{y - 24}M{x - 6},{y - 15}L{x},{y - 26}L{x + 6},{y - 15}" fill="none" stroke="#1f2128" '
        f'stroke-width="2"/><text x="{x}" y="{y + letters_px + 1:.0f}" text-anchor="middle" font-size="{letters_px:.0f}" fill="#1f2128">'
        f"{html.escape(word)}</text>"
    )

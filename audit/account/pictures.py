"""Evidence drawn over a snapshot: horizons, sky, soiled patches, targets, the view after the remedy.

Every layer is drawn by its own line style as well as its colour, so that the picture reads in black and white.
Colours are of the Okabe-Ito palette.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.account.case import Turn
from audit.frames import camera_from_world
from audit.judge.intended import straight_down
from audit.lens import Lens
from audit.measure.measurement import ImageMeasurement
from audit.photos.pixels import decode
from audit.plan.model import Camera
from audit.plan.optics import Pose, horizon_curve

__all__ = ["LAYERS", "Drawing", "Layer", "decode_picture", "encode_jpeg", "evidence_picture", "remedy_preview"]

Picture = NDArray[np.uint8]
Layer = Literal["planned horizon", "measured horizon", "lines", "sky", "patches", "targets"]
LAYERS: tuple[Layer, ...] = get_args(Layer)

ORANGE = (230, 159, 0)
SKY_BLUE = (86, 180, 233)
GREEN = (0, 158, 115)
VERMILION = (213, 94, 0)
PURPLE = (204, 121, 167)
WHITE = (255, 255, 255)
BLACK = (0, 0, 0)
_BAND = 1.96


@dataclass(frozen=True, slots=True)
class _Brush:
    """Line widths that suit a picture's size."""

    width_px: int

    @classmethod
    def of(cls, picture: Picture) -> _Brush:
        return cls(max(1, round(max(picture.shape[:2]) / 480)))


def decode_picture(data: bytes, max_side_px: int) -> Picture:
    """Pixels of a stored image at the size that a screen or a page needs."""
    return decode(data, max_side_px)


def encode_jpeg(picture: Picture, quality: int = 85) -> bytes:
    """JPEG bytes of an RGB picture."""
    done, data = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture could not be written as JPEG")
    return bytes(data.tobytes())


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is drawn over a snapshot.

    Attributes
    ----------
    layers : tuple of Layer
    patches : iterable of polygons
        Soiled or hidden areas in 0..1 of width and height, besides those that were measured.
    marks : iterable of (x, y)
        Places that a person marked, in 0..1 of width and height; a ring is drawn around each.
    bearing_deg : float or None
        The bearing that was shown, by which measured targets are drawn; None takes the intended one.
    """

    layers: tuple[Layer, ...] = LAYERS
    patches: Iterable[tuple[tuple[float, float], ...]] = ()
    marks: Iterable[tuple[float, float]] = ()
    bearing_deg: float | None = None


def evidence_picture(
    picture: Picture, camera: Camera, intended: Pose, measured: ImageMeasurement | None, drawing: Drawing
) -> Picture:
    """The snapshot with what was seen in it.

    Parameters
    ----------
    picture : ndarray, shape (H, W, 3), uint8
        The snapshot at any size.
    intended : Pose
        The pose that the camera is held to; its horizon is the dashed line.
    measured : ImageMeasurement or None
    """
    shown = set(drawing.layers)
    out = picture.copy()
    height, width = out.shape[:2]
    brush = _Brush.of(out)
    lens = camera.lens.resized(width, height)
    if measured is not None and "sky" in shown and measured.sky.mask is not None:
        out = _tinted(out, measured.sky.mask)
    if measured is not None and "lines" in shown and measured.orientation.segments_px is not None:
        scale = width / measured.width_px
        for x1, y1, x2, y2 in measured.orientation.segments_px * scale:
            _segment(out, (x1, y1), (x2, y2), GREEN, brush.width_px)
    if "planned horizon" in shown:
        _curve(out, horizon_curve(lens, intended.pitch_deg, intended.roll_deg), ORANGE, brush.width_px + 1, dashed=True)
    if measured is not None and "measured horizon" in shown and measured.orientation.pitch_deg is not None:
        _measured_horizon(out, lens, measured, brush)
    if "targets" in shown:
        bearing = intended.bearing_deg if drawing.bearing_deg is None else drawing.bearing_deg
        _targets(out, camera, lens, intended, _pose_of(measured, bearing), brush)
    if "patches" in shown:
        own = measured.clarity.patches if measured is not None else ()
        for patch in (*own, *drawing.patches):
            points = np.round(np.array(patch) * (width, height)).astype(np.int32)
            cv2.polylines(out, [points], True, BLACK, brush.width_px + 3, cv2.LINE_AA)
            cv2.polylines(out, [points], True, PURPLE, brush.width_px + 1, cv2.LINE_AA)
    for x, y in drawing.marks:
        _ring(out, (x * width, y * height), brush)
    return out


def _ring(picture: Picture, at: tuple[float, float], brush: _Brush) -> None:
    """Two circles, light in dark, around a place that a person marked."""
    centre, radius = (round(at[0] - 0.5), round(at[1] - 0.5)), max(10, picture.shape[1] // 28)
    for wide, tone in ((brush.width_px + 4, BLACK), (brush.width_px + 1, WHITE)):
        cv2.circle(picture, centre, radius, tone, wide, cv2.LINE_AA)
        cv2.circle(picture, centre, max(2, brush.width_px), tone, -1, cv2.LINE_AA)


def _tinted(picture: Picture, mask: NDArray[np.bool_]) -> Picture:
    height, width = picture.shape[:2]
    sky = cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_LINEAR) > 0
    out = picture.copy()
    out[sky] = (0.6 * out[sky] + 0.4 * np.array(SKY_BLUE)).astype(np.uint8)
    # A hatch as well as the tint: the area shows without colour.
    rows, columns = np.indices((height, width))
    hatch = sky & ((rows + columns) % max(12, width // 60) == 0)
    out[hatch] = SKY_BLUE
    return out


def _measured_horizon(picture: Picture, lens: Lens, measured: ImageMeasurement, brush: _Brush) -> None:
    orientation = measured.orientation
    pitch, roll = orientation.pitch_deg or 0.0, orientation.roll_deg or 0.0
    _curve(picture, horizon_curve(lens, pitch, roll), VERMILION, brush.width_px + 1)
    spread = _BAND * (orientation.pitch_sd_deg or 0.0)
    for edge in (pitch - spread, pitch + spread):
        _curve(picture, horizon_curve(lens, edge, roll), VERMILION, max(1, brush.width_px // 2))


def _pose_of(measured: ImageMeasurement | None, bearing_deg: float) -> Pose | None:
    orientation = None if measured is None else measured.orientation
    if orientation is None or orientation.pitch_deg is None:
        return None
    return Pose(bearing_deg, orientation.pitch_deg, orientation.roll_deg or 0.0)


def _targets(
    picture: Picture, camera: Camera, lens: Lens, intended: Pose, seen: Pose | None, brush: _Brush
) -> None:
    size = max(8, picture.shape[1] // 60)
    # the turn about the plumb line isn't measured, so where a target stands can't be drawn
    plumb = straight_down(camera, intended.pitch_deg)
    for target in camera.targets:
        offset = np.array([target.east_m - camera.east_m, target.north_m - camera.north_m, target.up_m - camera.up_m])
        planned = lens.project(camera_from_world(intended.bearing_deg, intended.pitch_deg, intended.roll_deg) @ offset)
        _mark(picture, planned, size, ORANGE, brush.width_px + 1, "square")
        if seen is not None and not plumb:
            turned = camera_from_world(seen.bearing_deg, seen.pitch_deg, seen.roll_deg)
            _mark(picture, lens.project(turned @ offset), size, VERMILION, brush.width_px + 1, "diamond")


def _mark(
    picture: Picture,
    at: NDArray[np.float64],
    size: int,
    colour: tuple[int, int, int],
    width: int,
    shape: Literal["square", "diamond"],
) -> None:
    if not np.all(np.isfinite(at)):
        return
    x, y = float(at[0]), float(at[1])
    corners: list[tuple[float, float]]
    if shape == "square":
        corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    else:
        corners = [(0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)]
    points = np.round([(x + dx * size, y + dy * size) for dx, dy in corners]).astype(np.int32)
    cv2.polylines(picture, [points], True, BLACK, width + 2, cv2.LINE_AA)
    cv2.polylines(picture, [points], True, colour, width, cv2.LINE_AA)


def _segment(
    picture: Picture, start: tuple[float, float], end: tuple[float, float], colour: tuple[int, int, int], width: int
) -> None:
    a, b = (round(float(start[0])), round(float(start[1]))), (round(float(end[0])), round(float(end[1])))
    cv2.line(picture, a, b, colour, width, cv2.LINE_AA)


def _curve(
    picture: Picture, points: NDArray[np.float64], colour: tuple[int, int, int], width: int, dashed: bool = False
) -> None:
    """A line through points, broken where they are NaN; a dark edge keeps it readable on any ground."""
    limit = 4.0 * max(picture.shape[:2])
    fine = np.all(np.isfinite(points), axis=1) & np.all(np.abs(points) < limit, axis=1)
    dash = max(3, len(points) // 40)
    for wide, tone in ((width + 2, BLACK), (width, colour)):
        for i in range(len(points) - 1):
            if fine[i] and fine[i + 1] and not (dashed and (i // dash) % 2):
                _segment(picture, tuple(points[i]), tuple(points[i + 1]), tone, wide)


def remedy_preview(picture: Picture, lens: Lens, turn: Turn) -> Picture:
    """The picture after the remedy: re-projected by the rotation, unseen edges hatched."""
    height, width = picture.shape[:2]
    lens = lens.resized(width, height)
    now = camera_from_world(0.0, turn.pitch_deg, turn.roll_now_deg)
    then = camera_from_world(turn.turn_deg, turn.pitch_deg + turn.tip_deg, turn.roll_now_deg + turn.roll_deg)
    columns, rows = np.meshgrid(np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64))
    rays = lens.unproject(np.stack([columns, rows], axis=-1))
    source = lens.project(rays @ (now @ then.T).T).astype(np.float32)
    out = cv2.remap(
        picture,
        np.nan_to_num(source[..., 0], nan=-1e6),
        np.nan_to_num(source[..., 1], nan=-1e6),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(235, 235, 235),
    )
    inside = (
        (source[..., 0] >= 0) & (source[..., 0] <= width - 1) & (source[..., 1] >= 0) & (source[..., 1] <= height - 1)
    )
    hatch = ~inside & ((rows + columns).astype(int) % max(10, width // 64) < max(2, width // 400))
    out[hatch] = (120, 120, 120)
    return np.asarray(out)

"""A DXF's model as a picture: lines and letters, black or coloured on white, with the matrix from pixels to its coordinates.

What a drawing points to outside itself (pictures, other drawings) is not opened.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from audit.errors import AuditError
from audit.plan.imported import MAX_INSERTS, counted_inserts

__all__ = ["draw_dxf"]

#: A drawing is drawn at most so many things large; ten thousand are a floor plan.
_MOST_THINGS = 400_000
#: Empty room around the drawing, as a share of its longer side.
_EDGE = 0.02
#: Share of the drawn things on each side that may lie far off, and how many times wider than the rest they make a drawing before
#: they are left out (a forgotten text at the origin).
_STRAY_SHARE, _STRAY_TIMES = 0.01, 8.0
_LEAST_WIDTH_PX, _MM_PER_INCH, _DOTS_PER_INCH = 5.0, 25.4, 120.0
#: Lighter than this, of 255, is not seen on white.
_TOO_LIGHT = 215

FloatArray = NDArray[np.float64]


def draw_dxf(data: bytes, longest_px: int, metres_per_unit: float | None) -> tuple[Image.Image, dict[str, Any]]:
    """Draw a text DXF.

    Returns
    -------
    picture, told
        ``matrix`` from pixels to metres of the drawing, or to the grid that ``grid`` names; none where it doesn't tell its unit.

    Raises
    ------
    AuditError
        If it is damaged, empty, or too large to be drawn.
    """
    document = _read(data)
    recorded = _recorded(document)
    west, south, east, north = _extents(recorded)
    scale = longest_px / (max(east - west, north - south) * (1 + 2 * _EDGE))
    edge = _EDGE * max(east - west, north - south)
    west, north = west - edge, north + edge
    size = (max(1, round((east + edge - west) * scale)), max(1, round((north - south + edge) * scale)))
    pen = _pen(west, north, scale, size)
    recorded.replay(pen)
    # the middle of the upper left pixel
    pixels = (1 / scale, 0.0, west + 0.5 / scale, 0.0, -1 / scale, north - 0.5 / scale)
    return pen.picture, _told(document, pixels, metres_per_unit)


def _read(data: bytes) -> Any:
    from ezdxf import recover

    try:
        document, _ = recover.read(io.BytesIO(data))
        inserts = counted_inserts(document.modelspace(), document)
    except Exception as error:  # ezdxf raises DXFError, ValueError, IndexError and more on damage
        raise AuditError("the drawing is damaged; export it again as DXF.") from error
    if inserts > MAX_INSERTS:
        raise AuditError("its blocks hold blocks over and over, more than a site's drawing can; save the floor's layers alone.")
    return document


def _recorded(document: Any) -> Any:
    """All that the model shows, recorded once."""
    from ezdxf import bbox
    from ezdxf.addons.drawing import recorder
    from ezdxf.addons.drawing.config import BackgroundPolicy, ColorPolicy, Configuration, ImagePolicy
    from ezdxf.addons.drawing.frontend import Frontend
    from ezdxf.addons.drawing.properties import RenderContext

    model = document.modelspace()
    box = bbox.extents(model, fast=True)
    if not box.has_data:
        raise AuditError("the drawing's model is empty; export the layers of the floor plan.")
    fine = max(box.size.x, box.size.y, 1e-6) / 20_000
    settings = Configuration(
        background_policy=BackgroundPolicy.WHITE, color_policy=ColorPolicy.COLOR, image_policy=ImagePolicy.IGNORE,
        max_flattening_distance=fine, min_hatch_line_distance=20 * fine,
    )  # fmt: skip
    kept = recorder.Recorder()
    try:
        Frontend(RenderContext(document), kept, config=settings).draw_layout(model)
    except MemoryError:
        raise
    except Exception as error:  # as above: what a damaged entity raises is its own affair
        raise AuditError("the drawing is damaged; export it again as DXF.") from error
    player = kept.player()
    if sum(1 for _ in player.recordings()) > _MOST_THINGS:
        raise AuditError(f"the drawing shows more than {_MOST_THINGS:,} things; save the floor's layers alone.")
    return player


def _extents(player: Any) -> tuple[float, float, float, float]:
    """West, south, east, north of what is drawn, without what lies far off."""
    boxes = [record.bbox() for record, _ in player.recordings()]
    all_of = np.array([(b.extmin.x, b.extmin.y, b.extmax.x, b.extmax.y) for b in boxes if b.has_data], dtype=np.float64)
    all_of = all_of[np.isfinite(all_of).all(axis=1)]
    if not len(all_of):
        raise AuditError("the drawing's model is empty; export the layers of the floor plan.")
    whole = (*all_of[:, :2].min(axis=0), *all_of[:, 2:].max(axis=0))
    low, high = np.quantile(all_of, _STRAY_SHARE, axis=0), np.quantile(all_of, 1 - _STRAY_SHARE, axis=0)
    most = (*low[:2], *high[2:])
    chosen = most if _longest(whole) > _STRAY_TIMES * _longest(most) > 0 else whole
    if _longest(chosen) <= 0:
        raise AuditError("the drawing's model shows a single point; export the layers of the floor plan.")
    west, south, east, north = map(float, chosen)
    return west, south, east, north


def _longest(box: tuple[float, ...]) -> float:
    return max(float(box[2] - box[0]), float(box[3] - box[1]))


def _told(document: Any, pixels: tuple[float, ...], metres_per_unit: float | None) -> dict[str, Any]:
    """Where the drawing lies: by its geographic data, else in metres of its own."""
    geographic = _geographic(document, pixels)
    if geographic is not None:
        return geographic
    scale = metres_per_unit or _metres_per_unit(document)
    return {} if scale is None else {"matrix": [scale * v for v in pixels], "grid": ""}


def _metres_per_unit(document: Any) -> float | None:
    from ezdxf.enums import InsertUnits
    from ezdxf.units import conversion_factor

    if not document.units:
        return None
    return float(conversion_factor(InsertUnits(document.units), InsertUnits.Meters))


def _geographic(document: Any, pixels: tuple[float, ...]) -> dict[str, Any] | None:
    """By the drawing's GEODATA object, where it names a grid by its EPSG code."""
    found = document.modelspace().get_geodata()
    if found is None:
        return None
    try:
        transform, epsg = found.get_crs_transformation(no_checks=True)
    except Exception:  # no EPSG code in it, or of a kind that isn't known: as if it had none
        return None
    a, b, c, d, e, f = pixels
    origin, across, down = (transform.transform(p) for p in ((c, f, 0), (c + a, f + d, 0), (c + b, f + e, 0)))
    matrix = [across.x - origin.x, down.x - origin.x, origin.x, across.y - origin.y, down.y - origin.y, origin.y]
    return {"matrix": matrix, "grid": f"EPSG:{int(epsg)}"}


def _pen(west: float, north: float, scale: float, size: tuple[int, int]) -> Any:
    """What the recorded things are drawn with; a class of ezdxf's, made where ezdxf is here."""
    from ezdxf.addons.drawing.backend import Backend

    class Pen(Backend):
        def __init__(self) -> None:
            super().__init__()
            self.picture = Image.new("RGB", size, "white")
            self.draw = ImageDraw.Draw(self.picture)

        def set_background(self, color: str) -> None:
            """White, whatever the drawing's own ground is."""

        def clear(self) -> None:
            """Nothing to take back."""

        def draw_point(self, pos: Any, properties: Any) -> None:
            (x, y), r = self._at(pos), _width(properties)
            self.draw.ellipse((x - r, y - r, x + r, y + r), fill=_colour(properties))

        def draw_line(self, start: Any, end: Any, properties: Any) -> None:
            self._line([self._at(start), self._at(end)], properties)

        def draw_solid_lines(self, lines: Iterable[tuple[Any, Any]], properties: Any) -> None:
            for start, end in lines:
                self.draw_line(start, end, properties)

        def draw_path(self, path: Any, properties: Any) -> None:
            for part in path.to_path2d().sub_paths() if path.has_sub_paths else (path,):
                self._line([self._at(v) for v in part.flattening(0.25 / scale)], properties)

        def draw_filled_paths(self, paths: Iterable[Any], properties: Any) -> None:
            rings = [[self._at(v) for v in path.flattening(0.25 / scale)] for path in paths]
            self._fill([ring for ring in rings if len(ring) > 2], properties)

        def draw_filled_polygon(self, points: Any, properties: Any) -> None:
            ring = [self._at(v) for v in points.vertices()]
            if len(ring) > 2:
                self._fill([ring], properties)

        def draw_image(self, image_data: Any, properties: Any) -> None:
            """Pictures that a drawing points to are not opened."""

        def _at(self, place: Any) -> tuple[float, float]:
            return (place.x - west) * scale - 0.5, (north - place.y) * scale - 0.5

        def _line(self, points: list[tuple[float, float]], properties: Any) -> None:
            if len(points) > 1 and _near(points, size):
                self.draw.line(points, fill=_colour(properties), width=round(_width(properties)), joint="curve")

        def _fill(self, rings: list[list[tuple[float, float]]], properties: Any) -> None:
            """By the even-odd rule, so that letters keep their holes."""
            rings = [ring for ring in rings if _near(ring, size)]
            if len(rings) == 1:
                self.draw.polygon(rings[0], fill=_colour(properties))
            elif rings:
                _even_odd(self.picture, rings, _colour(properties))

    return Pen()


def _even_odd(picture: Image.Image, rings: list[list[tuple[float, float]]], colour: str) -> None:
    """Fill rings that may lie within each other."""
    every = np.concatenate([np.array(ring) for ring in rings])
    left, top = (max(0, math.floor(v)) for v in every.min(axis=0))
    right, low = (min(most, math.ceil(v) + 1) for v, most in zip(every.max(axis=0), picture.size, strict=True))
    if right <= left or low <= top:
        return
    inside = np.zeros((low - top, right - left), dtype=bool)
    for ring in rings:
        one = Image.new("1", (right - left, low - top))
        ImageDraw.Draw(one).polygon([(x - left, y - top) for x, y in ring], fill=1)
        inside ^= np.asarray(one)
    picture.paste(colour, (left, top, right, low), Image.fromarray(inside))


def _near(points: list[tuple[float, float]], size: tuple[int, int]) -> bool:
    """Whether any of it can be seen; numbers beyond this overflow the pen."""
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    width, height = size
    inside = max(xs) >= 0 and min(xs) <= width and max(ys) >= 0 and min(ys) <= height
    return inside and max(map(abs, (*xs, *ys))) < 50 * max(size)


def _width(properties: Any) -> float:
    return max(_LEAST_WIDTH_PX, float(properties.lineweight) / _MM_PER_INCH * _DOTS_PER_INCH)


def _colour(properties: Any) -> str:
    """The drawing's own colour; what would be lost on white is drawn dark."""
    colour = str(properties.color)[:7]
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return "#404040" if min(red, green, blue) > _TOO_LIGHT else colour

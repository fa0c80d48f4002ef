"""Where a drawing lies on the site: by its own georeference, or by points whose places are known.

Pixels are counted from the middle of the upper left one, columns to the right, rows downwards; places are the plan's local
metres, east and north.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from audit.errors import AuditError

__all__ = ["Drawing", "KnownPoint", "Matrix", "Placed", "by_matrix", "by_points"]

#: ``a, b, c, d, e, f``: east = a column + b row + c, north = d column + e row + f.
Matrix = tuple[float, float, float, float, float, float]
How = Literal["georeference", "points"]

#: Two points that are nearer than this share of the drawing's diagonal fix its turn too badly (chosen).
_LEAST_APART = 0.02
#: Places nearer than this, in metres, are one place: cameras of one mast (chosen).
_ONE_PLACE_M = 0.5
#: How well a hand points a place out in a drawing, in pixels of a drawing 1,000 pixels across, one standard deviation (chosen).
_CLICK_SHARE = 1.5 / 1000
#: A drawing is called mirrored where its mirror image fits so many times better, and itself misses by more than clicks do.
_MIRRORED_TIMES, _MIRRORED_CLICKS = 3.0, 6.0
#: Places of a drawing at which its georeference is turned into metres, a side.
_GRID_SIDE = 7
#: A georeference whose grid bends more than this over the drawing, in metres, isn't one matrix (chosen: the residual allowed).
_MOST_BENT_M = 0.05
#: Sine of the angle between a drawing's rows and columns below which it is a line.
_FLAT = 1e-6


@dataclass(frozen=True, slots=True)
class KnownPoint:
    """A place of the site that is pointed out in the drawing.

    Attributes
    ----------
    name : str
        Camera, landmark or coordinates, as the person gave it.
    column_px, row_px : float
        In the drawing.
    east_m, north_m : float
        On the site.
    off_m : float or None
        How far the placed drawing misses it; None while it isn't placed.
    """

    name: str
    column_px: float
    row_px: float
    east_m: float
    north_m: float
    off_m: float | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """A drawing on the site.

    Attributes
    ----------
    matrix : Matrix
    how : str
        ``georeference`` or ``points``.
    grid : str
        Grid of the georeference; empty for points.
    residual_m : float or None
        Root mean square distance between the known points and the drawing's; of a georeference the largest distance between
        its grid and the matrix. None where two points alone fit any drawing.
    residual_note : str or None
        Why it isn't known.
    sd_m : float or None
        One standard deviation of a place of the drawing, in each direction, where it is known worst; None for a
        georeference, which doesn't tell how well it was made.
    points : tuple of KnownPoint
    """

    matrix: Matrix
    how: How
    grid: str = ""
    residual_m: float | None = None
    residual_note: str | None = None
    sd_m: float | None = None
    points: tuple[KnownPoint, ...] = ()

    @property
    def metres_per_px(self) -> float:
        """Length of a pixel's side, the mean of both."""
        a, b, _, d, e, _ = self.matrix
        return math.sqrt(abs(a * e - b * d))

    @property
    def turned_deg(self) -> float:
        """Bearing of the drawing's upward side, clockwise from north, 0 ≤ b < 360."""
        return math.degrees(math.atan2(-self.matrix[1], -self.matrix[4])) % 360.0

    def at(self, column_px: float, row_px: float) -> tuple[float, float]:
        """East and north in metres of a pixel."""
        a, b, c, d, e, f = self.matrix
        return a * column_px + b * row_px + c, d * column_px + e * row_px + f

    def pixel(self, east_m: float, north_m: float) -> tuple[float, float]:
        """Column and row of a place; inverse of :meth:`at`."""
        a, b, c, d, e, f = self.matrix
        whole = a * e - b * d
        east, north = east_m - c, north_m - f
        return (e * east - b * north) / whole, (a * north - d * east) / whole

    def corners(self, width_px: int, height_px: int) -> tuple[tuple[float, float], ...]:
        """East and north of the drawing's four corners."""
        right, low = width_px - 0.5, height_px - 0.5
        return tuple(self.at(x, y) for x, y in ((-0.5, -0.5), (right, -0.5), (right, low), (-0.5, low)))


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is known of a drawing besides its pixels.

    Attributes
    ----------
    width_px, height_px : int
        The size in which its pixels are counted; the picture that is kept may be smaller.
    placed : Placed
    page : int
        Of a PDF, counted from 1.
    """

    width_px: int
    height_px: int
    placed: Placed
    page: int = 1


def by_points(points: Sequence[KnownPoint], width_px: int, height_px: int) -> Placed:
    """Turn, scale and move a drawing so that points of it lie on their places, by least squares.

    A similarity: with ``z = column - i row`` and ``w = east + i north``, ``w = s z + t`` for complex s and t.

    Raises
    ------
    AuditError
        If there are fewer than two points, they coincide in the drawing or on the site, or the drawing is mirrored.
    """
    if len(points) < 2:
        raise AuditError(
            f"{len(points)} point{'' if len(points) == 1 else 's'} can't place a drawing; point out two places that are known, "
            "better three, far from each other."
        )
    z = [complex(p.column_px, -p.row_px) for p in points]
    w = [complex(p.east_m, p.north_m) for p in points]
    _refuse_coinciding(points, z, w, math.hypot(width_px, height_px))
    s, t, off = _similarity(z, w)
    _refuse_mirrored(points, z, w, off, width_px)
    n = len(points)
    click_m = _CLICK_SHARE * width_px * abs(s)
    square = sum(d * d for d in off)
    # two coordinates a point, four unknowns; a coordinate's deviation
    sd = click_m if n == 2 else max(math.sqrt(square / (2 * n - 4)), click_m)
    middle = sum(z) / n
    spread = sum(abs(one - middle) ** 2 for one in z)
    corners = [complex(x, -y) for x in (0.0, width_px - 1.0) for y in (0.0, height_px - 1.0)]
    worst = max(1 / n + abs(corner - middle) ** 2 / spread for corner in corners)
    matrix = (s.real, s.imag, t.real, s.imag, -s.real, t.imag)
    return Placed(
        matrix,
        "points",
        residual_m=None if n == 2 else math.sqrt(square / n),
        residual_note="two points fit any drawing; a third shows how well it lies" if n == 2 else None,
        sd_m=sd * math.sqrt(worst),
        points=tuple(
            KnownPoint(p.name, p.column_px, p.row_px, p.east_m, p.north_m, None if n == 2 else d)
            for p, d in zip(points, off, strict=True)
        ),
    )


def by_matrix(
    pixels: Matrix, to_local: Callable[[float, float], tuple[float, float]], width_px: int, height_px: int, grid: str
) -> Placed:
    """Place a drawing by its georeference.

    Parameters
    ----------
    pixels : Matrix
        From pixels to the grid's coordinates.
    to_local : callable
        From the grid's coordinates to local metres.

    Raises
    ------
    AuditError
        If the matrix turns a drawing to a line or mirrors it, or one matrix can't follow the grid over the whole drawing.
    """
    import numpy as np

    across, down = np.linspace(0, width_px - 1, _GRID_SIDE), np.linspace(0, height_px - 1, _GRID_SIDE)
    columns, rows = (v.ravel() for v in np.meshgrid(across, down))
    a, b, c, d, e, f = pixels
    if abs(a * e - b * d) <= _FLAT * math.hypot(a, d) * math.hypot(b, e):
        raise AuditError("its georeference makes a line of it; export the drawing again, or point out two places of it.")
    places = [to_local(a * x + b * y + c, d * x + e * y + f) for x, y in zip(columns, rows, strict=True)]
    known = np.array(places)
    if not np.isfinite(known).all():
        raise AuditError("its georeference lies outside the grid that it names; give the right one with --grid.")
    ones = np.column_stack([columns, rows, np.ones_like(columns)])
    found, *_ = np.linalg.lstsq(ones, known, rcond=None)
    off = np.hypot(*(ones @ found - known).T)
    (a, b, c), (d, e, f) = found.T.tolist()
    matrix = (a, b, c, d, e, f)
    turned = matrix[0] * matrix[4] - matrix[1] * matrix[3]
    if turned > 0:
        raise AuditError("its georeference mirrors it, so that north or east runs backwards; export the drawing again.")
    if float(off.max()) > max(_MOST_BENT_M, 0.5 * math.sqrt(-turned)):
        raise AuditError(
            f"its grid bends by {off.max():.2f} m over the drawing, which is too large to lie flat; cut out the site."
        )
    return Placed(matrix, "georeference", grid, residual_m=float(off.max()))


def _similarity(z: Sequence[complex], w: Sequence[complex]) -> tuple[complex, complex, list[float]]:
    """s and t of ``w = s z + t`` by least squares, and how far each point is missed."""
    mean_z, mean_w = sum(z) / len(z), sum(w) / len(w)
    pairs = [(a - mean_z, b - mean_w) for a, b in zip(z, w, strict=True)]
    s = sum(a.conjugate() * b for a, b in pairs) / sum(abs(a) ** 2 for a, _ in pairs)
    t = mean_w - s * mean_z
    return s, t, [abs(s * a + t - b) for a, b in zip(z, w, strict=True)]


def _refuse_coinciding(
    points: Sequence[KnownPoint], z: Sequence[complex], w: Sequence[complex], diagonal_px: float
) -> None:
    """All points in one place fix nothing; two of many may lie together."""
    if max(abs(one - z[0]) for one in z) < _LEAST_APART * diagonal_px:
        names = " and ".join(f"'{p.name}'" for p in points[:2])
        raise AuditError(f"{names} lie on one spot of the drawing; point out places that are far from each other.")
    if max(abs(one - w[0]) for one in w) < _ONE_PLACE_M:
        names = " and ".join(f"'{p.name}'" for p in points[:2])
        raise AuditError(f"{names} are at one place of the site; choose places that are far from each other.")


def _refuse_mirrored(
    points: Sequence[KnownPoint], z: Sequence[complex], w: Sequence[complex], off: Sequence[float], width_px: int
) -> None:
    """Three points tell a drawing from its mirror image; two can't."""
    if len(points) < 3:
        return
    s, _, mirrored = _similarity([one.conjugate() for one in z], w)
    as_it_is, as_mirrored = (math.sqrt(sum(d * d for d in v) / len(v)) for v in (off, mirrored))
    clicks_m = _MIRRORED_CLICKS * _CLICK_SHARE * width_px * abs(s)
    if as_it_is > clicks_m and as_it_is > _MIRRORED_TIMES * as_mirrored:
        raise AuditError(
            f"the drawing is mirrored: its points miss their places by {as_it_is:.1f} m, those of its mirror image by "
            f"{as_mirrored:.1f} m; export it the right way round."
        )

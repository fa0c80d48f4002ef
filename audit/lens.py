"""A camera's lens: where a direction lands in the image, and back.

Projections as in the contract: ``rectilinear`` (r = f tan theta) and ``equidistant`` (r = f theta), each with
optional radial terms r_d = r (1 + k1 r^2 + k2 r^4), r in focal lengths. ``hfov_deg`` is the full horizontal angle
over the full image width (w pixels), ``vfov_deg`` likewise over the height. The principal point is the image's
middle, ((w-1)/2, (h-1)/2), unless given.

An equidistant lens fills a circle: it images directions up to the larger of 90 degrees and half its field, and
what lies beyond that circle in the frame's corners is black.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["HfovSource", "Lens", "Projection", "hfov_from_focal", "least_k1"]

FloatArray = NDArray[np.float64]
Projection = Literal["rectilinear", "equidistant"]
HfovSource = Literal["given", "exif", "estimated", "assumed"]

_NEWTON_STEPS = 40
_RECTILINEAR_LIMIT_RAD = np.pi / 2 - 1e-6
_EDGE_SLACK_RAD = 1e-9


def hfov_from_focal(
    focal_mm: float,
    sensor_width_mm: float,
    projection: Projection = "rectilinear",
    k1: float = 0.0,
    k2: float = 0.0,
) -> float:
    """Full horizontal angle of view in degrees from focal length and sensor width.

    Without radial terms 2 atan(w / 2F) for ``rectilinear`` and w / F (radians) for ``equidistant``.

    Raises
    ------
    ValueError
        If either length is not positive, or the radial terms never reach the sensor's edge.
    """
    if not (focal_mm > 0 and sensor_width_mm > 0):
        raise ValueError("focal length and sensor width must be positive millimetres")
    radius = float(_undistorted(np.array(sensor_width_mm / (2 * focal_mm)), k1, k2))
    if not np.isfinite(radius):
        raise ValueError(f"radial terms k1 {k1:g}, k2 {k2:g} fold the picture before the sensor's edge")
    return float(np.degrees(2 * (np.arctan(radius) if projection == "rectilinear" else radius)))


def _distorted(radius: FloatArray, k1: float, k2: float) -> FloatArray:
    if k1 == 0.0 and k2 == 0.0:
        return radius
    square = radius * radius
    return np.asarray(radius * (1.0 + square * (k1 + k2 * square)))


def _fold_radius(k1: float, k2: float) -> float:
    """Radius where r (1 + k1 r^2 + k2 r^4) stops growing; infinity where it never does."""
    if k1 == 0.0 and k2 == 0.0:
        return float("inf")
    # derivative of r + k1 r^3 + k2 r^5
    roots = np.roots([5 * k2, 3 * k1, 1.0]) if k2 != 0.0 else np.array([-1.0 / (3 * k1)])
    squares = [float(s.real) for s in np.atleast_1d(roots) if abs(s.imag) < 1e-12 and s.real > 0]
    return float(np.sqrt(min(squares))) if squares else float("inf")


def least_k1(lens: Lens) -> float:
    """Strongest barrel term (k2 = 0) with which a lens of that angle of view still fills its picture to the corners.

    The corner lies ``c`` half widths from the middle; ``r - |k1| r^3`` reaches its distorted radius as long as
    ``c (1 - b) sqrt(b) <= 2 / (3 sqrt 3)`` with ``b = |k1| e^2`` at the edge ``e``: the trigonometric root of that cubic.
    """
    half = float(np.radians(lens.hfov_deg)) / 2
    edge = float(np.tan(half)) if lens.projection == "rectilinear" else half
    corner = max(1.0, float(np.hypot(lens.width_px, lens.height_px)) / lens.width_px)
    return -4 / 3 * float(np.sin(np.arcsin(1 / corner) / 3)) ** 2 / edge**2


def _undistorted(r_d: FloatArray, k1: float, k2: float) -> FloatArray:
    """Inverse of :func:`_distorted` on its growing branch; NaN beyond the largest radius it reaches.

    Newton's method kept inside a shrinking bracket, so that it can't leave the branch.
    """
    if k1 == 0.0 and k2 == 0.0:
        return r_d
    fold = _fold_radius(k1, k2)
    top = _distorted(np.array(fold), k1, k2) if np.isfinite(fold) else np.array(np.inf)
    reachable = r_d <= top
    target = np.where(reachable, r_d, 0.0)
    low = np.zeros_like(target)
    high = np.full_like(target, fold) if np.isfinite(fold) else np.maximum(2 * target, 1.0)
    while not np.isfinite(fold) and np.any(short := _distorted(high, k1, k2) < target):
        high = np.where(short, 2 * high, high)
    r = np.clip(target, low, high)
    for _ in range(_NEWTON_STEPS):
        square = r * r
        error = r * (1.0 + square * (k1 + k2 * square)) - target
        low = np.where(error < 0, r, low)
        high = np.where(error > 0, r, high)
        # the same derivative
        slope = 1.0 + square * (3 * k1 + 5 * k2 * square)
        step = r - error / np.where(slope < 1e-9, 1e-9, slope)
        new = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        new = np.where(error == 0, r, new)
        if np.all(np.abs(new - r) <= 1e-14 * (1.0 + r)):
            r = new
            break
        r = new
    return np.where(reachable, r, np.nan)


@dataclass(frozen=True, slots=True)
class Lens:
    """What turns directions into pixels.

    Attributes
    ----------
    width_px, height_px : int
        Size of the image after the EXIF orientation.
    hfov_deg : float
        Full horizontal angle of view over the full width: below 180 for ``rectilinear``, at most 360 for
        ``equidistant``.
    hfov_sd_deg : float
        One standard deviation of ``hfov_deg``.
    source : str
        Where ``hfov_deg`` comes from: ``given``, ``exif``, ``estimated`` or ``assumed``.
    projection : str
        ``rectilinear`` or ``equidistant``.
    k1, k2 : float
        Radial terms.
    principal_px : tuple of float or None
        Principal point (x, y); None means the image's middle.
    focal_px : float
        Focal length in pixels (pixels per unit of radius at the axis); derived.
    half_angle_limit_rad : float
        Largest angle off the axis that the lens images: where the radial terms fold the picture, where a
        rectilinear lens ends (90 degrees), or the rim of an equidistant lens's image circle; derived.

    Raises
    ------
    ValueError
        If the size is no picture, ``hfov_deg`` does not fit the projection, or the radial terms fold the picture
        inside it.
    """

    width_px: int
    height_px: int
    hfov_deg: float
    hfov_sd_deg: float = 0.0
    source: HfovSource = "given"
    projection: Projection = "rectilinear"
    k1: float = 0.0
    k2: float = 0.0
    principal_px: tuple[float, float] | None = None
    focal_px: float = field(init=False, repr=False, compare=False)
    half_angle_limit_rad: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise ValueError(f"image size {self.width_px} x {self.height_px} px is not a picture")
        if self.projection not in ("rectilinear", "equidistant"):
            raise ValueError(f"projection '{self.projection}' is neither rectilinear nor equidistant")
        rectilinear = self.projection == "rectilinear"
        top = 180.0 if rectilinear else 360.0
        inside = 0.0 < self.hfov_deg < top or (not rectilinear and self.hfov_deg == top)
        if not inside:
            raise ValueError(f"hfov {self.hfov_deg:g} deg does not fit a {self.projection} lens (0 to {top:g})")
        half = np.radians(self.hfov_deg) / 2
        edge = float(np.tan(half)) if rectilinear else float(half)
        fold = _fold_radius(self.k1, self.k2)
        if not edge < fold:
            raise ValueError(
                f"radial terms k1 {self.k1:g}, k2 {self.k2:g} fold the picture inside hfov {self.hfov_deg:g} deg"
            )
        focal = self.width_px / 2 / float(_distorted(np.array(edge), self.k1, self.k2))
        object.__setattr__(self, "focal_px", focal)
        if rectilinear:
            limit = min(_RECTILINEAR_LIMIT_RAD, float(np.arctan(fold)))
        else:
            tall = float(_undistorted(np.array(self.height_px / 2 / focal), self.k1, self.k2))
            rim = max(np.pi / 2, half, tall if np.isfinite(tall) else 0.0)
            limit = min(rim, np.pi, fold)
        object.__setattr__(self, "half_angle_limit_rad", float(limit))

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point (x, y) in pixels."""
        if self.principal_px is not None:
            return self.principal_px
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    @property
    def vfov_deg(self) -> float:
        """Full vertical angle of view over the full height, degrees; NaN where the radial terms end before it."""
        radius = _undistorted(np.array(self.height_px / 2 / self.focal_px), self.k1, self.k2)
        return float(np.degrees(2 * self._angle(radius)))

    def radius_px(self, angle_rad: ArrayLike) -> FloatArray:
        """Distance from the principal point, in pixels, of directions ``angle_rad`` off the axis.

        NaN beyond ``half_angle_limit_rad``. Any shape in, the same shape out.
        """
        angle = np.asarray(angle_rad, dtype=np.float64)
        within = angle <= self.half_angle_limit_rad + _EDGE_SLACK_RAD
        safe = np.where(within, np.minimum(angle, self.half_angle_limit_rad), 0.0)
        radius = np.tan(safe) if self.projection == "rectilinear" else safe
        return np.where(within, self.focal_px * _distorted(radius, self.k1, self.k2), np.nan)

    def angle_rad(self, radius_px: ArrayLike) -> FloatArray:
        """Angle off the axis of pixels at that distance from the principal point; inverse of :meth:`radius_px`."""
        r_d = np.asarray(radius_px, dtype=np.float64) / self.focal_px
        angle = self._angle(_undistorted(r_d, self.k1, self.k2))
        return np.where(angle <= self.half_angle_limit_rad + _EDGE_SLACK_RAD, angle, np.nan)

    def project(self, directions: ArrayLike) -> FloatArray:
        """Pixels of directions in camera coordinates.

        Parameters
        ----------
        directions : array_like, shape (..., 3)
            Any length; x right, y down, z forward.

        Returns
        -------
        ndarray, shape (..., 2)
            (x, y) pixels, also outside the frame; NaN where the lens can't image the direction.
        """
        d = np.asarray(directions, dtype=np.float64)
        across = np.hypot(d[..., 0], d[..., 1])
        radius = self.radius_px(np.arctan2(across, d[..., 2]))
        scale = np.divide(radius, across, out=np.where(np.isnan(radius), np.nan, 0.0), where=across > 0)
        return np.asarray(np.array(self.centre_px) + d[..., :2] * scale[..., None])

    def unproject(self, pixels: ArrayLike) -> FloatArray:
        """Unit directions in camera coordinates of pixels, shape (..., 2) -> (..., 3).

        NaN where a pixel lies outside the image circle of an equidistant lens or beyond the distortion's reach.
        """
        p = np.asarray(pixels, dtype=np.float64) - np.array(self.centre_px)
        radius = np.hypot(p[..., 0], p[..., 1])
        angle = self.angle_rad(radius)
        scale = np.divide(np.sin(angle), radius, out=np.zeros_like(radius), where=radius > 0)
        return np.concatenate([p * scale[..., None], np.cos(angle)[..., None]], axis=-1)

    def in_frame(self, pixels: ArrayLike) -> NDArray[np.bool_]:
        """Whether pixels (..., 2) lie on the picture, its outer pixels' full width included; NaN is outside."""
        p = np.asarray(pixels, dtype=np.float64)
        x, y = p[..., 0], p[..., 1]
        return np.asarray((x >= -0.5) & (x <= self.width_px - 0.5) & (y >= -0.5) & (y <= self.height_px - 0.5))

    def resized(self, width_px: int, height_px: int) -> Lens:
        """The same lens for the same picture at another size (same aspect ratio within a pixel)."""
        principal = self.principal_px
        if principal is not None:
            fx, fy = width_px / self.width_px, height_px / self.height_px
            principal = ((principal[0] + 0.5) * fx - 0.5, (principal[1] + 0.5) * fy - 0.5)
        return replace(self, width_px=width_px, height_px=height_px, principal_px=principal)

    def with_hfov(self, hfov_deg: float) -> Lens:
        """The same lens with another angle of view."""
        return replace(self, hfov_deg=hfov_deg)

    def _angle(self, radius: FloatArray) -> FloatArray:
        return np.asarray(np.arctan(radius)) if self.projection == "rectilinear" else radius

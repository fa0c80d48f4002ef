"""A camera's lens: where a direction lands in the image, and back.

Projections as in the contract: ``rectilinear`` (r = f tan theta) and ``equidistant`` (r = f theta), each with
optional radial terms r_d = r (1 + k1 r^2 + k2 r^4), r in focal lengths. ``hfov_deg`` is the full horizontal angle
over the full image width (w pixels), ``vfov_deg`` likewise over the height. The principal point is the image's
middle, ((w-1)/2, (h-1)/2), unless given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["HfovSource", "Lens", "Projection", "hfov_from_focal"]

FloatArray = NDArray[np.float64]
Projection = Literal["rectilinear", "equidistant"]
HfovSource = Literal["given", "exif", "estimated", "assumed"]

_NEWTON_STEPS = 30


def hfov_from_focal(focal_mm: float, sensor_width_mm: float) -> float:
    """Full horizontal angle of view in degrees of a rectilinear lens: 2 atan(w / 2F).

    Raises
    ------
    ValueError
        If either length is not positive.
    """
    if not (focal_mm > 0 and sensor_width_mm > 0):
        raise ValueError("focal length and sensor width must be positive millimetres")
    return float(np.degrees(2 * np.arctan(sensor_width_mm / (2 * focal_mm))))


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

    def __post_init__(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise ValueError(f"image size {self.width_px} x {self.height_px} px is not a picture")
        if self.projection not in ("rectilinear", "equidistant"):
            raise ValueError(f"projection '{self.projection}' is neither rectilinear nor equidistant")
        top = 180.0 if self.projection == "rectilinear" else 360.0
        inside = 0.0 < self.hfov_deg < top or (self.projection == "equidistant" and self.hfov_deg == top)
        if not inside:
            raise ValueError(f"hfov {self.hfov_deg:g} deg does not fit a {self.projection} lens (0 to {top:g})")

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point (x, y) in pixels."""
        if self.principal_px is not None:
            return self.principal_px
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    @property
    def focal_px(self) -> float:
        """Focal length in pixels: pixels per unit of undistorted radius."""
        return self.width_px / 2 / float(self._distorted(self._radius(np.radians(self.hfov_deg) / 2)))

    @property
    def vfov_deg(self) -> float:
        """Full vertical angle of view over the full height, degrees."""
        radius = self._undistorted(np.array(self.height_px / 2 / self.focal_px))
        return float(np.degrees(2 * self._angle(radius)))

    @property
    def half_angle_limit_rad(self) -> float:
        """Largest angle off the axis that the model can image (where the radius stops growing)."""
        top = np.pi / 2 - 1e-6 if self.projection == "rectilinear" else np.pi
        angles = np.linspace(0.0, top, 4000)
        slope = np.diff(self._distorted(self._radius(angles)))
        falling = np.flatnonzero(slope <= 0)
        return float(angles[falling[0]]) if falling.size else float(top)

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
        angle = np.arctan2(across, d[..., 2])
        radius = self.focal_px * self._distorted(self._radius(np.minimum(angle, np.pi / 2 - 1e-9)
                                                              if self.projection == "rectilinear" else angle))
        scale = np.divide(radius, across, out=np.zeros_like(across), where=across > 0)
        centre = np.array(self.centre_px)
        pixels = centre + d[..., :2] * scale[..., None]
        pixels[angle > self.half_angle_limit_rad] = np.nan
        return np.asarray(pixels)

    def unproject(self, pixels: ArrayLike) -> FloatArray:
        """Unit directions in camera coordinates of pixels, shape (..., 2) -> (..., 3).

        NaN where a pixel lies outside the image circle of an equidistant lens or beyond the distortion's reach.
        """
        p = (np.asarray(pixels, dtype=np.float64) - np.array(self.centre_px)) / self.focal_px
        r_d = np.hypot(p[..., 0], p[..., 1])
        angle = self._angle(self._undistorted(r_d))
        scale = np.divide(np.sin(angle), r_d, out=np.ones_like(r_d), where=r_d > 1e-12)
        out = np.concatenate([p * scale[..., None], np.cos(angle)[..., None]], axis=-1)
        out[~(angle <= self.half_angle_limit_rad + 1e-9)] = np.nan
        return np.asarray(out)

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

    def _radius(self, angle: ArrayLike) -> FloatArray:
        a = np.asarray(angle, dtype=np.float64)
        return np.asarray(np.tan(a) if self.projection == "rectilinear" else a)

    def _angle(self, radius: ArrayLike) -> FloatArray:
        r = np.asarray(radius, dtype=np.float64)
        return np.asarray(np.arctan(r) if self.projection == "rectilinear" else r)

    def _distorted(self, radius: ArrayLike) -> FloatArray:
        r = np.asarray(radius, dtype=np.float64)
        if self.k1 == 0.0 and self.k2 == 0.0:
            return r
        return np.asarray(r * (1 + self.k1 * r**2 + self.k2 * r**4))

    def _undistorted(self, r_d: ArrayLike) -> FloatArray:
        target = np.asarray(r_d, dtype=np.float64)
        if self.k1 == 0.0 and self.k2 == 0.0:
            return target
        r = target.copy()
        for _ in range(_NEWTON_STEPS):
            value = r * (1 + self.k1 * r**2 + self.k2 * r**4) - target
            slope = 1 + 3 * self.k1 * r**2 + 5 * self.k2 * r**4
            r = r - value / np.where(np.abs(slope) < 1e-6, 1e-6, slope)
        residual = np.abs(r * (1 + self.k1 * r**2 + self.k2 * r**4) - target)
        return np.where((residual < 1e-7 * (1 + target)) & (r >= 0), r, np.nan)

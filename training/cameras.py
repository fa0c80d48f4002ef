"""Random cameras for training and what the truth is on their grids. Everything is batched and runs on the GPU.

Signs as in :mod:`audit.frames`: camera axes x right, y down, z forward; world east, north, up.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import torch
from torch import Tensor

__all__ = ["SHAPES", "Cameras", "Shape", "random_cameras", "rays", "truth_fields", "world_rays"]


@dataclass(frozen=True, slots=True)
class Shape:
    """Picture size in pixels and the size after padding to multiples of 32."""

    width: int
    height: int

    @property
    def padded(self) -> tuple[int, int]:
        return -(-self.width // 32) * 32, -(-self.height // 32) * 32


STEEP_SHARE = 0.12
"""Share of cameras that look down 20 to 60 degrees through a lens of 27 to 60: there the fewest were answered."""
LONG_SHARE = 0.4
"""Share of the cameras of sharp scenes that look through a lens of 9 to 30 degrees: a panorama of 1024 pixels round is too soft
for that, and softness would tell the lens."""
CAMERA_FIELDS = ("focal_px", "k1", "fisheye", "pitch", "roll", "rotation", "up")

SHAPES = (Shape(384, 216), Shape(320, 240), Shape(240, 320))
"""16:9, 4:3 and upright; each further size costs a minute of kernel selection, and the network is convolutional."""


@dataclass(frozen=True, slots=True)
class Cameras:
    """b cameras that share a picture size."""

    shape: Shape
    focal_px: Tensor
    k1: Tensor
    fisheye: Tensor
    pitch: Tensor
    roll: Tensor
    rotation: Tensor
    up: Tensor

    def part(self, start: int, stop: int) -> Cameras:
        """Cameras ``start`` to ``stop`` - 1."""
        return Cameras(self.shape, *(getattr(self, name)[start:stop] for name in CAMERA_FIELDS))

    def half_angle(self) -> Tensor:
        """Log of the tangent of half the undistorted lens's angle of view across the longer side, (b)."""
        return torch.log(max(self.shape.width, self.shape.height) / (2 * self.focal_px))

    def turned(self) -> Tensor:
        """How often ``numpy.rot90`` turned the picture, nearest, (b) 0..3."""
        return torch.round(self.roll / (pi / 2)).long() % 4

    def __len__(self) -> int:
        return int(self.focal_px.shape[0])


def _uniform(n: int, low: float, high: float, g: torch.Generator) -> Tensor:
    return torch.rand(n, generator=g, device=g.device) * (high - low) + low


def random_cameras(
    n: int, shape: Shape, g: torch.Generator, down: range = range(0), sharp: range = range(0)
) -> Cameras:
    """Surveillance-like poses and lenses; one in ten is an equidistant fisheye, one in eight long and steep.

    The cameras of ``down`` look at the ground before them, through lenses of any length; those of ``sharp`` see scenes that
    are drawn and not looked up, and have long lenses too.
    """
    dev = g.device
    number = torch.arange(n, device=dev)
    looks_down = (number >= down.start) & (number < down.stop)
    long = (number >= sharp.start) & (number < sharp.stop) & (torch.rand(n, generator=g, device=dev) < LONG_SHARE)
    kind = torch.rand(n, generator=g, device=dev)
    pitch = torch.where(kind < 0.64, _uniform(n, -50, 30, g), _uniform(n, -45, 0, g))
    pitch = torch.where(kind > 0.9, _uniform(n, -82, 55, g), pitch)
    pitch = torch.where(kind > 0.95, _uniform(n, -75, -35, g), pitch)
    steep = torch.rand(n, generator=g, device=dev) < STEEP_SHARE
    pitch = torch.where(steep, _uniform(n, -60, -20, g), pitch)
    pitch = torch.where(looks_down, _uniform(n, -85, -22, g), pitch) * (pi / 180)
    kind = torch.rand(n, generator=g, device=dev)
    normal = torch.randn(n, generator=g, device=dev)
    roll = torch.where(kind < 0.8, normal * 6, normal * 16)
    quarter = torch.randint(1, 4, (n,), generator=g, device=dev) * 90
    roll = torch.where(kind > 0.92, normal * 8 + quarter, roll)
    roll = torch.where(kind > 0.985, _uniform(n, -180, 180, g), roll) * (pi / 180)
    bearing = _uniform(n, -pi, pi, g)
    long_side, diagonal = max(shape.width, shape.height), (shape.width**2 + shape.height**2) ** 0.5
    log_hfov = torch.where(steep, _uniform(n, 3.3, 4.1, g), _uniform(n, 3.3, 4.74, g))
    hfov = torch.exp(torch.where(long, _uniform(n, 2.2, 3.4, g), log_hfov)) * (pi / 180)
    fisheye = torch.rand(n, generator=g, device=dev) < 0.1
    edge = torch.where(fisheye, _uniform(n, 50, 92, g) * (pi / 180), torch.tan(hfov / 2))
    corner = torch.where(fisheye, edge, edge * (diagonal / long_side))
    bend = torch.where(torch.rand(n, generator=g, device=dev) < 0.6, _uniform(n, -0.3, 0.1, g), torch.zeros(n, device=dev))
    k1 = (bend / corner**2).clamp(-0.36, 0.3)
    focal = diagonal / 2 / (corner * (1 + k1 * corner**2))
    sb, cb, sp, cp, sr, cr = (f(a) for a in (bearing, pitch, roll) for f in (torch.sin, torch.cos))
    zero = torch.zeros_like(sb)
    forward = torch.stack([sb * cp, cb * cp, sp], -1)
    right0 = torch.stack([cb, -sb, zero], -1)
    down0 = torch.linalg.cross(forward, right0)
    right = cr[:, None] * right0 + sr[:, None] * down0
    down = -sr[:, None] * right0 + cr[:, None] * down0
    rotation = torch.stack([right, down, forward], 1)
    return Cameras(shape, focal, k1, fisheye, pitch, roll, rotation, rotation[:, :, 2].contiguous())


def rays(cameras: Cameras, x: Tensor, y: Tensor) -> Tensor:
    """Unit viewing rays (b, h, w, 3) in camera axes of the pixels x (w), y (h)."""
    cx, cy = (cameras.shape.width - 1) / 2, (cameras.shape.height - 1) / 2
    f = cameras.focal_px[:, None, None]
    px = ((x - cx)[None, None, :] / f).expand(-1, len(y), -1)
    py = ((y - cy)[None, :, None] / f).expand(-1, -1, len(x))
    r_d = torch.sqrt(px * px + py * py).clamp_min(1e-6)
    k1 = cameras.k1[:, None, None]
    r = r_d
    for _ in range(6):
        r = r - (r * (1 + k1 * r * r) - r_d) / (1 + 3 * k1 * r * r).clamp_min(0.1)
    angle = torch.where(cameras.fisheye[:, None, None], r, torch.atan(r))
    s = torch.sin(angle) / r_d
    return torch.stack([px * s, py * s, torch.cos(angle)], -1)


def world_rays(cameras: Cameras, x: Tensor, y: Tensor) -> Tensor:
    """The same rays in world axes."""
    return torch.einsum("bhwc,bcd->bhwd", rays(cameras, x, y), cameras.rotation)


def _project(cameras: Cameras, d: Tensor) -> Tensor:
    across = torch.sqrt(d[..., 0] ** 2 + d[..., 1] ** 2).clamp_min(1e-9)
    angle = torch.atan2(across, d[..., 2])
    r = torch.where(cameras.fisheye[:, None, None], angle, torch.tan(angle))
    r = r * (1 + cameras.k1[:, None, None] * r * r) * cameras.focal_px[:, None, None]
    return d[..., :2] * (r / across)[..., None]


def truth_fields(cameras: Cameras, stride: int = 8) -> tuple[Tensor, Tensor, Tensor]:
    """Up (b, h, w, 2), latitude (b, h, w) in radians and a weight (0 in the padding) on the padded grid."""
    width, height = cameras.shape.padded
    dev = cameras.focal_px.device
    x = torch.arange(width // stride, device=dev) * stride + (stride - 1) / 2
    y = torch.arange(height // stride, device=dev) * stride + (stride - 1) / 2
    d = rays(cameras, x, y).double()
    up = cameras.up.double()[:, None, None, :]
    along = (d * up).sum(-1, keepdim=True)
    step = 1e-4 * (up - along * d)
    twice = Cameras(cameras.shape, *(t.double() if t.dtype.is_floating_point else t for t in
                    (cameras.focal_px, cameras.k1, cameras.fisheye, cameras.pitch, cameras.roll, cameras.rotation,
                     cameras.up)))  # fmt: skip
    move = _project(twice, d + step) - _project(twice, d - step)
    field = move / move.norm(dim=-1, keepdim=True).clamp_min(1e-12)
    latitude = torch.asin(along[..., 0].clamp(-1, 1))
    inside = (x < cameras.shape.width)[None, None, :] & (y < cameras.shape.height)[None, :, None]
    return field.float(), latitude.float(), inside.expand(len(cameras), -1, -1).float()

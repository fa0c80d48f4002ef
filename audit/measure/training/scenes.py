"""Streets, yards and rooms made of boxes, poles and tree crowns, ray-cast on the GPU: sharp lines of known pose.

They add what panoramas lack: sharp edges, uprights seen from 2.5 to 8 m up, and any number of different places.
"""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor

from audit.measure.training.skies import sample_sky, sample_tile

__all__ = ["BACKDROP", "ROOM", "TOWN", "render_scenes"]

TOWN, ROOM, BACKDROP = 0, 1, 2


def _band(x: Tensor, period: Tensor, low: Tensor, high: Tensor) -> Tensor:
    phase = x / period - torch.floor(x / period)
    return (phase > low) & (phase < high)


def render_scenes(
    d: Tensor, skies: Tensor, tiles: Tensor, g: torch.Generator, boxes: int = 16, crowns: int = 4
) -> tuple[Tensor, Tensor]:
    """Radiance (b, h, w, 3) and sky (b, h, w) seen along world rays ``d`` (b, h, w, 3).

    Parameters
    ----------
    d : Tensor
        Unit world rays.
    skies : Tensor
        Bank of skies, (n, rows, columns, 3).
    tiles : Tensor
        Bank of noise tiles, (m, size, size).
    """
    dev, b = d.device, d.shape[0]

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return torch.rand(b, *shape, generator=g, device=dev) * (high - low) + low

    def chance(p: float, *shape: int) -> Tensor:
        return torch.rand(b, *shape, generator=g, device=dev) < p

    def spread(x: Tensor) -> Tensor:
        return x.reshape(b, *[1] * 2)

    draw = torch.rand(b, generator=g, device=dev)
    kind = torch.where(draw < 0.62, TOWN, torch.where(draw < 0.88, ROOM, BACKDROP))
    room, backdrop = kind == ROOM, kind == BACKDROP
    height = torch.where(room, uniform(1.0, 3.2), torch.where(chance(0.5), uniform(2.2, 8.0), uniform(1.2, 2.2)))
    ceiling = torch.where(room, height + uniform(0.3, 3.0), torch.full_like(height, 1e6))
    # objects: centre on a polar grid, half sizes, height, turn; sizes by what they are
    n = boxes
    what = torch.rand(b, n, generator=g, device=dev)
    building, pole = (what < 0.45) & ~room[:, None], what > 0.75
    half_x = torch.where(building, uniform(2, 12, n), torch.where(pole, uniform(0.04, 0.35, n), uniform(0.2, 2.2, n)))
    half_y = torch.where(building, uniform(2, 12, n), torch.where(pole, half_x, uniform(0.2, 1.4, n)))
    tall = torch.where(building, uniform(2.5, 26, n), torch.where(pole, uniform(2.5, 9, n), uniform(0.3, 2.4, n)))
    tall = torch.where(pole & room[:, None], torch.full_like(tall, 40), tall)
    base = torch.where(chance(0.12, n) & ~building & ~pole, uniform(0.5, 2.5, n), torch.zeros(b, n, device=dev))
    near = torch.sqrt(half_x**2 + half_y**2) + 0.6
    far = torch.where(room[:, None], torch.full_like(near, 9.0), torch.where(building, near + 70, near + 30))
    reach = near + (far - near) * torch.rand(b, n, generator=g, device=dev) ** 1.6
    around = uniform(-pi, pi, n)
    cx, cy = reach * torch.sin(around), reach * torch.cos(around)
    grid_turn = uniform(-pi, pi)
    turn = torch.where(chance(0.8, n), grid_turn[:, None], uniform(-pi, pi, n))
    gone = chance(0.25, n) | (backdrop[:, None] & building) | (backdrop & chance(0.35))[:, None]
    half_x = torch.where(gone, torch.full_like(half_x, -1.0), half_x)

    h_cam = spread(height)
    dx, dy, dz = d.unbind(-1)
    safe_dz = torch.where(dz.abs() < 1e-6, torch.where(dz < 0, -1e-6, 1e-6), dz)
    best = torch.full_like(dz, 1e5)
    owner = torch.full(dz.shape, -1, device=dev, dtype=torch.long)
    for j in range(n):
        c, s = spread(torch.cos(turn[:, j])), spread(torch.sin(turn[:, j]))
        ox, oy = cx[:, j] * torch.cos(turn[:, j]) + cy[:, j] * torch.sin(turn[:, j]), cy[:, j] * torch.cos(
            turn[:, j]
        ) - cx[:, j] * torch.sin(turn[:, j])
        lx, ly = dx * c + dy * s, dy * c - dx * s
        lx = torch.where(lx.abs() < 1e-6, torch.full_like(lx, 1e-6), lx)
        ly = torch.where(ly.abs() < 1e-6, torch.full_like(ly, 1e-6), ly)
        hx, hy, ox, oy = spread(half_x[:, j]), spread(half_y[:, j]), spread(ox), spread(oy)
        a1, a2 = (ox - hx) / lx, (ox + hx) / lx
        b1, b2 = (oy - hy) / ly, (oy + hy) / ly
        c1 = (spread(base[:, j]) - h_cam) / safe_dz
        c2 = (spread(base[:, j] + tall[:, j]) - h_cam) / safe_dz
        enter = torch.maximum(torch.maximum(torch.minimum(a1, a2), torch.minimum(b1, b2)), torch.minimum(c1, c2))
        leave = torch.minimum(torch.minimum(torch.maximum(a1, a2), torch.maximum(b1, b2)), torch.maximum(c1, c2))
        hit = (enter < leave) & (enter > 0.05) & (enter < best) & (hx > 0)
        best = torch.where(hit, enter, best)
        owner = torch.where(hit, j, owner)
    # tree crowns: spheres with holes
    azimuth = torch.atan2(dx, dy)
    elevation = torch.asin(dz.clamp(-1, 1))
    tile_count = tiles.shape[0]
    leaf = sample_tile(tiles, torch.randint(0, tile_count, (b,), generator=g, device=dev),
                       azimuth * spread(uniform(0.5, 2.5)), elevation * spread(uniform(0.5, 2.5)))  # fmt: skip
    crown = torch.zeros_like(best, dtype=torch.bool)
    for _ in range(crowns):
        radius = torch.where(room | backdrop | chance(0.4), torch.full((b,), 1e-3, device=dev), uniform(1.0, 5))
        distance, bearing = radius + uniform(2, 40), uniform(-pi, pi)
        mx, my, mz = distance * torch.sin(bearing), distance * torch.cos(bearing), uniform(1.5, 7) + radius - height
        along = dx * spread(mx) + dy * spread(my) + dz * spread(mz)
        gap = along**2 - spread(mx**2 + my**2 + mz**2 - radius**2)
        t = along - torch.sqrt(gap.clamp_min(0))
        rim = 1 - gap.clamp_min(0).sqrt() / spread(radius)
        hit = (gap > 0) & (t > 0.3) & (t < best) & (leaf + 0.8 - 1.6 * rim > spread(uniform(-1.2, 0.6)))
        best, owner, crown = torch.where(hit, t, best), torch.where(hit, -2, owner), crown | hit
    crown &= owner == -2
    # walls of the room (seen from inside), floor and ceiling
    room_x, room_y = uniform(2.2, 14), uniform(2.2, 14)
    off_x, off_y = room_x * uniform(-0.9, 0.9), room_y * uniform(-0.9, 0.9)
    c, s = spread(torch.cos(grid_turn)), spread(torch.sin(grid_turn))
    lx, ly = dx * c + dy * s, dy * c - dx * s
    wall_x = torch.where(lx > 0, spread(room_x - off_x), spread(-room_x - off_x)) / torch.where(lx.abs() < 1e-6, 1e-6, lx)
    wall_y = torch.where(ly > 0, spread(room_y - off_y), spread(-room_y - off_y)) / torch.where(ly.abs() < 1e-6, 1e-6, ly)
    wall_t = torch.where(spread(room), torch.minimum(wall_x, wall_y), torch.full_like(best, 1e6))
    floor_t = torch.where(dz < 0, -h_cam / safe_dz, torch.full_like(best, 1e6))
    roof_t = torch.where(dz > 0, (spread(ceiling) - h_cam) / safe_dz, torch.full_like(best, 1e6))
    floor_t = torch.where(spread(backdrop & chance(0.6)), torch.full_like(best, 1e6), floor_t)
    floor_t = torch.where(floor_t > 900, torch.full_like(best, 1e6), floor_t)
    on_wall = (wall_t < best) & (wall_t <= floor_t) & (wall_t <= roof_t) & (wall_t < 1e5)
    on_floor = (floor_t < best) & (floor_t < wall_t)
    on_roof = (roof_t < best) & (roof_t < wall_t) & (roof_t < 1e5)
    t = torch.minimum(torch.minimum(best, wall_t), torch.minimum(floor_t, roof_t))
    nothing = t > 9e4
    t = t.clamp_max(1000.0)
    # surfaces: one box's parameters a pixel
    index = owner.clamp_min(0)

    def pick(values: Tensor) -> Tensor:
        return torch.gather(values, 1, index.reshape(b, -1)).reshape(index.shape)

    angle = pick(turn)
    angle = torch.where(owner < 0, spread(grid_turn), angle)
    c, s = torch.cos(angle), torch.sin(angle)
    px, py, pz = dx * t, dy * t, dz * t + h_cam
    rel_x, rel_y = px - torch.where(owner >= 0, pick(cx), 0.0), py - torch.where(owner >= 0, pick(cy), 0.0)
    qx, qy = rel_x * c + rel_y * s, rel_y * c - rel_x * s
    on_box = (owner >= 0) & ~(on_wall | on_floor | on_roof)
    gap_x, gap_y = (qx.abs() - pick(half_x)).abs(), (qy.abs() - pick(half_y)).abs()
    gap_z = torch.minimum((pz - pick(base + tall)).abs(), (pz - pick(base)).abs())
    top = on_box & (gap_z < torch.minimum(gap_x, gap_y))
    face_x = torch.where(on_box, gap_x < gap_y, wall_x < wall_y)
    u = torch.where(face_x, qy, qx)
    u = torch.where(top | on_floor | on_roof, qx, u)
    v = torch.where(top | on_floor | on_roof, qy, pz)
    sun = torch.nn.functional.normalize(torch.stack([uniform(-1, 1), uniform(-1, 1), uniform(0.3, 1.2)], -1), dim=-1)
    sun_x, sun_y = sun[:, 0], sun[:, 1]
    facing = torch.where(face_x, (spread(sun_x) * c + spread(sun_y) * s) * torch.sign(qx),
                         (spread(sun_y) * c - spread(sun_x) * s) * torch.sign(qy))  # fmt: skip
    facing = torch.where(top | on_floor, spread(sun[:, 2]), facing)
    facing = torch.where(on_wall | on_roof, -facing * 0.5, facing)
    ambient = spread(uniform(0.3, 1.0))
    light = ambient + (1 - ambient) * 1.6 * facing.clamp_min(0)
    light = light * torch.where(on_box & ~top | on_wall, 1 - spread(uniform(0, 0.5)) * torch.exp(-pz.clamp_min(0)), 1.0)
    shade = torch.exp(torch.randn(b, n, 3, generator=g, device=dev) * 0.25) * (uniform(0.08, 0.9, n))[..., None]
    albedo = torch.stack([pick(shade[..., k]) for k in range(3)], -1)

    def tone(low: float, high: float, tint: float = 0.15) -> Tensor:
        value = uniform(low, high)[:, None] * torch.exp(torch.randn(b, 3, generator=g, device=dev) * tint)
        return value[:, None, None, :]

    period_u, period_v = pick(uniform(0.8, 5, n)), pick(uniform(0.8, 4.2, n))
    period_u = torch.where(on_wall, spread(uniform(2, 8)), period_u)
    period_v = torch.where(on_wall, spread(ceiling.clamp_max(40)) * 1.01, period_v)
    low_u, low_v = pick(uniform(0.08, 0.42, n)), pick(uniform(0.08, 0.42, n))
    window = _band(u, period_u, low_u, 1 - low_u) & _band(v, period_v, low_v, 1 - 0.6 * low_v)
    has_windows = torch.where(on_wall, spread(chance(0.6)), pick((chance(0.75, n) & building).float()) > 0)
    window = window & has_windows & (on_box & ~top | on_wall)
    glass = torch.where(spread(room)[..., None], tone(0.2, 6.0, 0.25), tone(0.02, 1.3, 0.3))
    albedo = torch.where(on_wall[..., None], tone(0.15, 0.95, 0.1), albedo)
    course = pick(torch.where(chance(0.4, n), uniform(0.08, 0.7, n), torch.full((b, n), 50.0, device=dev)))
    lines = _band(v, course, torch.full_like(course, 0.0), torch.full_like(course, 0.12))
    albedo = albedo * torch.where(lines & (on_box & ~top), 1 - spread(uniform(0, 0.5)), 1.0)[..., None]
    skirting = on_wall & ((pz < spread(uniform(0.03, 0.15))) | (pz > spread(ceiling - uniform(0.02, 0.3))))
    albedo = torch.where((skirting & spread(chance(0.6)))[..., None], tone(0.05, 0.9), albedo)
    floor_tone, joint = tone(0.08, 0.8), spread(uniform(0.3, 3.0))
    joint_width = spread(uniform(0.01, 0.05))
    joints = _band(u, joint, torch.zeros_like(u), joint_width + 0 * u) | _band(v, joint, torch.zeros_like(u), joint_width + 0 * u)
    floor_tone = floor_tone * torch.where(joints & spread(chance(0.6)), 1 - spread(uniform(0.1, 0.7)), 1.0)[..., None]
    lane = (u - spread(uniform(-8, 8))).abs() < spread(uniform(0.06, 0.2))
    floor_tone = torch.where((lane & _band(v, spread(uniform(2, 9)) + 0 * u, torch.zeros_like(u), torch.full_like(u, 0.55))
                              & spread(chance(0.4) & ~room))[..., None], tone(0.6, 1.0, 0.05), floor_tone)  # fmt: skip
    road = (v - spread(uniform(-10, 10))).abs() < spread(uniform(2, 6))
    floor_tone = torch.where((road & spread(chance(0.5) & ~room))[..., None], tone(0.06, 0.3, 0.05), floor_tone)
    albedo = torch.where(on_floor[..., None], floor_tone, albedo)
    lamp = _band(u, spread(uniform(1.2, 4)) + 0 * u, torch.full_like(u, 0.3), torch.full_like(u, 0.7)) & _band(
        v, spread(uniform(1.2, 4)) + 0 * u, torch.full_like(u, 0.42), torch.full_like(u, 0.58)
    )
    albedo = torch.where(on_roof[..., None], tone(0.3, 0.95, 0.06), albedo)
    rough = spread(uniform(0.0, 0.35))
    pattern = torch.randint(0, tile_count, (b,), generator=g, device=dev)
    scale = spread(torch.exp(uniform(-3.5, 0.5)))
    albedo = albedo * torch.exp(rough * sample_tile(tiles, pattern, u * scale, v * scale))[..., None]
    green = tone(0.05, 0.25, 0.2) * torch.tensor([0.8, 1.15, 0.5], device=dev)
    albedo = torch.where(crown[..., None], green * torch.exp(0.5 * leaf)[..., None], albedo)
    light = torch.where(crown, torch.ones_like(light), light)
    radiance = torch.where(window[..., None], glass, albedo * light[..., None])
    radiance = torch.where((on_roof & lamp & spread(chance(0.6)))[..., None], tone(2.0, 8.0, 0.05), radiance)
    # sky, or the plain backdrop
    which = torch.randint(0, skies.shape[0], (b,), generator=g, device=dev)
    behind = sample_sky(skies, which, azimuth + spread(uniform(0, 2 * pi)), elevation)
    behind = behind * spread(torch.exp(uniform(-0.3, 1.4)))[..., None]
    plain = tone(0.1, 1.3, 0.35)
    plain = torch.where(chance(0.5)[:, None, None, None], tone(0.7, 1.2, 0.02), plain)
    plain = plain * (1 + spread(uniform(-0.4, 0.4)) * dz)[..., None]
    behind = torch.where(spread(backdrop)[..., None], plain, behind)
    mist = 1 - torch.exp(-t / spread(torch.exp(uniform(4.0, 8.0))))
    mist = torch.where(spread(room | backdrop), torch.zeros_like(mist), mist)[..., None]
    rim = skies[which, -1].mean(1)[:, None, None, :]
    radiance = radiance * (1 - mist) + rim * mist
    radiance = torch.where(nothing[..., None], behind, radiance)
    return radiance, (nothing & ~spread(backdrop)).float()

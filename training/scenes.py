"""Towns, rooms, woods, open country and backdrops, ray-cast on the GPU: sharp lines of known pose, any number of places.

They add what panoramas lack: sharp edges, uprights seen from 2.5 to 8 m up, slopes, trunks that lean, water that
mirrors the sky, canopies, and plain walls and backdrops that must not pass for sky. The same things are also set
into panoramas.
"""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor

from training.panoramas import draw_index, fused
from training.skies import sample_sky, sample_tile

__all__ = ["BACKDROP", "INSERT", "OPEN", "ROOM", "TOWN", "WOOD", "render_scenes"]

TOWN, ROOM, WOOD, OPEN, BACKDROP, INSERT = range(6)
KIND_SHARE = (0.36, 0.22, 0.18, 0.14, 0.10)
BOXES, BOXES_AT_ONCE, CROWNS = 18, 6, 5
SNOW_WILD, SNOW_TOWN = 0.4, 0.12
"""How often woods and open country, and towns, lie under snow: a white ground must not pass for the sky."""
BOX_FIELDS = ("cx", "cy", "half_x", "half_y", "foot", "tall", "lean_x", "lean_y", "cos", "sin")
FAR_M = 1e6
Drawn = dict[str, Tensor]


def _band(x: Tensor, period: Tensor, low: Tensor | float, high: Tensor | float) -> Tensor:
    phase = x / period - torch.floor(x / period)
    return (phase > low) & (phase < high)


def _draw(b: int, inserts: int, g: torch.Generator, tiles: Tensor, skies: Tensor) -> Drawn:
    """Everything random about b scenes: tensors (b), (b, 1), (b, n) or (b, 1, 3)."""
    dev = g.device

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return torch.rand(b, *shape, generator=g, device=dev) * (high - low) + low

    def normal(*shape: int) -> Tensor:
        return torch.randn(b, *shape, generator=g, device=dev)

    def chance(p: float, *shape: int) -> Tensor:
        return torch.rand(b, *shape, generator=g, device=dev) < p

    def tone(low: float, high: float, tint: float = 0.15) -> Tensor:
        return (uniform(low, high)[:, None] * torch.exp(normal(3) * tint))[:, None, :]

    kind = draw_index(torch.tensor(KIND_SHARE, device=dev), b, g)
    insert = torch.arange(b, device=dev) < inserts
    kind = torch.where(insert, INSERT, kind)
    room, wood, open_, backdrop = kind == ROOM, kind == WOOD, kind == OPEN, kind == BACKDROP
    town = (kind == TOWN) | (kind == INSERT)
    wild = wood | open_
    height = torch.where(chance(0.5), uniform(2.2, 8.0), uniform(1.2, 2.2))
    height = torch.where(room, uniform(1.0, 3.2), height)
    slope = normal(2) * torch.where(wild, 0.12, torch.where(town & chance(0.25), 0.025, 0.0))[:, None]
    slope = slope.clamp(-0.3, 0.3)
    n = BOXES
    what = uniform(0, 1, n)
    built = (what < 0.45) & town[:, None]
    trunk = wood[:, None] & (what < 0.85) | open_[:, None] & (what < 0.3)
    pole = (what > 0.75) & ~trunk
    lofty = (chance(0.3) & town)[:, None]
    half_x = torch.where(built, uniform(2, 12, n), torch.where(pole, uniform(0.04, 0.35, n), uniform(0.2, 2.2, n)))
    half_x = torch.where(trunk, torch.exp(uniform(-3.0, -0.6, n)), half_x)
    half_y = torch.where(built, uniform(2, 12, n), torch.where(pole | trunk, half_x, uniform(0.2, 1.4, n)))
    tall = torch.where(built, torch.where(lofty, uniform(12, 70, n), uniform(2.5, 26, n)),
                       torch.where(pole, uniform(2.5, 9, n), uniform(0.3, 2.4, n)))  # fmt: skip
    tall = torch.where(trunk, uniform(5, 25, n), tall)
    tall = torch.where(pole & room[:, None], torch.full_like(tall, 40), tall)
    raised = torch.where(chance(0.12, n) & ~built & ~pole & ~trunk, uniform(0.5, 2.5, n), torch.zeros(b, n, device=dev))
    near = torch.sqrt(half_x**2 + half_y**2) + 0.6
    far = torch.where(room[:, None], torch.full_like(near, 9.0), torch.where(built, near + 70, near + 30))
    reach = near + (far - near) * uniform(0, 1, n) ** 1.6
    around = uniform(-pi, pi, n)
    cx, cy = reach * torch.sin(around), reach * torch.cos(around)
    foot = raised + torch.where(wild[:, None], slope[:, :1] * cx + slope[:, 1:] * cy - 0.3, torch.zeros_like(cx))
    foot = torch.where(town[:, None] & ~(raised > 0), foot + slope[:, :1] * cx + slope[:, 1:] * cy - 0.5, foot)
    grid_turn = uniform(-pi, pi)
    turn = torch.where(chance(0.8, n), grid_turn[:, None], uniform(-pi, pi, n))
    lean = torch.where(trunk, 0.06, torch.where(chance(0.1, n) & pole, 0.02, 0.0))
    gone = chance(0.25, n) | backdrop[:, None] & built | (backdrop & chance(0.35))[:, None] | (open_[:, None] & chance(0.5, n))
    gone = gone | insert[:, None] & chance(0.55, n)
    half_x = torch.where(gone, torch.full_like(half_x, -1.0), half_x)
    k = CROWNS
    radius = uniform(1.0, 5, k)
    radius = torch.where((room | backdrop)[:, None] | chance(0.4, k), torch.full_like(radius, 1e-3), radius)
    distance, bearing = radius + uniform(2, 40, k), uniform(-pi, pi, k)
    crown_z = torch.where(wood[:, None] & chance(0.6, k), uniform(-0.5, 1.0, k) - radius * 0.3, uniform(1.5, 7, k) + radius)
    room_x, room_y = uniform(2.2, 14), uniform(2.2, 14)
    shade = torch.exp(normal(n, 3) * 0.25) * uniform(0.08, 0.9, n)[..., None]
    bark = uniform(0.04, 0.4, n)[..., None] * torch.tensor([1.0, 0.85, 0.7], device=dev) * torch.exp(normal(n, 3) * 0.08)
    shade = torch.where(trunk[..., None], bark, shade)
    glass = torch.where(room[:, None, None], tone(0.2, 6.0, 0.25), tone(0.02, 1.3, 0.3))
    floor = torch.where(wild[:, None, None], tone(0.04, 0.35, 0.1) * torch.tensor([0.95, 1.0, 0.6], device=dev), tone(0.08, 0.8))
    snow = wild & chance(SNOW_WILD) | town & chance(SNOW_TOWN)
    white = tone(0.6, 1.15, 0.03) * torch.tensor([0.97, 1.0, 1.04], device=dev)
    floor = torch.where(snow[:, None, None], white, floor)
    hill_tone = tone(0.03, 0.35, 0.2) * torch.tensor([0.9, 1.05, 0.9], device=dev)
    hill_tone = torch.where((snow & chance(0.6))[:, None, None], white * tone(0.6, 1.0, 0.02), hill_tone)
    plain = torch.where(chance(0.5)[:, None, None], tone(0.7, 1.2, 0.02), tone(0.1, 1.3, 0.35))
    blue = torch.tensor([0.25, 0.45, 0.95], device=dev) * tone(0.3, 1.2, 0.15)
    plain = torch.where(chance(0.25)[:, None, None], blue, plain)
    ceiling = torch.where(room, height + uniform(0.3, 3.0), torch.full_like(height, FAR_M))
    which = torch.randint(0, skies.shape[0], (b,), generator=g, device=dev)
    sun = torch.nn.functional.normalize(torch.stack([uniform(-1, 1), uniform(-1, 1), uniform(0.3, 1.2)], -1), dim=-1)
    hills = torch.where(wood & chance(0.8), uniform(0.05, 0.5), torch.where(chance(0.5), uniform(0.0, 0.12), uniform(-1, -0.5)))
    hills = torch.where(room | backdrop, torch.full_like(hills, -2.0), hills)
    green = torch.tensor([0.8, 1.15, 0.5], device=dev)

    def column(x: Tensor) -> Tensor:
        return x[:, None]

    return {
        "kind": column(kind), "height": column(height), "ceiling": column(ceiling), "slope": slope,
        "turn": turn, "cos": torch.cos(turn), "sin": torch.sin(turn), "cx": cx, "cy": cy, "half_x": half_x,
        "half_y": half_y, "foot": foot, "tall": tall, "lean_x": normal(n) * lean, "lean_y": normal(n) * lean,
        "grid_turn": column(grid_turn), "radius": radius, "crown_x": distance * torch.sin(bearing),
        "crown_y": distance * torch.cos(bearing), "crown_z": crown_z, "holes": uniform(-1.2, 0.6, k),
        "leaf": torch.randint(0, len(tiles), (b,), generator=g, device=dev), "leaf_u": column(uniform(0.5, 2.5)),
        "leaf_v": column(uniform(0.5, 2.5)), "room_x": column(room_x), "room_y": column(room_y),
        "off_x": column(room_x * uniform(-0.9, 0.9)), "off_y": column(room_y * uniform(-0.9, 0.9)),
        "no_floor": column(backdrop & chance(0.6)), "sun": sun, "ambient": column(uniform(0.3, 1.0)),
        "foot_dark": column(uniform(0, 0.5)), "shade": shade,
        "period_u": uniform(0.8, 5, n), "period_v": uniform(0.8, 4.2, n), "wall_period": column(uniform(2, 8)),
        "low_u": uniform(0.08, 0.42, n), "low_v": uniform(0.08, 0.42, n), "windows": (chance(0.75, n) & built).float(),
        "wall_windows": column(chance(0.6)), "glass": glass, "wall": tone(0.15, 0.95, 0.1),
        "course": torch.where(chance(0.4, n), uniform(0.08, 0.7, n), torch.full((b, n), 50.0, device=dev)),
        "course_dark": column(uniform(0, 0.5)), "skirt_low": column(uniform(0.03, 0.15)),
        "skirt_high": column(uniform(0.02, 0.3)), "skirt": column(chance(0.6)), "skirt_tone": tone(0.05, 0.9),
        "floor": floor, "joint": column(uniform(0.3, 3.0)), "joint_width": column(uniform(0.01, 0.05)),
        "joints": column(chance(0.6) & ~wild), "joint_dark": column(uniform(0.1, 0.7)), "lane_at": column(uniform(-8, 8)),
        "lane_width": column(uniform(0.06, 0.2)), "lane_period": column(uniform(2, 9)),
        "lane": column(chance(0.4) & town), "lane_tone": tone(0.6, 1.0, 0.05), "road_at": column(uniform(-10, 10)),
        "road_width": column(uniform(1, 6)), "road": column(chance(0.5) & ~room), "road_tone": tone(0.06, 0.3, 0.05),
        "lamp_u": column(uniform(1.2, 4)), "lamp_v": column(uniform(1.2, 4)), "lamps": column(chance(0.6)),
        "lamp_tone": tone(2.0, 8.0, 0.05), "roof": tone(0.3, 0.95, 0.06),
        "rough": column(torch.where(wild & ~snow, uniform(0.2, 0.7), uniform(0.0, 0.35)) * torch.where(snow, 0.4, 1.0)),
        "pattern": torch.randint(0, len(tiles), (b,), generator=g, device=dev),
        "scale": column(torch.exp(uniform(-3.5, 0.5))), "green": tone(0.05, 0.25, 0.2) * green,
        "sky": which, "sky_turn": column(uniform(0, 2 * pi)), "sky_gain": column(torch.exp(uniform(-0.3, 1.4))),
        "plain": plain, "plain_fade": column(uniform(-0.4, 0.4)), "mist": column(torch.exp(uniform(4.0, 8.0))),
        "rim": skies[which, -1].mean(1)[:, None, :], "hills": column(hills), "hill_height": column(uniform(0.0, 0.12)),
        "hill_scale": column(torch.exp(uniform(-1.0, 1.2))), "hill_rough": column(uniform(0.0, 0.04)),
        "hill_tone": hill_tone,
        "hill_haze": column(uniform(0.0, 0.9) * torch.where(wood, 0.3, 1.0)), "canopy": column(wood & chance(0.7)),
        "canopy_at": column(uniform(4, 18)), "canopy_scale": column(torch.exp(uniform(-3.0, -1.0))),
        "canopy_gap": column(uniform(-0.9, 0.9)), "branches": column(chance(0.2) & ~(room | backdrop)),
        "branch_width": column(torch.exp(uniform(-4.0, -2.2))), "branch_u": column(uniform(0.4, 2.0)),
        "branch_top": column(uniform(0.15, 1.3)), "branch_tone": tone(0.02, 0.25, 0.1),
        "water": column(open_ & chance(0.5) | town & chance(0.08)), "water_tone": tone(0.02, 0.3, 0.25),
        "water_share": column(uniform(-1.0, 1.5)), "water_scale": column(torch.exp(uniform(-4.5, -2.5))),
        "mirror": column(uniform(0.3, 0.95)), "ripple": column(uniform(0.0, 0.08)),
    }  # fmt: skip


def _nearest_box(
    d: Tensor, best: Tensor, owner: Tensor, h_cam: Tensor, boxes: Tensor, first: Tensor
) -> tuple[Tensor, Tensor]:
    """Distance to and number of the nearest box (b, m) along rays d (b, m, 3), given those found so far."""
    dx, dy, dz = d.unbind(-1)
    lz = torch.where(dz.abs() < 1e-6, 1e-6, dz)
    for j in range(BOXES_AT_ONCE):
        cx, cy, hx, hy, foot, tall, tilt_x, tilt_y, c, s = (boxes[:, k, j, None] for k in range(len(BOX_FIELDS)))
        ax, ay = dx - tilt_x * dz, dy - tilt_y * dz
        drop = h_cam - foot
        bx, by = cx + tilt_x * drop, cy + tilt_y * drop
        lx, ly = ax * c + ay * s, ay * c - ax * s
        lx = torch.where(lx.abs() < 1e-6, 1e-6, lx)
        ly = torch.where(ly.abs() < 1e-6, 1e-6, ly)
        ox, oy = bx * c + by * s, by * c - bx * s
        a1, a2 = (ox - hx) / lx, (ox + hx) / lx
        b1, b2 = (oy - hy) / ly, (oy + hy) / ly
        c1, c2 = -drop / lz, (tall - drop) / lz
        enter = torch.maximum(torch.maximum(torch.minimum(a1, a2), torch.minimum(b1, b2)), torch.minimum(c1, c2))
        leave = torch.minimum(torch.minimum(torch.maximum(a1, a2), torch.maximum(b1, b2)), torch.maximum(c1, c2))
        hit = (enter < leave) & (enter > 0.05) & (enter < best) & (hx > 0)
        best = torch.where(hit, enter, best)
        owner = torch.where(hit, first + j, owner)
    return best, owner


_boxes_fused = fused(_nearest_box)


def _trace(d: Tensor, best: Tensor, owner: Tensor, p: Drawn, skies: Tensor, tiles: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Radiance (b, m, 3), sky (b, m) and covered by things (b, m) along rays d (b, m, 3), given the nearest boxes."""
    dx, dy, dz = d.unbind(-1)
    kind, h_cam = p["kind"], p["height"]
    room, backdrop, insert = kind == ROOM, kind == BACKDROP, kind == INSERT
    azimuth, elevation = torch.atan2(dx, dy), torch.asin(dz.clamp(-1, 1))
    leaf = sample_tile(tiles, p["leaf"], azimuth * p["leaf_u"], elevation * p["leaf_v"])
    for j in range(p["radius"].shape[1]):
        radius = p["radius"][:, j, None]
        mx, my, mz = p["crown_x"][:, j, None], p["crown_y"][:, j, None], p["crown_z"][:, j, None] - h_cam
        along = dx * mx + dy * my + dz * mz
        gap = along**2 - (mx**2 + my**2 + mz**2 - radius**2)
        t = along - torch.sqrt(gap.clamp_min(0))
        rim = 1 - gap.clamp_min(0).sqrt() / radius
        hit = (gap > 0) & (t > 0.3) & (t < best) & (leaf + 0.8 - 1.6 * rim > p["holes"][:, j, None])
        best, owner = torch.where(hit, t, best), torch.where(hit, -2.0, owner)
    # a canopy overhead, denser toward the horizon; bare branches along the zero lines of a noise
    over = p["canopy_at"] / dz.clamp_min(0.02)
    roof_leaf = sample_tile(tiles, p["pattern"], over * dx * p["canopy_scale"], over * dy * p["canopy_scale"])
    hit = p["canopy"] & (dz > 0.02) & (over < best) & (roof_leaf + 0.25 / (dz + 0.15) > 1.0 + p["canopy_gap"])
    best, owner = torch.where(hit, over, best), torch.where(hit, -2.0, owner)
    twig = sample_tile(tiles, p["pattern"], azimuth * p["branch_u"] + 0.3, elevation * p["branch_u"] * 0.7)
    thin = p["branch_width"] * (1.2 - elevation / p["branch_top"]).clamp(0, 1)
    hit = p["branches"] & (dz > 0.03) & (best > 25) & (twig.abs() < thin) & (leaf > -0.3)
    best, owner = torch.where(hit, 25.0, best), torch.where(hit, -3.0, owner)
    leafy, woody = owner == -2, owner == -3
    # walls of the room (seen from inside), ground and ceiling
    c, s = torch.cos(p["grid_turn"]), torch.sin(p["grid_turn"])
    lx, ly = dx * c + dy * s, dy * c - dx * s
    edge_x = torch.where(lx > 0, p["room_x"] - p["off_x"], -p["room_x"] - p["off_x"])
    edge_y = torch.where(ly > 0, p["room_y"] - p["off_y"], -p["room_y"] - p["off_y"])
    wall_x = edge_x / torch.where(lx.abs() < 1e-6, 1e-6, lx)
    wall_y = edge_y / torch.where(ly.abs() < 1e-6, 1e-6, ly)
    wall_t = torch.where(room, torch.minimum(wall_x, wall_y), FAR_M)
    fall = p["slope"][:, :1] * dx + p["slope"][:, 1:] * dy - dz
    floor_t = torch.where(fall > 0, h_cam / fall.clamp_min(1e-6), FAR_M)
    floor_t = torch.where((floor_t > 900) | p["no_floor"] | insert, FAR_M, floor_t)
    roof_t = torch.where(dz > 0, (p["ceiling"] - h_cam) / dz.clamp_min(1e-6), FAR_M)
    on_wall = (wall_t < best) & (wall_t <= floor_t) & (wall_t <= roof_t) & (wall_t < FAR_M / 10)
    on_floor = (floor_t < best) & (floor_t < wall_t)
    on_roof = (roof_t < best) & (roof_t < wall_t) & (roof_t < FAR_M / 10)
    t = torch.minimum(torch.minimum(best, wall_t), torch.minimum(floor_t, roof_t))
    nothing = t > FAR_M / 11
    t = t.clamp_max(1000.0)
    # surfaces
    index = owner.clamp_min(0).long()

    def pick(name: str) -> Tensor:
        return torch.gather(p[name], 1, index)

    on_box = (owner >= 0) & ~(on_wall | on_floor | on_roof)
    angle = torch.where(owner < 0, p["grid_turn"], pick("turn"))
    c, s = torch.cos(angle), torch.sin(angle)
    px, py, pz = dx * t, dy * t, dz * t + h_cam
    above = pz - pick("foot")
    rel_x = torch.where(owner >= 0, px - pick("cx") - pick("lean_x") * above, px)
    rel_y = torch.where(owner >= 0, py - pick("cy") - pick("lean_y") * above, py)
    qx, qy = rel_x * c + rel_y * s, rel_y * c - rel_x * s
    gap_x, gap_y = (qx.abs() - pick("half_x")).abs(), (qy.abs() - pick("half_y")).abs()
    gap_z = torch.minimum((above - pick("tall")).abs(), above.abs())
    top = on_box & (gap_z < torch.minimum(gap_x, gap_y))
    face_x = torch.where(on_box, gap_x < gap_y, wall_x < wall_y)
    level = top | on_floor | on_roof
    u = torch.where(level, qx, torch.where(face_x, qy, qx))
    v = torch.where(level, qy, torch.where(on_box, above, pz))
    sun_x, sun_y, sun_z = p["sun"][:, 0, None], p["sun"][:, 1, None], p["sun"][:, 2, None]
    facing = torch.where(face_x, (sun_x * c + sun_y * s) * torch.sign(qx), (sun_y * c - sun_x * s) * torch.sign(qy))
    facing = torch.where(top | on_floor, sun_z, facing)
    facing = torch.where(on_wall | on_roof, -facing * 0.5, facing)
    light = p["ambient"] + (1 - p["ambient"]) * 1.6 * facing.clamp_min(0)
    light = light * torch.where(on_box & ~top | on_wall, 1 - p["foot_dark"] * torch.exp(-v.clamp_min(0)), 1.0)
    wall_period = torch.where(on_wall, p["wall_period"], pick("period_u"))
    high_period = torch.where(on_wall, p["ceiling"].clamp_max(40) * 1.01, pick("period_v"))
    low_u, low_v = pick("low_u"), pick("low_v")
    window = _band(u, wall_period, low_u, 1 - low_u) & _band(v, high_period, low_v, 1 - 0.6 * low_v)
    window = window & torch.where(on_wall, p["wall_windows"], pick("windows") > 0) & (on_box & ~top | on_wall)
    lines = _band(v, pick("course"), 0.0, 0.12) & on_box & ~top
    lined = torch.where(lines, 1 - p["course_dark"], 1.0)
    skirting = on_wall & ((pz < p["skirt_low"]) | (pz > p["ceiling"] - p["skirt_high"])) & p["skirt"]
    joints = (_band(u, p["joint"], 0.0, p["joint_width"]) | _band(v, p["joint"], 0.0, p["joint_width"])) & p["joints"]
    jointed = torch.where(joints, 1 - p["joint_dark"], 1.0)
    lane = ((u - p["lane_at"]).abs() < p["lane_width"]) & _band(v, p["lane_period"], 0.0, 0.55) & p["lane"]
    road = ((v - p["road_at"]).abs() < p["road_width"]) & p["road"]
    lamp = _band(u, p["lamp_u"], 0.3, 0.7) & _band(v, p["lamp_v"], 0.42, 0.58) & p["lamps"] & on_roof
    texture = torch.exp(p["rough"] * sample_tile(tiles, p["pattern"], u * p["scale"], v * p["scale"]))
    lake = sample_tile(tiles, p["leaf"], px * p["water_scale"], py * p["water_scale"]) < p["water_share"]
    wet = p["water"] & on_floor & lake
    waves = sample_tile(tiles, p["pattern"], px * 0.15, py * 0.4) * p["ripple"]
    # sky and its mirror image, the plain backdrop, hills
    seen_at = torch.where(wet, (-elevation + waves).clamp_min(0), elevation)
    behind = sample_sky(skies, p["sky"], azimuth + p["sky_turn"] + torch.where(wet, waves, 0.0), seen_at)
    behind = behind * p["sky_gain"][..., None]
    ridge = p["hills"] + p["hill_height"] * sample_tile(tiles, p["pattern"], azimuth * p["hill_scale"] / (2 * pi), azimuth * 0)
    ridge = ridge + p["hill_rough"] * leaf
    hilly = nothing & (elevation < ridge.clamp_min(0)) & ~(room | backdrop | insert)
    hill_leaf = torch.exp(0.35 * leaf)
    out = []
    for k in range(3):
        shade = torch.gather(p["shade"][..., k], 1, index) * lined
        floor = torch.where(road, p["road_tone"][..., k], torch.where(lane, p["lane_tone"][..., k], p["floor"][..., k] * jointed))
        albedo = torch.where(on_wall, torch.where(skirting, p["skirt_tone"][..., k], p["wall"][..., k]), shade)
        albedo = torch.where(on_floor, floor, torch.where(on_roof, p["roof"][..., k], albedo)) * texture
        value = torch.where(window, p["glass"][..., k], albedo * light)
        value = torch.where(lamp, p["lamp_tone"][..., k], value)
        value = torch.where(leafy & ~(on_wall | on_floor | on_roof), p["green"][..., k] * torch.exp(0.5 * (leaf + roof_leaf)), value)
        value = torch.where(woody & ~(on_wall | on_floor | on_roof), p["branch_tone"][..., k], value)
        value = torch.where(wet, behind[..., k] * p["mirror"] + p["water_tone"][..., k], value)
        mist = torch.where(room | backdrop | insert, 0.0, 1 - torch.exp(-t / p["mist"]))
        value = value * (1 - mist) + p["rim"][..., k] * mist
        far = torch.where(backdrop, p["plain"][..., k] * (1 + p["plain_fade"] * dz), behind[..., k])
        hill = p["hill_tone"][..., k] * hill_leaf * (1 - p["hill_haze"]) + p["rim"][..., k] * p["sky_gain"] * p["hill_haze"]
        out.append(torch.where(nothing, torch.where(hilly, hill, far), value).clamp(0, 20))
    sky = nothing & ~hilly & ~backdrop & ~insert
    return torch.stack(out, -1), sky.float(), (~nothing).float()


_trace_fused = fused(_trace)


def render_scenes(
    d: Tensor, skies: Tensor, tiles: Tensor, g: torch.Generator, inserts: int, rays: int
) -> tuple[Tensor, Tensor, Tensor]:
    """Radiance (b, h, w, 3), sky (b, h, w) and what things cover (b, h, w) seen along world rays ``d`` (b, h, w, 3).

    Parameters
    ----------
    d : Tensor
        Unit world rays.
    skies : Tensor
        Bank of skies, (n, rows, columns, 3).
    tiles : Tensor
        Bank of noise tiles, (m, size, size).
    inserts : int
        The first so many views show only things that stand about, to be set into another picture.
    rays : int
        Rays of a view are padded to this many, so that every shape shares one compiled function.
    """
    b, h, w, _ = d.shape
    flat = d.reshape(b, h * w, 3)
    if h * w < rays:
        flat = torch.nn.functional.pad(flat, (0, 0, 0, rays - h * w), value=0.577)
    drawn = _draw(b, inserts, g, tiles, skies)
    boxes = torch.stack([drawn[name] for name in BOX_FIELDS], 1)
    best, owner = torch.full_like(flat[..., 0], FAR_M / 10), torch.full_like(flat[..., 0], -1.0)
    for first in range(0, BOXES, BOXES_AT_ONCE):
        some = boxes[..., first : first + BOXES_AT_ONCE].contiguous()
        at = torch.full((1,), float(first), device=d.device)
        best, owner = _boxes_fused(flat, best, owner, drawn["height"], some, at)
    radiance, sky, covered = _trace_fused(flat, best, owner, drawn, skies, tiles)
    shown = radiance[:, : h * w].reshape(b, h, w, 3), sky[:, : h * w].reshape(b, h, w)
    return *shown, covered[:, : h * w].reshape(b, h, w)

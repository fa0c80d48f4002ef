"""Procedural materials of the demo site (Cycles nodes); every material answers to a name used in ``grounds.py``.

Plant materials carry a value node ``infrared``: 0 by day, 1 under infrared light, where leaves are bright.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy

__all__ = ["image_material", "material", "set_mode"]

Rgb = tuple[float, float, float]


class _Nodes:
    def __init__(self, name: str) -> None:
        self.material = bpy.data.materials.new(name)
        if self.material.node_tree is None:
            self.material.use_nodes = True
        self.tree = self.material.node_tree
        self.tree.nodes.clear()
        self.output = self.add("ShaderNodeOutputMaterial")
        self.shader = self.add("ShaderNodeBsdfPrincipled")
        self.link(self.shader.outputs[0], self.output.inputs[0])
        self.uv = self.add("ShaderNodeUVMap").outputs[0]
        self.position = self.add("ShaderNodeNewGeometry").outputs["Position"]

    def add(self, kind: str, **inputs: Any) -> Any:
        node = self.tree.nodes.new(kind)
        for key, value in inputs.items():
            self.put(node.inputs[key], value)
        return node

    def put(self, socket: Any, value: Any) -> None:
        if hasattr(value, "is_output"):
            self.link(value, socket)
        elif isinstance(value, tuple) and socket.type == "RGBA":
            socket.default_value = (*value, 1.0)
        else:
            socket.default_value = value

    def link(self, a: Any, b: Any) -> None:
        self.tree.links.new(a, b)

    def mix(self, factor: Any, a: Any, b: Any, blend: str = "MIX") -> Any:
        node = self.tree.nodes.new("ShaderNodeMix")
        node.data_type = "RGBA"
        node.blend_type = blend
        self.put(node.inputs[0], factor)
        self.put(node.inputs[6], a)
        self.put(node.inputs[7], b)
        return node.outputs[2]

    def ramp(self, value: Any, *stops: tuple[float, Rgb]) -> Any:
        node = self.tree.nodes.new("ShaderNodeValToRGB")
        self.link(value, node.inputs[0])
        while len(node.color_ramp.elements) < len(stops):
            node.color_ramp.elements.new(0.5)
        for element, (at, colour) in zip(node.color_ramp.elements, stops, strict=False):
            element.position, element.color = at, (*colour, 1.0)
        return node.outputs[0]

    def noise(self, scale: float, detail: float = 4.0, where: Any = None, rough: float = 0.55) -> Any:
        node = self.add("ShaderNodeTexNoise", Vector=where or self.position, Scale=scale, Detail=detail,
                        Roughness=rough)
        return node.outputs[0]

    def stretch(self, vector: Any, scale: Rgb, turn: float = 0.0) -> Any:
        node = self.add("ShaderNodeMapping", Vector=vector, Scale=scale)
        node.inputs["Rotation"].default_value = (0.0, 0.0, turn)
        return node.outputs[0]

    def bump(self, height: Any, strength: float, distance: float) -> None:
        node = self.add("ShaderNodeBump", Height=height, Strength=strength, Distance=distance)
        self.link(node.outputs[0], self.shader.inputs["Normal"])

    def finish(self, colour: Any, rough: Any = 0.85, metal: float = 0.0) -> bpy.types.Material:
        self.put(self.shader.inputs["Base Color"], colour)
        self.put(self.shader.inputs["Roughness"], rough)
        self.shader.inputs["Metallic"].default_value = metal
        return self.material


def _weather(n: _Nodes, colour: Any, amount: float = 0.35) -> Any:
    """Stains and patches: slow and fast noise multiplied on the colour, darker towards the foot."""
    slow = n.ramp(n.noise(0.7, 6.0), (0.3, (1 - amount,) * 3), (0.7, (1.0, 1.0, 1.0)))
    fast = n.ramp(n.noise(9.0, 6.0), (0.25, (1 - 0.7 * amount,) * 3), (0.75, (1.05, 1.05, 1.03)))
    return n.mix(1.0, n.mix(1.0, colour, slow, "MULTIPLY"), fast, "MULTIPLY")


def _courses(name: str, a: Rgb, b: Rgb, joint: Rgb, width: float, row: float, gap: float, upright: bool = False,
             depth: float = 0.01, rough: float = 0.9, offset: float = 0.5) -> bpy.types.Material:
    """Bricks, stones, tiles or planks: rows of pieces with joints."""
    n = _Nodes(name)
    vector = n.stretch(n.uv, (1.0, 1.0, 1.0), 1.5707963) if upright else n.uv
    brick = n.add("ShaderNodeTexBrick", Vector=vector, Color1=a, Color2=b, Mortar=joint, Scale=1.0)
    brick.offset = offset
    brick.inputs["Mortar Size"].default_value = gap
    brick.inputs["Brick Width"].default_value = width
    brick.inputs["Row Height"].default_value = row
    brick.inputs["Mortar Smooth"].default_value = 0.2
    brick.inputs["Bias"].default_value = 0.0
    grain = n.noise(4.0, 8.0, n.stretch(vector, (2.0, 30.0, 1.0))) if upright or width > 1.5 else n.noise(25.0, 5.0)
    colour = n.mix(0.35, brick.outputs[0], n.ramp(grain, (0.3, (0.25, 0.25, 0.25)), (0.7, (1.0, 1.0, 1.0))), "MULTIPLY")
    n.bump(brick.outputs[1], -0.7, depth)
    return n.finish(_weather(n, colour), rough)


def _plain(name: str, colour: Rgb, rough: float = 0.6, metal: float = 0.0, wear: float = 0.2) -> bpy.types.Material:
    n = _Nodes(name)
    return n.finish(_weather(n, colour, wear), rough, metal)


def _loose(name: str, stops: tuple[tuple[float, Rgb], ...], cell: float, depth: float) -> bpy.types.Material:
    """Gravel, ballast, asphalt chips: random stones with gaps."""
    n = _Nodes(name)
    cells = n.add("ShaderNodeTexVoronoi", Vector=n.position, Scale=1.0 / cell)
    shade = n.add("ShaderNodeSeparateColor", Color=cells.outputs["Color"]).outputs[0]
    colour = n.mix(n.noise(0.35, 6.0), n.ramp(shade, *stops), n.mix(0.5, n.ramp(shade, *stops), (0.16, 0.15, 0.11)))
    n.bump(cells.outputs["Distance"], 0.8, depth)
    gap = n.ramp(cells.outputs["Distance"], (0.35, (1.0, 1.0, 1.0)), (0.75, (0.45, 0.43, 0.40)))
    return n.finish(n.mix(1.0, colour, gap, "MULTIPLY"), 0.95)


def _grass(name: str, summer: bool) -> bpy.types.Material:
    n = _Nodes(name)
    patch = n.noise(0.12, 6.0)
    fine = n.noise(14.0, 6.0)
    blade = n.noise(60.0, 3.0)
    lush = (0.060, 0.095, 0.022) if summer else (0.070, 0.075, 0.030)
    dry = (0.17, 0.16, 0.065) if summer else (0.135, 0.115, 0.060)
    base = n.ramp(patch, (0.35, lush), (0.7, dry))
    colour = n.mix(1.0, base, n.ramp(fine, (0.3, (0.5, 0.52, 0.45)), (0.7, (1.25, 1.2, 1.1))), "MULTIPLY")
    colour = n.mix(1.0, colour, n.ramp(blade, (0.35, (0.62, 0.62, 0.62)), (0.65, (1.2, 1.2, 1.2))), "MULTIPLY")
    far = n.add("ShaderNodeTexVoronoi", Vector=n.position, Scale=0.006)
    fields = n.ramp(n.add("ShaderNodeSeparateColor", Color=far.outputs["Color"]).outputs[0],
                    (0.0, (0.8, 0.9, 0.7)), (0.5, (1.15, 1.05, 0.75)), (1.0, (1.5, 1.3, 0.85)))
    infrared = n.add("ShaderNodeValue")
    infrared.name = "infrared"
    infrared.outputs[0].default_value = 0.0
    bright = n.mix(1.0, (0.38, 0.38, 0.38), n.ramp(fine, (0.3, (0.5, 0.5, 0.5)), (0.7, (1.2, 1.2, 1.2))), "MULTIPLY")
    bright = n.mix(1.0, bright, n.ramp(blade, (0.3, (0.6, 0.6, 0.6)), (0.7, (1.2, 1.2, 1.2))), "MULTIPLY")
    n.bump(n.mix(0.5, fine, blade), 0.8, 0.05)
    return n.finish(n.mix(infrared.outputs[0], n.mix(1.0, colour, fields, "MULTIPLY"), bright), 0.95)


def _leaf(name: str, a: Rgb, b: Rgb) -> bpy.types.Material:
    n = _Nodes(name)
    where = n.noise(1.3, 3.0)
    each = n.noise(11.0, 2.0)
    random = n.add("ShaderNodeObjectInfo").outputs["Random"]
    colour = n.mix(each, n.mix(where, a, b), n.mix(random, a, tuple(c * 1.5 for c in b)))
    infrared = n.add("ShaderNodeValue")
    infrared.name = "infrared"
    infrared.outputs[0].default_value = 0.0
    colour = n.mix(infrared.outputs[0], colour, n.ramp(each, (0.3, (0.3, 0.3, 0.3)), (0.7, (0.6, 0.6, 0.6))))
    through = n.add("ShaderNodeBsdfTranslucent", Color=colour)
    diffuse = n.add("ShaderNodeBsdfDiffuse", Color=colour)
    both = n.add("ShaderNodeMixShader")
    both.inputs[0].default_value = 0.35
    n.link(diffuse.outputs[0], both.inputs[1])
    n.link(through.outputs[0], both.inputs[2])
    n.link(both.outputs[0], n.output.inputs[0])
    return n.material


def _glass(name: str) -> bpy.types.Material:
    n = _Nodes(name)
    clear = n.add("ShaderNodeBsdfTransparent", Color=(0.86, 0.9, 0.88))
    shine = n.add("ShaderNodeBsdfGlossy", Roughness=0.03)
    fresnel = n.add("ShaderNodeFresnel", IOR=1.5)
    both = n.add("ShaderNodeMixShader", Fac=fresnel.outputs[0])
    n.link(clear.outputs[0], both.inputs[1])
    n.link(shine.outputs[0], both.inputs[2])
    n.link(both.outputs[0], n.output.inputs[0])
    return n.material


def _lamp(name: str, colour: Rgb) -> bpy.types.Material:
    n = _Nodes(name)
    light = n.add("ShaderNodeEmission", Color=colour, Strength=0.0)
    light.name = "lamp"
    n.link(light.outputs[0], n.output.inputs[0])
    return n.material


def _sheet(name: str, colour: Rgb, rust: float) -> bpy.types.Material:
    """Corrugated sheet: upright waves of 76 mm, joints between sheets, streaks of rust."""
    n = _Nodes(name)
    wave = n.add("ShaderNodeTexWave", Vector=n.uv, Scale=0.314 / 0.076)
    wave.bands_direction = "X"
    seam = n.add("ShaderNodeTexBrick", Vector=n.uv, Color1=(1.0, 1.0, 1.0), Color2=(0.86, 0.86, 0.88), Scale=1.0,
                 Mortar=(0.45, 0.45, 0.45))
    seam.offset = 0.0
    seam.inputs["Brick Width"].default_value = 0.9
    seam.inputs["Row Height"].default_value = 2.4
    seam.inputs["Mortar Size"].default_value = 0.006
    streak = n.ramp(n.noise(1.0, 6.0, n.stretch(n.uv, (6.0, 0.5, 1.0))), (0.5, (0.0, 0.0, 0.0)), (0.8, (1.0, 1.0, 1.0)))
    fade = n.add("ShaderNodeMath", Value=streak)
    fade.operation = "MULTIPLY"
    fade.inputs[1].default_value = rust
    base = n.mix(1.0, n.mix(fade.outputs[0], colour, (0.17, 0.075, 0.035)), seam.outputs[0], "MULTIPLY")
    base = n.mix(1.0, base, n.ramp(wave.outputs[1], (0.0, (0.72, 0.72, 0.72)), (1.0, (1.06, 1.06, 1.06))), "MULTIPLY")
    n.bump(wave.outputs[1], 1.0, 0.018)
    return n.finish(_weather(n, base, 0.25), 0.55)


def _water(name: str) -> bpy.types.Material:
    n = _Nodes(name)
    n.bump(n.noise(3.0, 4.0), 0.12, 0.03)
    return n.finish((0.016, 0.022, 0.014), 0.06)


def _film(name: str) -> bpy.types.Material:
    n = _Nodes(name)
    clear = n.add("ShaderNodeBsdfTransparent")
    milk = n.add("ShaderNodeBsdfDiffuse", Color=(0.75, 0.82, 0.95))
    both = n.add("ShaderNodeMixShader")
    both.inputs[0].default_value = 0.55
    n.link(clear.outputs[0], both.inputs[1])
    n.link(milk.outputs[0], both.inputs[2])
    n.link(both.outputs[0], n.output.inputs[0])
    return n.material


def _build(name: str) -> bpy.types.Material:
    stone = ((0.0, (0.10, 0.095, 0.088)), (0.5, (0.20, 0.19, 0.17)), (1.0, (0.34, 0.32, 0.29)))
    makers = {
        "brick": lambda: _courses(name, (0.23, 0.075, 0.045), (0.33, 0.13, 0.075), (0.36, 0.34, 0.30), 0.225, 0.075, 0.010),
        "brick yellow": lambda: _courses(name, (0.36, 0.27, 0.15), (0.27, 0.19, 0.11), (0.30, 0.29, 0.27), 0.225, 0.075, 0.010),
        "stone": lambda: _courses(name, (0.28, 0.26, 0.22), (0.18, 0.165, 0.14), (0.36, 0.35, 0.32), 0.48, 0.24, 0.016, depth=0.02),
        "setts": lambda: _courses(name, (0.17, 0.165, 0.16), (0.24, 0.235, 0.22), (0.09, 0.085, 0.08), 0.20, 0.12, 0.012),
        "flags": lambda: _courses(name, (0.30, 0.29, 0.27), (0.24, 0.235, 0.22), (0.12, 0.12, 0.11), 0.9, 0.6, 0.012),
        "tiles": lambda: _courses(name, (0.22, 0.085, 0.055), (0.15, 0.07, 0.05), (0.06, 0.04, 0.035), 0.17, 0.11, 0.006),
        "slate": lambda: _courses(name, (0.085, 0.09, 0.10), (0.055, 0.06, 0.068), (0.025, 0.025, 0.028), 0.30, 0.20, 0.006),
        "planks": lambda: _courses(name, (0.20, 0.13, 0.075), (0.14, 0.095, 0.055), (0.035, 0.025, 0.018), 2.6, 0.14, 0.006),
        "planks upright": lambda: _courses(name, (0.17, 0.125, 0.085), (0.12, 0.085, 0.055), (0.03, 0.022, 0.016), 3.4, 0.15, 0.006, True),
        "boards green": lambda: _courses(name, (0.055, 0.12, 0.075), (0.045, 0.10, 0.062), (0.015, 0.03, 0.02), 3.4, 0.12, 0.006, True, rough=0.5),
        "boards cream": lambda: _courses(name, (0.56, 0.50, 0.36), (0.50, 0.45, 0.33), (0.20, 0.18, 0.13), 3.0, 0.15, 0.006, rough=0.5),
        "boards red": lambda: _courses(name, (0.26, 0.035, 0.025), (0.21, 0.03, 0.02), (0.07, 0.012, 0.01), 3.4, 0.13, 0.005, True, rough=0.4),
        "floor": lambda: _courses(name, (0.25, 0.16, 0.09), (0.19, 0.12, 0.07), (0.04, 0.03, 0.02), 1.8, 0.12, 0.004, rough=0.45),
        "floor tiles": lambda: _courses(name, (0.30, 0.24, 0.20), (0.22, 0.17, 0.15), (0.12, 0.11, 0.10), 0.3, 0.3, 0.008, rough=0.4, offset=0.0),
        "block": lambda: _courses(name, (0.34, 0.335, 0.325), (0.30, 0.295, 0.285), (0.22, 0.22, 0.21), 0.44, 0.215, 0.010),
        "sleeper": lambda: _plain(name, (0.075, 0.058, 0.045), 0.95, 0.0, 0.6),
        "post": lambda: _courses(name, (0.23, 0.17, 0.11), (0.19, 0.14, 0.09), (0.12, 0.09, 0.06), 4.0, 0.05, 0.002, True),
        "bark": lambda: _plain(name, (0.085, 0.065, 0.048), 0.95, 0.0, 0.6),
        "plaster": lambda: _plain(name, (0.62, 0.60, 0.54), 0.9, 0.0, 0.10),
        "ceiling": lambda: _plain(name, (0.74, 0.74, 0.72), 0.95, 0.0, 0.06),
        "concrete": lambda: _plain(name, (0.36, 0.355, 0.34), 0.9, 0.0, 0.4),
        "white": lambda: _plain(name, (0.72, 0.72, 0.70), 0.4, 0.0, 0.12),
        "cream": lambda: _plain(name, (0.62, 0.54, 0.36), 0.5, 0.0, 0.15),
        "green": lambda: _plain(name, (0.03, 0.10, 0.055), 0.4, 0.0, 0.2),
        "red": lambda: _plain(name, (0.36, 0.03, 0.02), 0.4, 0.0, 0.2),
        "blue": lambda: _plain(name, (0.03, 0.08, 0.24), 0.35, 0.0, 0.1),
        "silver": lambda: _plain(name, (0.45, 0.46, 0.47), 0.3, 0.6, 0.1),
        "yellow": lambda: _plain(name, (0.62, 0.42, 0.03), 0.5, 0.0, 0.2),
        "black": lambda: _plain(name, (0.018, 0.018, 0.02), 0.4, 0.0, 0.1),
        "rubber": lambda: _plain(name, (0.022, 0.022, 0.022), 0.9, 0.0, 0.1),
        "housing": lambda: _plain(name, (0.70, 0.70, 0.68), 0.35, 0.0, 0.05),
        "box grey": lambda: _plain(name, (0.45, 0.46, 0.46), 0.5, 0.0, 0.08),
        "lens": lambda: _plain(name, (0.006, 0.006, 0.010), 0.03, 0.0, 0.0),
        "bubble": lambda: _plain(name, (0.02, 0.02, 0.025), 0.05, 0.0, 0.0),
        "bare paper": lambda: _plain(name, (0.80, 0.80, 0.78), 0.6, 0.0, 0.0),
        "steel": lambda: _plain(name, (0.22, 0.23, 0.24), 0.45, 0.7, 0.3),
        "rail": lambda: _plain(name, (0.34, 0.30, 0.27), 0.3, 0.8, 0.2),
        "rust": lambda: _plain(name, (0.17, 0.075, 0.04), 0.85, 0.2, 0.5),
        "galvanised": lambda: _plain(name, (0.50, 0.51, 0.52), 0.45, 0.5, 0.25),
        "coal": lambda: _loose(name, ((0.0, (0.006, 0.006, 0.007)), (0.5, (0.016, 0.016, 0.018)), (1.0, (0.04, 0.04, 0.045))), 0.13, 0.10),
        "ballast": lambda: _loose(name, stone, 0.055, 0.05),
        "gravel": lambda: _loose(name, tuple((a, (c[0] * 1.25, c[1] * 1.15, c[2] * 0.95)) for a, c in stone), 0.028, 0.015),
        "asphalt": lambda: _loose(name, ((0.0, (0.045, 0.045, 0.047)), (0.5, (0.075, 0.075, 0.077)), (1.0, (0.14, 0.135, 0.13))), 0.016, 0.004),
        "soil": lambda: _loose(name, ((0.0, (0.045, 0.030, 0.020)), (0.5, (0.075, 0.052, 0.036)), (1.0, (0.12, 0.085, 0.06))), 0.06, 0.06),
        "compost": lambda: _loose(name, ((0.0, (0.03, 0.02, 0.012)), (0.5, (0.07, 0.05, 0.025)), (1.0, (0.14, 0.12, 0.05))), 0.07, 0.08),
        "sheet": lambda: _sheet(name, (0.30, 0.34, 0.33), 0.5),
        "sheet green": lambda: _sheet(name, (0.075, 0.13, 0.10), 0.25),
        "sheet rust": lambda: _sheet(name, (0.33, 0.30, 0.27), 0.95),
        "grass": lambda: _grass(name, True),
        "grass winter": lambda: _grass(name, False),
        "leaf": lambda: _leaf(name, (0.045, 0.085, 0.016), (0.085, 0.125, 0.030)),
        "leaf dark": lambda: _leaf(name, (0.020, 0.045, 0.016), (0.040, 0.070, 0.024)),
        "needle": lambda: _leaf(name, (0.016, 0.034, 0.018), (0.030, 0.052, 0.026)),
        "bean": lambda: _leaf(name, (0.055, 0.12, 0.022), (0.10, 0.17, 0.04)),
        "cabbage": lambda: _leaf(name, (0.10, 0.16, 0.09), (0.16, 0.24, 0.15)),
        "blade": lambda: _leaf(name, (0.13, 0.18, 0.05), (0.24, 0.23, 0.10)),
        "blade winter": lambda: _leaf(name, (0.12, 0.12, 0.05), (0.22, 0.19, 0.10)),
        "reed": lambda: _leaf(name, (0.16, 0.15, 0.06), (0.26, 0.22, 0.11)),
        "flower": lambda: _leaf(name, (0.45, 0.06, 0.08), (0.60, 0.35, 0.05)),
        "glass": lambda: _glass(name),
        "film": lambda: _film(name),
        "water": lambda: _water(name),
        "room lamp": lambda: _lamp(name, (1.0, 0.93, 0.82)),
        "case lamp": lambda: _lamp(name, (1.0, 0.95, 0.85)),
        "rooflight": lambda: _lamp(name, (0.86, 0.93, 1.0)),
        "street lamp": lambda: _lamp(name, (1.0, 0.72, 0.40)),
    }
    return makers[name]()


def material(name: str) -> bpy.types.Material:
    """The material of that name, made on first use."""
    found = bpy.data.materials.get(name)
    return found if found is not None else _build(name)


def image_material(name: str, picture: Path) -> bpy.types.Material:
    """A matt print of a picture, mapped once over texture coordinates 0 to 1."""
    n = _Nodes(name)
    node = n.add("ShaderNodeTexImage", Vector=n.uv)
    node.image = bpy.data.images.load(str(picture))
    node.extension = "EXTEND"
    return n.finish(node.outputs[0], 0.45)


def set_mode(night: bool) -> None:
    """Day or night: infrared response of plants, and which lamps burn."""
    strength = {"room lamp": 0.0 if night else 9.0, "case lamp": 6.0 if night else 9.0,
                "rooflight": 0.0 if night else 14.0, "street lamp": 25.0 if night else 0.0}
    for m in bpy.data.materials:
        if m.node_tree is None:
            continue
        for node in m.node_tree.nodes:
            if node.name == "infrared":
                node.outputs[0].default_value = 1.0 if night else 0.0
            elif node.name == "lamp":
                node.inputs["Strength"].default_value = strength[m.name]

"""Render the demo's views with Cycles: linear light, depth and a sky mask for each job.

    python render.py OUT_FOLDER [--scale 0.25] [--samples 32] [--only PATTERN …] [--gpu] [--share 0/3]

Needs the ``bpy`` package (Blender as a Python module, 5.0). One process builds the site once and renders many views.
"""

from __future__ import annotations

import argparse
import math
import re
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bpy  # noqa: E402
import grounds  # noqa: E402
import mounts  # noqa: E402
import numpy as np  # noqa: E402
import visits  # noqa: E402
from materials import set_mode  # noqa: E402
from mathutils import Matrix  # noqa: E402

__all__ = ["axes", "main"]


def axes(bearing_deg: float, pitch_deg: float, roll_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Right, up and forward of a camera; roll is positive when it is turned clockwise seen from behind."""
    b, p, r = (math.radians(a) for a in (bearing_deg, pitch_deg, roll_deg))
    forward = np.array([math.sin(b) * math.cos(p), math.cos(b) * math.cos(p), math.sin(p)])
    right = np.array([math.cos(b), -math.sin(b), 0.0])
    up = np.cross(right, forward)
    return right * math.cos(r) - up * math.sin(r), up * math.cos(r) + right * math.sin(r), forward


def _engine(samples: int, gpu: bool) -> None:
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    cycles = scene.cycles
    cycles.samples = samples
    cycles.use_adaptive_sampling = True
    cycles.adaptive_threshold = 0.03
    cycles.adaptive_min_samples = 8
    cycles.use_denoising = True
    cycles.denoiser = "OPENIMAGEDENOISE"
    cycles.denoising_use_gpu = gpu
    cycles.denoising_prefilter = "FAST"
    cycles.denoising_quality = "BALANCED"
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 4, 2, 1
    cycles.transparent_max_bounces, cycles.transmission_bounces = 12, 2
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 6.0
    scene.render.use_persistent_data = True
    scene.view_settings.view_transform = "Raw"
    if gpu:
        preferences = bpy.context.preferences.addons["cycles"].preferences
        for kind in ("OPTIX", "CUDA"):
            try:
                preferences.compute_device_type = kind
                preferences.get_devices()
            except TypeError:
                continue
            chosen = [d for d in preferences.devices if d.type == kind]
            if chosen:
                for d in preferences.devices:
                    d.use = d.type == kind
                cycles.device = "GPU"
                print("device", kind, [d.name for d in chosen], flush=True)
                break
    layer = bpy.context.view_layer
    layer.use_pass_z = True
    settings = scene.render.image_settings
    settings.media_type = "MULTI_LAYER_IMAGE"
    settings.file_format = "OPEN_EXR_MULTILAYER"
    settings.color_depth = "32"
    settings.exr_codec = "ZIP"


class _Sky:
    """World light: physical sky with drifting clouds by day, nearly nothing by night."""

    def __init__(self) -> None:
        world = bpy.data.worlds.new("sky")
        bpy.context.scene.world = world
        world.cycles.sampling_method = "MANUAL"
        world.cycles.sample_map_resolution = 256
        if world.node_tree is None:
            world.use_nodes = True
        tree = world.node_tree
        tree.nodes.clear()
        out = tree.nodes.new("ShaderNodeOutputWorld")
        self.background = tree.nodes.new("ShaderNodeBackground")
        self.sky = tree.nodes.new("ShaderNodeTexSky")
        self.sky.sky_type = "MULTIPLE_SCATTERING"
        self.sky.altitude = 20.0
        where = tree.nodes.new("ShaderNodeTexCoord")
        split = tree.nodes.new("ShaderNodeSeparateXYZ")
        tree.links.new(where.outputs["Generated"], split.inputs[0])
        rise = self._math(tree, "MAXIMUM", split.outputs[2], 0.02)
        self.spread = self._math(tree, "ADD", rise, 0.12)
        flat = tree.nodes.new("ShaderNodeCombineXYZ")
        for k in (0, 1):
            tree.links.new(self._math(tree, "DIVIDE", split.outputs[k], self.spread), flat.inputs[k])
        noise = tree.nodes.new("ShaderNodeTexNoise")
        noise.inputs["Scale"].default_value = 0.9
        noise.inputs["Detail"].default_value = 9.0
        noise.inputs["Roughness"].default_value = 0.58
        tree.links.new(flat.outputs[0], noise.inputs["Vector"])
        self.ramp = tree.nodes.new("ShaderNodeMapRange")
        tree.links.new(noise.outputs[0], self.ramp.inputs[0])
        self.cloud = tree.nodes.new("ShaderNodeMix")
        self.cloud.data_type = "RGBA"
        tree.links.new(self.ramp.outputs[0], self.cloud.inputs[0])
        tree.links.new(self.sky.outputs[0], self.cloud.inputs[6])
        tree.links.new(self.cloud.outputs[2], self.background.inputs[0])
        tree.links.new(self.background.outputs[0], out.inputs[0])
        self.tree = tree
        lamp = bpy.data.lights.new("sun", "SUN")
        lamp.angle = math.radians(0.7)
        self.sun = bpy.data.objects.new("sun", lamp)
        bpy.context.scene.collection.objects.link(self.sun)
        infrared = bpy.data.lights.new("infrared", "SPOT")
        infrared.shadow_soft_size = 0.0
        self.infrared = bpy.data.objects.new("infrared", infrared)
        bpy.context.scene.collection.objects.link(self.infrared)

    @staticmethod
    def _math(tree: Any, kind: str, a: Any, b: Any) -> Any:
        node = tree.nodes.new("ShaderNodeMath")
        node.operation = kind
        for socket, value in zip(node.inputs, (a, b), strict=False):
            if isinstance(value, float):
                socket.default_value = value
            else:
                tree.links.new(value, socket)
        return node.outputs[0]

    def set(self, job: dict[str, Any], position: np.ndarray, right: np.ndarray, up: np.ndarray, forward: np.ndarray) -> None:
        light = job["light"]
        day = light["kind"] == "day"
        set_mode(not day)
        self.infrared.hide_render = day or not light.get("infrared", True)
        self.sun.hide_render = not day
        if day:
            elevation, azimuth = light["sun_elevation_deg"], light["sun_azimuth_deg"]
            self.sky.sun_disc = False
            self.sky.sun_elevation = math.radians(max(elevation, 1.0))
            self.sky.sun_rotation = math.radians(azimuth)
            cover = light.get("cloud", 0.45)
            self.ramp.inputs[1].default_value = 0.72 - 0.5 * cover
            self.ramp.inputs[2].default_value = 0.98 - 0.5 * cover
            glow = 0.25 + 0.75 * math.sin(math.radians(max(elevation, 3)))
            self.cloud.inputs[7].default_value = (15 * glow, 15.3 * glow, 15.8 * glow, 1.0)
            self.background.inputs[1].default_value = 0.1
            low = math.exp(-0.13 / max(math.sin(math.radians(elevation)), 0.05))
            self.sun.data.energy = 6.0 * low * light.get("direct", 1.0)
            self.sun.data.color = (1.0, 0.90 + 0.05 * low, 0.68 + 0.25 * low)
            e, a = math.radians(elevation), math.radians(azimuth)
            towards = np.array([math.sin(a) * math.cos(e), math.cos(a) * math.cos(e), math.sin(e)])
            r = np.cross((0.0, 0.0, 1.0), towards)
            r /= np.linalg.norm(r)
            m = Matrix.Identity(4)
            for k, column in enumerate((r, np.cross(towards, r), towards)):
                for j in range(3):
                    m[j][k] = column[j]
            self.sun.matrix_world = m
        else:
            self.background.inputs[1].default_value = 0.0
            spot = self.infrared.data
            wide = job["hfov_deg"] if job["projection"] == "rectilinear" else 176.0
            spot.spot_size = math.radians(min(wide * 1.25, 178.0))
            spot.spot_blend = 0.7
            spot.energy = light.get("watts", 900.0)
            m = Matrix.Identity(4)
            origin = position + 0.05 * up + 0.01 * forward
            for k, column in enumerate((right, up, -forward)):
                for j in range(3):
                    m[j][k] = column[j]
            for j in range(3):
                m[j][3] = origin[j]
            self.infrared.matrix_world = m


def _aim(camera: Any, job: dict[str, Any], right: np.ndarray, up: np.ndarray, forward: np.ndarray, scale: float) -> None:
    scene = bpy.context.scene
    m = Matrix.Identity(4)
    for k, column in enumerate((right, up, -forward)):
        for j in range(3):
            m[j][k] = column[j]
    for j in range(3):
        m[j][3] = job["position"][j]
    camera.matrix_world = m
    data = camera.data
    data.clip_start, data.clip_end = 0.01, 20000.0
    width, height = round(job["width"] * scale), round(job["height"] * scale)
    render = scene.render
    render.resolution_percentage = 100
    render.use_border = render.use_crop_to_border = False
    if job["projection"] == "rectilinear":
        data.type = "PERSP"
        data.sensor_fit = "HORIZONTAL"
        data.angle = math.radians(job["hfov_deg"])
        render.resolution_x, render.resolution_y = width, height
    else:
        data.type = "PANO"
        data.panorama_type = "FISHEYE_EQUIDISTANT"
        circle = job.get("circle_deg", job["hfov_deg"])
        side = round(width * circle / job["hfov_deg"] / 2) * 2
        data.fisheye_fov = math.radians(circle)
        render.resolution_x = render.resolution_y = side
        if (width, height) != (side, side):
            render.use_border = render.use_crop_to_border = True
            render.border_min_x, render.border_max_x = (side - width) / 2 / side, (side + width) / 2 / side
            render.border_min_y, render.border_max_y = (side - height) / 2 / side, (side + height) / 2 / side


def main() -> None:
    """Render the jobs of a list that are not there yet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--samples", type=int, default=32)
    parser.add_argument("--only", nargs="+", default=[""], help="patterns of names, in the order of rendering")
    parser.add_argument("--gpu", action="store_true")
    parser.add_argument("--threads", type=int, default=0)
    parser.add_argument("--share", default="0/1", help="which of how many processes this is, such as 1/3")
    args = parser.parse_args()
    everything = [j for visit in visits.VISITS for j in visits.jobs(visit)]
    jobs = list({j["name"]: j for pattern in args.only for j in everything if re.search(pattern, j["name"])}.values())
    share, shares = (int(x) for x in args.share.split("/"))
    jobs = jobs[share::shares]
    args.out.mkdir(parents=True, exist_ok=True)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    start = time.time()
    world = grounds.build()
    mounts.build(world)
    print(f"site built in {time.time() - start:.0f} s", flush=True)
    _engine(args.samples, args.gpu)
    if args.threads:
        bpy.context.scene.render.threads_mode = "FIXED"
        bpy.context.scene.render.threads = args.threads
    sky = _Sky()
    camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    bpy.context.scene.collection.objects.link(camera)
    bpy.context.scene.camera = camera
    for job in jobs:
        target = args.out / f"{job['name']}.exr"
        if target.exists():
            continue
        start, busy = time.time(), time.process_time()
        position = np.array(job["position"])
        if "axes" in job:
            right, up, forward = (np.array(a) for a in job["axes"])
        else:
            right, up, forward = axes(job["bearing_deg"], job["pitch_deg"], job["roll_deg"])
        world.show(set(job["groups"]))
        sky.set(job, position, right, up, forward)
        _aim(camera, job, right, up, forward, args.scale)
        one_lamp = job["light"]["kind"] == "night" and job["light"]["infrared"]
        bpy.context.scene.cycles.max_bounces = 0 if one_lamp else 2 if job["kind"] == "phone" else 4
        bpy.context.scene.cycles.use_denoising = not one_lamp
        bpy.context.scene.render.filepath = str(target.with_suffix(".part.exr"))
        bpy.ops.render.render(write_still=True)
        target.with_suffix(".part.exr").rename(target)
        print(f"{job['name']} {time.time() - start:.1f} s, processor {time.process_time() - busy:.1f} s", flush=True)


if __name__ == "__main__":
    main()

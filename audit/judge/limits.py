"""The policy: what is asked of an installed camera."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from audit.errors import AuditError
from audit.lens import Lens
from audit.plan.model import Camera

__all__ = ["Limits", "load_limits", "planned_lens"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class LensLimits(_Table):
    """How far an angle of view from a plan can be trusted."""

    hfov_sd_fraction: float = Field(ge=0, le=0.5)


class AimLimits(_Table):
    """Tolerances of the optical axis, degrees."""

    pitch_tolerance_deg: float = Field(gt=0, le=90)


class PanLimits(_Table):
    """Where a camera is panned to: tolerance of the bearing, degrees, and how good the drawing is, metres."""

    tolerance_deg: float = Field(gt=0, le=180)
    least_tolerance_deg: float = Field(gt=0, le=90)
    drawing_sd_m: float = Field(ge=0, le=100)


class LevelLimits(_Table):
    """Tolerance of roll, degrees."""

    roll_tolerance_deg: float = Field(gt=0, le=90)


class SkyLimits(_Table):
    """Open sky beyond the plan's, share of the image."""

    excess_fraction: float = Field(gt=0, le=1)


class TargetLimits(_Table):
    """When a target counts as lost."""

    density_fraction: float = Field(gt=0, le=1)


class CleanlinessLimits(_Table):
    """When glass counts as soiled.

    ``..._missed`` and ``..._passed`` are shares of dirty and of clean glasses that read at most ``single_image_clear``, by what
    they are seen from: one picture, several of one scene, of several scenes, of one place while the camera was turned.
    """

    single_image_look: float = Field(gt=0, lt=1)
    single_image_clear: float = Field(gt=0, lt=1)
    single_image_missed: float = Field(gt=0, le=1)
    single_image_passed: float = Field(gt=0, le=1)
    one_scene_missed: float = Field(default=0.55, gt=0, le=1)
    one_scene_passed: float = Field(default=0.73, gt=0, le=1)
    scenes_missed: float = Field(default=0.05, gt=0, le=1)
    scenes_passed: float = Field(default=0.05, gt=0, le=1)
    turned_missed: float = Field(default=0.15, gt=0, le=1)
    turned_passed: float = Field(default=0.80, gt=0, le=1)
    expected_dirty: float = Field(gt=0, lt=1)
    reference_look: float = Field(gt=0, lt=1)
    other_light_clear: float = Field(gt=0, lt=1)
    contrast_ratio: float = Field(gt=0, le=1)
    soiled_fraction: float = Field(gt=0, le=1)


class ObstructionLimits(_Table):
    """When something stands in the view."""

    blocked_fraction: float = Field(gt=0, le=1)
    single_image_fraction: float = Field(default=0.1, gt=0, le=1)


class FocusLimits(_Table):
    """When a picture counts as soft."""

    single_image_look: float = Field(gt=0, lt=1)
    least_sharpness: float = Field(gt=0, lt=1)
    sharpness_ratio: float = Field(gt=0, le=1)


class MovementLimits(_Table):
    """When a camera counts as moved since its reference."""

    turn_deg: float = Field(gt=0, le=90)
    zoom_fraction: float = Field(gt=0, lt=1)
    same_view_probability: float = Field(gt=0, lt=1)


class ClockLimits(_Table):
    """How far a device's clock may be off, seconds: as it tells by itself, and as its picture shows."""

    offset_s: float = Field(default=2.0, gt=0)
    picture_s: float = Field(default=5.0, gt=0)


class Limits(_Table):
    """All limits; defaults and their sources stand in ``limits.toml``."""

    defect_at_least: float = Field(gt=0.5, lt=1)
    as_planned_at_most: float = Field(gt=0, lt=0.5)
    defect_if_vague: float = Field(gt=0.5, lt=1)
    lens: LensLimits
    aim: AimLimits
    pan: PanLimits
    level: LevelLimits
    sky: SkyLimits
    target: TargetLimits
    cleanliness: CleanlinessLimits
    obstruction: ObstructionLimits
    focus: FocusLimits
    movement: MovementLimits
    clock: ClockLimits = ClockLimits()


def load_limits(path: Path | None = None) -> Limits:
    """Limits from a TOML file laid over the defaults; the defaults alone without one.

    Raises
    ------
    AuditError
        Naming the file and the entry that can't be used.
    """
    defaults = tomllib.loads(resources.files("audit.judge").joinpath("limits.toml").read_text(encoding="utf-8"))
    if path is None:
        return Limits.model_validate(defaults)
    try:
        own = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise AuditError(f"{path.name}: can't be read as limits ({error}); start from a copy of limits.toml.") from None
    for key, value in own.items():
        if isinstance(value, dict) and isinstance(defaults.get(key), dict):
            defaults[key] = {**defaults[key], **value}
        else:
            defaults[key] = value
    try:
        return Limits.model_validate(defaults)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise AuditError(f"{path.name}: entry '{where}': {first['msg'].lower()}.") from None


def planned_lens(camera: Camera, limits: Limits) -> Lens:
    """The plan's lens with the uncertainty that data sheets have."""
    return replace(camera.lens, hfov_sd_deg=limits.lens.hfov_sd_fraction * camera.lens.hfov_deg)

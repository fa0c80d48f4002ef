"""What was measured in an image, each value with its uncertainty or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.board import Board

__all__ = ["Clarity", "DirtCause", "ImageMeasurement", "Orientation", "SeenFrom", "Sky", "ViewChange"]

DirtCause = Literal["clear", "haze", "spots", "cobweb", "infrared reflection", "defocus", "blocked", "unknown"]
SeenFrom = Literal["one picture", "one scene", "several scenes", "turned camera"]


@dataclass(frozen=True, slots=True)
class Orientation:
    """Roll and pitch of the camera, from the image alone.

    Attributes
    ----------
    roll_deg, pitch_deg, roll_sd_deg, pitch_sd_deg : float or None
        Conventions of :mod:`audit.frames`; None where not measured. Near the plumb line roll alone is None: there it is
        one turn with the bearing.
    note : str or None
        Why not measured, or what limits the answer.
    lens : Lens
        The lens used, with its ``source``; where ``estimated``, the estimated angle of view with its sd.
    cues : tuple of str
        What carried the answer, e.g. ``87 upright lines``, ``open horizon``, ``learned view``.
    segments_px : ndarray, shape (N, 4)
        Line segments used as evidence, x1 y1 x2 y2 in the image's pixels, for the overlay.
    level_lines : tuple of float or None
        Level edges by azimuth from the optical axis (:func:`audit.measure.level_lines.level_lines`); None where none
        tell a direction.
    k1, k1_sd : float or None
        Radial term of a lens whose plan gives none, as its straight edges and what such lenses have tell it; None where
        it was given, or in records without it.
    """

    roll_deg: float | None
    roll_sd_deg: float | None
    pitch_deg: float | None
    pitch_sd_deg: float | None
    note: str | None
    lens: Lens
    cues: tuple[str, ...] = ()
    segments_px: NDArray[np.float32] | None = None
    level_lines: tuple[float, ...] | None = None
    k1: float | None = None
    k1_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Sky:
    """Open sky in the image.

    Attributes
    ----------
    fraction, sd : float or None
        Share of the image (of the image circle for a fisheye) that is open sky, 0..1.
    note : str or None
        Why not measured.
    mask : ndarray of bool, shape (H, W), or None
        Size of the oriented image that was measured.
    edge_row_px : ndarray, shape (W,), or None
        Lowest sky row of each column, NaN where a column has none; for the overlay.
    """

    fraction: float | None
    sd: float | None
    note: str | None
    mask: NDArray[np.bool_] | None = None
    edge_row_px: NDArray[np.float32] | None = None


@dataclass(frozen=True, slots=True)
class Clarity:
    """Whether the glass is clean and the picture sharp, from one image (or a series of one camera).

    Attributes
    ----------
    dirt_probability : float or None
        That something on the glass or the focus spoils the picture.
    cause : str or None
        Likeliest cause; ``clear`` where none.
    sharpness : float or None
        0 (nothing sharp) to 1 (as sharp as pixels allow), comparable between images of one size.
    patches : tuple of polygons
        Outlines of soiled areas, each a tuple of (x, y) in 0..1 of width and height.
    night : bool
        Grey picture under infrared or night gain.
    blocked_fraction : float or None
        Largest patch that one picture alone takes for a thing right before the lens, share of the picture: a hint.
        None where it was not looked for.
    blocked_at : (x, y) or None
        Its middle, in 0..1 of width and height.
    seen_from : str
        What dirt was seen from: one picture, several of one scene, of several scenes, or of one place while the camera was turned.
    """

    dirt_probability: float | None
    cause: DirtCause | None
    note: str | None
    sharpness: float | None
    night: bool = False
    patches: tuple[tuple[tuple[float, float], ...], ...] = ()
    blocked_fraction: float | None = None
    blocked_at: tuple[float, float] | None = None
    seen_from: SeenFrom = "one picture"


@dataclass(frozen=True, slots=True)
class ImageMeasurement:
    """Everything measured in one image.

    Attributes
    ----------
    overlay_fraction : float or None
        Share of the picture that is burnt in (edges, text, logos, drawn boxes), 0..1; None in records without it.
    upside_down_probability : float or None
        That the picture stands on its head; None where the learned view didn't say.
    boards : tuple of Board
        Printed boards, in pixels of the picture in its full size.
    """

    width_px: int
    height_px: int
    orientation: Orientation
    sky: Sky
    clarity: Clarity
    elapsed_ms: float
    overlay_fraction: float | None = None
    upside_down_probability: float | None = None
    boards: tuple[Board, ...] = ()


@dataclass(frozen=True, slots=True)
class ViewChange:
    """Today's image against the reference of the same camera.

    ``pan_change_deg`` + is to the right, ``pitch_change_deg`` + is up, ``roll_change_deg`` + is clockwise seen from
    behind: pose today minus pose of the reference.

    Attributes
    ----------
    same_view_probability : float or None
        That both show the same place from the same mount.
    contrast_ratio : float or None
        Local contrast that the clearest quarter of the picture keeps of the reference's, 0..1: what a film over all of the
        glass takes shows here; its sd holds what another light does to contrast.
    sharpness_ratio : float or None
        Width of the reference's sharpest edges over today's; below 1 today is softer, whatever the light.
    soiled_fraction, blocked_fraction : float or None
        Share of the picture behind dirt or out of focus, and hidden altogether: 0 where the picture is more likely clean
        than not, the sd then holding the chance that it isn't.
    zoom_ratio : float or None
        Today's focal length over the reference's.
    patches : tuple of polygons
        Outlines of soiled or blocked areas in today's image, (x, y) in 0..1.
    """

    same_view_probability: float | None
    pan_change_deg: float | None = None
    pan_change_sd_deg: float | None = None
    pitch_change_deg: float | None = None
    pitch_change_sd_deg: float | None = None
    roll_change_deg: float | None = None
    roll_change_sd_deg: float | None = None
    contrast_ratio: float | None = None
    contrast_ratio_sd: float | None = None
    sharpness_ratio: float | None = None
    soiled_fraction: float | None = None
    blocked_fraction: float | None = None
    dirt_probability: float | None = None
    dirt_cause: DirtCause | None = None
    note: str | None = None
    patches: tuple[tuple[tuple[float, float], ...], ...] = ()
    soiled_fraction_sd: float | None = None
    blocked_fraction_sd: float | None = None
    zoom_ratio: float | None = None
    zoom_ratio_sd: float | None = None

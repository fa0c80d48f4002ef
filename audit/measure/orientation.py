"""Roll and pitch of a camera from one image, or from several snapshots of one view.

The best up direction is answered only where its scatter, which counts its competitors and the lens, is small.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audit.frames import roll_pitch_from_up
from audit.lens import Lens
from audit.measure.angle_of_view import AngleOfView, estimate_angle
from audit.measure.bending import Bending, may_bend, weigh_bending
from audit.measure.constants import constants
from audit.measure.learned_view import NetworkView
from audit.measure.level_lines import level_lines
from audit.measure.measurement import Orientation
from audit.measure.nadir import downward, may_look_down
from audit.measure.overlay import Overlay
from audit.measure.scatter import own_sd_deg
from audit.measure.segments import find_segments, grey, of_the_scene
from audit.measure.standing import on_its_side, upside_down
from audit.measure.up_direction import Evidence, Seen, climb, cues_through, solve

__all__ = ["measure_orientation", "weighed"]

_LEVEL_DEG, _EXACT, _LEAST_ASKEW = 0.5, 0.01, 0.25
_MOST_BURNT, _WIDEST_DEG = 0.3, 135.0
_BURNT = "A third of the picture and more is burnt in or missing; take the camera's own picture anew."
_NO_SUCH_LENS = "No lens that keeps straight lines straight sees so wide; give the plan's projection as equidistant"

_TOO_LITTLE = "Too little in the picture tells which way is up, or it fits more than one answer."
_OVER = "The picture is turned upside down: turn it in the camera's settings, or turn the camera."
_SIDE = "The picture is turned on its side: turn it in the camera's settings, or turn the camera."
_TURNED = "The picture seems turned, or looks straight up or down; check its rotation."


def measure_orientation(
    pixels: NDArray[np.uint8], lens: Lens | None, network: NetworkView | None = None, overlay: Overlay | None = None,
    untold: Callable[[], NetworkView] | None = None,
) -> Orientation:  # fmt: skip
    """Roll and pitch of the camera, or why they can't be measured.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        RGB image; grey and 16-bit images are taken too.
    lens : Lens or None
        Lens of this picture (any size of the same aspect); None estimates the angle of view jointly.
    network : NetworkView or None
        The learned view of the same picture.
    overlay : Overlay or None
        What was burnt into the picture; its edges are no evidence.
    untold : callable or None
        Looks at the picture once more, without telling the network the lens; asked where the lens is long and the first look
        leaves the tilt unsure.

    Returns
    -------
    Orientation
        Signs as in :mod:`audit.frames`; both None with a note where not measured.

    Notes
    -----
    The picture is taken to stand upright within 30 degrees: straight edges look the same upside down, and the
    learned view knows upright pictures only.
    """
    height, width = np.shape(pixels)[:2]
    if lens is not None and (lens.width_px, lens.height_px) != (width, height):
        lens = lens.resized(width, height)
    # a thumbnail holds no lines
    if min(height, width) < 32:
        return _silent(lens or _assumed(width, height), f"The picture of {width} x {height} px is too small.")
    if overlay is not None and overlay.fraction > _MOST_BURNT:
        return _silent(lens or _assumed(width, height), _BURNT)
    if lens is not None and lens.projection == "rectilinear" and lens.hfov_deg > _WIDEST_DEG:
        return _silent(lens, f"{_NO_SUCH_LENS} ({lens.hfov_deg:.0f} degrees).")
    shades = grey(pixels)
    segments, scale = find_segments(shades)
    if overlay is not None:
        segments = of_the_scene(segments, overlay)
    seen = Seen(segments, scale, network, shades)
    angle = None
    if lens is None:
        angle = estimate_angle(seen, width, height)
        lens = angle.lens
    found = _surer(_Look(seen, *weighed(seen, lens)), lens, untold)
    drawn = overlay is not None and bool(overlay.mask.any()) or _askew(segments).shape[0] < _LEAST_ASKEW * segments.shape[0]
    if drawn and max(abs(found.evidence.roll_deg), abs(found.evidence.pitch_deg)) < _LEVEL_DEG:
        # What is burnt in is level too: such an answer must stand on other edges than those along rows and columns.
        seen = replace(found.seen, segments_px=_askew(segments))
        found = _Look(seen, *weighed(seen, lens), found.apart_deg)
    return _answer(found, angle)


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at a picture, weighed.

    Attributes
    ----------
    seen : Seen
    evidence : Evidence
    lens : Lens
        The lens that the evidence was weighed through.
    bending : Bending
    apart_deg : tuple of 2 floats
        What another look, which told another roll and pitch, adds to their sds.
    """

    seen: Seen
    evidence: Evidence
    lens: Lens
    bending: Bending
    apart_deg: tuple[float, float] = (0.0, 0.0)


def _surer(first: _Look, lens: Lens, untold: Callable[[], NetworkView] | None) -> _Look:
    """The surer of two looks where the first, told that the lens is long, leaves the tilt unsure; a share of their distance joins its sds.

    So told, the network takes some far ground for a steep look down; not told, it goes by the picture.
    """
    table = constants()["answer"]
    sd_deg = own_sd_deg(first.evidence)[1]
    long = lens.projection == "rectilinear" and max(lens.hfov_deg, lens.vfov_deg) < table["long_lens_deg"]
    if untold is None or not long or sd_deg <= table["unsure_pitch_sd_deg"]:
        return first
    seen = replace(first.seen, network=untold())
    second = _Look(seen, *weighed(seen, lens))
    one, other = first.evidence, second.evidence
    apart_deg = abs(one.roll_deg - other.roll_deg), abs(one.pitch_deg - other.pitch_deg)
    surer = second if own_sd_deg(other)[1] < sd_deg else first
    return replace(surer, apart_deg=(table["apart_share"] * apart_deg[0], table["apart_share"] * apart_deg[1]))


def _askew(segments_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Segments that don't run exactly along rows or columns, shape (N, 4) -> (M, 4)."""
    across, down = np.ptp(segments_px[:, ::2], axis=1), np.ptp(segments_px[:, 1::2], axis=1)
    return np.asarray(segments_px[np.minimum(across, down) > _EXACT * np.maximum(across, down)])


def weighed(seen: Seen, lens: Lens) -> tuple[Evidence, Lens, Bending]:
    """The likeliest answer through a lens whose bending floats where it isn't given, and that lens."""
    evidence = solve(seen, lens)
    if not may_bend(lens):
        return evidence, lens, Bending()
    bending = weigh_bending(seen, lens, evidence)
    if bending.k1 < 0:
        lens = replace(lens, k1=bending.k1)
        evidence = solve(seen, lens)
    return evidence, lens, bending


def _assumed(width: int, height: int) -> Lens:
    # common practice, no source: fixed lenses lie about here, within this sd
    return Lens(max(width, 1), max(height, 1), 75.0, 20.0, "assumed")


def _silent(lens: Lens, note: str, evidence: Evidence | None = None) -> Orientation:
    return Orientation(None, None, None, None, note, lens, (), _shown(evidence))


def _shown(evidence: Evidence | None) -> NDArray[np.float32] | None:
    if evidence is None or len(evidence.edges) == 0:
        return None
    used = evidence.fit.upright > 0.5
    return np.asarray(evidence.edges.segments_px[used], dtype=np.float32)


def _answer(found: _Look, angle: AngleOfView | None) -> Orientation:
    seen, evidence, lens, bending = found.seen, found.evidence, found.lens, found.bending
    if seen.network is not None and may_look_down(lens):
        straight_down = _straight_down(evidence, seen, lens)
        if straight_down is not None:
            return straight_down
    table, limits = constants()["answer"], constants()["prior"]
    stands = _stands(seen.network)
    if stands is not None:
        return _silent(lens, stands, evidence)
    own = [float(np.hypot(sd, apart)) for sd, apart in zip(own_sd_deg(evidence), found.apart_deg, strict=True)]
    if own[0] > table["most_roll_sd_deg"] or own[1] > table["most_pitch_sd_deg"]:
        return _silent(lens, _TOO_LITTLE, evidence)
    if abs(evidence.roll_deg) > limits["most_roll_deg"] or evidence.pitch_deg > limits["most_pitch_deg"]:
        return _silent(lens, _TURNED, evidence)
    roll_deg, pitch_deg, by_lens = evidence.roll_deg, evidence.pitch_deg, (0.0, 0.0)
    if angle is not None:
        roll_deg, pitch_deg, by_lens = roll_deg + angle.shift_deg[0], pitch_deg + angle.shift_deg[1], angle.sd_deg
    elif lens.hfov_sd_deg > 0:
        by_lens = _lens_effect_deg(seen, lens, evidence)
    bent = bending.roll_sd_deg, bending.pitch_sd_deg
    roll_sd, pitch_sd = (float(np.sqrt(a**2 + b**2 + c**2)) for a, b, c in zip(own, by_lens, bent, strict=True))
    if max(roll_sd, pitch_sd) > table["most_sd_deg"]:
        return _silent(lens, _TOO_LITTLE, evidence)
    cues = [f"{count:.0f} {kind} lines" for kind, count in (("upright", float(evidence.fit.upright.sum())),
                                                            ("level", float(evidence.fit.levelled.sum()))) if count >= 3]
    if evidence.open_horizon:
        cues.append("open horizon")
    if seen.network is not None:
        cues.append("learned view")
    level = level_lines(evidence.edges, evidence.fit.up, evidence.fit.upright)
    return Orientation(roll_deg, roll_sd, pitch_deg, pitch_sd, None, lens, tuple(cues),
                       _shown(evidence), level, bending.mean, bending.sd)


def _stands(network: NetworkView | None) -> str | None:
    """Why the picture can't be measured as it stands; None where it is rather upright than turned."""
    if network is None:
        return None
    if (upside_down(network.turned) or 0.0) > 0.5:
        return _OVER
    return _SIDE if (on_its_side(network.turned) or 0.0) > 0.5 else None


def _straight_down(evidence: Evidence, seen: Seen, lens: Lens) -> Orientation | None:
    """The answer of a wide fisheye that looks down; silence where it may; None where nothing speaks for it."""
    down = downward(evidence)
    if down.fit is not None:
        used = down.fit.upright > 0.5
        by_lens = (90.0 + down.pitch_deg) * lens.hfov_sd_deg / lens.hfov_deg
        return Orientation(
            down.roll_deg, down.roll_sd_deg, down.pitch_deg, float(np.hypot(down.sd_deg, by_lens)), None, lens,
            (f"{float(down.fit.upright.sum()):.0f} upright lines",),
            np.asarray(evidence.edges.segments_px[used], dtype=np.float32),
        )  # fmt: skip
    turned = seen.network.turned if seen.network is not None else None
    level = turned is None or turned[0] >= constants()["nadir"]["least_upright"]
    if evidence.pitch_deg > -constants()["nadir"]["steep_deg"] and (down.preferred or not level):
        return _silent(lens, _TURNED, evidence)
    return None


def _lens_effect_deg(seen: Seen, lens: Lens, evidence: Evidence) -> tuple[float, float]:
    """Change of roll and pitch by one standard deviation of a given angle of view.

    The larger of what the cues together do and of what the vertical vanishing point alone does, which stays at its
    pixel.
    """
    # just below what the projection can hold
    top = 179.0 if lens.projection == "rectilinear" else 359.0
    effects = []
    # an angle of view is not off by more than this
    for changed_deg in (lens.hfov_deg + lens.hfov_sd_deg, max(lens.hfov_deg - lens.hfov_sd_deg, 0.3 * lens.hfov_deg)):
        changed = _held(lens, float(np.clip(changed_deg, 1.0, top)))
        edges, cues = cues_through(changed, seen)
        fit, _ = climb(edges, cues, evidence.fit.up, constants()["edges"]["pull"], 2)
        roll, pitch = roll_pitch_from_up(fit.up)
        slope = abs(np.radians(evidence.pitch_deg))
        ratio = lens.focal_px / changed.focal_px
        if lens.projection == "rectilinear":
            alone = np.degrees(np.arctan(np.tan(slope) / ratio)) - np.degrees(slope)
        else:
            alone = np.degrees((np.pi / 2 - slope) * (ratio - 1))
        effects.append((abs(roll - evidence.roll_deg), max(abs(pitch - evidence.pitch_deg), abs(float(alone)))))
    return max(e[0] for e in effects), max(e[1] for e in effects)


def _held(lens: Lens, hfov_deg: float) -> Lens:
    """The lens with another angle of view; straight where its radial terms would fold the picture."""
    try:
        return lens.with_hfov(hfov_deg)
    except ValueError:
        return replace(lens, hfov_deg=hfov_deg, k1=0.0, k2=0.0)

"""How a camera turned between two images of the same place: rotation and zoom from matched features.

A fixed camera that was knocked turns about its lens, so matched features are rays related by one rotation,
whatever the projection; what stands near (parallax) and what moved are outliers. With too few features (dirt, night,
fog, another season) the directions of edges are laid over one another instead (:mod:`audit.measure.layout`).

``rotation`` takes directions in the reference camera (x right, y down, z forward) into today's camera.
Method: SIFT (Lowe 2004) with the ratio test, two-ray hypotheses scored as in MSAC (Torr and Zisserman 2000),
refined by iteratively reweighted least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world, pose_from_rotation
from audit.lens import Lens
from audit.measure.layout import lay_over

__all__ = [
    "WORK_SIDE_PX",
    "Features",
    "Registration",
    "detect_features",
    "grey_at_work_size",
    "matched_points",
    "plane_map",
    "pose_change_deg",
    "reference_in_today",
    "register",
    "register_features",
]

FloatArray = NDArray[np.float64]
#: Long side at which pictures are compared (chosen: a pixel is then an eighth of a degree where the picture is 50 degrees wide).
WORK_SIDE_PX = 384
#: Steeper than this, bearing and roll are one.
_STEEP_DEG = 80.0
#: Points a picture; and the ratio of the best to the second match's distance below which it counts (Lowe 2004 has 0.8).
_FEATURES, _RATIO, _CONTRAST = 500, 0.82, 0.02
#: Contrast is stretched before: between these percentiles to this range, at most so many times.
_PERCENTILES, _STRETCHED, _MOST_GAIN = (1, 99), 230.0, 6.0
#: Distance, in working pixels, up to which a match agrees with a turn.
_INLIER_PX = 2.5
#: Two-ray hypotheses without and with a zoom, votes counted, zooms tried, and how much more than without a zoom must agree.
_HYPOTHESES, _ZOOM_HYPOTHESES, _VOTERS = 160, 120, 150
_ZOOMS = np.exp(np.linspace(np.log(0.5), np.log(2.0), 29))
_ZOOM_EARNS = 1.15
_SEED = 7
_MIN_INLIERS = 8
_CERTAIN_INLIERS, _CERTAIN = 30, 0.9
#: Log odds that two pictures show one view: for each match beyond the least, for the share of matches that agree and for the
#: share of the picture's cells that hold one, each over what chance gives; and their bounds (chosen; tests/bench/real_pairs_bench.py
#: measures what they bring).
_PER_INLIER, _PER_SHARE, _PER_SPREAD, _BY_CHANCE, _LOG_ODDS = 0.9, 4.0, 3.0, 0.3, (-6, 9)
#: Of a pair without matches.
_NOTHING = 0.02
_MANY_MATCHES = 30
_MOUNT_SHARE, _MOUNT_STEEPNESS = 0.45, 40.0
#: Cells of the picture in which matches are counted, across and down.
_ACROSS, _DOWN = 4, 3
#: Refinement: rounds; limit of a match in the first, which falls by a pixel a round; the round from which, with so many matches,
#: the zoom is let free; steps of the derivatives; the largest step of the zoom; least variance of a match, px²; variances
#: where nothing is known of them; damping; the round from which, and the step below which, it is done.
_ROUNDS, _FIRST_LIMIT_PX, _FREE_ROUND, _FREE_INLIERS = 8, 5.5, 3, 30
_STEP_RAD, _STEP_ZOOM, _MOST_ZOOM_STEP, _LEAST_NOISE_PX2 = 1e-5, 1e-4, 0.1, 0.02
_UNKNOWN_RAD2, _FIXED_ZOOM2, _DAMPING, _LEAST_ROUND, _DONE_RAD = 1e-3, 1e-4, 1e-9, 4, 1e-6
#: Added to the sd of a turn: what the method itself errs by (tests/bench/dirt_bench.py measures a median of 0.014 degrees).
_OWN_SD_DEG = 0.01
#: Step of the derivatives of bearing, pitch and roll.
_ANGLE_STEP_DEG = 0.1
#: Two pictures this nearly in place are not moved; a coarse map of every so manieth pixel is enough to move them; what lies outside.
_IN_PLACE, _COARSE, _OUTSIDE_PX = 2e-5, 0.25, -1e4
_LAYOUT_LOG_ODDS, _LAYOUT_EVEN, _LAYOUT_STEEPNESS = 9.0, 12.0, 0.7
_LAYOUT_SD_PX = 0.2


@dataclass(frozen=True, slots=True)
class Features:
    """SIFT points of one image at working size and their descriptors (root-normalised)."""

    lens: Lens
    points_px: FloatArray
    descriptors: NDArray[np.float32]
    grey: NDArray[np.uint8]
    ignore: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True)
class Registration:
    """Rotation (and zoom) from the reference to today.

    Attributes
    ----------
    rotation : ndarray, shape (3, 3)
        ``d_today = rotation @ d_reference``.
    rotation_sd_deg : ndarray, shape (3,)
        Standard deviation of the turn about today's x, y and z axes.
    zoom : float
        Today's focal length over the reference's, both at equal image width.
    zoom_sd : float
        One standard deviation of ``zoom``.
    inliers, matches : int
        Matched features that agree with the rotation, and all matched features.
    spread : float
        Share of the image's 4 x 3 fields that hold an inlier, 0..1.
    method : str
        ``features``, ``layout`` (directions of edges) or ``none``.
    same_view_probability : float
        That both images show the same place from the same mount. Where features match in plenty but one turn
        explains fewer than about 45 % of them, the camera stood elsewhere: over 1,723 rendered pairs of one mount,
        dirty or not, the share was above 49 % in 99.8 %.
    reference_lens, today_lens : Lens
        Lenses at working size, today's with the zoom found.
    """

    rotation: FloatArray
    rotation_sd_deg: FloatArray
    zoom: float
    zoom_sd: float
    inliers: int
    matches: int
    spread: float
    method: str
    same_view_probability: float
    reference_lens: Lens
    today_lens: Lens


def grey_at_work_size(pixels: NDArray[np.uint8], side_px: int = WORK_SIDE_PX) -> NDArray[np.uint8]:
    """Luminance (ITU-R BT.601) with the long side reduced to ``side_px``; never enlarged."""
    height, width = pixels.shape[:2]
    scale = min(1.0, side_px / max(height, width))
    if scale < 1.0:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)


def detect_features(grey: NDArray[np.uint8], lens: Lens,
                    ignore: NDArray[np.uint8] | None = None) -> Features:
    """SIFT features of a grey image whose size is the lens's; ``ignore`` is non-zero where none may lie."""
    low, high = np.percentile(grey, _PERCENTILES)
    gain = min(_MOST_GAIN, _STRETCHED / max(high - low, 1.0))
    stretched = cv2.convertScaleAbs(grey.astype(np.float32) - np.float32(low), alpha=gain)
    mask = None if ignore is None else cv2.bitwise_not(ignore)
    points, descriptors = cv2.SIFT.create(nfeatures=_FEATURES, nOctaveLayers=2,
                                          contrastThreshold=_CONTRAST).detectAndCompute(stretched, mask)
    if descriptors is None or len(points) == 0:
        return Features(lens, np.zeros((0, 2)), np.zeros((0, 128), np.float32), grey, ignore)
    rooted = np.sqrt(descriptors / np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-6))
    return Features(lens, np.array([p.pt for p in points], dtype=np.float64),
                    np.asarray(rooted, np.float32), grey, ignore)


def register(reference: NDArray[np.uint8], today: NDArray[np.uint8], lens: Lens, ignore: NDArray[np.uint8] | None = None,
             ignore_reference: NDArray[np.uint8] | None = None) -> Registration:
    """Registers two grey images at working size.

    ``lens`` is the reference's at that size; ``ignore`` is non-zero where something is burnt into today's picture,
    ``ignore_reference`` likewise.
    """
    width, height = today.shape[1], today.shape[0]
    today_lens = replace(lens, width_px=width, height_px=height, principal_px=None)
    return register_features(detect_features(reference, lens, ignore_reference), detect_features(today, today_lens, ignore))


def register_features(reference: Features, today: Features) -> Registration:
    """Registers two images by their features, and by the layout of coarse edges where features fail."""
    pairs = _match(reference.descriptors, today.descriptors)
    found = _from_pairs(reference, today, pairs)
    if found.inliers >= _CERTAIN_INLIERS and found.same_view_probability >= _CERTAIN:
        return found
    layout = _from_layout(reference, today, found)
    return layout if layout is not None else found


def matched_points(reference: Features, today: Features) -> tuple[FloatArray, FloatArray]:
    """Where features that are each other's best match lie in both pictures, each (M, 2)."""
    pairs = _match(reference.descriptors, today.descriptors)
    return reference.points_px[pairs[:, 0]], today.points_px[pairs[:, 1]]


def pose_change_deg(rotation: FloatArray, rotation_sd_deg: FloatArray, pitch_deg: float = 0.0,
                    roll_deg: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Change of (pan, pitch, roll) in degrees, today minus reference, and their sd.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        From the reference's to today's camera coordinates.
    rotation_sd_deg : ndarray, shape (3,)
        Standard deviation of the turn about today's x, y and z axes.
    pitch_deg, roll_deg : float
        Pose of the reference; level if unknown. It decides how a turn splits into pan and roll.

    Notes
    -----
    Straight down (or up) pan and roll are one turn, and no picture tells them apart: beyond 80 degrees of pitch the turn
    about the optical axis counts as pan, and roll is the lean sideways (+ where today's picture shows more of what lay
    right of it).
    """
    if abs(pitch_deg) > _STEEP_DEG:
        vector = np.degrees(cv2.Rodrigues(rotation)[0].ravel())
        downward = -np.sign(pitch_deg)
        return (np.array([-downward * vector[2], -vector[0], -vector[1]]),
                np.array([rotation_sd_deg[2], rotation_sd_deg[0], rotation_sd_deg[1]]))
    before = camera_from_world(0.0, pitch_deg, roll_deg)

    def change(turn: FloatArray) -> FloatArray:
        bearing, pitch, roll = pose_from_rotation(turn @ rotation @ before)
        return np.array([(bearing + 180) % 360 - 180, pitch - pitch_deg, (roll - roll_deg + 180) % 360 - 180])

    middle = change(np.eye(3))
    variance = np.zeros(3)
    for axis in range(3):
        vector = np.zeros(3)
        vector[axis] = np.radians(_ANGLE_STEP_DEG)
        slope = (change(_rodrigues(vector)) - middle) / _ANGLE_STEP_DEG
        variance += (slope * rotation_sd_deg[axis]) ** 2
    return middle, np.sqrt(variance)


def reference_in_today(registration: Registration, reference: NDArray[np.uint8],
                       ) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """The reference image as today's camera would see it, and where it reaches.

    Returns
    -------
    warped : ndarray of uint8, today's working size (and the reference's channels)
    valid : ndarray of bool, shape (H, W)
    """
    to, frm = registration.today_lens, registration.reference_lens
    h, w = to.height_px, to.width_px
    if to.projection == "rectilinear" and to.k1 == 0.0 and to.k2 == 0.0:
        matrix = plane_map(registration)
        if np.allclose(matrix / matrix[2, 2], np.eye(3), atol=_IN_PLACE) and reference.shape[:2] == (h, w):
            return reference, np.ones((h, w), bool)
        warped = cv2.warpPerspective(reference, matrix, (w, h), flags=cv2.INTER_LINEAR,
                                     borderMode=cv2.BORDER_REPLICATE)
        inside = cv2.warpPerspective(np.full(reference.shape[:2], 255, np.uint8), matrix, (w, h),
                                     flags=cv2.INTER_NEAREST)
        return np.asarray(warped, np.uint8), inside > 0
    # one beyond the last row and column, so that those between are not the last one's
    ys, xs = np.mgrid[0:h + 3:4, 0:w + 3:4]
    rays = to.unproject(np.stack([xs, ys], axis=-1).astype(np.float64)) @ registration.rotation
    coarse = frm.project(rays).astype(np.float32)
    coarse[~np.isfinite(coarse)] = _OUTSIDE_PX
    scale = np.array([[_COARSE, 0.0, 0.0], [0.0, _COARSE, 0.0]])
    maps = cv2.warpAffine(coarse, scale, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                          borderMode=cv2.BORDER_REPLICATE)
    warped = cv2.remap(reference, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    valid = ((maps[..., 0] >= 0) & (maps[..., 1] >= 0)
             & (maps[..., 0] <= reference.shape[1] - 1) & (maps[..., 1] <= reference.shape[0] - 1))
    return np.asarray(warped, np.uint8), valid


def plane_map(registration: Registration) -> FloatArray:
    """The homography, shape (3, 3), that takes the reference's pixels to today's, through lenses that bend nothing."""
    to, frm = _camera_matrix(registration.today_lens), _camera_matrix(registration.reference_lens)
    return np.asarray(to @ registration.rotation @ np.linalg.inv(frm))


def _camera_matrix(lens: Lens) -> FloatArray:
    cx, cy = lens.centre_px
    return np.array([[lens.focal_px, 0.0, cx], [0.0, lens.focal_px, cy], [0.0, 0.0, 1.0]])


def _match(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.int64]:
    """Index pairs that pass the ratio test and are each other's best, shape (M, 2)."""
    if len(a) < 2 or len(b) < 2:
        return np.zeros((0, 2), np.int64)
    likeness = a @ b.T
    order = np.argpartition(-likeness, 1, axis=1)[:, :2]
    rows = np.arange(len(a))
    first, second = likeness[rows, order[:, 0]], likeness[rows, order[:, 1]]
    best = np.where(first >= second, order[:, 0], order[:, 1])
    top, next_ = np.maximum(first, second), np.minimum(first, second)
    distinct = (1 - top) < _RATIO**2 * (1 - next_)
    mutual = likeness.argmax(axis=0)[best] == rows
    keep = np.flatnonzero(distinct & mutual)
    return np.stack([keep, best[keep]], axis=1)


def _zoomed(lens: Lens, zoom: float) -> Lens:
    """The lens with its focal length multiplied by ``zoom`` (an equidistant one likewise)."""
    if zoom == 1.0:
        return lens
    half = np.radians(lens.hfov_deg) / 2
    if lens.projection == "rectilinear":
        return lens.with_hfov(float(np.degrees(2 * np.arctan(np.tan(half) / zoom))))
    return lens.with_hfov(min(360.0, lens.hfov_deg / zoom))


def _from_pairs(reference: Features, today: Features, pairs: NDArray[np.int64]) -> Registration:
    nothing = Registration(np.eye(3), np.full(3, 180.0), 1.0, 1.0, 0, len(pairs), 0.0, "none", _NOTHING,
                           reference.lens, today.lens)
    found = _solved(reference.lens, today.lens, reference.points_px[pairs[:, 0]], today.points_px[pairs[:, 1]], len(pairs))
    if found is None:
        return nothing
    share = found.inliers / max(len(pairs), 1)
    score = _PER_INLIER * (found.inliers - _MIN_INLIERS) + _PER_SHARE * (share - _BY_CHANCE) + _PER_SPREAD * (found.spread - _BY_CHANCE)
    probability = float(1 / (1 + np.exp(-np.clip(score, *_LOG_ODDS))))
    if len(pairs) >= _MANY_MATCHES:
        probability *= float(1 / (1 + np.exp(-_MOUNT_STEEPNESS * (share - _MOUNT_SHARE))))
    return replace(found, same_view_probability=probability)


def _solved(reference: Lens, today: Lens, p_ref: FloatArray, p_today: FloatArray, matches: int) -> Registration | None:
    """The turn and zoom that most point pairs agree with; None where too few do."""
    if len(p_ref) < 4:
        return None
    rays_ref = reference.unproject(p_ref)
    focal = today.focal_px
    seen = np.isfinite(rays_ref).all(axis=1)
    rng = np.random.default_rng(_SEED)
    best: tuple[float, float, FloatArray] | None = None
    enough = 0.5 * min(_VOTERS, int(seen.sum()))
    for zooms, hypotheses in (((1.0,), _HYPOTHESES), (tuple(_ZOOMS), _ZOOM_HYPOTHESES)):
        for zoom in zooms:
            rays_today = _zoomed(today, zoom).unproject(p_today)
            good = np.flatnonzero(seen & np.isfinite(rays_today).all(axis=1))
            if good.size < 4:
                continue
            score, rotation = _consensus(rays_ref[good], rays_today[good], _INLIER_PX / (focal * zoom),
                                         hypotheses, rng)
            if best is None or score > best[0] * (1.0 if zoom == 1.0 else _ZOOM_EARNS):
                best = (score, zoom, rotation)
        if best is not None and best[0] >= enough:
            break
    if best is None:
        return None
    rotation, zoom, inlier, covariance = _refine(best[2], best[1], reference, today, p_ref, p_today)
    count = int(inlier.sum())
    if count < 4:
        return None
    cells = np.unique((p_today[inlier, 0] * _ACROSS // today.width_px).astype(int) * _DOWN
                      + (p_today[inlier, 1] * _DOWN // today.height_px).astype(int))
    turn = np.degrees(np.arccos(np.clip((np.trace(rotation) - 1) / 2, -1, 1)))
    lens_sd = turn * today.hfov_sd_deg / today.hfov_deg
    sd = np.sqrt(np.degrees(np.sqrt(np.diag(covariance)[:3])) ** 2 + lens_sd**2 + _OWN_SD_DEG**2)
    return Registration(rotation, sd, zoom, float(np.sqrt(covariance[3, 3])), count, matches, len(cells) / (_ACROSS * _DOWN),
                        "features", 0.0, reference, _zoomed(today, zoom))


def _consensus(a: FloatArray, b: FloatArray, limit_rad: float, hypotheses: int,
               rng: np.random.Generator) -> tuple[float, FloatArray]:
    """Best rotation over two-ray hypotheses and its score (about the number of inliers)."""
    if len(a) > _VOTERS:
        voters = rng.choice(len(a), _VOTERS, replace=False)
        a, b = a[voters], b[voters]
    n = len(a)
    first = rng.integers(0, n, hypotheses)
    second = (first + rng.integers(1, n, hypotheses)) % n

    def frames(u: FloatArray, v: FloatArray) -> FloatArray:
        mid = u + v
        mid /= np.maximum(np.linalg.norm(mid, axis=1, keepdims=True), 1e-9)
        normal = np.cross(u, v)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        return np.stack([mid, normal, np.cross(mid, normal)], axis=2)

    rotations = frames(b[first], b[second]) @ frames(a[first], a[second]).transpose(0, 2, 1)
    turned = np.einsum("hij,nj->hni", rotations, a)
    squared = ((turned - b[None]) ** 2).sum(axis=2) / limit_rad**2
    scores = np.maximum(0.0, 1.0 - squared).sum(axis=1)
    top = int(scores.argmax())
    return float(scores[top]), rotations[top]


def _refine(rotation: FloatArray, zoom: float, ref_lens: Lens, today_lens: Lens, p_ref: FloatArray,
            p_today: FloatArray) -> tuple[FloatArray, float, NDArray[np.bool_], FloatArray]:
    """Rotation and zoom by reweighted least squares in pixels; also inliers and the 4 x 4 covariance.

    The zoom is let free only where the inliers demand it: a change below 2 % with fewer than 30 inliers is
    within what a poor lens figure does.
    """
    rays = ref_lens.unproject(p_ref)
    free = zoom != 1.0
    inlier = np.zeros(len(p_ref), bool)
    covariance = np.diag([_UNKNOWN_RAD2, _UNKNOWN_RAD2, _UNKNOWN_RAD2, _FIXED_ZOOM2])
    for step in range(_ROUNDS):
        lens = _zoomed(today_lens, zoom)
        base = lens.project(rays @ rotation.T)
        error = p_today - base
        size = np.hypot(error[:, 0], error[:, 1])
        limit = max(_INLIER_PX, _FIRST_LIMIT_PX - step)
        inlier = size < limit
        if inlier.sum() < 4:
            break
        if step == _FREE_ROUND and not free and inlier.sum() >= _FREE_INLIERS:
            free = True
        weight = np.where(inlier, (1 - np.minimum(size / limit, 1) ** 2) ** 2, 0.0)
        columns = []
        for axis in range(3):
            small = np.zeros(3)
            small[axis] = _STEP_RAD
            columns.append((lens.project(rays @ (_rodrigues(small) @ rotation).T) - base) / _STEP_RAD)
        if free:
            columns.append((_zoomed(today_lens, zoom * (1 + _STEP_ZOOM)).project(rays @ rotation.T) - base) / _STEP_ZOOM)
        jacobian = np.stack(columns, axis=2)[inlier]
        w = weight[inlier]
        normal = np.einsum("nik,n,nil->kl", jacobian, w, jacobian)
        normal[np.diag_indices_from(normal)] += _DAMPING * np.trace(normal)
        right = np.einsum("nik,n,ni->k", jacobian, w, error[inlier])
        delta = np.linalg.solve(normal, right)
        rotation = _rodrigues(delta[:3]) @ rotation
        if free:
            zoom *= float(np.exp(np.clip(delta[3], -_MOST_ZOOM_STEP, _MOST_ZOOM_STEP)))
        noise = float((w * size[inlier] ** 2).sum() / max(w.sum() * 2 - 4, 1.0))
        inverse = np.linalg.inv(normal) * max(noise, _LEAST_NOISE_PX2)
        covariance[:3, :3] = inverse[:3, :3]
        covariance[3, 3] = inverse[3, 3] if free else _FIXED_ZOOM2
        if step > _LEAST_ROUND and np.abs(delta[:3]).max() < _DONE_RAD:
            break
    return rotation, zoom, inlier & (np.hypot(*(p_today - _zoomed(today_lens, zoom).project(
        rays @ rotation.T)).T) < _INLIER_PX), covariance


def _from_layout(reference: Features, today: Features, weak: Registration) -> Registration | None:
    """The turn by which edges' directions lie over one another; None where no turn puts enough of them in place."""
    now, ignore = _fitted(today, reference.grey.shape)
    found = lay_over(reference.grey, now, ignore, reference.ignore)
    if found is None or found.log_odds < _LAYOUT_LOG_ODDS:
        return None
    scale = today.grey.shape[1] / now.shape[1]
    middle = np.array([today.grey.shape[1] - 1, today.grey.shape[0] - 1]) / 2
    there = (found.today_px - (np.array(now.shape[::-1]) - 1) / 2) * scale + middle
    laid = _solved(reference.lens, today.lens, found.reference_px, there, found.blocks)
    if laid is None or laid.inliers < found.agreeing / 2:
        return None
    probability = float(1 / (1 + np.exp(-_LAYOUT_STEEPNESS * (found.log_odds - _LAYOUT_EVEN))))
    return replace(laid, rotation_sd_deg=np.hypot(laid.rotation_sd_deg, _LAYOUT_SD_PX * np.degrees(1 / today.lens.focal_px)),
                   matches=weak.matches, method="layout", same_view_probability=max(probability, weak.same_view_probability))


def _fitted(today: Features, shape: tuple[int, ...]) -> tuple[NDArray[np.uint8], NDArray[np.uint8] | None]:
    """Today's grey picture and its text at the reference's width, cut or filled to its height about the middle."""
    scale = shape[1] / today.grey.shape[1]
    right, down = (((there - 1) - scale * (own - 1)) / 2 for there, own in zip(shape[::-1], today.grey.shape[::-1], strict=True))
    if scale == 1.0 and today.grey.shape == shape:
        return today.grey, today.ignore
    warp = np.array([[scale, 0.0, right], [0.0, scale, down]])
    grey = cv2.warpAffine(today.grey, warp, shape[::-1], flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    burnt = np.zeros_like(today.grey) if today.ignore is None else today.ignore
    outside = cv2.warpAffine(burnt, warp, shape[::-1], flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=255)
    return np.asarray(grey, np.uint8), np.asarray(outside, np.uint8)


def _rodrigues(vector: FloatArray) -> FloatArray:
    return np.asarray(cv2.Rodrigues(np.asarray(vector, np.float64))[0])

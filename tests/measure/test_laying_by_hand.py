"""How pictures lie over one another where the map is known: points through lenses, blocks on a grid, doubled directions, votes of features."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats
from skimage import data

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.measure.laying import Laying, _area, _grid, _plane, _resized, laid_over, laid_pairs, moved_share, reach_of
from audit.measure.layout import (
    Layout,
    _agreed,
    _blocks,
    _candidates,
    _complex,
    _peak,
    _warped,
    edge_directions,
    foreign_share,
    lay_over,
    structure,
)
from audit.measure.registration import (
    Features,
    Registration,
    _from_pairs,
    _match,
    _solved,
    _zoomed,
    detect_features,
    grey_at_work_size,
    matched_points,
    plane_map,
    pose_change_deg,
    reference_in_today,
    register,
)
from audit.measure.swaps import ViewMatch, _best, shown_elsewhere

SIZE = (384, 256)
LENS = Lens(384, 256, 60.0)
FISHEYE = Lens(384, 256, 150.0, projection="equidistant")


@pytest.fixture(scope="module")
def street() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop)."""
    return cv2.cvtColor(cv2.resize(data.stereo_motorcycle()[0], SIZE, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)


# -- directions of edges ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 135.0, 160.0])
def test_an_edges_direction_is_its_gradients_doubled_whatever_its_light_and_sign(angle_deg: float) -> None:
    y, x = np.mgrid[:200, :300].astype(np.float64)
    wave = np.sin((x * np.cos(np.radians(angle_deg)) + y * np.sin(np.radians(angle_deg))) / 5)
    found = edge_directions(np.round(100 * np.exp(0.5 * wave)).astype(np.uint8))[40:160, 40:260]
    mean = found.reshape(-1, 2).mean(axis=0)
    assert np.degrees(np.arctan2(mean[1], mean[0])) % 360 == pytest.approx(2 * angle_deg % 360, abs=2.0)
    assert 0.3 < np.hypot(*mean) and np.hypot(found[..., 0], found[..., 1]).max() < 1.0
    dark = edge_directions(np.round(40 * np.exp(-0.5 * wave)).astype(np.uint8))[40:160, 40:260].reshape(-1, 2).mean(axis=0)
    assert dark == pytest.approx(mean, abs=0.06)


def test_flat_places_and_burnt_in_ones_have_no_direction(street: np.ndarray) -> None:
    assert np.abs(edge_directions(np.full((60, 80), 90, np.uint8))).max() == 0.0
    ignore = np.zeros(street.shape, np.uint8)
    ignore[100:120, 150:200] = 255
    found = edge_directions(street, ignore)
    assert not found[97:123, 147:203].any() and found[96, 147:203].any() and found[123, 147:203].any()
    assert found[97:123, 146].any() and found[97:123, 203].any()
    assert np.array_equal(found[:90], edge_directions(street)[:90])


def test_a_mirrored_picture_has_mirrored_directions(street: np.ndarray) -> None:
    mirrored = edge_directions(np.ascontiguousarray(street[:, ::-1]))[:, ::-1] * [1, -1]
    assert mirrored == pytest.approx(edge_directions(street), abs=1e-4)
    turned = edge_directions(np.ascontiguousarray(street.T)).transpose(1, 0, 2) * [-1, 1]
    assert turned == pytest.approx(edge_directions(street), abs=1e-4)


def test_the_field_for_the_whole_shift_is_half_the_size_and_of_no_mean(street: np.ndarray) -> None:
    field = edge_directions(street)
    half = _complex(field)
    assert half.shape == (128, 192) and abs(half.mean()) < 1e-6
    assert half[40, 50] - half[41, 50] == pytest.approx(complex(*(field[80:82, 100:102].mean(axis=(0, 1)) - field[82:84, 100:102].mean(axis=(0, 1)))), abs=1e-5)


# -- blocks ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("agreeing", "blocks", "chance"), [(20, 80, 0.1), (60, 80, 0.1), (80, 80, 0.1), (5, 80, 0.1), (8, 80, 0.1)])
def test_log_odds_are_those_of_two_binomials(agreeing: int, blocks: int, chance: float) -> None:
    """Against SciPy's: as many as agree, at their own share (chance at least, 95 % at most) and by chance."""
    found = Layout(np.zeros((agreeing, 2)), np.zeros((agreeing, 2)), blocks, chance, 1.0, 0.0)
    share = min(max(agreeing / blocks, chance), 0.95)
    expected = stats.binom.logpmf(agreeing, blocks, share) - stats.binom.logpmf(agreeing, blocks, chance)
    assert found.log_odds == pytest.approx(expected, abs=1e-9) and found.agreeing == agreeing
    assert replace(found, blocks=0).log_odds == 0.0


@pytest.mark.parametrize("top", [2.0, 2.3, 1.6, 2.49])
def test_a_parabolas_top_is_found_between_steps(top: float) -> None:
    values = (5.0 - 3.0 * (np.arange(5) - top) ** 2).astype(np.float32)
    assert 2 + _peak(values, 2) == pytest.approx(top, abs=1e-4)
    assert _peak(values, 0) == _peak(values, 4) == 0.0 and _peak(np.ones(5, np.float32), 2) == 0.0
    assert _peak(np.array([0.0, 5.0, 5.0, 0.0, 0.0], np.float32), 1) == 0.5 and _peak(np.array([0, 1, 9, 9.5, 0], np.float32), 2) == pytest.approx(0.5)


def test_blocks_of_one_picture_lie_where_the_map_says(street: np.ndarray) -> None:
    """Middles lie 30 px apart from (27.5, 27.5) on; the reference's places are the map taken back."""
    field = edge_directions(street)
    warp = np.asarray(cv2.getRotationMatrix2D((191.5, 127.5), 7.0, 0.9))
    warp[:, 2] += [5.0, -3.0]
    found = _blocks(field, field, warp, 0.9, 7.0)
    assert found is not None and found.agreeing == found.blocks > 40 and (found.zoom, found.roll_deg) == (0.9, 7.0)
    columns, rows = np.arange(27.5, 384 - 28, 30), np.arange(27.5, 256 - 28, 30)
    assert set(found.today_px[:, 0]) <= set(columns) and set(found.today_px[:, 1]) <= set(rows)
    assert found.today_px.max(axis=0).tolist() == [columns[-1], rows[-1]] and found.today_px.min(axis=0).tolist() == [27.5, 27.5]
    again = np.column_stack([found.reference_px, np.ones(found.agreeing)]) @ warp.T
    assert again == pytest.approx(found.today_px, abs=0.25)
    assert found.chance == pytest.approx(np.pi * 1.6**2 / 13**2 * 1.12 + 1.5 / found.blocks)


@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (3, -2), (-6, 6), (5, 4)])
def test_blocks_find_their_shift_up_to_six_pixels(street: np.ndarray, dx: int, dy: int) -> None:
    still = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    moved = np.roll(street, (dy, dx), (0, 1))
    found = _blocks(edge_directions(street), edge_directions(moved), still, 1.0, 0.0)
    assert found is not None and found.agreeing > 0.8 * found.blocks
    assert np.median(found.today_px - found.reference_px, axis=0) == pytest.approx([dx, dy], abs=0.2)


@pytest.mark.parametrize(("textured", "told"), [(7, False), (8, True)])
def test_fewer_than_eight_blocks_with_edges_tell_nothing(textured: int, told: bool) -> None:
    """Blocks of 44 px lie 30 px apart: a patch of edges in the middle of every third one lies in no other."""
    field = np.zeros((256, 384, 2), np.float32)
    for number in range(textured):
        left, top = 6 + 90 * (number % 4), 6 + 90 * (number // 4)
        field[top + 12 : top + 32, left + 12 : left + 32] = np.random.default_rng(number).normal(0, 0.6, (20, 20, 2))
    found = _blocks(field, field, np.eye(2, 3), 1.0, 0.0)
    assert (found is not None) == told and (found is None or found.blocks == found.agreeing == 8)


def test_one_small_map_explains_blocks_and_strays_are_left() -> None:
    rng = np.random.default_rng(1)
    at = rng.uniform([20, 20], [364, 236], (60, 2))
    scale, turn = 0.012, 0.008
    off = np.stack([scale * at[:, 0] - turn * at[:, 1] + 1.5, scale * at[:, 1] + turn * at[:, 0] - 2.0], axis=1) + rng.normal(0, 0.2, (60, 2))
    stray = np.arange(60) % 3 == 0
    off[stray] = rng.uniform(-6, 6, (20, 2))
    near = np.hypot(*(off - np.stack([scale * at[:, 0] - turn * at[:, 1] + 1.5, scale * at[:, 1] + turn * at[:, 0] - 2.0], axis=1)).T) < 1.6
    found = _agreed(at, off)
    assert (found == near).mean() > 0.96 and found[~stray].all()
    wild = np.stack([0.08 * at[:, 0], 0.08 * at[:, 1]], axis=1)
    assert 0 < _agreed(at, wild).sum() < 15, "no turn of a camera draws a view out by 8 %"
    few = off[:5] * 0 + np.array([[3.0, 3.0], [3.1, 3.0], [3.0, 3.2], [-4.0, 0.0], [0.0, 5.0]])
    assert _agreed(at[:5], few).tolist() == [True, True, True, False, False]


@pytest.mark.parametrize(("zoom", "roll", "shift"), [(1.0, 0.0, (22, -14)), (0.871, 0.0, (0, 0)), (1.148, 0.0, (6, 4)), (1.0, 2.0, (12, 0)), (1.0, -2.0, (0, -18)), (0.8, 0.0, (5, 5))])
def test_a_picture_moved_by_a_known_map_lies_where_it_was_moved(street: np.ndarray, zoom: float, roll: float, shift: tuple[int, int]) -> None:
    warp = cv2.getRotationMatrix2D((191.5, 127.5), -roll, zoom)
    warp[:, 2] += shift
    moved = cv2.warpAffine(street, warp, SIZE, borderMode=cv2.BORDER_REFLECT)
    found = lay_over(street, moved)
    assert found is not None and found.log_odds > 12
    there = np.column_stack([found.reference_px, np.ones(found.agreeing)]) @ warp.T
    assert np.median(np.hypot(*(there - found.today_px).T)) < 0.6
    assert (found.zoom, found.roll_deg) == (zoom, roll) or found.log_odds > 25


@pytest.mark.parametrize(("zoom", "roll"), [(0.871, 0.0), (1.148, 0.0), (1.25, 0.0), (1.0, 2.0), (1.0, -2.0), (1.0, 0.0)])
def test_the_whole_field_stands_out_most_at_the_zoom_and_roll_that_it_was_moved_by(street: np.ndarray, zoom: float, roll: float) -> None:
    """By the peak over the surface's own scatter; the shift is the correlation's, to the cell of two pixels."""
    warp = cv2.getRotationMatrix2D((191.5, 127.5), -roll, zoom)
    warp[:, 2] += [14.0, -9.0]
    moved = cv2.warpAffine(street, warp, SIZE, borderMode=cv2.BORDER_REFLECT)
    (first, found_zoom, found_roll), second = _candidates(street, edge_directions(moved))
    assert (found_zoom, found_roll) == (zoom, roll) and (second[1], second[2]) != (zoom, roll)
    assert first == pytest.approx(warp, abs=2.1)
    flat = street.copy()
    flat[:, 200:] = 128
    (_, found_zoom, found_roll), _ = _candidates(flat, edge_directions(cv2.warpAffine(flat, warp, SIZE, borderMode=cv2.BORDER_REFLECT)))
    assert (found_zoom, found_roll) == (zoom, roll)


def test_what_lies_beyond_a_moved_picture_is_its_rim_or_a_hole() -> None:
    picture = np.full((40, 60), 7, np.uint8)
    shift = np.array([[1.0, 0, 10], [0, 1, -5]])
    assert (_warped(picture, shift) == 7).all()
    hole = _warped(picture, shift, hole=True)
    assert not hole[:, :10].any() and not hole[35:].any() and (hole[:35, 10:] == 7).all()


def test_burnt_in_places_of_either_picture_lie_over_nothing(street: np.ndarray) -> None:
    text = np.zeros(street.shape, np.uint8)
    text[:, :192] = 255
    plain = lay_over(street, street)
    assert plain is not None and (plain.zoom, plain.roll_deg) == (1.0, 0.0)
    for masks in ((text, None), (None, text)):
        found = lay_over(street, street, *masks)
        assert found is not None and found.today_px[:, 0].min() > 192 - 44
    assert lay_over(street, street, np.full_like(text, 255)) is None


@pytest.mark.parametrize(("step", "edges"), [(10, False), (20, True)])
def test_structure_is_where_steps_stand_out_of_noise(step: int, edges: bool) -> None:
    """A step blurred by 2 px has the slope step / (2 sqrt(2 pi)); 2.5 shades a pixel count, each eighth pixel looked at, four about it."""
    picture = np.full((80, 160, 3), 100, np.uint8)
    picture[:, 84:] += np.uint8(step)
    assert structure(picture) == pytest.approx(2 / 20 if edges else 0.0)
    assert structure(np.ascontiguousarray(picture.transpose(1, 0, 2))) == structure(picture)


def test_something_before_a_kept_view_is_foreign_by_its_area(street: np.ndarray) -> None:
    view = np.repeat(street[..., None], 3, axis=2)
    seen = np.ones(street.shape, bool)
    for width in (96, 140):
        hidden = view.copy()
        y, x = np.mgrid[:120, :width]
        hidden[100:220, 60 : 60 + width] = (120 + 90 * np.sin((x + y) / 3))[..., None]
        share = foreign_share(view, hidden, seen)
        assert share == pytest.approx(120 * width / (384 * 256), rel=0.45)
        assert foreign_share(hidden, view, seen) == pytest.approx(share, abs=0.03), "gone or come"
        assert foreign_share(view[:, ::-1].copy(), hidden[:, ::-1].copy(), seen) == pytest.approx(share, abs=0.03)
        outside = seen.copy()
        outside[90:230, 50:220] = False
        assert foreign_share(view, hidden, outside) == 0.0
    assert foreign_share(view, np.full_like(view, 128), seen) == 0.0


# -- turns of a camera -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("zoom", [0.5, 0.9, 1.0, 1.3, 2.0])
def test_a_zoom_multiplies_the_focal_length(zoom: float) -> None:
    assert _zoomed(LENS, zoom).focal_px == pytest.approx(zoom * LENS.focal_px)
    assert _zoomed(FISHEYE, zoom).focal_px == pytest.approx(zoom * FISHEYE.focal_px)
    assert _zoomed(Lens(384, 256, 200.0, projection="equidistant"), 0.5).hfov_deg == 360.0 and _zoomed(LENS, 1.0) is LENS


@pytest.mark.parametrize("before", [(40.0, -20.0, 3.0), (350.0, 0.0, 0.0), (10.0, -79.0, -2.0)])
@pytest.mark.parametrize("change", [(4.0, -3.0, 2.0), (-15.0, 5.0, -6.0)])
def test_a_turn_is_told_as_the_change_of_pan_pitch_and_roll(before: tuple[float, float, float], change: tuple[float, float, float]) -> None:
    after = tuple(b + c for b, c in zip(before, change, strict=True))
    rotation = camera_from_world(*after) @ camera_from_world(*before).T
    found, _ = pose_change_deg(rotation, np.ones(3), before[1], before[2])
    assert found == pytest.approx(change, abs=1e-9)


def test_scatter_about_the_cameras_axes_is_that_of_pan_pitch_and_roll() -> None:
    """Level: the axes' own. Pitched: a turn about y pans by 1 / cos(pitch) and rolls by tan(pitch)."""
    _, level = pose_change_deg(np.eye(3), np.array([0.1, 0.2, 0.3]))
    assert level == pytest.approx([0.2, 0.1, 0.3], rel=1e-3)
    _, pitched = pose_change_deg(np.eye(3), np.array([0.0, 0.2, 0.0]), -60.0)
    assert pitched == pytest.approx([0.4, 0.0, 0.2 * np.tan(np.radians(60.0))], rel=0.01, abs=1e-3)


@pytest.mark.parametrize(("pitch", "sign"), [(-88.0, 1.0), (88.0, -1.0)])
def test_straight_down_the_turn_about_the_axis_is_pan(pitch: float, sign: float) -> None:
    rotation = camera_from_world(10.0 + 5.0, np.sign(pitch) * 90.0) @ camera_from_world(10.0, np.sign(pitch) * 90.0).T
    found, sd = pose_change_deg(rotation, np.array([0.1, 0.2, 0.3]), pitch)
    assert found == pytest.approx([5.0, 0.0, 0.0], abs=1e-9) and sd.tolist() == [0.3, 0.1, 0.2] and sign in (1.0, -1.0)
    tipped = cv2.Rodrigues(np.radians([2.0, 0.0, 0.0]))[0]
    assert pose_change_deg(tipped, np.ones(3), pitch)[0] == pytest.approx([0.0, -2.0, 0.0])
    leaning = cv2.Rodrigues(np.radians([0.0, 2.0, 0.0]))[0]
    assert pose_change_deg(leaning, np.ones(3), pitch)[0] == pytest.approx([0.0, 0.0, -2.0])


def turned_points(lens: Lens, rotation: np.ndarray, zoom: float, count: int, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    before = rng.uniform([10, 10], [lens.width_px - 10, lens.height_px - 10], (3 * count, 2))
    after = _zoomed(lens, zoom).project(lens.unproject(before) @ rotation.T) + rng.normal(0, noise, (3 * count, 2))
    good = lens.in_frame(after)
    return before[good][:count], after[good][:count]


@pytest.mark.parametrize("lens", [LENS, FISHEYE])
@pytest.mark.parametrize(("turn_deg", "zoom"), [((1.0, -4.0, 2.0), 1.0), ((-3.0, 2.0, -6.0), 1.3), ((0.0, 5.0, 0.0), 0.75)])
def test_a_turn_and_a_zoom_are_found_among_strays(lens: Lens, turn_deg: tuple[float, float, float], zoom: float) -> None:
    rotation = cv2.Rodrigues(np.radians(turn_deg))[0]
    before, after = turned_points(lens, rotation, zoom, 120, 0.3, 2)
    after[:40] = np.random.default_rng(3).uniform([0, 0], [384, 256], (40, 2))
    found = _solved(lens, lens, before, after, 120)
    assert found is not None and found.method == "features" and found.matches == 120
    off = np.degrees(cv2.Rodrigues(found.rotation @ rotation.T)[0].ravel())
    assert np.abs(off).max() < 0.08 and found.zoom == pytest.approx(zoom, rel=0.004)
    assert 80 <= found.inliers <= 83 and found.spread > 0.9
    assert found.today_lens.focal_px == pytest.approx(found.zoom * lens.focal_px) and found.reference_lens is lens


def test_the_stated_scatter_of_a_turn_is_that_of_its_errors() -> None:
    """60 draws of 60 points a pixel off: errors over their sd have a root mean square of one; by hand about f: 1 / (f sqrt(n))."""
    rotation, offs, sds = cv2.Rodrigues(np.radians([1.0, 2.0, -1.0]))[0], [], []
    for seed in range(60):
        found = _solved(LENS, LENS, *turned_points(LENS, rotation, 1.0, 60, 0.7, seed), 60)
        assert found is not None
        offs.append(np.degrees(cv2.Rodrigues(found.rotation @ rotation.T)[0].ravel()))
        sds.append(found.rotation_sd_deg)
    ratio = np.sqrt(np.mean((np.array(offs) / np.array(sds)) ** 2, axis=0))
    assert ratio == pytest.approx(1.0, abs=0.35)
    assert np.mean(sds, axis=0)[:2] == pytest.approx(np.degrees(0.7 / LENS.focal_px / np.sqrt(60)), rel=0.6)


def test_a_turn_is_no_better_known_than_the_lens_and_the_method() -> None:
    rotation = cv2.Rodrigues(np.radians([0.0, 10.0, 0.0]))[0]
    points = turned_points(LENS, rotation, 1.0, 100, 0.0, 4)
    sure = _solved(LENS, LENS, *points, 100)
    vague = _solved(LENS, replace(LENS, hfov_sd_deg=3.0), *points, 100)
    assert sure is not None and vague is not None
    assert 0.01 <= sure.rotation_sd_deg.min() < 0.02
    assert np.sqrt(vague.rotation_sd_deg**2 - sure.rotation_sd_deg**2) == pytest.approx(10.0 * 3.0 / 60.0, rel=0.02)
    assert _solved(LENS, LENS, points[0][:3], points[1][:3], 3) is None


def test_each_picture_is_seen_through_its_own_lens() -> None:
    """The same turn between a picture through one lens and one of another size through another."""
    rotation, wide = cv2.Rodrigues(np.radians([1.0, -4.0, 2.0]))[0], Lens(300, 280, 75.0)
    before = np.random.default_rng(8).uniform([20, 20], [360, 230], (90, 2))
    after = wide.project(LENS.unproject(before) @ rotation.T)
    dims = np.eye(128, dtype=np.float32)[:90]
    one, other = Features(LENS, before, dims, np.zeros((256, 384), np.uint8)), Features(wide, after, dims[::-1].copy(), np.zeros((280, 300), np.uint8))
    other = replace(other, points_px=after[::-1].copy())
    pairs = _match(one.descriptors, other.descriptors)
    assert pairs.tolist() == [[n, 89 - n] for n in range(90)]
    found = _from_pairs(one, other, pairs)
    assert found.rotation == pytest.approx(rotation, abs=1e-4) and found.zoom == pytest.approx(1.0, abs=1e-3)
    assert found.reference_lens is LENS and (found.today_lens.width_px, found.today_lens.height_px) == (300, 280)


@pytest.mark.parametrize(("right", "rest"), [(20, 0), (60, 0), (30, 30), (12, 8), (25, 75)])
def test_one_views_probability_is_told_by_matches_share_and_spread(right: int, rest: int) -> None:
    """As chosen: 0.9 a match beyond eight, 4 by the share and 3 by the spread over three tenths; with thirty matches, 45 % must agree."""
    rotation = cv2.Rodrigues(np.radians([0.0, 3.0, 0.0]))[0]
    before, after = turned_points(LENS, rotation, 1.0, right + rest, 0.2, 5)
    after[right:] = np.random.default_rng(6).uniform([0, 0], [384, 256], (rest, 2))
    one, other = (Features(LENS, points, np.zeros((len(points), 128), np.float32), np.zeros((256, 384), np.uint8)) for points in (before, after))
    found = _from_pairs(one, other, np.stack([np.arange(right + rest)] * 2, axis=1))
    share = found.inliers / (right + rest)
    odds = np.clip(0.9 * (found.inliers - 8) + 4 * (share - 0.3) + 3 * (found.spread - 0.3), -6, 9)
    expected = 1 / (1 + np.exp(-odds))
    if right + rest >= 30:
        expected /= 1 + np.exp(-40 * (share - 0.45))
    assert found.same_view_probability == pytest.approx(expected) and abs(found.inliers - right) <= max(2, rest // 20)
    cells = {(int(x * 4 // 384), int(y * 3 // 256)) for x, y in after[:right]}
    assert found.spread == pytest.approx(len(cells) / 12, abs=1 / 11)


def test_no_pairs_show_nothing_in_common() -> None:
    empty = Features(LENS, np.zeros((0, 2)), np.zeros((0, 128), np.float32), np.zeros((256, 384), np.uint8))
    found = _from_pairs(empty, empty, np.zeros((0, 2), np.int64))
    assert (found.method, found.inliers, found.same_view_probability, found.zoom, found.spread) == ("none", 0, 0.02, 1.0, 0.0)
    assert found.rotation.tolist() == np.eye(3).tolist() and found.rotation_sd_deg.tolist() == [180.0] * 3


def test_matches_are_each_others_best_and_stand_out() -> None:
    """Lowe 2004: the ratio of the two distances; for unit vectors the squared distance is 2 (1 - likeness)."""
    basis = np.eye(6, dtype=np.float32)

    def near(axis: int, cosine: float, other: int) -> np.ndarray:
        return cosine * basis[axis] + np.sqrt(1 - cosine**2, dtype=np.float32) * basis[other]

    seconds = {True: 1 - 0.1 / 0.82**2 * 1.05, False: 1 - 0.1 / 0.82**2 * 0.95}
    for distinct, second in seconds.items():
        b = np.stack([near(0, 0.9, 4), near(0, second, 5), basis[1]])
        assert _match(np.stack([basis[0], basis[1]]), b).tolist() == ([[0, 0], [1, 2]] if distinct else [[1, 2]])
    twice = np.stack([near(0, 0.95, 4), near(0, 0.99, 5), basis[2]])
    assert _match(twice, np.stack([basis[0], basis[2]])).tolist() == [[1, 0], [2, 1]], "each is taken once, by the nearer"
    assert _match(twice[:1], twice).shape == _match(twice, twice[:1]).shape == (0, 2)
    points = np.array([[1.0, 2], [3, 4], [5, 6]])
    one, other = Features(LENS, points, twice, np.zeros((1, 1), np.uint8)), Features(LENS, points[:2] + 10, np.stack([basis[0], basis[2]]), np.zeros((1, 1), np.uint8))
    there, here = matched_points(one, other)
    assert there.tolist() == [[3, 4], [5, 6]] and here.tolist() == [[11, 12], [13, 14]]


def test_features_lie_within_the_picture_and_off_what_is_burnt_in(street: np.ndarray) -> None:
    text = np.zeros(street.shape, np.uint8)
    text[:128] = 255
    found = detect_features(street, LENS, text)
    assert len(found.points_px) == len(found.descriptors) > 50 and found.points_px[:, 1].min() > 127
    assert np.linalg.norm(found.descriptors, axis=1) == pytest.approx(1.0, abs=1e-3), "roots of shares (Arandjelovic and Zisserman 2012)"
    faint = detect_features((street // 8 + 100).astype(np.uint8), LENS)
    assert len(faint.points_px) > 0.5 * len(detect_features(street, LENS).points_px), "contrast is stretched first"
    flat = detect_features(np.full((256, 384), 90, np.uint8), LENS)
    assert flat.points_px.shape == (0, 2) and flat.descriptors.shape == (0, 128)


def registration(rotation: np.ndarray, before: Lens, after: Lens) -> Registration:
    return Registration(rotation, np.full(3, 0.1), after.focal_px / before.focal_px, 0.01, 50, 60, 1.0, "features", 0.99, before, after)


def test_a_plane_map_is_the_turn_through_both_lenses() -> None:
    rotation = cv2.Rodrigues(np.radians([3.0, -5.0, 2.0]))[0]
    after = replace(_zoomed(LENS, 1.2), principal_px=(170.0, 140.0))
    pixels = np.random.default_rng(1).uniform([0, 0], [384, 256], (20, 2))
    there = after.project(LENS.unproject(pixels) @ rotation.T)
    found = cv2.perspectiveTransform(pixels[None], plane_map(registration(rotation, LENS, after)))[0]
    assert found == pytest.approx(there, abs=1e-6)


@pytest.mark.parametrize("lens", [LENS, FISHEYE, replace(LENS, k1=-0.1)])
def test_the_reference_as_todays_camera_would_see_it(lens: Lens) -> None:
    """A picture whose shade is its column, then its row: each pixel shows where its ray lay before, and only where that is in the picture."""
    rotation = cv2.Rodrigues(np.radians([2.0, 4.0, 3.0]))[0]
    y, x = np.mgrid[:256, :384]
    where = lens.project(lens.unproject(np.stack([x, y], -1).astype(float)) @ rotation)
    inside = (where[..., 0] > 1) & (where[..., 0] < 382) & (where[..., 1] > 1) & (where[..., 1] < 254)
    for axis, shades in ((0, (x / 2).astype(np.uint8)), (1, y.astype(np.uint8))):
        warped, valid = reference_in_today(registration(rotation, lens, lens), shades)
        assert warped.shape == valid.shape == (256, 384)
        assert np.abs(warped - where[..., axis] / (2 - axis))[inside & valid].max() < 1.6
        assert (valid == inside)[np.isfinite(where).all(axis=-1)].mean() > 0.98
        outer = (where[..., 0] < -2) | (where[..., 0] > 386) | (where[..., 1] < -2) | (where[..., 1] > 258) | ~np.isfinite(where).all(axis=-1)
        assert not valid[outer].any()


def test_pictures_in_place_are_not_moved(street: np.ndarray) -> None:
    same, valid = reference_in_today(registration(np.eye(3), LENS, LENS), street)
    assert same is street and valid.all()
    moved, _ = reference_in_today(registration(cv2.Rodrigues(np.radians([0.0, 0.2, 0.0]))[0], LENS, LENS), street)
    assert moved is not street and not np.array_equal(moved, street)


def test_a_known_turn_of_a_photograph_is_registered(street: np.ndarray) -> None:
    rotation = cv2.Rodrigues(np.radians([1.5, -3.0, 2.0]))[0]
    today = cv2.warpPerspective(street, plane_map(registration(rotation, LENS, LENS)), SIZE, borderMode=cv2.BORDER_REFLECT)
    found = register(street, today, LENS)
    off = np.degrees(np.linalg.norm(cv2.Rodrigues(found.rotation @ rotation.T)[0]))
    assert off < 0.1 and found.method == "features" and found.same_view_probability > 0.95 and found.zoom == pytest.approx(1.0, abs=0.01)
    dark = np.clip((255 - today.astype(float)) * 0.25 + np.random.default_rng(1).normal(0, 3, today.shape), 0, 255).astype(np.uint8)
    by_night = register(street, dark, LENS)
    off = np.degrees(np.linalg.norm(cv2.Rodrigues(by_night.rotation @ rotation.T)[0]))
    assert by_night.method == "layout" and off < 3 * np.linalg.norm(by_night.rotation_sd_deg) and off < 0.6
    assert np.degrees(0.2 / LENS.focal_px) < by_night.rotation_sd_deg.min() < 0.3


# -- plane maps ------------------------------------------------------------------------------------------------------------


def test_a_plane_map_at_another_size_moves_the_same_points() -> None:
    matrix = np.array([[1.02, 0.03, 5.0], [-0.02, 0.98, -3.0], [1e-4, -5e-5, 1.0]])
    points = np.random.default_rng(1).uniform(0, 200, (10, 2))
    there = cv2.perspectiveTransform(points[None], matrix)[0]
    found = cv2.perspectiveTransform(((points + 0.5) * 2.5 - 0.5)[None], _resized(matrix, 2.5))[0]
    assert found == pytest.approx((there + 0.5) * 2.5 - 0.5)


def test_corners_area_and_moves() -> None:
    grid = _grid(385, 257)
    assert grid.tolist() == [[x, y] for y in (0, 128, 256) for x in (0, 192, 384)] and abs(_area(grid)) == 384 * 256
    shift = Laying(np.array([[1.0, 0, 12], [0, 1, 5], [0, 0, 1]]), 20)
    assert moved_share(shift, (257, 385)) == pytest.approx(13 / 385)
    assert shift.turned_round().matrix == pytest.approx(np.array([[1.0, 0, -12], [0, 1, -5], [0, 0, 1]])) and shift.turned_round().matches == 20
    keep = np.ones((60, 80), bool)
    keep[:, :10] = False
    reach = reach_of(shift, keep)
    assert not reach[:, :22].any() and not reach[:5].any() and reach[5:, 22:].all()
    picture = np.random.default_rng(1).integers(0, 255, (60, 80, 3), np.uint8)
    moved, there = laid_over(shift, picture, keep)
    assert np.array_equal(moved[5:, 12:], picture[:55, :68]) and np.array_equal(there, reach)


@pytest.mark.parametrize(("change", "fits"), [(np.eye(3), True), (np.diag([1.35, 1.35, 1.0]), True), (np.diag([1.5, 1.5, 1.0]), False),
                                              (np.diag([0.68, 0.68, 1.0]), False), (np.array([[1.0, 0, 260], [0, 1, 0], [0, 0, 1]]), True),
                                              (np.array([[1.0, 0, 275], [0, 1, 0], [0, 0, 1]]), False)])  # fmt: skip
def test_a_plane_map_is_one_that_a_turn_can_bring(change: np.ndarray, fits: bool) -> None:
    """Areas within a factor of two, no corner farther than seven tenths of the width."""
    points = np.random.default_rng(2).uniform([0, 0], [383, 255], (60, 2))
    inside = Lens(384, 256, 60.0)
    here = cv2.perspectiveTransform(points[None], change)[0]
    found = _plane(points, here, inside, 0)
    assert (found is not None) == fits
    if found is not None:
        assert found.matches == 60 and found.matrix / found.matrix[2, 2] == pytest.approx(change, abs=1e-3)


@pytest.mark.parametrize(("count", "spread", "fields", "told"), [(11, 384, 1, False), (12, 384, 1, True), (40, 90, 4, False), (40, 384, 12, True)])
def test_a_plane_map_needs_twelve_matches_in_enough_fields(count: int, spread: int, fields: int, told: bool) -> None:
    points = np.random.default_rng(3).uniform([0, 0], [spread - 1, 255 if spread == 384 else 80], (count, 2))
    assert (_plane(points, points + [2.0, 1.0], LENS, fields) is not None) == told


def test_pictures_of_one_place_lie_over_one_another_both_ways() -> None:
    photo = cv2.resize(data.stereo_motorcycle()[0], (740, 500), interpolation=cv2.INTER_AREA)
    parts = [np.ascontiguousarray(photo[y : y + 360, x : x + 640]) for x, y in ((50, 70), (8, 84))]
    found = laid_pairs([*parts, cv2.resize(data.coffee(), (640, 360))])
    assert set(found) == {(0, 1), (1, 0)}
    points = np.array([[100.0, 80.0], [500.0, 300.0]])
    assert cv2.perspectiveTransform(points[None], found[0, 1].matrix)[0] - points == pytest.approx(np.array([[-42.0, 14.0]] * 2), abs=0.3)
    assert found[0, 1].matrix @ found[1, 0].matrix == pytest.approx(np.eye(3), abs=1e-9)


# -- which reference it is -------------------------------------------------------------------------------------------------


def test_what_looks_alike_in_two_references_votes_for_neither() -> None:
    """Three strangers each hold more that is nearly like today's features, and so does a fourth: only what is one reference's own votes."""
    dims, rng = np.eye(128, dtype=np.float32), np.random.default_rng(7)
    points = rng.uniform([20, 20], [360, 230], (104, 2))
    blank = np.full((256, 384), 90, np.uint8)

    def like(numbers: range, cosine: float, aside: int) -> np.ndarray:
        return np.stack([cosine * dims[n] + np.sqrt(1 - cosine**2) * dims[aside] for n in numbers]).astype(np.float32)

    strangers = [like(range(20 + 28 * k, 48 + 28 * k), 0.9, 120 + k) for k in range(3)]
    fourth = like(range(20, 104), 0.89, 126)
    held = [*strangers, fourth, dims[:20]]
    known = [Features(LENS, rng.uniform([20, 20], [360, 230], (len(h), 2)) if k < 4 else points[:20], h, blank) for k, h in enumerate(held)]
    today = Features(LENS, points, dims[:104], blank)
    everything = np.concatenate(held)
    starts = np.cumsum([0, *(len(h) for h in held[:-1])])
    found = _best(today, known, everything, starts, np.arange(5))
    assert found.reference == 4 and found.inliers == 20 and found.probability > 0.9
    assert _best(replace(today, descriptors=dims[:1]), known, everything, starts, np.arange(5)) == ViewMatch(None, 0.0, 0)


@pytest.mark.parametrize(("probability", "told"), [(0.89, ()), (0.9, ((0, 5),))])
def test_only_a_sure_look_shows_another_cameras_view(probability: float, told: tuple[tuple[int, int], ...]) -> None:
    rest = [ViewMatch(None, 0.0, 0)] * 5
    assert shown_elsewhere([ViewMatch(15, probability, 40), *rest], [10, 11, 12, 13, 14, 15]) == told
    assert shown_elsewhere([ViewMatch(10, 1.0, 40), ViewMatch(99, 1.0, 40)], [10, 11]) == (), "its own, and one of no picture"


def test_work_size_keeps_the_longer_side() -> None:
    assert grey_at_work_size(np.zeros((1000, 500, 3), np.uint8)).shape == (384, 192)

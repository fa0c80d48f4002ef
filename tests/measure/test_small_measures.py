"""Parts of measuring that have an answer by hand: cut-off rows, shares with their doubt, several pictures as one, an edge's row."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from audit.frames import roll_pitch_from_up
from audit.lens import Lens
from audit.measure.clarity import together
from audit.measure.dirt_model import KINDS, Verdict
from audit.measure.horizon import open_horizon
from audit.measure.losses import hidden_share, spoiled_share
from audit.measure.overlay import Overlay, _rims
from audit.measure.registration import Features, _fitted, grey_at_work_size
from audit.measure.segments import arcs, of_the_scene
from audit.measure.view import _one_tone_below
from tests.measure.test_horizon import LIMITS, sea


@pytest.mark.parametrize("cut", [0, 1, 30, 99, 100])
def test_rows_of_one_tone_are_counted_from_below(cut: int) -> None:
    picture = np.random.default_rng(1).integers(0, 256, (100, 80, 3), np.uint8)
    picture[100 - cut :] = 128
    assert _one_tone_below(picture) == cut / 100
    picture[:] = picture[:, :1] if cut == 100 else picture
    above = picture[::-1].copy()
    above[-1] = np.arange(80)[:, None]
    assert _one_tone_below(above) == 0.0, "a plain sky above is not cut off"


def verdict(dirty: float, spoiled: float | np.ndarray, kind: str = "haze", shape: tuple[int, int] = (12, 20)) -> Verdict:
    """One cause, one share of doubt in every cell or a map of it."""
    cells = np.zeros((len(KINDS), *shape), np.float32)
    cells[0] = 1 - np.broadcast_to(spoiled, shape)
    cells[KINDS.index(kind)] = np.broadcast_to(spoiled, shape)
    kinds = np.zeros(len(KINDS), np.float32)
    kinds[0], kinds[KINDS.index(kind)] = 1 - dirty, dirty
    return Verdict(kinds, cells)


def half(spoiled: float = 1.0) -> np.ndarray:
    return np.where(np.arange(20) < 10, spoiled, 0.0)


def test_a_share_is_that_of_the_cells_that_were_seen() -> None:
    seen = np.ones((12, 20), bool)
    assert spoiled_share(verdict(1.0, half()), seen)[0] == 0.5
    seen[:, :5] = False
    assert spoiled_share(verdict(1.0, half()), seen)[0] == pytest.approx(1 / 3)
    assert spoiled_share(verdict(1.0, half()), np.zeros((12, 20), bool)) == (None, None)
    share, sd = spoiled_share(verdict(0.3, half()), np.ones((12, 20), bool))
    assert share == 0.0 and sd is not None and 0.1 < sd <= 0.5, "likelier clean: none, and the doubt holds the half that it may be"
    whole = np.ones((12, 20), bool)
    doubts = [spoiled_share(verdict(p, half()), whole)[1] for p in (0.5, 0.7, 0.9, 1.0)]
    assert doubts == sorted(doubts, reverse=True), "the surer, the less doubt"
    assert spoiled_share(verdict(1.0, half(0.8)), whole)[1] > spoiled_share(verdict(1.0, half(1.0)), whole)[1]  # type: ignore[operator]


def test_hidden_is_what_is_blocked_and_nothing_else() -> None:
    whole = np.ones((12, 20), bool)
    assert hidden_share(verdict(1.0, half(), "blocked"), whole)[0] == 0.5
    for other in ("haze", "spots", "cobweb"):
        share, sd = hidden_share(verdict(1.0, half(), other), whole)
        assert share == 0.0 and sd is not None and sd < 0.05


def test_several_pictures_of_one_scene_say_more_than_one_and_no_more_than_they_show() -> None:
    dirty = [verdict(0.8, 0.6), verdict(0.7, 0.5), verdict(0.9, 0.4)]
    both = together(dirty)
    assert both.kinds.sum() == pytest.approx(1.0) and both.kinds[KINDS.index("haze")] == pytest.approx(both.dirty)
    assert together(dirty[::-1]).dirty == pytest.approx(both.dirty), "in any order"
    assert together([*dirty, verdict(0.05, 0.6)]).dirty < both.dirty
    assert together(dirty * 3).dirty > both.dirty, "the more say so"
    clean = [verdict(0.1, 0.0)] * 2
    assert together(clean * 3).dirty < together(clean).dirty < 0.5
    one_place = [verdict(0.5, half())] * 3
    moving = [verdict(0.5, np.roll(half(), 7 * k)) for k in range(3)]
    assert together(one_place).dirty > together(moving).dirty, "what is spoiled in every picture is on the glass"
    assert together(one_place).cells[0][:, :10].max() < 0.01 < 0.9 < together(one_place).cells[0][:, 10:].min()


@pytest.mark.parametrize("pitch_deg", [-8.0, -3.3, 0.0, 2.7, 6.1])
def test_the_seas_horizon_is_found_to_half_a_pixel(pitch_deg: float) -> None:
    """Its drawn edge has whole rows, so no answer is nearer than that."""
    lens = Lens(1600, 900, 75.0)
    picture, logit = sea(lens, 0.0, pitch_deg)
    cue = open_horizon(logit, picture, lens, LIMITS)
    assert cue is not None
    off = np.radians(roll_pitch_from_up(cue.up)[1] - pitch_deg) * lens.focal_px
    assert abs(off) < 0.52


def test_working_size_is_never_larger_and_keeps_the_shape() -> None:
    picture = np.random.default_rng(2).integers(0, 256, (300, 400, 3), np.uint8)
    assert np.array_equal(grey_at_work_size(picture, 400), grey_at_work_size(picture, 4000))
    assert grey_at_work_size(picture, 4000).shape == (300, 400)
    assert grey_at_work_size(picture, 100).shape == (75, 100)
    red = np.zeros((30, 40, 3), np.uint8)
    red[..., 0] = 255
    assert abs(int(grey_at_work_size(red).mean()) - 0.299 * 255) < 1, "ITU-R BT.601"


def kept(segments: np.ndarray, rim: tuple[int, int, int, int], mask: np.ndarray) -> np.ndarray:
    return of_the_scene(segments, Overlay(mask, rim))


def test_what_runs_along_a_burnt_in_edge_goes_on_every_side_alike() -> None:
    """Left and right, above and below, rows and columns: a turned or mirrored picture keeps the turned or mirrored lines."""
    rng = np.random.default_rng(3)
    height, width, rim = 300, 400, (12, 7, 25, 18)
    ends = rng.uniform(0, 1, (4000, 4)) * [width - 1, height - 1, width - 1, height - 1]
    ends[:1500, 2] = ends[:1500, 0] + rng.uniform(-1, 1, 1500)
    ends[1500:3000, 3] = ends[1500:3000, 1] + rng.uniform(-1, 1, 1500)
    ends = np.clip(ends, 0, [width - 1, height - 1, width - 1, height - 1])
    mask = np.zeros((height, width), bool)
    mask[100:140, 200:290] = True
    own = kept(ends, rim, mask)
    assert 0.5 * len(ends) < len(own) < 0.95 * len(ends)
    left, top, right, bottom = rim
    flip = np.array([width - 1, 0, width - 1, 0])
    mirrored = kept(np.abs(flip - ends), (right, top, left, bottom), mask[:, ::-1].copy())
    assert np.allclose(np.abs(flip - mirrored), own)
    flop = np.array([0, height - 1, 0, height - 1])
    upside_down = kept(np.abs(flop - ends), (left, bottom, right, top), mask[::-1].copy())
    assert np.allclose(np.abs(flop - upside_down), own)
    turned = kept(ends[:, [1, 0, 3, 2]], (top, left, bottom, right), mask.T.copy())
    assert np.allclose(turned[:, [1, 0, 3, 2]], own)
    upright = np.array([[left + 1.0, 50, left + 1.0, 250], [width / 2, 50, width / 2, 250], [width - 2.0 - right, 50, width - 2.0 - right, 250]])
    assert np.array_equal(kept(upright, rim, mask), kept(upright[1:2], rim, mask)), "the edges' own lines go, the one between may stay"


def test_a_long_line_tells_its_direction_better_than_a_short_one() -> None:
    lens = Lens(800, 600, 60.0)
    lines = np.array([[100.0, 100, 100, 140], [100.0, 100, 100, 500], [0.0, 300, 799, 300], [5.0, 5, 5, 5]])
    found = arcs(lines, lens, 0.5, 0.5, 0.001)
    assert len(found.normal) == 3, "a point is no line"
    rays = lens.unproject(lines[:3].reshape(-1, 2, 2))
    assert np.abs(np.einsum("nik,nk->ni", rays, found.normal)).max() < 1e-9, "both ends lie in its plane"
    assert np.allclose(np.linalg.norm(found.normal, axis=1), 1.0) and np.allclose(np.linalg.norm(found.middle, axis=1), 1.0)
    assert found.length_px[:3] == pytest.approx([20.0, 200.0, 399.5]), "at the size at which it was found"
    assert found.sd_rad == pytest.approx(np.hypot(0.5 / np.array([20.0, 200.0, 399.5]), 0.001))


@pytest.mark.parametrize(("size", "grown"), [((240, 320), 2), ((200, 320), 2), ((280, 320), 2), ((480, 640), 1), ((400, 640), 1)])
def test_todays_picture_is_laid_onto_the_references_width_about_the_middle(size: tuple[int, int], grown: int) -> None:
    """Smaller, flatter or higher than the reference of 640 × 480: what was never seen is marked as not to be compared."""
    height, width = size
    rows, columns = np.mgrid[:height, :width].astype(float)
    grey = np.clip(20 + 200 * columns / width + 30 * np.sin(rows / 9), 0, 255).astype(np.uint8)
    today = Features(Lens(width, height, 60.0), np.zeros((0, 2)), np.zeros((0, 128), np.float32), grey, None)
    laid, outside = _fitted(today, (480, 640))
    assert laid.shape == (480, 640)
    if size == (480, 640):
        assert laid is grey and outside is None
        return
    assert outside is not None
    missing = max(0, 480 - grown * height) // 2
    assert abs(int((outside[:, 320] > 0).sum()) - 2 * missing) <= 2 and not outside[missing + 2 : 478 - missing].any()
    middle = laid[240 - 40 * grown : 240 + 40 * grown, 200:440]
    want = cv2.resize(grey, None, fx=grown, fy=grown, interpolation=cv2.INTER_LINEAR)
    centre = want.shape[0] // 2
    assert np.abs(middle.astype(int) - want[centre - 40 * grown : centre + 40 * grown, 200:440]).max() <= 4


@pytest.mark.parametrize(("left", "right"), [(0, 0), (9, 0), (0, 12), (6, 14)])
def test_a_black_edge_is_as_deep_as_it_is_on_its_own_side(left: int, right: int) -> None:
    shade = np.random.default_rng(4).integers(60, 200, (120, 320), np.uint8)
    shade[:, :left] = 0
    shade[:, 320 - right :] = 0
    found = _rims(shade)
    assert [abs(depth - edge) <= 3 if edge else depth == 0 for depth, edge in zip(found, (left, right), strict=True)] == [True, True]
    assert _rims(np.ascontiguousarray(shade[:, ::-1])) == found[::-1]

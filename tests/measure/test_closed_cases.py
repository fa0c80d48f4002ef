"""Cases small enough that the right answer is known without measuring: what symmetry, least squares or a drawn picture says."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from skimage import data

from audit.lens import Lens
from audit.measure import registration
from audit.measure.board import _dictionary, board_numbers, find_boards
from audit.measure.flat_field import _ratios
from audit.measure.horizon import _great_circle
from audit.measure.laying import Laying
from audit.measure.layout import foreign_share, structure
from audit.measure.registration import register
from audit.measure.remaining import octave_bands
from audit.measure.screens import several_views
from audit.measure.sky import _reduced

NUMBERS = tuple(board_numbers("a site", [(f"C{i}", "gate") for i in range(2)]).values())


def marker(number: int, side_px: int) -> np.ndarray:
    """A printed board seen straight on, with its white edge (drawn by OpenCV)."""
    printed = cv2.aruco.generateImageMarker(_dictionary(), number, side_px)
    return np.pad(printed, side_px // 4, constant_values=255)


def test_two_boards_that_hang_beside_one_another_are_both_read() -> None:
    picture = np.full((400, 640, 3), 150, np.uint8)
    pair = np.hstack([marker(number, 80) for number in NUMBERS])
    picture[100 : 100 + pair.shape[0], 100 : 100 + pair.shape[1]] = pair[..., None]
    found = {board.number: board.middle_px for board in find_boards(picture)}
    assert set(found) == set(NUMBERS)
    apart = np.subtract(found[NUMBERS[1]], found[NUMBERS[0]])
    assert apart == pytest.approx([marker(NUMBERS[0], 80).shape[1], 0], abs=1.0)


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (1000, 1000)])
def test_the_circle_of_a_centred_lens_lies_evenly_in_its_picture(size: tuple[int, int]) -> None:
    """A centred circle is its own mirror image, also in the smaller picture that is worked on."""
    small = _reduced(np.full((size[1], size[0], 3), 120, np.uint8), Lens(*size, 180.0, projection="equidistant"))
    assert not small.inside[0, 0] and small.inside.any()
    assert (small.inside == small.inside[:, ::-1]).all() and (small.inside == small.inside[::-1]).all()


@pytest.mark.parametrize(("share", "told"), [(0.45, False), (0.75, True)])
def test_a_seam_must_run_along_most_of_each_half(share: float, told: bool) -> None:
    """A cross through the middle of a plain picture: poles and beams stop short, the seams of a screen don't."""
    picture = np.full((640, 640, 3), 90, np.uint8)
    reach = round(320 * share)
    for low in (0, 320):
        picture[low : low + reach, 316:324] = 200
        picture[316:324, low : low + reach] = 200
    assert several_views(picture) is told


def test_what_is_foreign_is_so_in_the_mirror_too() -> None:
    """Both pictures turned over alike show the same: no side of a picture counts for more."""
    street = cv2.resize(data.stereo_motorcycle()[0], (512, 384), interpolation=cv2.INTER_AREA)
    hidden = street.copy()
    part = street[128:320, 64:288].reshape(-1, 3)
    hidden[128:320, 64:288] = np.random.default_rng(0).permutation(part).reshape(192, 224, 3)
    seen = np.ones(street.shape[:2], bool)
    found = foreign_share(street, hidden, seen)
    assert found > 0.1
    for turn in (np.flipud, np.fliplr):
        over = [np.ascontiguousarray(turn(p)) for p in (street, hidden)]
        assert foreign_share(*over, seen) == pytest.approx(found, abs=1e-9)


def test_a_view_that_stands_is_found_without_a_search_for_its_zoom(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = []
    solve = registration._consensus

    def counted(*arguments: Any) -> Any:
        tried.append(arguments)
        return solve(*arguments)

    monkeypatch.setattr(registration, "_consensus", counted)
    street = cv2.cvtColor(cv2.resize(data.stereo_motorcycle()[0], (640, 360), interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    found = register(street, street, Lens(640, 360, 70.0))
    assert found.zoom == pytest.approx(1.0, abs=1e-3) and len(tried) == 1
    register(street, np.asarray(cv2.resize(street[60:300, 107:533], (640, 360))), Lens(640, 360, 70.0))
    assert len(tried) > 2


def test_three_rays_near_a_great_circle_are_fitted_by_least_squares() -> None:
    """The plane through the middle from which their squares are smallest: the last singular vector (numpy)."""
    rays = np.array([[1.0, 0.0, 0.004], [0.6, 0.8, -0.004], [0.0, 1.0, 0.003]])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    normal, on = _great_circle(rays, np.radians(1.0))
    assert on.all()
    assert abs(float(normal @ np.linalg.svd(rays)[2][-1])) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("power", "counts"), [(3.2e-5, False), (5.0e-5, True)])
def test_detail_fainter_than_the_least_says_nothing_of_contrast(power: float, counts: bool) -> None:
    """Noise of which a band holds a known mean square; 4e-5 is the least that counts (chosen)."""
    noise = np.random.default_rng(2).normal(0, 1, (360, 640)).astype(np.float32)
    band = octave_bands(noise)[1]
    log = np.asarray(noise * np.sqrt(power / float((band * band).mean())), np.float32)
    keep = np.ones(log.shape, bool)
    (_, weight), *_ = _ratios(log, octave_bands(log), log, Laying(np.eye(3), 100), keep)
    inner = weight.reshape(9, 16)[2:-2, 2:-2]
    assert bool((inner > 0).all()) is counts and bool((inner > 0).any()) is counts


def test_structure_is_the_same_whichever_way_edges_run() -> None:
    """A picture on its side has as many edges."""
    street = cv2.resize(data.stereo_motorcycle()[0], (512, 512), interpolation=cv2.INTER_AREA)
    bars = np.full((512, 512, 3), 120, np.uint8)
    bars[::64], bars[1::64] = 200, 200
    for picture in (street, bars):
        found = structure(picture)
        assert structure(np.ascontiguousarray(picture.transpose(1, 0, 2))) == pytest.approx(found, abs=0.02) and found > 0.1


@pytest.mark.parametrize(("rows", "told"), [(120, True), (290, False)])
def test_nothing_is_foreign_where_most_of_the_view_is_another(rows: int, told: bool) -> None:
    """A third of the picture hidden is something before it; three quarters another view."""
    street = cv2.resize(data.stereo_motorcycle()[0], (512, 384), interpolation=cv2.INTER_AREA)
    hidden = street.copy()
    hidden[:rows] = np.random.default_rng(0).permutation(street[:rows].reshape(-1, 3)).reshape(rows, 512, 3)
    assert (foreign_share(street, hidden, np.ones(street.shape[:2], bool)) > 0.2) is told

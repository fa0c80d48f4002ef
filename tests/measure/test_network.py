"""The shared network: shapes for any picture, honest refusals, symmetry, and plain scenes whose answer is known."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.network import input_size, look
from training.evaluation_views import level_rotation, render_view

Picture = NDArray[np.uint8]


def open_field(horizon_share: float, size: tuple[int, int] = (720, 1280)) -> Picture:
    """Blue-white sky over textured ground whose grain grows towards the bottom; drawn for this test."""
    height, width = size
    rng = np.random.default_rng(5)
    picture = np.zeros((height, width, 3), np.float32)
    row = int(horizon_share * height)
    t = np.linspace(0, 1, max(row, 1))[:, None, None]
    picture[:row] = np.array([90, 140, 215]) * (1 - t) + np.array([205, 220, 235]) * t
    for y in range(row, height):
        grain = max(2, int(2 + (y - row) / 8))
        line = np.repeat(rng.normal(0, 22, -(-width // grain)), grain)[:width]
        picture[y] = np.array([96, 112, 62]) + line[:, None]
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("size", "rows", "columns"), [((720, 1280), 27, 48), ((480, 640), 30, 40), ((640, 480), 40, 30), ((500, 500), 36, 36)]
)
def test_cells_tile_the_picture_in_its_own_proportions(size: tuple[int, int], rows: int, columns: int) -> None:
    view = look(np.full((*size, 3), 120, np.uint8))
    assert view.up.shape == (rows, columns, 2)
    assert view.latitude_rad.shape == view.up_kappa.shape == view.latitude_sd_rad.shape == (rows, columns)
    assert view.sky_logit.shape == (4 * rows, 4 * columns)


@pytest.mark.parametrize("size", [(1, 1), (1, 4000), (3000, 2), (2, 3), (64, 3000), (1080, 1920), (33, 47)])
def test_any_size_gives_finite_fields(size: tuple[int, int]) -> None:
    view = look(np.random.default_rng(1).integers(0, 256, (*size, 3), dtype=np.uint8))
    for field in (view.up, view.latitude_rad, view.up_kappa, view.latitude_sd_rad, view.sky_logit):
        assert field.dtype == np.float32
        assert np.isfinite(field).all()
    assert np.allclose(np.linalg.norm(view.up, axis=-1), 1, atol=1e-4)
    assert (view.up_kappa > 0).all() and (view.latitude_sd_rad > 0).all()
    assert 0 < view.familiar <= 1


@pytest.mark.parametrize("width", [200, 640, 1000, 1280, 1920, 2592, 4000])
@pytest.mark.parametrize("height", [200, 480, 1000, 1080, 1944, 3000])
def test_proportions_are_kept_within_two_per_cent_up_to_six_to_one(width: int, height: int) -> None:
    if not 1 / 6 <= width / height <= 6:
        pytest.skip("beyond six to one the picture is squeezed")
    w, h = input_size(width, height)
    assert w % 8 == 0 and h % 8 == 0
    assert abs(np.log(w / h / (width / height))) < 0.02


@pytest.mark.parametrize(
    "wrong",
    [np.zeros((10, 10), np.uint8), np.zeros((10, 10, 4), np.uint8), np.zeros((10, 10, 3), np.uint16),
     np.zeros((0, 10, 3), np.uint8)],
)  # fmt: skip
def test_what_is_no_rgb_picture_of_bytes_is_refused(wrong: NDArray[np.generic]) -> None:
    with pytest.raises(ValueError, match="RGB pictures of bytes"):
        look(wrong)  # type: ignore[arg-type]


def test_the_same_picture_gives_the_same_fields() -> None:
    picture = open_field(0.4)
    first, second = look(picture), look(picture.copy())
    assert np.array_equal(first.up, second.up) and np.array_equal(first.sky_logit, second.sky_logit)


def test_weights_fit_the_budget_of_16_megabytes() -> None:
    folder = files("audit.measure").joinpath("weights")
    assert sum(len(f.read_bytes()) for f in folder.iterdir() if f.name.endswith(".onnx")) <= 16e6


def test_open_field_is_seen_from_above_the_horizon_downwards() -> None:
    view = look(open_field(0.45))
    assert (view.sky_logit[int(0.5 * view.sky_logit.shape[0]) :] > 0).mean() < 0.03
    latitude = np.median(view.latitude_rad, axis=1)
    assert latitude[1] > latitude[13] > latitude[-2]
    # at the horizon, 45 % of the height, the latitude is 0; a drawing of two tones is unlike anything the network learned
    # from, and it answers with a wide scatter, which must hold
    at = round(0.45 * len(latitude))
    assert abs(latitude[at]) < 1.96 * np.median(view.latitude_sd_rad[at])


def sky_share(picture: Picture, left: float, top: float, right: float, bottom: float) -> float:
    """Share of a rectangle (in shares of width and height) that is called sky."""
    sky = look(picture).sky_logit > 0
    rows, columns = sky.shape
    return float(sky[int(top * rows) : int(bottom * rows), int(left * columns) : int(right * columns)].mean())


def test_sky_in_photographs_that_a_library_carries() -> None:
    # scikit-learn's sample images; the rectangles were drawn by hand for this test
    datasets = pytest.importorskip("sklearn.datasets")
    temple, flower = datasets.load_sample_image("china.jpg"), datasets.load_sample_image("flower.jpg")
    assert sky_share(temple, 0.0, 0.0, 0.13, 0.3) > 0.97
    assert sky_share(temple, 0.6, 0.0, 1.0, 0.3) > 0.97
    assert sky_share(temple, 0.3, 0.3, 0.45, 0.6) < 0.03
    assert sky_share(temple, 0.0, 0.85, 1.0, 1.0) < 0.03
    assert sky_share(flower, 0.0, 0.0, 1.0, 1.0) < 0.06


def test_no_sky_in_close_pictures_that_a_library_carries() -> None:
    # scikit-image's photographs of a cup, a cat and a person before a white wall: no sky in any of them
    data = pytest.importorskip("skimage.data")
    for name in ("coffee", "chelsea", "astronaut"):
        assert sky_share(getattr(data, name)(), 0, 0, 1, 1) < 0.02, name


@pytest.mark.parametrize("colour", [(255, 255, 255), (60, 120, 220), (0, 0, 0)])
def test_blank_pictures_are_no_sky(colour: tuple[int, int, int]) -> None:
    blank = np.full((720, 1280, 3), colour, np.uint8)
    assert sky_share(blank, 0.05, 0.05, 0.95, 0.95) < 0.05


def test_open_field_turned_by_ten_degrees_turns_up_by_as_much() -> None:
    cv2 = pytest.importorskip("cv2")
    big = open_field(0.45, (1400, 2200))
    turned = cv2.warpAffine(big, cv2.getRotationMatrix2D((1099.5, 629.5), 10.0, 1.0), (2200, 1400))[270:990, 460:1740]
    level = big[270:990, 460:1740]
    lean = []
    for picture in (level, turned):
        view = look(np.ascontiguousarray(picture))
        middle = view.up[8:19, 16:32].reshape(-1, 2)
        lean.append(np.degrees(np.arctan2(*middle.mean(0) * (1, -1))))
    # OpenCV turns counter-clockwise, so "up" leans to the left
    assert lean[1] - lean[0] == pytest.approx(-10.0, abs=3.0)


def test_plain_wall_is_no_confident_answer() -> None:
    wall = np.clip(np.random.default_rng(2).normal(150, 3, (720, 1280, 3)), 0, 255).astype(np.uint8)
    view, field = look(wall), look(open_field(0.45))
    assert np.median(view.up_kappa) < np.median(field.up_kappa)
    assert np.median(view.latitude_sd_rad) > 2 * np.median(field.latitude_sd_rad)


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_a_turned_photograph_is_recognised_and_less_familiar(quarters: int) -> None:
    # a photograph with its people and buildings upright, from scikit-learn
    datasets = pytest.importorskip("sklearn.datasets")
    temple = datasets.load_sample_image("china.jpg")
    view = look(np.ascontiguousarray(np.rot90(temple, quarters)))
    assert view.turned is not None and view.turned[quarters] > 0.7
    assert sum(view.turned) == pytest.approx(1.0, abs=1e-4)
    assert (view.familiar > 0.6) == (quarters == 0)


def test_a_fisheyes_picture_that_is_not_surely_upright_is_judged_alike_from_all_four_sides() -> None:
    datasets = pytest.importorskip("sklearn.datasets")
    temple = datasets.load_sample_image("china.jpg")
    pictures = [np.ascontiguousarray(np.rot90(temple, quarters)) for quarters in (1, 2, 3)]
    found = [look(p, Lens(p.shape[1], p.shape[0], 170.0, projection="equidistant")).turned for p in pictures]
    seen_upright = [np.roll(np.array(turned), -quarters) for quarters, turned in enumerate(found, 1)]
    assert np.ptp(seen_upright, axis=0).max() < 1e-6


def test_a_turned_photograph_has_its_up_where_it_was_turned_to() -> None:
    datasets = pytest.importorskip("sklearn.datasets")
    temple = datasets.load_sample_image("china.jpg")
    lean = []
    for quarters in (0, 1, 2, 3):
        up = look(np.ascontiguousarray(np.rot90(temple, quarters))).up.reshape(-1, 2).mean(0)
        lean.append(np.degrees(np.arctan2(up[0], -up[1])))
    turn = (np.array(lean) - lean[0] + 180) % 360 - 180
    assert np.abs((turn - [0, -90, 180, 90] + 180) % 360 - 180).max() < 10


def test_the_angle_of_view_is_told_by_the_lens_and_guessed_without() -> None:
    picture = open_field(0.45)
    untold, told, tele = look(picture), look(picture, Lens(1280, 720, 60.0)), look(picture, Lens(1280, 720, 8.0))
    assert untold.half_view is not None and untold.half_view_sd is not None and untold.half_view_sd > 0
    assert not np.array_equal(untold.latitude_rad, told.latitude_rad)
    # an angle that training never told, and a fisheye, are not told: the fields stay as without a lens
    fisheye = look(picture, Lens(1280, 720, 180.0, projection="equidistant"))
    for view in (tele, fisheye):
        assert np.array_equal(view.latitude_rad, untold.latitude_rad)


@pytest.mark.parametrize("pitch_deg", [-30.0, 0.0, 12.5])
def test_evaluation_views_put_the_horizon_where_the_pinhole_formula_does(pitch_deg: float) -> None:
    # closed form: the horizon's row is cy + f tan(pitch), rows counted downwards
    panorama = np.repeat((np.arange(512) < 256).astype(np.float32)[:, None, None], 1024, 1)
    lens = Lens(640, 480, 80.0)
    view = render_view(panorama, lens, 77.0, pitch_deg, 0.0, np.eye(3))
    expected = lens.centre_px[1] + lens.focal_px * np.tan(np.radians(pitch_deg))
    assert (view[:, 320] > 0.5).sum() - 0.5 == pytest.approx(expected, abs=1.0)


def test_levelling_takes_up_to_the_measured_vertical() -> None:
    axis = np.array([0.0171557, -0.0098492, 0.9998043])
    level = level_rotation(tuple(axis))
    assert np.allclose(level @ [0, 0, 1], axis / np.linalg.norm(axis), atol=1e-9)
    assert np.allclose(level @ level.T, np.eye(3), atol=1e-12) and np.linalg.det(level) == pytest.approx(1)

"""Pictures of a turned camera laid over one another: against the plane map of a known lens and turn, whatever its angle of view."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.laying import laid_pairs, moved_share

WIDTH, HEIGHT = 640, 360


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop), wide enough to turn in."""
    return cv2.resize(data.stereo_motorcycle()[0], (1000, 660), interpolation=cv2.INTER_AREA)


def plane_map(hfov_deg: float, pan_deg: float) -> np.ndarray:
    """Pixels of the first view to those of the same lens panned to the right."""
    focal = WIDTH / 2 / np.tan(np.radians(hfov_deg) / 2)
    camera = np.array([[focal, 0, (WIDTH - 1) / 2], [0, focal, (HEIGHT - 1) / 2], [0, 0, 1]])
    return camera @ cv2.Rodrigues(np.array([0.0, -np.radians(pan_deg), 0.0]))[0] @ np.linalg.inv(camera)


def view(photo: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    move = np.array([[1.0, 0, -180], [0, 1, -150], [0, 0, 1]])
    return cv2.warpPerspective(photo, matrix @ move, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def spotted(picture: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(5)
    out = picture.copy()
    for _ in range(50):
        cv2.circle(out, (int(rng.integers(WIDTH)), int(rng.integers(HEIGHT))), int(rng.integers(6, 13)), (20, 20, 20), -1, cv2.LINE_AA)
    return out


@pytest.mark.parametrize("hfov_deg", [35.0, 60.0, 95.0])
def test_views_lie_over_one_another_whatever_the_angle_of_view(photo: np.ndarray, hfov_deg: float) -> None:
    truth = plane_map(hfov_deg, 0.08 * hfov_deg)
    found = laid_pairs([view(photo, np.eye(3)), view(photo, truth)])
    assert set(found) == {(0, 1), (1, 0)}
    points = np.array([[[60.0, 40.0], [580, 40], [580, 320], [60, 320], [320, 180]]])
    there = cv2.perspectiveTransform(points, truth)
    back = cv2.perspectiveTransform(there, found[0, 1].matrix)
    inside = (there[0] > 20).all(axis=1) & (there[0, :, 0] < WIDTH - 20) & (there[0, :, 1] < HEIGHT - 20)
    assert np.hypot(*(back - points)[0][inside].T).max() < 1.0
    assert moved_share(found[0, 1], (HEIGHT, WIDTH)) > 0.05


def test_spots_that_match_themselves_in_place_dont_hold_the_scene_back(photo: np.ndarray) -> None:
    truth = plane_map(60.0, 4.0)
    clean = [view(photo, np.eye(3)), view(photo, truth)]
    found = [laid_pairs(pictures)[1, 0] for pictures in (clean, [spotted(p) for p in clean])]
    middle = np.array([[[320.0, 180.0]]])
    moved = [cv2.perspectiveTransform(middle, each.matrix) for each in found]
    assert np.abs(moved[1] - cv2.perspectiveTransform(middle, truth)).max() < 1.0


def test_a_camera_that_stands_still_is_not_turned_by_a_lorry(photo: np.ndarray) -> None:
    first = view(photo, np.eye(3))
    later = first.copy()
    later[120:300, 260:460] = first[120:300, 200:400]
    assert moved_share(laid_pairs([first, later])[0, 1], (HEIGHT, WIDTH)) < 0.002


def test_another_place_lies_over_nothing(photo: np.ndarray) -> None:
    other = cv2.resize(data.astronaut(), (WIDTH, HEIGHT))
    assert laid_pairs([view(photo, np.eye(3)), other]) == {}


def test_nothing_is_laid_over_by_what_is_burnt_in(photo: np.ndarray) -> None:
    truth = plane_map(60.0, 4.0)
    pictures = [view(photo, np.eye(3)), view(photo, truth)]
    text = np.zeros((HEIGHT, WIDTH), bool)
    text[300:] = True
    for picture in pictures:
        cv2.putText(picture, "2026-04-30 12:04 YARD NORTH 17", (8, 340), cv2.FONT_HERSHEY_SIMPLEX, 1.1, (255, 255, 255), 2, cv2.LINE_AA)
    middle = np.array([[[320.0, 180.0]]])
    found = cv2.perspectiveTransform(middle, laid_pairs(pictures, text)[1, 0].matrix)
    assert np.abs(found - cv2.perspectiveTransform(middle, truth)).max() < 1.0

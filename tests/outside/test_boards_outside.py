"""Boards and bearings against pictures that come with OpenCV's documentation (Debian package opencv-doc).

``singlemarkersoriginal.jpg`` is the marker tutorial's photograph of six markers of the dictionary 6x6_250, which OpenCV's
own detector reads; ``left01.jpg`` to ``left14.jpg`` show a chessboard of 9 by 6 inner corners, 25 mm apart, whose pose in
each picture ``left_intrinsics.yml`` gives.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.frames import bearing_difference_deg, pose_from_rotation
from audit.lens import Lens
from audit.measure import board
from audit.measure.board import find_boards
from audit.measure.resection import Sighting, Station, resect

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
PAGES = Path("/usr/share/doc/opencv-doc/opencv4/html")
pytestmark = pytest.mark.skipif(not DATA.exists(), reason="Debian package opencv-doc is not installed")

IDS = {23, 40, 62, 98, 124, 203}
VIEWS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14)
#: Board right, away and down in the world: east, north and minus up.
BOARD_TO_WORLD = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])


def _picture(name: str) -> np.ndarray:
    found = cv2.imread(str(PAGES / name))
    if found is None:
        pytest.skip(f"{name} is not among the pages of opencv-doc")
    return np.ascontiguousarray(found[..., ::-1])


def test_the_tutorial_s_markers_are_read_as_opencv_reads_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our finder, given the tutorial's dictionary, against ``cv2.aruco``: the same ids, corners within a pixel."""
    theirs = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    pixels = _picture("singlemarkersoriginal.jpg")
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    corners, numbers, _ = cv2.aruco.ArucoDetector(theirs, settings).detectMarkers(grey)
    expected = {int(n): c.reshape(4, 2) for n, c in zip(numbers.ravel(), corners, strict=True)}
    assert set(expected) == IDS
    monkeypatch.setattr(board, "_MODULES", 6)
    monkeypatch.setattr(board, "_dictionary", lambda: theirs)
    monkeypatch.setattr(board, "_usable", lambda: set(range(250)))
    monkeypatch.setattr(board, "_usable_modules", board._usable_modules.__wrapped__)
    found = {b.number: np.array(b.corners_px) for b in find_boards(pixels)}
    assert set(found) == IDS
    for number, ours in found.items():
        assert np.abs(ours - expected[number]).max() <= 1.0


@pytest.mark.parametrize(
    "name", ["singlemarkersoriginal.jpg", "board.jpg", "charucoboard.jpg", "diamondmarkers.png", "markers.jpg",
             "gbmarkersaxis.jpg", "marker23.png", "singlemarkerssource.png", "screen_charuco.jpg"],
)  # fmt: skip
def test_markers_of_other_dictionaries_are_none_of_ours(name: str) -> None:
    """Sixty markers and more that are no boards of ours: not one is read as one."""
    assert not [b for b in find_boards(_picture(name)) if b.number is not None]


def test_the_chessboard_s_published_poses_are_found_by_clicks_on_its_corners() -> None:
    """Bearing, pitch and roll against the extrinsic parameters of ``left_intrinsics.yml`` (OpenCV's calibration sample).

    The picture's own bending is taken out by ``cv2.undistortPoints`` with the published terms; the camera's place is the
    published one. Each of the twelve sharp views must agree within 0.4 degrees: a corner is found to about 0.2 px of 536,
    and a square is 25 mm at half a metre. View 2 is left out: its published reprojection error is 1.2 px.
    """
    kept = cv2.FileStorage(str(DATA / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    matrix, bending = kept.getNode("camera_matrix").mat(), kept.getNode("distortion_coefficients").mat()
    extrinsics = kept.getNode("extrinsic_parameters").mat()
    errors = kept.getNode("per_view_reprojection_errors").mat().ravel()
    hfov = float(2 * np.degrees(np.arctan(320 / matrix[0, 0])))
    lens = Lens(640, 480, hfov, principal_px=(float(matrix[0, 2]), float(matrix[1, 2])))
    told = 0
    for number, row, error in zip(VIEWS, extrinsics, errors, strict=True):
        grey = cv2.imread(str(DATA / f"left{number:02d}.jpg"), cv2.IMREAD_GRAYSCALE)
        good, corners = cv2.findChessboardCorners(grey, (9, 6))
        if not good or error > 1.0:
            continue
        fine = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.01))
        pixels = cv2.undistortPoints(fine, matrix, bending, P=matrix).reshape(-1, 2)
        places = np.stack([np.tile(np.arange(9), 6), np.repeat(np.arange(6), 9), np.zeros(54)], axis=1) * 0.025
        seen = cv2.projectPoints(places, row[:3], row[3:], matrix, bending)[0].reshape(-1, 2)
        if np.abs(seen - fine.reshape(-1, 2)).max() > 5:
            pixels = pixels[::-1]  # the finder began at the other end
        rotation = cv2.Rodrigues(row[:3])[0] @ BOARD_TO_WORLD.T
        here = -rotation.T @ row[3:]
        world = places @ BOARD_TO_WORLD.T
        clicks = tuple(
            Sighting(f"corner {i}", *map(float, pixels[i]), *map(float, world[i] * 100), 0.01, 0.3) for i in range(0, 54, 5)
        )
        expected = pose_from_rotation(rotation)
        held = 10.0 * round(expected[2] / 10)  # the board was held at any angle; roll is told to within ten degrees
        station = Station(lens, *map(float, here * 100), 0.05, roll_deg=held, roll_sd_deg=10.0)
        found = resect(station, clicks)  # in centimetres: nothing is too near
        assert found.bearing_deg is not None and found.pitch_deg is not None and found.roll_deg is not None, found.note
        assert abs(bearing_difference_deg(found.bearing_deg, expected[0])) <= 0.4, number
        assert abs(found.pitch_deg - expected[1]) <= 0.4, number
        assert abs(bearing_difference_deg(found.roll_deg, expected[2])) <= 0.4, number
        told += 1
    assert told >= 11

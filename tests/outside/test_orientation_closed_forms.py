"""The up direction against closed forms of projective geometry and OpenCV's own projection and pose.

Sources: Hartley and Zisserman, Multiple View Geometry (2nd ed., Cambridge 2004), section 8.6 for vanishing points
and the horizon; OpenCV's ``projectPoints`` and ``solvePnP``; the chessboard series ``left01.jpg`` ... of Debian's
opencv-doc with its calibration ``left_intrinsics.yml``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))
from orientation_scenes import town  # noqa: E402

from audit.frames import camera_from_world, roll_pitch_from_up, up_in_camera  # noqa: E402
from audit.lens import Lens  # noqa: E402
from audit.measure.orientation import measure_orientation  # noqa: E402
from audit.measure.segments import arcs, find_segments  # noqa: E402
from audit.measure.up_direction import Seen, solve  # noqa: E402
from audit.measure.vanishing import fit_directions  # noqa: E402

DATA = Path("/usr/share/doc/opencv-doc/examples/data")


@pytest.mark.parametrize(("pitch_deg", "row_px"), [(-5.0, 380.51), (-10.0, 218.55), (-15.0, 51.53)])
def test_measured_pose_puts_the_horizon_in_the_closed_form_s_row(pitch_deg, row_px):
    """Horizon row = 540 - f tan(pitch) at 1920 x 1080, f = 540 / tan 16.5 = 1823.01 px, principal row 540."""
    lens = Lens(720, 405, 55.543)
    found = measure_orientation(town(lens, 0.0, pitch_deg, seed=3), lens)
    focal = 540 / np.tan(np.radians(16.5))
    measured_row = 540 + focal * np.tan(np.radians(found.pitch_deg))
    assert measured_row == pytest.approx(row_px, abs=max(8.0, 3 * focal * np.radians(found.pitch_sd_deg)))


@pytest.mark.parametrize("roll_deg", [5.0, 10.0])
def test_roll_tilts_the_horizon_and_not_the_uprights_vanishing_point(roll_deg):
    """A level horizon of slope tan(roll) and foot f tan(pitch) from the centre, though uprights lean at the edges."""
    lens = Lens(640, 360, 80.0)
    found = measure_orientation(town(lens, roll_deg, -15.0, seed=3), lens)
    up = up_in_camera(found.roll_deg, found.pitch_deg)
    # The horizon's line in pixels from the centre: up . (x, y, f) = 0.
    slope = -up[0] / up[1]
    foot = lens.focal_px * up[2] / np.hypot(up[0], up[1])
    assert np.degrees(np.arctan(slope)) == pytest.approx(-roll_deg, abs=0.4)
    assert foot == pytest.approx(lens.focal_px * np.tan(np.radians(-15.0)), abs=4.0)


@pytest.mark.parametrize(("roll_deg", "pitch_deg"), [(0.0, -20.0), (7.0, -35.0), (-4.0, 12.0)])
@pytest.mark.parametrize("distortion", [(0.0, 0.0), (-0.2, 0.05)])
def test_posts_projected_by_opencv_give_back_the_pose(roll_deg, pitch_deg, distortion):
    lens = Lens(1280, 720, 75.0)
    focal, centre = lens.focal_px, lens.centre_px
    rng = np.random.default_rng(2)
    feet = np.column_stack([rng.uniform(-6, 6, 200), rng.uniform(2, 30, 200), np.full(200, -4.0)])
    world = np.stack([feet, feet + [0.0, 0.0, 2.5]], axis=1)
    rotation = camera_from_world(0.0, pitch_deg, roll_deg)
    turn, _ = cv2.Rodrigues(rotation)
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    pixels, _ = cv2.projectPoints(world.reshape(-1, 1, 3), turn, np.zeros(3), matrix,
                                  np.array([*distortion, 0.0, 0.0]))
    depth = world.reshape(-1, 3) @ rotation[2]
    inside = ((pixels[:, 0] > 0) & (pixels[:, 0] < [1280, 720])).all(axis=1) & (depth > 1)
    pairs = inside.reshape(-1, 2).all(axis=1)
    segments = pixels.reshape(-1, 4)[pairs]
    assert len(segments) > 10
    # The contract's hfov spans the full width, so with radial terms the same focal length is another angle.
    half = 640 / focal
    for _ in range(50):
        half = 640 / focal / (1 + distortion[0] * half**2 + distortion[1] * half**4)
    same = Lens(1280, 720, float(2 * np.degrees(np.arctan(half))), k1=distortion[0], k2=distortion[1])
    assert same.focal_px == pytest.approx(focal, rel=1e-6)
    found = solve(Seen(segments, 0.625), same)
    assert found.roll_deg == pytest.approx(roll_deg, abs=0.02)
    assert found.pitch_deg == pytest.approx(pitch_deg, abs=0.02)


@pytest.mark.skipif(not DATA.is_dir(), reason="Debian package opencv-doc is not installed")
@pytest.mark.parametrize("name", ["left01.jpg", "left02.jpg", "left03.jpg", "left06.jpg", "left12.jpg"])
def test_chessboard_axis_from_edges_agrees_with_solvepnp(name):
    """Board edges alone find the board's long axis where OpenCV's corners and pose put it."""
    storage = cv2.FileStorage(str(DATA / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    matrix = storage.getNode("camera_matrix").mat()
    terms = storage.getNode("distortion_coefficients").mat().ravel()
    image = cv2.imread(str(DATA / name), cv2.IMREAD_GRAYSCALE)
    ok, corners = cv2.findChessboardCorners(image, (9, 6))
    assert ok
    board = np.zeros((54, 3), np.float32)
    board[:, :2] = np.mgrid[0:9, 0:6].T.reshape(-1, 2)
    _, turn, _ = cv2.solvePnP(board, corners, matrix, terms)
    axis = cv2.Rodrigues(turn)[0][:, 1]
    axis = axis if axis[1] < 0 else -axis
    height, width = image.shape
    focal = matrix[0, 0]
    half = width / 2 / focal
    for _ in range(50):
        half = width / 2 / focal / (1 + terms[0] * half**2 + terms[1] * half**4)
    lens = Lens(width, height, float(2 * np.degrees(np.arctan(half))), k1=float(terms[0]), k2=float(terms[1]),
                principal_px=(float(matrix[0, 2]), float(matrix[1, 2])))
    segments, scale = find_segments(image)
    hull = cv2.convexHull(corners)
    middles = (segments[:, :2] + segments[:, 2:]) / 2
    on_board = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) > -15 for x, y in middles]
    segments = segments[np.array(on_board)]
    edges = arcs(segments, lens, scale, 0.58, np.radians(0.4))
    roll, pitch = roll_pitch_from_up(axis)
    fit = fit_directions(edges, up_in_camera(roll + 3.0, pitch - 3.0), steps=15)
    off = np.degrees(np.arccos(np.clip(abs(fit.up @ axis), -1, 1)))
    assert off < 1.5  # the squares' edges are some 25 px long: 1.3 degrees of scatter each

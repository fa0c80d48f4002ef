"""A real fixed camera with a published calibration: OpenCV's sample clip.

``vtest.avi`` (Debian ``opencv-doc``) is view 1 of PETS 2009 (J. Ferryman, A. Shahrokni, "PETS2009: Dataset and challenge",
IEEE PETS 2009). Its published Tsai calibration has a focal length of 5.5549 mm (pixels of 0.00485 x 795 / 752 mm, scale
1.0937: 36.0 degrees over 768 px) and kappa1 = 0.0050962 / mm^2, which is k1 = -0.157 in focal lengths; its rotation puts the ray
through the picture's middle 16.85 degrees below the horizontal.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.lens import Lens
from audit.measure.image import measure_image
from audit.measure.several import combine_orientations

CLIP = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
TRUE_PITCH_DEG, HFOV_DEG = -16.85, 35.97
FRAMES = (0, 250, 500, 790)


@pytest.fixture(scope="module")
def frames():
    if not CLIP.exists():
        pytest.skip("Debian's opencv-doc is not installed")
    clip, found = cv2.VideoCapture(str(CLIP)), []
    for number in FRAMES:
        clip.set(cv2.CAP_PROP_POS_FRAMES, number)
        good, picture = clip.read()
        if not good:
            pytest.skip("this OpenCV can't read the clip")
        found.append(np.ascontiguousarray(picture[..., ::-1]))
    return found


def test_the_tilt_of_a_real_camera_whose_lens_bends_lies_within_two_sd(frames):
    lens = Lens(768, 576, HFOV_DEG)
    found = combine_orientations([measure_image(frame, lens).orientation for frame in frames])
    assert found.pitch_deg is not None
    assert abs(found.pitch_deg - TRUE_PITCH_DEG) < 2 * found.pitch_sd_deg


def test_with_the_angle_of_view_unknown_the_tilt_lies_within_two_sd_or_is_not_answered(frames):
    found = combine_orientations([measure_image(frame, None).orientation for frame in frames])
    if found.pitch_deg is not None:
        assert abs(found.pitch_deg - TRUE_PITCH_DEG) < 2 * found.pitch_sd_deg

"""One image and series: graded answers, silence where there is nothing to measure."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.errors import AuditError
from audit.measure.clarity import measure_clarity, measure_series, what_stays
from audit.measure.dirt_model import KINDS, load_dirt_model
from audit.measure.dirt_network import load_network, pair_verdict, series_verdict
from audit.measure.lasting import lasting, measure_lasting
from audit.measure.measurement import Sky
from audit.measure.single import SINGLE_NAMES
from audit.measure.transfer import grid_size, log_luminance


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    """A real photograph (scikit-image's rocket), 640 x 427."""
    return data.rocket()


@pytest.mark.parametrize(("value", "word"), [(0, "black"), (255, "white"), (90, "one tone")])
def test_an_empty_picture_is_not_measured(value, word):
    found = measure_clarity(np.full((360, 640, 3), value, np.uint8))
    assert found.dirt_probability is None and found.cause is None and word in found.note


def test_a_plain_wall_is_not_measured_rather_than_called_dirty():
    rng = np.random.default_rng(1)
    y = np.linspace(120, 160, 360)[:, None, None]
    wall = (y + rng.normal(0, 1.0, (360, 640, 3))).astype(np.uint8)
    found = measure_clarity(wall)
    assert found.dirt_probability is None and "texture" in found.note


def test_a_probability_is_graded_between_0_and_1(photo):
    found = measure_clarity(photo)
    assert 0.0 < found.dirt_probability < 1.0
    assert found.cause in (*KINDS, "unknown")
    assert (found.cause == "clear") == (found.dirt_probability < 0.5)


def test_blur_lowers_sharpness_step_by_step(photo):
    values = [measure_clarity(cv2.GaussianBlur(photo, (0, 0), s)).sharpness for s in (0.4, 1.0, 2.0, 4.0)]
    assert values == sorted(values, reverse=True) and values[0] - values[-1] > 0.3


def test_grey_pictures_count_as_night(photo):
    grey = np.repeat(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)
    assert measure_clarity(grey).night and not measure_clarity(photo).night


def test_open_sky_is_left_out_of_the_sharpness(photo):
    rows = np.arange(photo.shape[0])[:, None] < 200
    sky = Sky(0.5, 0.1, None, np.broadcast_to(rows, photo.shape[:2]).copy())
    assert measure_clarity(photo, sky).sharpness is not None
    everything = Sky(1.0, 0.1, None, np.ones(photo.shape[:2], bool))
    assert measure_clarity(photo, everything).sharpness is None


def test_a_series_leaves_out_empty_pictures_and_one_picture_answers_like_itself(photo):
    black = np.zeros_like(photo)
    assert measure_series([black]).dirt_probability is None
    assert measure_series([photo]) == measure_clarity(photo)
    assert measure_series([photo, black]).dirt_probability == pytest.approx(measure_clarity(photo).dirt_probability)
    assert measure_series([]).dirt_probability is None


def test_pictures_of_different_size_make_a_series(photo):
    found = measure_series([photo, cv2.resize(data.coffee(), (320, 240)), data.chelsea()])
    assert 0.0 < found.dirt_probability < 1.0


def test_the_weights_fit_the_layers():
    assert load_dirt_model("dirt_single").names == SINGLE_NAMES


def test_missing_weights_are_one_clear_error():
    with pytest.raises(AuditError, match="install the package again"):
        load_dirt_model("no_such_model")
    with pytest.raises(AuditError, match="install the package again"):
        load_network("no_such_model")


@pytest.mark.parametrize("size", [(640, 427), (641, 355), (320, 240)])
def test_the_networks_answer_on_the_grid_for_any_size(photo, size):
    small = cv2.resize(photo, size)
    log = log_luminance(small)
    for verdict in (*(pair_verdict(name, small, small, log, log, np.ones(log.shape, bool)) for name in ("dirt_pair", "dirt_hours")), series_verdict([small, small], [log, log])):
        assert verdict.kinds.shape == (len(KINDS),) and verdict.kinds.sum() == pytest.approx(1.0, abs=1e-5)
        assert verdict.cells.shape == (len(KINDS), *grid_size(log.shape))
        assert verdict.cells.sum(axis=0) == pytest.approx(1.0, abs=1e-4)


def spotted(image: np.ndarray, share: float = 0.95) -> np.ndarray:
    """The same forty soft grey spots on whatever the picture shows."""
    rng = np.random.default_rng(5)
    mask = np.zeros((360, 640), np.float32)
    for _ in range(40):
        cv2.circle(mask, (int(rng.integers(640)), int(rng.integers(360))), int(rng.integers(5, 13)), 1.0, -1)
    mask = cv2.GaussianBlur(mask, (0, 0), 2.0)[..., None] * share
    return (image * (1 - mask) + 90 * mask).astype(np.uint8)


@pytest.fixture(scope="module")
def scenes() -> list[np.ndarray]:
    """Three real photographs of different places (scikit-image), 640 x 360."""
    return [cv2.resize(image, (640, 360), interpolation=cv2.INTER_AREA)
            for image in (data.rocket(), data.coffee(), data.stereo_motorcycle()[0])]


def test_spots_are_found_by_staying_while_the_scene_changes(scenes):
    clean = measure_series(scenes)
    assert clean.dirt_probability < 0.5 and clean.cause == "clear"
    pictures = [spotted(s) for s in scenes]
    logs = [log_luminance(p) for p in pictures]
    found = what_stays(series_verdict(pictures, logs), measure_lasting(logs))
    assert found.dirty > 0.5
    assert found.dirty > max(measure_clarity(p).dirt_probability for p in pictures)


def test_what_is_common_to_different_scenes_peaks_at_no_shift_and_the_more_the_stronger(scenes):
    found = [measure_lasting([log_luminance(spotted(s, share)) for s in scenes]) for share in (0.0, 0.45, 0.9)]
    odds = [lasting(f) for f in found]
    assert odds == sorted(odds) and odds[0] < 0 < odds[2]
    assert abs(found[0].alike) < 0.1


def test_one_scene_shown_twice_is_known_as_one_scene(photo):
    log = log_luminance(photo)
    assert measure_lasting([log, log]).alike == pytest.approx(1.0, abs=0.01)


def test_a_burnt_in_clock_stays_without_being_dirt(scenes):
    stamped = []
    for scene in scenes:
        out = scene.copy()
        for colour, thick in (((0, 0, 0), 4), ((255, 255, 255), 2)):
            cv2.putText(out, "2026-05-02 11:58:03", (16, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, colour, thick, cv2.LINE_AA)
        stamped.append(out)
    assert measure_series(stamped).dirt_probability < 0.5

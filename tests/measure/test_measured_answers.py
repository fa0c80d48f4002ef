"""What measuring says of a dozen pictures, beside the version that keeps its answers apart: ``measured_answers.txt``.

A stored measurement is taken again only where its version is another one (``audit/measure/image.py``). So an answer that
changes under the same version would leave old and new ones side by side in one logbook, and cameras that never moved would
seem to have. After a wanted change raise ``METHOD``, write the file anew, and read the difference as a reviewer would:

    python -m tests.measure.test_measured_answers
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from audit.measure.clarity import measure_series
from audit.measure.image import METHOD, measure_image
from audit.measure.record import change_to_record, clarity_to_record, measurement_to_record
from audit.measure.view import compare
from audit.plan.files import read_plan

FILE = Path(__file__).with_name("measured_answers.txt")
SAMPLES = Path(__file__).parents[2] / "sample_images"
SITE = read_plan(SAMPLES / "plan.csv")
SIDE_PX = 640
#: Figures differ in their last digits between processors, and lines found by a few: so much of a figure, or of its unit, is the same.
SHARE, LEAST = 0.05, 0.02
ALONE = ("TH-05 day", "TH-12 day", "TH-13 night", "TH-17 day", "TH-24 day")
COMPARED = ("TH-16 day", "TH-20 day", "TH-21 day", "TH-09 night")
SERIES = ("TH-01 day", "TH-18 day", "TH-22 day")
#: Not answers: how long it took, and what is only drawn.
LEFT_OUT = ("elapsed_ms", "mask_png", "segments_px", "patches", "lens", "level_lines")


def picture(visit: str, of: str) -> np.ndarray:
    name, light = of.split()
    path = sorted((SAMPLES / visit / "snapshots").glob(f"{name}_*_{light}.jpg"))[0]
    pixels = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
    height, width = pixels.shape[:2]
    scale = SIDE_PX / max(height, width)
    return np.asarray(cv2.resize(pixels, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA))


def turned(pixels: np.ndarray) -> Iterator[np.ndarray]:
    """Parts of one picture, as it would be seen while the camera is turned, through a glass with the same spots each time."""
    height, width = pixels.shape[0] * 3 // 4, pixels.shape[1] * 3 // 4
    spots = np.random.default_rng(5).integers(30, min(height, width) - 30, (12, 2))
    for step in (0.0, 0.4, 0.7, 1.0):
        left, top = round(step * (pixels.shape[1] - width)), round(step * (pixels.shape[0] - height))
        seen = pixels[top : top + height, left : left + width].copy()
        for row, column in spots:
            part = seen[row - 12 : row + 12, column - 12 : column + 12]
            part[:] = cv2.GaussianBlur(part, (0, 0), 8) // 2 + 90
        yield seen


def leaves(record: Any, under: str) -> Iterator[tuple[str, Any]]:
    """Each figure and word of a record, by its path."""
    if isinstance(record, dict):
        for key, value in record.items():
            if key not in LEFT_OUT:
                yield from leaves(value, f"{under}.{key}")
    elif isinstance(record, list | tuple):
        for number, value in enumerate(record):
            yield from leaves(value, f"{under}.{number}")
    else:
        yield under, record


def answers(case: str) -> list[tuple[str, Any]]:
    """What measuring says of one case."""
    of, _, how = case.partition(": ")
    lens = SITE.camera(of.split()[0]).lens
    first = picture("commissioning", of)
    if how == "alone":
        return list(leaves(measurement_to_record(measure_image(first, lens)), case))
    if how == "without a lens":
        return list(leaves(measurement_to_record(measure_image(first, None)), case))
    if how == "a visit later":
        return list(leaves(change_to_record(compare(first, picture("maintenance", of), lens)), case))
    if how == "while it was turned":
        return list(leaves(clarity_to_record(measure_series([*turned(first)])), case))
    return list(leaves(clarity_to_record(measure_series([first, picture("maintenance", of), first[:, ::-1].copy()])), case))


CASES = [
    *(f"{of}: alone" for of in ALONE), "TH-12 day: without a lens", *(f"{of}: a visit later" for of in COMPARED),
    *(f"{of}: three pictures" for of in SERIES), *(f"{of}: while it was turned" for of in SERIES[1:]),
]  # fmt: skip


def text_of(value: Any) -> str:
    """A figure with five digits; words with their numbers, such as how many lines were found, left open."""
    return f"{value:.5g}" if isinstance(value, float) else re.sub(r"\d+", "#", value) if isinstance(value, str) else str(value)


@pytest.mark.parametrize("case", CASES)
def test_answers_change_only_with_their_version(case: str) -> None:
    lines = FILE.read_text(encoding="utf-8").splitlines()
    assert lines[0] == f"version {METHOD}", "after raising METHOD: python -m tests.measure.test_measured_answers"
    kept = dict(line.split(" = ", 1) for line in lines[1:] if line.startswith(f"{case}."))
    found = dict(answers(case))
    assert list(found) == list(kept)
    for path, value in found.items():
        if not isinstance(value, float):
            assert text_of(value) == kept[path], path
            continue
        was = float(kept[path])
        assert value == pytest.approx(was, rel=SHARE, abs=LEAST), f"{path}: {was} was kept under version {METHOD}; raise METHOD"


if __name__ == "__main__":
    FILE.write_text(
        "\n".join([f"version {METHOD}", *(f"{path} = {text_of(value)}" for case in CASES for path, value in answers(case))]) + "\n",
        encoding="utf-8",
    )

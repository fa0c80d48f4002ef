"""Opening a 12-megapixel JPEG against its own full decode, in one run, one thread. Run with ``-m bench -s``."""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from audit.photos.intake import open_photo
from audit.photos.metadata import read_metadata
from audit.photos.pixels import decode_with_size, picture_hash


def twelve_megapixels() -> bytes:
    """A JPEG of about 4 MB with detail and noise as phones write them."""
    rng = np.random.default_rng(1)
    coarse = cv2.resize(
        rng.normal(128, 50, (94, 125, 3)).astype(np.float32), (4000, 3000), interpolation=cv2.INTER_CUBIC
    )
    fine = cv2.resize(
        rng.normal(0, 22, (1000, 1333, 3)).astype(np.float32), (4000, 3000), interpolation=cv2.INTER_LINEAR
    )
    picture = np.clip(coarse + fine + rng.normal(0, 3, coarse.shape), 0, 255).astype(np.uint8)
    good, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    assert good
    return data.tobytes()


def interleaved(tasks: dict[str, Callable[[], object]], clock: Callable[[], float], rounds: int = 11) -> dict[str, float]:
    """Least milliseconds of each task by a clock, the tasks taking turns: what else the machine does only adds (as timeit's documentation says)."""
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(rounds):
        for name, task in tasks.items():
            began = clock()
            task()
            times[name].append(1e3 * (clock() - began))
    return {name: min(values) for name, values in times.items()}


@pytest.mark.bench
def test_opening_costs_less_than_one_full_decode() -> None:
    cv2.setNumThreads(1)
    data = twelve_megapixels()
    pixels = decode_with_size(data, 1600).pixels
    open_photo(data, "a.jpg", guarded=True)
    decode = {"full decode": lambda: cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)}
    own = {
        **decode,
        "decode for 1600 px": lambda: decode_with_size(data, 1600),
        "metadata": lambda: read_metadata(data),
        "hash": lambda: picture_hash(pixels),
        "open": lambda: open_photo(data, "a.jpg"),
    }
    of_processor = interleaved(own, time.process_time)
    # the guard's work is another process's: only the wall's clock sees it
    of_wall = interleaved({**decode, "open, guarded": lambda: open_photo(data, "a.jpg", guarded=True)}, time.perf_counter)
    for times in (of_processor, of_wall):
        full = times["full decode"]
        print(f"\n{len(data) / 1e6:.1f} MB; " + "; ".join(f"{name} {ms:.1f} ms ({ms / full:.2f}x)" for name, ms in times.items()))
    assert of_processor["open"] < of_processor["full decode"]
    assert of_wall["open, guarded"] < 1.3 * of_wall["full decode"]

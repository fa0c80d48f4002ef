"""A small site of simulated devices."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.collect.credentials import Credentials
from audit.collect.pins import Pins
from audit.devices import Device, SimulatedSite

RIGHT = Credentials("crew", "a secret:@/ word")


def jpeg(seed: int = 0, size: tuple[int, int] = (320, 240)) -> bytes:
    rng = np.random.default_rng(seed)
    kept = io.BytesIO()
    small = Image.fromarray(rng.integers(0, 255, (24, 32, 3), dtype=np.uint8))
    small.resize(size).save(kept, "JPEG", quality=90)
    return kept.getvalue()


def device(camera: str, serial: str, **changes: object) -> Device:
    plain = Device(camera, jpeg(len(camera)), serial, f"{camera} gate", 320, 240, RIGHT.user, RIGHT.password)
    return replace(plain, **changes)  # type: ignore[arg-type]


@pytest.fixture
def pins(tmp_path: Path) -> Pins:
    return Pins(tmp_path / "pins.json")


@pytest.fixture(scope="module")
def devices() -> Iterator[SimulatedSite]:
    """A right one, one with Basic, an open one, one whose clock is an hour ahead, one with another password, a silent one, one
    with the second media service alone, one with both."""
    with SimulatedSite(
        (
            device("C-1", "SN-1"),
            device("C-2", "SN-2", digest=False),
            device("C-3", "SN-3", user=None, password=None),
            device("C-4", "SN-4", clock_offset_s=3600.0),
            device("C-5", "SN-5", password="another"),
            device("C-6", "SN-6", silent=True),
            device("C-7", "SN-7", media=("media2",)),
            device("C-8", "SN-8", media=("media", "media2")),
        )
    ) as site:
        yield site

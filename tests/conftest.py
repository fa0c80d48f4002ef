"""Shared fixtures: the command line in this process, a small plan, small pictures."""

from __future__ import annotations

import fcntl
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import skimage.data

from audit.children import SAFE_PATH

cv2.setNumThreads(1)

#: Compiled tests and modules are kept even where the environment says not to: each worker would rewrite every assertion again
#: (10 s of processor time), and each child of a test compile all it loads.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

PLAN_HEADER = (
    "camera,name,latitude,longitude,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,form,surface,"
    "setting,mount,serial,night,purpose,target_east_m,target_north_m,target_up_m"
)


def pytest_configure(config: pytest.Config) -> None:
    """Workers take files in the order of :func:`pytest_collection_modifyitems`, not by how many tests they hold."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


#: Rooms whose files drive browsers or break processes off, then files that take 10 s of processor time or more beside those
#: of no room, most of which walk whole visits.
LONG_ROOMS = ("browser", "faults")
LONG_FILES = (
    "test_resection_outside", "test_hostile_record", "test_resection", "test_matching_answers", "test_gate", "test_bending",
    "test_survey", "test_handover", "test_orientation", "test_placing", "test_signing", "test_watching", "test_sky",
    "test_trust", "test_burned_in", "test_logbook", "test_sky_landscapes", "test_text_outside",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long files first: those that drive browsers or break processes off, then whole visits, then others by their time, so
    that no worker is left with one of them at the end.

    A test that fails is tried once more, one of the desk twice: on a loaded machine a key can come before the page that takes
    it. The run prints an R for each and names them at its end: a test that needs it is to be mended. A test must therefore be
    able to run on what its last try left in the desk of its file. What a property test found stays in its database, so that
    it is found again.
    """

    def rank(item: pytest.Item) -> int:
        room = item.path.relative_to(Path(__file__).parent).parts[0] if item.path.is_relative_to(Path(__file__).parent) else ""
        if room in LONG_ROOMS:
            return LONG_ROOMS.index(room)
        name = item.path.stem
        return 2 if room.endswith(".py") else 3 + LONG_FILES.index(name) if name in LONG_FILES else 3 + len(LONG_FILES)

    items.sort(key=rank)
    for item in items:
        item.add_marker(pytest.mark.flaky(reruns=2 if item.get_closest_marker("browser") else 1))


@pytest.fixture(autouse=True, scope="session")
def own_keys(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A passphrase (quickly tried) for keys that tests make, and a list of known signers that is not the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PHOTO_AUDIT_PASSPHRASE", "a passphrase for tests")
        patch.setattr("audit.logbook.pkcs8.SCRYPT_N", 1 << 4)  # so that hundreds of keys are made and opened in no time
        patch.setenv("PHOTO_AUDIT_KNOWN_SIGNERS", str(tmp_path_factory.mktemp("known") / "known_signers.json"))
        yield


@pytest.fixture(scope="session")
def for_all_workers(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], AbstractContextManager[Path]]:
    """A folder by its name that one worker at a time may fill: whoever comes next finds there what the first one made."""
    own = tmp_path_factory.getbasetemp()
    base = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own

    @contextmanager
    def held(name: str) -> Iterator[Path]:
        folder = base / f"shared-{name}"
        folder.mkdir(exist_ok=True)
        with (base / f"shared-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield folder

    return held


@pytest.fixture(autouse=True)
def own_environment() -> None:
    """A command that ran in this process told its children to leave the working folder alone; a test's children are
    started in a folder that they are to find."""
    os.environ.pop(SAFE_PATH, None)


@dataclass(frozen=True)
class Ran:
    """What one command said."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, Any]]:
        """Standard output as JSON lines."""
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def audit(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run ``photo-audit`` with arguments, in this process."""
    from audit.cli import main

    def run(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["photo-audit", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        assert "Traceback" not in said.err + said.out
        return Ran(int(ended.value.code or 0), said.out, said.err)

    return run


def write_plan(path: Path) -> Path:
    """A plan of two cameras."""
    path.write_text(
        PLAN_HEADER + "\n"
        "C-1,Gate,46.5,-18.0,3.0,20,-15,56,640,360,bullet,pole,outdoor,mast > pole adapter > junction box,SN0001,none,"
        "recognise,1.71,4.70,1.6\n"
        "C-2,Yard,46.5005,-18.0,3.5,200,-12,56,640,360,bullet,wall,outdoor,wall > junction box,SN0002,infrared,observe,"
        "-1.7,50.9,1.5\n",
        encoding="utf-8",
    )
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan of two cameras."""
    return write_plan(tmp_path / "plan.csv")


@cache
def photograph_bytes() -> bytes:
    """A real photograph as a 640 x 360 JPEG (scikit-image's coffee, CC0)."""
    picture = cv2.resize(skimage.data.coffee()[:337], (640, 360), interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(picture[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 90])
    assert done
    return bytes(data.tobytes())


@pytest.fixture
def picture_bytes() -> bytes:
    """See :func:`photograph_bytes`."""
    return photograph_bytes()

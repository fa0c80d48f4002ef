"""A whole site: every camera has a picture or a reason, once, also after it was stopped at any moment."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from audit.collect.addresses import Address, parse_address
from audit.collect.conduct import Round, collect
from audit.collect.journal import Entry, Journal
from audit.collect.names import asked_at, picture_name, safe_name
from audit.collect.pins import Pins
from audit.collect.rounds import Turned, rounds, while_turned
from audit.devices import SimulatedSite
from audit.errors import AuditError
from audit.lens import Lens
from audit.photos.device import DeviceFacts
from audit.plan.model import Camera, Site
from tests.collect.conftest import RIGHT, device

NAMES = [f"C-{k:02d}" for k in range(12)]
SILENT = {"C-03", "C-07"}


@pytest.fixture(scope="module")
def twelve() -> Iterator[SimulatedSite]:
    with SimulatedSite(device(name, f"SN-{name}", silent=name in SILENT) for name in NAMES) as site:
        yield site


@pytest.fixture
def this(tmp_path: Path, pins: Pins) -> Round:
    return Round(Journal(tmp_path), lambda _: RIGHT, pins, "day", timeout_s=1.5)


def found(site: SimulatedSite, scheme: str = "http") -> dict[str, Address]:
    return {name: parse_address(name, site.address(name, scheme)) for name in NAMES}


def test_each_camera_has_a_picture_or_a_reason(this: Round, twelve: SimulatedSite) -> None:
    entries = {entry.camera: entry for entry in collect(this, found(twelve))}
    assert sorted(entries) == NAMES
    assert {name for name, e in entries.items() if e.file is None} == SILENT
    assert all(entries[name].reason == "timeout" for name in SILENT)
    for name in set(NAMES) - SILENT:
        entry = entries[name]
        assert entry.file is not None and (this.journal.folder / entry.file).is_file()
        assert entry.file.startswith(f"{name}_snapshot_") and entry.file.endswith("_day.jpg")
    assert not list(this.journal.folder.glob(".*.part"))


def test_a_run_that_was_stopped_goes_on_and_counts_none_twice(this: Round, twelve: SimulatedSite) -> None:
    first = collect(this, found(twelve), at_once=2)
    kept = [next(first) for _ in range(4)]
    first.close()
    (this.journal.folder / ".C-11_x.jpg.part").write_bytes(b"half")
    with (this.journal.folder / "collected.jsonl").open("a") as stream:
        stream.write('{"camera": "C-11", "at": "2026-')
    before = {e.camera: e.file for e in this.journal.entries() if e.file}
    assert {e.camera for e in kept if e.file} <= set(before)
    again = {entry.camera: entry for entry in collect(this, found(twelve))}
    assert sorted(again) == NAMES and all(again[name].file == file for name, file in before.items())
    pictures = [p for p in this.journal.folder.glob("*_day.jpg")]
    assert len(pictures) == len(NAMES) - len(SILENT)


def test_since_fetches_what_is_older(this: Round, twelve: SimulatedSite) -> None:
    alone = {"C-00": found(twelve)["C-00"]}
    early = replace(this, clock=lambda: datetime(2026, 6, 16, 8, 0, tzinfo=UTC))
    late = replace(this, clock=lambda: datetime(2026, 6, 16, 9, 0, tzinfo=UTC))
    (first,) = collect(early, alone)
    (same,) = collect(replace(late, since=first.at), alone)
    (newer,) = collect(replace(late, since=first.at + timedelta(minutes=1)), alone)
    assert same.file == first.file and newer.file != first.file


def test_a_wrong_password_is_tried_twice_in_a_visit_at_most(tmp_path: Path, pins: Pins) -> None:
    with SimulatedSite([device("C-1", "SN-1", password="another")]) as site:
        alone = {"C-1": parse_address("C-1", site.address("C-1"))}
        this = Round(Journal(tmp_path), lambda _: RIGHT, pins, "day", 2.0)
        tries = []
        for _ in range(4):
            site.calls.clear()
            (entry,) = collect(this, alone)
            assert entry.reason == "wrong password"
            tries.append(site.calls.count("GetDeviceInformation"))
        assert tries == [1, 1, 0, 0]
        assert "--again" in (entry.message or "")


def test_a_full_disk_is_said_and_nothing_is_lost(
    this: Round, twelve: SimulatedSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if "C-05" in path.name:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(AuditError, match="no room left on the disk"):
        list(collect(this, found(twelve), at_once=3))
    monkeypatch.undo()
    entries = {entry.camera: entry for entry in collect(this, found(twelve))}
    assert {name for name, e in entries.items() if e.file is None} == SILENT


def test_ids_that_look_alike_keep_apart() -> None:
    names = [safe_name(text) for text in ("G 1", "G.1", "G/1", "G-1", "../G", "", "Ü 1", "ü 1")]
    assert len(set(names)) == len(names) and not any("/" in name or name.startswith(".") for name in names)
    assert safe_name("TH-01") == "TH-01"


def test_entries_come_back_as_they_were(tmp_path: Path) -> None:
    at = datetime(2026, 6, 16, 8, 0, tzinfo=UTC)
    told = Entry("C-1", at, "day", "a.jpg", "0" * 64, None, None, DeviceFacts("onvif://192.0.2.1", at, "SN", clock_offset_s=1.5))
    Journal(tmp_path).add(told)
    assert Journal(tmp_path).entries() == (told,)


def test_by_night_it_waits_until_it_is_dark_and_keeps_the_second_picture(tmp_path: Path, pins: Pins) -> None:
    lens = Lens(320, 240, 60.0)
    site = Site((Camera("C-1", 0.0, 0.0, 3.0, 0.0, -15.0, lens),), "yard", 46.5, 8.0)
    now = [datetime(2026, 6, 16, 18, 0, tzinfo=UTC)]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += timedelta(seconds=seconds)

    with SimulatedSite([device("C-1", "SN-1")]) as devices:
        alone = {"C-1": parse_address("C-1", devices.address("C-1", "http"))}
        this = Round(Journal(tmp_path), lambda _: RIGHT, pins, "day", 2.0, clock=lambda: now[0])
        entries = list(rounds(this, site, alone, "both", sleep=sleep))
    assert [e.light for e in entries] == ["day", "night"]
    # sunset there is about 19:25 UTC, civil twilight some 35 minutes longer
    assert datetime(2026, 6, 16, 19, 50, tzinfo=UTC) < entries[1].at < datetime(2026, 6, 16, 20, 15, tzinfo=UTC)
    assert slept[-1] == 20.0 and len([e for e in this.journal.entries() if e.light == "night"]) == 2


def test_darkness_needs_a_place_on_earth(tmp_path: Path, pins: Pins) -> None:
    this = Round(Journal(tmp_path), lambda _: RIGHT, pins, "day", 2.0)
    with pytest.raises(AuditError, match="darkness is not known"):
        list(rounds(this, Site((), "yard"), {}, "night"))




def test_a_pictures_name_says_when_it_was_asked_for() -> None:
    at = datetime(2026, 3, 4, 14, 30, 5, 400_000, tzinfo=UTC)
    for camera in ("TH-07", "Hall/3 é"):
        assert asked_at(picture_name(camera, at, "night", ".jpg")) == at.replace(microsecond=0)
    assert asked_at("TH-07_snapshot.jpg") is None and asked_at("TH-07_snapshot_20261399-143005_day.jpg") is None


def test_pictures_while_turned_are_taken_once_of_those_that_answered(this: Round, twelve: SimulatedSite) -> None:
    naps: list[float] = []
    told: list[tuple[int, float]] = []
    wanted = Turned(2, 7.0)
    three = {name: address for name, address in found(twelve).items() if name <= "C-03"}
    moments = iter(datetime(2026, 6, 16, 8, 0, tzinfo=UTC) + timedelta(seconds=k) for k in range(100))
    this = replace(this, clock=lambda: next(moments))
    assert not list(while_turned(this, three, wanted, sleep=naps.append)), "no snapshot, nothing to lay them over"
    list(collect(this, three))
    first = list(while_turned(this, three, replace(wanted, more=1), sleep=naps.append))
    again = list(while_turned(this, three, wanted, sleep=naps.append, waiting=lambda *at: told.append(at)))
    assert sorted(e.camera for e in first) == sorted(e.camera for e in again) == ["C-00", "C-01", "C-02"]
    assert naps == [7.0, 7.0] and told == [(2, 7.0)]
    files = [e.file or "" for e in first + again]
    assert all("_turned_" in file and asked_at(file) is not None for file in files) and len(set(files)) == 6
    assert all("_snapshot_" in (e.file or "") for e in this.journal.fetched("day").values())

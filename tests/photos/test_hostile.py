"""Hostile files: a photo or a refusal that names it, for a few honest photos' processor time and 200 MiB."""

from __future__ import annotations

import os
import time
from io import BytesIO
from pathlib import Path

import pytest
from hostile_files import exif_block, mutated_files, named_hostile_files, sound_file, with_exif
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from audit.errors import PhotoRefused
from audit.photos.exif import read_tags
from audit.photos.guard import Guard
from audit.photos.intake import open_photo
from audit.photos.metadata import read_metadata
from audit.photos.photo import Metadata
from audit.photos.xmp import read_xmp

NAMED = dict(named_hostile_files())
KEPT = {
    "PNG text bomb", "PNG text of 4 MB", "circular directory", "directory that is its own sub-directory", "5,000 entries",
    "10,000 entries that claim to be there", "5,000 values of 60,000 bytes each", "user comment of 4 GB", "maker note of 4 GB",
    "XMP with entities", "XMP nested 5,000 deep",
    "TIFF whose directories go round",
}  # fmt: skip


#: Honest photos of 12 megapixels whose processor time one hostile file may cost; seen in one run.
MOST_PHOTOS = 12


@pytest.fixture(scope="module")
def honest_s() -> float:
    """Processor time of an honest photo of 12 megapixels, in this process."""
    out = BytesIO()
    Image.effect_noise((4000, 3000), 40).convert("RGB").save(out, "JPEG", quality=90)

    def cost() -> float:
        began = time.process_time()
        open_photo(out.getvalue(), "honest.jpg")
        return time.process_time() - began

    return min(cost() for _ in range(3))


@pytest.mark.parametrize("name", NAMED)
def test_named_hostile_file_is_kept_or_refused_by_name(name: str, honest_s: float) -> None:
    began = time.process_time()
    try:
        opened = open_photo(NAMED[name], name)
    except PhotoRefused as refusal:
        assert name not in KEPT
        assert refusal.message.startswith(f"{name}: ")
    else:
        assert name in KEPT
        assert opened.pixels.size
    assert time.process_time() - began < MOST_PHOTOS * honest_s


def test_hostile_files_in_a_worker_stay_within_memory_and_time(honest_s: float) -> None:
    guard = Guard()
    options = {"name": "x", "max_side_px": 1600}
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF"):
        guard.call("audit.photos.intake:open_in_worker", sound_file(kind), options)
    worker = guard.worker_id
    Path(f"/proc/{worker}/clear_refs").write_text("5", encoding="ascii")
    start_kib = memory_kib(worker, "VmRSS")
    for name, data in [*NAMED.items(), *mutated_files(210, seed=3)]:
        began = processor_s(worker)
        answer, _ = guard.call("audit.photos.intake:open_in_worker", data, options | {"name": name})
        assert processor_s(worker) - began < MOST_PHOTOS * honest_s, name
        assert "photo" in answer or name in str(answer["message"])
    assert guard.worker_id == worker
    assert memory_kib(worker, "VmHWM") - start_kib < 200 * 1024
    guard.close()


def processor_s(process: int | None) -> float:
    """User and system time of a process (proc(5), stat, fields 14 and 15)."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_kib(process: int | None, what: str) -> int:
    for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(what):
            return int(line.split()[1])
    raise AssertionError(what)


@settings(deadline=None)
@given(st.binary(max_size=600))
def test_any_bytes_are_refused_by_name(data: bytes) -> None:
    with pytest.raises(PhotoRefused, match=r"^a\.jpg: "):
        open_photo(data, "a.jpg")


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from([b"II*\x00\x08\x00\x00\x00", b"MM\x00*\x00\x00\x00\x08", b"II+\x00", b""]), st.binary(max_size=400)
)
def test_any_exif_block_gives_metadata(head: bytes, rest: bytes) -> None:
    found = read_metadata(with_exif(head + rest))
    assert isinstance(found, Metadata)
    assert found.orientation in range(1, 9)
    assert found.latitude is None or -90 <= found.latitude <= 90
    assert found.bearing_deg is None or 0 <= found.bearing_deg < 360


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 700), st.integers(0, 255)), min_size=1, max_size=8))
def test_overwritten_exif_gives_what_can_be_had(changes: list[tuple[int, int]]) -> None:
    block = bytearray(exif_block())
    for at, value in changes:
        block[at % len(block)] = value
    found = read_metadata(with_exif(bytes(block)))
    assert (found.latitude is None) == (found.longitude is None)
    assert found.hfov_deg is None or 0 < found.hfov_deg < 180


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_tag_reader_never_raises(data: bytes) -> None:
    read_tags(data)
    read_xmp(data)
    read_xmp(b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>" + data + b"</x:xmpmeta>")


def test_damaged_block_keeps_what_lies_before_the_damage() -> None:
    block = exif_block()
    kept = [
        sum(field is not None for field in (found.device, found.taken_at, found.latitude, found.gps_at))
        for found in (read_metadata(with_exif(block[:cut])) for cut in reversed(range(len(block), 7, -5)))
    ]
    assert kept[0] == 0
    assert max(kept) == 4
    assert kept == sorted(kept)
    assert read_metadata(with_exif(block[:-20])).device == "P-1 TH0002"


def test_names_outside_the_block_are_noted() -> None:
    block = bytearray(exif_block())
    at = block.find(bytes([0x03, 0x90]) if block[:2] == b"II" else bytes([0x90, 0x03]))
    block[at + 8 : at + 12] = b"\x7f\xff\xff\xff"
    found = read_metadata(with_exif(bytes(block)))
    assert found.taken_at is None
    assert any("outside its block" in note for note in found.notes)
    assert found.latitude == pytest.approx(46.501)


def test_entities_are_named_and_not_followed() -> None:
    notes = open_photo(NAMED["XMP with entities"], "a").photo.metadata.notes
    assert any("entities" in note for note in notes)

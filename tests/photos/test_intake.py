"""Every file below a folder is accounted for: a photo, or one sentence that names it."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import numpy as np
import pytest
from hostile_files import exif_block, jpeg_with_stated_size, scene, sound_file
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import AuditError, PhotoRefused
from audit.photos import intake
from audit.photos.guard import GuardFailure
from audit.photos.intake import FoundFile, find_files, open_photo, shown_name
from audit.photos.photo import Photo


def names(folder: Path) -> list[str]:
    return [found.name for found in find_files(folder)]


def test_files_come_sorted_with_paths_below_the_folder(tmp_path: Path) -> None:
    for name in ("b.jpg", "a.txt", "gate/2.jpg", "gate/1.jpg", "gate/night/x", "B.jpg"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    assert names(tmp_path) == ["B.jpg", "a.txt", "b.jpg", "gate/1.jpg", "gate/2.jpg", "gate/night/x"]


def test_hidden_and_system_files_are_passed_over(tmp_path: Path) -> None:
    for name in (
        ".DS_Store",
        "Thumbs.db",
        "desktop.ini",
        "._a.jpg",
        "__MACOSX/a.jpg",
        ".git/a.jpg",
        "a.jpg",
        "notes.txt",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    assert names(tmp_path) == ["a.jpg", "notes.txt"]


def test_links_that_go_round_end_and_each_folder_counts_once(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "1.jpg").write_bytes(b"x")
    (tmp_path / "a" / "up").symlink_to(tmp_path)
    (tmp_path / "0-again").symlink_to(tmp_path / "a")
    (tmp_path / "self").symlink_to(tmp_path / "self")
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    assert names(tmp_path) == ["gone.jpg", "self", "a/1.jpg"]
    for broken in ("gone.jpg", "self"):
        with pytest.raises(PhotoRefused, match=broken) as caught:
            open_photo(tmp_path / broken, broken)
        assert caught.value.kind == "unreadable"


def test_strange_names_are_escaped_and_stay_different(tmp_path: Path) -> None:
    raw = [
        b"new\nline.jpg",
        b"bad\xff\xfe.jpg",
        b"back\\nline.jpg",
        b"tab\t.jpg",
        "right-to-left\u202egpj.jpg".encode(),
        "straße.jpg".encode(),
    ]
    for name in raw:
        with open(os.path.join(os.fsencode(tmp_path), name), "wb") as stream:
            stream.write(sound_file("JPEG", scene(32, 24)))
    found = list(find_files(tmp_path))
    shown = {entry.name for entry in found}
    assert shown == {
        r"new\nline.jpg", r"bad\xff\xfe.jpg", r"back\\nline.jpg", r"tab\u0009.jpg", r"right-to-left\u202egpj.jpg", "straße.jpg",
    }  # fmt: skip
    for entry in found:
        assert open_photo(entry.path, entry.name).photo.name == entry.name


@settings(deadline=None)
@given(st.text(min_size=1), st.text(min_size=1))
def test_shown_names_are_printable_and_one_to_one(one: str, other: str) -> None:
    assert shown_name(one).isprintable()
    shown_name(one).encode("utf-8")
    assert (shown_name(one) == shown_name(other)) == (one == other)


def test_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match="nowhere"):
        list(find_files(tmp_path / "nowhere"))


def test_unreadable_folder_is_accounted_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "locked").mkdir()
    (tmp_path / "a.jpg").write_bytes(b"x")
    scan = os.scandir

    def refuse(path: Path) -> object:
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied")
        return scan(path)

    monkeypatch.setattr(os, "scandir", refuse)
    found = list(find_files(tmp_path))
    assert [entry.name for entry in found] == ["a.jpg", "locked/"]
    with pytest.raises(PhotoRefused, match="locked/") as caught:
        open_photo(found[1].path, found[1].name)
    assert caught.value.kind == "unreadable"


def test_one_file_in_place_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"x")
    assert list(find_files(tmp_path / "a.jpg")) == [FoundFile(tmp_path / "a.jpg", "a.jpg")]


def test_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(PhotoRefused, match="pipe.jpg"):
        open_photo(tmp_path / "pipe.jpg")


@pytest.mark.parametrize("guarded", [False, True])
def test_photo_carries_what_the_file_holds(guarded: bool) -> None:
    data = sound_file("JPEG", scene(640, 480), exif_block(6))
    opened = open_photo(data, "gate/1.jpg", max_side_px=200, guarded=guarded)
    photo = opened.photo
    assert (photo.name, photo.format, photo.size_bytes) == ("gate/1.jpg", "JPEG", len(data))
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert (photo.width_px, photo.height_px) == (480, 640)
    assert opened.pixels.shape == (200, 150, 3)
    assert photo.metadata.text == "TH-02 gate"
    assert photo.picture_hash is not None
    assert len(photo.picture_hash) == 16
    assert opened.data is data
    assert Photo.from_json(json.loads(json.dumps(photo.as_json()))) == photo


def test_guarded_and_open_give_the_same() -> None:
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF"):
        data = sound_file(kind)
        here, there = open_photo(data, kind), open_photo(data, kind, guarded=True)
        assert here.photo == there.photo
        assert np.array_equal(here.pixels, there.pixels)


def test_wrong_extension_is_opened_by_content_with_a_note() -> None:
    photo = open_photo(sound_file("JPEG"), "IMG_1.HEIC").photo
    assert photo.format == "JPEG"
    assert any("named .heic but the file is JPEG" in note for note in photo.metadata.notes)
    assert open_photo(sound_file("JPEG"), "IMG_1.JPG").photo.metadata.notes == ()


@pytest.mark.parametrize(
    ("data", "kind", "says"),
    [
        (b"", "not an image", "empty"),
        (b"Lunch at noon\n" * 9, "not an image", "text"),
        (b"PK\x03\x04" + bytes(50), "not an image", "ZIP"),
        (bytes(5000), "not an image", "zeros"),
        (b"GIF89a" + bytes(50), "unsupported", "GIF"),
        (b"\x00\x00\x00\x1cftypavif" + bytes(50), "unsupported", "AVIF"),
        (jpeg_with_stated_size(60_000, 60_000), "too large", "60000 × 60000"),
        (sound_file("JPEG")[:5000], "damaged", "copy it again"),
        (sound_file("HEIF")[:1500], "damaged", "HEIC"),
    ],
)
@pytest.mark.parametrize("guarded", [False, True])
def test_refusal_is_one_sentence_that_names_the_file(data: bytes, kind: str, says: str, guarded: bool) -> None:
    with pytest.raises(PhotoRefused) as caught:
        open_photo(data, "shed/7.jpg", guarded=guarded)
    assert caught.value.kind == kind
    assert caught.value.name == "shed/7.jpg"
    assert caught.value.message.startswith("shed/7.jpg: ")
    assert says in caught.value.message
    assert caught.value.message.endswith(".")
    assert "\n" not in caught.value.message


def test_large_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    with open(tmp_path / "big.jpg", "wb") as stream:
        stream.truncate(intake.MAX_FILE_BYTES + 1)
    with pytest.raises(PhotoRefused, match=r"big.jpg: the file is larger than 256 MiB") as caught:
        open_photo(tmp_path / "big.jpg")
    assert caught.value.kind == "too large"


@pytest.mark.parametrize(("failure", "kind"), [("timeout", "timeout"), ("memory", "too large"), ("died", "damaged")])
def test_worker_that_fails_marks_its_photo(failure: str, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    class FailingGuard:
        def call(self, task: str, blob: bytes, options: object) -> None:
            raise GuardFailure(failure)

    monkeypatch.setattr(intake, "guard_of_this_process", FailingGuard)
    with pytest.raises(PhotoRefused, match="a.jpg") as caught:
        open_photo(sound_file("JPEG"), "a.jpg", guarded=True)
    assert caught.value.kind == kind


def test_worker_that_lies_marks_its_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    class LyingGuard:
        def call(self, task: str, blob: bytes, options: object) -> tuple[dict[str, object], bytearray]:
            return {"shape": [10, 10, 3], "photo": {}}, bytearray(7)

    monkeypatch.setattr(intake, "guard_of_this_process", LyingGuard)
    with pytest.raises(PhotoRefused, match="a.jpg"):
        open_photo(sound_file("JPEG"), "a.jpg", guarded=True)

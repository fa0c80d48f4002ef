"""From a folder of anything to photos: find every file, and open each safely or refuse it with one sentence."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.errors import AuditError, PhotoRefused
from audit.photos.containers import describe, read_header
from audit.photos.guard import GuardFailure, guard_of_this_process
from audit.photos.metadata import read_metadata
from audit.photos.photo import Photo
from audit.photos.pixels import Undecodable, decode_grey, decode_with_size, picture_hash

__all__ = ["MAX_FILE_BYTES", "FoundFile", "OpenedPhoto", "find_files", "open_photo", "read_file", "shown_name"]

MAX_FILE_BYTES = 256 << 20
_SYSTEM_NAMES = frozenset(
    {"thumbs.db", "ehthumbs.db", "desktop.ini", "__macosx", "@eadir", "$recycle.bin", "system volume information"}
)
_JPEG_NAMES = (".jpg", ".jpeg", ".jpe", ".jfif")
_SUFFIXES = {
    "JPEG": _JPEG_NAMES, "PNG": (".png",), "TIFF": (".tif", ".tiff"), "WEBP": (".webp",),
    "HEIF": (".heic", ".heif", ".hif"), "DNG": (".dng",),
}  # fmt: skip
_PICTURE_SUFFIXES = frozenset(suffix for suffixes in _SUFFIXES.values() for suffix in suffixes)


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file below a folder, or a folder that can't be read (``name`` then ends with ``/``; opening it is refused)."""

    path: Path
    name: str


@dataclass(frozen=True, slots=True)
class OpenedPhoto:
    """A photo with its pixels (``uint8`` RGB array (H, W, 3), upright, at reduced size) and its file's bytes; with the shades of
    the whole picture (``uint8`` array (H, W), upright) where they were asked for."""

    photo: Photo
    pixels: NDArray[np.uint8]
    data: bytes
    grey: NDArray[np.uint8] | None = None


def shown_name(raw: str) -> str:
    """A file name for people and records: everything unprintable escaped, each name to a different text."""
    shown = []
    for letter in raw:
        code = ord(letter)
        if 0xDC80 <= code <= 0xDCFF:
            shown.append(f"\\x{code - 0xDC00:02x}")
        elif letter == "\\":
            shown.append("\\\\")
        elif letter == "\n":
            shown.append("\\n")
        elif letter.isprintable():
            shown.append(letter)
        else:
            shown.append(f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
    return "".join(shown)


def find_files(folder: Path | str) -> Iterator[FoundFile]:
    """Every file below a folder in a fixed order, each once; hidden and system files are passed over.

    A hidden picture is named, so that it is refused and not overlooked.

    Links are followed, loops are not. A folder that can't be read comes as a :class:`FoundFile` whose opening is
    refused, so that it is accounted for.

    Raises
    ------
    AuditError
        The folder itself is missing or can't be read.
    """
    root = Path(folder)
    try:
        if stat.S_ISREG(root.stat().st_mode):
            yield FoundFile(root, shown_name(root.name))
            return
        os.scandir(root).close()
    except OSError as error:
        raise AuditError(
            f"{shown_name(str(root))}: the folder can't be read ({_why(error)}); give the folder that holds the photos."
        ) from error
    yield from _below(root, "", set())


def _below(folder: Path, prefix: str, seen: set[tuple[int, int]]) -> Iterator[FoundFile]:
    try:
        here = folder.stat()
        if (here.st_dev, here.st_ino) in seen:
            return
        seen.add((here.st_dev, here.st_ino))
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: (entry.is_symlink(), os.fsencode(entry.name)))
    except OSError:
        yield FoundFile(folder, prefix or "./")
        return
    files: list[os.DirEntry[str]] = []
    folders: list[os.DirEntry[str]] = []
    for entry in entries:
        if (entry.name.startswith(".") and not _hidden_picture(entry.name)) or entry.name.lower() in _SYSTEM_NAMES:
            continue
        try:
            is_folder = entry.is_dir()
        except OSError:
            is_folder = False
        if not (is_folder and entry.name.startswith(".")):
            (folders if is_folder else files).append(entry)
    for entry in files:
        yield FoundFile(Path(entry.path), prefix + shown_name(entry.name))
    for entry in folders:
        yield from _below(Path(entry.path), f"{prefix}{shown_name(entry.name)}/", seen)


def _hidden_picture(name: str) -> bool:
    """Whether a name is a picture's that is hidden; ``._NAME`` holds what a Mac notes of NAME, and no picture."""
    last = name.rpartition("/")[2]
    return last.startswith(".") and not last.startswith("._") and Path(last).suffix.lower() in _PICTURE_SUFFIXES


def open_photo(
    source: Path | str | bytes,
    name: str | None = None,
    *,
    max_side_px: int | None = 1600,
    guarded: bool = False,
    grey_of: tuple[int, int] | None = None,
) -> OpenedPhoto:
    """Read a file once and open it as a photo, or refuse it with one sentence that names it.

    Parameters
    ----------
    source : path or bytes
        The file, or its bytes.
    name : str or None
        The name shown to people; the path's last part where not given.
    max_side_px : int or None
        Long side of the pixels that come back; None for the full size.
    guarded : bool
        Decode in this process's limited worker (:mod:`audit.photos.guard`).
    grey_of : tuple of int or None
        Where the upright picture has this width and height, its shades come at full size too, from the same reading.

    Raises
    ------
    PhotoRefused
        Not a picture, damaged, too large, unsupported, unreadable, or beyond the limits of memory and time.
    """
    if isinstance(source, bytes):
        data, shown = source, name if name is not None else "photo"
    else:
        path = Path(source)
        shown = name if name is not None else shown_name(path.name)
        if name is not None and _hidden_picture(name):
            raise PhotoRefused(
                name, "unsupported", f"{name}: a hidden file; give it a name that doesn't start with a dot, or take it away."
            )
        data = read_file(path, shown)
    if not data:
        raise PhotoRefused(
            shown, "not an image", f"{shown}: the file is empty; copy it again from the camera or phone."
        )
    if len(data) > MAX_FILE_BYTES:
        raise _too_large(shown)
    if read_header(data) is None:
        raise _not_a_photo(shown, data)
    if not guarded:
        return _opened(data, shown, max_side_px, grey_of)
    try:
        answer, body = _ask_worker(data, {"name": shown, "max_side_px": max_side_px, "grey_of": grey_of})
    except GuardFailure as failure:
        raise _given_up(shown, failure.kind) from failure
    return _from_worker(answer, body, shown, data)


def _ask_worker(data: bytes, options: Mapping[str, object]) -> tuple[dict[str, object], bytearray]:
    """The worker's answer. A worker that dies is asked once more, anew: the system may have ended it for its memory, or
    somebody by hand, and that is not the photo's fault."""
    task = "audit.photos.intake:open_in_worker"
    try:
        return guard_of_this_process().call(task, data, options)
    except GuardFailure as failure:
        if failure.kind != "died":
            raise
        return guard_of_this_process().call(task, data, options)


def open_in_worker(data: bytes, options: Mapping[str, Any]) -> tuple[dict[str, object], memoryview | bytes]:
    """What the guard's worker runs for :func:`open_photo`: the photo as JSON, the pixels as bytes, the shades after them."""
    grey_of = options.get("grey_of")
    try:
        opened = _opened(data, options["name"], options["max_side_px"], None if grey_of is None else tuple(grey_of))
    except PhotoRefused as refusal:
        return {"refused": refusal.kind, "message": refusal.message}, b""
    answer: dict[str, object] = {"photo": opened.photo.as_json(), "shape": opened.pixels.shape}
    body = np.ascontiguousarray(opened.pixels).data.cast("B")
    if opened.grey is None:
        return answer, body
    return {**answer, "grey": opened.grey.shape}, b"".join((body, opened.grey.data.cast("B")))


def _from_worker(answer: Mapping[str, Any], body: bytearray, name: str, data: bytes) -> OpenedPhoto:
    if "refused" in answer:
        raise PhotoRefused(name, str(answer["refused"]), str(answer["message"]))
    try:
        height, width, depth = (int(side) for side in answer["shape"])
        rows, columns = (int(side) for side in answer.get("grey", (0, 0)))
        values, count = np.frombuffer(body, np.uint8), height * width * depth
        pixels = values[:count].reshape(height, width, depth)
        grey = values[count:].reshape(rows, columns)
        photo = Photo.from_json(answer["photo"])
    except (KeyError, TypeError, ValueError) as error:
        raise _given_up(name, "died") from error
    return OpenedPhoto(photo, pixels, data, grey if grey.size else None)


def _opened(data: bytes, name: str, max_side_px: int | None, grey_of: tuple[int, int] | None) -> OpenedPhoto:
    header = read_header(data)
    if header is None:
        raise _not_a_photo(name, data)
    try:
        metadata = read_metadata(data, header.format)
        decoded = decode_with_size(data, max_side_px, orientation=metadata.orientation, header=header)
        whole = (decoded.width_px, decoded.height_px) == grey_of
        grey = decode_grey(data, orientation=metadata.orientation, header=header) if whole else None
    except Undecodable as error:
        raise PhotoRefused(name, error.kind, f"{name}: the file {error}{_REMEDIES[error.kind]}") from error
    except MemoryError as error:
        raise _given_up(name, "memory") from error
    notes = [*metadata.notes, *decoded.notes]
    suffix = Path(name).suffix.lower()
    if suffix in _PICTURE_SUFFIXES and suffix not in _SUFFIXES[header.format]:
        notes.append(f"named {suffix} but the file is {header.format}")
    photo = Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        size_bytes=len(data),
        format=header.format,
        width_px=decoded.width_px,
        height_px=decoded.height_px,
        metadata=replace(metadata, notes=tuple(dict.fromkeys(notes))),
        picture_hash=picture_hash(decoded.pixels),
    )
    return OpenedPhoto(photo, decoded.pixels, data, grey)


_REMEDIES = {
    "not an image": "; leave it out.",
    "damaged": "; copy it again from the camera or phone.",
    "too large": "; export it at an ordinary size or leave it out.",
    "unsupported": ".",
}


def read_file(path: Path, name: str) -> bytes:
    """Bytes of a file up to the limit.

    Raises
    ------
    PhotoRefused
        No plain file, larger than the limit, or unreadable.
    """
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        try:
            state = os.fstat(handle)
            if stat.S_ISDIR(state.st_mode):
                raise PhotoRefused(
                    name, "unreadable", f"{name}: this is a folder, not a photo; give its files instead."
                )
            if not stat.S_ISREG(state.st_mode):
                raise PhotoRefused(
                    name, "not an image", f"{name}: this is a device or pipe, not a photo; leave it out."
                )
            if state.st_size > MAX_FILE_BYTES:
                raise _too_large(name)
            with os.fdopen(handle, "rb", closefd=False) as stream:
                return stream.read(MAX_FILE_BYTES + 1)
        finally:
            os.close(handle)
    except OSError as error:
        raise _unreadable(name, error) from error


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


def _unreadable(name: str, error: OSError) -> PhotoRefused:
    if isinstance(error, IsADirectoryError) or name.endswith("/"):
        return PhotoRefused(
            name,
            "unreadable",
            f"{name}: the folder can't be read ({_why(error)}); check who may read it and run again.",
        )
    return PhotoRefused(
        name, "unreadable", f"{name}: the file can't be read ({_why(error)}); check who may read it and run again."
    )


def _too_large(name: str) -> PhotoRefused:
    limit = MAX_FILE_BYTES >> 20
    return PhotoRefused(
        name,
        "too large",
        f"{name}: the file is larger than {limit} MiB; export it at an ordinary size or leave it out.",
    )


def _not_a_photo(name: str, data: bytes) -> PhotoRefused:
    other, what = describe(data)
    if other:
        return PhotoRefused(
            name, "unsupported", f"{name}: this is a {what} picture, which can't be read here; save it as JPEG or PNG."
        )
    return PhotoRefused(name, "not an image", f"{name}: this is not a photo ({what}); leave it out or copy it again.")


def _given_up(name: str, kind: str) -> PhotoRefused:
    if kind == "timeout":
        return PhotoRefused(
            name, "timeout", f"{name}: the file took too long to open and was given up; save it again as JPEG."
        )
    if kind == "memory":
        return PhotoRefused(
            name,
            "too large",
            f"{name}: the file needs more memory than a photo may take; export it at an ordinary size.",
        )
    return PhotoRefused(
        name,
        "damaged",
        f"{name}: the file is damaged so badly that reading it failed; copy it again from the camera or phone.",
    )

"""Folders and ZIPs of strangers, read file by file and in pieces: nothing is unpacked, no pipe is waited for, and what a
ZIP grows to is limited by its own size.
"""

from __future__ import annotations

import os
import stat
import struct
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Protocol

from audit.logbook.files import BLOCK_BYTES, NotRegular, open_regular

__all__ = ["Container", "Damaged", "FolderContainer", "ZipContainer", "first_difference", "open_zip", "pack"]

_FIXED_TIME = (1980, 1, 1, 0, 0, 0)
#: What all files of a ZIP may grow to: pictures, PDF and hashes hardly shrink, tables of text by ten or twenty times.
_GROWS_TIMES, _GROWS_BYTES = 20, 64 << 20
#: A directory of files that is most of its ZIP serves only to fill memory.
_DIRECTORY_SHARE, _DIRECTORY_BYTES = 0.2, 8 << 20
_END, _END_64, _END_64_AT = b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07"
_END_BYTES, _LONGEST_COMMENT = 22, 65_535


class Damaged(Exception):
    """A file in a container that can't be read, or is not allowed to grow so large.

    Parameters
    ----------
    name : str
        The file; empty where the container itself is meant.
    why : str
        The rest of the sentence after the name.
    grown : bool
        Whether nothing more is to be read, since all files together have grown too large.
    """

    def __init__(self, name: str, why: str, grown: bool = False) -> None:
        super().__init__(name, why)
        self.name = name
        self.why = why
        self.grown = grown


class Container(Protocol):
    """Files by name."""

    def names(self) -> list[str]:
        """Names of all files, sorted."""
        ...

    def size(self, name: str) -> int:
        """Bytes of a file, as far as is known without reading it."""
        ...

    def blocks(self, name: str) -> Iterator[bytes]:
        """A file's bytes in pieces; raises :class:`Damaged`."""
        ...


class FolderContainer:
    """Files of a folder and of those in it; links, pipes and devices are named but never opened."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def names(self) -> list[str]:
        """Names below the folder with ``/``."""
        found: list[str] = []
        waiting = [("", self._folder)]
        while waiting:
            above, folder = waiting.pop()
            with os.scandir(folder) as entries:
                for entry in entries:
                    name = f"{above}{entry.name}"
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append((f"{name}/", folder / entry.name))
                    else:
                        found.append(name)
        return sorted(found)

    def size(self, name: str) -> int:
        """Bytes of a file; 0 for what is none."""
        status = os.lstat(self._folder / name)
        return status.st_size if stat.S_ISREG(status.st_mode) else 0

    def blocks(self, name: str) -> Iterator[bytes]:
        """A file's bytes in pieces."""
        try:
            with open_regular(self._folder / name, follow_links=False) as file:
                yield from iter(lambda: file.read(BLOCK_BYTES), b"")
        except NotRegular as error:
            raise Damaged(name, "is no file but a link, a pipe or a device") from error


class ZipContainer:
    """Files of a ZIP."""

    def __init__(self, archive: zipfile.ZipFile, size_bytes: int) -> None:
        self._archive = archive
        self._left = _GROWS_TIMES * size_bytes + _GROWS_BYTES

    def names(self) -> list[str]:
        """Names as the ZIP gives them; none of them ever becomes a path."""
        return sorted(info.filename for info in self._archive.infolist() if not info.filename.endswith("/"))

    def size(self, name: str) -> int:
        """Bytes as the ZIP's directory says."""
        return self._archive.getinfo(name).file_size

    def packed_size(self, name: str) -> int:
        """Bytes that the file takes in the ZIP, as its directory says."""
        return self._archive.getinfo(name).compress_size

    def is_stored(self, name: str) -> bool:
        """Whether the file lies in the ZIP as it is."""
        return self._archive.getinfo(name).compress_type == zipfile.ZIP_STORED

    def blocks(self, name: str) -> Iterator[bytes]:
        """A file's bytes in pieces, until all files together have grown too large."""
        try:
            with self._archive.open(name) as stream:
                while block := stream.read(BLOCK_BYTES):
                    self._left -= len(block)
                    if self._left < 0:
                        raise Damaged(name, "grows beyond what a ZIP of this size may hold", grown=True)
                    yield block
        except Damaged:
            raise
        except Exception as error:  # zipfile and its decoders raise many kinds for a damaged archive
            raise Damaged(name, "was changed: it can't be read from the ZIP") from error


def open_zip(path: Path) -> zipfile.ZipFile:
    """A ZIP whose directory is not out of all proportion.

    Raises
    ------
    Damaged
        If it is none.
    OSError
        If the file can't be read.
    """
    file = open_regular(path)
    try:
        size = os.fstat(file.fileno()).st_size
        if _directory_size(file, size) > max(_DIRECTORY_BYTES, _DIRECTORY_SHARE * size):
            raise Damaged("", "has a directory of files that is out of all proportion")
        return zipfile.ZipFile(file)
    except Damaged:
        file.close()
        raise
    except Exception as error:  # zipfile raises many kinds for a damaged archive
        file.close()
        raise Damaged("", "is damaged or no ZIP; its directory of files can't be read") from error


def pack(container: Container, target: BinaryIO) -> None:
    """Write a container's files as a ZIP that is the same, byte by byte, whenever they are."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as packed:
        for name in container.names():
            info = zipfile.ZipInfo(name, _FIXED_TIME)
            info.create_system = 3
            info.external_attr = 0o644 << 16
            info.file_size = container.size(name)
            with packed.open(info, "w") as member:
                for block in container.blocks(name):
                    member.write(block)


def first_difference(container: Container, path: Path) -> tuple[int, str | None] | None:
    """Where a ZIP differs from the one that its files make, and the member whose head that is; None where nowhere.

    What no file holds (heads, comments, gaps) counts too. Nothing is written.
    """
    with open_regular(path) as original:
        mirror = _Mirror(original)
        try:
            pack(container, mirror)  # type: ignore[arg-type]
        except (ValueError, RuntimeError, IndexError, struct.error, zipfile.LargeZipFile):  # names and sizes that no ZIP can hold
            return 0, None
        place = mirror.first_difference()
        if place is None:
            return None
        heads = [head for head in mirror.heads if head[0] <= place]
        return place, heads[-1][1] if heads and place < mirror.directory_at else None


class _Mirror:
    """Stands for the file that a ZIP is written to, and compares what is written with what lies in another file."""

    def __init__(self, original: BinaryIO) -> None:
        self._original = original
        self._size = os.fstat(original.fileno()).st_size
        self._place = self._end = 0
        self._different: dict[int, int] = {}
        self.heads: list[tuple[int, str]] = []
        self.directory_at = self._size

    def write(self, data: bytes) -> int:
        self._original.seek(self._place)
        there = self._original.read(len(data))
        start = bytes(data[:4])
        if start == b"PK\x03\x04":
            length = struct.unpack("<H", data[26:28])[0]
            self.heads.append((self._place, bytes(data[30 : 30 + length]).decode("utf-8", "replace")))
        elif start == b"PK\x01\x02":
            self.directory_at = min(self.directory_at, self._place)
        self._different.pop(self._place, None)  # a head is written a second time once its file is known
        if there != data:
            at = next((i for i, (x, y) in enumerate(zip(there, data, strict=False)) if x != y), len(there))
            self._different[self._place] = self._place + at
        self._place += len(data)
        self._end = max(self._end, self._place)
        return len(data)

    def seek(self, place: int, whence: int = os.SEEK_SET) -> int:
        self._place = place + (0 if whence == os.SEEK_SET else self._place if whence == os.SEEK_CUR else self._end)
        return self._place

    def tell(self) -> int:
        return self._place

    def seekable(self) -> bool:
        return True

    def flush(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """The original is closed by whoever opened it."""

    def first_difference(self) -> int | None:
        places = [*self._different.values(), *([self._end] if self._end != self._size else [])]
        return min(places, default=None)


def _directory_size(file: BinaryIO, size: int) -> int:
    """Bytes of a ZIP's directory as its end says (APPNOTE 4.3.14 to 4.3.16); 0 where that can't be found."""
    file.seek(max(0, size - _END_BYTES - _LONGEST_COMMENT - 20))
    tail = file.read()
    file.seek(0)
    at = tail.rfind(_END)
    if at < 0 or at + _END_BYTES > len(tail):
        return 0
    found = int(struct.unpack("<L", tail[at + 12 : at + 16])[0])
    before = tail[max(0, at - 20) : at]
    if before[:4] == _END_64_AT and len(before) == 20:
        file.seek(min(struct.unpack("<Q", before[8:16])[0], size))
        end_64 = file.read(56)
        file.seek(0)
        if end_64[:4] == _END_64 and len(end_64) == 56:
            found = max(found if found != 0xFFFFFFFF else 0, struct.unpack("<Q", end_64[40:48])[0])
    return found

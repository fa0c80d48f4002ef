"""Files that others may have put there: only regular ones are opened, so that no pipe or device holds a check up."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

__all__ = ["BLOCK_BYTES", "NotRegular", "open_regular", "read_regular", "sha256_of"]

BLOCK_BYTES = 1 << 20


class NotRegular(OSError):
    """A pipe, a device, a link or a folder where a file belongs."""


def open_regular(path: str | os.PathLike[str], follow_links: bool = True) -> BinaryIO:
    """Open a file for reading without ever waiting for it.

    Raises
    ------
    NotRegular
        If it is no regular file.
    OSError
        As :func:`open` does.
    """
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow_links else os.O_NOFOLLOW)
    try:
        handle = os.open(path, flags)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO):  # a link that is not followed; a socket
            raise _not_regular(path) from error
        raise
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise _not_regular(path)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_regular(path: str | os.PathLike[str], at_most: int | None = None) -> bytes:
    """Bytes of a regular file.

    Parameters
    ----------
    at_most : int or None
        A longer file is refused.
    """
    with open_regular(path) as file:
        if at_most is not None and os.fstat(file.fileno()).st_size > at_most:
            raise OSError(errno.EFBIG, f"is larger than {at_most:,} bytes", os.fspath(path))
        return file.read()


def sha256_of(blocks: Iterator[bytes]) -> tuple[str, int]:
    """SHA-256 of bytes that come in pieces, as lower-case hex, and how many they are."""
    digest, size = hashlib.sha256(), 0
    for block in blocks:
        digest.update(block)
        size += len(block)
    return digest.hexdigest(), size


def _not_regular(path: str | os.PathLike[str]) -> NotRegular:
    return NotRegular(errno.EINVAL, "is no regular file", os.fspath(Path(path)))

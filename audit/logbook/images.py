"""Images by the SHA-256 of their bytes, in a folder or in an object store.

An image is written under another name, synced, and renamed: whoever finds it under its hash finds all of it. Images
are never changed; what no row names is found by listing, never guessed.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from audit.errors import LogbookError
from audit.extras import how_to_get
from audit.logbook.codec import sha256_hex
from audit.logbook.database import file_sentence
from audit.logbook.files import BLOCK_BYTES, NotRegular, open_regular, read_regular, sha256_of

__all__ = ["ImageStore"]

_KEY = re.compile(r"[0-9a-f]{64}")
_TEMPORARY = ".writing-"


class ImageStore:
    """Images and their previews.

    Parameters
    ----------
    url : str
        Folder, or any fsspec URL such as ``s3://bucket/prefix``. An S3-compatible server's address and keys come from
        the environment (``AWS_ENDPOINT_URL``, ``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``).
    """

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        self.folder: Path | None = None
        self._system: Any = None
        self._root = ""
        if "://" not in url:
            self.folder = Path(url)
        elif url.startswith("file://"):
            self.folder = Path(url.removeprefix("file://"))
        else:
            self._open_remote()

    @property
    def address(self) -> str:
        """Where another process of this machine finds the store: an absolute folder, or the URL."""
        return str(self.folder.absolute()) if self.folder is not None else self.url

    def put(self, data: bytes, sha256: str | None = None) -> str:
        """Keeps an image and gives its hash (where known already, it need not be counted again); one that is there
        already is left alone."""
        sha256 = sha256 or sha256_hex(data)
        self._put(self._path("images", sha256), data)
        return sha256

    def put_blocks(self, room: str, sha256: str, blocks: Iterator[bytes], digest: str) -> bool:
        """Keeps an image or a preview that comes in pieces, if their hash is the one that it should have.

        Parameters
        ----------
        room : str
            ``images`` or ``previews``.
        digest : str
            SHA-256 of the bytes.

        Returns
        -------
        bool
            False where it was there already.

        Raises
        ------
        ValueError
            If the bytes have another hash; nothing is kept then.
        """
        path = self._path(room, sha256)
        if self._hash(path) == digest:
            if sha256_of(blocks)[0] != digest:
                raise ValueError(sha256)
            return False
        with self._errors():
            if self.folder is not None:
                _write_synced(path, blocks, digest)
            else:
                data = b"".join(blocks)
                if sha256_hex(data) != digest:
                    raise ValueError(sha256)
                self._system.pipe_file(path, data)
        return True

    def remove(self, room: str, sha256: str) -> None:
        """Takes back what :meth:`put_blocks` has just kept."""
        path = self._path(room, sha256)
        with self._errors(), suppress(FileNotFoundError):
            if self.folder is not None:
                path.unlink()
                with suppress(OSError):
                    path.parent.rmdir()
                    path.parent.parent.rmdir()
            else:
                self._system.rm_file(path)

    def put_preview(self, sha256: str, data: bytes) -> None:
        """Keeps the small picture that pages show for an image."""
        self._put(self._path("previews", sha256), data)

    def get(self, sha256: str) -> bytes:
        """An image's bytes.

        Raises
        ------
        LogbookError
            If it is missing or its bytes are not the ones that were kept.
        """
        try:
            data = self._get(self._path("images", sha256))
        except NotRegular:
            data = b""
        if data is None:
            raise LogbookError(f"{self.url}: image {sha256} is missing; restore it from a backup.")
        if sha256_hex(data) != sha256:
            raise LogbookError(f"{self.url}: image {sha256} was changed after it was kept; restore it from a backup.")
        return data

    def get_preview(self, sha256: str) -> bytes | None:
        """A preview's bytes, or None where there is none."""
        try:
            return self._get(self._path("previews", sha256))
        except NotRegular:
            return None

    def state(self, sha256: str) -> str:
        """``kept``, ``missing`` or ``changed``, from the bytes themselves."""
        return self._state("images", sha256, sha256)

    def preview_state(self, sha256: str, preview_sha256: str) -> str:
        """``kept``, ``missing`` or ``changed``: the preview of an image against the hash that was noted for it."""
        return self._state("previews", sha256, preview_sha256)

    def size(self, sha256: str) -> int | None:
        """Bytes of an image; None where it is missing."""
        path = self._path("images", sha256)
        with self._errors():
            if self.folder is None:
                return self._size(path)
            try:
                return int(path.stat().st_size)
            except FileNotFoundError:
                return None

    def location(self, sha256: str) -> str:
        """Path or URL of an image, for programs that open it themselves."""
        path = self._path("images", sha256)
        return str(path) if self.folder is not None else f"{self.url}/images/{sha256[:2]}/{sha256}"

    def _path(self, room: str, sha256: str) -> Any:
        if not _KEY.fullmatch(sha256):
            raise LogbookError(f"'{sha256[:80]}' is no SHA-256 of an image.")
        if self.folder is not None:
            return self.folder / room / sha256[:2] / sha256
        return f"{self._root}/{room}/{sha256[:2]}/{sha256}"

    def _put(self, path: Any, data: bytes) -> None:
        with self._errors():
            if self.folder is not None:
                if not (path.is_file() and path.stat().st_size == len(data)):
                    _write_synced(path, iter((data,)))
            elif self._size(path) != len(data):
                self._system.pipe_file(path, data)

    def _get(self, path: Any) -> bytes | None:
        with self._errors():
            try:
                if self.folder is not None:
                    return read_regular(path)
                return bytes(self._system.cat_file(path))
            except FileNotFoundError:
                return None

    def _state(self, room: str, sha256: str, wanted: str) -> str:
        path = self._path(room, sha256)
        try:
            found = self._hash(path)
        except NotRegular:
            return "changed"
        return "missing" if found is None else "kept" if found == wanted else "changed"

    def _hash(self, path: Any) -> str | None:
        """Hash of what lies at a path, without holding it whole where it is a file; None where nothing does."""
        if self.folder is None:
            data = self._get(path)
            return None if data is None else sha256_hex(data)
        with self._errors():
            try:
                with open_regular(path) as file:
                    return sha256_of(iter(lambda: file.read(BLOCK_BYTES), b""))[0]
            except FileNotFoundError:
                return None

    def _size(self, path: str) -> int | None:
        try:
            return int(self._system.info(path)["size"])
        except FileNotFoundError:
            return None

    def _open_remote(self) -> None:
        import fsspec

        try:
            self._system, self._root = fsspec.core.url_to_fs(self.url)
        except ImportError as error:
            raise LogbookError(
                f"{self.url}: the image store's driver is missing ({error}); for S3 install it with: "
                f"{how_to_get('s3')}."
            ) from error
        except ValueError as error:
            raise LogbookError(
                f"'{self.url}' is no image store's address ({error}); write a folder or s3://bucket/prefix."
            ) from error

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except NotRegular:
            raise
        except OSError as error:
            if self.folder is not None:
                raise LogbookError(file_sentence(str(self.folder), error)) from error
            raise LogbookError(self._unreachable(error)) from error
        except (LogbookError, ValueError):
            raise
        except Exception as error:  # a store's driver raises classes of its own (botocore, aiohttp)
            if self.folder is not None:
                raise
            raise LogbookError(self._unreachable(error)) from error

    def _unreachable(self, error: Exception) -> str:
        cause = (str(error) or type(error).__name__).splitlines()[0]
        return f"{self.url}: the image store doesn't answer ({cause}); check its address and keys, then try again."


def _write_synced(path: Path, blocks: Iterator[bytes], wanted: str | None = None) -> None:
    new_folder = not path.parent.is_dir()
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=_TEMPORARY, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            digest = hashlib.sha256()
            for block in blocks:
                file.write(block)
                if wanted is not None:
                    digest.update(block)
            if wanted is not None and digest.hexdigest() != wanted:
                raise ValueError(path.name)
            file.flush()
            os.fchmod(file.fileno(), 0o444)
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
    for folder in (path.parent, path.parent.parent, path.parent.parent.parent)[: 3 if new_folder else 1]:
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

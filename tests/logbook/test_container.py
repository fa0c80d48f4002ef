"""A ZIP's directory as its end tells it, before anything of it is read."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import pytest

from audit.logbook.container import Damaged, open_zip


def written(path: Path, monkeypatch: pytest.MonkeyPatch, large: bool, comment: bytes = b"") -> bytearray:
    """A small ZIP by the standard library, its end in 64 bits where ``large`` (as for more than 65,535 members)."""
    with monkeypatch.context() as patch, zipfile.ZipFile(path, "w") as archive:
        if large:
            patch.setattr(zipfile, "ZIP_FILECOUNT_LIMIT", 1)
        for name in ("one", "two", "three"):
            archive.writestr(name, name * 20)
        archive.comment = comment
        archive.close()
    return bytearray(path.read_bytes())


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("comment", [b"", b"a comment", b"c" * 65_535])
def test_a_zip_s_end_tells_how_long_its_directory_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, large: bool, comment: bytes
) -> None:
    """Outside: APPNOTE 4.3.14 to 4.3.16 for the places, and the standard library reads what is let through."""
    path = tmp_path / "some.zip"
    data = written(path, monkeypatch, large, comment)
    with open_zip(path) as archive:
        assert archive.namelist() == ["one", "two", "three"] and archive.read("two") == b"two" * 20
    end = data.rfind(b"PK\x05\x06", 0, len(data) - len(comment))
    at, width = (data.rfind(b"PK\x06\x06") + 40, "<Q") if large else (end + 12, "<L")
    assert (data.rfind(b"PK\x06\x06") > 0) is large
    held = struct.unpack_from(width, data, at)[0]
    assert data.count(b"PK\x01\x02") == 3 and 3 * 46 < held < 1000
    struct.pack_into(width, data, at, 1 << 31)
    path.write_bytes(data)
    with pytest.raises(Damaged) as caught:
        open_zip(path)
    assert "out of all proportion" in caught.value.why


def test_what_is_no_zip_is_damaged(tmp_path: Path) -> None:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("one", "1" * 100)
    for data in (b"", b"PK\x05\x06", whole.getvalue()[:-30], b"\0" * 70_000, whole.getvalue()[:-22] + b"PK\x06\x07" + b"\xff" * 16):
        (tmp_path / "none.zip").write_bytes(data)
        with pytest.raises(Damaged):
            open_zip(tmp_path / "none.zip")

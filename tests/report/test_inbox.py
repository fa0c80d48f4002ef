"""Dropped files on their way to a visit."""

from __future__ import annotations

import io
import zipfile
from datetime import date
from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.photos import inbox as module
from audit.photos.inbox import Inbox


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    return Inbox.of(str(tmp_path / "logbook"), "commissioning", date(2026, 6, 16))


def archive(members: dict[str, bytes]) -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as written:
        for name, data in members.items():
            written.writestr(name, data)
    out.seek(0)
    return out


def kept(inbox: Inbox) -> dict[str, bytes]:
    return {p.relative_to(inbox.folder).as_posix(): p.read_bytes() for p in inbox.folder.rglob("*") if p.is_file()}


def test_archive_keeps_its_folders(inbox: Inbox) -> None:
    inbox.put("photos.zip", archive({"gate/1.jpg": b"a", "yard/1.jpg": b"b"}))
    assert kept(inbox) == {"gate/1.jpg": b"a", "yard/1.jpg": b"b"}


@pytest.mark.parametrize("name", ["../../evil.jpg", "a/../../../evil.jpg", "..\\..\\evil.jpg", "/../evil.jpg"])
def test_path_traversal_is_refused(inbox: Inbox, tmp_path: Path, name: str) -> None:
    """CWE-22: names in an archive must not leave its folder."""
    with pytest.raises(AuditError, match="leads outside"):
        inbox.put("photos.zip", archive({name: b"x"}))
    assert not list(tmp_path.rglob("evil.jpg"))


def test_absolute_names_stay_inside(inbox: Inbox) -> None:
    inbox.put("photos.zip", archive({"/etc/passwd.jpg": b"x"}))
    assert kept(inbox) == {"etc/passwd.jpg": b"x"}


def test_bomb_is_refused_before_it_unpacks(inbox: Inbox, monkeypatch: pytest.MonkeyPatch) -> None:
    """CWE-409: the sizes that an archive states are summed first."""
    monkeypatch.setattr(module, "MAX_UNPACKED_BYTES", 1 << 20)
    with pytest.raises(AuditError, match="more than a visit can be"):
        inbox.put("photos.zip", archive({f"{n}.jpg": bytes(1 << 18) for n in range(5)}))
    assert kept(inbox) == {}


def test_what_unpacks_to_a_hundred_times_its_size_is_refused(inbox: Inbox, monkeypatch: pytest.MonkeyPatch) -> None:
    """CWE-409 by ratio: zeros shrink by a thousand (RFC 1951), photos hardly at all."""
    monkeypatch.setattr(module, "_RATIO_ALLOWANCE_BYTES", 1 << 20)
    with pytest.raises(AuditError, match="more than a visit can be"):
        inbox.put("photos.zip", archive({"bomb.jpg": bytes(2 << 20)}))
    assert kept(inbox) == {}
    inbox.put("photos.zip", archive({"small.jpg": bytes(1 << 20)}))
    assert set(kept(inbox)) == {"small.jpg"}


def test_in_the_temporary_folder_it_is_nobody_elses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """CWE-379: the name can be foretold, and the folder above is everybody's."""
    monkeypatch.setattr(module.tempfile, "gettempdir", lambda: str(tmp_path))
    inbox = Inbox.of("postgresql://audit@db/site", "commissioning", date(2026, 6, 16))
    inbox.put("1.jpg", io.BytesIO(b"x"))
    assert inbox.folder.parent.stat().st_mode & 0o077 == 0
    inbox.folder.parent.chmod(0o777)
    with pytest.raises(AuditError, match="open to others"):
        inbox.put("2.jpg", io.BytesIO(b"x"))
    inbox.folder.parent.rename(tmp_path / "elsewhere")
    inbox.folder.parent.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(AuditError, match="somebody else's"):
        inbox.begin(tmp_path)


def test_archive_that_lies_about_sizes_is_refused(inbox: Inbox) -> None:
    data = bytearray(archive({"1.jpg": bytes(100_000)}).getvalue())
    central = data.rfind(b"PK\x01\x02")
    data[central + 24 : central + 28] = (10).to_bytes(4, "little")
    with pytest.raises(AuditError):
        inbox.put("photos.zip", io.BytesIO(bytes(data)))
    assert not any(len(content) > 10 for content in kept(inbox).values())


@pytest.mark.parametrize("data", [b"", b"not a zip", b"PK\x03\x04" + bytes(50)])
def test_broken_archive_is_one_sentence(inbox: Inbox, data: bytes) -> None:
    with pytest.raises(AuditError, match="photos.zip"):
        inbox.put("photos.zip", io.BytesIO(data))


@pytest.mark.parametrize("name", ["../../evil.jpg", "C:\\photos\\1.jpg", "<script>.jpg", "=cmd.jpg", "a\nb.jpg"])
def test_dropped_file_lies_in_the_inbox(inbox: Inbox, name: str) -> None:
    inbox.put(name, io.BytesIO(b"x"))
    assert list(kept(inbox).values()) == [b"x"]


@pytest.mark.parametrize("name", ["", "..", ".", "/", "a" * 400 + ".jpg", "nul\x00.jpg"])
def test_name_that_no_file_can_have(inbox: Inbox, name: str) -> None:
    with pytest.raises(AuditError):
        inbox.put(name, io.BytesIO(b"x"))


def test_two_files_of_one_name_are_both_kept(inbox: Inbox) -> None:
    inbox.put("IMG_0001.jpg", io.BytesIO(b"first phone"))
    inbox.put("IMG_0001.jpg", io.BytesIO(b"second phone"))
    inbox.put("IMG_0001.jpg", io.BytesIO(b"second phone"))
    assert sorted(kept(inbox).values()) == [b"first phone", b"second phone"]


def test_a_run_that_was_not_finished_is_told(tmp_path: Path) -> None:
    address = str(tmp_path / "logbook")
    assert Inbox.under_way(address) == ()
    summer = Inbox.of(address, "commissioning", date(2026, 6, 16))
    winter = Inbox.of(address, "maintenance", date(2026, 12, 16))
    winter.begin(tmp_path / "winter photos")
    summer.begin(summer.folder)
    (tmp_path / "logbook" / "incoming" / "party-someday.under-way").write_text("x")
    assert Inbox.under_way(address) == (
        ("commissioning", date(2026, 6, 16), summer.folder),
        ("maintenance", date(2026, 12, 16), tmp_path / "winter photos"),
    )
    summer.finish()
    summer.finish()
    assert [run[0] for run in Inbox.under_way(address)] == ["maintenance"]

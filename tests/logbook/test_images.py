"""Images by hash, in a folder and in a real S3-compatible server over HTTP."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook
from audit.logbook.images import ImageStore
from tests.logbook_samples import files_of, fill, start


@pytest.fixture(params=["folder", "file url", "memory", "s3"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> ImageStore:
    urls = {
        "folder": lambda: str(tmp_path / "store"),
        "file url": lambda: f"file://{tmp_path}/store",
        "memory": lambda: f"memory://{tmp_path}/store",
        "s3": lambda: request.getfixturevalue("s3_url"),
    }
    return ImageStore(urls[request.param]())


def test_an_image_comes_back_by_its_hash(store: ImageStore) -> None:
    data = bytes(range(256)) * 300
    sha256 = store.put(data)
    assert sha256 == hashlib.sha256(data).hexdigest() == store.put(data)
    assert store.get(sha256) == data
    assert store.get_preview(sha256) is None
    store.put_preview(sha256, b"small")
    assert store.get_preview(sha256) == b"small"
    assert files_of(store) == [sha256]
    assert store.state(sha256) == "kept"
    where = f"images/{sha256[:2]}/{sha256}"
    assert store.location(sha256) == (f"{store.url}/{where}" if store.folder is None else str(store.folder / where))


def test_an_image_in_pieces_is_kept_once_and_only_if_it_is_that_one(store: ImageStore) -> None:
    data = bytes(range(256)) * 300
    sha256 = hashlib.sha256(data).hexdigest()

    def pieces(of: bytes) -> Iterator[bytes]:
        return (of[at : at + 1000] for at in range(0, len(of), 1000))

    with pytest.raises(ValueError):
        store.put_blocks("images", sha256, pieces(data[:-1]), sha256)
    assert store.state(sha256) == "missing" and files_of(store) == []
    assert store.put_blocks("images", sha256, pieces(data), sha256) is True
    assert store.put_blocks("images", sha256, pieces(data), sha256) is False, "it was there already"
    with pytest.raises(ValueError):
        store.put_blocks("images", sha256, pieces(data[1:]), sha256)
    assert store.get(sha256) == data and store.size(sha256) == len(data)


def test_a_missing_image_is_one_sentence(store: ImageStore) -> None:
    assert store.state("0" * 64) == "missing"
    with pytest.raises(LogbookError, match="missing; restore"):
        store.get("0" * 64)


@pytest.mark.parametrize("key", ["", "../x", "A" * 64, "0" * 63, "0" * 64 + "/../../x", "/etc/passwd"])
def test_only_hashes_are_names(store: ImageStore, key: str) -> None:
    with pytest.raises(LogbookError, match="no SHA-256"):
        store.get(key)


def test_a_cut_off_image_is_written_again(tmp_path: Path) -> None:
    """A power cut may leave a short file where the disk lies about syncing."""
    store = ImageStore(str(tmp_path))
    sha256 = store.put(b"whole image")
    path = Path(store.location(sha256))
    path.unlink()
    path.write_bytes(b"whole")
    assert store.state(sha256) == "changed"
    store.put(b"whole image")
    assert store.get(sha256) == b"whole image"


def test_a_logbook_keeps_its_images_in_s3(s3_url: str, tmp_path: Path) -> None:
    book = start(str(tmp_path / "logbook"), s3_url)
    visit = fill(book)
    book.sign(visit, "Ada Example")
    with Logbook.open(tmp_path / "logbook") as again:
        assert again.images.url == s3_url, "the logbook knows where its images are"
        assert again.verify() == ()
        assert len(files_of(again.images)) == 6
        photo = again.photos(visit)[0]
        again.images._system.pipe_file(f"{again.images._root}/images/{photo.sha256[:2]}/{photo.sha256}", b"other")
        assert [(p.what, p.name) for p in again.verify()] == [("image", photo.name)]
    assert not (tmp_path / "logbook" / "images").exists()


def test_a_logbook_in_postgresql_with_images_in_s3(s3_url: str, postgres_url: str, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("PHOTO_AUDIT_KEYS", str(tmp_path / "keys"))
    book = start(postgres_url, s3_url)
    book.sign(fill(book), "Ada Example")
    with Logbook.open(postgres_url) as again:
        assert again.verify() == ()
        assert again.image(again.references()[0].sha256) == b"day 1"


def test_a_store_that_is_gone_is_one_sentence_and_comes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    moto = pytest.importorskip("moto.server")
    s3fs = pytest.importorskip("s3fs")
    server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    for name, value in (
        ("AWS_ENDPOINT_URL", f"http://{host}:{port}"),
        ("AWS_ACCESS_KEY_ID", "test"),
        ("AWS_SECRET_ACCESS_KEY", "test"),
        ("AWS_DEFAULT_REGION", "us-east-1"),
        ("AWS_MAX_ATTEMPTS", "1"),
    ):
        monkeypatch.setenv(name, value)
    s3fs.S3FileSystem.clear_instance_cache()
    s3fs.S3FileSystem().mkdir("gone")
    book = start(str(tmp_path / "logbook"), "s3://gone/site")
    visit = fill(book, cameras=1)
    server.stop()
    with pytest.raises(LogbookError, match="image store doesn't answer") as caught:
        fill(book, cameras=2)
    assert "\n" not in caught.value.message
    well, line = book.health()
    assert not well and "doesn't answer" in line
    server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    try:
        fill(book, cameras=2)
        assert len(book.photos(visit)) == 4
        assert book.verify() == ()
    finally:
        server.stop()


@pytest.mark.parametrize("url", ["nonsense://x", "s4://bucket"])
def test_a_store_of_an_unknown_kind_is_one_sentence(url: str) -> None:
    with pytest.raises(LogbookError, match="no image store's address"):
        ImageStore(url)


@pytest.mark.parametrize(
    ("error", "cause"), [(OSError("no route\nto the host"), "(no route)"), (TimeoutError(), "(TimeoutError)"), (ConnectionError("refused"), "(refused)")]
)
def test_a_store_that_does_not_answer_is_named_with_the_first_line_of_the_cause(tmp_path: Path, error: Exception, cause: str) -> None:
    said = ImageStore(str(tmp_path))._unreachable(error)
    assert cause in said and "the image store doesn't answer" in said and str(tmp_path) in said

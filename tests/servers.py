"""Real servers for the tests: a private PostgreSQL, and an S3-compatible store over HTTP."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class Place:
    """Where a test's logbook lives: an address, and an image store where the address alone doesn't say."""

    address: str
    images: str | None = None


class PostgresServer:
    """A PostgreSQL server that can be stopped and started again.

    Debian's binaries refuse to run as root, so that a root session starts them as the user postgres.
    """

    def __init__(self, folder: Path, binaries: Path) -> None:
        self._binaries = binaries
        self._data = folder / "data"
        self._log = folder / "log"
        self._as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        if self._as_user:
            shutil.chown(folder, "postgres", "postgres")
        self._run("initdb", "-D", str(self._data), "-A", "trust", "-U", "audit", "-E", "UTF8", "--no-sync")
        self.start()

    def start(self) -> None:
        options = f"-p {self._port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"
        self._run("pg_ctl", "-D", str(self._data), "-l", str(self._log), "-o", options, "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", str(self._data), "-m", "immediate", "-w", "stop")

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://audit@127.0.0.1:{self._port}/{database}"

    def administer(self, statement: str) -> None:
        """Run one statement outside a transaction."""
        import psycopg

        with psycopg.connect(self.url("postgres").replace("+psycopg", ""), autocommit=True) as connection:
            connection.execute(statement)

    def made(self, database: str) -> str:
        """Address of a new, empty database."""
        self.administer(f"CREATE DATABASE {database}")
        return self.url(database)

    def _run(self, name: str, *arguments: str) -> None:
        command = [*self._as_user, str(self._binaries / name), *arguments]
        # Output goes to a file: a started server would keep a pipe open.
        with tempfile.TemporaryFile() as output:
            done = subprocess.run(command, stdout=output, stderr=subprocess.STDOUT, cwd="/", check=False)
            output.seek(0)
            assert done.returncode == 0, output.read().decode(errors="replace")


def postgres_binaries() -> Path | None:
    """Folder of the server's programs, None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """A private server on a free port of the loopback."""
    pytest.importorskip("psycopg")
    binaries = postgres_binaries()
    if binaries is None:
        pytest.skip("no PostgreSQL server binaries (Debian: apt-get install postgresql)")
    folder = Path(tempfile.mkdtemp(prefix="photo-audit-postgres-", dir="/tmp"))
    folder.chmod(0o755)
    server = PostgresServer(folder, binaries)
    try:
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: PostgresServer) -> Iterator[str]:
    """An empty database of its own."""
    name = f"t{uuid.uuid4().hex[:12]}"
    yield postgres_server.made(name)
    postgres_server.administer(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


@pytest.fixture(scope="session")
def s3_server() -> Iterator[str]:
    """Address of an S3-compatible server that speaks HTTP (moto); it keeps objects in memory."""
    pytest.importorskip("s3fs")
    server_module = pytest.importorskip("moto.server")
    server = server_module.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture
def s3_url(s3_server: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """A bucket of its own, with address and keys in the environment as a user would give them."""
    import s3fs

    monkeypatch.setenv("AWS_ENDPOINT_URL", s3_server)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "test")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "test")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    s3fs.S3FileSystem.clear_instance_cache()
    bucket = f"b{uuid.uuid4().hex[:12]}"
    s3fs.S3FileSystem().mkdir(bucket)
    return f"s3://{bucket}/site"


@pytest.fixture(params=["folder", pytest.param("postgres", marks=pytest.mark.postgres)])
def place(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Place:
    """A logbook's place: a folder (SQLite) or a PostgreSQL database with a folder of images."""
    monkeypatch.setenv("PHOTO_AUDIT_KEYS", str(tmp_path / "keys"))
    if request.param == "folder":
        return Place(str(tmp_path / "logbook"))
    return Place(request.getfixturevalue("postgres_url"), str(tmp_path / "images"))


@pytest.fixture(name="tmp_path")
def memory_path() -> Iterator[Path]:
    """A folder in memory where the system has one: many small synced writes would wait for the disk."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="photo-audit-", dir=memory if os.access(memory, os.W_OK) else None))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)

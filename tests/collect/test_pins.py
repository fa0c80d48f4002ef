"""TLS with self-signed cameras: the first certificate counts, another one is told before anything is sent."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from audit.collect.addresses import parse_address
from audit.collect.fetch import fetch
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture
from tests.collect.conftest import RIGHT, jpeg


def certificate(folder: Path, name: str, days: int = 30) -> Path:
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder().subject_name(who).issuer_name(who).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(now - timedelta(days=60))
        .not_valid_after(now + timedelta(days=days)).sign(key, hashes.SHA256())
    )  # fmt: skip
    path = folder / f"{name}.pem"
    path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        + made.public_bytes(serialization.Encoding.PEM)
    )
    return path


@contextmanager
def camera(pem: Path, port: int = 0) -> Iterator[tuple[int, list[str]]]:
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.headers.get("Authorization", ""))
            body = jpeg()
            self.send_response(200)
            self.send_header("Content-Type", "image/jpeg")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            return

    class Quiet(ThreadingHTTPServer):
        allow_reuse_address = True
        daemon_threads = True

        def handle_error(self, request: object, client_address: object) -> None:
            return

    server = Quiet(("127.0.0.1", port), Handler)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield int(server.server_address[1]), asked
    finally:
        server.shutdown()
        server.server_close()


def test_the_first_certificate_counts_until_a_person_says_otherwise(tmp_path: Path, pins: Pins) -> None:
    with camera(certificate(tmp_path, "first")) as (port, _):
        address = parse_address("C-1", f"https://127.0.0.1:{port}/still.jpg")
        assert fetch(address, RIGHT, pins).picture == fetch(address, RIGHT, pins).picture
    with camera(certificate(tmp_path, "second"), port) as (_, asked):
        with pytest.raises(NoPicture) as refused:
            fetch(address, RIGHT, pins)
        assert refused.value.reason == "certificate" and asked == []
        pins.forget(address.host, address.port)
        assert fetch(address, RIGHT, pins).ending == ".jpg"


def test_an_expired_certificate_is_told(tmp_path: Path, pins: Pins) -> None:
    with camera(certificate(tmp_path, "old", days=-1)) as (port, asked):
        with pytest.raises(NoPicture) as refused:
            fetch(parse_address("C-1", f"https://127.0.0.1:{port}/still.jpg"), RIGHT, pins)
        assert refused.value.reason == "certificate" and asked == []


def test_a_broken_file_of_certificates_is_begun_anew(tmp_path: Path) -> None:
    file = tmp_path / "deep" / "pins.json"
    pins = Pins(file)
    with camera(certificate(tmp_path, "one")) as (port, _):
        fetch(parse_address("C-1", f"https://127.0.0.1:{port}/still.jpg"), None, pins)
        assert "127.0.0.1" in file.read_text()
        file.write_text("{ broken")
        assert fetch(parse_address("C-1", f"https://127.0.0.1:{port}/still.jpg"), None, pins).ending == ".jpg"

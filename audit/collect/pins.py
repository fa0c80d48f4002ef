"""TLS certificates of cameras: checked against the usual authorities, or else kept from the first time on."""

from __future__ import annotations

import hashlib
import json
import os
import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

__all__ = ["Pins", "default_pins"]


def default_pins() -> Path:
    """The user's own file of certificates seen."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "photo-audit" / "camera_certificates.json"


@dataclass(slots=True)
class Pins:
    """Certificates that cameras showed when they were first seen; each counts for its host and port from then on."""

    file: Path
    _lock: Lock = field(default_factory=Lock, repr=False)

    def context(self, host: str, port: int, timeout_s: float) -> tuple[ssl.SSLContext, str | None]:
        """How to speak TLS with a camera: by the authorities, or by the very certificate that it showed first.

        Returns
        -------
        tuple of SSLContext and str or None
            The context, and the SHA-256 of the pinned certificate where the authorities don't know it.

        Raises
        ------
        OSError
            Where it does not answer; :class:`ssl.SSLCertVerificationError` where it shows another certificate than
            before.
        """
        known = self._read().get(f"{host}:{port}")
        if known is None:
            ordinary = ssl.create_default_context()
            try:
                _shake_hands(ordinary, host, port, timeout_s)
                return ordinary, None
            except ssl.SSLCertVerificationError:
                known = _shown(host, port, timeout_s)
                self._keep(f"{host}:{port}", known)
        context = _only(known)
        _shake_hands(context, host, port, timeout_s)
        return context, _fingerprint(known)

    def forget(self, host: str, port: int) -> None:
        """Take the next certificate for a first one, after a person has said that the camera was replaced."""
        with self._lock:
            found = self._read()
            if found.pop(f"{host}:{port}", None) is not None:
                self._write(found)

    def _keep(self, place: str, certificate: str) -> None:
        with self._lock:
            self._write({**self._read(), place: certificate})

    def _read(self) -> dict[str, str]:
        try:
            found = json.loads(self.file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}

    def _write(self, pins: dict[str, str]) -> None:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        beside = self.file.with_suffix(".part")
        beside.write_text(json.dumps(pins, indent=1, sort_keys=True), encoding="utf-8")
        beside.replace(self.file)


def _shake_hands(context: ssl.SSLContext, host: str, port: int, timeout_s: float) -> None:
    with socket.create_connection((host, port), timeout_s) as plain, context.wrap_socket(plain, server_hostname=host):
        pass


def _shown(host: str, port: int, timeout_s: float) -> str:
    """The certificate that a camera shows, as PEM; nothing is sent to it but the handshake."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    with socket.create_connection((host, port), timeout_s) as plain, context.wrap_socket(plain, server_hostname=host) as shaken:
        return ssl.DER_cert_to_PEM_cert(shaken.getpeercert(binary_form=True) or b"")


def _only(certificate: str) -> ssl.SSLContext:
    """A context that trusts this certificate and no other, whatever name it bears."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    context.load_verify_locations(cadata=certificate)
    return context


def _fingerprint(certificate: str) -> str:
    return hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate)).hexdigest()

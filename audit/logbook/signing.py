"""Ed25519 keys at rest, and signatures over bytes.

The private key is a PKCS #8 file, encrypted where a passphrase is given. Its passphrase comes from the caller or from
the environment variable ``PHOTO_AUDIT_PASSPHRASE``; it is never written anywhere.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import sha256_hex
from audit.logbook.database import file_sentence

__all__ = ["PASSPHRASE_VARIABLE", "Protection", "SigningKey", "fingerprint", "signature_fits", "signing_key"]

PASSPHRASE_VARIABLE = "PHOTO_AUDIT_PASSPHRASE"
PRIVATE_NAME = "signing_key.pem"
PUBLIC_NAME = "public_key.pem"

Protection = Literal["passphrase", "file permissions"]


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key ready to sign.

    Attributes
    ----------
    protection : str
        How the key file is kept: ``passphrase`` (encrypted) or ``file permissions`` (readable by its owner alone).
    """

    private: Ed25519PrivateKey
    protection: Protection

    @property
    def public_pem(self) -> bytes:
        """The public key as PEM (SubjectPublicKeyInfo)."""
        return self.private.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )

    def sign(self, data: bytes) -> bytes:
        """64 bytes of signature."""
        return self.private.sign(data)


def signing_key(folder: Path, passphrase: str | None = None) -> SigningKey:
    """The key in a folder; made on first use.

    A key that was kept without a passphrase is encrypted as soon as one is given.

    Raises
    ------
    SignatureError
        If the passphrase is missing or wrong, or the file holds no Ed25519 key.
    """
    secret = (passphrase or os.environ.get(PASSPHRASE_VARIABLE) or "").encode() or None
    file = folder / PRIVATE_NAME
    try:
        if not file.exists():
            private = Ed25519PrivateKey.generate()
            _keep(folder, private, secret)
            return SigningKey(private, "passphrase" if secret else "file permissions")
        private, encrypted = _read(file, secret)
        if secret and not encrypted:
            _keep(folder, private, secret)
        return SigningKey(private, "passphrase" if secret else "file permissions")
    except OSError as error:
        raise LogbookError(file_sentence(str(file), error)) from error


def signature_fits(public_pem: bytes, data: bytes, signature: bytes) -> bool:
    """Whether the signature over the data was made with the private key of this public key."""
    public = _public(public_pem)
    if public is None:
        return False
    try:
        public.verify(signature, data)
    except InvalidSignature:
        return False
    return True


def fingerprint(public_pem: bytes) -> str | None:
    """SHA-256 of the 32 raw bytes of a public key, to compare over the telephone; None where it is no Ed25519 key."""
    public = _public(public_pem)
    if public is None:
        return None
    return sha256_hex(public.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw))


def _public(public_pem: bytes) -> Ed25519PublicKey | None:
    try:
        public = serialization.load_pem_public_key(public_pem)
    except (ValueError, UnsupportedAlgorithm):
        return None
    return public if isinstance(public, Ed25519PublicKey) else None


def _read(file: Path, secret: bytes | None) -> tuple[Ed25519PrivateKey, bool]:
    data = file.read_bytes()
    encrypted = b"BEGIN ENCRYPTED PRIVATE KEY" in data
    if encrypted and secret is None:
        raise SignatureError(f"{file}: the key is encrypted; set {PASSPHRASE_VARIABLE} to its passphrase.")
    try:
        private = serialization.load_pem_private_key(data, secret if encrypted else None)
    except ValueError as error:
        reason = "the passphrase doesn't fit" if encrypted else "the key file is damaged"
        raise SignatureError(f"{file}: {reason}; try again, or restore the key from a backup.") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise SignatureError(f"{file}: this is no Ed25519 key; restore the key from a backup.")
    return private, encrypted


def _keep(folder: Path, private: Ed25519PrivateKey, secret: bytes | None) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    protection = serialization.BestAvailableEncryption(secret) if secret else serialization.NoEncryption()
    data = private.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, protection)
    _write(folder / PRIVATE_NAME, data, 0o600)
    _write(folder / PUBLIC_NAME, SigningKey(private, "passphrase").public_pem, 0o644)


def _write(file: Path, data: bytes, mode: int) -> None:
    new = file.with_suffix(".new")
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(new, file)

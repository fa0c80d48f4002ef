"""Ed25519 keys at rest, and signatures over bytes.

The private key is a PKCS #8 file, encrypted unless its owner says otherwise. Its passphrase comes from the caller or
from the environment variable ``PHOTO_AUDIT_PASSPHRASE``; it is never written anywhere.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import sha256_hex
from audit.logbook.database import file_sentence
from audit.logbook.files import read_regular
from audit.logbook.pkcs8 import encrypted_pem
from audit.logbook.token_key import TokenKey, in_token, token_key

if TYPE_CHECKING:  # loaded where it is used: whoever only shows a logbook does without
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

__all__ = [
    "PASSPHRASE_VARIABLE",
    "Protection",
    "SigningKey",
    "fingerprint",
    "fingerprint_words",
    "key_state",
    "next_is",
    "next_place",
    "public_file",
    "read_fingerprint",
    "signature_fits",
    "signing_key",
    "take_next",
]

PASSPHRASE_VARIABLE = "PHOTO_AUDIT_PASSPHRASE"
PRIVATE_NAME = "signing_key.pem"
PUBLIC_NAME = "public_key.pem"
_ENCRYPTED = b"BEGIN ENCRYPTED PRIVATE KEY"
_LARGEST_KEY = 1 << 16

Protection = Literal["passphrase", "file permissions", "token"]


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key ready to sign.

    Attributes
    ----------
    protection : str
        How the key is kept: ``passphrase`` (its file is encrypted), ``file permissions`` (its file is readable by its owner
        alone) or ``token`` (it never leaves a PKCS #11 token).
    """

    private: Ed25519PrivateKey | TokenKey
    protection: Protection

    @property
    def public_pem(self) -> bytes:
        """The public key as PEM (SubjectPublicKeyInfo)."""
        from cryptography.hazmat.primitives import serialization

        return self.private.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )

    def sign(self, data: bytes) -> bytes:
        """64 bytes of signature."""
        return self.private.sign(data)


def signing_key(place: Path, passphrase: str | None = None, unprotected: bool = False) -> SigningKey:
    """The key at a place; made on first use.

    A key that was kept without a passphrase is encrypted as soon as one is given.

    Parameters
    ----------
    place : Path
        Folder of keys, the key's own file (``NAME.pem``), or a PKCS #11 URI (RFC 7512), whose PIN is the passphrase.
    unprotected : bool
        A key that is made may be kept without a passphrase, readable by its owner alone.

    Raises
    ------
    SignatureError
        If the passphrase is missing or wrong, or the file holds no Ed25519 key.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    said = passphrase or os.environ.get(PASSPHRASE_VARIABLE) or ""
    if in_token(place):
        return SigningKey(token_key(place, said), "token")
    secret = said.encode() or None
    file = _file(place)
    try:
        if not file.exists():
            if secret is None and not unprotected:
                raise SignatureError(
                    f"{file}: the signing key is made now and is kept encrypted; set {PASSPHRASE_VARIABLE} to a passphrase "
                    f"for it, or keep it without one by 'photo-audit sign --unprotected'."
                )
            private = Ed25519PrivateKey.generate()
            _keep(file, private, secret)
            return SigningKey(private, "passphrase" if secret else "file permissions")
        private, encrypted = _read(file, secret)
        if secret and not encrypted:
            _keep(file, private, secret)
        return SigningKey(private, "passphrase" if secret else "file permissions")
    except OSError as error:
        raise LogbookError(file_sentence(str(file), error)) from error


def key_state(place: Path) -> str:
    """``missing``, ``encrypted`` or ``open``: whether a passphrase is to be asked for."""
    if in_token(place):
        return "encrypted"
    file = _file(place)
    try:
        return "encrypted" if _ENCRYPTED in read_regular(file, _LARGEST_KEY) else "open"
    except FileNotFoundError:
        return "missing"
    except OSError as error:
        raise LogbookError(file_sentence(str(file), error)) from error


def public_file(place: Path) -> Path:
    """Where the public key lies, to be handed out; nothing here reads it."""
    return place.with_suffix(".public.pem") if place.suffix == ".pem" else place / PUBLIC_NAME


def signature_fits(public_pem: bytes, data: bytes, signature: bytes) -> bool:
    """Whether the signature over the data was made with the private key of this public key."""
    from cryptography.exceptions import InvalidSignature

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
    return None if public is None else sha256_hex(public.public_bytes_raw())


def fingerprint_words(public_fingerprint: str | None) -> str:
    """A fingerprint in groups of four, as it is read out."""
    text = public_fingerprint or ""
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def read_fingerprint(text: str) -> str:
    """A fingerprint as a person writes it: blanks, colons and dashes between its 64 hexadecimal digits don't count.

    Raises
    ------
    SignatureError
        If it is none.
    """
    digits = re.sub(r"[\s:.-]", "", text).lower()
    if not re.fullmatch(r"[0-9a-f]{64}", digits):
        raise SignatureError(
            f"{text[:80]!a} is no fingerprint: it has 64 digits 0-9 and a-f; copy it whole, as 'photo-audit sign' printed it."
        )
    return digits


def next_place(place: Path) -> Path:
    """Where the key that comes after the one at a place waits until it is in force."""
    if in_token(place):
        raise SignatureError(f"{place}: a key in a token isn't changed from here; it stays the logbook's key.")
    file = _file(place)
    return file.with_name(f"{file.stem}.next.pem")


def next_is(place: Path, public_pem: bytes) -> bool:
    """Whether the key that waits is the one with this public key."""
    if in_token(place):
        return False
    try:
        return fingerprint(read_regular(public_file(next_place(place)), _LARGEST_KEY)) == fingerprint(public_pem)
    except OSError:
        return False


def take_next(place: Path, old_fingerprint: str) -> None:
    """Put the key that waits in the place of the old one, which stays beside it under a piece of its fingerprint."""
    file, coming = _file(place), next_place(place)
    try:
        if file.exists():
            os.replace(file, file.with_name(f"{file.stem}.{old_fingerprint[:8]}.pem"))
        os.replace(coming, file)
        os.replace(public_file(coming), public_file(place))
    except OSError as error:
        raise LogbookError(file_sentence(str(file), error)) from error


def _file(place: Path) -> Path:
    return place if place.suffix == ".pem" else place / PRIVATE_NAME


def _public(public_pem: bytes) -> Ed25519PublicKey | None:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        public = serialization.load_pem_public_key(public_pem)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return None
    return public if isinstance(public, Ed25519PublicKey) else None


def _read(file: Path, secret: bytes | None) -> tuple[Ed25519PrivateKey, bool]:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    data = read_regular(file, _LARGEST_KEY)
    encrypted = _ENCRYPTED in data
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


def _keep(file: Path, private: Ed25519PrivateKey, secret: bytes | None) -> None:
    from cryptography.hazmat.primitives import serialization

    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    bare = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    data = encrypted_pem(private, secret) if secret else private.private_bytes(*bare)
    _write(file, data, 0o600)
    public = public_file(file if file.name != PRIVATE_NAME else file.parent)
    _write(public, SigningKey(private, "passphrase").public_pem, 0o644)


def _write(file: Path, data: bytes, mode: int) -> None:
    new = file.with_suffix(".new")
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(new, file)

"""A signing key that never leaves its token: PKCS #11 (OASIS, version 3.0 for Ed25519), named by a URI (RFC 7512).

``pkcs11:token=audit;object=signer?module-path=/usr/lib/softhsm/libsofthsm2.so`` names the token, the key in it, and the
library that speaks to it. The token's PIN stands in the passphrase's place. Keys are made with the token's own tools.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from audit.errors import SignatureError
from audit.extras import has, how_to_get

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

__all__ = ["TokenKey", "in_token", "token_key"]

_PREFIX = "pkcs11:"
#: A public point is 32 bytes (RFC 8032, 5.1.5), which most tokens wrap as a DER octet string.
_POINT_BYTES = 32
_WRAPPED = bytes((0x04, _POINT_BYTES))


@dataclass(frozen=True, slots=True)
class TokenKey:
    """A key in a token, as it is named; each use opens the token and closes it again.

    Attributes
    ----------
    module : str
        Library that speaks to the token.
    token, label : str
        The token's label, and the key's in it.
    pin : str
    """

    module: str
    token: str
    label: str
    pin: str = field(repr=False)

    def public_key(self) -> Ed25519PublicKey:
        """The public half."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        from pkcs11 import Attribute, ObjectClass

        with self._session() as session:
            point = bytes(self._one(session, ObjectClass.PUBLIC_KEY)[Attribute.EC_POINT])
        return Ed25519PublicKey.from_public_bytes(point.removeprefix(_WRAPPED) if len(point) > _POINT_BYTES else point)

    def sign(self, data: bytes) -> bytes:
        """64 bytes of signature, made in the token."""
        from pkcs11 import Mechanism, ObjectClass

        with self._session() as session:
            return bytes(self._one(session, ObjectClass.PRIVATE_KEY).sign(data, mechanism=Mechanism.EDDSA))

    @contextmanager
    def _session(self) -> Iterator[Any]:
        if not has("token"):
            raise SignatureError(f"{self}: needs packages that are not installed; install them with: {how_to_get('token')}.")
        import pkcs11

        try:
            with pkcs11.lib(self.module).get_token(token_label=self.token).open(user_pin=self.pin) as session:
                yield session
        except (pkcs11.PKCS11Error, RuntimeError, ValueError) as error:
            why = str(error) or re.sub(r"(?<=[a-z])(?=[A-Z])", " ", type(error).__name__).lower()
            raise SignatureError(f"{self}: the token can't be used ({why}); check its label, the library and the PIN.") from None

    def _one(self, session: Any, kind: Any) -> Any:
        from pkcs11 import Attribute, KeyType

        wanted = {Attribute.CLASS: kind, Attribute.LABEL: self.label, Attribute.KEY_TYPE: KeyType.EC_EDWARDS}
        found = list(session.get_objects(wanted))
        if len(found) != 1:
            raise SignatureError(
                f"{self}: the token holds {len(found)} Ed25519 keys of this name; make one with the token's own tools, with a "
                f"public half of the same name."
            )
        return found[0]

    def __str__(self) -> str:
        return f"{_PREFIX}token={self.token};object={self.label}"


def in_token(place: Path) -> bool:
    """Whether a key's place is a token."""
    return str(place).startswith(_PREFIX)


def token_key(place: Path, pin: str | None) -> TokenKey:
    """The key that a URI names.

    Raises
    ------
    SignatureError
        If it names no token, key or library, or if there is no PIN.
    """
    path, _, query = str(place).removeprefix(_PREFIX).partition("?")
    said: dict[str, str] = {}
    for piece in (*path.split(";"), *filter(None, query.split("&"))):
        name, _, value = piece.partition("=")
        if name not in ("token", "object", "module-path") or name in said:
            raise SignatureError(f"pkcs11: '{name}' is not taken; name the key by token, object and module-path, each once.")
        said[name] = unquote(value)
    if not all(said.get(name) for name in ("token", "object", "module-path")):
        raise SignatureError(
            "pkcs11: name the key as pkcs11:token=LABEL;object=LABEL?module-path=LIBRARY (RFC 7512); the library comes with the "
            "token."
        )
    if not pin:
        raise SignatureError(f"pkcs11:token={said['token']}: signing needs the token's PIN, given where a passphrase is.")
    return TokenKey(said["module-path"], said["token"], said["object"], pin)

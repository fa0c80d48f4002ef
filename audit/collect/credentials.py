"""Users and passwords of cameras: never in the logbook, the log, a command line or an address."""

from __future__ import annotations

import csv
import os
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from audit.collect.addresses import Address
from audit.errors import AuditError

__all__ = ["Credentials", "Keys", "keys_from"]

#: The service under which the operating system's key ring keeps them; the account is the camera's host.
SERVICE = "photo-audit camera"
USER, PASSWORD = "PHOTO_AUDIT_CAMERA_USER", "PHOTO_AUDIT_CAMERA_PASSWORD"


@dataclass(frozen=True, slots=True)
class Credentials:
    """A user and a password; shown nowhere, not even when printed."""

    user: str
    password: str = field(repr=False)

    def __str__(self) -> str:
        return f"{self.user} with a password"


Keys = Callable[[Address], Credentials | None]


def keys_from(
    file: Path | None, environment: Mapping[str, str] = os.environ, asked: Credentials | None = None
) -> Keys:
    """Where passwords come from, in this order: a file, the environment, what a person typed, the key ring.

    Parameters
    ----------
    file : Path or None
        CSV with the columns ``camera, user, password``; ``*`` stands for every other camera. Only its owner may be able
        to read it.

    Raises
    ------
    AuditError
        Where the file can't be read, or others can read it.
    """
    table = {} if file is None else _read(file)
    everyone = environment.get(USER), environment.get(PASSWORD)

    def key(address: Address) -> Credentials | None:
        found = table.get(address.camera) or table.get("*")
        if found is not None:
            return found
        if everyone[0] is not None and everyone[1] is not None:
            return Credentials(everyone[0], everyone[1])
        return asked if asked is not None else _from_ring(address.host)

    return key


def _read(file: Path) -> dict[str, Credentials]:
    try:
        mode = file.stat().st_mode
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise AuditError(f"{file.name}: can't be read ({error}); give a CSV with camera, user, password.") from None
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise AuditError(f"{file.name}: others can read the passwords in it; run: chmod 600 {file.name}")
    rows = csv.DictReader(text.splitlines())
    if not {"camera", "user", "password"} <= {(name or "").strip().lower() for name in rows.fieldnames or ()}:
        raise AuditError(f"{file.name}: needs the columns camera, user and password in its first row.")
    found = {}
    for row in rows:
        cells = {(name or "").strip().lower(): value or "" for name, value in row.items() if isinstance(value, str)}
        if cells.get("camera", "").strip():
            found[cells["camera"].strip()] = Credentials(cells.get("user", ""), cells.get("password", ""))
    return found


def _from_ring(host: str) -> Credentials | None:
    """What the operating system's key ring keeps for a host; None where there is no key ring."""
    import keyring
    from keyring.errors import KeyringError

    try:
        found = keyring.get_credential(f"{SERVICE} {host}", None)
    except (KeyringError, RuntimeError, OSError):
        return None
    return None if found is None or found.password is None else Credentials(found.username or "", found.password)

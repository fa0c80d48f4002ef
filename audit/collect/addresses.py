"""Where each camera answers: from the plan's columns ``address`` and ``stream``, or from a CSV of the same."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

from audit.errors import AuditError
from audit.plan.model import Camera, Site

__all__ = ["SCHEMES", "Address", "addresses", "parse_address"]

SCHEMES = ("http", "https", "onvif", "onvifs", "rtsp")
_PORTS = {"http": 80, "https": 443, "onvif": 80, "onvifs": 443, "rtsp": 554}


@dataclass(frozen=True, slots=True)
class Address:
    """One camera's address.

    Attributes
    ----------
    url : str
        Without user and password.
    scheme : str
        One of :data:`SCHEMES`; ``onvifs`` is ONVIF over TLS.
    """

    camera: str
    url: str
    scheme: str
    host: str
    port: int

    @property
    def place(self) -> str:
        """Host and port, as said in messages."""
        return f"{self.host}:{self.port}"

    def is_at(self, url: str) -> bool:
        """Whether another address lies on the same host."""
        return (urlsplit(url).hostname or "").lower() == self.host


def parse_address(camera: str, text: str) -> Address:
    """An address from its text.

    Raises
    ------
    AuditError
        Where it is none, or holds a password.
    """
    shown = text.strip()
    try:
        parts = urlsplit(shown)
        host, port = (parts.hostname or "").lower(), parts.port
    except ValueError:
        raise AuditError(f"{camera}: the address is no address; write it as onvif://192.0.2.10 or http://host/path.") from None
    if parts.scheme.lower() not in SCHEMES or not host:
        raise AuditError(
            f"{camera}: an address begins with {', '.join(f'{s}://' for s in SCHEMES)} and a host, as in onvif://192.0.2.10."
        )
    if parts.username is not None or parts.password is not None:
        raise AuditError(
            f"{camera}: the address holds a user or password; take them out and give them apart (see --credentials)."
        )
    scheme = parts.scheme.lower()
    bare = urlunsplit((scheme, parts.netloc, parts.path, parts.query, ""))
    return Address(camera, bare, scheme, host, port or _PORTS[scheme])


def addresses(site: Site, table: Path | None = None) -> tuple[dict[str, Address], dict[str, str]]:
    """Each camera's address, and for each camera whose address can't be used the reason.

    Parameters
    ----------
    table : Path or None
        CSV with the columns ``camera`` and ``address``; without it the plan's column ``address``, or else ``stream``.

    Raises
    ------
    AuditError
        Where the table can't be read, or no camera has an address.
    """
    texts = _from_plan(site.cameras) if table is None else _from_table(table, site)
    found: dict[str, Address] = {}
    wrong: dict[str, str] = {}
    for camera, text in texts.items():
        try:
            found[camera] = parse_address(camera, text)
        except AuditError as error:
            wrong[camera] = error.message
    if not found and not wrong:
        raise AuditError(
            "No camera has an address; give a CSV with the columns camera and address (--cameras FILE.csv), or fill the "
            "plan's column address."
        )
    return found, wrong


def _from_plan(cameras: Iterable[Camera]) -> dict[str, str]:
    found = {}
    for camera in cameras:
        extra: Mapping[str, str] = {name.strip().lower(): str(value) for name, value in camera.extra}
        text = extra.get("address", "").strip() or extra.get("stream", "").strip()
        if text:
            found[camera.camera] = text
    return found


def _from_table(table: Path, site: Site) -> dict[str, str]:
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise AuditError(f"{table.name}: can't be read as CSV ({error}); save it as CSV in UTF-8.") from None
    rows = list(csv.reader(text.splitlines(), delimiter=";" if ";" in text.partition("\n")[0] else ","))
    header = [name.strip().lower() for name in rows[0]] if rows else []
    if "camera" not in header or "address" not in header:
        raise AuditError(f"{table.name}: needs the columns camera and address in its first row.")
    at, where = header.index("camera"), header.index("address")
    found: dict[str, str] = {}
    for number, row in enumerate(rows[1:], 2):
        camera = row[at].strip() if len(row) > at else ""
        address = row[where].strip() if len(row) > where else ""
        if not camera and not address:
            continue
        if camera not in site:
            raise AuditError(f"{table.name} row {number}: the plan has no camera '{camera}'; correct the id.")
        if camera in found:
            raise AuditError(f"{table.name} row {number}: camera '{camera}' stands there twice; keep one row.")
        if address:
            found[camera] = address
    return found

"""The operator's settings of a desk: how people sign in, who may do what, which folders may be read.

One TOML file, named when the desk is started; nothing of the folder it is started in is read. ``docs/sign_in.md``
describes it.
"""

from __future__ import annotations

import ipaddress
import logging
import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

from audit.errors import AuditError
from audit.people import Entry, Person, entry, find_person

__all__ = ["Settings", "Watched", "is_loopback", "read_settings"]

log = logging.getLogger(__name__)

_SIGN_IN = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_DISCOVERY = "/.well-known/openid-configuration"
_CALLBACK = "/oauth2callback"
#: A key shorter than its hash is weaker than the hash (RFC 2104, 3: at least the hash's length; of text, 32 characters).
_SHORTEST_SECRET = 32
_MOST_HOURS = 24 * 365


@dataclass(frozen=True, slots=True)
class Strength:
    """How strongly people must have proven to the provider who they are; what is empty or None isn't asked.

    Attributes
    ----------
    methods : tuple of str
        Values of ``amr`` (RFC 8176), one of which must be there, such as ``mfa``.
    levels : tuple of str
        Values of ``acr`` (OpenID Connect Core 1.0, 2), one of which it must be.
    within_s : int or None
        ``auth_time`` no longer ago than this when the desk is entered.
    """

    methods: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()
    within_s: int | None = None

    def met(self, claims: Mapping[str, object], since: float) -> bool:
        """Whether the claims of an ID token say so; what they don't say isn't so. ``since``: when it was issued to us."""
        used = claims.get("amr")
        methods = {m for m in used if isinstance(m, str)} if isinstance(used, list) else set()
        at = claims.get("auth_time")
        fresh = isinstance(at, int) and not isinstance(at, bool) and since - at <= (self.within_s or 0)
        return (
            (not self.methods or bool(methods & set(self.methods)))
            and (not self.levels or claims.get("acr") in self.levels)
            and (self.within_s is None or fresh)
        )


NO_STRENGTH = Strength()


@dataclass(frozen=True, slots=True)
class Settings:
    """What the operator said.

    Attributes
    ----------
    file : Path
    auth : mapping or None
        Sign-in by OpenID Connect; None where it isn't set up.
    people : tuple of Entry
    folders : tuple of Path
        The only folders that visits may read besides what is dropped into the browser; resolved.
    strength : Strength
    """

    file: Path
    auth: Mapping[str, str] | None
    people: tuple[Entry, ...]
    folders: tuple[Path, ...]
    strength: Strength = NO_STRENGTH

    @property
    def origin(self) -> str | None:
        """Scheme, host and port that browsers reach the desk at; None without sign-in."""
        if self.auth is None:
            return None
        parts = urlsplit(self.auth["redirect_uri"])
        return f"{parts.scheme}://{parts.netloc}"

    @property
    def issuer(self) -> str:
        """The provider, as its ID tokens must name it."""
        auth = self.auth or {}
        return auth.get("issuer") or auth.get("server_metadata_url", "").removesuffix(_DISCOVERY)

    def person(self, claims: Mapping[str, object]) -> Person | None:
        """Who signed in, None for nobody whom the operator listed."""
        return find_person(self.people, claims, self.issuer, (self.auth or {}).get("client_id", ""))

    def may_read(self, folder: Path) -> bool:
        """Whether a folder, its links followed, lies in one of the operator's list."""
        try:
            place = folder.resolve(strict=True)
        except (OSError, ValueError, RuntimeError):
            return False
        return any(place.is_relative_to(allowed) for allowed in self.folders)


class Watched:
    """The settings with the list of people as it stands in the file now: whoever is taken from it is out at once.

    A list that can't be used changes nothing; the log says why. All else is as it was read at the start.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._seen = _stamp(settings.file)

    def now(self) -> Settings:
        """The settings, read again where the file changed since."""
        if self._settings.auth is None:
            return self._settings
        seen = _stamp(self._settings.file)
        if seen != self._seen:
            self._seen = seen
            try:
                self._settings = replace(self._settings, people=read_settings(self._settings.file).people)
            except AuditError as error:
                log.warning("the list of people stays as it was: %s", error.message)
        return self._settings


def _stamp(file: Path) -> tuple[int, int, int] | None:
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach a server that listens there."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address.strip("[]")).is_loopback
    except ValueError:
        return False


def read_settings(file: Path) -> Settings:
    """The settings of a file.

    Raises
    ------
    AuditError
        Naming the file and what is wrong with it.
    """
    _only_the_owner_writes(file)
    try:
        said = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise AuditError(f"{file}: can't be read ({error.strerror or error}); name the desk's settings file.") from None
    except (ValueError, RecursionError) as error:
        raise AuditError(f"{file}: is no TOML file ({error}); put it right.") from None
    unknown = sorted(set(said) - {"auth", "people", "desk", "strength"})
    if unknown:
        raise AuditError(
            f"{file}: '{unknown[0]}' is unknown; the settings are [auth], [strength], [[people]] and [desk]."
        )
    rows = said.get("people", [])
    if not isinstance(rows, list):
        raise AuditError(f"{file}: people are written one by one, each under [[people]].")
    people = tuple(entry(f"{file}, person {n}", row) for n, row in enumerate(rows, 1))
    for which in ("subject", "email"):
        named = [getattr(p, which) for p in people if getattr(p, which) is not None]
        if len(named) != len(set(named)):
            twice = next(n for n in named if named.count(n) > 1)
            raise AuditError(f"{file}: {which} '{twice}' stands there twice; leave one.")
    folders = _folders(file, said.get("desk", {}))
    return Settings(file, _auth(file, said.get("auth")), people, folders, _strength(file, said.get("strength", {})))


def _strength(file: Path, said: object) -> Strength:
    if not isinstance(said, dict) or set(said) - {"methods", "levels", "within_hours"}:
        raise AuditError(f"{file}: [strength] takes methods, levels and within_hours.")
    methods, levels = (_texts(file, name, said.get(name, [])) for name in ("methods", "levels"))
    hours = said.get("within_hours")
    if hours is None:
        return Strength(methods, levels)
    if isinstance(hours, bool) or not isinstance(hours, int | float) or not 0 < hours <= _MOST_HOURS:
        raise AuditError(f"{file}: within_hours in [strength] is a number of hours up to {_MOST_HOURS}.")
    return Strength(methods, levels, round(hours * 3600))


def _texts(file: Path, name: str, found: object) -> tuple[str, ...]:
    if not isinstance(found, list) or not all(isinstance(value, str) and value for value in found):
        raise AuditError(f'{file}: {name} in [strength] is a list of texts, such as ["mfa"].')
    return tuple(found)


def _auth(file: Path, said: object) -> Mapping[str, str] | None:
    if said is None:
        return None
    if not isinstance(said, dict) or not all(isinstance(said.get(name), str) and said[name] for name in _SIGN_IN):
        raise AuditError(f"{file}: [auth] needs {', '.join(_SIGN_IN)}.")
    unknown = sorted(set(said) - {*_SIGN_IN, "issuer"})
    if unknown:
        raise AuditError(f"{file}: '{unknown[0]}' in [auth] is unknown; it takes {', '.join(_SIGN_IN)} and issuer.")
    for name in ("redirect_uri", "server_metadata_url"):
        parts = urlsplit(said[name])
        safe = parts.scheme == "https" or (parts.scheme == "http" and is_loopback(parts.hostname or ""))
        if not safe or not parts.netloc or parts.username is not None:
            raise AuditError(f"{file}: {name} must be an address with https; only this machine's own may have http.")
    if urlsplit(said["redirect_uri"]).path != _CALLBACK:
        raise AuditError(f"{file}: redirect_uri must end with {_CALLBACK} right after the host.")
    if not said["server_metadata_url"].endswith(_DISCOVERY) and "issuer" not in said:
        raise AuditError(f"{file}: server_metadata_url ends not with {_DISCOVERY}; say the issuer besides.")
    if len(said["cookie_secret"]) < _SHORTEST_SECRET:
        raise AuditError(
            f"{file}: cookie_secret is shorter than {_SHORTEST_SECRET} characters; make a long random one."
        )
    return {name: str(value) for name, value in said.items()}


def _folders(file: Path, said: object) -> tuple[Path, ...]:
    if not isinstance(said, dict) or set(said) - {"folders"}:
        raise AuditError(f"{file}: [desk] takes folders and nothing else.")
    folders = said.get("folders", [])
    if not isinstance(folders, list) or not all(isinstance(name, str) and os.path.isabs(name) for name in folders):
        raise AuditError(f'{file}: folders is a list of whole paths, such as ["/srv/photos"].')
    try:
        return tuple(Path(name).resolve(strict=True) for name in folders)
    except (OSError, ValueError) as error:
        raise AuditError(f"{file}: a folder of the list isn't there ({error}); make it, or take it out.") from None


def _only_the_owner_writes(file: Path) -> None:
    """Whoever may write the settings gives themselves a role; whoever may read them makes cookies."""
    try:
        mode = file.stat().st_mode
    except OSError:
        return  # reading it says why
    if os.name == "posix" and mode & (stat.S_IWGRP | stat.S_IWOTH | stat.S_IROTH):
        raise AuditError(
            f"{file}: others can read or write it; run 'chmod 600 {file}', for it holds the desk's secrets."
        )

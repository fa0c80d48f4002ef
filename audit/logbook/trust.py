"""Who signed: told by what lies outside the record, since whoever holds a record can put another key into it.

A signer is known by a key or fingerprint that the person who checks has from elsewhere, by a witness, or by the list of
known signers that each user keeps. The list notes a key when it is first met, and says so; another key for the same
logbook is then loud, unless the old key itself passed on to it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock

from audit.errors import LogbookError, SignatureError
from audit.logbook.database import file_sentence
from audit.logbook.files import read_regular
from audit.logbook.keychange import KeyChange, follows
from audit.logbook.records import Chain, VerifyProblem
from audit.logbook.signing import fingerprint, fingerprint_words, read_fingerprint
from audit.logbook.witness import Witness, witness_problems

__all__ = ["KNOWN_VARIABLE", "KnownSigner", "KnownSigners", "SignerAnswer", "named_signer", "note_signed_here", "who_signed"]

KNOWN_VARIABLE = "PHOTO_AUDIT_KNOWN_SIGNERS"
_FORMAT = "photo-audit known signers 1"
_LARGEST_LIST = 16 << 20
_LARGEST_KEY = 1 << 16
_LOCK_SECONDS = 10

How = Literal["signed here", "named", "first met", "passed on"]
State = Literal["known", "unknown", "unsigned", "changed"]

_HOW_WORDS: dict[str, str] = {
    "signed here": "it signed on this account",
    "named": "its fingerprint was named here",
    "first met": "it was first met here, and never compared with the signer",
    "passed on": "the key known before passed on to it",
}


@dataclass(frozen=True, slots=True)
class KnownSigner:
    """A key that this user has met for a logbook.

    Attributes
    ----------
    name : str
        As the record gave it; anyone can write any name.
    how : str
        ``signed here``, ``named``, ``first met`` or ``passed on``.
    since : str
        ISO 8601, UTC.
    """

    logbook: str
    fingerprint: str
    name: str
    how: How
    since: str


@dataclass(frozen=True, slots=True)
class SignerAnswer:
    """Whether it is known who signed.

    Attributes
    ----------
    state : str
        ``known``, ``unknown`` (whole in itself), ``unsigned`` or ``changed`` (another key than the known one).
    sentence : str
    problems : tuple of VerifyProblem
        What doesn't fit the key, the witness or the list.
    """

    state: State
    sentence: str
    problems: tuple[VerifyProblem, ...] = ()


class KnownSigners:
    """The user's list, by default ``~/.config/photo-audit/known_signers.json``."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or _default_path()

    def of(self, logbook: str) -> KnownSigner | None:
        """The key known for a logbook."""
        return next((signer for signer in self.all() if signer.logbook == logbook), None)

    def all(self) -> tuple[KnownSigner, ...]:
        """Everyone on the list.

        Raises
        ------
        LogbookError
            If the list can't be read: trusting nobody in silence would hide a change of signer.
        """
        try:
            told = json.loads(read_regular(self.path, _LARGEST_LIST))
            return tuple(KnownSigner(**entry) for entry in told["signers"])
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise LogbookError(file_sentence(str(self.path), error)) from error
        except (ValueError, TypeError, KeyError, RecursionError) as error:
            raise LogbookError(
                f"{self.path}: the list of known signers is damaged; restore it from a backup, or move it away to start anew."
            ) from error

    def note(self, signer: KnownSigner) -> bool:
        """Keep a signer in place of the one noted for the same logbook; False where the list can't be written."""
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with FileLock(str(self.path) + ".lock", timeout=_LOCK_SECONDS):
                kept = [known for known in self.all() if known.logbook != signer.logbook]
                told = {"format": _FORMAT, "signers": [asdict(known) for known in (*kept, signer)]}
                new = self.path.with_name(self.path.name + ".new")
                new.write_text(json.dumps(told, ensure_ascii=True, indent=1) + "\n", encoding="ascii")
                new.chmod(0o600)
                os.replace(new, self.path)
        except (OSError, TimeoutError):
            return False
        return True


def named_signer(key: Path | None, text: str | None) -> str | None:
    """The fingerprint that a person names, by a public key's file or as text.

    Raises
    ------
    SignatureError, LogbookError
        If it is none, or the file can't be read.
    """
    if key is not None and text is not None:
        raise SignatureError("give the signer's key or its fingerprint, not both.")
    if key is None:
        return None if text is None else read_fingerprint(text)
    try:
        found = fingerprint(read_regular(key, _LARGEST_KEY))
    except OSError as error:
        raise LogbookError(file_sentence(str(key), error)) from error
    if found is None:
        raise SignatureError(f"{key}: this is no Ed25519 public key in PEM; ask the signer for it again.")
    return found


def who_signed(
    chain: Chain, named: str | None = None, witness: Witness | None = None, known: KnownSigners | None = None
) -> SignerAnswer:
    """Whether the last record of a chain, which names all before it, was signed by someone who is known.

    Parameters
    ----------
    chain : Chain
        Of a logbook, or the one record of a package, that was found whole before.
    named : str or None
        Fingerprint that the person who checks has from the signer.
    """
    if not chain.records or chain.logbook is None:
        problems = tuple(witness_problems(witness, chain)) if witness else ()
        return SignerAnswer("unsigned", "No visit is signed: nothing can be proven.", problems)
    known = known or KnownSigners()
    last = chain.records[-1]
    words = f"Visit {last.visit} is signed by '{last.signed_by}' with the key {fingerprint_words(last.fingerprint)}"
    if named is not None:
        return _by_name(chain, named, witness, known, words)
    wrong = tuple(witness_problems(witness, chain)) if witness else ()
    if wrong:
        return SignerAnswer("changed", "What a witness saw signed is not what is here.", wrong)
    before = known.of(chain.logbook)
    if before is not None and not _reaches(before.fingerprint, last.fingerprint, chain.changes):
        return SignerAnswer("changed", f"{words}, another key than the known one.", (_another(before, chain),))
    if witness is not None and witness.records.get(last.visit) == last.record_sha256:
        return SignerAnswer("known", f"{words}: the witness saw this record.")
    if before is not None:
        if before.fingerprint != last.fingerprint:
            known.note(_noted(chain, "passed on"))
            return SignerAnswer("known", f"{words}: {_HOW_WORDS['passed on']}.")
        return SignerAnswer("known", f"{words}: known since {before.since[:10]}, {_HOW_WORDS[before.how]}.")
    return _first_met(chain, known, words)


def _by_name(
    chain: Chain, named: str, witness: Witness | None, known: KnownSigners, words: str
) -> SignerAnswer:
    last = chain.records[-1]
    wrong = tuple(witness_problems(witness, chain)) if witness else ()
    if not _reaches(named, last.fingerprint, chain.changes):
        sentence = f"{words}, not with the key that you named: somebody else signed this."
        wrong = (VerifyProblem("signer", f"visit {last.visit}", sentence), *wrong)
    if wrong:
        return SignerAnswer("changed", "This is not what the named signer signed.", wrong)
    known.note(_noted(chain, "named"))
    how = "the key that you named" if named == last.fingerprint else "the key that you named passed on to it"
    return SignerAnswer("known", f"{words}: {how}.")


def _first_met(chain: Chain, known: KnownSigners, words: str) -> SignerAnswer:
    assert chain.logbook is not None
    last = chain.records[-1]
    elsewhere = next((k for k in known.all() if k.fingerprint == last.fingerprint and k.how != "first met"), None)
    if elsewhere is not None:
        known.note(replace(elsewhere, logbook=chain.logbook, since=_now()))
        return SignerAnswer("known", f"{words}: known from another logbook, {_HOW_WORDS[elsewhere.how]}.")
    noted = known.note(_noted(chain, "first met"))
    pinned = f"it is noted now in {known.path}, and another key will be loud" if noted else "it could not be noted"
    return SignerAnswer(
        "unknown",
        f"Whole in itself; not known who signed. {words}, met for the first time: {pinned}. Compare the fingerprint with the "
        f"signer by telephone or on paper, then give it with --fingerprint.",
    )


def note_signed_here(chain: Chain, known: KnownSigners | None = None) -> None:
    """Keep the key that has just signed on this account."""
    (known or KnownSigners()).note(_noted(chain, "signed here"))


def _reaches(trusted: str, wanted: str | None, changes: Iterable[KeyChange]) -> bool:
    """Whether a trusted key is the wanted one, or passed on to it."""
    reached = {trusted}
    for change in changes:
        if any(follows(change, old) for old in tuple(reached)):
            reached.add(fingerprint(change.new_key) or trusted)
    return wanted in reached


def _another(before: KnownSigner, chain: Chain) -> VerifyProblem:
    last = chain.records[-1]
    return VerifyProblem(
        "signer",
        f"visit {last.visit}",
        f"THE SIGNER CHANGED: visit {last.visit} is signed with the key {fingerprint_words(last.fingerprint)}, but the key "
        f"known for this logbook since {before.since[:10]} is {fingerprint_words(before.fingerprint)}, and it did not pass on; "
        f"ask the signer, and trust nothing here until then.",
        last.visit,
    )


def _noted(chain: Chain, how: How) -> KnownSigner:
    last = chain.records[-1]
    return KnownSigner(chain.logbook or "", last.fingerprint or "", last.signed_by, how, _now())


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _default_path() -> Path:
    named = os.environ.get(KNOWN_VARIABLE)
    if named:
        return Path(named)
    config = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(config) / "photo-audit" / "known_signers.json"

"""What the logbook hands out: small frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal

from audit.drawings.placing import Drawing
from audit.judge.finding import Check, State, Verdict
from audit.logbook.codec import load_plain
from audit.logbook.keychange import KeyChange
from audit.match.told import SaidRole
from audit.photos.device import DeviceFacts

__all__ = [
    "CHANNELS",
    "DECISIONS",
    "SETTLING",
    "AnswerRecord",
    "Chain",
    "ChainLink",
    "Channel",
    "DecisionRecord",
    "DecisionWord",
    "DeviceRecord",
    "DonePictures",
    "DrawingRecord",
    "HistoryEntry",
    "KeptRecord",
    "PairingEvent",
    "PairingRecord",
    "PlanRecord",
    "PointRecord",
    "ReferenceChoice",
    "ReferenceRecord",
    "RefusalRecord",
    "Remeasured",
    "SaidRole",
    "SeenFile",
    "SignedRecord",
    "VerifyProblem",
    "VisitKind",
    "VisitProgress",
    "VisitRecord",
    "given_to",
]

VisitKind = Literal["commissioning", "maintenance"]
DecisionWord = Literal["confirm", "dismiss", "tolerate", "promise", "finding", "done", "wait", "undo"]
Channel = Literal["day", "night"]

DECISIONS: tuple[DecisionWord, ...] = ("confirm", "dismiss", "tolerate")
#: Words after which a finding asks for nothing more.
SETTLING: tuple[DecisionWord, ...] = ("dismiss", "tolerate")
CHANNELS: tuple[Channel, ...] = ("day", "night")



def given_to(method: str) -> str:
    """What a measurement was given besides its version: a method's key is ``VERSION`` or ``VERSION-WHAT`` (a lens)."""
    return method.partition("-")[2]


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One visit of the site; times are UTC.

    Attributes
    ----------
    number : int
        1, 2, ... in the order in which visits were opened.
    signed_at, signed_by : datetime, str or None
        None while the visit is open.
    """

    number: int
    kind: VisitKind
    on: date
    started_at: datetime
    signed_at: datetime | None = None
    signed_by: str | None = None


@dataclass(frozen=True, slots=True)
class PlanRecord:
    """One version of the plan; the latest is in force."""

    sha256: str
    name: str
    since: datetime
    by: str | None


@dataclass(frozen=True, slots=True)
class RefusalRecord:
    """A file that was not taken, and why."""

    name: str
    kind: str
    message: str
    at: datetime


@dataclass(frozen=True, slots=True)
class SeenFile:
    """A file of a visit that needs no second look while name, size and time of change stay the same."""

    name: str
    size_bytes: int | None
    mtime_ns: int | None


@dataclass(frozen=True, slots=True)
class KeptRecord:
    """A kept measurement, comparison or series: the key of the method that made it, and its JSON text."""

    method: str
    body: str

    def record(self) -> dict[str, Any]:
        """The JSON values."""
        return load_plain(self.body)


@dataclass(frozen=True, slots=True)
class Remeasured:
    """A photo that a new method version has measured with the same lens as the version before.

    Attributes
    ----------
    old_method, new_method : str
        Keys of the two measurements; both are kept.
    old, new : dict
        Single values by their dotted names.
    """

    photo: str
    old_method: str
    new_method: str
    old: dict[str, Any]
    new: dict[str, Any]


@dataclass(frozen=True, slots=True)
class VisitProgress:
    """How far a visit is, as the logbook keeps it.

    Attributes
    ----------
    placed, uncertain, unmatched : int
        Photos by decision; those taken in since are in none of them.
    snapshots, measured : int
        Placed pictures from cameras, and those of them that were measured.
    judged, cameras : int
        Cameras with a verdict, and cameras of the plan.
    writer : str or None
        Who writes the logbook now.
    """

    visit: VisitRecord
    photos: int
    refused: int
    placed: int
    uncertain: int
    unmatched: int
    snapshots: int
    measured: int
    judged: int
    cameras: int
    writer: str | None


@dataclass(frozen=True, slots=True)
class DeviceRecord:
    """What came of asking one camera over the network in a visit, the last time.

    Attributes
    ----------
    facts : DeviceFacts or None
        What it said of itself; None where it was not asked, or did not say.
    reason, message : str or None
        Why there is no picture of it, in a word and in a sentence; None where there is one.
    """

    camera: str
    asked_at: datetime
    facts: DeviceFacts | None = None
    reason: str | None = None
    message: str | None = None


@dataclass(frozen=True, slots=True)
class AnswerRecord:
    """What a person said about one photo; entries are added and never changed.

    Attributes
    ----------
    camera : str or None
        None: it belongs to no camera.
    role : SaidRole, ``undo`` or None
        What they say the photo is; None leaves that to the program, ``undo`` takes the latest entry on the photo back that
        still counts.
    id : int
        Entries of a logbook in the order in which they were added.
    in_force : bool
        Whether nobody has taken it back; the latest of a photo says whose it is, the latest with a role what it is.
    """

    photo: str
    camera: str | None
    by: str
    at: datetime
    role: SaidRole | Literal["undo"] | None = None
    id: int = 0
    in_force: bool = True


@dataclass(frozen=True, slots=True)
class DecisionRecord:
    """One entry of the decisions' list; entries are added and never changed.

    Attributes
    ----------
    decision : str
        ``confirm`` (the finding stands), ``dismiss`` (it is wrong), ``tolerate`` (it stands and is tolerated), ``promise``
        (it will be settled by ``due``), ``finding`` (a person's own, of state ``said_state``), ``done`` (``photo`` was handed
        in after the work and made ``said_state`` of it), ``wait`` (sign-off waits until it is settled) or ``undo``.
    finding_state : str or None
        State of the finding when it was decided on; None where there was no such finding.
    in_force : bool
        The entry that counts for its camera and check now.
    finding_changed : bool
        The finding is no longer the one that was decided on.
    undoes : int or None
        For ``undo``: the entry that it takes back.
    said_state, photo, at_px : state, str or None, (column, row) or None
        Of a person's own finding: what they say, and where they see it.
    due : date or None
        Of a promise.
    """

    id: int
    visit: int
    camera: str
    check: Check
    decision: DecisionWord
    by: str
    why: str
    at: datetime
    finding_state: State | None = None
    in_force: bool = False
    finding_changed: bool = False
    undoes: int | None = None
    said_state: State | None = None
    photo: str | None = None
    at_px: tuple[float, float] | None = None
    due: date | None = None

    @property
    def settles(self) -> bool:
        """Whether the finding asks for nothing more because of it."""
        return self.in_force and self.decision in SETTLING


@dataclass(frozen=True, slots=True)
class DonePictures:
    """Photos of one camera that were handed in as done.

    Attributes
    ----------
    counting : tuple of str
        In the order in which they were handed in.
    taken_back : frozenset of str
        Those that count no longer.
    """

    counting: tuple[str, ...] = ()
    taken_back: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class PointRecord:
    """Where a person sees a landmark or target of the plan in a camera's picture; entries are added and never changed.

    Attributes
    ----------
    landmark : str
        Name of the camera's target, or of a landmark of the plan.
    photo, sha256 : str
        The picture.
    at_px : (column, row) or None
        In the picture's full size; None: it is not in the picture.
    confirmed : bool
        The person said that the mark drawn there lies on it, and did not point it out.
    in_force : bool
        The entry that counts for its picture and landmark now.
    undoes : int or None
        The entry that this one takes back.
    """

    id: int
    visit: int
    camera: str
    landmark: str
    photo: str
    sha256: str
    at_px: tuple[float, float] | None
    confirmed: bool
    by: str
    at: datetime
    in_force: bool = False
    undoes: int | None = None


PairingEvent = Literal["issued", "joined", "void", "revoked"]


@dataclass(frozen=True, slots=True)
class PairingRecord:
    """What came of a code by which a phone is let in for aiming; entries are added and never changed.

    Attributes
    ----------
    pairing : str
        Entries of one code share it.
    name : str or None
        Which the phone gave when it was let in.
    by : str
        Who issued the code, or turned the phone away.
    """

    visit: int
    pairing: str
    event: PairingEvent
    name: str | None
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class DrawingRecord:
    """A drawing under a floor of the plan; entries are added and never changed.

    Attributes
    ----------
    id, visit : int or None
        None: no visit is there yet, it waits for the next.
    floor : str
        As cameras of the plan name it; empty where the plan tells no floors apart.
    name, sha256 : str
        The file as it was handed in.
    picture_sha256 : str
        The picture of it that pages show.
    drawing : Drawing or None
        Its size and place; None: from here on the floor has none.
    """

    id: int | None
    visit: int | None
    floor: str
    name: str
    sha256: str
    picture_sha256: str
    drawing: Drawing | None
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ReferenceRecord:
    """The signed image that later visits of a camera are compared with, one by day and one by night.

    Attributes
    ----------
    why : str or None
        On what grounds it became reference; None in logbooks that didn't say.
    glass_verified : bool
        Whether the glass was seen clean then.
    """

    camera: str
    channel: Channel
    sha256: str
    photo: str
    visit: int
    why: str | None = None
    glass_verified: bool = True


@dataclass(frozen=True, slots=True)
class ReferenceChoice:
    """What a person said about a camera's reference in a visit.

    Attributes
    ----------
    choice : str
        ``renew`` (the photo becomes reference when the visit is signed) or ``withdraw`` (that of earlier visits no
        longer counts) or ``restore`` (neither: what was said before is taken back).
    """

    visit: int
    camera: str
    channel: Channel
    choice: Literal["renew", "withdraw", "restore"]
    photo: str | None
    by: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """What was found about a camera at one visit."""

    visit: VisitRecord
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class VerifyProblem:
    """One thing that is not as it was signed.

    Attributes
    ----------
    what : str
        What kind of thing: ``file``, ``image``, ``plan``, ``measurement``, ``comparison``, ``placement``,
        ``verdict``, ``decision``, ``answer``, ``refusal``, ``reference``, ``preview``, ``record``, ``signature``,
        ``key``, ``chain``, ``signer``, ``witness``, ``time stamp``, ``table`` or ``archive``.
    name : str
        Which one.
    message : str
        One sentence.
    visit : int or None
    """

    what: str
    name: str
    message: str
    visit: int | None = None

    def sentence(self) -> str:
        """The problem as one line."""
        return self.message


@dataclass(frozen=True, slots=True)
class SignedRecord:
    """A signed visit's canonical record with its signature.

    Attributes
    ----------
    record : bytes
        JSON by RFC 8785.
    record_sha256 : str
        The next signed visit names it.
    signature : bytes
        Ed25519 over ``record``, 64 bytes.
    public_key : bytes
        PEM.
    time_stamp : bytes or None
        An authority's answer about ``record`` (RFC 3161, DER).
    """

    visit: int
    record: bytes
    record_sha256: str
    signature: bytes
    public_key: bytes
    time_stamp: bytes | None = None


@dataclass(frozen=True, slots=True)
class ChainLink:
    """One signed visit as the chain shows it.

    Attributes
    ----------
    signed_by : str
        As the record says.
    fingerprint : str or None
        Of the key that lies beside the record; None where it is none.
    """

    visit: int
    record_sha256: str
    signed_by: str
    fingerprint: str | None


@dataclass(frozen=True, slots=True)
class Chain:
    """What was signed, first to last, with the changes of key.

    Attributes
    ----------
    logbook : str or None
        Identity of the logbook; None where nothing is signed.
    whole : bool
        Whether every signed visit is here: true of a logbook, not of a package.
    before : (int, str) or None
        Visit and record's hash that the first link names.
    """

    logbook: str | None
    records: tuple[ChainLink, ...]
    changes: tuple[KeyChange, ...] = ()
    whole: bool = True
    before: tuple[int, str] | None = None

"""What is kept: sites, visits, photos, measurements, findings, decisions, signatures.

In: the value types of the rooms before (``Site``, ``Photo``, ``Placement``, ``Verdict``) and measurements as plain
JSON records by image hash and method version. Out: the same again, and proof that nothing has changed since a visit
was signed. One logbook is a folder (SQLite and images) or a PostgreSQL database with an image store.
"""

from audit.logbook.checking import Anchors, Checked, check
from audit.logbook.codec import together
from audit.logbook.images import ImageStore
from audit.logbook.logbook import Logbook
from audit.logbook.package import is_package, package_chain, seal_package, verify_package, zip_package
from audit.logbook.records import (
    AnswerRecord,
    Chain,
    Channel,
    DecisionRecord,
    DeviceRecord,
    DonePictures,
    DrawingRecord,
    HistoryEntry,
    KeptRecord,
    PairingRecord,
    PlanRecord,
    PointRecord,
    ReferenceChoice,
    ReferenceRecord,
    RefusalRecord,
    Remeasured,
    SaidRole,
    SeenFile,
    SignedRecord,
    VerifyProblem,
    VisitProgress,
    VisitRecord,
    given_to,
)
from audit.logbook.settling import done_pictures
from audit.logbook.signing import fingerprint, fingerprint_words, key_state
from audit.logbook.trust import who_signed
from audit.logbook.witness import witness_text

__all__ = [
    "Anchors",
    "AnswerRecord",
    "Chain",
    "Channel",
    "Checked",
    "DecisionRecord",
    "DeviceRecord",
    "DonePictures",
    "DrawingRecord",
    "HistoryEntry",
    "ImageStore",
    "KeptRecord",
    "Logbook",
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
    "VisitProgress",
    "VisitRecord",
    "check",
    "done_pictures",
    "fingerprint",
    "fingerprint_words",
    "given_to",
    "is_package",
    "key_state",
    "package_chain",
    "seal_package",
    "together",
    "verify_package",
    "who_signed",
    "witness_text",
    "zip_package",
]

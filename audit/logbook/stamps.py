"""Time stamps by RFC 3161: an authority's word that a record existed at a time, made elsewhere and kept with it.

The program asks no authority itself: it writes the request into a file and reads the answer from one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from audit.errors import SignatureError

if TYPE_CHECKING:  # loaded where it is used: whoever only shows a logbook does without
    from cryptography import x509
    from rfc3161_client import TimeStampResponse

__all__ = ["TimeStamp", "read_authorities", "read_stamp", "stamp_problem", "stamp_request"]

_LARGEST = 1 << 20
#: Tags on the way from the answer's first byte to its certificates (RFC 3161, 2.4.2; RFC 5652, 5.1): structures that are
#: entered, and those that are passed over.
_INTO, _PAST = (0x30, 0xA0), (0x30, 0x06, 0x02, 0x31)
_WAY_TO_CERTIFICATES = (_INTO, _PAST, _INTO, _PAST, _INTO, _INTO, _PAST, _PAST, _PAST)
_CERTIFICATES = 0xA0


@dataclass(frozen=True, slots=True)
class TimeStamp:
    """What a time stamp says.

    Attributes
    ----------
    at : datetime
        UTC.
    authority : str
        Name in the certificate that signed it.
    known : bool
        Whether that certificate leads to an authority that the person who checks has named.
    """

    at: datetime
    authority: str
    known: bool


def stamp_request(record: bytes) -> bytes:
    """The request for a record's time stamp, DER (RFC 3161, 2.4.1), with SHA-256, to be sent to an authority."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    return TimestampRequestBuilder().data(record).hash_algorithm(HashAlgorithm.SHA256).build().as_bytes()


def read_authorities(pem: bytes) -> tuple[x509.Certificate, ...]:
    """Certificates of authorities.

    Raises
    ------
    SignatureError
        If there is none.
    """
    from cryptography import x509

    try:
        return tuple(x509.load_pem_x509_certificates(pem))
    except ValueError as error:
        raise SignatureError("the authority's file holds no certificate in PEM; ask the authority for it.") from error


def read_stamp(answer: bytes, record: bytes, authorities: Iterable[x509.Certificate] = ()) -> TimeStamp:
    """Check an authority's answer against a record.

    Parameters
    ----------
    answer : bytes
        DER (RFC 3161, 2.4.2).
    authorities : iterable of Certificate
        Those that the person who checks trusts; without any, only what the answer brings along is checked.

    Raises
    ------
    SignatureError
        If it is no answer, is about another record, or its signature doesn't fit.
    """
    wrong = stamp_problem(answer, record, tuple(authorities))
    if wrong:
        raise SignatureError(f"the time stamp {wrong}; ask the authority again with a new request.")
    response = _response(answer)
    assert response is not None
    leaf = _leaf(response)
    name = leaf.subject.rfc4514_string() if leaf is not None else "an authority that gave no certificate"
    return TimeStamp(response.tst_info.gen_time, name, bool(tuple(authorities)))


def stamp_problem(answer: bytes, record: bytes, authorities: tuple[x509.Certificate, ...] = ()) -> str | None:
    """What is wrong with an answer, as the rest of a sentence; None where it fits."""
    from rfc3161_client import VerificationError, VerifierBuilder

    response = _response(answer)
    if response is None:
        return "is not what an authority sends"
    try:
        # whatever the library is given it trusts, intermediates too; those in the answer it finds by itself
        trusted = list(authorities) or _certificates(response)
        VerifierBuilder(roots=trusted).build().verify_message(response, record)
    except VerificationError as error:
        if "Mismatch between messages" in str(error):
            return "is about another record"
        return "was changed, or is not by an authority that is trusted here"
    except Exception:  # certificates that are none raise many kinds
        return "is not what an authority sends"
    return None


def _response(answer: bytes) -> TimeStampResponse | None:
    from rfc3161_client import decode_timestamp_response

    try:
        response = decode_timestamp_response(_in_order(answer[:_LARGEST]))
        return response if response.tst_info is not None else None
    except Exception:  # the library raises classes of its own for what is no DER
        return None


def _in_order(answer: bytes) -> bytes:
    """The answer with its certificates in the order that DER asks of a set (X.690, 11.6), which not every authority keeps.

    They stand outside what is signed, and the library refuses them in another order.
    """
    try:
        at = 0
        for wanted in _WAY_TO_CERTIFICATES:  # into a structure, or past one
            tag, start, end = _piece(answer, at)
            if tag not in wanted:
                return answer
            at = start if wanted is _INTO else end
        tag, start, end = _piece(answer, at)
        if tag != _CERTIFICATES:
            return answer
        pieces = []
        while start < end:
            _, _, after = _piece(answer, start)
            pieces.append(answer[start:after])
            start = after
    except IndexError:
        return answer
    inside = b"".join(sorted(pieces))
    return answer[: end - len(inside)] + inside + answer[end:]


def _piece(data: bytes, at: int) -> tuple[int, int, int]:
    """Tag, start and end of the contents of what stands at a place (X.690, 8.1)."""
    length, start = data[at + 1], at + 2
    if length & 0x80:
        start += length & 0x7F
        length = int.from_bytes(data[at + 2 : start], "big")
    if start + length > len(data):
        raise IndexError
    return data[at], start, start + length


def _certificates(response: TimeStampResponse) -> list[x509.Certificate]:
    from cryptography import x509

    return [x509.load_der_x509_certificate(der) for der in response.signed_data.certificates]


def _leaf(response: TimeStampResponse) -> x509.Certificate | None:
    signers = {(info.issuer, info.serial_number) for info in response.signed_data.signer_infos}
    return next((c for c in _certificates(response) if (c.issuer, c.serial_number) in signers), None)

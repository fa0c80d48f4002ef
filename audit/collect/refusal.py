"""Why a camera gave no picture."""

from __future__ import annotations

from typing import Literal

from audit.collect.addresses import Address
from audit.errors import AuditError
from audit.photos.device import DeviceFacts

__all__ = ["NoPicture", "Reason", "no_picture"]

Reason = Literal[
    "no address", "no answer", "timeout", "refused", "wrong password", "password needed", "certificate", "redirect",
    "no such profile", "not a picture", "too large", "not read only",
]  # fmt: skip


class NoPicture(AuditError):
    """A camera that gave no picture, with the reason and what to do.

    Parameters
    ----------
    reason : str
        One of :data:`Reason`.
    message : str
        One sentence; begins with the camera's id.

    Attributes
    ----------
    facts : DeviceFacts or None
        What the device had said of itself before.
    """

    facts: DeviceFacts | None = None

    def __init__(self, reason: Reason, message: str) -> None:
        super().__init__(message)
        self.reason: Reason = reason


def no_picture(address: Address, reason: Reason, text: str) -> NoPicture:
    """A camera that gave none, named by its id and place; ``text`` goes on from there."""
    return NoPicture(reason, f"{address.camera} ({address.place}): {text}.")

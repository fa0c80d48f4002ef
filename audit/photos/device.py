"""What a camera says of itself over the network."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

__all__ = ["DeviceFacts"]


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """A camera's description of itself, read once; whatever it did not tell is None.

    Attributes
    ----------
    address : str
        Where it answered, without user or password.
    asked_at : datetime
        When it was asked, in UTC, by the collecting machine's clock.
    serial, maker, model, firmware, hardware_address, name : str or None
        As the device gives them; ``name`` is the name that an operator has set.
    width_px, height_px : int or None
        Size of its largest stream.
    codec : str or None
        Of that stream, as the device calls it.
    clock_offset_s : float or None
        The device's clock minus the collecting machine's, in seconds.
    clock_sd_s : float or None
        One standard deviation of it: half the time that the answer took, and the device's whole seconds.
    time_zone : str or None
        POSIX time zone that is set in the device.
    summer_time : bool or None
        Whether it says that summer time is in force.
    certificate : str or None
        SHA-256 of its TLS certificate, hexadecimal.
    """

    address: str
    asked_at: datetime
    serial: str | None = None
    maker: str | None = None
    model: str | None = None
    firmware: str | None = None
    hardware_address: str | None = None
    name: str | None = None
    width_px: int | None = None
    height_px: int | None = None
    codec: str | None = None
    clock_offset_s: float | None = None
    clock_sd_s: float | None = None
    time_zone: str | None = None
    summer_time: bool | None = None
    certificate: str | None = None

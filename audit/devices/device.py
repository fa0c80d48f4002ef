"""What one simulated camera is."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Device"]


@dataclass(frozen=True, slots=True)
class Device:
    """A simulated camera.

    Attributes
    ----------
    picture : bytes
        The JPEG that it shows.
    user, password : str or None
        What it asks for; None: nothing.
    clock_offset_s : float
        How far its clock is ahead.
    silent : bool
        It takes connections and never answers.
    digest : bool
        HTTP Digest for the picture, else Basic.
    media : tuple of str
        Its media services: ``media`` (version 10, profile S), ``media2`` (version 20, profile T).
    """

    camera: str
    picture: bytes
    serial: str
    name: str
    width_px: int
    height_px: int
    user: str | None = None
    password: str | None = None
    clock_offset_s: float = 0.0
    silent: bool = False
    digest: bool = True
    firmware: str = "1.0"
    time_zone: str = "UTC0"
    media: tuple[str, ...] = ("media",)

"""A photo as the rooms pass it on: what it is called, what it says of itself, never its pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Literal

__all__ = ["Metadata", "Photo"]

BearingReference = Literal["T", "M"]


@dataclass(frozen=True, slots=True)
class Metadata:
    """What a file says about itself; a field that is absent or absurd is None and ``notes`` says why.

    Attributes
    ----------
    taken_at : datetime or None
        Capture time; aware where the file carries an offset, else naive = the device's own clock.
    gps_at : datetime or None
        UTC time from the satellite receiver, aware.
    latitude, longitude : float or None
        WGS 84 degrees, south and west negative.
    altitude_m, position_error_m : float or None
        Metres; the error as the phone states it (radius).
    bearing_deg, bearing_reference : float, str or None
        Direction that the camera looked when the photo was taken, clockwise, and its reference (T true, M magnetic).
    orientation : int
        EXIF orientation 1..8 (1 where absent).
    focal_mm, focal_35mm, hfov_deg : float or None
        Focal length, 35 mm equivalent, and the full angle of view over the oriented image's width.
    device : str or None
        Maker-free device identity: model text and serial as found, joined; used to tell clocks apart.
    serial, image_id, text : str or None
        Body serial number, unique image id, and free text (user comment, description), each stripped.
    """

    taken_at: datetime | None = None
    gps_at: datetime | None = None
    latitude: float | None = None
    longitude: float | None = None
    altitude_m: float | None = None
    position_error_m: float | None = None
    bearing_deg: float | None = None
    bearing_reference: BearingReference | None = None
    orientation: int = 1
    focal_mm: float | None = None
    focal_35mm: float | None = None
    hfov_deg: float | None = None
    device: str | None = None
    serial: str | None = None
    image_id: str | None = None
    text: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def clock_offset(self) -> timedelta | None:
        """Device clock minus satellite time, where the file carries both and its offset."""
        if self.taken_at is None or self.gps_at is None or self.taken_at.tzinfo is None:
            return None
        return self.taken_at - self.gps_at

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON; times in ISO 8601."""
        plain = asdict(self)
        for key in ("taken_at", "gps_at"):
            moment = plain[key]
            plain[key] = None if moment is None else moment.isoformat()
        plain["notes"] = list(self.notes)
        return plain

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Metadata:
        """The inverse of :meth:`as_json`; unknown keys are passed over."""
        known = {field.name: plain[field.name] for field in fields(cls) if field.name in plain}
        for key in ("taken_at", "gps_at"):
            if known.get(key) is not None:
                known[key] = datetime.fromisoformat(known[key])
        if "notes" in known:
            known["notes"] = tuple(known["notes"])
        return cls(**known)


@dataclass(frozen=True, slots=True)
class Photo:
    """One accepted file of a visit.

    Attributes
    ----------
    name : str
        Path below the visit's folder with ``/``, unprintable bytes escaped; unique within a visit.
    sha256 : str
        Of the file's bytes, lower-case hex.
    size_bytes : int
    format : str
        What the bytes are (``JPEG``, ``PNG``, ``TIFF``, ``WEBP``, ``HEIF``, ``DNG``), whatever the name says.
    width_px, height_px : int
        After the EXIF orientation.
    metadata : Metadata
    codes : tuple of str
        Texts of QR, Data Matrix and bar codes read in the picture.
    picture_hash : str or None
        64-bit perceptual hash as 16 hex digits, to find duplicates and bursts.
    written : tuple of str
        Ids of the plan that are burnt into the picture.
    boards : tuple of str
        Cameras of the plan whose printed boards are in the picture.
    shows : tuple of float
        Probabilities of what it shows, in the order of ``audit.match.shots.KINDS``; empty where nobody looked.
    """

    name: str
    sha256: str
    size_bytes: int
    format: str
    width_px: int
    height_px: int
    metadata: Metadata = Metadata()
    codes: tuple[str, ...] = ()
    picture_hash: str | None = None
    written: tuple[str, ...] = ()
    boards: tuple[str, ...] = ()
    shows: tuple[float, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = {field.name: getattr(self, field.name) for field in fields(self)}
        plain["metadata"] = self.metadata.as_json()
        plain["codes"] = list(self.codes)
        plain["written"] = list(self.written)
        plain["boards"] = list(self.boards)
        plain["shows"] = list(self.shows)
        return plain

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Photo:
        """The inverse of :meth:`as_json`; unknown keys are passed over."""
        known = {field.name: plain[field.name] for field in fields(cls) if field.name in plain}
        known["metadata"] = Metadata.from_json(plain.get("metadata", {}))
        known["codes"] = tuple(plain.get("codes", ()))
        known["written"] = tuple(plain.get("written", ()))
        known["boards"] = tuple(plain.get("boards", ()))
        known["shows"] = tuple(plain.get("shows", ()))
        return cls(**known)

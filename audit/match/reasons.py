"""Sentences that say why a photo is believed to belong where it is put."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.match.evidence import PhotoArrays
from audit.match.name_clock import BY_NAME
from audit.match.placement import BY_HAND, Decision
from audit.match.shots import Shows, look_sentence
from audit.match.solve import Known
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site

__all__ = ["About", "reasons"]

#: Scale of a position whose phone states none, and from how many scales on the direction to the camera is told (chosen).
_USUAL_SCALE_M, _FAR_SCALES = 10.0, 1.5
#: Steeper than this, a camera looks to no side.
_STRAIGHT_DOWN_DEG = 70
#: Cameras nearer to each other than this are told as one place, of this many likeliest ones (chosen).
_ONE_PLACE_M, _LOOKED_AT = 3.0, 4


def _position(photo: Photo, arrays: PhotoArrays, i: int, camera: Camera) -> str | None:
    if np.isnan(arrays.east_m[i]):
        return None
    away = math.hypot(arrays.east_m[i] - camera.east_m, arrays.north_m[i] - camera.north_m)
    stated = arrays.position_m[i]
    figure = "" if np.isnan(stated) else f" (phone accuracy ±{stated:.0f} m)"
    return f"{away:.1f} m from {camera.camera}{figure}"


def _direction(arrays: PhotoArrays, i: int, camera: Camera) -> str | None:
    if np.isnan(arrays.bearing[i]):
        return None
    looked = math.degrees(arrays.bearing[i]) % 360
    if not np.isnan(arrays.east_m[i]):
        east, north = camera.east_m - arrays.east_m[i], camera.north_m - arrays.north_m[i]
        stated = _USUAL_SCALE_M if np.isnan(arrays.position_m[i]) else arrays.position_m[i]
        if math.hypot(east, north) > _FAR_SCALES * stated:
            return f"phone pointed {looked:.0f}°; this camera is at {math.degrees(math.atan2(east, north)) % 360:.0f}° from it"
    if abs(camera.pitch_deg) >= _STRAIGHT_DOWN_DEG:
        return None
    return f"phone pointed {looked:.0f}°; facing this camera means {(camera.bearing_deg + 180) % 360:.0f}°"


def _one_place(site: Site, rivals: Sequence[int]) -> str | None:
    if len(rivals) < 2:
        return None
    first = site.cameras[rivals[0]]
    same = [site.cameras[c] for c in rivals[:_LOOKED_AT]
            if math.hypot(site.cameras[c].east_m - first.east_m, site.cameras[c].north_m - first.north_m) < _ONE_PLACE_M]
    if len(same) < 2:
        return None
    return f"{' and '.join(c.camera for c in same)} are mounted within {_ONE_PLACE_M:g} m of each other"


@dataclass(frozen=True, slots=True)
class About:
    """What was decided of a photo.

    Attributes
    ----------
    camera : int
        Index of the camera that the sentences speak of, -1 for none.
    copy_of : str or None
        Name of the photo that this one is a copy of.
    only_one : bool
        The photo would be the camera's only evidence, and nothing names the camera.
    note : str
        Why the order of the photos is not used, or empty.
    rivals : tuple of int
        Cameras that come into question.
    against : bool
        What the photo's label names goes against the photos round about it.
    disputed : bool
        A label photographed beside it goes so.
    by_name : bool
        Its time comes from its name.
    """

    camera: int
    decision: Decision
    copy_of: str | None = None
    only_one: bool = False
    note: str = ""
    rivals: tuple[int, ...] = ()
    against: bool = False
    disputed: bool = False
    by_name: bool = False


def reasons(site: Site, photos: Sequence[Photo], arrays: PhotoArrays, known: Known, i: int, about: About) -> tuple[str, ...]:
    """Evidence of photo ``i`` in sentences, the strongest first."""
    said: list[str] = []
    if known.answered[i]:
        said.append(BY_HAND)
    said += [hit.sentence() for hit in known.hits[i]]
    if about.copy_of is not None:
        said.append(f"the same picture as {about.copy_of}")
    if about.camera >= 0:
        planned = site.cameras[about.camera]
        for sentence in (_position(photos[i], arrays, i, planned), _direction(arrays, i, planned)):
            if sentence:
                said.append(sentence)
    if photos[i].shows and (seen := look_sentence(Shows(photos[i].shows))) is not None:
        said.append(seen)
    if about.by_name:
        said.append(BY_NAME)
    if about.only_one:
        said.append("it would be this camera's only photo, and nothing in it names the camera")
    if about.against:
        said.append("the photos before and after it speak against what its label names")
    if about.disputed and not about.against:
        said.append("a label photographed beside it names another camera near by")
    if about.decision == "uncertain":
        close = _one_place(site, about.rivals)
        if close:
            said.append(close)
    if about.note:
        said.append(f"the order of the photos is not used: {about.note}")
    return tuple(said)

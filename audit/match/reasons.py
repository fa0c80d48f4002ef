"""Sentences that say why a photo is believed to belong where it is put."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from audit.match.evidence import PhotoArrays
from audit.match.placement import BY_HAND, Decision
from audit.match.solve import Known
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site

__all__ = ["reasons"]


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
        stated = 10.0 if np.isnan(arrays.position_m[i]) else arrays.position_m[i]
        if math.hypot(east, north) > 1.5 * stated:
            return f"phone pointed {looked:.0f}°; this camera is at {math.degrees(math.atan2(east, north)) % 360:.0f}° from it"
    if abs(camera.pitch_deg) >= 70:
        return None
    return f"phone pointed {looked:.0f}°; facing this camera means {(camera.bearing_deg + 180) % 360:.0f}°"


def _one_place(site: Site, rivals: Sequence[int]) -> str | None:
    if len(rivals) < 2:
        return None
    first = site.cameras[rivals[0]]
    same = [site.cameras[c] for c in rivals[:4]
            if math.hypot(site.cameras[c].east_m - first.east_m, site.cameras[c].north_m - first.north_m) < 3.0]
    if len(same) < 2:
        return None
    return f"{' and '.join(c.camera for c in same)} are mounted within 3 m of each other"


def reasons(
    site: Site,
    photos: Sequence[Photo],
    arrays: PhotoArrays,
    known: Known,
    i: int,
    camera: int,
    decision: Decision,
    *,
    copy_of: str | None,
    only_one: bool,
    note: str,
    rivals: Sequence[int],
) -> tuple[str, ...]:
    """Evidence of photo ``i`` in sentences, the strongest first.

    Parameters
    ----------
    camera : int
        Index of the camera that the sentences speak of, -1 for none.
    copy_of : str or None
        Name of the photo that this one is a copy of.
    only_one : bool
        The photo would be the camera's only evidence, and nothing names the camera.
    note : str
        Why the order of the photos is not used, or empty.
    rivals : sequence of int
        Cameras that come into question.
    """
    said: list[str] = []
    if known.answered[i]:
        said.append(BY_HAND)
    said += [hit.sentence() for hit in known.hits[i]]
    if copy_of is not None:
        said.append(f"the same picture as {copy_of}")
    if camera >= 0:
        planned = site.cameras[camera]
        for sentence in (_position(photos[i], arrays, i, planned), _direction(arrays, i, planned)):
            if sentence:
                said.append(sentence)
    if only_one:
        said.append("it would be this camera's only photo, and nothing in it names the camera")
    if decision == "uncertain":
        close = _one_place(site, rivals)
        if close:
            said.append(close)
    if note:
        said.append(f"the order of the photos is not used: {note}")
    return tuple(said)

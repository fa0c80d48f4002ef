"""The guide for whoever photographs the cameras: one file for a phone without network that is a list and a camera at once.

Each photo's camera and shot are chosen before it is taken, so that it is placed with certainty
(:mod:`audit.visit.guided` takes the file that the guide makes).
"""

from __future__ import annotations

import base64
import hashlib
import json
from importlib import resources
from typing import Any

from audit.account.worklist import missing_work
from audit.judge.remedies import cautions_of
from audit.judge.trip import walking_order
from audit.logbook import Logbook, VisitRecord
from audit.match.roles import CREW_SHOTS
from audit.plan.model import Camera
from audit.report.paged import page_of
from audit.visit.guided import GUIDE_FORMAT, GUIDE_LIST
from audit.wording import translated

__all__ = ["guide"]

_CAUTIONS = (
    "Work at height, near traffic, on mains or beside infrared emitters is for trained people under the site's own "
    "rules; local regulations apply, and licensed work stays with licensed people.",
    "No photo is worth an unsafe ladder: use a camera pole, or shoot from the ground.",
)
#: Asked for at a commissioning and missed by nobody: two of the camera's own pictures, by which dirt on the glass shows.
_TURNED = "turned"
#: Findings for which a maintenance visit wants the mounting photographed.
_WANT_A_PHOTO = ("mounting", "movement", "obstruction")
_WORDS = {
    "missing": "Not taken yet: press to photograph.",
    "checking": "Checking …",
    "kept": "Kept on this phone ({n}).",
    "dark": "It is very dark: take it again with light.",
    "bright": "It is very bright: take it again from another side.",
    "blurred": "It may be blurred: look at it, take it again if so.",
    "unreadable": "This browser can't show it: look at it in the phone's gallery.",
    "no_code": "No code can be read: go nearer, or leave it if the label has none.",
    "no_qr": "No QR code can be read, and this browser reads no others: go nearer, or leave it if the label has none.",
    "other_label": "This is the label of {other}: take it again here, or photograph it there.",
    "take_away": "Take away",
    "full": "This phone's storage is full and the photo is not kept: hand in what is here, then take away what was handed in.",
    "failed": "The photo is not kept ({why}); try again.",
    "count": "{kept} of {wanted} taken, {photos} photos on this phone.",
    "none": "No photo is here yet.",
    "unnamed": "Enter your name at the top first.",
    "too_many": "More than 4 GB: hand in a part, take it away, then the rest.",
    "saved": "{n} photos saved in one file: drop it at the desk under Add photos.",
    "whole": "Nothing is missing.",
    "no_position": "This phone does not say where it is.",
    "no_store": "This browser keeps nothing for a page (private window, or too old): open it in another browser, or use the phone's camera.",
}


def guide(logbook: Logbook, visit: VisitRecord | None = None, language: str = "en") -> str:
    """The guide as HTML that needs nothing else: no font, no picture, no script from outside, and no network.

    Parameters
    ----------
    visit : VisitRecord or None
        What is still missing in it; None: everything that a commissioning wants. A maintenance visit wants site photos
        only where a finding asks for one, and the cameras' own pictures come from the cameras.
    language : str
        Of whoever photographs.
    """
    site = logbook.site(visit)
    wanted = _wanted(logbook, visit)
    cameras = [c for c in walking_order(site.cameras) if wanted.get(c.camera)]
    script = resources.files("audit.report").joinpath("guide.js").read_text(encoding="utf-8")
    reader = resources.files("audit.report").joinpath("qr/reader.js").read_text(encoding="utf-8")
    optional = (_TURNED,) if visit is None or visit.kind == "commissioning" else ()
    data: dict[str, Any] = {
        "format": GUIDE_FORMAT, "list": GUIDE_LIST, "logbook": logbook.identity(), "key": "plan" if visit is None else visit.number,
        "words": {name: translated(text, language) for name, text in _WORDS.items()}, "cameras": [{"camera": c.camera, "serial": c.serial or ""} for c in cameras],
    }  # fmt: skip
    return page_of(
        "guide.html",
        language,
        title=f"Photo guide: {site.name or site.file or 'site'}",
        subtitle="Commissioning" if visit is None else f"{visit.kind.capitalize()} visit {visit.number}, {visit.on.isoformat()}",
        cautions=_CAUTIONS,
        cameras=[_shown_camera(c, wanted[c.camera], optional) for c in cameras],
        data=json.dumps(data).replace("<", "\\u003c"),
        scripts=(reader, script),
        script_sources=" ".join(map(_source_of, (reader, script))),
    )


def _source_of(script: str) -> str:
    """A script as the page's policy lets it run: by its hash (CSP level 3)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode('ascii')}'"


def _wanted(logbook: Logbook, visit: VisitRecord | None) -> dict[str, tuple[str, ...]]:
    """The crew's shots that are wanted at each camera."""
    if visit is None:
        return {camera.camera: tuple(CREW_SHOTS) for camera in logbook.site().cameras}
    lacking: dict[str, tuple[str, ...]] = {camera: tuple(s for s in shots if s in CREW_SHOTS) for camera, shots in missing_work(logbook, visit)}
    if visit.kind == "commissioning":
        return lacking
    asked = {
        v.camera for v in logbook.verdicts(visit) for f in v.findings if f.check in _WANT_A_PHOTO and f.state in ("defect", "to check")
    }
    return {camera: ("bracket",) for camera in asked}


def _shown_camera(camera: Camera, shots: tuple[str, ...], optional: tuple[str, ...]) -> dict[str, Any]:
    place = [f"{camera.height_m:.1f} m high"]
    if camera.floor:
        place.append(f"floor {camera.floor}")
    if camera.serial:
        place.append(f"serial {camera.serial}")
    return {
        "camera": camera.camera,
        "name": f"{camera.camera} {camera.name}".strip(),
        "place": ", ".join(place),
        "shots": shots,
        "optional": optional,
        "caution": " ".join(cautions_of(camera)),
    }

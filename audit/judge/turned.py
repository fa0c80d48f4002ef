"""A picture that stands on its head or on its side: nothing is measured against the vertical in it.

By a person's word it is so; what the measuring takes for a picture on its head, a person looks at first: of 271 upright pictures of
107 real cameras 16 of four are taken for one, 15 of bright snow and one of a target mirrored in water, the surest with 96 %.
"""

from __future__ import annotations

from dataclasses import replace

from audit.judge.evidence import CameraEvidence
from audit.judge.finding import Finding, Remedy
from audit.judge.intended import intended_pose, straight_down
from audit.judge.limits import Limits
from audit.measure.measurement import ImageMeasurement, Orientation, Sky
from audit.plan.model import Camera

__all__ = ["on_its_head", "turned_by_word", "turned_findings"]

#: From here on a picture rather stands on its head than upright.
_RATHER = 0.5
_NOTE = "The picture stands on its head or on its side, says a person."


def turned_by_word(measured: ImageMeasurement) -> ImageMeasurement:
    """The measurement without what took the picture to stand upright."""
    silent = Orientation(None, None, None, None, _NOTE, measured.orientation.lens)
    return replace(measured, orientation=silent, sky=Sky(None, None, _NOTE), upside_down_probability=1.0)


def on_its_head(camera: Camera, evidence: CameraEvidence) -> float | None:
    """Chance that the camera's pictures stand on their head, the mean over its snapshots, where they rather do than not; else None."""
    chances = [p for s in evidence.snapshots if (p := s.measured.upside_down_probability) is not None]
    if not chances or straight_down(camera, intended_pose(camera).pitch_deg):
        return None
    mean = sum(chances) / len(chances)
    return mean if mean > _RATHER else None


def turned_findings(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    """One finding where a picture of the camera is turned: a defect by a person's word, else a person looks."""
    remedy = Remedy("Turn the picture in the camera's settings (rotation or flip), or turn the camera in its mount.",
                    "Walls and poles stand upright in the picture, the ground below.")  # fmt: skip
    shot = next((s for s in evidence.snapshots if s.turned), None)
    if shot is not None:
        return [Finding(camera.camera, "level", "defect", _NOTE, remedy=remedy, photo=shot.photo)]
    chance = on_its_head(camera, evidence)
    if chance is None:
        return []
    why = f"The picture seems to stand on its head ({chance:z.0%}): look which way up it is."
    return [Finding(camera.camera, "level", "defect" if chance >= limits.defect_if_vague else "to check", why, measured=chance,
                    limit=_RATHER, unit="probability", probability_bad=chance, remedy=remedy, photo=evidence.snapshots[0].photo)]  # fmt: skip

"""A picture that stands on its head or on its side by a person's word: nothing is measured against the vertical in it."""

from __future__ import annotations

from dataclasses import replace

from audit.judge.evidence import CameraEvidence
from audit.judge.finding import Finding, Remedy
from audit.measure.measurement import ImageMeasurement, Orientation, Sky
from audit.plan.model import Camera

__all__ = ["turned_by_word", "turned_findings"]

_NOTE = "The picture stands on its head or on its side, says a person."


def turned_by_word(measured: ImageMeasurement) -> ImageMeasurement:
    """The measurement without what took the picture to stand upright."""
    silent = Orientation(None, None, None, None, _NOTE, measured.orientation.lens)
    return replace(measured, orientation=silent, sky=Sky(None, None, _NOTE), upside_down_probability=1.0)


def turned_findings(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    """One defect where a picture of the camera is turned."""
    shot = next((s for s in evidence.snapshots if s.turned), None)
    if shot is None:
        return []
    remedy = Remedy("Turn the picture in the camera's settings (rotation or flip), or turn the camera in its mount.",
                    "Walls and poles stand upright in the picture, the ground below.")  # fmt: skip
    return [Finding(camera.camera, "level", "defect", _NOTE, remedy=remedy, photo=shot.photo)]

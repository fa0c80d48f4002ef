"""Open findings as topics of the BIM Collaboration Format 3.0 (buildingSMART): each with a viewpoint and the picture that shows it.

A viewpoint is the camera's own: where its lens is, how it looks and its angle of view, in metres of the plan (x east, y north,
z up). A ZIP that is the same, byte by byte, whenever the visit is.
"""

from __future__ import annotations

import uuid
import zipfile
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree as Xml

from audit.account.case import Case, open_findings
from audit.frames import camera_from_world
from audit.judge.finding import CHECKS, Finding
from audit.logbook import VisitRecord
from audit.people import shown_name
from audit.plan.model import Site
from audit.report.as_built import Built

__all__ = ["write_bcf"]

_STATUSES, _PROGRAM = ("open",), "photo-audit"
_TYPES = ("defect", "to check")
#: The schema's angle of view lies strictly between these, in degrees; a fisheye's doesn't.
_NARROWEST_DEG, _WIDEST_DEG = 0.1, 179.0
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)


def write_bcf(
    site: Site,
    visit: VisitRecord,
    built: Sequence[Built],
    found: Sequence[Case],
    picture: Callable[[Case, Finding], bytes | None],
    path: Path,
) -> None:
    """Write the topics.

    Parameters
    ----------
    picture : callable
        The picture (JPEG) that shows a finding; None where there is none.
    """
    project = uuid.uuid5(uuid.NAMESPACE_URL, f"photo-audit:{site.name}:{site.file}")
    author = shown_name(visit.signed_by or "") or _PROGRAM
    as_built = {b.camera.camera: b for b in built}
    topics = [(case, finding) for case in found for finding in open_findings(case)]
    with zipfile.ZipFile(path, "w") as archive:
        _put(archive, "bcf.version", _version())
        _put(archive, "project.bcfp", _project(site, str(project)))
        _put(archive, "extensions.xml", _extensions(author, found))
        for number, (case, finding) in enumerate(topics, start=1):
            topic = uuid.uuid5(project, f"{visit.number}/{finding.camera}/{finding.check}/{number}")
            seen = picture(case, finding)
            markup = _markup(topic, number, case, finding, (author, _created(visit)), seen is not None)
            _put(archive, f"{topic}/markup.bcf", markup)
            _put(archive, f"{topic}/viewpoint.bcfv", _viewpoint(topic, as_built[case.camera.camera]))
            if seen is not None:
                _put(archive, f"{topic}/snapshot.jpg", seen)


def _put(archive: zipfile.ZipFile, name: str, data: bytes | Xml.Element) -> None:
    if isinstance(data, bytes):
        archive.writestr(zipfile.ZipInfo(name, _FIRST_DAY), data, zipfile.ZIP_STORED)
        return
    Xml.indent(data)
    text = Xml.tostring(data, encoding="utf-8", xml_declaration=True)
    archive.writestr(zipfile.ZipInfo(name, _FIRST_DAY), text, zipfile.ZIP_DEFLATED)


def _created(visit: VisitRecord) -> datetime:
    return visit.signed_at or visit.started_at


def _version() -> Xml.Element:
    return Xml.Element("Version", VersionId="3.0")


def _project(site: Site, guid: str) -> Xml.Element:
    info = Xml.Element("ProjectInfo")
    project = Xml.SubElement(info, "Project", ProjectId=guid)
    Xml.SubElement(project, "Name").text = _clean(site.name or site.file) or "site"
    return info


def _extensions(author: str, found: Sequence[Case]) -> Xml.Element:
    """Every word that a topic may use."""
    floors = sorted({floor for case in found if (floor := _clean(case.camera.floor))})
    words = {
        "TopicTypes": ("TopicType", _TYPES), "TopicStatuses": ("TopicStatus", _STATUSES), "Priorities": ("Priority", ()),
        "TopicLabels": ("TopicLabel", (*CHECKS, *floors)), "Users": ("User", (_clean(author),)), "SnippetTypes": ("SnippetType", ()),
        "Stages": ("Stage", ()),
    }  # fmt: skip
    root = Xml.Element("Extensions")
    for group, (one, values) in words.items():
        listed = Xml.SubElement(root, group)
        for value in dict.fromkeys(values):
            Xml.SubElement(listed, one).text = value
    return root


def _markup(
    topic: uuid.UUID, number: int, case: Case, finding: Finding, by: tuple[str, datetime], with_picture: bool
) -> Xml.Element:
    author, at = by
    root = Xml.Element("Markup")
    shown = Xml.SubElement(root, "Topic", Guid=str(topic), TopicType=finding.state, TopicStatus=_STATUSES[0])
    Xml.SubElement(shown, "Title").text = _clean(f"{finding.camera}: {finding.check}, {finding.state}")
    Xml.SubElement(shown, "Index").text = str(number)
    labels = Xml.SubElement(shown, "Labels")
    for label in (finding.check, _clean(case.camera.floor)):
        if label:
            Xml.SubElement(labels, "Label").text = label
    Xml.SubElement(shown, "CreationDate").text = at.strftime("%Y-%m-%dT%H:%M:%SZ")
    Xml.SubElement(shown, "CreationAuthor").text = _clean(author)
    remedy = finding.remedy
    told = [finding.why, *([remedy.action, *remedy.cautions] if remedy is not None else [])]
    Xml.SubElement(shown, "Description").text = _clean(" ".join(told)) or finding.state
    decision = case.decision(finding)
    comments = Xml.SubElement(shown, "Comments")
    if decision is not None:
        comment = Xml.SubElement(comments, "Comment", Guid=str(uuid.uuid5(topic, f"decision {decision.id}")))
        Xml.SubElement(comment, "Date").text = decision.at.strftime("%Y-%m-%dT%H:%M:%SZ")
        Xml.SubElement(comment, "Author").text = _clean(shown_name(decision.by)) or _PROGRAM
        Xml.SubElement(comment, "Comment").text = _clean(f"{decision.decision}: {decision.why}")
    views = Xml.SubElement(shown, "Viewpoints")
    view = Xml.SubElement(views, "ViewPoint", Guid=str(uuid.uuid5(topic, "viewpoint")))
    Xml.SubElement(view, "Viewpoint").text = "viewpoint.bcfv"
    if with_picture:
        Xml.SubElement(view, "Snapshot").text = "snapshot.jpg"
    return root


def _viewpoint(topic: uuid.UUID, one: Built) -> Xml.Element:
    camera, lens = one.camera, one.camera.lens
    axes = camera_from_world(one.pose.bearing_deg, one.pose.pitch_deg, one.pose.roll_deg)
    root = Xml.Element("VisualizationInfo", Guid=str(uuid.uuid5(topic, "viewpoint")))
    seen = Xml.SubElement(root, "PerspectiveCamera")
    triples = (
        ("CameraViewPoint", (camera.east_m, camera.north_m, camera.up_m)),
        ("CameraDirection", tuple(map(float, axes[2]))),
        ("CameraUpVector", tuple(-float(v) for v in axes[1])),
    )
    for name, values in triples:
        place = Xml.SubElement(seen, name)
        for axis, value in zip("XYZ", values, strict=True):
            Xml.SubElement(place, axis).text = f"{value + 0.0:.6f}"
    high = lens.vfov_deg
    angle = min(_WIDEST_DEG, max(_NARROWEST_DEG, high)) if high == high else _WIDEST_DEG
    Xml.SubElement(seen, "FieldOfView").text = f"{angle:.4f}"
    Xml.SubElement(seen, "AspectRatio").text = f"{lens.width_px / lens.height_px:.6f}"
    return root


def _clean(text: str) -> str:
    """Text that XML 1.0 can hold, its spaces joined."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())

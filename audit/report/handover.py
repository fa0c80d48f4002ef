"""The package that is handed over: report, repairs, as-built plan, reference images, signed record."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from audit import __version__
from audit.judge.finding import STATES, Finding
from audit.judge.trip import plan_trip
from audit.logbook import Logbook, VisitRecord
from audit.logbook.package import zip_package
from audit.plan.files import write_plan
from audit.plan.model import Camera, Site
from audit.report import pictures
from audit.report.case import (
    Case,
    Shot,
    cases,
    evidence_of,
    open_findings,
    pose_held_to,
    preview_of,
)
from audit.report.document import Document
from audit.report.private import faces_blurred, without_position
from audit.report.sheets import repair_rows, write_repairs_csv, write_repairs_xlsx

__all__ = ["write_handover"]

_PAGE_PICTURE_PX = 820
_MARKS = {"put right": "▲", "look again": "◆", "no evidence": "○", "meets plan": "●"}
CAUTIONS = (
    "Work at height, near traffic, on mains or beside infrared emitters is for trained people under the site's own "
    "rules; local codes and licensed practice decide, not this report.",
    "No photo is worth an unsafe ladder: a pole or a photo from the ground serves.",
    "A picture proves what it shows. Seals, weights, threads, wiring and fixings are for a person on site.",
)
METHOD_TEXT = (
    "Roll and pitch are measured in each camera's own picture from straight edges, vanishing points, the horizon and a "
    "small learned model, with the plan's angle of view; the plan's pose never pulls the measurement. '±' is the 95 % "
    "interval. Open sky is segmented and compared with what the plan's optics show. Dirt, blur and blockage are judged "
    "from one image with caution, and against the signed reference where there is one.",
    "A finding is 'put right' where the probability of being out of limits is at least 95 %, 'meets plan' where it is at "
    "most 5 %, and 'look again' between: a person looks. 'No evidence' means that it was not seen, never that it passed.",
    "'Not measured' stands where a picture does not carry the answer, with the reason.",
)


def write_handover(
    logbook: Logbook,
    visit: VisitRecord,
    folder: Path,
    *,
    private: bool = False,
    passphrase: str | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[Path, ...]:
    """Write the package of a visit into a folder, and the same as a ZIP beside it.

    An unsigned visit is handed over as a draft: every page says so, and the package holds no record.

    Parameters
    ----------
    private : bool
        Take positions out of what leaves and blur faces as far as a detector finds them. Originals never change.
    progress : callable
        Called with (cameras done, cameras in all).

    Returns
    -------
    tuple of Path
        The files written, the ZIP last.
    """
    folder.mkdir(parents=True, exist_ok=True)
    site = logbook.site(visit)
    found = list(cases(logbook, visit))
    _report(logbook, visit, site, found, folder / "report.pdf", private, progress)
    rows = repair_rows(found)
    write_repairs_csv(rows, folder / "repairs.csv")
    write_repairs_xlsx(rows, folder / "repairs.xlsx")
    as_built = _as_built(site, found)
    if private:
        as_built = replace(as_built, origin_latitude=None, origin_longitude=None)
        write_plan(as_built, folder / "as_built.csv")
    else:
        write_plan(as_built, folder / "as_built.geojson")
    _references(logbook, found, folder / "references", private)
    summary = {
        "visit": visit.number,
        "kind": visit.kind,
        "on": visit.on.isoformat(),
        "version": __version__,
        "signed": visit.signed_at is not None,
        "private": private,
    }
    (folder / "about.json").write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")
    if visit.signed_at is not None:
        logbook.seal(folder, visit, passphrase, with_content=not private)
    archive = folder.parent / f"{folder.name}.zip"
    zip_package(folder, archive)
    return (*sorted(p for p in folder.rglob("*") if p.is_file()), archive)


def _as_built(site: Site, found: Sequence[Case]) -> Site:
    """The plan with the measured pose beside the planned one."""
    measured: dict[str, Case] = {case.camera.camera: case for case in found}
    return replace(site, cameras=tuple(_built(c, measured.get(c.camera)) for c in site.cameras))


def _built(camera: Camera, case: Case | None) -> Camera:
    extra = dict(camera.extra)
    if case is not None:
        extra["state"] = case.verdict.state
        for finding in case.verdict.findings:
            if finding.check in ("aim", "level") and finding.measured is not None and finding.measured_sd is not None:
                name = "pitch" if finding.check == "aim" else "roll"
                extra[f"measured_{name}_deg"] = f"{finding.measured:.2f}"
                extra[f"measured_{name}_sd_deg"] = f"{finding.measured_sd:.2f}"
    return replace(camera, extra=tuple(extra.items()))


def _references(logbook: Logbook, found: Sequence[Case], folder: Path, private: bool) -> None:
    """The camera's own best picture by day and by night, unedited unless privacy was asked for."""
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir()
    for case in found:
        for light, shot in (("day", case.day), ("night", case.night)):
            if shot is None:
                continue
            data = logbook.image(shot.photo.sha256)
            suffix = {"JPEG": "jpg", "HEIF": "heic"}.get(shot.photo.format, shot.photo.format.lower())
            if private:
                data, suffix = without_position(faces_blurred(data)), "jpg"
            name = "".join(c if c.isalnum() or c in "-_" else "_" for c in case.camera.camera)
            (folder / f"{name}_{light}.{suffix}").write_bytes(data)


def _report(
    logbook: Logbook,
    visit: VisitRecord,
    site: Site,
    found: Sequence[Case],
    path: Path,
    private: bool,
    progress: Callable[[int, int], None],
) -> None:
    signed = f"signed by {visit.signed_by}" if visit.signed_at else "DRAFT, not signed"
    title = f"Camera audit: {site.name or site.file or 'site'}, {visit.kind} {visit.on.isoformat()}"
    document = Document(title, f"{title} - visit {visit.number} - {signed}")
    document.add_page()
    _cover(document, logbook, visit, site, found)
    _repairs(document, site, found)
    _settled(document, logbook, visit)
    for done, case in enumerate(found, 1):
        _camera_page(document, logbook, case, private)
        progress(done, len(found))
    document.add_page()
    document.heading("How it was measured, and how well")
    for text in METHOD_TEXT:
        document.sentence(text)
    document.heading("Cautions")
    for text in CAUTIONS:
        document.sentence(text)
    document.heading("Signatures")
    _signatures(document, visit)
    document.output(str(path))


def _cover(document: Document, logbook: Logbook, visit: VisitRecord, site: Site, found: Sequence[Case]) -> None:
    document.heading(f"Camera audit: {site.name or site.file or 'site'}", bookmark="Summary")
    document.sentence(f"{visit.kind.capitalize()} visit {visit.number}, {visit.on.isoformat()}.", 11)
    if visit.signed_at is None:
        document.sentence("DRAFT: this visit is not signed off.", 11, bold=True)
    else:
        document.sentence(f"Signed off by {visit.signed_by} on {visit.signed_at:%Y-%m-%d %H:%M} UTC.", 11)
    photos = logbook.photos(visit)
    refusals = logbook.refusals(visit)
    document.sentence(f"{len(site.cameras)} planned cameras, {len(photos)} photos, {len(refusals)} files refused.")
    counts = {state: sum(case.verdict.state == state for case in found) for state in STATES}
    document.rows(
        ("", "state", "cameras", "what it means"),
        [
            (_MARKS["put right"], "put right", counts["put right"], "out of limits with at least 95 % probability"),
            (_MARKS["look again"], "look again", counts["look again"], "the picture leaves doubt: a person looks"),
            (
                _MARKS["no evidence"],
                "no evidence",
                counts["no evidence"],
                "something was not seen or can't be measured",
            ),
            (_MARKS["meets plan"], "meets plan", counts["meets plan"], "measured, and within limits"),
        ],
        (0.6, 2, 1.2, 8),
    )
    if refusals:
        document.heading("Files that were refused", 2)
        for refusal in refusals[:40]:
            document.sentence(refusal.message, 8)


def _repairs(document: Document, site: Site, found: Sequence[Case]) -> None:
    asked = {(case.camera.camera, finding.check) for case in found for finding in open_findings(case)}
    settled = [(c.camera.camera, f.check) for c in found for f in c.verdict.findings
               if (c.camera.camera, f.check) not in asked]  # fmt: skip
    trip = plan_trip(site, [case.verdict for case in found], settled=settled)
    document.heading("What is to be done")
    if not trip.stops:
        document.sentence("Nothing: no finding asks for work or for a look.")
        return
    bring = [*trip.bring_always, *(f"{number} × {part}" if number > 1 else part for part, number in trip.parts)]
    document.sentence(
        f"One trip of {len(trip.stops)} ladder positions in walking order, about {trip.walk_m:.0f} m. "
        f"Bring: {'; '.join(bring)}."
    )
    rows = [
        (f"{number}", f"{_MARKS[task.state]} {task.camera}", ", ".join(task.checks), task.state, task.action)
        for number, stop in enumerate(trip.stops, 1)
        for task in stop.tasks
    ]
    document.rows(("stop", "camera", "check", "state", "remedy"), rows, (0.6, 1.5, 1.5, 1.5, 6.5))


def _settled(document: Document, logbook: Logbook, visit: VisitRecord) -> None:
    decisions = [d for d in logbook.decisions(visit) if d.in_force]
    document.heading("What was decided")
    if not decisions:
        document.sentence("No finding was decided on by a person.")
        return
    rows = [(d.camera, d.check, d.decision, d.by, f"{d.at:%Y-%m-%d %H:%M}", d.why) for d in decisions]
    document.rows(("camera", "check", "decision", "by", "when (UTC)", "why"), rows, (1.2, 1.2, 1.1, 1.6, 1.6, 4))


def _camera_page(document: Document, logbook: Logbook, case: Case, private: bool) -> None:
    camera = case.camera
    document.add_page()
    title = f"{camera.camera}  {camera.name}".strip()
    document.heading(title, bookmark=f"{camera.camera}: {case.verdict.state}")
    document.sentence(f"{_MARKS[case.verdict.state]} {case.verdict.state}", 11, bold=True)
    document.sentence(_planned_sentence(camera), 8.5, grey=True)
    top = document.get_y() + 1
    left, gap = document.l_margin, 4.0
    day, night = case.day, case.night
    if day is not None:
        wide = document.inner_mm * (0.62 if night is not None else 1.0)
        used = document.picture(_evidence_jpeg(logbook, case, day, private), _caption(day), left, top, wide, 88)
        if night is not None:
            x = left + wide + gap
            used = max(
                used,
                document.picture(
                    _evidence_jpeg(logbook, case, night, private),
                    f"Night: {night.photo.name}",
                    x,
                    top,
                    document.inner_mm - wide - gap,
                    60,
                ),
            )
            reference, _ = evidence_of(logbook, case, day)
            if reference is not None:
                y = document.get_y() + 1
                jpeg = _plain_jpeg(logbook, reference.sha256, private)
                used = max(
                    used,
                    y
                    - top
                    + document.picture(
                        jpeg, f"Signed reference (visit {reference.visit})", x, y, document.inner_mm - wide - gap, 44
                    ),
                )
        document.set_y(top + used + 2)
    elif night is not None:
        used = document.picture(
            _evidence_jpeg(logbook, case, night, private),
            f"Night: {night.photo.name}",
            left,
            top,
            document.inner_mm,
            88,
        )
        document.set_y(top + used + 2)
    document.heading("Findings", 2)
    for finding in case.verdict.findings:
        _finding(document, case, finding)


def _planned_sentence(camera: Camera) -> str:
    parts = [
        f"planned: bearing {camera.bearing_deg:.0f}°, pitch {camera.pitch_deg:+.1f}°, height {camera.height_m:.1f} m, "
        f"angle of view {camera.lens.hfov_deg:.0f}°"
    ]
    if camera.form:
        parts.append(camera.form)
    if camera.mount.parts:
        parts.append(f"mount {camera.mount}")
    if camera.serial:
        parts.append(f"serial {camera.serial}")
    return "; ".join(parts) + "."


def _caption(shot: Shot) -> str:
    return (
        f"Day: {shot.photo.name}. Dashed: planned horizon; solid with thin band: measured horizon (95 %); hatched: sky; "
        "square: target as planned, diamond: as measured."
    )


def _finding(document: Document, case: Case, finding: Finding) -> None:
    document.sentence(
        f"{_MARKS[finding.state]} {finding.check}: {finding.state}. {finding.why}",
        8.8,
        bold=finding.state in ("put right", "look again"),
    )
    remedy = finding.remedy
    if remedy is not None and finding.state in ("put right", "look again"):
        document.sentence(f"Remedy: {remedy.action}", 8.5, indent_mm=5)
        if remedy.field_check:
            document.sentence(f"To see that it is right: {remedy.field_check}", 8.5, indent_mm=5)
        if remedy.parts:
            document.sentence(f"Bring: {', '.join(remedy.parts)}.", 8.5, indent_mm=5)
        for caution in remedy.cautions:
            document.sentence(f"Caution: {caution}", 8, indent_mm=5, grey=True)
    decision = case.decision(finding)
    if decision is not None:
        changed = " (the finding has changed since)" if decision.finding_changed else ""
        document.sentence(f"Decision: {decision.decision} by {decision.by}, {decision.why}{changed}", 8.5, indent_mm=5)


def _signatures(document: Document, visit: VisitRecord) -> None:
    if visit.signed_at is not None:
        document.sentence(
            f"Signed off electronically by {visit.signed_by} on {visit.signed_at:%Y-%m-%d %H:%M} UTC "
            "(Ed25519; record.json, record.sig and public_key.pem in this package; check with: photo-audit "
            "verify FOLDER)."
        )
    for who in ("For the installer", "For the owner"):
        document.ln(10)
        document.sentence(f"{who}: ______________________________    Date: ______________")


def _evidence_jpeg(logbook: Logbook, case: Case, shot: Shot, private: bool) -> bytes:
    picture = pictures.decode_picture(_seen(logbook, shot.photo.sha256, private), _PAGE_PICTURE_PX)
    _, change = evidence_of(logbook, case, shot)
    layers = pictures.LAYERS if not (shot.measured and shot.measured.clarity.night) else ("patches",)
    drawn = pictures.evidence_picture(
        picture, case.camera, pose_held_to(case.camera), shot.measured, change.patches if change else (), layers
    )
    return pictures.encode_jpeg(drawn, 72)


def _plain_jpeg(logbook: Logbook, sha256: str, private: bool) -> bytes:
    picture = pictures.decode_picture(_seen(logbook, sha256, private), _PAGE_PICTURE_PX // 2)
    return pictures.encode_jpeg(picture, 72)


def _seen(logbook: Logbook, sha256: str, private: bool) -> bytes:
    data = preview_of(logbook, sha256)
    return faces_blurred(data) if private else data

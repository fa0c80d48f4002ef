"""The package that is handed over: report, repairs, as-built plan, reference images, signed record."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path, PurePosixPath

import segno

from audit import __version__
from audit.account import pictures
from audit.account.case import (
    Case,
    Shot,
    cases,
    marks_in,
)
from audit.account.changes import changes, signed_before
from audit.account.unproven import unproven, unproven_sentences
from audit.account.worklist import asks, trip_of
from audit.extras import has, need
from audit.judge.finding import STATE_MARKS, STATES, Finding, State
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits
from audit.logbook import Logbook, VisitRecord, fingerprint, fingerprint_words
from audit.people import shown_name
from audit.plan.files import write_plan
from audit.plan.model import Camera, Site
from audit.report.as_built import as_built, built_cameras
from audit.report.as_built_dxf import write_as_built_dxf
from audit.report.bcf import write_bcf
from audit.report.crew_list import bring_words, crew_list
from audit.report.crew_photos import annex_crew_photos, show_crew_photos, write_originals
from audit.report.document import Document
from audit.report.geopackage import write_geopackage
from audit.report.placing import list_files, placed_package
from audit.report.private import faces_blurred, without_position
from audit.report.sheets import (
    UNPROVEN_COLUMNS,
    defuse_csv,
    repair_rows,
    table_csv,
    unproven_rows,
    write_repairs_csv,
    write_repairs_xlsx,
)
from audit.report.site_drawing import show_site_drawings, write_site_drawings

__all__ = ["write_handover"]

_PAGE_PICTURE_PX = 760
_QUALITY = 68
#: Pictures of about 80 kB each; topics of one camera come one after the other (chosen).
_PICTURES_KEPT = 128
_BAND = 1.96
_PICTURE_MM = 76.0
#: Where there is much to tell, so that a camera keeps to its page.
_SMALL_PICTURE_MM = 42.0
#: Lines of findings that a page still takes beside large pictures and the crew's photos; one that asks counts for several.
_LINES_BESIDE_LARGE, _LINES_OF_ASKING = 17, 6
_REFUSALS_TOLD = 40
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9_-]")
_LONGEST_NAME = 80
_CODE_MM = 28.0
_SIGNATURES_MM = 100.0
CAUTIONS = (
    "Work at height, near traffic, on mains or beside infrared emitters is for trained people under the site's own "
    "rules; local regulations apply, and licensed work stays with licensed people.",
    "No photo is worth an unsafe ladder: a pole or a photo from the ground serves.",
    "A picture proves what it shows. Seals, weights, threads, wiring and fixings are for a person on site.",
)
READING = (
    "The large picture is the camera's own, by day. Drawn over it: the horizon dashed as planned and solid as measured, with "
    "its 95 % band; each target as a square where the plan has it and as a diamond where it was measured; open sky hatched; "
    "straight edges that were measured in green; what is dirty or hidden outlined.",
    "What asks for work or a look comes first, with the figure, its ± (95 %) and its limit; what passed and what was not "
    "verified stands in the table below.",
)
METHOD_TEXT = (
    "Roll and pitch are measured in each camera's own picture from straight edges, vanishing points, the horizon and a "
    "small learned model, with the plan's angle of view; the plan's pose never pulls the measurement. '±' is the 95 % "
    "interval. Open sky is segmented and compared with what the plan's optics show. Dirt, blur and blockage are judged "
    "from one image with caution, and against the signed reference where there is one.",
    "A finding is 'defect' where the probability of being out of limits is at least {defect}, 'as planned' where it "
    "is at most {as_planned}, and 'to check' between: a person looks. 'Not verified' means that it was not seen, never "
    "that it passed.",
    "'Not measured' stands where a picture does not carry the answer, with the reason.",
)


class _Shown:
    """Pictures of a logbook as JPEG, drawn from the originals, known by their hash, and from nothing else.

    The last ones with what was seen in them are kept: the report and each topic of a finding show the same.
    """

    def __init__(self, logbook: Logbook, private: bool) -> None:
        self._logbook, self._private = logbook, private
        self._drawn: dict[tuple[str, str], bytes] = {}

    def evidence(self, case: Case, shot: Shot) -> bytes:
        """A picture with what was seen in it drawn over it."""
        key = (case.camera.camera, shot.photo.sha256)
        jpeg = self._drawn.pop(key, None) or self._draw(case, shot)
        self._drawn[key] = jpeg
        if len(self._drawn) > _PICTURES_KEPT:
            del self._drawn[next(iter(self._drawn))]
        return jpeg

    def plain(self, sha256: str) -> bytes:
        """A picture alone, small."""
        return pictures.encode_jpeg(pictures.decode_picture(self._data(sha256), _PAGE_PICTURE_PX // 2), _QUALITY)

    def _draw(self, case: Case, shot: Shot) -> bytes:
        picture = pictures.decode_picture(self._data(shot.photo.sha256), _PAGE_PICTURE_PX)
        _, change = case.compared(shot)
        layers = pictures.LAYERS if not shot.night else ("patches",)
        drawing = pictures.Drawing(layers, change.patches if change else (), marks_in(case, shot.photo))
        drawn = pictures.evidence_picture(picture, case.camera, intended_pose(case.camera).pose, shot.measured, drawing)
        return pictures.encode_jpeg(drawn, _QUALITY)

    def _data(self, sha256: str) -> bytes:
        data = self._logbook.image(sha256)
        return faces_blurred(data) if self._private else data


@dataclass(frozen=True, slots=True)
class _Wanted:
    """How a package is written: without positions and faces or not, in which language, and how pictures are shown in it."""

    private: bool
    language: str
    shown: _Shown


def write_handover(
    logbook: Logbook,
    visit: VisitRecord,
    folder: Path,
    *,
    private: bool = False,
    originals: bool = False,
    passphrase: str | None = None,
    language: str = "en",
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[Path, ...]:
    """Write the package of a visit into a folder, and the same as a ZIP beside it.

    An unsigned visit is handed over as a draft: every page says so, and the package holds no record.

    Parameters
    ----------
    private : bool
        Take positions out of what leaves and blur faces as far as a detector finds them. Originals never change.
    originals : bool
        Put the crew's photos themselves beside the report too; small they are in it in any case.
    language : str
        Of the report, the crew's list and the workbook; CSV files and the record stay English.
    progress : callable
        Called with (cameras done, cameras in all).

    Returns
    -------
    tuple of Path
        The files written, the ZIP last.
    """
    if private:
        need("faces", "Blurring faces")
    about = {
        "visit": visit.number,
        "kind": visit.kind,
        "on": visit.on.isoformat(),
        "version": __version__,
        "signed": visit.signed_at is not None,
        "private": private,
    }
    with placed_package(logbook, folder, about) as fresh:
        found = cases(logbook, visit)
        _write_files(logbook, visit, found, fresh, _Wanted(private, language, _Shown(logbook, private)), progress)
        if originals:
            names = _file_names([case.camera.camera for case in found])
            write_originals(logbook, found, fresh / "crew_photos", names, private)
        list_files(fresh)
        if visit.signed_at is not None:
            logbook.seal(fresh, visit, passphrase, with_content=not private)
    archive = folder.parent / f"{folder.name}.zip"
    return (*sorted(p for p in folder.rglob("*") if p.is_file()), archive)


def _write_files(
    logbook: Logbook,
    visit: VisitRecord,
    found: Sequence[Case],
    folder: Path,
    wanted: _Wanted,
    progress: Callable[[int, int], None],
) -> None:
    """What a person reads or measures from; the record comes when all of it is there."""
    site, private = logbook.site(visit), wanted.private
    rows = repair_rows(found)
    write_repairs_csv(rows, folder / "repairs.csv")
    write_repairs_xlsx(rows, folder / "repairs.xlsx", wanted.language)
    unseen = unproven(logbook, visit)
    (folder / "not_verified.csv").write_bytes(table_csv(UNPROVEN_COLUMNS, unproven_rows(unseen)))
    _report(logbook, visit, found, folder / "report.pdf", wanted, progress)
    listed = crew_list(logbook, visit, with_pictures=not private, language=wanted.language)
    (folder / "crew_list.html").write_text(listed, encoding="utf-8")
    refused = [(r.name, r.message) for r in logbook.refusals(visit)]
    (folder / "refused.csv").write_bytes(table_csv(("file", "why"), refused))
    built = as_built(site, found)
    if private:
        write_plan(replace(built, origin_latitude=None, origin_longitude=None), folder / "as_built.csv")
        for path in folder.glob("as_built*.csv"):
            defuse_csv(path)
    else:
        write_plan(built, folder / "as_built.geojson")
    _open_formats(logbook, visit, found, folder, wanted)
    write_site_drawings(logbook, visit, found, folder)
    _references(logbook, found, folder / "references", private)


def _open_formats(logbook: Logbook, visit: VisitRecord, found: Sequence[Case], folder: Path, wanted: _Wanted) -> None:
    """The cameras as built and the open findings for others' programs; private ones without positions on earth."""
    site = logbook.site(visit)
    if wanted.private:
        site = replace(site, origin_latitude=None, origin_longitude=None)
    built = built_cameras(site, found)
    write_geopackage(site, built, found, visit.signed_at or visit.started_at, folder / "as_built.gpkg")
    write_bcf(site, visit, built, found, lambda case, finding: _snapshot(wanted.shown, case, finding), folder / "findings.bcf")
    if has("drawings"):
        write_as_built_dxf(site, built, folder / "as_built.dxf")


def _snapshot(shown: _Shown, case: Case, finding: Finding) -> bytes | None:
    """The picture that shows a finding, else the camera's best one, with what was seen in it."""
    named = next((s for s in case.shots if s.photo.name == finding.photo), None)
    shot = named or case.day or case.night
    return None if shot is None else shown.evidence(case, shot)


def _references(logbook: Logbook, found: Sequence[Case], folder: Path, private: bool) -> None:
    """The camera's own best picture by day and by night, unedited unless privacy was asked for."""
    folder.mkdir()
    names = _file_names([case.camera.camera for case in found])
    for case in found:
        for light, shot in (("day", case.day), ("night", case.night)):
            if shot is None:
                continue
            data = logbook.image(shot.photo.sha256)
            suffix = {"JPEG": "jpg", "HEIF": "heic"}.get(shot.photo.format, shot.photo.format.lower())
            if private:
                data, suffix = without_position(faces_blurred(data)), "jpg"
            (folder / f"{names[case.camera.camera]}_{light}.{suffix}").write_bytes(data)


def _file_names(cameras: Sequence[str]) -> dict[str, str]:
    """A file's name for each camera, another one for each also where case or what a file can't be called is all that
    differs: ``G 1``, ``G.1`` and ``g/1`` get a piece of a hash."""
    plain = {camera: _NOT_IN_NAMES.sub("_", camera)[:_LONGEST_NAME] for camera in cameras}
    alike = Counter(name.casefold() for name in plain.values())
    return {
        camera: name if name == camera and alike[name.casefold()] == 1 else f"{name}~{_piece_of_hash(camera)}"
        for camera, name in plain.items()
    }


def _piece_of_hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def _report(
    logbook: Logbook,
    visit: VisitRecord,
    found: Sequence[Case],
    path: Path,
    wanted: _Wanted,
    progress: Callable[[int, int], None],
) -> None:
    site, private = logbook.site(visit), wanted.private
    signed = f"signed by {shown_name(visit.signed_by or '')}" if visit.signed_at else "DRAFT, not signed"
    subject = f"{site.name or site.file or 'site'}, {visit.kind} {visit.on.isoformat()}"
    made = visit.signed_at or logbook.clock()
    footer = f"{subject}, visit {visit.number}, {signed}"
    document = Document(f"Camera audit: {subject}", footer, made, wanted.language)
    document.add_page()
    _cover(document, logbook, visit, site, found)
    show_site_drawings(document, logbook, visit, found)
    _repairs(document, logbook, visit)
    _settled(document, logbook, visit)
    _changes(document, logbook, visit)
    told = document.room_mm() > _HOW_TO_READ_MM
    if told:
        _how_to_read(document)
    by_name = {case.camera.camera: case for case in found}
    full: list[Case] = []
    for done, case in enumerate(found, 1):
        _camera_page(document, wanted.shown, case, by_name)
        if not show_crew_photos(document, logbook, case, private):
            full.append(case)
        progress(done, len(found))
    document.add_page()
    document.heading("How it was measured, and how well")
    limits = logbook.limits(visit)
    for text in METHOD_TEXT:
        document.sentence(
            text.format(defect=_percent(limits.defect_at_least), as_planned=_percent(limits.as_planned_at_most))
        )
    document.heading("Limits that this visit was judged by", 2)
    document.rows(("what", "limit"), _limit_rows(limits), (7, 4))
    if not told:
        _how_to_read(document)
    document.heading("Cautions")
    for text in CAUTIONS:
        document.sentence(text)
    if document.room_mm() < _SIGNATURES_MM:
        document.add_page()
    document.heading("Signatures")
    _signatures(document, logbook, visit)
    annex_crew_photos(document, logbook, full, private)
    for table, about in (  # by name, as a name tree is sorted
        ("not_verified.csv", "What was not verified, with the reason, a row each"),
        ("repairs.csv", "Defects list: what asks for work or a look, a row each"),
    ):
        document.attach(table, (path.parent / table).read_bytes(), about)
    document.output(str(path))


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"


def _limit_rows(limits: Limits) -> list[tuple[str, str]]:
    """What was asked of a camera, one limit a row."""
    return [
        ("aim: tilt away from the plan", f"at most {limits.aim.pitch_tolerance_deg:g}°"),
        ("pan: bearing away from the plan", f"at most {limits.pan.tolerance_deg:g}°, less where a target is lost sooner"),
        ("level: roll away from the plan", f"at most {limits.level.roll_tolerance_deg:g}°"),
        ("sky: open sky beyond the plan's", f"at most {100 * limits.sky.excess_fraction:g} points"),
        ("target: pixel density of the purpose", f"at least {_percent(limits.target.density_fraction)}"),
        ("cleanliness, night: probability of dirt or reflection in one picture", f"below {_percent(limits.cleanliness.single_image_look)}"),
        ("cleanliness: local contrast against the reference", f"at least {_percent(limits.cleanliness.contrast_ratio)}"),
        ("cleanliness: share of the picture behind dirt", f"at most {_percent(limits.cleanliness.soiled_fraction)}"),
        ("obstruction: share of the picture hidden", f"at most {_percent(limits.obstruction.blocked_fraction)}"),
        ("focus: edge sharpness of one picture", f"at least {_percent(limits.focus.least_sharpness)}"),
        ("focus: sharpness against the reference", f"at least {_percent(limits.focus.sharpness_ratio)}"),
        ("movement: turn since the reference", f"at most {limits.movement.turn_deg:g}°"),
        ("angle of view: doubt of the planned lens (1 sd)", f"{_percent(limits.lens.hfov_sd_fraction)} of it"),
    ]


def _cover(document: Document, logbook: Logbook, visit: VisitRecord, site: Site, found: Sequence[Case]) -> None:
    document.heading(f"Camera audit: {site.name or site.file or 'site'}", bookmark="Summary")
    document.sentence(f"{visit.kind.capitalize()} visit {visit.number}, {visit.on.isoformat()}.", 11)
    if visit.signed_at is None:
        document.sentence("DRAFT: this visit is not signed off.", 11, bold=True)
    else:
        document.sentence(f"Signed off by {visit.signed_by} on {visit.signed_at:%Y-%m-%d %H:%M} UTC.", 11)
    photos = logbook.photos(visit)
    refusals = logbook.refusals(visit)
    document.sentence(
        f"{len(site.cameras)} planned cameras, {len(photos)} photos, "
        f"{len(refusals)} file{'' if len(refusals) == 1 else 's'} rejected."
    )
    if site.waiting:
        names = ", ".join(camera.camera for camera in site.waiting)
        count = f"{len(site.waiting)} camera{'' if len(site.waiting) == 1 else 's'}"
        document.sentence(f"Not verified: {count} whose row of the plan waits for an answer, so that nothing was judged: {names}.")
    sure = _percent(logbook.limits(visit).defect_at_least)
    counts = {state: sum(case.verdict.state == state for case in found) for state in STATES}
    document.rows(
        ("", "state", "cameras", "what it means"),
        [
            (
                STATE_MARKS["defect"],
                "defect",
                counts["defect"],
                f"out of limits with at least {sure} probability",
            ),
            (STATE_MARKS["to check"], "to check", counts["to check"], "unclear: check by eye"),
            (
                STATE_MARKS["not verified"],
                "not verified",
                counts["not verified"],
                "something was not seen or can't be measured",
            ),
            (STATE_MARKS["as planned"], "as planned", counts["as planned"], "measured, and within limits"),
        ],
        (0.6, 2, 1.2, 8),
    )
    unseen = unproven(logbook, visit)
    for index, text in enumerate(unproven_sentences(unseen)):
        document.sentence(text, 11 if index == 0 else 9, bold=index == 0)
    if unseen:
        document.sentence("Each with its reason in not_verified.csv of this package, and on the camera's page.", 9)
    if refusals:
        document.heading("Rejected files", 2)
        for refusal in refusals[:_REFUSALS_TOLD]:
            document.sentence(refusal.message)
        if len(refusals) > _REFUSALS_TOLD:
            rest = len(refusals) - _REFUSALS_TOLD
            document.sentence(f"{rest} more are listed in refused.csv of this package.", bold=True)


def _repairs(document: Document, logbook: Logbook, visit: VisitRecord) -> None:
    trip = trip_of(logbook, visit)
    document.heading("Defects list")
    if not trip.stops:
        document.sentence("No open finding.")
        return
    document.sentence(
        f"One trip of {len(trip.stops)} ladder positions in walking order, about {trip.walk_m:.0f} m. "
        f"Bring: {'; '.join(bring_words(trip))}."
    )
    rows = [
        (f"{number}", f"{STATE_MARKS[task.state]} {task.camera}", ", ".join(task.checks), task.state, task.action)
        for number, stop in enumerate(trip.stops, 1)
        for task in stop.tasks
    ]
    document.rows(("stop", "camera", "check", "state", "action"), rows, (0.8, 1.5, 1.5, 1.4, 6.5))


def _settled(document: Document, logbook: Logbook, visit: VisitRecord) -> None:
    decisions = logbook.standing(visit)
    document.heading("Decisions")
    if not decisions:
        document.sentence("No finding was decided on by a person.")
        return
    alike: dict[tuple[str, ...], list[str]] = {}
    for d in decisions:
        word = f"seen: {d.said_state}" if d.decision == "finding" else d.decision
        alike.setdefault((d.check, word, d.by, f"{d.at:%Y-%m-%d %H:%M}", d.why), []).append(d.camera)
    rows = [(" ".join(cameras), *rest) for rest, cameras in alike.items()]
    document.rows(("camera", "check", "decision", "by", "when (UTC)", "why"), rows, (2.2, 1.2, 1.3, 1.6, 1.6, 3))


def _changes(document: Document, logbook: Logbook, visit: VisitRecord) -> None:
    """Every camera that is not as it was signed before."""
    before = signed_before(logbook, visit)
    if before is None:
        return
    document.heading(f"What changed since visit {before.number} was signed")
    found = changes(logbook, before, visit)
    if not found:
        document.sentence("No camera's state or findings changed.")
        return
    rows = [
        (
            c.camera,
            f"new since visit {before.number}: no picture then" if c.new else _state_words(c.before),
            _state_words(c.now),
            ", ".join(c.came),
            ", ".join(c.gone),
        )
        for c in found
    ]
    document.rows(("camera", "then", "now", "new", "not found again"), rows, (1.3, 1.5, 1.5, 2.8, 2.8))


#: Room that the words about cameras' pages take; where the pages before leave less, they stand behind the cameras.
_HOW_TO_READ_MM = 42.0


def _how_to_read(document: Document) -> None:
    """What the camera pages have in common, told once."""
    document.heading("How to read a camera's page", 2)
    for text in READING:
        document.sentence(text)


def _state_words(state: State | None) -> str:
    return "not judged" if state is None else f"{STATE_MARKS[state]} {state}"


def _camera_page(document: Document, pictured: _Shown, case: Case, found: Mapping[str, Case]) -> None:
    camera = case.camera
    document.add_page()
    title = f"{camera.camera}  {camera.name}".strip()
    document.heading(title, bookmark=f"{camera.camera}: {case.verdict.state}")
    document.sentence(f"{STATE_MARKS[case.verdict.state]} {case.verdict.state}", 11, bold=True)
    document.sentence(_planned_sentence(camera), grey=True)
    _camera_pictures(document, pictured, case, found)
    document.heading("Findings", 2)
    told: set[str] = set()
    asking = [f for f in case.verdict.findings if asks(f)]
    for finding in asking:
        _finding(document, case, finding, told)
    _cautions(document, [f for f in asking if f.told_by == f.camera])
    rest = [f for f in case.verdict.findings if not asks(f)]
    if rest:
        rows = [(f"{STATE_MARKS[f.state]} {f.state}", f.check, _with_decision(case, f)) for f in rest]
        document.rows(("state", "check", "what was seen"), rows, (1.5, 1.3, 8))


def _camera_pictures(document: Document, pictured: _Shown, case: Case, found: Mapping[str, Case]) -> None:
    """The day's picture large; beside it the night, the signed reference, or the other camera of an exchange."""
    shown = [(shot, _caption(shot)) for shot in (case.day, case.night) if shot is not None]
    if not shown:
        document.sentence("No picture from this camera in this visit.", 9, bold=True)
        return
    first, caption = shown[0]
    beside = [(pictured.evidence(case, shot), words) for shot, words in shown[1:]]
    before = case.account.before_work(first)
    if before is not None:
        beside.insert(0, (pictured.plain(before.photo.sha256), f"Before the work: {_file_name(before.photo.name)}"))
    reference, _ = case.compared(first)
    if reference is not None:
        words = f"Signed reference (visit {reference.visit}): {_file_name(reference.photo)}"
        beside.append((pictured.plain(reference.sha256), words))
    other = next((found[f.pair] for f in case.verdict.findings if f.pair is not None and f.pair in found), None)
    if other is not None and other.day is not None:
        words = f"On the record of {other.camera.camera}: {_file_name(other.day.photo.name)}"
        beside.insert(0, (pictured.plain(other.day.photo.sha256), words))
    high = _PICTURE_MM if _lines_told(case) <= _LINES_BESIDE_LARGE else _SMALL_PICTURE_MM
    top, left, gap = document.get_y() + 1, document.l_margin, 4.0
    wide = document.inner_mm * (0.62 if beside else 1.0)
    used = document.picture(pictured.evidence(case, first), caption, left, top, wide, high)
    x, y = left + wide + gap, top
    for jpeg, words in beside[:3]:
        y += document.picture(jpeg, words, x, y, document.inner_mm - wide - gap, high / len(beside[:3]) - 8) + 1.5
    document.set_y(max(top + used, y) + 1)


def _lines_told(case: Case) -> int:
    """About how many lines a camera's findings take."""
    return sum(_LINES_OF_ASKING if asks(f) and f.told_by == f.camera else 1 for f in case.verdict.findings)


def _planned_sentence(camera: Camera) -> str:
    parts = [
        f"planned: bearing {camera.bearing_deg:.0f}°, pitch {camera.pitch_deg:+z.1f}°, height {camera.height_m:.1f} m, "
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
    return f"{'Night' if shot.night else 'Day'}: {_file_name(shot.photo.name)}"


def _file_name(photo: str) -> str:
    """A photo's name without its folders, which only break the line; the tables name it whole."""
    return PurePosixPath(photo).name


def _finding(document: Document, case: Case, finding: Finding, told: set[str]) -> None:
    """One finding that asks for something; a remedy that stands above is named, not told again."""
    if finding.told_by != finding.camera:
        document.sentence(
            f"{STATE_MARKS[finding.state]} {finding.check}: {finding.state}. Swapped ({' / '.join(finding.shared)}): one finding "
            f"for all, told on the page of {finding.told_by}.", bold=True,
        )  # fmt: skip
        return
    document.sentence(f"{STATE_MARKS[finding.state]} {finding.check}: {finding.state}. {finding.why}", bold=True)
    numbers = _numbers(finding)
    if numbers:
        document.sentence(numbers, indent_mm=5)
    remedy = finding.remedy
    if remedy is not None and remedy.action in told:
        document.sentence("Remedy: as above.", indent_mm=5)
    elif remedy is not None:
        told.add(remedy.action)
        document.sentence(f"Remedy: {remedy.action}", indent_mm=5)
        if remedy.field_check:
            document.sentence(f"To see that it is right: {remedy.field_check}", indent_mm=5)
        if remedy.parts:
            document.sentence(f"Bring: {', '.join(remedy.parts)}.", indent_mm=5)
    decided = _decided_words(case, finding)
    if decided:
        document.sentence(decided, indent_mm=5)


def _numbers(finding: Finding) -> str | None:
    """The measured value with its 95 % interval, beside what was planned and what is allowed."""
    if finding.measured is None or finding.unit is None:
        return None
    text = f"Measured {_amount(finding.measured, finding.unit)}"
    if finding.measured_sd is not None:
        text += f" ± {_amount(_BAND * finding.measured_sd, finding.unit)} (95 %)"
    if finding.planned is not None:
        text += f"; planned {_amount(finding.planned, finding.unit)}"
    if finding.limit is not None:
        text += f"; limit {'± ' if finding.unit == 'deg' else ''}{_amount(finding.limit, finding.unit)}"
    return f"{text}. Seen in {_file_name(finding.photo)}." if finding.photo else f"{text}."


def _amount(value: float, unit: str) -> str:
    if unit == "deg":
        return f"{value:.1f}°"
    if unit == "px/m":
        return f"{value:.3g} {unit}"
    return f"{100 * value:.0f} %" if unit in ("share", "probability") else f"{value:.2f} {unit}"


def _cautions(document: Document, findings: Sequence[Finding]) -> None:
    """Safety sentences of a camera's remedies, each once."""
    texts = dict.fromkeys(text for f in findings if f.remedy is not None for text in f.remedy.cautions)
    if texts:
        document.sentence(f"Caution: {' '.join(texts)}", indent_mm=5)


def _decided_words(case: Case, finding: Finding) -> str:
    decision = case.decision(finding)
    if decision is None or decision.decision == "finding":  # its words are the finding's own
        return ""
    changed = " (the finding has changed since)" if decision.finding_changed else ""
    return f"Decision: {decision.decision} by {decision.by}: {decision.why}{changed}"


def _with_decision(case: Case, finding: Finding) -> str:
    return f"{finding.why} {_decided_words(case, finding)}".strip()


def _signatures(document: Document, logbook: Logbook, visit: VisitRecord) -> None:
    signed = logbook.signed_record(visit)
    if visit.signed_at is not None and signed is not None:
        print_of_key = fingerprint(signed.public_key) or ""
        document.sentence(
            f"Signed off electronically by {visit.signed_by} on {visit.signed_at:%Y-%m-%d %H:%M} UTC "
            "(Ed25519; record.json, record.sig and public_key.pem in this package)."
        )
        document.sentence(f"Fingerprint of the key: {fingerprint_words(print_of_key)}", 9.5, bold=True)
        document.sentence(
            "Anybody can make such a package with a key of their own. Compare the fingerprint with the signer by telephone or "
            "on signed paper, then check with: photo-audit verify FOLDER --fingerprint TEXT. The square holds the same text."
        )
        caption = "The fingerprint as a QR code (ISO/IEC 18004)."
        document.picture(_code(print_of_key), caption, document.l_margin, document.get_y() + 1, document.inner_mm, _CODE_MM)
    for who in ("For the installer", "For the owner"):
        document.set_y(document.get_y() + 10)
        document.sentence(f"{who}: ______________________________    Date: ______________")


def _code(text: str) -> bytes:
    """A text as a QR code, PNG."""
    out = BytesIO()
    segno.make_qr(text, error="m").save(out, kind="png", scale=6, border=4)
    return out.getvalue()

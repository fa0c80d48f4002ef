"""Every line and sentence that the commands print; loads no measuring."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from audit.account.unproven import Unproven
    from audit.collect.journal import Entry
    from audit.errors import PlanProblem
    from audit.judge.finding import Verdict
    from audit.judge.trip import Trip
    from audit.logbook import DrawingRecord, Remeasured, VisitProgress
    from audit.plan.model import Site, WaitingCamera
    from audit.visit import VisitSummary

__all__ = [
    "DEVICES_GONE",
    "NO_DRAWING",
    "OUT_OF_MEMORY",
    "STOPPED",
    "answers_sentence",
    "archive_sentence",
    "boards_sentence",
    "change_of_method_line",
    "change_of_method_sentence",
    "collect_line",
    "collect_sentence",
    "collected",
    "compare_sentence",
    "demo_sentence",
    "devices_sentence",
    "drawing_gone_sentence",
    "drawing_line",
    "drawing_sentence",
    "fixed_plan_sentence",
    "geometry_sentence",
    "imported_plan_sentence",
    "imported_sentence",
    "kept_elsewhere_sentence",
    "kept_sentence",
    "match_sentence",
    "measure_sentence",
    "methods_sentence",
    "new_key_sentence",
    "no_address_line",
    "not_kept_sentence",
    "opened_sentence",
    "package_language_sentence",
    "package_sentence",
    "plan_sentence",
    "pointed_sentence",
    "problem_sentence",
    "progress_line",
    "progress_sentence",
    "refused_sentence",
    "settings_line",
    "signed_sentence",
    "stamp_request_sentence",
    "stamped_sentence",
    "taken_back_sentence",
    "template_sentence",
    "trip_sentences",
    "unproven_line",
    "unusable_plan_sentence",
    "verdict_line",
    "verdict_sentence",
    "visit_sentence",
    "waiting_for_dark",
    "waiting_sentence",
    "waits_sentence",
    "witness_sentence",
]

Line = dict[str, Any]
#: What a change of method is told by: word, value, its sd, unit, and how many of the unit a kept 1 is.
_TOLD = (
    ("roll", "orientation.roll_deg", "orientation.roll_sd_deg", "°", 1.0),
    ("pitch", "orientation.pitch_deg", "orientation.pitch_sd_deg", "°", 1.0),
    ("open sky", "sky.fraction", "sky.sd", " %", 100.0),
    ("dirt probability", "clarity.dirt_probability", None, " %", 100.0),
    ("dirt cause", "clarity.cause", None, "", 1.0),
    ("sharpness", "clarity.sharpness", None, " %", 100.0),
)
_TWO_SIDED_95 = 1.96
_NAMED = 12


def change_of_method_line(photo: Remeasured) -> Line:
    """What two method versions measured in one photo: ``photo``, ``old_method``, ``new_method`` and, by name,
    ``[old, new]`` of every single value that differs."""
    names = [n for n in photo.new if photo.new[n] != photo.old.get(n)] + [n for n in photo.old if n not in photo.new]
    differing = {name: [photo.old.get(name), photo.new.get(name)] for name in names}
    return {"photo": photo.photo, "old_method": photo.old_method, "new_method": photo.new_method, "changes": differing}


def change_of_method_sentence(photo: Remeasured) -> str:
    """The same for a person: roll, pitch, sky, dirt and sharpness where they differ as far as they are shown."""
    parts = []
    for word, name, sd, unit, scale in _TOLD:
        before, now = (_told(values, name, sd, unit, scale) for values in (photo.old, photo.new))
        if before != now:
            parts.append(f"{word} {before} → {now}")
    versions = f"version {photo.old_method.partition('-')[0]} → {photo.new_method.partition('-')[0]}"
    return f"{photo.photo} ({versions}): {', '.join(parts) or 'the same'}"


def _told(values: Mapping[str, Any], name: str, sd: str | None, unit: str, scale: float) -> str:
    value = values.get(name)
    if value is None:
        return "not measured"
    if isinstance(value, str):
        return value
    spread = values.get(sd) if sd is not None else None
    give = "" if spread is None else f" ± {_TWO_SIDED_95 * scale * spread:z.1f}"
    return f"{scale * value:z.1f}{give}{unit}"


def methods_sentence(visit: int, photos: Sequence[Remeasured]) -> str:
    """How many photos two versions have measured, and in how many of them the pose differs beyond both errors."""
    if not photos:
        return f"visit {visit}: no picture was measured by more than one version; 'methods --measure' measures by this one."
    beyond = sum(_beyond(photo, angle) for photo in photos for angle in ("roll", "pitch"))
    return (
        f"visit {visit}: {len(photos)} picture{'s' if len(photos) != 1 else ''} measured by two versions; {beyond} "
        f"roll or pitch value{'s' if beyond != 1 else ''} further apart than both errors (95 %) allow."
    )


def _beyond(photo: Remeasured, angle: str) -> bool:
    name, sd = f"orientation.{angle}_deg", f"orientation.{angle}_sd_deg"
    values = photo.old.get(name), photo.new.get(name), photo.old.get(sd), photo.new.get(sd)
    if any(not isinstance(value, int | float) for value in values):
        return False
    before, now, before_sd, now_sd = (float(value) for value in values if value is not None)
    return abs(before - now) > _TWO_SIDED_95 * math.hypot(before_sd, now_sd)


def progress_line(far: VisitProgress) -> Line:
    """How far a visit is."""
    line = asdict(far)
    record = line.pop("visit")
    return {"visit": record["number"], "kind": record["kind"], "on": record["on"].isoformat(), **line}


def progress_sentence(far: VisitProgress) -> str:
    """The same for a person."""
    record = far.visit
    waiting = far.photos - far.placed - far.uncertain - far.unmatched
    parts = [f"{far.photos} photos taken in", f"{far.refused} refused", f"{far.placed} placed", f"{far.uncertain} uncertain"]
    parts += [f"{far.unmatched} unmatched"] * bool(far.unmatched) + [f"{waiting} not placed yet"] * bool(waiting)
    parts += [f"{far.measured} of {far.snapshots} placed snapshots measured", f"{far.judged} of {far.cameras} cameras judged"]
    state = "open" if record.signed_by is None else f"signed by {record.signed_by}"
    now = f"; {far.writer}" if far.writer is not None else ""
    return f"visit {record.number} ({record.kind}, {record.on}, {state}): {', '.join(parts)}{now}."


def measure_sentence(line: Line) -> str:
    """One measured image for a person."""
    if line["error"]:
        return str(line["error"])
    if line["pitch_deg"] is None:
        pose = f"pose not measured ({line['orientation_note']})"
    else:
        turn = "turn about the plumb line not measured"
        if line["roll_deg"] is not None:
            turn = f"roll {line['roll_deg']:+z.2f}° ± {1.96 * line['roll_sd_deg']:z.2f}°"
        pose = f"{turn}, pitch {line['pitch_deg']:+z.2f}° ± {1.96 * line['pitch_sd_deg']:z.2f}°"
    sky = (
        f"sky not measured ({line['sky_note']})"
        if line["sky_fraction"] is None
        else f"sky {line['sky_fraction']:z.1%} ± {1.96 * line['sky_sd']:z.1%}"
    )
    dirt = (
        f"dirt not measured ({line['dirt_note']})"
        if line["dirt_probability"] is None
        else f"{line['dirt_cause']} (dirt probability {line['dirt_probability']:z.0%})"
    )
    return f"{line['file']}: {pose}; {sky}; {dirt}; angle of view {line['hfov_deg']:z.1f}° {line['hfov_source']}"


def compare_sentence(line: Line) -> str:
    """One comparison for a person."""
    if line["error"]:
        return str(line["error"])
    head = f"{line['today']} against {line['reference']}: "
    if line["same_view_probability"] is None:
        return head + f"not compared ({line['note']})" + (
            "" if line["dirt_probability"] is None else f"; {line['dirt_cause']} (dirt probability {line['dirt_probability']:z.0%})")
    parts = [f"same view with probability {line['same_view_probability']:z.0%}"]
    if line["pan_change_deg"] is not None:
        parts.append(
            f"turned {line['pan_change_deg']:+z.2f}° right, {line['pitch_change_deg']:+z.2f}° up, "
            f"{line['roll_change_deg']:+z.2f}° clockwise"
        )
    if line["zoom_ratio"] is not None and abs(line["zoom_ratio"] - 1) > 1.96 * line["zoom_ratio_sd"] + 0.005:
        parts.append(f"zoomed {line['zoom_ratio'] - 1:+z.1%}")
    if line["contrast_ratio"] is not None:
        parts.append(f"local contrast {line['contrast_ratio']:z.2f} of the reference's")
    if line["dirt_probability"] is not None:
        parts.append(f"{line['dirt_cause']} (dirt probability {line['dirt_probability']:z.0%})")
    return head + "; ".join(parts)


def match_sentence(line: Line) -> str:
    """One placed photo for a person."""
    if line["error"]:
        return str(line["error"])
    why = f" ({'; '.join(line['evidence'][:3])})" if line["evidence"] else ""
    if line["decision"] == "placed":
        return f"{line['photo']}: {line['camera']}, {line['role']}, probability {line['probability']:z.1%}{why}"
    if line["decision"] == "unmatched":
        return f"{line['photo']}: belongs to no camera, probability {line['probability']:z.1%}{why}"
    best = ", ".join(f"{a['camera'] or 'no camera'} {a['probability']:z.0%}" for a in line["alternatives"][:2])
    return f"{line['photo']}: uncertain, {best}{why}"


def plan_sentence(plan: Path, site: Site, said: int) -> str:
    """How many cameras of a plan can be used, and which wait."""
    count = len(site.cameras) + len(site.waiting)
    if not count:
        return f"{plan.name}: no camera yet."
    cameras = f"{plan.name}: {count} camera{'s' if count != 1 else ''}"
    if not site.waiting:
        return f"{cameras}, {'nothing found' if not said else 'all can be used'}."
    names = ", ".join(w.camera for w in site.waiting[:_NAMED]) + (" …" if len(site.waiting) > _NAMED else "")
    verb = "waits" if len(site.waiting) == 1 else "wait"
    return f"{cameras}, {len(site.cameras)} can be used; {len(site.waiting)} {verb} for an answer: {names}."


def geometry_sentence(line: Line) -> str:
    """One camera's planned picture for a person."""
    horizon = "no horizon in view" if line["horizon_row_px"] is None else f"horizon at row {line['horizon_row_px']:z.0f}"
    near = "no ground in view" if line["nearest_ground_m"] is None else f"ground from {line['nearest_ground_m']:z.1f} m"
    targets = "; ".join(_target_sentence(t) for t in line["targets"])
    return f"{line['camera']}: {horizon}, {near}, open sky {line['open_sky_fraction']:z.0%}. {targets}"


def _target_sentence(target: Line) -> str:
    if not target["in_frame"]:
        return f"{target['target']}: outside the picture"
    need = (
        ""
        if target["required_px_per_m"] is None
        else f", {target['required_px_per_m']:g} required ({'met' if target['met'] else 'not met'})"
    )
    return f"{target['target']} at {target['distance_m']:z.1f} m: {target['px_per_m']:z.0f} px/m{need}"


def verdict_line(verdict: Verdict, visit: int) -> Line:
    """The contract's ``visit`` and ``show`` line."""
    findings = []
    for finding in verdict.findings:
        line = asdict(finding)
        line["remedy"] = finding.remedy.action if finding.remedy is not None else None
        line["remedy_detail"] = asdict(finding.remedy) if finding.remedy is not None else None
        line.pop("camera")
        findings.append(line)
    return {
        "camera": verdict.camera,
        "visit": visit,
        "state": verdict.state,
        "findings": findings,
        "photos": list(verdict.photos),
    }


def verdict_sentence(verdict: Verdict) -> str:
    """One camera's state for a person, with what stands against it."""
    against = [f for f in verdict.findings if f.state in ("defect", "to check")]
    unseen = [f for f in verdict.findings if f.state == "not verified"]
    lines = [f"{verdict.camera}: {verdict.state}"]
    for finding in (*against, *unseen):
        lines.append(f"  {finding.check} [{finding.state}] {finding.why}")
        if finding.remedy is not None:
            lines.append(f"    -> {finding.remedy.action}")
    return "\n".join(lines)


def unproven_line(item: Unproven) -> Line:
    """One check that is not verified."""
    return asdict(item) | {"due": None if item.due is None else item.due.isoformat()}


def opened_sentence(logbook: str, cameras: int) -> str:
    """That a logbook is open, and what comes next."""
    return f"{logbook}: logbook of {cameras} cameras is open; next: photo-audit visit {logbook} PHOTOS --kind commissioning"


def refused_sentence(name: str, sentence: str) -> str:
    """Why a file was refused, with its name."""
    return sentence if name in sentence else f"{name}: {sentence}"


def visit_sentence(summary: VisitSummary) -> str:
    """What a visit brought."""
    visit = summary.visit
    states = ", ".join(f"{n} {state}" for state, n in summary.states.items())
    return f"visit {visit.number} ({visit.kind}, {visit.on}): {summary.photos} photos, {len(summary.refused)} refused; {states}"


def trip_sentences(trip: Trip) -> Iterator[str]:
    """A crew's trip for a person: stops in walking order, then what to bring."""
    if not trip.stops:
        yield "Nothing asks for a trip."
        return
    for number, stop in enumerate(trip.stops, 1):
        yield f"Stop {number}: {', '.join(stop.cameras)} ({stop.east_m:z.0f} m east, {stop.north_m:z.0f} m north)"
        for task in stop.tasks:
            yield f"  {task.camera} [{task.state}] {', '.join(task.checks)}: {task.action}"
            if task.field_check:
                yield f"    to see that it is right: {task.field_check}"
        for caution in stop.cautions:
            yield f"  caution: {caution}"
    bring = [*(f"{count} x {part}" for part, count in trip.parts), *trip.bring_always]
    yield f"Bring: {'; '.join(bring)}. Walk: {trip.walk_m:z.0f} m."


def collect_line(entry: Entry, address: str) -> Line:
    """One camera that was asked: ``camera, address, light, shot, at, file, reason, error`` and what it said of itself."""
    facts = {} if entry.facts is None else asdict(entry.facts)
    told = ("serial", "maker", "model", "firmware", "hardware_address", "name", "width_px", "height_px", "codec")
    clock = ("clock_offset_s", "clock_sd_s", "time_zone", "certificate")
    return {
        "camera": entry.camera,
        "address": address,
        "light": entry.light,
        "shot": entry.shot,
        "at": entry.at,
        "file": entry.file,
        "reason": entry.reason,
        **{name: facts.get(name) for name in (*told, *clock)},
        "error": entry.message,
    }


def no_address_line(camera: str, sentence: str) -> Line:
    """A camera whose address can't be used."""
    return {"camera": camera, "address": None, "file": None, "reason": "no address", "error": sentence}


def collect_sentence(entry: Entry) -> str:
    """One camera that was asked, for a person."""
    if entry.file is None:
        return entry.message or f"{entry.camera}: no picture."
    return f"{entry.camera}: {entry.file}"


def collected(pictures: int, silent: int, visit: int) -> str:
    """How a collection went."""
    without = f", {silent} camera{'s' if silent != 1 else ''} without" if silent else ""
    return f"visit {visit}: {pictures} picture{'s' if pictures != 1 else ''} collected{without}."


def waiting_for_dark(left_s: float) -> str:
    """How long it still waits."""
    return f"waiting {left_s / 60:z.0f} min for darkness at the site"


def turn_now(number: int, left_s: float) -> str:
    """That the cameras are to be turned, before a picture from while they are."""
    return f"turn each camera a little (some degrees, about its own joint); picture {number} follows in {left_s:z.0f} s"


#: After Ctrl-C, where memory ends, and after the demo's devices.
STOPPED = "Stopped; run the same command again to go on."
OUT_OF_MEMORY = "Memory ran out; use fewer --workers or smaller pictures."
DEVICES_GONE = "The devices are gone."


def kept_sentence(subject: str, what: str, visit: int, now: str) -> str:
    """What a person said and where it is kept, with the camera's state as it counts now."""
    return f"{subject}: {what} kept with visit {visit}; {now}."


def not_kept_sentence(camera: str, check: str, why: object) -> str:
    """What a person said of a list, and why it is not kept."""
    return f"{camera}, {check}: {why}"


def taken_back_sentence(camera: str, check: str, by: str, now: str) -> str:
    """That the last word on a finding no longer counts."""
    return f"{camera}, {check}: the last word is taken back by {by}; {now}."


def waits_sentence(camera: str, check: str, visit: int) -> str:
    """That sign-off waits."""
    return f"{camera}, {check}: sign-off of visit {visit} waits for it."


def answers_sentence(file: Path, taken: int, count: int) -> str:
    """How many of the crew's answers were taken in."""
    return f"{file.name}: {taken} of {count} answers taken in."


def waiting_sentence(camera: WaitingCamera) -> str:
    """A camera of the plan that can't be judged yet."""
    return f"{camera.camera} waits: {'; '.join(camera.reasons)}"


def problem_sentence(problem: PlanProblem) -> str:
    """One thing that is wrong in a plan."""
    return f"{problem.severity}: {problem.sentence()}"


def unusable_plan_sentence(plan: Path) -> str:
    """Where no camera could be read."""
    return f"{plan.name}: can't be used as it stands; correct the errors above."


def fixed_plan_sentence(plan: Path) -> str:
    """Where guesses were taken."""
    return f"{plan}: written with the guesses taken; look through them above."


def imported_plan_sentence(plan: Path) -> str:
    """After a drawing's cameras were written as a plan."""
    return f"{plan}: written; fill in what the drawing doesn't tell, then: photo-audit plan check {plan}"


def template_sentence(plan: Path) -> str:
    """After an empty plan was written."""
    return f"{plan}: fill in a row a camera, then: photo-audit plan check {plan}"


def boards_sentence(file: Path, pages: int, paper: str) -> str:
    """After boards were drawn."""
    return f"{file}: {pages} board{'s' if pages > 1 else ''} on {paper}; print at 100 % and check the ruler."


_PACKAGES = {
    None: "Packages are written in the language that --language names, in English without it.",
    "en": "Packages are written in English, unless --language names another language.",
    "de": "Packages are written in German, unless --language names another language.",
    "fr": "Packages are written in French, unless --language names another language.",
}
NO_DRAWING = "No floor has a drawing; put one there with: photo-audit drawing LOGBOOK FILE --by NAME"


def drawing_line(record: DrawingRecord) -> dict[str, Any]:
    """A drawing as JSON."""
    assert record.drawing is not None
    placed = record.drawing.placed
    return {
        "floor": record.floor,
        "drawing": record.name,
        "visit": record.visit,
        "width_px": record.drawing.width_px,
        "height_px": record.drawing.height_px,
        "page": record.drawing.page,
        "placed_by": placed.how,
        "grid": placed.grid or None,
        "residual_m": placed.residual_m,
        "residual_note": placed.residual_note,
        "position_sd_m": placed.sd_m,
        "metres_per_px": placed.metres_per_px,
        "turned_deg": placed.turned_deg,
        "points": [asdict(point) for point in placed.points],
    }


def drawing_sentence(record: DrawingRecord) -> str:
    """Which drawing lies under a floor, and how well."""
    assert record.drawing is not None
    placed = record.drawing.placed
    where = f"floor {record.floor}: " if record.floor else ""
    size = f"1 pixel is {placed.metres_per_px:z.3f} m, up is {placed.turned_deg:z.1f}° from north"
    if placed.how == "georeference":
        how = f"placed by its coordinates ({placed.grid}), to {max(placed.residual_m or 0.0, 0.001):z.3f} m"
    elif placed.residual_m is None:
        how = f"placed by 2 points; {placed.residual_note}"
    else:
        off = ", ".join(f"{p.name} {p.off_m:z.2f} m" for p in sorted(placed.points, key=lambda p: -(p.off_m or 0.0)))
        how = f"placed by {len(placed.points)} points, residual {placed.residual_m:z.2f} m ({off})"
    doubt = "" if placed.sd_m is None else f"; its corners are known to ± {1.96 * placed.sd_m:z.1f} m (95 %)"
    waits = " It waits for the next visit." if record.visit is None else ""
    return f"{where}{record.name}: {how}; {size}{doubt}.{waits}"


def settings_line(language: str | None) -> Line:
    """What a logbook keeps for all its visits, as JSON."""
    return {"package_language": language}


def package_language_sentence(language: str | None) -> str:
    """In which language packages are written."""
    return _PACKAGES.get(language, _PACKAGES[None])


def drawing_gone_sentence(floor: str) -> str:
    """After a drawing was taken away."""
    return f"{f'Floor {floor}' if floor else 'The site'} has no drawing from this visit on."


def pointed_sentence(verdict: Verdict) -> str:
    """A camera after something was pointed out in its picture."""
    pan = next((f for f in verdict.findings if f.check == "pan"), None)
    return f"{verdict.camera}: {verdict.state}" + (f"; pan {pan.state}: {pan.why}" if pan is not None else "")


def signed_sentence(visit: int, by: str, record_sha256: str, fingerprint: str, logbook: str) -> str:
    """After a visit was signed: the record, the key, and what to do with its fingerprint."""
    return (
        f"visit {visit} is signed by {by}: record {record_sha256}\n"
        f"key fingerprint: {fingerprint}\n"
        f"Give the fingerprint to whoever will check: photo-audit verify {logbook} --fingerprint …"
    )


def kept_elsewhere_sentence(file: Path) -> str:
    """What to do with a witness."""
    return f"{file}: keep it, or mail it, where nobody who holds the logbook can change it."


def witness_sentence(file: Path, visits: int, logbook: str) -> str:
    """After a witness was written."""
    return f"{file}: {visits} signed visit{'s' if visits != 1 else ''}; check later with: photo-audit verify {logbook} --witness {file}"


def stamp_request_sentence(file: Path) -> str:
    """What to do with a request for a time stamp."""
    return f"{file}: send it to a time stamp authority as application/timestamp-query, and keep its answer with --answer."


def stamped_sentence(visit: int, at: datetime, authority: str) -> str:
    """What a time stamp proves."""
    return f"visit {visit} existed at {at:%Y-%m-%d %H:%M:%S} UTC, says '{authority}'."


def new_key_sentence(fingerprint: str) -> str:
    """After the key was changed."""
    return f"new key fingerprint: {fingerprint}"


def package_sentence(folder: Path, files: int) -> str:
    """After a package was written."""
    return f"{folder}: {files} files are written; check them with: photo-audit verify {folder}"


def archive_sentence(archive: Path) -> str:
    """After a logbook was exported."""
    return f"{archive}: holds the whole logbook; bring it back with: photo-audit import {archive} LOGBOOK"


def imported_sentence(logbook: str) -> str:
    """After a logbook was brought back."""
    return f"{logbook}: the logbook is here; check it with: photo-audit verify {logbook}"


def demo_sentence(folder: Path) -> str:
    """How to look at the demo."""
    return f"Worst first:  photo-audit show {folder / 'logbook'}\nIn a browser: photo-audit open {folder / 'logbook'}"


def devices_sentence(devices: int, folder: Path, table: Path, passwords: Path) -> str:
    """How to fetch from the demo's devices."""
    return (
        f"{devices} devices answer on this machine until you press Ctrl+C. In another terminal:\n"
        f"photo-audit start {folder / 'devices-logbook'} --plan {folder / 'plan.csv'}\n"
        f"photo-audit collect {folder / 'devices-logbook'} --kind commissioning --cameras {table} --credentials {passwords}"
    )

"""Plan and measurement to findings: each a probability that the camera is out of its limits, and what follows."""

from __future__ import annotations

from dataclasses import replace

from audit.judge import remedies
from audit.judge.bracket import bracket_findings
from audit.judge.device import device_findings
from audit.judge.evidence import CameraEvidence, Doubt, Exchange
from audit.judge.finding import Finding, Remedy, Verdict, in_order, state_of_all
from audit.judge.glass import glass_findings, night_findings, worst_per_check
from audit.judge.intended import Intended, intended_pose
from audit.judge.limits import Limits
from audit.judge.plan_itself import plan_findings
from audit.judge.pose import pose_findings
from audit.judge.reference import reference_findings
from audit.judge.turned import turned_findings
from audit.judge.written import one_finding_a_check, written_findings
from audit.match.roles import lacking_shots
from audit.plan.model import Camera, WaitingCamera

__all__ = ["MAY_BE_OF", "Intended", "intended_pose", "judge_camera", "waiting_verdict"]

#: Key under which a finding keeps the cameras whose picture it may be about.
MAY_BE_OF = "may_be_of"
_SHOTS = {"label": "rating label", "wide view": "wide view", "bracket": "bracket close-up"}


def judge_camera(camera: Camera, evidence: CameraEvidence, limits: Limits) -> Verdict:
    """Every check of one camera, worst first.

    Returns
    -------
    Verdict
        Its state is the worst among the findings; ``not verified`` where nothing decided against the camera but
        something that the plan asks for was not seen (a missing crew photo alone does not make it so).
    """
    findings = _present(camera, evidence)
    of_its_place = pose_findings(camera, evidence, limits) + turned_findings(camera, evidence, limits)
    of_its_place += reference_findings(camera, evidence, limits)
    stream = _stream(camera, evidence)
    if evidence.exchange is not None:
        alone = tuple(worst_per_check([*of_its_place, *stream]))
        of_its_place, stream = [_exchanged(camera, evidence, evidence.exchange, alone)], []
    elif evidence.doubt is not None:
        of_its_place = [_first_whose(f, evidence.doubt) for f in of_its_place]
    findings += of_its_place
    findings += glass_findings(camera, evidence, limits)
    findings += night_findings(camera, evidence, limits)
    findings += stream
    told = device_findings(camera, evidence.device, evidence.device_owner, limits, evidence.device_known)
    told += written_findings(camera, evidence.written, evidence.site_time, limits)
    findings += one_finding_a_check(told)
    findings.append(_site_photos(camera, evidence))
    findings += one_finding_a_check([*plan_findings(camera, evidence.plan_errors), *bracket_findings(camera, evidence.brackets)])
    if not evidence.snapshots:
        findings = [_without_picture(f) for f in findings]
    findings = in_order(worst_per_check(findings))
    return Verdict(camera.camera, state_of_all(findings), tuple(findings), tuple(p.photo for p in evidence.placements))


def waiting_verdict(camera: WaitingCamera) -> Verdict:
    """The verdict of a camera whose row of the plan waits for an answer: nothing was judged, and why."""
    why = f"Not judged: its row of the plan waits for an answer: {'; '.join(camera.reasons)}"
    remedy = Remedy("Correct the row in the plan ('photo-audit plan check' says how), and judge the visit again.")
    finding = Finding(camera.camera, "image", "not verified", why, remedy=remedy)
    return Verdict(camera.camera, "not verified", (finding,))


def _without_picture(finding: Finding) -> Finding:
    """Nothing of a camera is as planned that has no picture of its own in the visit."""
    if finding.state != "as planned":
        return finding
    why = f"{finding.why.rstrip('.')}; but no picture from the camera itself is here."
    return replace(finding, state="not verified", why=why)


def _present(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    if evidence.snapshots:
        photo = evidence.snapshots[0].photo
        return [Finding(camera.camera, "image", "as planned", "The camera's own picture is here.", photo=photo)]
    waiting = f" {evidence.uncertain} photos wait to be placed." if evidence.uncertain else ""
    if evidence.no_picture is not None:
        waiting = f" {evidence.no_picture}{waiting}"
    if evidence.placements:
        return [
            Finding(
                camera.camera,
                "image",
                "not verified",
                "Crew photos are here, but no picture from the camera itself." + waiting,
                photo=evidence.placements[0].photo,
            )
        ]
    return [Finding(camera.camera, "image", "not verified", "No photo of this camera was found." + waiting)]


def _exchanged(camera: Camera, evidence: CameraEvidence, exchange: Exchange, alone: tuple[Finding, ...]) -> Finding:
    """One finding for all cameras of an exchange, in place of what each picture alone would say."""
    cameras = exchange.cameras
    names = f"{', '.join(cameras[:-1])} and {cameras[-1]}"
    verb = "are" if exchange.certain else "look"
    why = f"{names} {verb} swapped."
    if len(cameras) > 2:
        lies = "; ".join(f"under {c} the picture of {exchange.source_of(c)}" for c in cameras)
        why = f"{names} {verb} swapped in a ring: {lies}."
    return Finding(
        camera.camera,
        "identity",
        "defect" if exchange.certain else "to check",
        " ".join((why, *exchange.evidence)),
        probability_bad=exchange.probability,
        photo=evidence.snapshots[0].photo if evidence.snapshots else None,
        pair=exchange.source_of(camera.camera),
        remedy=remedies.swap_remedy(cameras, exchange.certain),
        shared=cameras,
        withheld=alone,
    )


def _first_whose(finding: Finding, doubt: Doubt) -> Finding:
    """A repair that waits until somebody has seen whose picture it is."""
    if finding.state != "defect":
        return finding
    partners = " or ".join(doubt.partners)
    why = f"{finding.why} But the picture may be that of {partners} ({doubt.probability:z.0%}): see whose it is before any repair."
    remedy = remedies.first_whose(finding.remedy, finding.camera, doubt.partners)
    return replace(finding, state="to check", why=why, remedy=remedy, evidence={**finding.evidence, MAY_BE_OF: list(doubt.partners)})


def _stream(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    """Whether the snapshots have the size that was planned."""
    if not evidence.snapshots:
        return []
    planned = camera.lens.width_px, camera.lens.height_px
    wanted = f"{planned[0]} × {planned[1]} px"
    other = [s for s in evidence.snapshots if (s.width_px, s.height_px) != planned]
    if not other:
        return [Finding(camera.camera, "stream", "as planned", f"The snapshot has {wanted}, as planned.",
                        photo=evidence.snapshots[0].photo)]  # fmt: skip
    size = f"{other[0].width_px} × {other[0].height_px} px"
    return [
        Finding(
            camera.camera,
            "stream",
            "to check",
            f"The snapshot has {size}, planned {wanted}: another stream, rotated, or a copy.",
            measured=other[0].width_px,
            planned=planned[0],
            unit="px",
            photo=other[0].photo,
            remedy=remedies.stream_remedy(camera),
        )
    ]


def _site_photos(camera: Camera, evidence: CameraEvidence) -> Finding:
    """Which of the crew's photos are here.

    Comparing the parts in the bracket close-up with the plan is left to a person, and so is telling a wide view from a
    bracket close-up where nothing in the file does: as many photos of unknown role stand for as many shots.
    """
    roles = [p.role for p in evidence.placements]
    missing, by_look = ((), ()) if evidence.maintenance else lacking_shots(roles)
    if evidence.maintenance:
        why = "A maintenance visit needs the camera's own pictures alone."
    elif missing:
        why = f"Missing photos: {', '.join(_SHOTS[role] for role in missing)}."
    else:
        why = "Rating label, wide view and bracket close-up: received."
    if by_look:
        shots = ", ".join(_SHOTS[role] for role in by_look)
        untold = roles.count("unknown")
        why += f" {untold} photo{'s' if untold > 1 else ''} to sort by eye ({shots})."
    if camera.mount.parts and ("bracket" in roles or "bracket" in by_look):
        why += f" Compare the mounting with the plan: {camera.mount}."
    return Finding(camera.camera, "photos", "not verified" if missing else "as planned", why)

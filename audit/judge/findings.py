"""Plan and measurement to findings: each a probability that the camera is out of its limits, and what follows."""

from __future__ import annotations

from audit.judge import remedies
from audit.judge.evidence import CameraEvidence
from audit.judge.finding import STATES, Finding, State, Verdict
from audit.judge.glass import glass_findings, night_findings, worst_per_check
from audit.judge.intended import Intended, intended_pose
from audit.judge.limits import Limits
from audit.judge.pose import pose_findings
from audit.judge.reference import reference_findings
from audit.match.roles import lacking_shots
from audit.plan.model import Camera

__all__ = ["Intended", "intended_pose", "judge_camera"]

_SHOTS = {"label": "label with serial", "overview": "overview with surroundings", "mount": "mount close-up"}


def judge_camera(camera: Camera, evidence: CameraEvidence, limits: Limits) -> Verdict:
    """Every check of one camera, worst first.

    Returns
    -------
    Verdict
        Its state is the worst among the findings; ``no evidence`` where nothing decided against the camera but
        something that the plan asks for was not seen (a missing crew photo alone does not make it so).
    """
    findings = _present(camera, evidence)
    if evidence.swapped_with is not None:
        findings.append(_swap(camera, evidence, evidence.swapped_with))
    else:
        findings += pose_findings(camera, evidence, limits)
        findings += reference_findings(camera, evidence, limits)
    findings += glass_findings(camera, evidence, limits)
    findings += night_findings(camera, evidence)
    findings.append(_evidence_shots(camera, evidence))
    findings = worst_per_check(findings)
    findings.sort(key=lambda f: (STATES.index(f.state), -(f.probability_bad or 0.0)))
    decisive = [f.state for f in findings if f.check != "evidence" or f.state != "no evidence"]
    state: State = min(decisive, key=STATES.index, default="no evidence")
    return Verdict(camera.camera, state, tuple(findings), tuple(p.photo for p in evidence.placements))


def _present(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    if evidence.snapshots:
        photo = evidence.snapshots[0].photo
        return [Finding(camera.camera, "present", "meets plan", "The camera's own picture is here.", photo=photo)]
    waiting = f" {evidence.unsure} photos wait to be placed." if evidence.unsure else ""
    if evidence.placements:
        return [
            Finding(
                camera.camera,
                "present",
                "no evidence",
                "Crew photos are here, but no picture from the camera itself." + waiting,
                photo=evidence.placements[0].photo,
            )
        ]
    return [Finding(camera.camera, "present", "no evidence", "No photo of this camera was found." + waiting)]


def _swap(camera: Camera, evidence: CameraEvidence, other: str) -> Finding:
    snapshot = evidence.snapshots[0].photo if evidence.snapshots else None
    certain = evidence.swap_certain
    verb = "lie" if certain else "seem to lie"
    why = f"The pictures of {camera.camera} and {other} {verb} on each other's record. " + " ".join(
        evidence.swap_evidence
    )
    return Finding(
        camera.camera,
        "aim",
        "put right" if certain else "look again",
        why.strip(),
        probability_bad=0.99 if certain else 0.8,
        photo=snapshot,
        pair=other,
        remedy=remedies.swap_remedy(camera, other),
    )


def _evidence_shots(camera: Camera, evidence: CameraEvidence) -> Finding:
    """Which of the crew's shots are here, and whether the snapshot is the stream that was planned.

    Comparing the parts in the mount photo with the plan is left to a person, and so is telling an overview from a
    close-up of the mount where nothing in the file does: as many photos of unknown role stand for as many shots.
    """
    roles = [p.role for p in evidence.placements]
    missing, by_look = ((), ()) if evidence.maintenance else lacking_shots(roles)
    if evidence.maintenance:
        why = "The camera's own pictures are what a maintenance visit needs."
    elif missing:
        why = f"Missing shots: {', '.join(_SHOTS[role] for role in missing)}."
    else:
        why = "Label, overview and mount photos are here."
    if by_look:
        shots = " and ".join(_SHOTS[role] for role in by_look)
        untold = roles.count("unknown")
        why += f" Which of {untold} photo{'s' if untold > 1 else ''} shows the {shots} is for a person to see."
    if camera.mount.parts and ("mount" in roles or "mount" in by_look):
        why += f" Compare the mount with the plan: {camera.mount}."
    planned = camera.lens.width_px, camera.lens.height_px
    other = [s for s in evidence.snapshots if (s.width_px, s.height_px) != planned]
    if other:
        size = f"{other[0].width_px} × {other[0].height_px}"
        return Finding(
            camera.camera,
            "evidence",
            "look again",
            f"The snapshot has {size} px, planned {planned[0]} × {planned[1]}: another stream, turned, or a copy. {why}",
            measured=other[0].width_px,
            planned=planned[0],
            unit="px",
            photo=other[0].photo,
            remedy=remedies.stream_remedy(camera),
        )
    return Finding(camera.camera, "evidence", "no evidence" if missing else "meets plan", why)

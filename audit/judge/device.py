"""What a camera says of itself, against the plan: identity, name, clock, and the size of its stream."""

from __future__ import annotations

from audit.judge import remedies
from audit.judge.chances import outside, state_of
from audit.judge.clock import CLOCK_REMEDY, cause_of, span
from audit.judge.evidence import NOTHING_ELSE, DeviceKnown
from audit.judge.finding import Finding, Remedy
from audit.judge.limits import Limits
from audit.photos.device import DeviceFacts
from audit.plan.model import Camera, bare_id

__all__ = ["device_findings"]

_TWO_SIDED_95 = 1.96


def device_findings(
    camera: Camera, facts: DeviceFacts | None, owner: str | None, limits: Limits, known: DeviceKnown = NOTHING_ELSE
) -> list[Finding]:
    """Findings from a device's description of itself; none where it was not asked.

    Parameters
    ----------
    owner : str or None
        The camera of the plan that the told serial is planned for.
    known : DeviceKnown
        Other devices with that serial, and what this camera's device said before.
    """
    if facts is None:
        return []
    return [*_identity(camera, facts, owner, known), *_name(camera, facts), *_clock(camera, facts, limits), *_stream(camera, facts)]


def _identity(camera: Camera, facts: DeviceFacts, owner: str | None, known: DeviceKnown) -> list[Finding]:
    if facts.serial is None:
        return []
    told = f"The device says it is {_kind(facts)} with serial {facts.serial}"
    if not camera.serial:
        return _unplanned(camera, told, facts.serial, known)
    if bare_id(facts.serial) == bare_id(camera.serial):
        return [Finding(camera.camera, "identity", "as planned", f"{told}, as planned.", probability_bad=0.0)]
    why = f"{told}; planned is {camera.serial}."
    if owner is not None and owner != camera.camera:
        why += f" That serial is planned for {owner}."
    if known.others:
        why += f" The device of {', '.join(known.others)} tells the same one."
    return [Finding(camera.camera, "identity", "defect", why, probability_bad=1.0, remedy=remedies.identity_remedy(camera, owner))]


def _unplanned(camera: Camera, told: str, serial: str, known: DeviceKnown) -> list[Finding]:
    """Without a planned serial: what can't be right, or was another device before, is looked at; else nothing is said."""
    if known.others:
        why = f"{told}; the device of {', '.join(known.others)} tells the same one: one device answers at both addresses, or it was never set."
    elif known.before is not None and bare_id(known.before) != bare_id(serial):
        why = f"{told}; in visit {known.visit} it was serial {known.before}: the device was exchanged, or the address leads to another."
    else:
        return []
    return [Finding(camera.camera, "identity", "to check", why, probability_bad=0.5, remedy=remedies.identity_remedy(camera, None))]


def _kind(facts: DeviceFacts) -> str:
    return " ".join(part for part in (facts.maker, facts.model) if part) or "a device"


def _name(camera: Camera, facts: DeviceFacts) -> list[Finding]:
    """The name that is set in the device holds the camera's id or planned name."""
    if facts.name is None:
        return []
    there = bare_id(facts.name)
    if any(bare_id(text) and bare_id(text) in there for text in (camera.camera, camera.name)):
        return [Finding(camera.camera, "name", "as planned", f"The device's name is '{facts.name}'.")]
    wanted = f"{camera.camera} {camera.name}".strip()
    return [
        Finding(
            camera.camera,
            "name",
            "to check",
            f"The device's name is '{facts.name}', planned '{wanted}'.",
            probability_bad=0.5,
            remedy=Remedy(f"Set the name in the device to '{wanted}'.", "The name in the picture and in the recorder is the plan's."),
        )
    ]


def _clock(camera: Camera, facts: DeviceFacts, limits: Limits) -> list[Finding]:
    off, sd = facts.clock_offset_s, facts.clock_sd_s
    if off is None or sd is None:
        return []
    limit = limits.clock.offset_s
    probability = outside(off, sd, -limit, limit)
    state = state_of(probability, limits)
    give = f"± {_TWO_SIDED_95 * sd:z.1f} s"
    if state == "as planned":
        why = f"The device's clock is right within {abs(off):z.1f} s {give}."
        return [Finding(camera.camera, "clock", state, why, off, sd, 0.0, limit, "s", probability)]
    why = f"The device's clock is {span(abs(off))} {'ahead' if off > 0 else 'behind'} ({off:+z.1f} s {give})"
    why += cause_of(off, facts.time_zone)
    return [Finding(camera.camera, "clock", state, f"{why}.", off, sd, 0.0, limit, "s", probability, remedy=CLOCK_REMEDY)]


def _stream(camera: Camera, facts: DeviceFacts) -> list[Finding]:
    """The largest picture that the device is set to give."""
    if facts.width_px is None or facts.height_px is None:
        return []
    lens = camera.lens
    codec = f" ({facts.codec})" if facts.codec else ""
    there = f"The device's largest stream has {facts.width_px} × {facts.height_px} px{codec}"
    if (facts.width_px, facts.height_px) == (lens.width_px, lens.height_px):
        return [Finding(camera.camera, "stream", "as planned", f"{there}, as planned.")]
    return [
        Finding(
            camera.camera,
            "stream",
            "to check",
            f"{there}; planned {lens.width_px} × {lens.height_px}.",
            float(facts.width_px),
            None,
            float(lens.width_px),
            unit="px",
            probability_bad=0.5,
            remedy=Remedy(
                f"Set the main stream to {lens.width_px} × {lens.height_px} px, or correct the plan.",
                "The file's size in pixels is the plan's.",
            ),
        )
    ]

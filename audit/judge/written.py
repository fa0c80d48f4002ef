"""What is burnt into the camera's own pictures, against the plan and against other clocks: name and time.

The order of day and month is learnt over the site: a date that can be read two ways counts only where at least two
cameras show which way is meant.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, tzinfo

from audit.judge.chances import outside, state_of
from audit.judge.clock import CLOCK_REMEDY, UNSET_BEHIND_S, cause_of, span
from audit.judge.finding import Finding, Remedy
from audit.judge.limits import Limits
from audit.photos.dates import Order, WrittenTime
from audit.plan.model import Camera

__all__ = ["SiteTime", "Written", "one_finding_a_check", "site_time", "written_findings"]

_TWO_SIDED_95 = 1.96
#: Cameras that must show how a date is meant, and the share of them that must agree (our defaults).
_LEAST_CAMERAS, _AGREE = 2, 0.75
#: A reading this near to another clock is taken as meant, when the order is learnt.
_NEAR = timedelta(days=1)
#: Between the moment a camera is asked and the one its picture shows; and between two clocks that are cut to whole seconds.
_ASKED_SD_S, _WHOLE_SECONDS_SD_S = 1.5, 0.5
#: A clock without seconds can be right by as much as this and no better.
_HALF_MINUTE_S = 30.0


@dataclass(frozen=True, slots=True)
class Written:
    """What is burnt into one of the camera's own pictures.

    Attributes
    ----------
    text : str
        The text beside the clock, as it was read; empty where there is none.
    names : str or None
        The one camera of the plan that the text names.
    with_clock : bool
        A clock in letters of about the same height stands there too: the text is the camera's and not the scene's.
    times : tuple of WrittenTime
        Every reading of the date and time.
    own_time : datetime or None
        Capture time that the file gives, with a time zone or without.
    asked_at : datetime or None
        When the camera was asked for it, in UTC, by the collecting machine's clock.
    """

    photo: str
    text: str = ""
    names: str | None = None
    with_clock: bool = False
    times: tuple[WrittenTime, ...] = ()
    own_time: datetime | None = None
    asked_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class SiteTime:
    """What is known of time over the whole site.

    Attributes
    ----------
    zone : tzinfo or None
        In force where the site is; None where the plan has no position on the earth.
    day : date or None
        Of the visit.
    order : Order or None
        In which its cameras write day and month; None where too few show it.
    cameras : int
        How many show that.
    """

    zone: tzinfo | None = None
    day: date | None = None
    order: Order | None = None
    cameras: int = 0


def site_time(written: Mapping[str, Sequence[Written]], zone: tzinfo | None, day: date | None) -> SiteTime:
    """Learns the order of day and month from the cameras whose dates can be read in one way, or whose file settles it."""
    known = SiteTime(zone, day)
    votes = Counter(order for of_camera in written.values() if (order := _shown_order(of_camera, known)) is not None)
    order, agree = votes.most_common(1)[0] if votes else (None, 0)
    learnt = agree >= _LEAST_CAMERAS and agree >= _AGREE * votes.total()
    return SiteTime(zone, day, order, agree) if learnt else known


def _shown_order(written: Iterable[Written], site: SiteTime) -> Order | None:
    """The order of one camera's dates by themselves, or by another clock that is near one reading alone."""
    found: set[Order] = set()
    for one in written:
        possible = [t for t in one.times if not t.plain]
        if len(possible) > 1 and (then := _references(one, site)):
            possible = [t for t in possible if any(abs(t.moment - moment) <= _NEAR for moment, _, _ in then)]
        if len(possible) == 1:
            found.add(possible[0].order)
    return found.pop() if len(found) == 1 else None


def written_findings(camera: Camera, written: Sequence[Written], site: SiteTime, limits: Limits) -> list[Finding]:
    """Findings on the name and the clock that stand in the camera's own pictures; none where none stand there."""
    found = [*_names(camera, written), *(f for one in written for f in _clock(camera, one, site, limits))]
    return one_finding_a_check(found)


def one_finding_a_check(findings: Iterable[Finding]) -> list[Finding]:
    """Findings of several sources, one for each check: the worst that was seen, with what the others say after it."""
    order = ("defect", "to check", "as planned", "not verified")
    found: dict[str, list[Finding]] = {}
    for finding in findings:
        found.setdefault(finding.check, []).append(finding)
    return [_one(sorted(same, key=lambda f: order.index(f.state))) for same in found.values()]


def _one(same: Sequence[Finding]) -> Finding:
    photo = next((finding.photo for finding in same if finding.photo is not None), None)
    return replace(same[0], why=" ".join(dict.fromkeys(finding.why for finding in same)), photo=photo)


def _names(camera: Camera, written: Sequence[Written]) -> Iterator[Finding]:
    for one in written:
        if one.names == camera.camera:
            yield Finding(camera.camera, "name", "as planned", f"The picture shows the name '{one.text}'.", photo=one.photo)
        elif one.names is not None:
            yield _anothers(camera, one, one.names)
        elif one.text and one.with_clock:
            wanted = f"{camera.camera} {camera.name}".strip()
            why = f"The picture shows the name '{one.text}', planned '{wanted}'."
            remedy = Remedy(f"Set the name in the device to '{wanted}'.", "The name in the picture and in the recorder is the plan's.")
            yield Finding(camera.camera, "name", "to check", why, probability_bad=0.5, photo=one.photo, remedy=remedy)


def _anothers(camera: Camera, one: Written, other: str) -> Finding:
    return Finding(
        camera.camera,
        "name",
        "defect" if one.with_clock else "to check",
        f"The picture that lies under {camera.camera} shows the name of {other}: '{one.text}'.",
        probability_bad=1.0 if one.with_clock else 0.5,
        photo=one.photo,
        remedy=Remedy(
            f"See whose picture it is: swap the names (or ports) of {camera.camera} and {other} if theirs are exchanged, "
            f"else set the name in the device.",
            "The name in the picture is that of the camera that takes it.",
        ),
    )


def _references(one: Written, site: SiteTime) -> list[tuple[datetime, float, str]]:
    """What other clocks say of the moment, as local time without zone, with its sd in seconds and whose clock it is; the
    surest first."""
    found = []
    if one.asked_at is not None and site.zone is not None:
        asked = one.asked_at.astimezone(site.zone).replace(tzinfo=None)
        found.append((asked, _ASKED_SD_S, "the collecting computer's clock"))
    if one.own_time is not None:
        aware = one.own_time.tzinfo is not None and site.zone is not None
        own = one.own_time.astimezone(site.zone) if aware else one.own_time
        found.append((own.replace(tzinfo=None), _WHOLE_SECONDS_SD_S, "the time inside the file"))
    return found


def _clock(camera: Camera, one: Written, site: SiteTime, limits: Limits) -> Iterator[Finding]:
    if not one.times:
        return
    references = _references(one, site)
    meant, doubt = _meant(one, site)
    shown = _shown(one, meant)
    if site.day is not None and all((site.day - t.moment.date()).total_seconds() > UNSET_BEHIND_S for t in one.times):
        why = f"{shown}, years before the visit: the clock was never set."
        yield Finding(camera.camera, "clock", "defect", why, probability_bad=1.0, photo=one.photo, remedy=CLOCK_REMEDY)
    elif doubt:
        why = f"{shown} or {doubt:%Y-%m-%d}: the order of day and month is not known, as too few cameras of the site show it."
        yield Finding(camera.camera, "clock", "not verified", why, photo=one.photo)
    elif not references:
        why = f"{shown}; no other clock says when it was taken."
        yield Finding(camera.camera, "clock", "not verified", why, photo=one.photo)
    else:
        yield _against(camera, one, meant, site, limits)


def _meant(one: Written, site: SiteTime) -> tuple[WrittenTime, datetime | None]:
    """The reading that counts, and another day that it could be as well."""
    by_site = [t for t in one.times if t.order == site.order]
    if by_site or len({t.moment for t in one.times}) == 1:
        return (by_site or one.times)[0], None
    return one.times[0], one.times[1].moment


def _against(camera: Camera, one: Written, meant: WrittenTime, site: SiteTime, limits: Limits) -> Finding:
    """The clock against the surest other one."""
    then, sd, whose = _references(one, site)[0]
    off, limit = _off_s(meant, then), limits.clock.picture_s + (0.0 if meant.seconds else _HALF_MINUTE_S)
    probability = outside(off, sd, -limit, limit)
    found = Finding(camera.camera, "clock", state_of(probability, limits), "", off, sd, 0.0, limit, "s", probability, photo=one.photo)
    both = f"{_shown(one, meant)}, {whose} {then:%Y-%m-%d %H:%M:%S}"
    other_way = [t for t in one.times if t != meant and abs(_off_s(t, then)) <= max(limit, 3 * sd)]
    if found.state == "as planned" and _like_the_site(meant, site):
        return replace(found, why=f"{both}: right within {abs(off):z.0f} s ± {_TWO_SIDED_95 * sd:z.0f} s.")
    if found.state == "as planned" or other_way:
        return _other_order(found, both, (other_way or [meant])[0].order, site)
    why = f"{both}: {span(abs(off))} {'ahead' if off > 0 else 'behind'} ({off:+z.0f} s ± {_TWO_SIDED_95 * sd:z.0f} s){cause_of(off)}."
    return replace(found, why=why, remedy=CLOCK_REMEDY)


def _shown(one: Written, meant: WrittenTime) -> str:
    return f"The picture shows {meant.moment:%Y-%m-%d %H:%M:%S}" + ("" if one.text else " and no name")


def _other_order(found: Finding, both: str, odd: Order, site: SiteTime) -> Finding:
    """Right, if day and month stand the other way round than on the site's other cameras."""
    why = (
        f"{both}: this camera seems to write the date with the {odd}, {site.cameras} others of the site with the {site.order}; "
        f"its days will be taken for months."
    )
    remedy = Remedy(
        f"Set the date in the picture to the {site.order}, as on the site's other cameras.",
        "Two cameras side by side show the same date in the same way.",
    )
    return replace(found, state="to check", why=why, probability_bad=0.5, remedy=remedy)


def _off_s(shown: WrittenTime, then: datetime) -> float:
    """How far the clock is ahead; the middle of the minute where it shows no seconds."""
    middle = 0.0 if shown.seconds else _HALF_MINUTE_S
    return (shown.moment - then).total_seconds() + middle


def _like_the_site(meant: WrittenTime, site: SiteTime) -> bool:
    """Whether day and month stand as on the site's other cameras, or can't be mistaken."""
    return site.order is None or meant.plain or meant.order == site.order


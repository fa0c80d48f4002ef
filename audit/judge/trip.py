"""All remedies of a visit as one trip: where the ladder goes, in which order, and what to bring."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.judge.finding import STATES, Check, State, Verdict
from audit.plan.model import Camera, Site

__all__ = ["Stop", "Task", "Trip", "plan_trip", "walking_order"]

#: Cameras within this reach of each other hang at one ladder position (our default: arm's reach on both sides).
ONE_LADDER_M = 1.5
#: What a crew takes along on any trip (common practice, no source).
ALWAYS = ("secured ladder or platform", "tools for the mounts", "paint pen to mark joints", "cone", "this list")
FloatArray = NDArray[np.float64]

_WORK: tuple[State, ...] = ("defect", "to check")
_ANGLES: tuple[Check, ...] = ("aim", "level", "sky", "target", "movement")
_IMPROVING_ROUNDS = 200


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do at a camera.

    Attributes
    ----------
    checks : tuple of str
        Checks that it settles; several findings with one remedy are one task.
    """

    camera: str
    checks: tuple[Check, ...]
    state: State
    action: str
    field_check: str | None
    parts: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """One ladder position: the cameras reached from it, and what to do there, worst first.

    Attributes
    ----------
    east_m, north_m, height_m : float
        Middle of its cameras in local metres; the highest of them.
    tasks : tuple of Task
    cautions : tuple of str
        All that apply here, each once.
    """

    cameras: tuple[str, ...]
    east_m: float
    north_m: float
    height_m: float
    tasks: tuple[Task, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Trip:
    """The stops in walking order, the parts to bring with their number, and the way's length in metres."""

    stops: tuple[Stop, ...]
    parts: tuple[tuple[str, int], ...]
    bring_always: tuple[str, ...]
    walk_m: float


def plan_trip(
    site: Site,
    verdicts: Iterable[Verdict],
    *,
    settled: Iterable[tuple[str, Check]] = (),
    start: tuple[float, float] | None = None,
) -> Trip:
    """One trip for the crew through everything that asks for work or a look.

    Parameters
    ----------
    settled : iterable of (camera, check)
        Findings that a reviewer dismissed or tolerated.
    start : (east_m, north_m), optional
        Where the crew begins; the site's first camera without it.

    Notes
    -----
    The order is a nearest-neighbour walk improved by reversing stretches until no reversal shortens it (2-opt). An
    exchange of two cameras' names is listed at the first of the two alone.
    """
    left = set(settled)
    tasks = {v.camera: found for v in verdicts if v.camera in site and (found := _tasks(v, left))}
    groups = _groups([site.camera(name) for name in tasks])
    stops = [_stop(group, tasks) for group in groups]
    if start is None:
        start = (site.cameras[0].east_m, site.cameras[0].north_m) if site.cameras else (0.0, 0.0)
    order, length = _walk(np.array([[s.east_m, s.north_m] for s in stops]).reshape(-1, 2), np.array(start))
    counted: Counter[str] = Counter()
    for stop in stops:
        for task in stop.tasks:
            counted.update(task.parts)
    parts = tuple(sorted(counted.items(), key=lambda item: (-item[1], item[0])))
    return Trip(tuple(stops[i] for i in order), parts, ALWAYS, length)


def _tasks(verdict: Verdict, settled: set[tuple[str, Check]]) -> tuple[Task, ...]:
    """Findings that ask for something, those with one remedy joined: angles first, since they share one visit."""
    found: list[Task] = []
    for finding in verdict.findings:
        if finding.state not in _WORK or (verdict.camera, finding.check) in settled:
            continue
        if finding.told_by != verdict.camera:
            continue
        remedy = finding.remedy
        action = remedy.action if remedy else "Look at the picture and decide."
        same = next((t for t in found if t.action == action or _follows(t, finding.check)), None)
        if same is not None:
            found[found.index(same)] = Task(
                same.camera,
                (*same.checks, finding.check),
                min(same.state, finding.state, key=STATES.index),
                same.action,
                same.field_check,
                tuple(dict.fromkeys((*same.parts, *(remedy.parts if remedy else ())))),
                same.cautions,
            )
            continue
        found.append(
            Task(
                verdict.camera,
                (finding.check,),
                finding.state,
                action,
                remedy.field_check if remedy else None,
                remedy.parts if remedy else (),
                remedy.cautions if remedy else (),
            )
        )
    return tuple(sorted(found, key=lambda t: (STATES.index(t.state), t.checks[0] not in _ANGLES)))


def _follows(task: Task, check: Check) -> bool:
    """Sky and target follow from the aim: where that is being corrected they need no task of their own."""
    return check in ("sky", "target") and any(c in ("aim", "movement", "sky") for c in task.checks)


def _groups(cameras: Sequence[Camera]) -> list[list[Camera]]:
    """Cameras by ladder position: those within reach of the group's first."""
    groups: list[list[Camera]] = []
    for camera in cameras:
        for group in groups:
            first = group[0]
            if math.hypot(camera.east_m - first.east_m, camera.north_m - first.north_m) <= ONE_LADDER_M:
                group.append(camera)
                break
        else:
            groups.append([camera])
    return groups


def _stop(group: Sequence[Camera], tasks: dict[str, tuple[Task, ...]]) -> Stop:
    here = [task for camera in group for task in tasks[camera.camera]]
    here.sort(key=lambda t: STATES.index(t.state))
    return Stop(
        tuple(c.camera for c in group),
        sum(c.east_m for c in group) / len(group),
        sum(c.north_m for c in group) / len(group),
        max(c.height_m for c in group),
        tuple(here),
        tuple(dict.fromkeys(caution for task in here for caution in task.cautions)),
    )


def walking_order(cameras: Sequence[Camera]) -> tuple[Camera, ...]:
    """Cameras in the order of a short walk from the first of them."""
    places = np.array([[c.east_m, c.north_m] for c in cameras]).reshape(-1, 2)
    order, _ = _walk(places, places[0] if len(places) else np.zeros(2))
    return tuple(cameras[i] for i in order)


def _walk(places: FloatArray, start: FloatArray) -> tuple[list[int], float]:
    """Order of places for a short open walk from the start, and its length."""
    if not len(places):
        return [], 0.0
    points = np.vstack([start, places])
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    left, order = set(range(1, len(points))), [0]
    while left:
        nearest = min(left, key=lambda i: (apart[order[-1], i], i))
        order.append(nearest)
        left.remove(nearest)
    for _ in range(_IMPROVING_ROUNDS):
        improved = False
        for i in range(1, len(order) - 1):
            for j in range(i + 1, len(order)):
                before = apart[order[i - 1], order[i]] + (apart[order[j], order[j + 1]] if j + 1 < len(order) else 0.0)
                after = apart[order[i - 1], order[j]] + (apart[order[i], order[j + 1]] if j + 1 < len(order) else 0.0)
                if after < before - 1e-9:
                    order[i : j + 1] = reversed(order[i : j + 1])
                    improved = True
        if not improved:
            break
    length = float(sum(apart[a, b] for a, b in zip(order, order[1:], strict=False)))
    return [i - 1 for i in order[1:]], length

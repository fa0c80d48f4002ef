"""Mount parts by their names in the plan, pipe threads, and the parts list of a site."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from audit.plan.catalogue import catalogue, plain_words
from audit.plan.model import Site

__all__ = [
    "Part",
    "PartLine",
    "Thread",
    "nearest_part",
    "part_named",
    "parts_csv",
    "parts_list",
    "structure_named",
    "thread_named",
]


_LOAD = re.compile(r"(\d+(?:[.,]\d+)?)\s*kg\b", re.IGNORECASE)

_ANGLE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:°|deg|degrees)?")


@dataclass(frozen=True, slots=True)
class Thread:
    """A pipe thread: outside diameter and pitch in millimetres, flank angle, tapered or not."""

    name: str
    outside_mm: float
    pitch_mm: float
    angle_deg: float
    taper: bool


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a chain: its catalogue word, and what the plan's wording adds.

    Attributes
    ----------
    word : str
        Catalogue name.
    text : str
        As the plan wrote it.
    thread : str or None
        Pipe thread named in the plan.
    angle_deg : float or None
        Angle named in the plan (tilt adapters).
    load_kg : float or None
        Rated load named in the plan, e.g. ``arm 5 kg``.
    """

    word: str
    text: str
    thread: str | None = None
    angle_deg: float | None = None
    load_kg: float | None = None

    @property
    def order_name(self) -> str:
        """What is ordered: the catalogue's word with thread, angle and load where the plan names them."""
        named = (
            self.thread,
            None if self.angle_deg is None else f"{self.angle_deg:g}°",
            None if self.load_kg is None else f"{self.load_kg:g} kg",
        )
        return " ".join((self.word, *(text for text in named if text is not None)))

    def fact(self, name: str, default: Any = None) -> Any:
        """An entry of the catalogue for this part."""
        return catalogue()["parts"][self.word].get(name, default)


@dataclass(frozen=True, slots=True)
class PartLine:
    """One line of the parts list: how many are needed, how many spares, and for which cameras."""

    part: str
    needed: int
    spares: int
    cameras: tuple[str, ...]


@cache
def _part_words() -> dict[str, str]:
    return {plain_words(n): word for word, entry in catalogue()["parts"].items() for n in (word, *entry["names"])}


@cache
def _thread_words() -> dict[str, str]:
    return {plain_words(n): word for word, entry in catalogue()["threads"].items() for n in (word, *entry["names"])}


@cache
def thread_named(text: str) -> Thread | None:
    """The thread that a text names, None where it names none that the catalogue knows."""
    plain = f" {plain_words(text)} "
    for name in sorted(_thread_words(), key=len, reverse=True):
        if f" {name} " in plain:
            word = _thread_words()[name]
            entry = catalogue()["threads"][word]
            return Thread(word, entry["outside_mm"], entry["pitch_mm"], entry["angle_deg"], entry["taper"])
    return None


@cache
def part_named(text: str) -> Part | None:
    """The catalogue's part that a plan's wording names, the longest name winning; None where it knows none."""
    plain = plain_words(text)
    word = next((w for w, entry in catalogue()["parts"].items() if plain in entry.get("alone", ())), None)
    if word is None:
        names = (n for n in sorted(_part_words(), key=len, reverse=True) if f" {n} " in f" {plain} ")
        word = _part_words().get(next(names, ""))
    if word is None:
        return None
    thread = thread_named(text)
    angle = _ANGLE.search(text) if catalogue()["parts"][word].get("tilts") else None
    load = _LOAD.search(text)
    return Part(
        word,
        text,
        thread.name if thread else None,
        float(angle.group(1).replace(",", ".")) if angle else None,
        float(load.group(1).replace(",", ".")) if load else None,
    )


def nearest_part(text: str) -> str | None:
    """The catalogue's part whose name looks most like a wording, None where none does."""
    near = difflib.get_close_matches(plain_words(text), list(_part_words()), n=1)
    return _part_words()[near[0]] if near else None


@cache
def structure_named(text: str) -> str | None:
    """The surface that a chain's first word stands for (``mast`` for a pole), None where it names no structure."""
    plain = plain_words(text)
    for surface, names in catalogue()["structures"].items():
        if plain in map(plain_words, names):
            return str(surface)
    for surface, names in catalogue()["surfaces"].items():
        if plain in map(plain_words, (surface, *names)):
            return str(surface)
    for surface, names in catalogue()["structures"].items():
        if any(f" {plain_words(n)} " in f" {plain} " for n in names):
            return str(surface)
    return None


def parts_list(site: Site, spares: float = 0.1) -> tuple[PartLine, ...]:
    """All mount parts of a site by the catalogue's word, one order line a part, with spares.

    Parameters
    ----------
    spares : float
        Share of spares, rounded up to whole parts; 0 for none.
    """
    needed: dict[str, list[str]] = {}
    for camera in site.cameras:
        names = list(camera.mount.parts)
        if names and part_named(names[0]) is None and structure_named(names[0]) is not None:
            names = names[1:]
        for name in names:
            part = part_named(name)
            if part is not None and part.fact("is_camera"):
                continue
            needed.setdefault(name if part is None else part.order_name, []).append(camera.camera)
    lines = (
        PartLine(name, len(cameras), math.ceil(spares * len(cameras) - 1e-9), tuple(dict.fromkeys(cameras)))
        for name, cameras in needed.items()
    )
    return tuple(sorted(lines, key=lambda line: (-line.needed, line.part)))


def parts_csv(lines: tuple[PartLine, ...]) -> str:
    """A parts list as CSV text; what a spreadsheet would run as a formula gets a leading apostrophe."""

    def safe(text: str) -> str:
        return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text

    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["part", "needed", "spares", "cameras"])
    for line in lines:
        writer.writerow([safe(line.part), line.needed, line.spares, safe(" ".join(line.cameras))])
    return stream.getvalue()

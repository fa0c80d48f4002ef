"""Two cameras on each other's record: names and serial numbers that contradict each other crosswise."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from audit.match.labels import LabelIndex
from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["Swap", "swapped_pairs"]

_FILED = ("name", "folder")
_CARRIED = ("serial", "code", "text")


@dataclass(frozen=True, slots=True)
class Swap:
    """A pair of cameras whose records are exchanged, with the sentences that say why."""

    first: str
    second: str
    evidence: tuple[str, ...]


def swapped_pairs(site: Site, photos: Iterable[Photo]) -> tuple[Swap, ...]:
    """Pairs A, B where a photo filed as A carries the serial of B and one filed as B that of A.

    A contradiction in one direction alone is no swap (a wrong label, a typing error); it is left to the person who
    places photos. Source: common practice, no source: the serial decides, and a swap is always told as a pair.
    """
    index = LabelIndex(site)
    crossed: dict[tuple[int, int], list[str]] = {}
    for photo in photos:
        hits = index.hits(photo)
        filed = {c for hit in hits if hit.source in _FILED and hit.kind == "camera" for c in hit.cameras}
        carried = [hit for hit in hits if hit.source in _CARRIED and hit.kind == "serial" and len(hit.cameras) == 1]
        if len(filed) != 1:
            continue
        (here,) = filed
        for hit in carried:
            there = hit.cameras[0]
            if there != here:
                name = site.cameras[here].camera
                owner = site.cameras[there].camera
                sentence = f"{photo.name} is filed as {name} but carries {hit.text}, the serial of {owner}."
                crossed.setdefault((here, there), []).append(sentence)
    pairs = []
    for (a, b), sentences in sorted(crossed.items()):
        if a < b and (b, a) in crossed:
            pairs.append(Swap(site.cameras[a].camera, site.cameras[b].camera, (*sentences[:2], *crossed[(b, a)][:2])))
    return tuple(pairs)

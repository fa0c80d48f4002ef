"""The camera's name in its own picture: which camera of the plan a line of text can mean, and no other."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache

from audit.match.labels import words
from audit.photos.dates import without_times
from audit.photos.text import TextLine
from audit.plan.model import Site

__all__ = ["NameReader", "Names", "name_reader", "names_of"]

#: Characters that print and blur take for each other (common practice, no source), each set as its first one.
_CONFUSED = str.maketrans("oqdilsbzgc", "0001158266")
#: The engine's score from which a line counts, and from which one with confused characters counts.
_SURE, _SURE_CONFUSED = 0.8, 0.9
#: Fewer characters than this are too easily a part of something else.
_SHORTEST, _SHORTEST_CONFUSED = 3, 5
_MOST_WORDS = 8
#: Where an id and a word after it were read without the space between them.
_GLUED = re.compile(r"(?<=\d)(?=[^\W\d]{3})")

Names = tuple[tuple[str, str], ...]


class NameReader:
    """Finds the ids and names of a plan in the lines that are burnt into a picture.

    Parameters
    ----------
    names : sequence of (id, name)
        Of each camera of the plan; the name may be empty.
    """

    def __init__(self, names: Sequence[tuple[str, str]]) -> None:
        self._names = [camera for camera, _ in names]
        self._exact: dict[str, set[int]] = {}
        self._like: dict[str, set[int]] = {}
        for index, texts in enumerate(names):
            for text in texts:
                key = "".join(words(text))
                if len(key) >= _SHORTEST:
                    self._exact.setdefault(key, set()).add(index)
                    self._like.setdefault(key.translate(_CONFUSED), set()).add(index)
        # with a sign after it, a name that another one begins with may be that other one, read in part
        self._begun = {key[:end] for key in self._exact for end in range(_SHORTEST, len(key))}

    def camera(self, lines: Iterable[TextLine]) -> str | None:
        """The one camera of the plan that the lines name; None where none or several."""
        found = {index for line in lines for index in self._meant(line)}
        return self._names[found.pop()] if len(found) == 1 else None

    def _meant(self, line: TextLine) -> set[int]:
        """What a line names: its longest runs of words that are an id or a name; an id and a name agree or say nothing."""
        if line.score < _SURE:
            return set()
        text = without_times(line.text)
        if "".join(words(text)) in self._begun and not text[-1].isalnum():
            return set()
        return self._told(words(text), line.score) or self._told(words(_GLUED.sub(" ", text)), line.score)

    def _told(self, parts: Sequence[str], score: float) -> set[int]:
        told: list[set[int]] = []
        taken: set[int] = set()
        for length in range(min(_MOST_WORDS, len(parts)), 0, -1):
            for start in range(len(parts) - length + 1):
                run = range(start, start + length)
                found = self._of("".join(parts[start : start + length]), score)
                if found and taken.isdisjoint(run):
                    told.append(found)
                    taken.update(run)
        if not told:
            return set()
        return set.intersection(*told) or set.union(*told)

    def _of(self, key: str, score: float) -> set[int]:
        exact = self._exact.get(key)
        if exact is not None:
            return exact
        if score < _SURE_CONFUSED or len(key) < _SHORTEST_CONFUSED:
            return set()
        return self._like.get(key.translate(_CONFUSED), set())


def names_of(site: Site) -> Names:
    """What :func:`name_reader` needs of a plan."""
    return tuple((camera.camera, camera.name) for camera in site.cameras)


@lru_cache(maxsize=2)
def name_reader(names: Names) -> NameReader:
    """The reader of a plan's names; the last ones are kept."""
    return NameReader(names)

"""Which sentences of the catalogue a text was made of, and the same in another language.

A text is read as a row of templates, what stands in their places again as such rows, so that what was put together is taken
apart. Of all readings the one with the least cost is taken: few templates, little that is left as it is. A sentence with a word
that no template explains stays English, whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from audit.wording.catalogue import PLURAL_FORMS, Template, catalogue
from audit.wording.numbers import localised

__all__ = ["in_pieces", "translated"]

#: Costs of a reading (chosen: a longer template beats two short ones, and any template beats a word that stays).
_TEMPLATE, _STOP_TEMPLATE, _UNKNOWN, _AS_IT_IS, _WORD_AS_IT_IS, _EMPTY, _MARK = 0.3, 2.5, 5.0, 1.5, 0.5, 0.05, 0.15
#: Of two readings that cost the same, the one in which the catalogue explains more letters; a word in capitals may be a name.
_LETTER, _CAPITALS = 0.0005, 0.2
#: A name that holds the end of a sentence is hardly one.
_SENTENCE_AS_IT_IS = 4.0
#: How many ways of cutting a text at a template's words are tried, and how many ends of its last place.
_MOST_CUTS, _MOST_ENDS = 8, 14
_LONGEST = 1500

_STOP = frozenset("and or of at in to on by for with from is are was it its the an no not more as if so than then out per".split())
_LINKS = {"de": {"and": "und", "or": "oder"}, "fr": {"and": "et", "or": "ou"}}
_WORD = re.compile(r"[^\W\d_]{2,}")
_SMALL_WORD = re.compile(r"[a-zà-ÿ]{2,}")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_NUMBER = re.compile(r"[+\-−]?\d[\d.,\u00a0\u202f]*(?<![.,])%?")
_QUOTED = re.compile(r"'[^'\n]{1,120}'(?!\w)")
_TOKEN = re.compile(r"\s+|[^\w\s]|[^\s,;:()]+?(?=[.!?…]?(?:[\s,;:()]|$))|\w+")
_UNITS = frozenset("px mm cm km kg dB min MB GB GiB MiB ms lx deg dpi".split())
_NAME_LIKE = re.compile(r"[\d_/\\@=]|\.\w|^--|^photo-audit$|[a-z][A-Z]")
_ENDS = re.compile(r"[;:()]|[,.](?!\d)| (?:and|or|but) | \(|'")
_ITEMS = re.compile(r"[,;] ")
_SENTENCE = re.compile(r"(?<=[.!?]) (?=[A-ZÀ-Ý'(])|(?<=\n)")


@dataclass(frozen=True, slots=True)
class _Reading:
    """What a stretch of text reads as: cost, words that nothing explains, and the text in the other language."""

    cost: float
    unknown: int
    text: str


_NOTHING, _ENDLESS = _Reading(0.0, 0, ""), _Reading(1e9, 1, "")


@lru_cache(maxsize=20_000)
def translated(text: str, language: str) -> str:
    """A text as shown or stored, in a language; what isn't recognised stays English."""
    return "".join(piece for piece, _ in in_pieces(text, language))


@lru_cache(maxsize=20_000)
def in_pieces(text: str, language: str) -> tuple[tuple[str, bool], ...]:
    """The same sentence by sentence where not all of it is recognised, each with whether it is in that language now."""
    if language == "en" or not text or not text.isprintable() and "\n" not in text:
        return ((text, language == "en"),)
    if not _WORD.search(text):
        return ((localised(text, language), True),)
    if len(text) <= _LONGEST:
        whole = _read(text, language)
        if not whole.unknown:
            return ((whole.text, True),)
    parts = _SENTENCE.split(text)
    if len(parts) == 1:
        return ((text, False),)
    pieces: list[tuple[str, bool]] = []
    at = 0
    for part in parts:
        start = text.index(part, at)
        between, at = text[at:start], start + len(part)
        reading = _read(part, language) if part and len(part) <= _LONGEST else None
        known = reading is not None and not reading.unknown
        pieces.append((between + (reading.text if known and reading is not None else part), known))
    return tuple(pieces)


def _read(text: str, language: str) -> _Reading:
    known = catalogue(language)
    if known is None:
        return _Reading(_UNKNOWN, 1, text)
    here = {w.lower() for w in _WORD.findall(text)}
    return _Reader(text, language, [t for t in known.templates if t.words <= here and not _says_nothing(t)]).row(0, len(text))


def _says_nothing(template: Template) -> bool:
    """Whether a template would fit any two names."""
    return template.numbers.count(False) > 1 and template.words <= _STOP


class _Reader:
    """Reads one text; each stretch of it once."""

    def __init__(self, text: str, language: str, templates: list[Template]) -> None:
        self.text, self.language = text, language
        self.leading = [t for t in templates if t.literals[0]]
        self.counting = [t for t in templates if not t.literals[0] and t.numbers[:1] == (True,)]
        self.trailing = [t for t in templates if not t.literals[0] and t.numbers[:1] == (False,)]
        self.rows: dict[tuple[int, int], _Reading] = {}
        self.values: dict[tuple[int, int], _Reading] = {}

    def row(self, start: int, end: int) -> _Reading:
        """The best reading of a stretch as templates one after another."""
        if start >= end:
            return _NOTHING
        kept = self.rows.get((start, end))
        if kept is not None:
            return kept
        words, at = [], start
        while at < end and (at, end) not in self.rows:
            words.append(at)
            at = self._stop_of_token(at, end)
        self.rows[start, end] = _ENDLESS  # a stretch within itself is no reading
        for at in reversed(words):
            self.rows[at, end] = self._best(at, end)
        return self.rows[start, end]

    def _best(self, start: int, end: int) -> _Reading:
        best = self._token(start, end)
        for template in self._candidates(start, end):
            for stop, spans in self._cuts(template, start, end):
                best = self._better(best, template, spans, (start, stop, end))
        return best

    def _better(self, best: _Reading, template: Template, spans: list[tuple[int, int]], at: tuple[int, int, int]) -> _Reading:
        start, stop, end = at
        cost = _TEMPLATE if not template.names or template.words - _STOP else _STOP_TEMPLATE
        cost -= _LETTER * sum(map(len, template.literals))
        unknown, values = 0, []
        for a, b in spans:
            value = self.value(a, b)
            cost, unknown = cost + value.cost, unknown + value.unknown
            if cost >= best.cost:
                return best
            values.append(value.text)
        rest = self.row(stop, end)
        if cost + rest.cost >= best.cost:
            return best
        said, by_name = self._said(template, values, spans)
        return _Reading(cost + rest.cost, unknown + rest.unknown, (said if by_name else self._cased(said, start, template)) + rest.text)

    def value(self, start: int, end: int) -> _Reading:
        """What stands in a place: sentences of the catalogue, or a name that stays as it is."""
        if start >= end:
            return _Reading(_EMPTY, 0, "")
        kept = self.values.get((start, end))
        if kept is not None:
            return kept
        text = self.text[start:end]
        small = len(_SMALL_WORD.findall(text))
        cost = _AS_IT_IS + _WORD_AS_IT_IS * small if small else 0.0
        if small and _SENTENCE.search(text):
            cost += _SENTENCE_AS_IT_IS
        as_it_is = _Reading(cost, 0, text if small else localised(text, self.language))
        self.values[start, end] = as_it_is
        if small:
            read = self.row(start, end)
            if not read.unknown and read.cost < as_it_is.cost:
                self.values[start, end] = read
            elif listed := self._listed(start, end):
                self.values[start, end] = listed
        return self.values[start, end]

    def _listed(self, start: int, end: int) -> _Reading | None:
        """A list one by one: what is known of it is given, the rest stays."""
        marks = [*_ITEMS.finditer(self.text, start, end)]
        if not marks:
            return None
        cost, said, at = 0.0, [], start
        for mark in [*marks, None]:
            item = self.value(at, end if mark is None else mark.start())
            cost += item.cost
            said.append(item.text if mark is None else item.text + self._mark(mark[0][0], mark.start(), mark.start() + 1) + " ")
            at = end if mark is None else mark.end()
        return _Reading(cost, 0, "".join(said))

    def _stop_of_token(self, start: int, end: int) -> int:
        """Where a word, number, quoted name or mark ends."""
        quoted = _QUOTED.match(self.text, start, end)
        if quoted and (start == 0 or not self.text[start - 1].isalnum()):
            return quoted.end()
        number = _DAY.match(self.text, start, end) or _NUMBER.match(self.text, start, end)
        if number and not self.text[number.end() : number.end() + 1].isalpha():
            return number.end()
        found = _TOKEN.match(self.text, start, end)
        return found.end() if found else start + 1

    def _token(self, start: int, end: int) -> _Reading:
        """One word, number, name or mark that stays, then the rest."""
        quoted = _QUOTED.match(self.text, start, end)
        if quoted and (start == 0 or not self.text[start - 1].isalnum()):
            cost, unknown, stop, said = 0.1, 0, quoted.end(), quoted[0]
        elif (number := _NUMBER.match(self.text, start, end)) and not self.text[number.end() : number.end() + 1].isalpha():
            stop = self._stop_of_token(start, end)
            cost, unknown, said = _MARK, 0, localised(self.text[start:stop], self.language)
        else:
            stop = self._stop_of_token(start, end)
            word = self.text[start:stop]
            link = _LINKS.get(self.language, {}).get(word)
            if link is not None:
                cost, unknown, said = 0.2, 0, link
            elif not _SMALL_WORD.search(word) or word in _UNITS:
                cost = _MARK if word in "±°" else _CAPITALS if word.isalpha() and len(word) > 2 else 0.0
                unknown, said = 0, self._mark(word, start, stop)
            elif _NAME_LIKE.search(word):
                cost, unknown, said = 0.4, 0, word
            else:
                cost, unknown, said = _UNKNOWN, 1, word
        rest = self.row(stop, end)
        return _Reading(cost + rest.cost, unknown + rest.unknown, said + rest.text)

    def _mark(self, mark: str, start: int, stop: int) -> str:
        """A mark as the language sets it: a space that never breaks before % and, in French, before colon and semicolon."""
        if mark == "%":
            return localised(mark, self.language)
        if self.language == "fr" and mark in ":;" and start and self.text[stop : stop + 1] in (" ", ""):
            return f"\N{NO-BREAK SPACE}{mark}"
        return mark

    def _candidates(self, start: int, end: int) -> Iterator[Template]:
        first = self.text[start]
        other = first.swapcase()
        for template in self.leading:
            head = template.literals[0]
            if head[0] in (first, other) and self.text.startswith(head[1:], start + 1) and start + len(head) <= end:
                yield template
        if first.isdigit() or first in "+-−":
            yield from self.counting
        before = self.text[:start].rstrip(" ('")
        if not before or before[-1] in ".;:,!?\n" or start == 0 or self._opens(start, end):
            yield from self.trailing

    def _opens(self, start: int, end: int) -> bool:
        """Whether a stretch is read from its very beginning, as a place's value is."""
        return (start, end) in self.rows and start > 0 and not self.text[start - 1].isalnum() and self.text[start - 1] != " "

    def _cuts(self, template: Template, start: int, end: int) -> Iterator[tuple[int, list[tuple[int, int]]]]:
        """All ways in which a template fits from a place on: where it ends, and where its values lie."""

        def cut(piece: int, at: int, spans: list[tuple[int, int]]) -> Iterator[tuple[int, list[tuple[int, int]]]]:
            if piece == len(template.names):
                yield at, spans
                return
            literal = template.literals[piece + 1]
            for stop in self._stops(template, piece, at, end):
                yield from cut(piece + 1, stop + len(literal), [*spans, (at, stop)])

        after = start + len(template.literals[0])
        if after <= end:
            # the last letters of a word are no whole word
            yield from (c for c in cut(0, after, []) if not self._splits_word(c[0], end))

    def _splits_word(self, at: int, end: int) -> bool:
        return 0 < at < end and self.text[at - 1].isalpha() and self.text[at].isalpha()

    def _stops(self, template: Template, piece: int, at: int, end: int) -> list[int]:
        """Where the value of a place may end."""
        literal, last = template.literals[piece + 1], piece + 1 == len(template.names)
        if template.numbers[piece]:
            number = _NUMBER.match(self.text, at, end)
            if number is None:
                return []
            ends = [number.end()] if not number[0].endswith("%") or literal[:1] != "%" else [number.end() - 1]
            return [e for e in ends if self.text.startswith(literal, e) and e + len(literal) <= end]
        if literal:
            stops: list[int] = []
            found = self.text.find(literal, at, end)
            while found >= 0 and len(stops) < _MOST_CUTS:
                stops.append(found)
                found = self.text.find(literal, found + 1, end)
            return stops
        if last:
            marks = [m.start() for m in _ENDS.finditer(self.text, at, end)][:_MOST_ENDS]
            return list(dict.fromkeys([*marks, end]))
        spaces = [m.start() for m in re.compile(r"\b|(?=[ ,;:.(])").finditer(self.text, at, end)][:_MOST_ENDS]
        return list(dict.fromkeys([at, *spaces, end]))

    def _said(self, template: Template, values: list[str], spans: list[tuple[int, int]]) -> tuple[str, bool]:
        """The translation filled in, and whether it begins with a name that stays as it is."""
        named = dict(zip(template.names, values, strict=True))
        form = template.forms[0]
        if len(template.forms) > 1 and template.count is not None:
            counted = dict(zip(template.names, spans, strict=True)).get(template.count)
            digits = "" if counted is None else re.sub(r"[^\d.]", "", self.text[slice(*counted)])
            number = float(digits) if re.fullmatch(r"\d+(\.\d+)?", digits) else 1.0 if counted is None else 2.0
            form = template.forms[PLURAL_FORMS[self.language](number)]
        first = form[0][1] if form and not form[0][0] else None
        by_name = first is not None and named[first] == self.text[slice(*spans[template.names.index(first)])]
        return "".join(text + ("" if name is None else named[name]) for text, name in form), by_name

    def _cased(self, said: str, start: int, template: Template) -> str:
        """The translation with the first letter as the text begins; a small one is left to a language without capital nouns."""
        first, head = self.text[start], template.literals[0][:1]
        if said and first.isupper():
            return said[0].upper() + said[1:]
        if first == head or not said or not head:
            return said
        return said[0].lower() + said[1:] if self.language == "fr" else said

"""Numbers as people write them: decimal commas, thousands, units, feet and inches, degrees and minutes, directions.

A text may be read in more than one way (``1.250``); every way is handed on, and the column's other cells decide.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from audit.plan.measures import UNITS, Measure

__all__ = ["Quantity", "compass_deg", "plain_letters", "quantities"]

_MINUS = str.maketrans({"−": "-", "–": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "´": "'", "`": "'", "ˈ": "'"})
#: Parts that an inch is divided into on a rule; another fraction is two numbers with a stroke.
_INCH_PARTS = (2, 4, 8, 16, 32, 64)
_FRACTIONS = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"}
_DIGITS = r"\d{1,3}(?:[ '’]\d{3})+(?!\d)(?:[.,]\d+)?|\d+(?:[.,]\d+)*\.?|[.,]\d+"
_NUMBER = re.compile(
    rf"(?P<sign>[+-]?)\s*(?P<digits>{_DIGITS})(?P<power>e[+-]?\d+)?(?:\s+(?P<over>\d+/\d+))?", re.IGNORECASE
)
_FRACTION = re.compile(r"(?P<sign>[+-]?)\s*(?P<over>\d+/\d+)")
_WORD = re.compile(r"[^\W\d_]+(?:/[^\W\d_]+)?|[°º'′’\"″”%]+")

#: Words of a direction in five languages: up and down, hemispheres, which north.
_SENSES: dict[str, str] = {
    "down": "down downwards downward below dn d unter unten abwärts abwarts runter bas bajo abajo basso sotto sous giu giù",
    "up": "up upwards upward above u oben aufwärts aufwarts hoch haut arriba alto su",
    "n": "n north nord norte",
    "s": "s south süd sud sur",
    "e": "e east ost est este",
    "w": "w west ouest oeste ovest",
    "o": "o",
    "magnetic": "magnetic mag magn magnetisch magnétique magnético magnética magnetico magnetica missweisend compass kompass m",
    "true": "true t geographic rechtweisend geografisch géographique geográfico geografico vero vrai",
    "left": "left links gauche izquierda sinistra",
    "right": "right rechts droite derecha destra",
    "clockwise": "cw clockwise",
    "counter": "ccw counterclockwise",
}
_SENSE_OF = {word: sense for sense, words in _SENSES.items() for word in words.split()}
_FILLERS = frozenset(
    "the from of to by horizontal horizontale horizon level nach zur zum der die das vers le la de du "
    "hacia verso il lo el dal dalla des über bearing azimuth waagerechten horizontalen horizontalem orizzontale".split()
)
_VAGUE = frozenset("ca circa approx about ungefähr etwa env environ aprox ~ ≈".split())


@dataclass(frozen=True, slots=True)
class Quantity:
    """One way to read a number.

    Attributes
    ----------
    value : float
        In ``unit``, or without a unit where that is None; hemispheres and *down* are in ``sense``, not in the sign.
    unit : str or None
        Unit written with the number; angles of degrees and minutes are put together as ``°``.
    sense : str or None
        ``up``, ``down``, ``n``, ``s``, ``e``, ``w``, ``o`` (east in German, west in the Romance languages), or a pair.
    north : str or None
        ``magnetic`` or ``true``.
    decimal : str or None
        ``.`` or ``,`` where the text needs that decimal sign to be read so.
    vague : bool
        Written as about that much.
    """

    value: float
    unit: str | None = None
    sense: str | None = None
    north: str | None = None
    decimal: str | None = None
    vague: bool = False


@lru_cache(maxsize=65536)
def plain_letters(text: str) -> str:
    """Lower case without accents, German two-letter umlauts and ligatures taken together."""
    text = text.lower().replace("ß", "ss").replace("œ", "oe").replace("æ", "ae")
    text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return text.replace("ae", "a").replace("oe", "o").replace("ue", "u")


#: Words of the four quarters (north, east, south, west) by language; letters stand for themselves.
_QUARTERS: dict[str, tuple[str, str, str, str]] = {
    "en": ("n north", "e east", "s south", "w west"),
    "de": ("n nord norden", "o e ost osten", "s sud suden", "w west westen"),
    "fr": ("n nord", "e est", "s sud", "o w ouest"),
    "es": ("n norte nor", "e este", "s sur sud su", "o w oeste"),
    "it": ("n nord", "e est", "s sud", "o w ovest"),
}
_POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
_FACING = re.compile(r"\b(facing|looking|nach|vers|hacia|verso|the|au|al)\b")


@lru_cache(maxsize=8)
def _compass(language: str) -> dict[str, float]:
    words = {
        letter: [plain_letters(w) for w in text.split()]
        for letter, text in zip("nesw", _QUARTERS[language], strict=True)
    }
    names: dict[str, float] = {}
    for index, point in enumerate(_POINTS):
        spelled = [""]
        for letter in point:
            spelled = [head + word for head in spelled for word in words[letter]]
        for name in spelled:
            names.setdefault(name, 22.5 * index)
    return names


@lru_cache(maxsize=512)
def compass_deg(text: str, language: str) -> float | None:
    """Degrees of a compass point (``NE``, ``Südost``, ``nord-ouest``); None where it names none in that language.

    ``O`` is east in German (Ost) and west in French, Spanish and Italian; in an English plan it names none.
    """
    if any(c.isdigit() for c in text):
        return None
    plain = re.sub(r"[^a-z]+", "", _FACING.sub(" ", plain_letters(text)))
    found = _compass(language).get(plain)
    if found is None and "o" in plain and len(plain) <= 3:
        return None
    others = {_compass(other).get(plain) for other in _QUARTERS} - {None}
    return found if found is not None else others.pop() if len(others) == 1 and len(plain) > 3 else None


@lru_cache(maxsize=65536)
def quantities(text: str, measure: Measure) -> tuple[Quantity, ...]:
    """Every way in which a text says one number; empty where it says none, or two."""
    plain = text.translate(_MINUS).strip()
    for sign, words in _FRACTIONS.items():
        plain = plain.replace(sign, words)
    found: list[Quantity] = []
    for decimal in (".", ","):
        read = _read(plain, decimal, measure)
        if read is not None and not any(math.isclose(read.value, q.value) for q in found):
            found.append(read)
        elif read is not None and found:
            found = [Quantity(q.value, q.unit, q.sense, q.north, None, q.vague) for q in found]
    return tuple(found)


def _read(text: str, decimal: str, measure: Measure) -> Quantity | None:
    """The text with that decimal sign: numbers with units in falling order, directions, fillers; nothing else."""
    parts: list[tuple[float, str | None]] = []
    senses: list[str] = []
    north: str | None = None
    negative = vague = False
    position = 0
    while position < len(text):
        if text[position] in " \t\n,;()[]~≈:.":
            vague = vague or text[position] in "~≈"
            position += 1
            continue
        match = _FRACTION.match(text, position) if measure.unit in ("m", "mm") else None
        match = match or _NUMBER.match(text, position)
        if match is not None:
            value = _value(match, decimal)
            between = bool(parts) and parts[-1][1] == "ft" and match["sign"] == "-"
            if value is None or (match["sign"] and parts and not between):
                return None
            negative = negative or (match["sign"] == "-" and not between)
            parts.append((value, None))
            position = match.end()
            continue
        match = _WORD.match(text, position)
        if match is None:
            return None
        word = match.group().lower()
        position = match.end()
        unit = _unit_here(word, measure, parts)
        if unit is not None:
            parts[-1] = (parts[-1][0], unit)
        elif word in _VAGUE:
            vague = True
        elif (sense := _sense(word, measure)) in ("magnetic", "true"):
            north = sense
        elif sense is not None:
            senses.append(sense)
        elif word not in _FILLERS:
            return None
    if not parts or not all(math.isfinite(v) for v, _ in parts):
        return None
    return _together(parts, negative, senses, (north, decimal if _needs(text) else None, vague), measure)


def _needs(text: str) -> bool:
    return bool(re.search(r"[.,]\d", text))


def _unit_here(word: str, measure: Measure, parts: list[tuple[float, str | None]]) -> str | None:
    """The unit that a word is behind a number that has none yet; arc minutes and seconds in angles."""
    if not parts or parts[-1][1] is not None:
        return None
    if measure.unit == "deg" and word in ("'", "′", "’", "min"):
        return "arcmin"
    if measure.unit == "deg" and word in ('"', "″", "”", "''", "’’", "sec", "s") and len(parts) > 1:
        return "arcsec"
    unit = UNITS.get(word)
    return unit if unit is not None and measure.factor(unit) is not None else None


def _sense(word: str, measure: Measure) -> str | None:
    sense = _SENSE_OF.get(word) or _SENSE_OF.get(plain_letters(word))
    allowed = {
        "pitch": ("up", "down"),
        "latitude": ("n", "s"),
        "longitude": ("e", "w", "o"),
        "bearing": ("n", "e", "s", "w", "o", "magnetic", "true"),
        "roll": ("clockwise", "counter", "left", "right"),
    }.get(measure.sort, ())
    if measure.sort in ("latitude", "longitude") and sense in ("n", "s", "e", "w", "o"):
        return sense
    return sense if sense in allowed else None


def _value(match: re.Match[str], decimal: str) -> float | None:
    """A number with that decimal sign; None where the other sign can't part thousands there."""
    groups = match.groupdict()
    digits = (groups.get("digits") or "").replace(" ", "").replace("'", "").replace("’", "")
    other = "," if decimal == "." else "."
    whole, *rest = digits.split(decimal)
    if len(rest) > 1:
        return None
    if other in (rest[0] if rest else "") or (
        other in whole and not re.fullmatch(rf"[1-9]\d{{0,2}}(?:\{other}\d{{3}})+", whole)
    ):
        return None
    number = (
        float(f"{whole.replace(other, '') or 0}.{rest[0] if rest and rest[0] else 0}{groups.get('power') or ''}")
        if digits
        else 0.0
    )
    if groups.get("over"):
        upper, lower = groups["over"].split("/")
        if int(lower) not in _INCH_PARTS or int(upper) >= int(lower):
            return None
        number += int(upper) / int(lower)
    return number


_ARC = {"°": 1.0, "arcmin": 1 / 60, "arcsec": 1 / 3600}
_INCHES = {"ft": 12.0, "in": 1.0}


def _together(
    parts: list[tuple[float, str | None]],
    negative: bool,
    senses: list[str],
    rest: tuple[str | None, str | None, bool],
    measure: Measure,
) -> Quantity | None:
    """One quantity from numbers with units (``10' 6"``, ``46° 30' 5"``); None where they don't go together."""
    north, decimal, vague = rest
    values, units = [v for v, _ in parts], [u for _, u in parts]
    unit: str | None
    if len(parts) == 1:
        value, unit = parts[0]
        if unit in ("arcmin", "arcsec"):
            return None
    elif measure.unit == "deg" and units[0] == "°" and len(parts) <= 3:
        steps = ["°", "arcmin", "arcsec"][: len(parts)]
        if any(u not in (None, s) for u, s in zip(units, steps, strict=True)) or any(v >= 60 for v in values[1:]):
            return None
        value, unit = sum(v * _ARC[s] for v, s in zip(values, steps, strict=True)), "°"
    elif measure.sort in ("latitude", "longitude") and units == [None] * 3 and all(v < 60 for v in values[1:]):
        value, unit = values[0] + values[1] / 60 + values[2] / 3600, "°"
    elif measure.sort in ("latitude", "longitude") and units == [None] * 2 and senses and values[1] < 60 and values[0] == int(values[0]):
        value, unit = values[0] + values[1] / 60, "°"
    elif (
        measure.unit in ("m", "mm")
        and len(parts) == 2
        and units[0] == "ft"
        and units[1] in ("in", None)
        and values[1] < 12
    ):
        value, unit = values[0] + values[1] / 12, "ft"
    else:
        return None
    if len(senses) > 2 or (len(senses) == 2 and measure.sort != "bearing"):
        return None
    sense = " ".join(senses) or None
    return Quantity(-value if negative else value, unit, sense, north, decimal, vague)

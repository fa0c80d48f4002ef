"""What a column's title says: which column it is, its unit, and what its numbers count from.

``Montagehöhe (ft)`` is ``height_m`` in feet; ``Tilt (down)`` is ``tilt_down_deg``; ``Bearing mag.`` counts from magnetic
north; ``Höhe ü. NN`` is above the sea, not above the ground.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from audit.plan.columns import OPTIONAL, TableWord, by_key, columns_of
from audit.plan.measures import Measure, Pair, unit_named
from audit.plan.quantities import plain_letters
from audit.plan.table import column_key

__all__ = ["LANGUAGES", "Title", "facts_of", "read_title"]

LANGUAGES = ("en", "de", "fr", "es", "it")


@dataclass(frozen=True, slots=True)
class Title:
    """One title, understood.

    Attributes
    ----------
    key : str
        The plan's column.
    unit : str or None
        Unit that the title names.
    words : frozenset of str
        What else it says: ``magnetic``, ``grid``, ``sea``, ``down``, ``up``, ``west``, ``south``, ``tilt`` (a sign that
        nobody defined), ``guess`` (spelt nearly like a known title).
    languages : frozenset of str
        Languages in which it is a title.
    exact : bool
        Whether it is the plan's own name.
    """

    key: str
    unit: str | None = None
    words: frozenset[str] = frozenset()
    languages: frozenset[str] = frozenset()
    exact: bool = False


_SAID: dict[str, str] = {
    "magnetic": r"mag|magn|magnetic|magnetisch\w*|magnetique|magnetic[oa]|missweisend\w*|kompass|compass|brujula|bussola|boussole",
    "grid": r"grid|grid north|gitternord|karte|nord de la carte|norte de cuadricula|nord di griglia",
    "true": r"true|true north|rechtweisend|geografisch nord|nord vrai|nord geographique|norte verdadero|norte geografico|nord vero|geographic north|tn",
    "sea": (
        r"above sea( level)?|asl|amsl|a s l|msl|aod|od|u nn|ub nn|uber nn|nn|nhn|u nhn|uber nhn|m u m|u m|uber meer|uber dem meer|u d m|uber meeresspiegel|ngf|altitude ngf|"
        r"au dessus de la mer|niveau de la mer|sobre el nivel del mar|s n m|snm|msnm|m s n m|sul livello del mare|s l m|slm|m s l m|elevation|altitude|altitud|altitudine|"
        r"elevacion|elevazione|meereshohe|seehohe"
    ),
    "down": r"down|downwards|below horizontal|below horizon|nach unten|unten|abwarts|vers le bas|bas|hacia abajo|abajo|verso il basso|basso",
    "up": r"up|upwards|above horizontal|nach oben|oben|aufwarts|vers le haut|haut|hacia arriba|arriba|verso l alto|alto",
    "west": r"w|west|westlich|ouest|oeste|ovest",
    "south": r"s|south|sudlich|sud|sur",
    "east": r"e|east|ostlich|ost",
    "north": r"n|north|nordlich|nord",
    "wgs": r"wgs ?84|decimal degrees|dezimalgrad|degres decimaux|dec deg|dd|decimal",
}
_SAID_PATTERNS = {
    word: re.compile(rf"(?<![a-z0-9])(?:{plain_letters(pattern)})(?![a-z0-9])") for word, pattern in _SAID.items()
}
_TILT = frozenset(
    "tilt|neigung|neigungswinkel|inclination|inclinaison|inclinacion|inclinazione|tilt angle|nick|tilt winkel|angle d inclinaison|angulo de inclinacion|angolo di inclinazione|inclination angle".split(
        "|"
    )
)
_TARGET = re.compile(r"(?<![a-z])(target|ziel|cible|objetivo|blanco|bersaglio|obiettivo)(?![a-z])")
_ARTICLES = re.compile(
    r"\b(the|of|der|des|die|das|de|du|la|le|les|del|della|di|il|lo|el|in|en|a|to|from|nord|true|wgs|no|nr|n)\b"
)
_BRACKETS = re.compile(r"[(\[{<]([^)\]}>]*)[)\]}>]")
_NOISE = re.compile(r"[^a-z0-9%°/'\" ]+")
_CRS_WORDS = re.compile(
    r"epsg[ :]*\d+|utm( zone)? ?\d+ ?[a-z]?|\butm\b|etrs ?89|wgs ?84|gauss[ -]?kruger( zone)? ?\d?|\bgk ?\d?\b|lv ?95|lv ?03|"
    r"ch1903\+?|rgf ?93|lambert[ -]?\d*|(british )?national grid|osgb ?(19)?(36)?|\bbng\b|irish grid|\bitm\b|rd new|"
    r"gauss[ -]?boaga( ovest| est| fuso \d)?|monte mario ?\d?|\bmgi\b( m ?\d+)?|sweref ?99 ?tm|tm35fin|puwg ?(19)?92|luref|\bed50\b|\bzone \d+[a-z]?\b"
)


@cache
def _phrases(table: TableWord) -> dict[str, tuple[str, frozenset[str]]]:
    """Every known phrase: the column that it is, and its languages; a phrase of two columns keeps the first."""
    found: dict[str, tuple[str, frozenset[str]]] = {}
    for column in columns_of(table):
        for language, titles in (
            ("", re.sub(r"_(m|mm|deg|px)$", "", column.key)),
            ("", column.key),
            *zip(LANGUAGES, column.titles, strict=True),
        ):
            for phrase in titles.split("|"):
                phrase = _plain(phrase)
                if not phrase:
                    continue
                key, languages = found.get(phrase, (column.key, frozenset()))
                if key == column.key:
                    found[phrase] = (key, languages | ({language} if language else set()))
    return found


def _plain(text: str) -> str:
    return " ".join(_NOISE.sub(" ", plain_letters(text)).split())


#: Words of titles that say the same; empty ones say nothing that tells columns apart.
_SAME = {
    **dict.fromkeys("horiz hor horizontale horizontaler horizontales orizz orizzontale".split(), "horizontal"),
    **dict.fromkeys("vert verticale vertikal vertikale verticales verticali".split(), "vertical"),
    **dict.fromkeys("ht hgt height hohe".split(), "height"),
    **dict.fromkeys("install inst installation mtg mounting montage".split(), "mounting"),
    **dict.fromkeys("az azimut azimuth acimut".split(), "azimuth"),
    **dict.fromkeys("res resolution auflosung".split(), "resolution"),
    **dict.fromkeys("img image picture bild".split(), "image"),
    **dict.fromkeys("pix px pixel pixels".split(), "pixels"),
    **dict.fromkeys("num numero number nummer".split(), "number"),
    **dict.fromkeys("pos position".split(), "position"),
    **dict.fromkeys("coord coordinate koordinate coordenada coordinata coordonnee".split(), "coordinate"),
    **dict.fromkeys(
        "camera cameras kamera cctv cam camara telecamera the of der des die das de du la le les del della dal di il lo el in en a from no nr n "
        "affl ffl agl okff oksf fok gps local deg degrees grad dec true nord north gegen norden nord suolo suelo sol s".split(),
        "",
    ),
}
_ABOVE_GROUND = re.compile(
    r"\babove (the )?(ground|floor|finished|grade|soil|road|street|pavement|footpath|path|slab|deck|platform|walkway)|\b(sobre|sopra|au dessus) (el |il |la |le |du |de la )*(suelo|piso|sol|terreno|terrain|plancher|pavimento)|\bagl\b|\ba?ffl\b|\bokff\b|uber (dem |der )?(ok |oberkante )?(boden|erdboden|grund|fussboden|okff|okf|ffb|gelande|strasse|gehweg|fahrbahn|pflaster|bahnsteig|terrain)|\bsol\b|\bsuelo\b|\bterra\b|\bsuolo\b"
)
_DOWN = r"(?:down\w*|unten|abwarts|bas|abajo|basso|giu)"
_UP = r"(?:up\w*|oben|aufwarts|haut|arriba|alto)"
_MINUS = r"(?:neg\w*|minus|-|−)"
_PLUS = r"(?:pos\w*|plus|\+)"
_SIGN = re.compile(
    rf"(?:{_MINUS}\W*{_DOWN}|{_PLUS}\W*{_UP})|(?P<down>{_PLUS}\W*{_DOWN}|{_MINUS}\W*{_UP})|{_DOWN}\W*(?:{_MINUS})\b|(?P<also>{_DOWN}\W*{_PLUS})"
)


def _tokens(phrase: str) -> frozenset[str]:
    """A phrase's words that tell columns apart, in one spelling and without their order."""
    words = [_SAME.get(w, w) for w in re.findall(r"[a-z0-9]+", phrase)]
    return frozenset(w for w in words if w)


@cache
def _by_tokens(table: TableWord) -> dict[frozenset[str], tuple[str, frozenset[str]]]:
    found: dict[frozenset[str], tuple[str, frozenset[str]]] = {}
    for phrase, meaning in _phrases(table).items():
        tokens = _tokens(phrase)
        if tokens and (len(phrase) > 1):
            found.setdefault(tokens, meaning)
    return found


@lru_cache(maxsize=16384)
def read_title(text: str, table: TableWord, nearly: bool = False) -> Title | None:
    """A title as one of a table's columns; None where it is none that is known.

    Parameters
    ----------
    nearly : bool
        Also take what is spelt nearly like a known title (then ``guess`` is among its words).
    """
    key = column_key(text)
    if key in OPTIONAL:
        return None
    if key in by_key(table):
        return Title(key, exact=True)
    if len(text) > 120 or not any(c.isalpha() for c in text):
        return None
    sign = _SIGN.search(plain_letters(text)) if table == "cameras" else None
    if sign is not None:
        rest = plain_letters(text)[: sign.start()] + plain_letters(text)[sign.end() :]
        said = read_title(rest.strip(" ,;:/="), table)
        if said is not None and said.key in ("pitch_deg", "tilt_down_deg"):
            return Title(
                "tilt_down_deg" if sign["down"] or sign["also"] else "pitch_deg", said.unit, frozenset({"sign"})
            )
    text = text.replace("↓", " down ")
    whole = _plain(text.replace("_", " "))
    if whole in _phrases(table):
        return _said_of(Title(_phrases(table)[whole][0], None, languages=_phrases(table)[whole][1]), _said(whole))
    plain, unit = _without_unit(text)
    if table == "cameras" and _TARGET.search(plain):
        return _of_target(plain, unit)
    return _of_phrase(plain, unit, table) or (_nearly(plain, unit, table) if nearly else None)


def _without_unit(text: str) -> tuple[str, str | None]:
    """The title in plain letters without its unit, and the unit."""
    unit: str | None = None
    said = text.replace("_", " ")
    for inside in _BRACKETS.findall(said):
        for word in (inside, *re.split(r"[\s,;/]+", inside)):
            unit = unit or unit_named(word)
    said = _BRACKETS.sub(
        lambda m: " " + " ".join(w for w in re.split(r"[\s,;/]+", m.group(1)) if not unit_named(w)) + " ", said
    )
    plain = _CRS_WORDS.sub(" ", plain_letters(said).replace("-", " "))
    plain = re.sub(r"\babove grade\b", "above ground", plain)  # a degree's name elsewhere
    match = re.search(r"(?:[\s,;:/.]|\bin\b|\ben\b)+([a-z°'\"/%]+)\.?\s*$", plain)
    if match and unit is None and unit_named(match.group(1)) and match.start() > 0:
        unit, plain = unit_named(match.group(1)), plain[: match.start()]
    elif match and unit is not None and unit_named(match.group(1)) == unit and match.start() > 0:
        plain = plain[: match.start()]
    return _plain(plain), unit


def _said(plain: str) -> frozenset[str]:
    """What a title says besides its column."""
    said = {word for word, pattern in _SAID_PATTERNS.items() if pattern.search(plain)}
    return frozenset(said - {"sea"} if _ABOVE_GROUND.search(plain) else said)


def _of_phrase(plain: str, unit: str | None, table: TableWord) -> Title | None:
    phrases = _phrases(table)
    said = _said(plain)
    bare = plain
    for word in ("sea", "magnetic", "grid", "true", "down", "up", "wgs"):
        bare = _SAID_PATTERNS[word].sub(" ", bare)
    bare = " ".join(bare.split())
    short = " ".join(_ARTICLES.sub(" ", bare).split())
    if table == "cameras" and {phrase.replace("'", " ") for phrase in (bare, short)} & _TILT:
        return Title(
            "tilt_down_deg" if "down" in said else "pitch_deg", unit, said & {"down", "up"} or frozenset({"tilt"})
        )
    for lat_lon, hemispheres in (("latitude", ("north", "south")), ("longitude", ("east", "west"))):
        for hemisphere in hemispheres:
            phrase = " ".join(_SAID_PATTERNS[hemisphere].sub(" ", bare).replace("°", " ").split())
            if phrase and hemisphere in said and phrases.get(phrase, ("",))[0] == lat_lon:
                return Title(lat_lon, unit, frozenset({hemisphere}), phrases[phrase][1])
    for phrase in (plain, bare, short):
        found = phrases.get(phrase)
        if found is not None and _fits(found[0], unit, table):
            return _said_of(Title(found[0], unit, languages=found[1]), said)
    other = _by_unit(plain, unit, table)
    if other is not None:
        return other
    known_base = bool("sea" in said or _ABOVE_GROUND.search(plain))
    above = " ".join(re.sub(r"\b(above|uber|sobre|sopra|au dessus)\b.*", " ", bare).split()) if known_base else bare
    if above != bare and above in phrases and _fits(phrases[above][0], unit, table):
        return _said_of(Title(phrases[above][0], unit, languages=phrases[above][1]), said)
    for phrase in (plain, bare, short, above):
        found = _by_tokens(table).get(_tokens(phrase))
        if found is not None and _fits(found[0], unit, table):
            return _said_of(Title(found[0], unit, languages=found[1]), said)
    if table == "cameras" and (
        _tokens(bare) - {"vertical", "angle"} and _tokens(bare) - {"vertical", "angle"} <= _TILT
    ):
        return Title(
            "tilt_down_deg" if "down" in said else "pitch_deg", unit, said & {"down", "up"} or frozenset({"tilt"})
        )
    if said & {"sea"} and not bare and table == "cameras":
        return Title("height_m", unit, frozenset({"sea"}))
    if said & {"magnetic"} and not bare and table == "cameras":
        return Title("bearing_deg", unit, frozenset({"magnetic"}))
    if (match := re.fullmatch(r"(.+?)\W+o", bare)) and phrases.get(match.group(1), ("",))[0] == "longitude":
        return Title("longitude", unit, frozenset({"o"}), phrases[match.group(1)][1])
    return None


def _nearly(plain: str, unit: str | None, table: TableWord) -> Title | None:
    """The known title that a title is spelt nearly like."""
    phrases = _phrases(table)
    said = _said(plain)
    if len(plain) < 5:
        return None
    near = difflib.get_close_matches(plain, [p for p in phrases if len(p) > 4], n=1, cutoff=0.86)
    if near and _fits(phrases[near[0]][0], unit, table):
        return _said_of(Title(phrases[near[0]][0], unit, frozenset({"guess"}), phrases[near[0]][1]), said)
    return None


def _said_of(title: Title, said: frozenset[str]) -> Title:
    """The title with what matters for its column of what it says."""
    matters = {"height_m": {"sea"}, "ground_up_m": {"sea"}, "up_m": {"sea"}, "bearing_deg": {"magnetic", "grid", "true"},
               "pitch_deg": {"down", "up"}, "target_up_m": {"sea"}}.get(title.key, set())  # fmt: skip
    kept = said & matters
    if title.key == "bearing_deg" and "down" in said:  # *Aim* over *down*
        title, kept = replace(title, key="pitch_deg"), frozenset({"down"})
    if title.key == "pitch_deg" and "down" in kept:
        title, kept = replace(title, key="tilt_down_deg"), kept - {"down"}
    return replace(title, words=title.words | kept)


def _fits(key: str, unit: str | None, table: TableWord) -> bool:
    kind = by_key(table)[key].kind
    if isinstance(kind, Pair) and kind.columns[0] == "image_width_px":
        return unit in (None, "px")
    return unit is None or (isinstance(kind, Measure) and (unit == "%" or kind.factor(unit) is not None))


#: Titles that are one column or another by their unit.
_AMBIGUOUS = {
    "px": {"width": "image_width_px", "height": "image_height_px", "hohe": "image_height_px", "breite": "image_width_px", "hauteur": "image_height_px",
           "altura": "image_height_px", "altezza": "image_height_px", "h": "image_height_px", "w": "image_width_px", "b": "image_width_px", "largeur": "image_width_px"},
    "mm": {"lens": "focal_mm", "objektiv": "focal_mm", "f": "focal_mm", "sensor": "sensor_width_mm", "chip": "sensor_width_mm"},
    "°": {"lens": "hfov_deg", "angle": "hfov_deg", "objektiv": "hfov_deg", "winkel": "hfov_deg", "horizontal": "hfov_deg", "h": "hfov_deg"},
}  # fmt: skip


def _by_unit(plain: str, unit: str | None, table: TableWord) -> Title | None:
    key = _AMBIGUOUS.get(unit or "", {}).get(plain)
    return Title(key, unit) if key is not None and table == "cameras" else None


def _of_target(plain: str, unit: str | None) -> Title | None:
    """``Target east``, ``Ziel Höhe (m)``: one of the inline target's columns."""
    found = _phrases("cameras").get(plain)
    if found is not None and found[0].startswith("target") and _fits(found[0], unit, "cameras"):
        said = frozenset({"sea"}) if _SAID_PATTERNS["sea"].search(plain) else frozenset()
        return Title(found[0], unit, said, found[1])
    rest = " ".join(_TARGET.sub(" ", plain).split())
    if not rest:  # a name has no unit
        return {None: Title("target"), "px/m": Title("required_px_per_m", unit)}.get(unit)
    inner = _of_phrase(rest, unit, "targets")
    if inner is None:
        return None
    key = {"target": "target", "purpose": "target_purpose", "required_px_per_m": "required_px_per_m"}.get(
        inner.key, f"target_{inner.key}"
    )
    return replace(inner, key=key) if key in by_key("cameras") else None


@dataclass(frozen=True, slots=True)
class Facts:
    """What a line above or below a table says of all its columns.

    Attributes
    ----------
    length, angle : str or None
        Unit of lengths and of angles.
    magnetic, sea, own_north : bool
        Bearings count from magnetic north; heights from the sea; bearings from a north of the site's own.
    text : str
        All such lines, for the name of a grid.
    """

    length: str | None = None
    angle: str | None = None
    magnetic: bool = False
    sea: bool = False
    own_north: bool = False
    text: str = ""


_UNIT_LINE = re.compile(
    r"(?:\b(?:in|en|unit|units|einheit|einheiten|unite|unites|unidad|unidades|unita|sono)\b|[:=(\[,])\s*(?:sind|are|sont|son|sono)?\s*([a-z°]+)"
)
_ANY_UNIT = re.compile(
    plain_letters(
        r"\b(dimension|measure|length|height|mass|abmessung|hohe|lange|angabe|longueur|cote|mesure|medida|dimensione|misure|quote|unit|einheit|winkel|angle|bearing|richtung)"
    )
)


#: A north that a drawing's author chose, beside which true north lies somewhere else.
_OWN_NORTH = re.compile(
    plain_letters(
        r"\b(site|plan|project|plant|building|local|assumed|nominal|relative|model) north\b|\b(plan|projekt|gebaude|bauwerks|werks|objekt)[ -]?nord(en)?\b|"
        r"\bnord (du |de )?(projet|plan|chantier|batiment|site)\b|\bnorte (del? )?(proyecto|plano|edificio|obra)\b|\bnord (di |del )?(progetto|edificio|cantiere)\b"
    )
)


def facts_of(text: str) -> Facts:
    """What a line of text says of all columns, e.g. ``All dimensions in feet``."""
    plain = plain_letters(text)
    length = angle = None
    if _ANY_UNIT.search(plain):
        for word in _UNIT_LINE.findall(plain):
            unit = unit_named(word)
            if unit in ("m", "mm", "cm", "ft", "in", "yd", "km") and word not in ("in",):
                length = length or unit
            elif unit in ("°", "gon", "rad", "mil"):
                angle = angle or unit
    bearing = re.search(r"bearing|azimut|direction|richtung|rumbo|direzion|heading|peilung|north|nord|norte", plain)
    magnetic = bool(bearing and _SAID_PATTERNS["magnetic"].search(_plain(plain)))
    height = re.search(r"height|level|hohe|hauteur|altur|altezz|cote|cota|quot", plain)
    sea = bool(height and _SAID_PATTERNS["sea"].search(_plain(plain)))
    return Facts(length, angle, magnetic, sea, bool(_OWN_NORTH.search(plain)), text)

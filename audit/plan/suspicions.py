"""What the values of a plan together make unlikely: exchanged columns, a wrong sign, ids that look alike, copies.

Every one is a guess or a question, never a silent change; ``as_written`` in a row says that a person has checked it.
"""

from __future__ import annotations

import difflib
import math
import re
import statistics
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from functools import partial

from audit.plan.places import to_local
from audit.plan.plain import voice_of
from audit.plan.table import Problems, Row, Table

__all__ = ["nearest", "same_id", "suspect"]

#: A camera this far from the others is not on the same site (our default).
_FAR_M = 20_000.0
#: Few plans are made for the tropics' narrow belt, most for the temperate zones (our default; a question, no verdict).
_TROPIC_DEG = 23.4
_TEMPERATE_DEG = (35.0, 62.0)
#: Where a language is at home in Europe: south, north, west, east in degrees (our default, rounded outwards).
_HOMES = {
    "de": (45.5, 55.5, 5.5, 17.5),
    "fr": (41.0, 51.5, -5.5, 10.0),
    "es": (27.5, 44.0, -18.5, 4.5),
    "it": (35.0, 47.5, 6.0, 19.0),
}
_LEVEL_DEG = 1.0  # our default: an angle smaller than this has no sign worth asking about
_HIGH_M = 25.0  # our default: that all cameras of a site hang higher than this is rare
_TURNED_DEG = (75.0, 105.0)
_LOOKED_AT = 200
_ENOUGH = 3  # our default: fewer small angles may be meant
_EARTH_M_PER_DEG = 111_195.0


def suspect(table: Table, problems: Problems, take: bool) -> None:
    """Look at a table of cameras as a whole."""
    judge = _Suspicions(table, problems, take)
    judge.ids()
    judge.several_in_a_row()
    judge.radians()
    judge.pitch()
    judge.size()
    judge.coordinates()
    judge.heights()


class _Suspicions:
    def __init__(self, table: Table, problems: Problems, take: bool) -> None:
        self.table, self.problems, self.take = table, problems, take

    @property
    def rows(self) -> list[Row]:
        return [r for r in self.table.rows if not r.dropped]

    def _free(self, key: str) -> list[tuple[Row, float]]:
        """Rows with a value in a column that nobody has confirmed."""
        found = []
        for row in self.rows:
            value = row.number_in(key)
            if value is not None and key not in set(row.text("as_written").replace(",", " ").split()):
                found.append((row, value))
        return found

    def _guess(self, key: str, rows: Iterable[Row], message: str, what: str, change: Callable[[Row], None]) -> None:
        voice = voice_of(self.table, key, self.problems, self.take)
        for row in rows:
            row.suspected.add(key)
            voice.guess(row, row.line, row.cells.get(key), message, what, partial(change, row))
        voice.flush()

    def _question(self, key: str, rows: Iterable[Row], message: str, severity: str = "error") -> None:
        voice = voice_of(self.table, key, self.problems, self.take)
        for row in rows:
            row.suspected.add(key)
            voice.question(row, row.line, row.cells.get(key), message, None, severity)
        voice.flush()

    def _warn(self, key: str, rows: Iterable[Row], message: str) -> None:
        voice = voice_of(self.table, key, self.problems, self.take)
        for row in rows:
            voice.warn(row, row.line, row.cells.get(key), message)
        voice.flush()

    def ids(self) -> None:
        """The same id twice; ids that an eye takes for one another."""
        first: dict[str, Row] = {}
        alike: dict[str, Row] = {}
        voice = voice_of(self.table, "camera", self.problems, self.take)
        for row in self.rows:
            name = row.text("camera")
            if not name:
                continue
            before = first.setdefault(name, row)
            if before is not row:
                if _same(before, row):
                    row.dropped = True
                    voice.note(
                        row, row.line, name, f"stands in row {before.number} already with the same cells; one is read"
                    )
                    continue
                message = f"stands in row {before.number} already, with other cells; give each camera its own id"
                voice.question(row, row.line, name, message, "a unique id")
                voice.question(
                    before,
                    before.line,
                    name,
                    f"stands in row {row.number} too, with other cells; give each camera its own id",
                    "a unique id",
                )
                continue
            twin = alike.setdefault(_skeleton(name), row)
            if twin is not row and "camera" not in row.text("as_written").split():
                row.suspected.add("camera")
                self._alike(row, twin)
        voice.flush()

    def _alike(self, row: Row, twin: Row) -> None:
        from audit.errors import PlanProblem

        name, other = row.text("camera"), twin.text("camera")
        how = (
            "in capitals only"
            if name.casefold() == other.casefold()
            else "in signs that look alike (0 and O, 1 and l, hyphens, spaces, leading zeros)"
        )
        self.problems.add(
            PlanProblem(
                self.table.grid.file, f"'{name}' and '{other}' differ {how} and are easily confused; is it one camera or two?", row=row.number,
                column=self.table.titles.get("camera", "camera"), value=name, severity="warning", camera=name,
                remedy="Give one of them another id, or take the row out.", cell=row.where.get("camera"))
        )  # fmt: skip

    def several_in_a_row(self) -> None:
        """Two ids in one cell, or a quantity above one."""
        names = [r.text("camera") for r in self.rows if r.has("camera")]
        parted = {sign: sum(sign in n for n in names) for sign in _PARTERS}
        parted["-"] = sum(_RANGE.search(n) is not None for n in names)
        voice = voice_of(self.table, "camera", self.problems, self.take)
        for row in self.rows:
            name = row.text("camera")
            signs = [
                s
                for s in _PARTERS
                if s in name and (s == "\n" or parted[s] <= max(1, len(names) / 2) or s in ("&", "+", ";"))
            ]
            if any(_two_ids(name, sign, names) for sign in signs) and "camera" not in row.text("as_written").split():
                row.suspected.add("camera")
                voice.question(
                    row, row.line, name, "looks like several cameras in one row; give each camera a row of its own"
                )
            number = row.number_in("quantity")
            if number is not None and number > 1:
                voice.question(
                    row,
                    row.line,
                    name,
                    f"stands for {number:g} cameras in one row; give each camera a row and an id of its own",
                )
        voice.flush()

    def pitch(self) -> None:
        """Positive angles where everyone means down, and a tilt whose sign nobody defined."""
        for key, down in (("pitch_deg", -1.0), ("tilt_down_deg", 1.0)):
            free = [(r, v) for r, v in self._free(key) if abs(v) >= _LEVEL_DEG and not _looks_up_at_its_target(r)]
            if not free:
                continue
            wrong = [(r, v) for r, v in free if v * down < 0]

            def turn(row: Row, key: str = key) -> None:
                row.cells[key] = -float(row.number_in(key) or 0.0)

            if len(wrong) == len(free):
                self._guess(
                    key, [r for r, _ in wrong], "would make every camera look up", "the angles are downwards", turn
                )
            elif wrong and len(free) - len(wrong) >= 4 * len(wrong):
                at_target = [r for r, _ in wrong if _looks_down_at_its_target(r)]
                self._guess(
                    key,
                    at_target,
                    "would make the camera look up, and its target is below it",
                    "the angle is downwards",
                    turn,
                )
                self._upward(key, [r for r, _ in wrong if r not in at_target])
            elif wrong and key == "pitch_deg" and self._unsigned():
                self._question(
                    key,
                    [r for r, _ in free],
                    "stands in a column that doesn't say whether plus is up or down, and it has both; name the column pitch_deg or tilt_down_deg",
                )

    def _upward(self, key: str, rows: list[Row]) -> None:
        """A few that look up among many that look down: asked where the title leaves the sign open, else said."""
        message = f"would make the camera look up, unlike the others (if it does, write {key} into as_written)"
        self._question(key, rows, message) if self._in_own_words(key) else self._warn(key, rows, message)

    def _in_own_words(self, key: str) -> bool:
        return self.table.titles.get(key, key) != key

    def _unsigned(self) -> bool:
        from audit.plan.titles import read_title

        title = read_title(self.table.titles.get("pitch_deg", "pitch_deg"), "cameras")
        return title is not None and not title.exact and not title.words & {"up", "down", "sign"}

    def radians(self) -> None:
        """Angles so small that they can only be in radians."""
        for key, most in (("bearing_deg", 2 * math.pi), ("hfov_deg", math.pi)):
            free = self._free(key)
            values = [v for _, v in free]
            fractions = sum(v != int(v) for v in values)
            if len(values) < _ENOUGH or max(values) > most or fractions < 2 or len(free) < len(self.rows):
                continue

            def turn(row: Row, key: str = key) -> None:
                row.cells[key] = round(math.degrees(float(row.number_in(key) or 0.0)), 6)

            self._guess(
                key, [r for r, _ in free], "is a very small angle, as all of them are", "they are in radians", turn
            )

    def size(self) -> None:
        """Width and height exchanged."""
        sizes = []
        for row, width in self._free("image_width_px"):
            height = row.number_in("image_height_px")
            roll = abs(row.number_in("roll_deg") or 0.0)
            if height is not None and not _TURNED_DEG[0] <= roll <= _TURNED_DEG[1]:
                sizes.append((row, width, height))
        upright = [row for row, width, height in sizes if width < height]
        lying = sum(width > height for _, width, height in sizes)
        if not upright or (lying and len(upright) > lying):
            return

        def turn(row: Row) -> None:
            row.cells["image_width_px"], row.cells["image_height_px"] = (
                row.cells["image_height_px"],
                row.cells["image_width_px"],
            )

        self._guess(
            "image_width_px",
            upright,
            "is less than the picture's height (a camera set up for a corridor stands so: then write image_width_px into as_written)",
            "width and height are exchanged",
            turn,
        )

    def coordinates(self) -> None:
        """Latitude and longitude exchanged, by title or by row; a camera far from all others."""
        for latitude, longitude in (
            ("latitude", "longitude"),
            ("target_latitude", "target_longitude"),
            ("origin_latitude", "origin_longitude"),
        ):
            self._exchanged(latitude, longitude)
        self._far()

    def _exchanged(self, latitude: str, longitude: str) -> None:
        placed = [(r, lat, lon) for r, lat in self._free(latitude) if (lon := r.number_in(longitude)) is not None]
        impossible = [r for r, lat, lon in placed if abs(lat) > 90 and abs(lon) <= 90]

        def turn(row: Row) -> None:
            row.cells[latitude], row.cells[longitude] = row.cells[longitude], row.cells[latitude]

        if impossible and len(impossible) == len(placed):
            self._guess(
                latitude, impossible, "is no latitude (−90 to 90)", f"{latitude} and {longitude} are exchanged", turn
            )
            return
        if (
            latitude == "latitude"
            and len(impossible) == 0
            and placed
            and self._fits_better_exchanged([(r, (lat, lon)) for r, lat, lon in placed])
        ):
            self._guess(
                latitude,
                [r for r, *_ in placed],
                "does not fit the plan's directions and distances",
                "latitude and longitude are exchanged",
                turn,
            )
            return
        if (
            latitude == "latitude"
            and not impossible
            and placed
            and self._out_of_place([(r, (lat, lon)) for r, lat, lon in placed])
        ):
            message = (
                f"puts the site near {placed[0][1]:.1f}° of latitude and {placed[0][2]:.1f}° of longitude, which is "
                "unlikely, and nothing else in the plan tells (if it is right, write latitude into as_written)"
            )
            self._guess(latitude, [r for r, *_ in placed], message, "latitude and longitude are exchanged", turn)
            return
        for row in impossible:
            self._guess(
                latitude,
                [row],
                "is no latitude (−90 to 90)",
                f"{latitude} and {longitude} are exchanged in this row",
                turn,
            )
        self._question(
            latitude, [r for r, lat, lon in placed if abs(lat) > 90 and abs(lon) > 90], "is no latitude (−90 to 90)"
        )

    def _fits_better_exchanged(self, placed: Sequence[tuple[Row, tuple[float, float]]]) -> bool:
        """Whether bearings to targets, and local metres beside them, agree only with the columns exchanged."""
        if any(abs(lon) > 90 for _, (_, lon) in placed):
            return False
        straight, turned = _misfit(placed, False), _misfit(placed, True)
        return straight is not None and turned is not None and turned < 0.25 and straight > max(0.5, 4 * turned)

    def _out_of_place(self, placed: Sequence[tuple[Row, tuple[float, float]]]) -> bool:
        """Whether the site lies where few plans are and, exchanged, where most are; what else the plan holds decides."""
        straight = _misfit(placed, False)
        if straight is not None and straight < 0.5:
            return False
        latitude, longitude = _middle([p for _, p in placed])
        south, north, west, east = _HOMES.get(self.table.language, (0.0, 0.0, 0.0, 0.0))
        home = south <= longitude <= north and west <= latitude <= east
        away = not (south <= latitude <= north and west <= longitude <= east)
        tropical = abs(latitude) < _TROPIC_DEG and _TEMPERATE_DEG[0] <= abs(longitude) <= _TEMPERATE_DEG[1]
        return tropical or (home and away)

    def _far(self) -> None:
        placed = [
            (r, (lat, lon))
            for r, lat in self._free("latitude")
            if (lon := r.number_in("longitude")) is not None and abs(lat) <= 90
        ]
        if len(placed) < 3:
            return
        middle = _middle([p for _, p in placed])
        for row, place in placed:
            if _rough_distance_m(place, middle) <= _FAR_M or "latitude" in row.suspected:
                continue
            if abs(place[1]) <= 90 and _rough_distance_m((place[1], place[0]), middle) <= _FAR_M:
                self._guess(
                    "latitude",
                    [row],
                    "lies far from the other cameras",
                    "latitude and longitude are exchanged in this row",
                    _turn,
                )
                continue
            signs = next(
                (
                    s
                    for s in ((-1, 1), (1, -1), (-1, -1))
                    if _rough_distance_m((place[0] * s[0], place[1] * s[1]), middle) <= _FAR_M
                ),
                None,
            )
            if signs is not None:
                self._guess(
                    "longitude" if signs[0] == 1 else "latitude",
                    [row],
                    "lies far from the other cameras",
                    "its sign is wrong",
                    _signer(signs),
                )
                continue
            far = _rough_distance_m(place, middle) / 1000
            self._question(
                "latitude",
                [row],
                f"puts the camera {far:,.0f} km from the others; check latitude and longitude, and their signs",
            )

    def heights(self) -> None:
        """Heights that look as if they counted from the sea."""
        free = self._free("height_m")
        values = [v for _, v in free]
        if (
            len(values) > 1
            and min(values) > _HIGH_M
            and max(values) - min(values) < 0.5 * min(values)
            and len(values) == len([r for r in self.rows if r.has("height_m")])
        ):
            self._question(
                "height_m",
                [r for r, _ in free],
                "would make every camera hang very high: does the height count from the sea, or in another unit? Write heights above the ground, in metres",
            )


def _turn(row: Row) -> None:
    row.cells["latitude"], row.cells["longitude"] = row.cells["longitude"], row.cells["latitude"]


def _signer(signs: tuple[int, int]) -> Callable[[Row], None]:
    def change(row: Row) -> None:
        row.cells["latitude"] = signs[0] * float(row.number_in("latitude") or 0.0)
        row.cells["longitude"] = signs[1] * float(row.number_in("longitude") or 0.0)

    return change


def _same(one: Row, other: Row) -> bool:
    return one.cells == other.cells and one.raw == other.raw


_LOOKS_LIKE = str.maketrans({"o": "0", "l": "1", "i": "1", "|": "1"})


def _skeleton(name: str) -> str:
    """An id with what an eye confuses made one: case, 0 and O, 1, I and l, hyphens and spaces, zeros in front."""
    plain = unicodedata.normalize("NFKD", name).casefold().translate(_CYRILLIC).translate(_LOOKS_LIKE)
    plain = re.sub(r"(?<!\d)0+(?=\d)", "", plain)
    return re.sub(r"[\W_]+", "", re.sub(r"(?<=\d)[\W_]+(?=\d)", "x", plain))


#: Letters of other alphabets with the shape of Latin ones (Unicode Technical Standard 39, confusables).
_CYRILLIC = str.maketrans("асеорхукмтвнгі", "aceopxykmtbhri")

_PARTERS = ("\n", "-", "/", "&", "+", ",", ";", " and ", " und ", " et ", " y ")
_RANGE = re.compile(r"(?<=\d)\s*(?:-|–|\.\.|to|bis)\s*(?=[A-Za-z])")
_ID = re.compile(r"^([A-Za-zÀ-ÿ]*)[\s._-]*([A-Za-zÀ-ÿ]*[\s._-]*)(\d+)([a-z]?)$")


def _two_ids(name: str, sign: str, names: Sequence[str]) -> bool:
    """Whether a cell's parts each look like an id of this plan: letters and a number, or a bare number after one."""
    parts = [p.strip() for p in (_RANGE.split(name) if sign == "-" else name.split(sign))]
    if sign == "-" and not (len(parts) == 2 and _ID.match(parts[0]) and _ID.match(parts[0]).group(1)):  # type: ignore[union-attr]
        return False
    if len(parts) < 2 or not all(parts):
        return False
    first, *others = (_ID.match(p) for p in parts)
    if first is None:
        return False
    return all(o is not None and (o.group(1) == first.group(1) or not o.group(1)) for o in others) or all(
        p in names for p in parts
    )


def _target_above(row: Row) -> float | None:
    """How far the row's own target lies above the lens, metres; None where the row has none."""
    target, height = row.number_in("target_up_m"), row.number_in("height_m")
    return None if target is None or height is None else target - height - (row.number_in("ground_up_m") or 0.0)


def _looks_up_at_its_target(row: Row) -> bool:
    above = _target_above(row)
    return above is not None and above > 0


def _looks_down_at_its_target(row: Row) -> bool:
    above = _target_above(row)
    return above is not None and above < 0


def _misfit(placed: Sequence[tuple[Row, tuple[float, float]]], turned: bool) -> float | None:
    """How badly positions fit bearings to targets and local metres: 0 well, 1 and more not at all; None where nothing tells."""

    def at(place: tuple[float, float]) -> tuple[float, float]:
        return (place[1], place[0]) if turned else place

    told: list[float] = []
    placed = placed[:_LOOKED_AT]
    for row, place in placed:
        lat, lon, bearing = (
            row.number_in("target_latitude"),
            row.number_in("target_longitude"),
            row.number_in("bearing_deg"),
        )
        if lat is None or lon is None or bearing is None or max(abs(lat), abs(lon)) > 90:
            continue
        east, north = to_local(*at((lat, lon)), at(place))
        if math.hypot(east, north) > 0.5:
            off = abs((math.degrees(math.atan2(east, north)) - bearing + 180) % 360 - 180)
            told.append(off / max(30.0, (row.number_in("hfov_deg") or 60.0) / 2) / 2)
    local = [(r, p) for r, p in placed if r.number_in("east_m") is not None and r.number_in("north_m") is not None]
    for (one, a), (other, b) in zip(local, local[1:], strict=False):
        east = float(other.number_in("east_m") or 0) - float(one.number_in("east_m") or 0)
        north = float(other.number_in("north_m") or 0) - float(one.number_in("north_m") or 0)
        if math.hypot(east, north) > 5 and _rough_distance_m(at(a), at(b)) < _FAR_M:
            e, n = to_local(*at(b), at(a))
            told.append(math.hypot(e - east, n - north) / math.hypot(east, north))
    return statistics.median(told) if len(told) >= 2 or (told and len(placed) == 1) else None


def _middle(positions: list[tuple[float, float]]) -> tuple[float, float]:
    """Median latitude and longitude, also across the 180th meridian."""
    first = positions[0][1]
    turned = [(p[1] - first + 180.0) % 360.0 - 180.0 for p in positions]
    longitude = (first + statistics.median(turned) + 180.0) % 360.0 - 180.0
    return statistics.median(p[0] for p in positions), longitude


def _rough_distance_m(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Distance good enough to tell near from far (sphere)."""
    d_longitude = (a[1] - b[1] + 180) % 360 - 180
    north, east = a[0] - b[0], d_longitude * math.cos(math.radians((a[0] + b[0]) / 2))
    return _EARTH_M_PER_DEG * math.hypot(north, east)


def nearest(text: str, names: Iterable[str]) -> str | None:
    """The id that a text can only be: written alike but for case, signs and zeros; else the nearest spelling."""
    found = [n for n in names if _skeleton(n) == _skeleton(text)]
    if len(found) == 1:
        return found[0]
    near = difflib.get_close_matches(text, list(names), n=1)
    return near[0] if near else None


def same_id(one: str, other: str) -> bool:
    """Whether two ids differ only in what an eye confuses."""
    return _skeleton(one) == _skeleton(other)

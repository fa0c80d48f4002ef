"""Tables of photos' metadata and of people's answers, as the contract writes them."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from audit.errors import AuditError
from audit.photos.photo import BearingReference, Metadata, Photo

__all__ = ["COLUMNS", "RowError", "read_answers", "read_metadata_table", "table_rows"]

COLUMNS = ("photo", "taken_at", "latitude", "longitude", "position_error_m", "bearing_deg", "bearing_reference",
           "altitude_m", "device", "serial", "text", "picture_hash")

csv.field_size_limit(1 << 20)


@dataclass(frozen=True, slots=True)
class RowError:
    """A row of a table that could not be used: which, and why in one sentence."""

    row: int
    photo: str
    message: str


def table_rows(path: Path, required: tuple[str, ...], what: str) -> list[tuple[int, dict[str, str]]]:
    """Rows of a CSV table (commas or semicolons, first line naming the columns) with their line numbers.

    Parameters
    ----------
    path : Path
    required : tuple of str
        Columns that the table must have, in lower case.
    what : str
        What the table is, for a person.

    Returns
    -------
    list of (int, dict)
        Line number, and stripped cells by lower-case column; rows without any text are passed over.

    Raises
    ------
    AuditError
        The file can't be read, is no UTF-8 text, or lacks a column. Text in another encoding is refused whole: a
        photo's name that was half read would be taken for another photo.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig").replace("\0", "")
    except UnicodeDecodeError:
        raise AuditError(f"{path}: the {what} is not UTF-8 text; save it as CSV in UTF-8.") from None
    except OSError as error:
        raise AuditError(f"{path}: the {what} can't be read ({error.strerror}); check the path.") from error
    first = text.split("\n", 1)[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
        header = [name.strip().lower() for name in next(reader, [])]
        missing = [name for name in required if name not in header]
        if missing:
            raise AuditError(f"{path}: the {what} lacks the column {', '.join(missing)}; "
                             f"its first line must name the columns.")
        rows = []
        for cells in reader:
            if any(cell.strip() for cell in cells):
                clean = [cell.strip() for cell in cells] + [""] * (len(header) - len(cells))
                rows.append((reader.line_num, dict(zip(header, clean, strict=False))))
        return rows
    except csv.Error as error:
        raise AuditError(f"{path}: the {what} is not a readable CSV file ({error}); save it as CSV again.") from error


class _Cell(ValueError):
    """A cell that does not hold what its column needs."""


def _number(row: dict[str, str], column: str, low: float, high: float) -> float | None:
    text = row.get(column, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise _Cell(f"{column} '{text[:40]}' is not a number") from None
    if not math.isfinite(value) or not low <= value <= high:
        raise _Cell(f"{column} {text[:40]} lies outside {low:g} to {high:g}")
    return value


def _time(text: str) -> datetime | None:
    if not text:
        return None
    normal = text
    # EXIF writes 2026:06:16 08:00:00, 19 characters
    if len(text) >= 19 and text[4] == ":" and text[7] == ":":
        normal = text[:4] + "-" + text[5:7] + "-" + text[8:]
    try:
        return datetime.fromisoformat(normal)
    except ValueError:
        raise _Cell(f"taken_at '{text[:40]}' is not an ISO 8601 time such as 2026-06-16T10:05:00+00:00") from None


def _photo(row: dict[str, str]) -> tuple[Photo, list[str]]:
    problems: list[str] = []

    def take(column: str, low: float, high: float) -> float | None:
        try:
            return _number(row, column, low, high)
        except _Cell as error:
            problems.append(str(error))
            return None

    name = row["photo"]
    taken_at: datetime | None = None
    try:
        taken_at = _time(row.get("taken_at", ""))
    except _Cell as error:
        problems.append(str(error))
    latitude = take("latitude", -90.0, 90.0)
    longitude = take("longitude", -180.0, 180.0)
    if latitude is None or longitude is None:
        latitude = longitude = None
    # no error is larger than a quarter of the Earth
    error_m = take("position_error_m", 0.0, 1e7)
    # a turn too much either way is still understood
    bearing = take("bearing_deg", -360.0, 720.0)
    reference: BearingReference | None = None
    text = row.get("bearing_reference", "").upper()
    if text in ("T", "M"):
        reference = "T" if text == "T" else "M"
    elif text:
        problems.append(f"bearing_reference '{text[:20]}' is neither T nor M")
    hash_text = row.get("picture_hash", "").lower()
    picture_hash: str | None = None
    if hash_text:
        if len(hash_text) == 16 and all(c in "0123456789abcdef" for c in hash_text):
            picture_hash = hash_text
        else:
            problems.append("picture_hash is not 16 hex digits")
    metadata = Metadata(
        # no place on Earth is as high or low
        taken_at=taken_at, latitude=latitude, longitude=longitude, altitude_m=take("altitude_m", -1e5, 1e5),
        position_error_m=error_m, bearing_deg=None if bearing is None else bearing % 360.0,
        bearing_reference=reference, device=row.get("device") or None, serial=row.get("serial") or None,
        text=row.get("text") or None, notes=tuple(problems))
    digest = hashlib.sha256("\x1f".join(row.get(c, "") for c in COLUMNS).encode("utf-8", "replace")).hexdigest()
    return Photo(name=name, sha256=digest, size_bytes=0, format="", width_px=0, height_px=0, metadata=metadata,
                 picture_hash=picture_hash), problems


def read_metadata_table(path: str | Path) -> tuple[tuple[Photo, ...], tuple[RowError, ...]]:
    """Reads the table of photos' metadata that ``match`` takes in place of a folder.

    Parameters
    ----------
    path : path of a CSV file
        Columns ``photo, taken_at, latitude, longitude, position_error_m, bearing_deg, bearing_reference,
        altitude_m, device, serial, text, picture_hash``; only ``photo`` is required, an empty cell is absent,
        further columns are passed over. A ``taken_at`` without an offset is the device's own clock.

    Returns
    -------
    photos : tuple of Photo
        One for each usable row, in file order. A cell that can't be understood is left absent, with a note.
    errors : tuple of RowError
        Rows without a photo name, names that come twice, and cells that were left out.

    Raises
    ------
    AuditError
        The file can't be read or has no ``photo`` column.
    """
    path = Path(path)
    photos: list[Photo] = []
    errors: list[RowError] = []
    seen: set[str] = set()
    for number, row in table_rows(path, ("photo",), "table of photos"):
        name = row.get("photo", "")
        if not name:
            errors.append(RowError(number, "", f"{path.name}, row {number}: the photo has no name; give it one."))
            continue
        if name in seen:
            errors.append(RowError(number, name, f"{path.name}, row {number}: photo '{name}' comes a second time; "
                                                 f"only the first row is used."))
            continue
        seen.add(name)
        photo, problems = _photo(row)
        photos.append(photo)
        errors.extend(RowError(number, name, f"{path.name}, row {number}: {problem}; it is left out.")
                      for problem in problems)
    return tuple(photos), tuple(errors)


def read_answers(path: str | Path) -> dict[str, str | None]:
    """Reads what a person said: CSV with columns ``photo,camera``; an empty camera means that it belongs to none.

    Where a photo comes twice the last row holds.

    Raises
    ------
    AuditError
        The file can't be read or lacks a column.
    """
    path = Path(path)
    return {row["photo"]: row.get("camera") or None for _, row in table_rows(path, ("photo", "camera"), "answers")
            if row.get("photo")}

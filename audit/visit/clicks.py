"""Clicks of many cameras from one list: all that can be true are recorded, then each camera is judged once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import AuditError
from audit.judge.finding import Verdict
from audit.logbook import Logbook, VisitRecord
from audit.match.table import table_rows
from audit.visit.point import judge_camera_again, point_out

__all__ = ["Click", "pixel_of", "read_clicks", "record_clicks"]


@dataclass(frozen=True, slots=True)
class Click:
    """A target or landmark at a pixel of a camera's picture; None: not in the picture."""

    camera: str
    landmark: str
    at_px: tuple[float, float] | None


def read_clicks(path: Path) -> list[Click]:
    """Clicks of a CSV with the columns ``camera, landmark, column_px, row_px``; an empty position: not in the picture.

    Raises
    ------
    AuditError
        Naming the file and line that can't be read.
    """
    found = []
    for line, cells in table_rows(path, ("camera", "landmark", "column_px", "row_px"), "list of clicks"):
        column, row = cells["column_px"], cells["row_px"]
        at = None if not column and not row else pixel_of(f"{column},{row}", f"{path.name}, line {line}")
        found.append(Click(cells["camera"], cells["landmark"], at))
    return found


def pixel_of(text: str, where: str) -> tuple[float, float]:
    """COLUMN,ROW as numbers."""
    try:
        column, row = (float(part) for part in text.split(","))
    except ValueError:
        column = row = math.nan
    if not (math.isfinite(column) and math.isfinite(row)):
        raise AuditError(f"{where} {text}: not a position; write COLUMN,ROW in pixels, such as 960,540.")
    return column, row


def record_clicks(
    logbook: Logbook, visit: VisitRecord, clicks: Sequence[Click], by: str
) -> tuple[list[Verdict], list[tuple[Click, AuditError]]]:
    """The verdicts of the cameras that were clicked, and the clicks that can't be true with the reason."""
    refused: list[tuple[Click, AuditError]] = []
    cameras: dict[str, None] = {}
    for click in clicks:
        try:
            point_out(logbook, visit, click.camera, click.landmark, click.at_px, by, judge=False)
            cameras[click.camera] = None
        except AuditError as error:
            refused.append((click, error))
    return [judge_camera_again(logbook, visit, camera) for camera in cameras], refused

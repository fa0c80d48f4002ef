"""Printable boards for the targets: a marker at true scale, what it is for in words, and what it proves.

What a page claims follows from :mod:`audit.measure.board`: a marker needs 22 px a side by day and 35 px by night. The
acceptance test with a test object in the scene is that of IEC 62676-4.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
import zxingcpp
from fpdf import FPDF

from audit.account.boards import numbers_on
from audit.errors import AuditError
from audit.judge.intended import intended_pose
from audit.logbook import Logbook
from audit.measure.board import (
    DAY_SIDE_PX,
    MARKER_SIDE_M,
    NIGHT_SIDE_PX,
    Paper,
    marker_picture,
    proven_px_per_m,
    site_board_number,
)
from audit.plan.model import Camera, Site, Target
from audit.plan.optics import geometry
from audit.report.document import plain

__all__ = ["write_boards"]

_SHEET_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "A2": (420.0, 594.0)}
_FONT = "DejaVu"
_RULER_MM = 100.0
_CODE_MM = 24.0
_CAUTION = (
    "Beside traffic, machines or at height: only with the site's own safety rules and a second person; local "
    "regulations apply."
)


@dataclass(frozen=True, slots=True)
class _Board:
    number: int
    heading: str
    lines: tuple[str, ...]
    code: str | None


def write_boards(logbook: Logbook, path: Path, paper: Paper = "A4", carried: bool = False) -> int:
    """Write the boards of a site as a PDF, one page a target; or one page to carry from target to target.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    AuditError
        Where the plan names no target, has more than there are boards, or the file can't be written.
    """
    site = logbook.site()
    boards = [_carried(site, paper)] if carried else _of_targets(logbook, site, paper)
    sheet = _Sheet(paper, site.name)
    for board in boards:
        sheet.draw(board)
    try:
        path.write_bytes(bytes(sheet.output()))
    except OSError as error:
        raise AuditError(f"{path}: can't be written ({error.strerror}); choose another folder.") from None
    return len(boards)


def _of_targets(logbook: Logbook, site: Site, paper: Paper) -> list[_Board]:
    wanted = [(camera, target) for camera in site.cameras for target in camera.targets]
    if not wanted:
        raise AuditError("the plan names no target to hang a board at; --carry prints the one that is carried along.")
    numbers = numbers_on(logbook, site, paper)
    if not numbers:
        raise AuditError(f"the plan has more targets than there are boards on {paper}; --carry prints one for all.")
    return [_of_target(site, c, t, numbers[c.camera, t.name], paper) for c, t in wanted]


def _of_target(site: Site, camera: Camera, target: Target, number: int, paper: Paper) -> _Board:
    seen = next(v for v in geometry(camera, intended_pose(camera).pose).targets if v.target == target.name)
    ground = target.up_m - camera.ground_up_m
    lines = [
        f"Hang it flat at '{target.name}', its middle {ground:.1f} m above the ground, facing camera {camera.camera}"
        f" ({seen.distance_m:.0f} m away); no folds, no glossy film, nothing over the black rim. Then take the camera's "
        "snapshot."
    ]
    side = MARKER_SIDE_M[paper]
    if seen.px_per_m is not None:
        pixels = seen.px_per_m * side
        lines.append(
            f"Planned here: {seen.px_per_m:.0f} px/m, so the marker is {pixels:.0f} px a side. {_readable(pixels)}"
        )
    return _Board(
        number,
        f"{camera.camera}  ·  {target.name}",
        (_purpose(target), *lines, _proof(paper)),
        camera.camera,
    )


def _purpose(target: Target) -> str:
    if target.required_px_per_m is None:
        return "Shows where the camera is panned to; the plan asks for no pixel density here."
    label = f"{target.purpose}: " if target.purpose else ""
    return f"Purpose: {label}{target.required_px_per_m:.0f} px/m needed here."


def _readable(pixels: float) -> str:
    if pixels >= NIGHT_SIDE_PX:
        return "It is read by day and by night."
    if pixels >= DAY_SIDE_PX:
        return f"It is read by day; by night it takes {NIGHT_SIDE_PX:.0f} px."
    share = pixels / DAY_SIDE_PX
    return (
        f"That is too small to be read here ({DAY_SIDE_PX:.0f} px by day): print a larger one, or hold it at "
        f"{share:.0%} of the distance on the line to the camera, where it shows the bearing alone."
    )


def _proof(paper: Paper) -> str:
    return (
        f"What it proves: read in the camera's own picture, at least {proven_px_per_m(paper):.0f} px/m here by day "
        f"({proven_px_per_m(paper, night=True):.0f} by night) whatever the lens, which camera sees it, and where it is "
        "panned to. The measured px/m is good to 2-3 %."
    )


def _carried(site: Site, paper: Paper) -> _Board:
    lines = (
        "One board for the whole site: carry it from target to target, and take each camera's snapshot while it stands at "
        "that camera's only target.",
        "It does not say which camera sees it; the snapshot's file must.",
        _proof(paper),
    )
    return _Board(site_board_number(paper), f"{site.name}  ·  carried board", lines, None)


class _Sheet(FPDF):
    """Pages of one paper size with the marker at true scale."""

    def __init__(self, paper: Paper, site: str) -> None:
        width, height = _SHEET_MM[paper]
        super().__init__(format=(width, height), unit="mm")
        fonts = resources.files("audit.report").joinpath("fonts")
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            with resources.as_file(fonts.joinpath(name)) as place:
                self.add_font(_FONT, style, place)
        self.paper: Paper = paper
        self.site = plain(site)
        self.scale = width / 210.0
        self.set_title(plain(f"Boards of {site}"))
        self.set_lang("en-GB")
        self.set_creator("photo-audit")
        self.set_auto_page_break(False)

    def draw(self, board: _Board) -> None:
        """One page."""
        self.add_page()
        width, _ = _SHEET_MM[self.paper]
        margin = (width - 1000 * MARKER_SIDE_M[self.paper]) / 2
        self.set_xy(margin, 9 * self.scale)
        self.set_font(_FONT, "B", 20 * self.scale)
        self.cell(width - 2 * margin, 10 * self.scale, self._fitted(plain(board.heading), width - 2 * margin))
        self.set_xy(margin, 20 * self.scale)
        self.set_font(_FONT, "", 9 * self.scale)
        self.cell(width - 2 * margin, 5 * self.scale, f"{self.site}  ·  board {board.number}  ·  {self.paper}")
        top = 28 * self.scale
        self._marker(board.number, margin, top)
        self._words(board, margin, top + 1000 * MARKER_SIDE_M[self.paper] + 5 * self.scale)

    def _marker(self, number: int, left: float, top: float) -> None:
        """Each row's black stretches as one rectangle a stretch, so that no printer leaves seams along it."""
        modules = marker_picture(number, 1) < 128
        side = 1000 * MARKER_SIDE_M[self.paper] / modules.shape[0]
        self.set_fill_color(0)
        for row, line in enumerate(modules):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
            for start, end in zip(edges[::2], edges[1::2], strict=True):
                below = 0.02 if row + 1 < len(modules) else 0.0
                self.rect(left + start * side, top + row * side, (end - start) * side, side + below, style="F")

    def _words(self, board: _Board, left: float, top: float) -> None:
        width = 1000 * MARKER_SIDE_M[self.paper]
        code = (_CODE_MM + 4) * self.scale if board.code else 0.0
        self.set_font(_FONT, "", 8.5 * self.scale)
        y = top
        for line in (*board.lines, _CAUTION):
            self.set_xy(left, y)
            self.multi_cell(width - code, 3.9 * self.scale, plain(line), align="L")
            y = float(self.get_y()) + 1.0 * self.scale
        if board.code:
            self._code(board.code, left + width - _CODE_MM * self.scale, top)
        self._ruler(left, y + 4.5 * self.scale)

    def _code(self, text: str, left: float, top: float) -> None:
        """The camera's id as a code, so that a crew's photo of the board lies with its camera."""
        code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode)
        dark = np.asarray(code.to_image(scale=1)) < 128
        side = _CODE_MM * self.scale / dark.shape[0]
        for row, column in zip(*np.nonzero(dark), strict=True):
            self.rect(left + column * side, top + row * side, side, side, style="F")

    def _ruler(self, left: float, y: float) -> None:
        """A line of 100 mm whatever the paper, with a tick each 10 mm."""
        self.set_line_width(0.25)
        self.line(left, y, left + _RULER_MM, y)
        for tick in range(11):
            x = left + tick * _RULER_MM / 10
            self.line(x, y, x, y - (3.0 if tick in (0, 5, 10) else 1.6))
        self.set_font(_FONT, "", 7.5 * self.scale)
        self.text(left + _RULER_MM + 3, y, "This line is 100 mm long; if not, print at 100 % (actual size).")

    def _fitted(self, text: str, width: float) -> str:
        while text and self.get_string_width(text) > width:
            text = text[:-2].rstrip() + "…"
        return text

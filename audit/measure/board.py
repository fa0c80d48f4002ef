"""Printed boards at the targets: which is seen, how finely, and from where.

A board is a sheet with one square marker (5 x 5 modules in a black rim, OpenCV's aruco dictionary of 1,000). Its number
says which camera and target it was printed for, and on which paper, so that nothing else need be known to measure with
it. What a marker proves follows from its size alone: it is read from 22 px a side by day and from 35 px by night, so a
marker of 176 mm (A4) that is read proves 125 px/m by day whatever the lens.

The board's own attitude is not used: seen at that size it gives roll and pitch 3 to 9 degrees off.

Source: S. Garrido-Jurado et al., Automatic generation and detection of highly reliable fiducial markers under occlusion,
Pattern Recognition 47 (2014), doi 10.1016/j.patcog.2014.01.005; the planar pose as in Collins and Bartoli, Infinitesimal
plane-based pose estimation, IJCV 109 (2014), doi 10.1007/s11263-014-0725-5.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens

__all__ = [
    "DAY_SIDE_PX",
    "MARKER_SIDE_M",
    "NIGHT_SIDE_PX",
    "Board",
    "BoardView",
    "Paper",
    "Sighted",
    "board_numbers",
    "board_sentences",
    "find_boards",
    "marker_picture",
    "paper_of",
    "proven_px_per_m",
    "site_board_number",
    "view_of",
]

FloatArray = NDArray[np.float64]
Paper = Literal["A4", "A3", "A2"]

#: Side of the printed marker, metres: the sheet's width less a white rim of a twelfth of it on both sides.
MARKER_SIDE_M: dict[Paper, float] = {"A4": 0.176, "A3": 0.250, "A2": 0.352}
#: Smallest side at which a marker is read in 97 of 100 views; measured in rendered views (tests/measure/test_board.py).
DAY_SIDE_PX = 22.0
NIGHT_SIDE_PX = 35.0

_PAPERS: tuple[Paper, ...] = ("A4", "A3", "A2")
_MODULES = 5
_NUMBERS_A_PAPER = 333
#: Numbers whose mirror image comes within two modules of another number: a flipped picture must never read as a board.
_MIRROR_DISTANCE = 3
#: White modules of a usable number: one that is nearly black or white all over looks like a dark window.
_WHITE_MODULES = (7, 18)
#: Search no smaller than this, sides in pixels: below it modules melt into each other.
_LEAST_SIDE_PX = 13.0
_ADAPTIVE_WINDOWS = (3, 23, 10)
_CORRECTED_SHARE = 0.6
#: The pattern that is laid over a board: pixels a module, its blur, and when to stop.
_TEMPLATE_MODULE_PX = 4
_TEMPLATE_BLUR_PX = 5
_REFINING = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
#: How well a corner is found, px (root mean square in rendered views), and how true a printer is, share.
_CORNER_SD_PX = 0.2
_PRINT_SD = 0.005
#: A rim this black around modules this near to a number of the site is a board that can't be read.
_RIM_BLACK = 0.85
_NEARLY = 4
_LEAST_CONTRAST = 40.0
#: A square is looked at more closely from this rim on, and this near to a number: wider than what is then read.
_RIM_WORTH_READING, _WORTH_READING = 0.6, 2
#: Pixels a module of a square that is laid flat.
_MODULE_PX = 4
#: Where a picture of a quarter of the size has nowhere this many shades between the lightest and the darkest pixel of so many a side,
#: no board is looked for: of 350 rendered views by day and night, at 0.25 to 0.4 of their contrast, 348 give the same boards to the bit.
_GATE_SHRUNK, _GATE_SIDE, _GATE_SHADES = 4, 5, 20


@dataclass(frozen=True, slots=True)
class Board:
    """A marker in a picture.

    Attributes
    ----------
    number : int or None
        Its number; None where it looks like a board but can't be read.
    corners_px : tuple of 4 (x, y)
        Clockwise from the corner that is top left on the sheet.
    mirrored : bool
        It reads in the picture's mirror image only.
    """

    number: int | None
    corners_px: tuple[tuple[float, float], ...]
    mirrored: bool = False

    @property
    def side_px(self) -> float:
        """Mean length of its sides in pixels."""
        corners = np.array(self.corners_px)
        return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())

    @property
    def middle_px(self) -> tuple[float, float]:
        """Where its diagonals cross: the sheet's middle, also in perspective."""
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = self.corners_px
        first, second = (cx - ax, cy - ay), (dx - bx, dy - by)
        cross = first[0] * second[1] - first[1] * second[0]
        if abs(cross) < 1e-9:
            return (ax + bx + cx + dx) / 4, (ay + by + cy + dy) / 4
        along = ((bx - ax) * second[1] - (by - ay) * second[0]) / cross
        return ax + along * first[0], ay + along * first[1]


@dataclass(frozen=True, slots=True)
class BoardView:
    """What a board that was read tells.

    Attributes
    ----------
    column_px, row_px : float
        The board's middle.
    distance_m, distance_sd_m : float
        Straight from the lens.
    px_per_m, px_per_m_sd : float
        At the board, on a plane square to the optical axis, across the radius.
    """

    column_px: float
    row_px: float
    distance_m: float
    distance_sd_m: float
    px_per_m: float
    px_per_m_sd: float


def find_boards(pixels: NDArray[np.uint8], numbers: Iterable[int] = ()) -> tuple[Board, ...]:
    """Boards in a picture of full size, largest first.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3) or (H, W), uint8
        Oriented RGB, or its shades, at the size that the camera gave.
    numbers : iterable of int
        The site's boards. A quadrilateral that looks much like one of them but can't be read is told with number None;
        without any, only what can be read is told.
    """
    grey = pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    seen = _squares(grey)
    boards = _read(grey, _worth_reading(seen, mirrored=False))
    if not boards:
        width = grey.shape[1]
        turned = [s.flipped(width) for s in _worth_reading(seen, mirrored=True)]
        boards = [
            _mirrored(b, width) for b in _read(cv2.flip(grey, 1), turned, refine=False) if b.side_px >= DAY_SIDE_PX
        ]
    if not boards:
        boards = _unreadable(seen, tuple(numbers))
    return tuple(sorted(boards, key=lambda b: -b.side_px))


def view_of(board: Board, lens: Lens) -> BoardView | None:
    """Distance and pixels per metre by the board's known size; None where it can't be told.

    Parameters
    ----------
    lens : Lens
        For the picture in which the board was found.
    """
    if board.number is None or board.mirrored or (paper := paper_of(board.number)) is None:
        return None
    rays = lens.unproject(np.array(board.corners_px))
    middle = lens.unproject(np.array(board.middle_px))
    if not (np.all(np.isfinite(rays)) and np.all(np.isfinite(middle))):
        return None
    distance = _distance(rays, middle, MARKER_SIDE_M[paper])
    if distance is None:
        return None
    off_axis = math.acos(float(np.clip(middle[2], -1.0, 1.0)))
    across = distance * math.sin(off_axis)
    density = float(lens.radius_px(off_axis)) / across if across > 1e-6 * distance else lens.focal_px / distance
    share = math.hypot(_CORNER_SD_PX * math.sqrt(2) / board.side_px, _PRINT_SD)
    lens_share = lens.hfov_sd_deg / lens.hfov_deg
    column, row = board.middle_px
    return BoardView(column, row, distance, distance * math.hypot(share, lens_share), density, density * share)


def proven_px_per_m(paper: Paper, night: bool = False) -> float:
    """Pixels per metre that a board which is read proves, by its size alone."""
    return (NIGHT_SIDE_PX if night else DAY_SIDE_PX) / MARKER_SIDE_M[paper]


def paper_of(number: int) -> Paper | None:
    """The paper that a number is printed on."""
    index = number // _NUMBERS_A_PAPER
    return _PAPERS[index] if 0 <= index < len(_PAPERS) else None


def site_board_number(paper: Paper) -> int:
    """The number of the one board that is carried from target to target."""
    return _free(paper)[0]


def board_numbers(site: str, targets: Iterable[tuple[str, str]], paper: Paper = "A4") -> dict[tuple[str, str], int]:
    """The number of each board of a site, by (camera, target).

    Another site's numbers differ: they are drawn from what identifies the site. A target keeps its number when others
    are added behind it.

    Raises
    ------
    ValueError
        If the site has more targets than there are numbers.
    """
    free = list(_free(paper)[1:])
    taken: dict[tuple[str, str], int] = {}
    for camera, target in targets:
        if not free:
            raise ValueError(f"there are {len(taken)} boards on {paper}, and the site has more targets")
        digest = hashlib.sha256("\x1f".join((site, camera, target)).encode("utf-8", "backslashreplace")).digest()
        taken[camera, target] = free.pop(int.from_bytes(digest[:8], "big") % len(free))
    return taken


def marker_picture(number: int, module_px: int = 20) -> NDArray[np.uint8]:
    """The marker alone, black on white without a rim, square, uint8."""
    side = (_MODULES + 2) * module_px
    return np.asarray(cv2.aruco.generateImageMarker(_dictionary(), number, side, borderBits=1), dtype=np.uint8)


# -- what a person is told ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sighted:
    """A board of the site: for which camera and target it was printed; both None for the one that is carried along."""

    camera: str | None
    target: str | None


def board_sentences(
    camera: str, boards: tuple[Board, ...], known: Mapping[int, Sighted], snapshot: bool
) -> tuple[str, ...]:
    """What is to be said of boards that can't simply be used, one sentence each.

    Parameters
    ----------
    camera : str
        The camera that the picture is placed at.
    known : mapping
        The site's boards by number.
    snapshot : bool
        Whether the camera itself took the picture; a crew's photo names the camera and gives no pose.
    """
    said = []
    numbers = [b.number for b in boards if b.number is not None and not b.mirrored]
    for board in boards:
        column, row = board.middle_px
        at = f"at ({column:.0f}, {row:.0f})"
        if board.mirrored:
            said.append(f"The board {at} reads only in the mirror: the picture is flipped; switch the mirroring off.")
        elif board.number is None:
            said.append(f"Something like a board {at} can't be read: torn, covered or too far away; print it again.")
        elif board.number not in known:
            said.append(f"The board {at} is none of this site's: another site's or an older print; it is not used.")
        elif numbers.count(board.number) > 1 and board is next(b for b in boards if b.number == board.number):
            said.append(
                f"The same board hangs {numbers.count(board.number)} times in the picture; none of them is used."
            )
        elif known[board.number].camera not in (None, camera):
            meant = known[board.number]
            said.append(
                f"The board {at} belongs to '{meant.target}' of {meant.camera}; is this {meant.camera}'s picture?"
            )
        elif not snapshot:
            said.append(f"The board {at} is in a crew's photo: it names the camera, and gives no pose.")
    if len(set(numbers)) > 1:
        said.append(f"{len(set(numbers))} different boards are in the picture; each counts for its own target.")
    return tuple(said)


# -- detection ---------------------------------------------------------------------------------------------------------


def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


def _settings(longest_px: int) -> cv2.aruco.DetectorParameters:
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 4 * _LEAST_SIDE_PX / longest_px
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    low, high, step = _ADAPTIVE_WINDOWS
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = low, high
    settings.adaptiveThreshWinSizeStep = step
    settings.errorCorrectionRate = _CORRECTED_SHARE
    return settings


@dataclass(frozen=True, slots=True)
class _Square:
    """A dark quadrilateral: its corners (4, 2), which of its 7 x 7 modules are light, their contrast in grey levels, and the black
    share of its outer modules."""

    corners: NDArray[np.float32]
    light: NDArray[np.bool_]
    contrast: float
    rim: float

    def flipped(self, width_px: int) -> _Square:
        """The same in the picture's mirror image."""
        return replace(self, corners=np.stack([width_px - 1 - self.corners[:, 0], self.corners[:, 1]], axis=1))


def _squares(grey: NDArray[Any]) -> list[_Square]:
    """Quadrilaterals that could be markers.

    The finder is asked for one number that no board has, so that it hands every candidate back: comparing each with a
    thousand numbers took thirty times as long as finding them all.
    """
    nobody = cv2.aruco.Dictionary(np.zeros((1, 4, 4), np.uint8), _MODULES, 0)
    settings = _settings(max(grey.shape))
    settings.minGroupDistance = settings.minMarkerDistanceRate = 0.0  # a sheet and the marker on it, each by itself
    read, _, rejected = cv2.aruco.ArucoDetector(nobody, settings).detectMarkers(_where_a_board_may_be(grey))
    quads = [quad.reshape(4, 2).astype(np.float32) for quad in (*read, *rejected)]
    if not quads:
        return []
    flat, threshold = _laid_flat(grey, quads)
    across = _MODULES + 2
    means = flat.reshape(-1, across, _MODULE_PX, across, _MODULE_PX).mean(axis=(2, 4))
    light = means > threshold[:, None, None]
    outer = np.ones((across, across), dtype=bool)
    outer[1:-1, 1:-1] = False
    rims = np.mean(~light[:, outer], axis=1)
    found = zip(quads, light, np.ptp(means, axis=(1, 2)), rims, strict=True)
    return [_Square(quad, modules, float(contrast), float(rim)) for quad, modules, contrast, rim in found]


def _where_a_board_may_be(grey: NDArray[Any]) -> NDArray[Any]:
    """The picture with its noise smoothed away where it is too plain to hold a board: outlining specks takes most of the search."""
    size = grey.shape[1], grey.shape[0]
    small = cv2.resize(grey, (max(1, size[0] // _GATE_SHRUNK), max(1, size[1] // _GATE_SHRUNK)), interpolation=cv2.INTER_LINEAR)
    around = np.ones((_GATE_SIDE, _GATE_SIDE), np.uint8)
    shades = cv2.subtract(cv2.dilate(small, around), cv2.erode(small, around))
    _, busy = cv2.threshold(shades, _GATE_SHADES - 1, 255, cv2.THRESH_BINARY)
    smooth = cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.copyTo(grey, cv2.resize(busy, size, interpolation=cv2.INTER_NEAREST), smooth))


def _laid_flat(grey: NDArray[Any], quads: Sequence[NDArray[np.float32]]) -> tuple[NDArray[np.uint8], FloatArray]:
    """Each quadrilateral as a square, (N, 28, 28), and the level that parts its light from its dark, (N,)."""
    side = (_MODULES + 2) * _MODULE_PX
    upright = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32) - 0.5
    flat, threshold = np.empty((len(quads), side, side), np.uint8), np.empty(len(quads))
    for one, quad in enumerate(quads):
        flat[one] = cv2.warpPerspective(grey, cv2.getPerspectiveTransform(quad, upright), (side, side))
        threshold[one], _ = cv2.threshold(flat[one], 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return flat, threshold


def _worth_reading(squares: Sequence[_Square], mirrored: bool) -> list[_Square]:
    """Those with a rim and modules that are nearly one of the usable numbers, or its mirror image."""
    rimmed = [s for s in squares if s.rim >= _RIM_WORTH_READING]
    if not rimmed:
        return []
    inner = np.array([s.light[1:-1, 1:-1] for s in rimmed], np.float32)
    bits, turns = (inner[:, :, ::-1] if mirrored else inner).reshape(len(rimmed), -1), _usable_modules()
    apart = bits.sum(axis=1)[:, None] + turns.sum(axis=1) - 2 * bits @ turns.T
    return [s for s, least in zip(rimmed, apart.min(axis=1), strict=True) if least <= _WORTH_READING]


def _read(grey: NDArray[Any], squares: Iterable[_Square], refine: bool = True) -> list[Board]:
    """Boards at the squares, each looked at with its surroundings alone."""
    found: list[Board] = []
    for square in squares:
        low, high = square.corners.min(axis=0), square.corners.max(axis=0)
        middle, reach = (low + high) / 2, float((high - low).max())
        if any(np.linalg.norm(middle - b.middle_px) < b.side_px / 2 for b in found):
            continue
        x, y = np.floor(low - reach).astype(int).clip(0)
        right, bottom = np.ceil(high + reach).astype(int)
        part = np.ascontiguousarray(grey[y:bottom, x:right])
        corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), _settings(max(part.shape))).detectMarkers(part)
        for board in _boards([quad + np.array([x, y], np.float32) for quad in corners], numbers):
            if all(np.linalg.norm(np.subtract(board.middle_px, b.middle_px)) > b.side_px / 2 for b in found):
                found.append(_refined(grey, board) if refine else board)
    return found


def _refined(grey: NDArray[Any], board: Board) -> Board:
    """The same board with its corners where the whole printed pattern fits best (its edges alone drift with blur).

    Enhanced correlation: Evangelidis and Psarakis, IEEE TPAMI 30 (2008), doi 10.1109/TPAMI.2008.113.
    """
    assert board.number is not None
    corners = np.array(board.corners_px, np.float32)
    low = np.floor(corners.min(0) - 0.5 * board.side_px).astype(int).clip(0)
    high = np.ceil(corners.max(0) + 0.5 * board.side_px).astype(int)
    part = np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]])
    module = max(_TEMPLATE_MODULE_PX, round(board.side_px / (_MODULES + 2)))
    sheet = np.pad(marker_picture(board.number, module), module // 2, constant_values=255)
    first, last = module // 2 - 0.5, module // 2 + (_MODULES + 2) * module - 0.5
    square = np.array([[first, first], [last, first], [last, last], [first, last]], np.float32)
    start = cv2.getPerspectiveTransform(square, (corners - low).astype(np.float32)).astype(np.float32)
    try:
        _, warp = cv2.findTransformECC(
            sheet, part, start, cv2.MOTION_HOMOGRAPHY, _REFINING, np.full_like(part, 255), _TEMPLATE_BLUR_PX
        )
    except cv2.error:
        return board
    better = cv2.perspectiveTransform(square[:, None], warp)[:, 0] + low
    # a corner moved by more than a fifth of the side was lost
    if not np.all(np.isfinite(better)) or float(np.abs(better - corners).max()) > 0.2 * board.side_px:
        return board
    return Board(board.number, _points(better), board.mirrored)


def _boards(corners: Iterable[Any], found: Any) -> list[Board]:
    if found is None:
        return []
    return [
        Board(int(number), _points(quad))
        for number, quad in zip(found.ravel(), corners, strict=True)
        if int(number) in _usable()
    ]


def _points(quad: NDArray[Any]) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in quad.reshape(4, 2))


def _mirrored(board: Board, width_px: int) -> Board:
    return Board(board.number, tuple((width_px - 1 - x, y) for x, y in board.corners_px), mirrored=True)


def _unreadable(squares: Iterable[_Square], numbers: tuple[int, ...]) -> list[Board]:
    """Squares with a black rim whose modules come near to one of the site's boards; the first."""
    if not numbers:
        return []
    wanted = _site_modules(numbers)
    for square in squares:
        if square.contrast < _LEAST_CONTRAST or square.rim < _RIM_BLACK:
            continue
        board = Board(None, _points(square.corners))
        if board.side_px < DAY_SIDE_PX:
            continue
        if int(np.abs(wanted - square.light[1:-1, 1:-1].ravel()).sum(axis=-1).min()) <= _NEARLY:
            return [board]
    return []


def _modules(numbers: Iterable[int]) -> NDArray[np.int8]:
    """Modules of markers in all four turns, white 1, (4 N, 25)."""
    every, read = _dictionary().bytesList, cv2.aruco.Dictionary.getBitsFromByteList
    bits = np.array([read(every[number : number + 1], _MODULES) for number in numbers], dtype=np.int8).reshape(-1, _MODULES, _MODULES)
    return np.stack([np.rot90(bits, k, axes=(1, 2)) for k in range(4)], axis=1).reshape(-1, _MODULES**2)


@lru_cache(maxsize=4)
def _site_modules(numbers: tuple[int, ...]) -> NDArray[np.int8]:
    """Modules of a site's numbers, drawn once and not for each picture."""
    return _modules(numbers)


@lru_cache(maxsize=1)
def _usable_modules() -> NDArray[np.float32]:
    """Modules of all usable numbers in all four turns, white 1, (4 N, 25)."""
    return _modules(sorted(_usable())).astype(np.float32)


_USABLE: set[int] = set()


def _usable() -> set[int]:
    """Numbers that no mirror image of another comes near."""
    if not _USABLE:
        every = range(len(_PAPERS) * _NUMBERS_A_PAPER)
        turned = _modules(every).astype(np.float32)
        plain = turned[::4]
        mirrored = plain.reshape(-1, _MODULES, _MODULES)[:, :, ::-1].reshape(-1, _MODULES**2)
        # modules that differ: white in one and black in the other, both ways
        apart = mirrored.sum(1)[:, None] + turned.sum(1)[None] - 2 * mirrored @ turned.T
        white = plain.sum(1)
        mixed = (white >= _WHITE_MODULES[0]) & (white <= _WHITE_MODULES[1])
        _USABLE.update(int(i) for i in np.flatnonzero(mixed & (apart.min(axis=1) >= _MIRROR_DISTANCE)))
    return _USABLE


def _free(paper: Paper) -> list[int]:
    first = _PAPERS.index(paper) * _NUMBERS_A_PAPER
    return [n for n in range(first, first + _NUMBERS_A_PAPER) if n in _usable()]


def _distance(rays: FloatArray, middle: FloatArray, side_m: float) -> float | None:
    """From the lens to the board's middle by its four corners, in a pinhole view turned towards it."""
    # beside the axis the vector is square to, so that the cross product does not vanish
    right = np.cross([0.0, 1.0, 0.0] if abs(middle[1]) < 0.9 else [1.0, 0.0, 0.0], middle)
    right /= np.linalg.norm(right)
    turned = rays @ np.stack([right, np.cross(middle, right), middle]).T
    if np.any(turned[:, 2] <= 1e-6):
        return None
    flat = turned[:, :2] / turned[:, 2:]
    half = side_m / 2
    sheet = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    good, _, shift = cv2.solvePnP(sheet, flat, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE_SQUARE)
    distance = float(np.linalg.norm(shift))
    return distance if good and math.isfinite(distance) else None

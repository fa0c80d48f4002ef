"""The boards of a site: which number was printed for which camera and target."""

from __future__ import annotations

from audit.logbook import Logbook
from audit.measure.board import MARKER_SIDE_M, Paper, Sighted, board_numbers, site_board_number
from audit.plan.model import Site

__all__ = ["boards_of", "numbers_on", "targets_of"]


def targets_of(site: Site) -> list[tuple[str, str]]:
    """Every camera with each of its targets, in the plan's order."""
    return [(camera.camera, target.name) for camera in site.cameras for target in camera.targets]


def numbers_on(logbook: Logbook, site: Site, paper: Paper) -> dict[tuple[str, str], int]:
    """The numbers of a site's boards on one paper, of as many targets as there are numbers."""
    identity, wanted = logbook.identity(), targets_of(site)
    try:
        return board_numbers(identity, wanted, paper)
    except ValueError:
        return {}


def boards_of(logbook: Logbook, site: Site) -> dict[int, Sighted]:
    """What each number stands for on this site, on every paper; the carried board has neither camera nor target."""
    found = {site_board_number(paper): Sighted(None, None) for paper in MARKER_SIDE_M}
    for paper in MARKER_SIDE_M:
        for (camera, target), number in numbers_on(logbook, site, paper).items():
            found[number] = Sighted(camera, target)
    return found

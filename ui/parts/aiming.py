"""The three large lines of aiming: which way, how far, and a bar whose mark goes to the middle."""

from __future__ import annotations

import html

from audit.aiming import AimView
from audit.visit.aim import AimLine
from ui.parts.numbers import amount
from ui.parts.words import said, state_mark, state_word, word

__all__ = ["lines_html", "sharpness_html"]

_TWO_SIDED_95 = 1.96
#: Half the bar is this many limits.
_BAR_LIMITS = 3.0
_LEAST_SAID_DEG = 0.05


def lines_html(view: AimView) -> str:
    """HTML of the lines of pan, tilt and rotate."""
    return f'<div class="aim">{"".join(_line(line) for line in view.lines)}</div>'


def sharpness_html(view: AimView) -> str:
    """HTML of the sharpness of now and the best so far, and whether the picture moves."""
    now = "–" if view.sharpness is None else f"{100 * view.sharpness:.0f}"
    best = "–" if view.best_sharpness is None else f"{100 * view.best_sharpness:.0f}"
    moves = word("aim.still" if view.still else "aim.moving")
    return (
        f'<div class="aim"><div class="aim-line"><p class="aim-what">{html.escape(word("aim.sharpness"))}</p>'
        f'<p class="aim-how">{now}</p><p class="aim-give">{html.escape(word("aim.best", best=best))} · '
        f"{html.escape(moves)}</p></div></div>"
    )


def _line(line: AimLine) -> str:
    state = line.state.replace(" ", "-")
    mark = f'<span aria-hidden="true">{state_mark(line.state)}</span>'
    if line.correction_deg is None:
        return (
            f'<div class="aim-line {state}"><p class="aim-what">{html.escape(word(f"aim.{line.axis}"))}</p>'
            f'<p class="aim-how small">{mark} {html.escape(_unmeasured(line))}</p>'
            f'<p class="aim-give">{html.escape(said(line.note))}</p></div>'
        )
    way = word(f"aim.{line.axis}_{'more' if line.correction_deg > 0 else 'less'}")
    how = amount(abs(line.correction_deg), "deg", signed=False)
    give = _give(line)
    if line.state == "as planned":
        rest = f"{way} {how} · {give}" if abs(line.correction_deg) >= _LEAST_SAID_DEG else give
        return (
            f'<div class="aim-line {state}"><p class="aim-what">{html.escape(word(f"aim.{line.axis}"))}</p>'
            f'<p class="aim-how">{mark} {html.escape(state_word(line.state))}</p>{_bar(line)}'
            f'<p class="aim-give">{html.escape(rest)}</p></div>'
        )
    before = "" if line.state == "defect" else f"{state_word(line.state)} · "
    return (
        f'<div class="aim-line {state}"><p class="aim-what">{html.escape(way)}</p>'
        f'<p class="aim-how">{mark} {html.escape(how)}</p>{_bar(line)}'
        f'<p class="aim-give">{html.escape(before + give)}</p></div>'
    )


def _unmeasured(line: AimLine) -> str:
    """A camera that looks straight down has a state and no direction."""
    return state_word(line.state) if line.state != "not verified" else word("aim.not_measured")


def _give(line: AimLine) -> str:
    give = amount(_TWO_SIDED_95 * (line.sd_deg or 0.0), "deg", signed=False)
    limit = amount(line.limit_deg or 0.0, "deg", signed=False)
    text = word("aim.give", give=give, limit=limit)
    return f"{text}, {word('aim.from_behind')}" if line.axis == "rotate" else text


def _bar(line: AimLine) -> str:
    """Where the camera points on a bar whose middle third is as planned: the mark goes to the middle."""
    reach = _BAR_LIMITS * (line.limit_deg or 1.0)
    off = -(line.correction_deg or 0.0)
    at = 50.0 + 50.0 * max(-1.0, min(1.0, off / reach))
    edge = 50.0 / _BAR_LIMITS
    return (
        f'<div class="aim-bar" aria-hidden="true"><span class="aim-zone" style="left:{50 - edge:.1f}%;width:{2 * edge:.1f}%">'
        f'</span><span class="aim-mark" style="left:{at:.1f}%"></span></div>'
    )

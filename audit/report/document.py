"""The pages of the handover report: headings, sentences, tables and pictures, tagged and bookmarked."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Container, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from importlib import resources
from io import BytesIO
from typing import cast

from fpdf import FPDF
from fpdf.fonts import TTFFont
from fpdf.prefs import ViewerPreferences
from PIL import Image

from audit.report.document_facts import COMPLIANCE, xmp
from audit.wording import translated

__all__ = ["FONT", "Document", "plain"]

#: The only font of a report; it stands in the file.
FONT = "DejaVu"
_ENGLISH = "en-GB"
_CREATOR = "photo-audit"
_MARGIN_MM = 16.0
_TOP_MM = 14.0
_FOOT_MM = 18.0
#: Nothing on a page is set smaller, in points: it is read on a ladder (common practice, no source).
_SMALL = 9.0
_GREY = (75, 75, 75)
_PAPER_MM = (210.0, 297.0)
_MM_PER_POINT = 25.4 / 72
_LEADING = 1.36
_PAD_MM = 0.9
_HEADING_SIZES = {1: 17.0, 2: 12.5, 3: 10.5}
_LONGEST_TEXT = 6000
_BOX = "□"


def plain(text: object) -> str:
    """Text that can stand on a page: composed, control characters out, at most a page of it."""
    composed = unicodedata.normalize("NFC", str(text))
    clean = "".join(c if c.isprintable() or c == "\n" else " " for c in composed)
    return clean if len(clean) <= _LONGEST_TEXT else f"{clean[:_LONGEST_TEXT]}…"


class Document(FPDF):
    """An A4 report; every element carries its structure tag, every chapter its bookmark.

    Parameters
    ----------
    title, footer : str
        Title of the document, and the line at the foot of every page.
    at : datetime
        When it was made, as it says of itself; aware.
    language : str
        What is written is shown in it; what it doesn't know stays English.
    """

    def __init__(self, title: str, footer: str, at: datetime, language: str = "en") -> None:
        super().__init__(format="A4", unit="mm", enforce_compliance=COMPLIANCE)
        self.language = language
        fonts = resources.files("audit.report").joinpath("fonts")
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            with resources.as_file(fonts.joinpath(name)) as path:
                self.add_font(FONT, style, path)
        self.footer_text = self._shown(footer)
        self._widths: dict[tuple[str, str], float] = {}
        title, tag = self._shown(title), _ENGLISH if language == "en" else language
        self.set_title(title)
        self.set_lang(tag)
        self.set_creation_date(at)
        self.set_xmp_metadata(xmp(title, tag, _CREATOR, at))
        self.set_display_mode("fullpage")
        self.viewer_preferences = ViewerPreferences(display_doc_title=True)
        self.set_margins(_MARGIN_MM, _TOP_MM, _MARGIN_MM)
        self.set_auto_page_break(False)

    def attach(self, name: str, data: bytes, about: str) -> None:
        """Put a table into the document, as the data that its pages are made of (ISO 19005-3, associated files)."""
        self.embed_file(
            bytes=data, basename=name, mime_type="text/csv", desc=self._shown(about), modification_date=self.creation_date,
            associated_file_relationship="Data", compress=True, checksum=True,
        )  # fmt: skip

    def footer(self) -> None:
        """The line at the foot of each page."""
        self.set_font(FONT, "", _SMALL)
        self.set_text_color(*_GREY)
        number = self._shown(f"page {self.page_no()}")
        with self._artefact():
            self.text(_MARGIN_MM, _PAPER_MM[1] - 9, self._fitted(self.footer_text, "", _SMALL, self.inner_mm - 20))
            self.text(_PAPER_MM[0] - _MARGIN_MM - self._wide(number, "", _SMALL), _PAPER_MM[1] - 9, number)
        self.set_text_color(0)

    @property
    def inner_mm(self) -> float:
        """Width between the margins."""
        return _PAPER_MM[0] - 2 * _MARGIN_MM

    def room_mm(self) -> float:
        """Height left on this page."""
        return _PAPER_MM[1] - _FOOT_MM - float(self.get_y())

    def heading(self, text: str, level: int = 1, bookmark: str | None = None) -> None:
        """A heading with its bookmark; it never stands alone at the foot of a page."""
        if self.room_mm() < 28:
            self.add_page()
        elif self.get_y() > _TOP_MM + 1:
            self.set_y(self.get_y() + (4 if level == 1 else 2))
        self.start_section(self._shown(bookmark or text), level=level - 1)
        size = _HEADING_SIZES[level]
        self._write(self._lines(self._shown(text), "B", size, self.inner_mm), "B", size, _MARGIN_MM, f"/H{level}")
        self.set_y(self.get_y() + 1.5)

    def sentence(
        self, text: str, size: float = 9, bold: bool = False, grey: bool = False, indent_mm: float = 0
    ) -> None:
        """A paragraph; one that doesn't fit goes on on the next page."""
        style = "B" if bold else ""
        lines = self._lines(self._shown(text), style, size, self.inner_mm - indent_mm)
        leading = _leading(size)
        if len(lines) <= 6 and self.room_mm() < len(lines) * leading:
            self.add_page()
        if grey:
            self.set_text_color(*_GREY)
        while lines:
            fit = max(1, int(self.room_mm() / leading))
            self._write(lines[:fit], style, size, _MARGIN_MM + indent_mm, "/P")
            lines = lines[fit:]
            if lines:
                self.add_page()
        self.set_text_color(0)
        self.set_y(self.get_y() + 0.8)

    def rows(
        self, header: Sequence[str], rows: Sequence[Sequence[object]], widths: Sequence[float], size: float = _SMALL
    ) -> None:
        """A table with a repeated header row; widths are shares of the page."""
        columns = self._columns(header, rows, widths, size)
        first = self._row_mm(rows[0], columns, size) if rows else 0.0
        if self.room_mm() < self._row_mm(header, columns, size) + first:
            self.add_page()
        self._row(header, columns, "B", size)
        for row in rows:
            if self.room_mm() < self._row_mm(row, columns, size):
                self.add_page()
                self._row(header, columns, "B", size)
            self._row(row, columns, "", size)
        self.set_y(self.get_y() + 2)

    def _row_mm(self, row: Sequence[object], columns: Sequence[float], size: float) -> float:
        cells = [self._lines(self._shown(v), "", size, c - 2 * _PAD_MM) for v, c in zip(row, columns, strict=True)]
        return max(map(len, cells)) * _leading(size) + 2 * _PAD_MM

    def _columns(self, header: Sequence[str], rows: Sequence[Sequence[object]], widths: Sequence[float], size: float) -> list[float]:
        """Widths of the columns, so that no plain word is broken in two; the widest column gives what the others need."""
        columns = [self.inner_mm * w / sum(widths) for w in widths]
        for at, column in enumerate(columns):
            words = {w for row in (header, *rows) for w in self._shown(row[at]).split() if w.isalpha()}
            wide = max((self._wide(w, "B" if w in header else "", size) for w in words), default=0.0) + 2 * _PAD_MM + 0.2
            widest = columns.index(max(columns))
            if column < wide and at != widest and columns[widest] - (wide - column) > self.inner_mm / 3:
                columns[widest] -= wide - column
                columns[at] = wide
        return columns

    def picture(self, jpeg: bytes, caption: str, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> float:
        """A picture fitted into a box, with its caption as alternative text; returns the height used."""
        with Image.open(BytesIO(jpeg)) as image:
            ratio = image.height / image.width
        wide, words = min(width_mm, height_mm / ratio), self._shown(caption)
        self.image(BytesIO(jpeg), x=x_mm, y=y_mm, w=wide, h=wide * ratio, alt_text=words, title=words)
        self.set_y(y_mm + wide * ratio + 0.8)
        self.set_text_color(*_GREY)
        self._write(self._lines(words, "", _SMALL, width_mm), "", _SMALL, x_mm, "/Caption")
        self.set_text_color(0)
        return float(self.get_y()) - y_mm

    def _row(self, cells: Sequence[object], columns: Sequence[float], style: str, size: float) -> None:
        """One row, read as one paragraph; a rule below it."""
        lines = [self._lines(self._shown(v), style, size, c - 2 * _PAD_MM) for v, c in zip(cells, columns, strict=True)]
        height = max(map(len, lines)) * _leading(size) + 2 * _PAD_MM
        top = float(self.get_y())

        def write() -> None:
            x = _MARGIN_MM
            for cell, column in zip(lines, columns, strict=True):
                self.set_y(top + _PAD_MM)
                self._put(cell, size, x + _PAD_MM)
                x += column

        self.set_font(FONT, style, size)
        self._tagged("/P", write)
        with self._artefact():
            self.set_draw_color(*_GREY)
            self.set_line_width(0.35 if style else 0.12)
            self.line(_MARGIN_MM, top + height, _MARGIN_MM + self.inner_mm, top + height)
        self.set_y(top + height)

    def _shown(self, text: object) -> str:
        """A text in the document's language, as it can stand on a page."""
        return plain(translated(str(text), self.language))

    def _write(self, lines: Sequence[str], style: str, size: float, x_mm: float, kind: str) -> None:
        self.set_font(FONT, style, size)
        self._tagged(kind, lambda: self._put(lines, size, x_mm))

    def _put(self, lines: Sequence[str], size: float, x_mm: float) -> None:
        leading = _leading(size)
        for line in lines:
            if line:
                self.text(x_mm, self.get_y() + 0.76 * leading, line)
            self.set_y(self.get_y() + leading)

    def _lines(self, text: str, style: str, size: float, width_mm: float) -> list[str]:
        """Text broken at spaces, and within words that are wider than a line; a box for what the font can't write."""
        lines = []
        text = "".join(c if c in "\n " or ord(c) in self._known(style) else _BOX for c in text)
        for part in text.split("\n"):
            line, wide = "", 0.0
            for word in part.split():
                for piece in self._pieces(word, style, size, width_mm):
                    more = self._wide(piece, style, size)
                    space = self._wide(" ", style, size) if line else 0.0
                    if line and wide + space + more > width_mm:
                        lines.append(line)
                        line, wide, space = "", 0.0, 0.0
                    line += (" " if line else "") + piece
                    wide += space + more
            lines.append(line)
        return lines

    def _known(self, style: str) -> Container[int]:
        """Code points that the font can write."""
        return cast("TTFFont", self.fonts[f"{FONT.lower()}{style}"]).cmap

    def _pieces(self, word: str, style: str, size: float, width_mm: float) -> Iterator[str]:
        while self._wide(word, style, size) > width_mm and len(word) > 1:
            fits = 1
            while fits < len(word) and self._wide(word[: fits + 1], style, size) <= width_mm:
                fits += 1
            # a file's name is broken where it is joined
            fits = max((at for at in range(1, fits + 1) if word[at - 1] in "_-/"), default=fits)
            yield word[:fits]
            word = word[fits:]
        yield word

    def _fitted(self, text: str, style: str, size: float, width_mm: float) -> str:
        """The start of a text that fits on one line."""
        if self._wide(text, style, size) <= width_mm:
            return text
        while text and self._wide(f"{text}…", style, size) > width_mm:
            text = text[:-1]
        return f"{text}…"

    def _wide(self, text: str, style: str, size: float) -> float:
        return sum(self._widths.get((style, c)) or self._measured(style, c) for c in text) * size

    def _measured(self, style: str, character: str) -> float:
        """Width of a character in millimetres at one point."""
        family, was, points = self.font_family, self.font_style, self.font_size_pt
        self.set_font(FONT, style, 100)
        width = float(self.get_string_width(character)) / 100
        if family:
            self.set_font(family, was, points)
        self._widths[style, character] = width
        return width

    def _tagged(self, kind: str, write: Callable[[], None]) -> None:
        """Write inside a marked sequence, so that a screen reader knows what it reads; never across a page's end."""
        mcid = self.struct_builder.next_mcid_for_page(self.page)
        self._add_marked_content(struct_type=kind, mcid=mcid)
        self._out(f"{kind} <</MCID {mcid}>> BDC")
        write()
        self._out("EMC")

    @contextmanager
    def _artefact(self) -> Iterator[None]:
        self._out("/Artifact BMC")
        yield
        self._out("EMC")


def _leading(size: float) -> float:
    return size * _MM_PER_POINT * _LEADING

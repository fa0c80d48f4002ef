"""The pages of the handover report: headings, sentences, tables and pictures, tagged and bookmarked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import resources
from io import BytesIO

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from PIL import Image

__all__ = ["Document", "plain"]

_FONT = "DejaVu"
_MARGIN_MM = 16.0
_GREY = (90, 90, 90)
_PAPER_MM = (210.0, 297.0)


def plain(text: object) -> str:
    """Text that can stand on a page: control characters out, characters beyond the font's reach as a box."""
    return "".join(c if c.isprintable() or c == "\n" else " " for c in str(text))


class Document(FPDF):
    """An A4 report; every element carries its structure tag, every chapter its bookmark.

    Parameters
    ----------
    title, footer : str
        Title of the document, and the line at the foot of every page.
    """

    def __init__(self, title: str, footer: str) -> None:
        super().__init__(format="A4", unit="mm")
        fonts = resources.files("audit.report").joinpath("fonts")
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            with resources.as_file(fonts.joinpath(name)) as path:
                self.add_font(_FONT, style, path)
        self.footer_text = footer
        self.set_title(title)
        self.set_lang("en-GB")
        self.set_creator("photo-audit")
        self.set_margins(_MARGIN_MM, 14, _MARGIN_MM)
        self.set_auto_page_break(True, 18)
        self.set_display_mode("fullpage")

    def footer(self) -> None:
        """The line at the foot of each page."""
        self.set_y(-13)
        self.set_font(_FONT, "", 7.5)
        self.set_text_color(*_GREY)
        with self._artefact():
            self.cell(150, 5, plain(self.footer_text))
            self.cell(0, 5, f"page {self.page_no()}", align="R")
        self.set_text_color(0)

    @property
    def inner_mm(self) -> float:
        """Width between the margins."""
        return _PAPER_MM[0] - 2 * _MARGIN_MM

    def room_mm(self) -> float:
        """Height left on this page."""
        return _PAPER_MM[1] - 18 - float(self.get_y())

    def heading(self, text: str, level: int = 1, bookmark: str | None = None) -> None:
        """A heading with its bookmark."""
        size = {1: 17, 2: 12.5, 3: 10.5}[level]
        if self.room_mm() < 28:
            self.add_page()
        self.start_section(plain(bookmark or text), level=level - 1)
        self.set_font(_FONT, "B", size)
        self._tagged(
            f"/H{level}", lambda: self.multi_cell(0, size * 0.5, plain(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        )
        self.ln(1.5)

    def sentence(
        self, text: str, size: float = 9, bold: bool = False, grey: bool = False, indent_mm: float = 0
    ) -> None:
        """A paragraph."""
        self.set_font(_FONT, "B" if bold else "", size)
        if grey:
            self.set_text_color(*_GREY)
        self.set_x(_MARGIN_MM + indent_mm)
        lines = self.multi_cell(self.inner_mm - indent_mm, size * 0.5, plain(text), dry_run=True, output="LINES")
        assert isinstance(lines, list)
        if self.room_mm() < len(lines) * size * 0.5 + 1:
            self.add_page()
            self.set_font(_FONT, "B" if bold else "", size)
            self.set_x(_MARGIN_MM + indent_mm)
        self._tagged(
            "/P",
            lambda: self.multi_cell(
                self.inner_mm - indent_mm, size * 0.5, plain(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT
            ),
        )
        self.set_text_color(0)
        self.ln(0.8)

    def rows(self, header: Sequence[str], rows: Sequence[Sequence[object]], widths: Sequence[float]) -> None:
        """A table with a repeated header row; widths are shares of the page."""
        self.set_font(_FONT, "", 8)
        total = sum(widths)
        with self.table(
            col_widths=tuple(w / total for w in widths),
            text_align="LEFT",
            line_height=4.2,
            padding=0.8,
            borders_layout="HORIZONTAL_LINES",
            first_row_as_headings=True,
            width=self.inner_mm,
        ) as table:
            for line in (header, *rows):
                row = table.row()
                for value in line:
                    row.cell(plain(value))
        self.ln(2)

    def picture(self, jpeg: bytes, caption: str, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> float:
        """A picture fitted into a box, with its caption as alternative text; returns the height used."""
        with Image.open(BytesIO(jpeg)) as image:
            ratio = image.height / image.width
        wide = min(width_mm, height_mm / ratio)
        self.image(BytesIO(jpeg), x=x_mm, y=y_mm, w=wide, h=wide * ratio, alt_text=plain(caption), title=plain(caption))
        self.set_xy(x_mm, y_mm + wide * ratio + 0.8)
        self.set_font(_FONT, "", 7.5)
        self.set_text_color(*_GREY)
        self._tagged(
            "/Caption", lambda: self.multi_cell(width_mm, 3.6, plain(caption), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        )
        self.set_text_color(0)
        return float(self.get_y()) - y_mm

    def _tagged(self, kind: str, write: object) -> None:
        """Write inside a marked sequence, so that a screen reader knows what it reads."""
        assert callable(write)
        mcid = self.struct_builder.next_mcid_for_page(self.page)
        self._add_marked_content(struct_type=kind, mcid=mcid)
        start = self.page
        self._out(f"{kind} <</MCID {mcid}>> BDC")
        write()
        if self.page == start:
            self._out("EMC")

    @contextmanager
    def _artefact(self) -> Iterator[None]:
        self._out("/Artifact BMC")
        yield
        self._out("EMC")

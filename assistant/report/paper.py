"""An A4 page that can be kept for years: PDF/A-2, fonts embedded, its parts tagged.

What fpdf2 writes is PDF/A-2u; beyond that every heading, paragraph and drawing is tagged in
reading order, with words for a drawing, and what repeats on each page is an artifact. fpdf2
has no public call for tags, so :meth:`Paper.tag` uses what it writes its own with. The same
input gives the same bytes, as long as the fonts are the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Literal
from xml.sax.saxutils import escape

from fpdf import FPDF

from assistant.report.lettering import BOLD, REGULAR, REPLACED, how_to_letter, lettering
from assistant.report.statement import DEMO, STATEMENT

MARGIN_MM = 11.0
FONT = "Paper"
SIZE_PT = 9.0
"""The least size on paper (chosen here, for reading at arm's length)."""

LINE_MM = 3.9
_OTHERS = "Others"

Part = Literal["H1", "H2", "P", "Figure"]


class Paper(FPDF):
    """Pages with the same foot; ``y`` is always where the next thing goes.

    Args:
        texts: whatever will be set, so that fonts are chosen once, and a replaced character
            is told of on the first page already.
        foot: the last line of every page, after the page's number.
    """

    def __init__(
        self,
        title: str,
        made: datetime,
        texts: Iterable[str],
        *,
        foot: str,
        demo: bool,
        author: str = "",
        subject: str = "",
    ) -> None:
        super().__init__(format="A4", unit="mm", enforce_compliance="PDF/A-2u")
        texts = [title, foot, STATEMENT, DEMO, how_to_letter(), *texts]
        self.letters = lettering(texts)
        replaced = any(map(self.letters.replaces, texts))
        told = (STATEMENT, REPLACED, how_to_letter()) if replaced else (STATEMENT,)
        self._statement, self._foot, self._demo = " ".join(told), foot, demo
        self._tagged = False
        self._fonts()
        self.set_creation_date(made)
        self.set_lang("en")
        self.set_title(title)
        self.set_xmp_metadata(_xmp(title, made, author, subject))
        self.set_margins(MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(False)
        self.set_draw_color(0)
        self.c_margin = 0
        self.width = self.w - 2 * MARGIN_MM
        self.foot_mm = 0.0
        self.add_page()
        last = self.split(f"Page 99 of 99. {foot}", self.width, bold=True)
        lines = len(self.split(self._statement, self.width)) + len(last) + demo
        self.foot_mm = lines * LINE_MM + 1.6 + 4.0  # the last: what printers leave white
        self._top()

    def _fonts(self) -> None:
        self.add_font(FONT, "", REGULAR)
        self.add_font(FONT, "B", BOLD)
        for i, font in enumerate(self.letters.others):
            self.add_font(f"{_OTHERS}{i}", "", font)
        families = [f"{_OTHERS}{i}" for i in range(len(self.letters.others))]
        self.set_fallback_fonts(families, exact_match=False)
        if self.letters.shaped:
            self.set_text_shaping(True, direction="ltr")

    # -- tags ---------------------------------------------------------------

    @contextmanager
    def tag(self, part: Part, words: str | None = None) -> Iterator[None]:
        """What is set inside is one part of the text, within one page; parts inside it
        belong to it. ``words`` stand for a drawing."""
        if self._tagged:
            yield
            return
        number = self.struct_builder.next_mcid_for_page(self.page)
        self._add_marked_content(struct_type=f"/{part}", mcid=number, alt_text=words)
        with self._marked(f"/{part} <</MCID {number}>> BDC"):
            yield

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """What is set inside carries no meaning: rules, frames, the foot."""
        if self._tagged:
            yield
            return
        with self._marked("/Artifact BMC"):
            yield

    @contextmanager
    def _marked(self, opening: str) -> Iterator[None]:
        self._tagged, page = True, self.page
        self._out(opening)
        yield
        assert self.page == page, "a part does not go over pages"
        self._out("EMC")
        self._tagged = False

    # -- setting ------------------------------------------------------------

    def put(
        self,
        text: str,
        width: float | None = None,
        *,
        x: float = MARGIN_MM,
        size: float = SIZE_PT,
        bold: bool = False,
        align: str = "L",
        part: Part = "P",
    ) -> None:
        """Text within ``width`` of the page, from ``x``; it must fit onto this page."""
        self.set_font(FONT, "B" if bold else "", size)
        self.set_x(x)
        line = LINE_MM * size / SIZE_PT
        fitted = self.letters.fit(text)
        with self.tag(part):
            self.multi_cell(
                width or self.width, line, fitted, align=align, new_x="LMARGIN", new_y="NEXT"
            )

    def split(self, text: str, width: float, *, bold: bool = False) -> list[str]:
        """The lines that ``text`` is set in."""
        self.set_font(FONT, "B" if bold else "", SIZE_PT)
        fitted = self.letters.fit(text)
        found = self.multi_cell(width, LINE_MM, fitted, dry_run=True, output="LINES")
        assert isinstance(found, list)
        return [str(part) for part in found]

    def paragraph(self, text: str) -> None:
        """Text of any length; what does not fit goes on on the next page."""
        waiting = self.split(text, self.width)
        while waiting:
            self.need(LINE_MM)
            fits = max(1, int(self.room / LINE_MM))
            self.put("\n".join(waiting[:fits]))
            waiting = waiting[fits:]

    def section(self, title: str) -> None:
        """A heading, never alone at the end of a page."""
        self.need(3 * LINE_MM)
        self.gap(1.2)
        self.put(title, bold=True, part="H2")

    def gap(self, height: float) -> None:
        """White space."""
        self.set_y(self.get_y() + height)

    def rule(self, x: float, width: float) -> None:
        """A thin line across, here."""
        with self.artifact():
            self.line(x, self.get_y(), x + width, self.get_y())

    # -- pages --------------------------------------------------------------

    @property
    def room(self) -> float:
        """Height that is left on this page."""
        return self.h - self.foot_mm - 1.0 - self.get_y()

    @property
    def page_room(self) -> float:
        """Height that a fresh page has."""
        return self.h - self.foot_mm - 1.0 - MARGIN_MM - (5.0 if self._demo else 0.0)

    def need(self, height: float) -> None:
        """Go on on a new page if so much does not fit onto this one."""
        if height > self.room:
            self.new_page()

    def new_page(self) -> None:
        """Begin a page."""
        self.add_page()
        self._top()

    def _top(self) -> None:
        if self._demo:
            self.put(DEMO, size=10.0, bold=True, align="C")

    def footer(self) -> None:
        """Statement, foot line and page number; the demonstration line where it is one."""
        self.set_y(-self.foot_mm)
        self.rule(MARGIN_MM, self.width)
        self.gap(0.8)
        with self.tag("P") if self.page == 1 else self.artifact():
            self.put(self._statement)
            self.put(f"Page {self.page_no()} of {{nb}}. {self._foot}", bold=True)
            if self._demo:
                self.put(DEMO, bold=True, align="C")


def _xmp(title: str, made: datetime, author: str, subject: str) -> str:
    """The metadata; fpdf2's own would tell when the file was written."""
    at = made.isoformat(timespec="seconds")
    told: Sequence[tuple[str, str, str]] = (
        ("dc:title", "Alt", title),
        ("dc:creator", "Seq", author),
        ("dc:description", "Alt", subject),
    )
    lists = "".join(
        f"<{name}><rdf:{kind}><rdf:li{_LANG if kind == 'Alt' else ''}>{escape(text)}</rdf:li>"
        f"</rdf:{kind}></{name}>"
        for name, kind, text in told
        if text
    )
    spaces = "".join(f' xmlns:{name}="{url}"' for name, url in _SPACES.items())
    return (
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF{spaces}><rdf:Description rdf:about="">'
        "<pdfaid:part>2</pdfaid:part><pdfaid:conformance>U</pdfaid:conformance>"
        f"<xmp:CreateDate>{at}</xmp:CreateDate><xmp:ModifyDate>{at}</xmp:ModifyDate>"
        f"{lists}</rdf:Description></rdf:RDF></x:xmpmeta>"
    )


_LANG = ' xml:lang="x-default"'
_SPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "pdfaid": "http://www.aiim.org/pdfa/ns/id/",
}

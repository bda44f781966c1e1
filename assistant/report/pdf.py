"""The chart note as a PDF: A4, black on white, one page where it fits.

The lettering is one of the core fonts every reader has (Helvetica), which know
Latin-1 only. A character beyond that is replaced where it can be seen to be: by
its base letter or its plain counterpart if it has one, else by "?"; the page
then says so, and the exact text is in the document's properties and in the
other reports. The same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from unicodedata import normalize

from fpdf import FPDF

from assistant.report.drawing import Drawing, Rect, Shape, Stroke, Text, legend
from assistant.report.lettering import REPLACED, latin1
from assistant.report.marks import LEGEND
from assistant.report.note import CanalNote, Note, limits_line, warnings_headline
from assistant.report.rows import NoteRow
from assistant.report.statement import DEMO, STATEMENT

MARGIN_MM = 11.0
FOOT_MM = 19.0
"""Height of the foot of every page."""

GUTTER_MM = 5.0
FONT = "Helvetica"
SIZE_PT = 7.2
LINE_MM = 3.0
SMALL_PT = 6.0
SMALL_LINE_MM = 2.45
LABEL_MM = 20.5
"""Width of the labels in a column of rows."""

_POINTS_PER_MM = 72 / 25.4


def as_pdf(note: Note, drawings: Sequence[Drawing]) -> bytes:
    """Set the note and its drawings on A4 pages.

    Args:
        drawings: one for each canal of the note, in its order.
    """
    page = _Page(note)
    page.head()
    page.warnings()
    for start in range(0, len(note.canals), 2):
        page.canals(note.canals[start : start + 2], drawings[start : start + 2])
    page.rest()
    return bytes(page.pdf.output())


class _Paper(FPDF):
    """A4 with the foot of the note on every page."""

    def __init__(self, note: Note) -> None:
        super().__init__(format="A4", unit="mm")
        self.note = note
        self.replaced = False

    def fit(self, text: str) -> str:
        """``text`` in Latin-1; remembers whether anything had to be replaced."""
        fitted = latin1(text)
        self.replaced = self.replaced or fitted != normalize("NFC", text)
        return fitted

    def footer(self) -> None:
        """Statement, hash, page number; the demonstration line where it is one."""
        note = self.note
        self.set_y(-FOOT_MM)
        self.line(MARGIN_MM, self.get_y(), self.w - MARGIN_MM, self.get_y())
        self.set_y(self.get_y() + 0.8)
        self.set_font(FONT, "", SMALL_PT)
        width = self.w - 2 * MARGIN_MM
        text = f"{STATEMENT} {REPLACED}" if self.replaced else STATEMENT
        self.multi_cell(width, SMALL_LINE_MM, text, align="L", new_x="LMARGIN", new_y="NEXT")
        state = "Signed" if note.signed else "NOT SIGNED"
        line = (
            f"{state}. Journal head hash {self.fit(note.head_hash)}. "
            f"Case {self.fit(note.case_code)}. Page {self.page_no()} of {{nb}}"
        )
        self.set_font(FONT, "B", SMALL_PT)
        self.cell(width, SMALL_LINE_MM + 0.4, line, new_x="LMARGIN", new_y="NEXT")
        if note.demo:
            self.set_font(FONT, "B", SIZE_PT)
            self.cell(width, LINE_MM, DEMO, align="C")


class _Page:
    """Sets one note; ``y`` of the paper is always where the next thing goes."""

    def __init__(self, note: Note) -> None:
        self.note = note
        self.pdf = pdf = _Paper(note)
        pdf.set_creation_date(note.made.astimezone(UTC))
        pdf.set_title(note.title)
        pdf.set_author(next((r.text for r in note.head if r.label == "Operator"), ""))
        pdf.set_subject(note.signature)
        pdf.set_margins(MARGIN_MM, MARGIN_MM)
        pdf.set_auto_page_break(False)
        pdf.set_draw_color(0)
        pdf.c_margin = 0
        self.width = pdf.w - 2 * MARGIN_MM
        # What is replaced anywhere must be known to the foot of the first page.
        for text in _all_text(note):
            pdf.fit(text)
        pdf.add_page()

    # -- parts --------------------------------------------------------------

    def head(self) -> None:
        """Title, signature, and the facts of the case in two columns."""
        note = self.note
        if note.demo:
            self._text(DEMO, self.width, size=9, style="B", align="C", line=4.4)
        self._text(note.title, self.width, size=11, style="B", line=5.0)
        size, style = (8.0, "") if note.signed else (10.0, "B")
        self._text(note.signature, self.width, size=size, style=style, line=size / 2)
        self._gap(0.8)
        self._columns(note.head)

    def warnings(self) -> None:
        """The box; broken over pages, line by line, only if it does not fit."""
        note, inner = self.note, self.width - 5.0
        waiting = [
            ("-" if i == 0 else "", part)
            for warning in note.warnings
            for i, part in enumerate(self._split(warning, inner))
        ]
        title = f"WARNINGS: {warnings_headline(note)}"
        self._gap(1.2)
        while title:
            self._need(LINE_MM * 4)
            top = self.pdf.get_y()
            self._gap(0.9)
            self._text(title, inner, x=MARGIN_MM + 1.5, size=8.5, style="B", line=3.8)
            while waiting and self._room() > LINE_MM + 1.0:
                bullet, part = waiting.pop(0)
                y = self.pdf.get_y()
                self._text(bullet, 2.0, x=MARGIN_MM + 1.5)
                self.pdf.set_y(y)
                self._text(part, inner + 0.5, x=MARGIN_MM + 3.3)
            bottom = self.pdf.get_y() + 0.9
            self.pdf.set_line_width(0.5)
            self.pdf.rect(MARGIN_MM, top, self.width, bottom - top)
            self.pdf.set_line_width(0.2)
            self.pdf.set_y(bottom)
            title = "WARNINGS, continued" if waiting else ""
            if waiting:
                self._new_page()

    def canals(self, canals: Sequence[CanalNote], drawings: Sequence[Drawing]) -> None:
        """Two canals side by side, rows above and drawing below; one alone has its
        drawing beside the rows."""
        column = (self.width - GUTTER_MM) / 2
        lefts = (MARGIN_MM, MARGIN_MM + column + GUTTER_MM)
        rows = max(self._canal_height(canal, column) for canal in canals)
        drawn = max((drawing.height_mm for drawing in drawings), default=0.0)
        if rows > self._page_room():  # an endless canal: line by line over the pages
            for canal in canals:
                self._section(f"Canal: {canal.name}")
                for row in canal.rows:
                    self._paragraph(f"{row.label}: {row.text}")
            self._drawings(drawings, lefts, drawn)
            return
        beside = len(canals) == 1 and max(rows, drawn) <= self._page_room()
        together = max(rows, drawn) if beside else rows + drawn + 3.0
        self._gap(1.6)
        self._need(together if together <= self._page_room() else rows)
        top = self.pdf.get_y()
        for canal, x in zip(canals, lefts, strict=False):
            self.pdf.set_y(top)
            self._heading(f"Canal: {canal.name}", x, column)
            self._rows(canal.rows, x, column)
        if beside:
            self.pdf.set_y(top)
            self._drawings(drawings, lefts[1:], drawn)
            self.pdf.set_y(top + together)
        else:
            self.pdf.set_y(top + rows + 1.2)
            self._drawings(drawings, lefts, drawn)

    def _drawings(
        self, drawings: Sequence[Drawing], lefts: Sequence[float], height: float
    ) -> None:
        self._need(height)
        top = self.pdf.get_y()
        for drawing, x in zip(drawings, lefts, strict=False):
            self._draw(drawing.shapes, x, top)
        self.pdf.set_y(top + height)

    def rest(self) -> None:
        """Readiness and finish, corrections, what was not taken, the record."""
        note = self.note
        if note.canals:
            self._gap(1.2)
            self._paragraph(legend(), SMALL_PT, SMALL_LINE_MM)
        self._section("Readiness and finish")
        self._paragraph("; ".join(f"{r.label}: {r.text}" for r in note.case) + ".")
        if note.changes:
            self._section("Corrected or taken back (kept in the log)")
            for line in note.changes:
                self._paragraph(f"- {line}")
        if note.rejected:
            self._section("Heard and not taken (kept in the log)")
            for line in note.rejected:
                self._paragraph(f"- {line}")
        if note.addenda:
            self._section("Added after the signature")
            for line in note.addenda:
                self._paragraph(f"- {line}")
        self._section("The record")
        for row in note.trust:
            self._paragraph(f"{row.label}: {row.text}")
        self._paragraph(limits_line(note), SMALL_PT, SMALL_LINE_MM)
        self._paragraph("Marks: " + LEGEND, SMALL_PT, SMALL_LINE_MM)

    # -- setting ------------------------------------------------------------

    def _section(self, title: str) -> None:
        self._need(2 * LINE_MM + 1.0)
        self._gap(0.9)
        self._text(title, self.width, style="B")

    def _paragraph(self, text: str, size: float = SIZE_PT, line: float = LINE_MM) -> None:
        """Set line by line, so that a long one can go on on the next page."""
        for part in self._split(text, self.width, size):
            self._need(line)
            self._text(part, self.width, size=size, line=line)

    def _heading(self, text: str, x: float, width: float) -> None:
        self._text(text, width, x=x, size=8.5, style="B", line=4.0)
        y = self.pdf.get_y()
        self.pdf.line(x, y, x + width, y)
        self._gap(0.5)

    def _rows(self, rows: Sequence[NoteRow], x: float, width: float) -> None:
        for row in rows:
            top = self.pdf.get_y()
            self._text(row.label, LABEL_MM, x=x, style="B")
            under = self.pdf.get_y()
            self.pdf.set_y(top)
            self._text(row.text, width - LABEL_MM, x=x + LABEL_MM)
            self.pdf.set_y(max(under, self.pdf.get_y()))

    def _columns(self, rows: Sequence[NoteRow]) -> None:
        column = (self.width - GUTTER_MM) / 2
        half = (len(rows) + 1) // 2
        top, bottom = self.pdf.get_y(), 0.0
        for i, part in enumerate((rows[:half], rows[half:])):
            self.pdf.set_y(top)
            self._rows(part, MARGIN_MM + i * (column + GUTTER_MM), column)
            bottom = max(bottom, self.pdf.get_y())
        self.pdf.set_y(bottom)

    def _canal_height(self, canal: CanalNote, width: float) -> float:
        rows = sum(
            max(
                self._height(row.text, width - LABEL_MM),
                self._height(row.label, LABEL_MM, style="B"),
            )
            for row in canal.rows
        )
        return rows + 4.5

    def _text(
        self,
        text: str,
        width: float,
        *,
        x: float = MARGIN_MM,
        size: float = SIZE_PT,
        style: str = "",
        align: str = "L",
        line: float = LINE_MM,
    ) -> None:
        pdf = self.pdf
        pdf.set_font(FONT, style, size)
        pdf.set_x(x)
        fitted = pdf.fit(text)
        pdf.multi_cell(width, line, fitted, align=align, new_x="LMARGIN", new_y="NEXT")

    def _split(
        self, text: str, width: float, size: float = SIZE_PT, style: str = ""
    ) -> list[str]:
        self.pdf.set_font(FONT, style, size)
        fitted = self.pdf.fit(text)
        found = self.pdf.multi_cell(width, LINE_MM, fitted, dry_run=True, output="LINES")
        assert isinstance(found, list)
        return [str(part) for part in found]

    def _height(self, text: str, width: float, style: str = "") -> float:
        return len(self._split(text, width, style=style)) * LINE_MM

    def _gap(self, height: float) -> None:
        self.pdf.set_y(self.pdf.get_y() + height)

    def _page_room(self) -> float:
        """What a fresh page has."""
        demo = 4.4 if self.note.demo else 0.0
        return self.pdf.h - FOOT_MM - 1.5 - MARGIN_MM - demo

    def _room(self) -> float:
        return self.pdf.h - FOOT_MM - 1.5 - self.pdf.get_y()

    def _need(self, height: float) -> None:
        if height > self._room():
            self._new_page()

    def _new_page(self) -> None:
        self.pdf.add_page()
        if self.note.demo:
            self._text(DEMO, self.width, size=9, style="B", align="C", line=4.4)

    # -- drawing ------------------------------------------------------------

    def _draw(self, shapes: Sequence[Shape], x: float, y: float) -> None:
        for shape in shapes:
            match shape:
                case Stroke():
                    self._pen(shape.width_mm, shape.dash)
                    self.pdf.line(x + shape.x1, y + shape.y1, x + shape.x2, y + shape.y2)
                case Rect():
                    self._pen(shape.width_mm, shape.dash)
                    self.pdf.set_fill_color(0)
                    style = "DF" if shape.solid else "D"
                    self.pdf.rect(
                        x + shape.x, y + shape.y, shape.width, shape.height, style=style
                    )
                case Text():
                    self._letter(shape, x, y)
        self._pen(0.2, "solid")

    def _pen(self, width_mm: float, dash: str) -> None:
        self.pdf.set_line_width(width_mm)
        lengths = {"solid": (0.0, 0.0), "dashed": (1.4, 0.9), "dotted": (0.4, 0.7)}[dash]
        self.pdf.set_dash_pattern(*lengths)

    def _letter(self, text: Text, x: float, y: float) -> None:
        pdf = self.pdf
        pdf.set_font(FONT, "B" if text.bold else "", text.size_mm * _POINTS_PER_MM)
        words = pdf.fit(text.text)
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[text.anchor]
        left = x + text.x - back * pdf.get_string_width(words)
        # Capitals are about 0.72 of the size high: this centres them on ``y``.
        pdf.text(left, y + text.y + 0.36 * text.size_mm, words)


def _all_text(note: Note) -> list[str]:
    rows = [*note.head, *note.case, *note.trust, *(r for c in note.canals for r in c.rows)]
    return [
        note.title,
        note.signature,
        *(part for row in rows for part in (row.label, row.text)),
        *(canal.name for canal in note.canals),
        *note.warnings,
        *note.changes,
        *note.rejected,
        *note.addenda,
    ]

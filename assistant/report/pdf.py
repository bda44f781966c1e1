"""The chart note as a PDF: A4, black on white; the first page is complete for a chart.

It has the case, the warnings, a summary of each canal and a line for ink; if the warnings
are so many that they would push the others off, the rest of them follows on the next page.
After it come the canals in full, the drawings, and what the record tells of itself.
"""

from __future__ import annotations

from collections.abc import Sequence

from assistant.extras import installed
from assistant.report.drawing import Drawing, Rect, Shape, Stroke, Text, legend
from assistant.report.note import (
    REMARKS,
    CanalNote,
    Note,
    limits_line,
    unanswered_line,
    warnings_headline,
)
from assistant.report.paper import FONT, LINE_MM, MARGIN_MM, SIZE_PT, Paper
from assistant.report.rows import NoteRow

GUTTER_MM = 5.0
LABEL_MM = 31.0
"""Width of the labels in a column of rows."""

INK = "Signature (ink): ____________________________   Name: ______________________"
INK += "   Date: ______________"
INK_MM = 12.0

CELL_MM = 0.6
"""A cell of the QR code: 20 mm for 64 digits, which a telephone reads. Chosen here."""

_POINTS_PER_MM = 72 / 25.4


def as_pdf(note: Note, drawings: Sequence[Drawing]) -> bytes:
    """Set the note and its drawings on A4 pages.

    Args:
        drawings: one for each canal of the note, in its order.
    """
    page = _Page(note, drawings)
    page.first()
    for canal in note.canals:
        page.canal(canal)
    page.drawings(drawings)
    page.rest()
    return bytes(page.paper.output())


class _Page:
    """Sets one note."""

    def __init__(self, note: Note, drawings: Sequence[Drawing]) -> None:
        self.note = note
        state = "Signed" if note.signed else "NOT SIGNED"
        self.paper = Paper(
            note.title,
            note.made,
            [*_all_text(note), *(text for drawing in drawings for text in drawing.words)],
            foot=f"{state}. Case {note.case_code}. Journal head hash {note.head_hash}.",
            demo=note.demo,
            author=next((r.text for r in note.head if r.label == "Operator"), ""),
            subject=note.signature,
        )

    # -- parts --------------------------------------------------------------

    def first(self) -> None:
        """What a chart needs."""
        note, paper = self.note, self.paper
        paper.put(note.title, size=13.0, bold=True, part="H1")
        size = SIZE_PT if note.signed else 11.0
        paper.put(note.signature, size=size, bold=not note.signed)
        if waits := unanswered_line(note):
            paper.put(waits, bold=True)
        paper.gap(0.8)
        self._columns(note.head)
        if note.visits:
            paper.section("Visits")
            self._rows(note.visits, MARGIN_MM, paper.width)
        paper.section("Summary")
        self._rows(note.summary, MARGIN_MM, paper.width)
        waiting = self._warnings(list(note.warnings), "WARNINGS: ", INK_MM)
        paper.gap(INK_MM - LINE_MM - 1.0)
        paper.put(INK)
        while waiting:
            paper.new_page()
            waiting = self._warnings(waiting, "WARNINGS, continued: ", 0.0)

    def _warnings(self, waiting: list[str], title: str, spare: float) -> list[str]:
        """A box of those that leave ``spare`` mm of the page; gives the others back."""
        paper, inner = self.paper, self.paper.width - 5.0
        paper.gap(1.2)
        top = paper.get_y()
        paper.gap(0.9)
        told, room = 0, paper.room - spare - 2 * LINE_MM - 3.0
        for warning in waiting:
            room -= len(paper.split(f"- {warning}", inner)) * LINE_MM
            if room < 0 and (told or spare):
                break
            told += 1
        rest = waiting[told:]
        title += warnings_headline(self.note)
        title += f"; {len(rest)} of the lines below on the next page" if rest else ""
        paper.put(title, inner, x=MARGIN_MM + 1.5, bold=True, part="H2")
        for warning in waiting[:told]:
            paper.put(f"- {warning}", inner, x=MARGIN_MM + 1.5)
        bottom = paper.get_y() + 0.9
        with paper.artifact():
            paper.set_line_width(0.5)
            paper.rect(MARGIN_MM, top, paper.width, bottom - top)
            paper.set_line_width(0.2)
        paper.set_y(bottom)
        return rest

    def canal(self, canal: CanalNote) -> None:
        """A canal in full."""
        self.paper.section(f"Canal: {canal.name}")
        self.paper.rule(MARGIN_MM, self.paper.width)
        self.paper.gap(0.5)
        self._rows(canal.rows, MARGIN_MM, self.paper.width)

    def drawings(self, drawings: Sequence[Drawing]) -> None:
        """Two side by side."""
        paper = self.paper
        if drawings:
            paper.need(drawings[0].height_mm + 4 * LINE_MM)
            paper.section("Depths")
            paper.paragraph(legend())
        for start in range(0, len(drawings), 2):
            pair = drawings[start : start + 2]
            paper.gap(2.0)
            paper.need(max(drawing.height_mm for drawing in pair) + LINE_MM)
            top = paper.get_y()
            for i, drawing in enumerate(pair):
                x = MARGIN_MM + i * ((paper.width - GUTTER_MM) / 2 + GUTTER_MM)
                paper.set_y(top)
                with paper.tag("Figure", "; ".join((drawing.title, *drawing.words))):
                    paper.put(drawing.title, drawing.width_mm, x=x, bold=True)
                    self._draw(drawing.shapes, x, paper.get_y())
            paper.set_y(top + max(drawing.height_mm for drawing in pair) + LINE_MM)

    def rest(self) -> None:
        """Readiness and finish, corrections, what was not taken, the record."""
        note, paper = self.note, self.paper
        paper.section("Readiness and finish")
        paper.paragraph("; ".join(f"{r.label}: {r.text}" for r in note.case) + ".")
        if note.conditions:
            paper.section("Materials and conditions")
            told = "; ".join(f"{r.label}: {r.text}" for r in note.conditions)
            paper.paragraph(f"{told}.")
        for title, listed in (
            *([(REMARKS, note.remarks)] if note.remarks else []),
            ("Corrected or taken back (kept in the log)", note.changes),
            ("Added after the signature", note.addenda),
        ):
            if listed:
                paper.section(title)
                for line in listed:
                    paper.paragraph(f"- {line}")
        paper.section("The record")
        for row in note.trust:
            paper.paragraph(f"{row.label}: {row.text}")
        paper.paragraph(limits_line(note))
        paper.paragraph("Marks: " + note.legend)
        if note.signed and installed("sign"):
            self._head()

    def _head(self) -> None:
        """The head of the journal as a QR code: what is on paper no disk can take back."""
        import segno  # noqa: PLC0415 - an extra

        paper, code = self.paper, segno.make(self.note.head_hash, micro=False)
        side = len(code.matrix) * CELL_MM
        paper.gap(4 * CELL_MM)  # the quiet zone that the standard asks for
        paper.need(side + 4 * CELL_MM)
        top = paper.get_y()
        with paper.tag("Figure", f"QR code of the journal head hash {self.note.head_hash}"):
            paper.set_fill_color(0)
            for row, cells in enumerate(code.matrix):
                for column, cell in enumerate(cells):
                    if cell:
                        x, y = MARGIN_MM + column * CELL_MM, top + row * CELL_MM
                        paper.rect(x, y, CELL_MM, CELL_MM, style="F")
        paper.set_y(top + side + 4 * CELL_MM)

    # -- rows ---------------------------------------------------------------

    def _rows(self, rows: Sequence[NoteRow], x: float, width: float) -> None:
        paper = self.paper
        for row in rows:
            if self._row_height(row, width) > paper.page_room:  # over the pages, as text
                paper.paragraph(f"{row.label}: {row.text}")
                continue
            paper.need(self._row_height(row, width))
            top = paper.get_y()
            with paper.tag("P"):
                paper.put(row.label, LABEL_MM - 1.0, x=x, bold=True)
                under = paper.get_y()
                paper.set_y(top)
                paper.put(row.text, width - LABEL_MM, x=x + LABEL_MM)
            paper.set_y(max(under, paper.get_y()))

    def _row_height(self, row: NoteRow, width: float = 0.0) -> float:
        paper = self.paper
        label = paper.split(row.label, LABEL_MM - 1.0, bold=True)
        text = paper.split(row.text, (width or paper.width) - LABEL_MM)
        return max(len(label), len(text)) * LINE_MM

    def _columns(self, rows: Sequence[NoteRow]) -> None:
        column = (self.paper.width - GUTTER_MM) / 2
        half = (len(rows) + 1) // 2
        top, bottom = self.paper.get_y(), 0.0
        for i, part in enumerate((rows[:half], rows[half:])):
            self.paper.set_y(top)
            self._rows(part, MARGIN_MM + i * (column + GUTTER_MM), column)
            bottom = max(bottom, self.paper.get_y())
        self.paper.set_y(bottom)

    # -- drawing ------------------------------------------------------------

    def _draw(self, shapes: Sequence[Shape], x: float, y: float) -> None:
        for shape in shapes:
            match shape:
                case Stroke():
                    self._pen(shape.width_mm, shape.dash)
                    self.paper.line(x + shape.x1, y + shape.y1, x + shape.x2, y + shape.y2)
                case Rect():
                    self._pen(shape.width_mm, shape.dash)
                    self.paper.set_fill_color(0)
                    style = "DF" if shape.solid else "D"
                    self.paper.rect(
                        x + shape.x, y + shape.y, shape.width, shape.height, style=style
                    )
                case Text():
                    self._letter(shape, x, y)
        self._pen(0.2, "solid")

    def _pen(self, width_mm: float, dash: str) -> None:
        self.paper.set_line_width(width_mm)
        lengths = {"solid": (0.0, 0.0), "dashed": (1.4, 0.9), "dotted": (0.4, 0.7)}[dash]
        self.paper.set_dash_pattern(*lengths)

    def _letter(self, text: Text, x: float, y: float) -> None:
        paper = self.paper
        paper.set_font(FONT, "B" if text.bold else "", text.size_mm * _POINTS_PER_MM)
        words = paper.letters.fit(text.text)
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[text.anchor]
        left = x + text.x - back * paper.get_string_width(words)
        # Capitals are about 0.72 of the size high: this centres them on ``y``.
        paper.text(left, y + text.y + 0.36 * text.size_mm, words)


def _all_text(note: Note) -> list[str]:
    rows = [*note.head, *note.visits, *note.summary, *note.case, *note.conditions, *note.trust]
    rows += [row for canal in note.canals for row in canal.rows]
    return [
        note.title,
        note.signature,
        *(part for row in rows for part in (row.label, row.text)),
        *(canal.name for canal in note.canals),
        *note.warnings,
        *note.remarks,
        *note.changes,
        *note.addenda,
    ]

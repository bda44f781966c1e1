"""The chart note as plain text to paste into a chart."""

from __future__ import annotations

import textwrap

from assistant.report.note import REMARKS, Note, limits_line, unanswered_line, warnings_headline
from assistant.report.rows import NoteRow
from assistant.report.statement import DEMO, STATEMENT

COLUMNS = 88


def as_text(note: Note) -> str:
    """The note as plain text, no line longer than :data:`COLUMNS`."""
    lines: list[str] = [DEMO] if note.demo else []
    lines += [note.title]
    lines += _wrapped(note.signature, "  ") if note.signed else ["NOT SIGNED"]
    lines += [waiting] if (waiting := unanswered_line(note)) else []
    lines += ["", "CASE", *_table(note.head)]
    lines += ["", "VISITS", *_table(note.visits)] if note.visits else []
    lines += ["", "SUMMARY", *_table(note.summary)] if note.summary else []
    lines += ["", f"WARNINGS: {warnings_headline(note)}"]
    lines += _listed(note.warnings)
    for canal in note.canals:
        lines += ["", f"CANAL {canal.name.upper()}", *_table(canal.rows)]
    if not note.canals:
        lines += ["", "CANALS: not recorded"]
    lines += ["", "READINESS AND FINISH", *_table(note.case)]
    if note.conditions:
        lines += ["", "MATERIALS AND CONDITIONS", *_table(note.conditions)]
    if note.remarks:
        lines += ["", REMARKS.upper(), *_listed(note.remarks)]
    lines += [
        "",
        "CORRECTED OR TAKEN BACK (kept in the log)",
        *_listed(note.changes or ("none",)),
    ]
    if note.addenda:
        lines += ["", "ADDED AFTER THE SIGNATURE", *_listed(note.addenda)]
    lines += ["", "THE RECORD", *_table(note.trust)]
    lines += _wrapped(limits_line(note), "  ")
    lines += _wrapped("Marks: " + note.legend, "  ")
    lines += ["", *_wrapped(STATEMENT, ""), ""]
    lines += _wrapped(note.signature, "  ")
    lines += _wrapped(f"Journal head hash: {note.head_hash}", "  ")
    lines += [DEMO] if note.demo else []
    return "\n".join(lines) + "\n"


def _listed(lines: tuple[str, ...]) -> list[str]:
    return [part for line in lines for part in _wrapped(f"- {line}", "  ")]


def _table(rows: tuple[NoteRow, ...]) -> list[str]:
    width = max([16, *(len(row.label) + 1 for row in rows)])
    lines: list[str] = []
    for row in rows:
        lines += _wrapped(f"{row.label + ':':<{width}} {row.text}", " " * (width + 1))
    return lines


def _wrapped(text: str, hang: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, subsequent_indent=hang, break_on_hyphens=False)

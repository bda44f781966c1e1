"""Many cases as one long table for study: a row an entry, a warning, a timed act, a material
or condition, a visit that was closed, a change of the case or part done again, or a takeover.
Remarks stand in none, and of a change not the reason: those hold any text.

Built from the records, so that a column means what the field of the record means. People
are roles (``operator``, ``chairside``); of the case only its code stands in the table.

The text is CSV by RFC 4180: comma, quotes doubled, CR LF, a header line, UTF-8.

- What is not seen, or turns the order of what is seen (controls, line breaks, marks of
  direction), is written as its number, ``\\u00202e``; a backslash is doubled.
- A spreadsheet runs what begins like a formula, and some look past spaces for it. So a text
  that begins with one of :data:`RISKY`, spaces or not, gets an apostrophe before it, and so
  does one that begins with an apostrophe.

Hence :func:`read` knows what was added and takes it off: what is read is what was there.
Numbers are written as they are: -1.5 is no formula.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any, Literal

from assistant.exchange.codes import UNIT_OF
from assistant.report.marks import JOINERS

Record = Mapping[str, Any]
Cell = str | int | float | bool | None
Row = dict[str, Cell]
Table = Literal[
    "entries", "warnings", "timings", "conditions", "visits", "changes", "takeovers"
]

RISKY = frozenset("=+-@＝＋－＠")
"""First characters that make a spreadsheet take a text for a formula; those of full width
count as their narrow ones in some."""

QUOTE = "'"

_UNSEEN = frozenset({"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp"})
_WRITTEN = re.compile(r"\\(?:\\|u([0-9a-f]{6}))")

OPERATOR, CHAIRSIDE = "operator", "chairside"


def rows(record: Record, table: Table) -> Iterator[Row]:
    """Rows of one case; ``record`` as :func:`.as_record` gives it."""
    yield from _TABLES[table](record)


def table_text(records: Iterable[Record], table: Table) -> str:
    """The rows of all cases as CSV, see the module docstring."""
    text = io.StringIO(newline="")
    out = csv.writer(text, lineterminator="\r\n")
    out.writerow(COLUMNS[table])
    for record in records:
        for row in rows(record, table):
            out.writerow([_cell(row[column]) for column in COLUMNS[table]])
    return text.getvalue()


def read(text: str) -> list[dict[str, str]]:
    """The rows of a table, cells as text, apostrophes taken off: undoes :func:`table_text`.

    Raises:
        ValueError: no CSV, or a row without as many cells as the header.
    """
    try:
        header, *body = csv.reader(io.StringIO(text, newline=""), strict=True)
    except csv.Error as bad:
        raise ValueError(str(bad)) from None
    return [dict(zip(header, map(unguarded, row), strict=True)) for row in body]


def guarded(text: str) -> str:
    """A text that hides nothing and that no spreadsheet takes for a formula."""
    seen = "".join(map(_visible, text))
    first = next((c for c in seen if not c.isspace() and c not in JOINERS), "")
    return QUOTE + seen if first in RISKY or seen.startswith(QUOTE) else seen


def unguarded(text: str) -> str:
    """The text that :func:`guarded` was given."""
    return _WRITTEN.sub(_unwritten, text.removeprefix(QUOTE))


def _visible(character: str) -> str:
    if character == "\\":
        return "\\\\"
    if character in JOINERS or unicodedata.category(character) not in _UNSEEN:
        return character
    return f"\\u{ord(character):06x}"


def _unwritten(found: re.Match[str]) -> str:
    return chr(int(found[1], 16)) if found[1] else "\\"


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return guarded(value) if isinstance(value, str) else repr(value)


def _about(record: Record) -> Row:
    tooth = record["tooth"]
    return {
        "case_code": record["case_code"],
        "demonstration": record["demonstration"],
        "signed": record["signed_at"] is not None,
        "tooth": tooth["fdi"] if tooth else None,
    }


def _since(record: Record, at: str) -> float:
    """Seconds of wall time since the case was opened."""
    return (_time(at) - _time(record["opened_at"])).total_seconds()


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _measured(value: Any) -> Cell:
    return ", ".join(value) if isinstance(value, list) else value


def _unit(entry: Mapping[str, Any]) -> str | None:
    unit = None if isinstance(entry["value"], str | list) else UNIT_OF.get(entry["kind"])
    return unit.code if unit else None


def _entries(record: Record) -> Iterator[Row]:
    warned: dict[int, list[str]] = {}
    for warning in record["warnings"]:
        if warning["entry"] is not None:
            warned.setdefault(warning["entry"], []).append(warning["rule"])
    for entry in record["entries"]:
        signing = entry["quantity"] == "signature"  # its value is a name
        yield _about(record) | {
            "canal": entry["canal"],
            "seq": entry["seq"],
            "step": entry["step"],
            "quantity": entry["quantity"],
            "round": entry["round"],
            "value": OPERATOR if signing else _measured(entry["value"]),
            "unit": _unit(entry),
            "origin": entry["origin"],
            "standing": entry["standing"],
            "confirmed": entry["confirmed"],
            "read_back": entry["read_back"],
            "cut_short": entry["cut_short"],
            "warned_rules": " ".join(warned.get(entry["seq"], [])),
            "since_start_s": _since(record, entry["at"]),
            "by_role": _role(record, entry),
        }


def _role(record: Record, entry: Mapping[str, Any]) -> str:
    """Told by records from 1.3 on; before, one person operated."""
    role = entry.get("role")
    return str(role or (OPERATOR if entry["by"] == record["operator"] else CHAIRSIDE))


def _warnings(record: Record) -> Iterator[Row]:
    entries = {entry["seq"]: entry for entry in record["entries"]}
    for warning in record["warnings"]:
        entry = entries.get(warning["entry"])
        yield _about(record) | {
            "canal": warning["canal"],
            "seq": warning["seq"],
            "rule": warning["rule"],
            "severity": warning["severity"],
            "step": warning["step"],
            "text": warning["text"],
            "entry": warning["entry"],
            "quantity": entry["quantity"] if entry else None,
            "round": entry["round"] if entry else None,
            "value": _measured(entry["value"]) if entry else None,
            "unit": _unit(entry) if entry else None,
            "answer": warning["answer"],
            "open": warning["open"],
            "since_start_s": _since(record, warning["at"]),
        }


def _timings(record: Record) -> Iterator[Row]:
    quantities = {entry["seq"]: entry["quantity"] for entry in record["entries"]}
    for timing in record["timings"]:
        yield _about(record) | {
            "canal": timing["canal"],
            "entry": timing["entry"],
            "step": timing["step"],
            "quantity": quantities[timing["entry"]],
            "round": timing["round"],
            "duration": timing["duration_s"],
            "planned": timing["planned_s"],
            "unit": "s",
            "cut_short": timing["cut_short"],
            "standing": timing["standing"],
            "since_start_s": _since(record, timing["ended_at"]),
        }


def _conditions(record: Record) -> Iterator[Row]:
    """Who was present stands in no table: those are names."""
    for told in record.get("conditions", ()):
        if told["condition"] != "present":
            yield _about(record) | {
                "canal": None,
                "condition": told["condition"],
                "text": told["text"],
                "by_role": told["role"],
                "stands": told["stands"],
                "since_start_s": _since(record, told["at"]),
            }


def _visits(record: Record) -> Iterator[Row]:
    for visit in record.get("visits", ()):
        yield _about(record) | {
            "canal": None,
            "visit": visit["number"],
            "dressing": visit["dressing"],
            "plan": visit["plan"],
            "entries": visit["entries"],
            "began_since_start_s": _since(record, visit["began_at"]),
            "since_start_s": _since(record, visit["ended_at"]),
        }


def _changes(record: Record) -> Iterator[Row]:
    for number, change in enumerate(record.get("changes", ()), 1):
        yield _about(record) | {
            "canal": change["canal"],
            "change": number,
            "what": change["what"],
            "to": change["to"],
            "now_tooth": change["tooth"],
            "mm": change["mm"],
            "superseded": " ".join(map(str, change["superseded"])),
            "since_start_s": _since(record, change["at"]),
        }


def _takeovers(record: Record) -> Iterator[Row]:
    """Which role was taken over, and when; by whom stands in no table."""
    for takeover in record.get("takeovers", ()):
        yield _about(record) | {
            "canal": None,
            "role": takeover["role"],
            "since_start_s": _since(record, takeover["at"]),
        }


_TABLES: Mapping[Table, Callable[[Record], Iterator[Row]]] = {
    "entries": _entries,
    "warnings": _warnings,
    "timings": _timings,
    "conditions": _conditions,
    "visits": _visits,
    "changes": _changes,
    "takeovers": _takeovers,
}

_ABOUT = ("case_code", "demonstration", "signed", "tooth", "canal")
COLUMNS: Mapping[Table, tuple[str, ...]] = {
    "entries": (
        *_ABOUT,
        *("seq", "step", "quantity", "round", "value", "unit", "origin", "standing"),
        *("confirmed", "read_back", "cut_short", "warned_rules", "since_start_s", "by_role"),
    ),
    "warnings": (
        *_ABOUT,
        *("seq", "rule", "severity", "step", "text", "entry", "quantity", "round", "value"),
        *("unit", "answer", "open", "since_start_s"),
    ),
    "timings": (
        *_ABOUT,
        *("entry", "step", "quantity", "round", "duration", "planned", "unit", "cut_short"),
        *("standing", "since_start_s"),
    ),
    "conditions": (*_ABOUT, "condition", "text", "by_role", "stands", "since_start_s"),
    "visits": (
        *_ABOUT,
        *("visit", "dressing", "plan", "entries", "began_since_start_s", "since_start_s"),
    ),
    "changes": (
        *_ABOUT,
        *("change", "what", "to", "now_tooth", "mm", "superseded", "since_start_s"),
    ),
    "takeovers": (*_ABOUT, "role", "since_start_s"),
}
"""The header of each table; a test holds the rows to it."""

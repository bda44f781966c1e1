"""Puts all reports of a case into its folder, each file whole or not at all."""

from __future__ import annotations

import json
import re
from contextlib import suppress
from pathlib import Path

from assistant.errors import RecordDamaged
from assistant.files.atomic import write_atomically
from assistant.progress.state import CaseState
from assistant.report.computed import computed
from assistant.report.drawing import depth_drawing, depths_of
from assistant.report.note import note
from assistant.report.note_text import as_text

FILES = {
    "note": "note.txt",
    "pdf": "note.pdf",
    "record": "record.json",
    "schema": "record.schema.json",
    "computed": "computed.pdf",
}
"""What each report is called in the folder; the last one is made only where size, taper
and working length of a canal are known."""


def write_reports(folder: Path, state: CaseState, head_hash: str) -> dict[str, Path]:
    """Write note, PDF, record and its schema; say what is where.

    Args:
        folder: of the case; it must exist.
        head_hash: of the case's journal, 64 hexadecimal digits.

    Raises:
        RecordUnwritable: the disk refused; reports written before that stay, whole.
    """
    # All are made before the first is written: a defect in one leaves the
    # reports of before in step with one another.
    return put_reports(folder, state, reports(state, head_hash))


def put_reports(
    folder: Path, state: CaseState, contents: dict[str, bytes | str]
) -> dict[str, Path]:
    """Write what :func:`reports` made of ``state``; as :func:`write_reports`.

    Raises:
        RecordDamaged: there are reports of a signed case and this one is not signed.
    """
    if state.signed is None and (name := _signed_there(folder)):
        raise RecordDamaged(
            f"{folder / name} is signed and the journal beside it is not, so no report was "
            "written over it; move it away, or get the journal from a back-up."
        )
    places = {name: folder / FILES[name] for name in contents}
    for name, content in contents.items():
        write_atomically(places[name], content)
    return places


def _signed_there(folder: Path) -> str | None:
    """The report that says of itself that it is signed."""
    with suppress(OSError, ValueError, AttributeError, RecursionError):
        record = json.loads((folder / FILES["record"]).read_bytes())
        if record.get("signed_at") is not None:
            return FILES["record"]
    with suppress(OSError):
        note = (folder / FILES["note"]).read_text(encoding="utf-8", errors="replace")
        if re.search(r"^Signed by .* at ", note, re.MULTILINE):
            return FILES["note"]
    return None


def reports(state: CaseState, head_hash: str) -> dict[str, bytes | str]:
    """What :func:`write_reports` writes: the content of each report, by key of ``FILES``."""
    # A sitting loads this module at its start and needs these at its end: half a second.
    from assistant.report.pdf import as_pdf  # noqa: PLC0415
    from assistant.report.record import as_record, json_schema, json_text  # noqa: PLC0415
    from assistant.report.section import as_pages  # noqa: PLC0415

    chart = note(state, head_hash)
    drawings = [depth_drawing(depths_of(state, track.name)) for track in state.canals]
    contents: dict[str, bytes | str] = {
        "note": as_text(chart),
        "pdf": as_pdf(chart, drawings),
        "record": json_text(as_record(state, head_hash)),
        "schema": json_text(json_schema()),
    }
    reckoned = [computed(state, track.name) for track in state.canals]
    if shown := [one for one in reckoned if not one.empty]:
        contents["computed"] = as_pages(
            shown, state.case_code, state.opened.wall, demo=state.demo
        )
    return contents

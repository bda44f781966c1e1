"""Commands on one case that is there: ``note``, ``verify``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from assistant.case.casefile import JOURNAL, read_case, read_whole
from assistant.commandline.anchoring import need_unbroken, write_out
from assistant.commandline.cases import CASE
from assistant.commandline.options import FILE
from assistant.commandline.verdict import (
    as_data,
    found_in_pdf,
    found_signatures,
    found_stamps,
    need_head,
    need_key,
    told,
    told_of_pdf,
    told_stamps,
)
from assistant.errors import RecordDamaged
from assistant.report.note import note as chart_note
from assistant.report.note_text import as_text
from assistant.report.record import as_record
from assistant.store.pdf_signing import PdfSignature


@click.command()
@click.argument("folder", metavar="CASE", type=CASE)
@click.option("--print", "only_print", is_flag=True, help="Print the note; write nothing.")
@click.option(
    "--json", "as_json", is_flag=True, help="What was written where; with --print the record."
)
def note(folder: Path, only_print: bool, as_json: bool) -> None:
    """Write the note, PDF and record of a case again, from its journal."""
    need_unbroken(folder)
    state, head = read_case(folder)
    if only_print:
        found = as_record(state, head) if as_json else None
        click.echo(_json(found) if found else as_text(chart_note(state, head)), nl=as_json)
        return
    written = write_out(folder, state, head, "report made again")
    if as_json:
        click.echo(_json({what: str(path) for what, path in _places(folder, written).items()}))
    else:
        list_written(folder, written)


@click.command()
@click.argument("folder", metavar="CASE", type=CASE)
@click.option("--key", default=None, help="It must be signed by this key (as key show has it).")
@click.option("--head", default=None, help="A head that was printed: the journal must have it.")
@click.option("--authority", type=FILE, default=None, help="Certificate of a time stamp's.")
@click.option("--json", "as_json", is_flag=True)
def verify(
    folder: Path, key: str | None, head: str | None, authority: Path | None, as_json: bool
) -> None:
    """Check that a journal is whole, unedited, and what is known of it elsewhere.

    Tells by whom and with which key it is signed, and what all that does not prove.
    """
    state, _, now, unfinished, lines = read_whole(folder)
    of_trail: list[str] = []
    need_unbroken(folder, of_trail.append)
    need_head(folder, lines, head)
    signatures, stamped = found_signatures(lines), found_stamps(folder, lines, authority)
    in_pdf = found_in_pdf(folder, signatures)
    signed = state.signed.wall.isoformat() if state.signed else None
    if as_json:
        found = {"case": state.case_code, "entries": len(state.entries), "head": now}
        about = {"signed": signed, "unfinished_bytes": unfinished}
        more = {"signatures": as_data(signatures), "stamps": [s.entry for s in stamped]}
        more["pdf"] = in_pdf._asdict() if isinstance(in_pdf, PdfSignature) else in_pdf
        click.echo(json.dumps(found | about | more))
    else:
        click.echo(
            f"{folder / JOURNAL}: whole, {len(state.entries)} entries, signed: {signed or 'no'}"
        )
        click.echo(f"head {now}")
        for sentence in (
            *told(state, lines, signatures),
            *told_of_pdf(in_pdf),
            *told_stamps(stamped),
        ):
            click.echo(sentence)
        if unfinished:
            click.echo(
                f"After them {unfinished} bytes of an entry never finished, or being written "
                "now; opening the case puts them aside."
            )
    need_key(folder, lines, signatures, key)
    if of_trail:
        raise RecordDamaged(" ".join(of_trail))


def fresh(folder: Path) -> Path:
    """``folder``, or the next free name beside it: a case is never overwritten."""
    candidate, number = folder, 1
    while (candidate / JOURNAL).exists():
        number += 1
        candidate = folder.with_name(f"{folder.name}-{number}")
    return candidate


def list_written(folder: Path, written: dict[str, Path]) -> None:
    """Say what was written where."""
    click.echo("\nWritten:")
    for what, path in _places(folder, written).items():
        click.echo(f"  {what:13} {path}")


def _places(folder: Path, written: dict[str, Path]) -> dict[str, Path]:
    return {"journal": folder / JOURNAL, **written}


def _json(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=2)

"""Commands on one case that is there: ``note``, ``verify``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from assistant.commandline.options import FOLDER
from assistant.record.casefile import JOURNAL, read_case
from assistant.report.write import write_reports


@click.command()
@click.argument("folder", type=FOLDER)
def note(folder: Path) -> None:
    """Write the note, PDF and record of a case again, from its journal."""
    state, head = read_case(folder)
    list_written(folder, write_reports(folder, state, head))


@click.command()
@click.argument("folder", type=FOLDER)
@click.option("--json", "as_json", is_flag=True)
def verify(folder: Path, as_json: bool) -> None:
    """Check that a journal is whole and unedited."""
    state, head = read_case(folder)
    signed = state.signed.wall.isoformat() if state.signed else None
    if as_json:
        found = {"case": state.case_code, "entries": len(state.entries), "head": head}
        click.echo(json.dumps(found | {"signed": signed}))
        return
    click.echo(
        f"{folder / JOURNAL}: whole, {len(state.entries)} entries, signed: {signed or 'no'}"
    )
    click.echo(f"head {head}")


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
    for what, path in {"journal": folder / JOURNAL, **written}.items():
        click.echo(f"  {what:13} {path}")

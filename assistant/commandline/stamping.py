"""The command ``fillwarm stamp``: ask an authority for the time, and keep its answer."""

from __future__ import annotations

from pathlib import Path

import click

from assistant.commandline.anchoring import need_unbroken
from assistant.commandline.options import FILE
from assistant.commandline.store import BY, the_case, the_store
from assistant.errors import InputFileError, RecordUnwritable
from assistant.extras import need
from assistant.files.atomic import write_new
from assistant.record.journal import read_journal
from assistant.store import audit, stamping
from assistant.store.places import JOURNAL


@click.command()
@click.argument("case")
@click.option("--request", "ask", type=FILE, default=None, help="Write the request here.")
@click.option("--answer", type=FILE, default=None, help="Keep this answer of the authority.")
@click.option("--authority", type=FILE, default=None, help="Its certificates (PEM).")
@BY
def stamp(
    case: str, ask: Path | None, answer: Path | None, authority: Path | None, by: str | None
) -> None:
    """Have an authority stamp the time on a case (RFC 3161); nothing is sent anywhere.

    Carry the file of --request to the authority; bring its answer back with --answer and
    --authority. What is stamped is the head of the journal, nothing of what is in it.
    """
    need("sign", "A time stamp")
    if (ask is None) == (answer is None) or (answer is None) != (authority is None):
        raise click.UsageError("Give --request FILE, or --answer FILE with --authority FILE.")
    store = the_store()
    folder = the_case(store, case)
    need_unbroken(folder)
    if ask is not None:
        last = (folder / JOURNAL).read_bytes().splitlines(keepends=True)[-1]
        if not last.endswith(b"\n"):
            raise InputFileError(f"{folder} ends in an entry never finished; open it first.")
        _write(ask, stamping.request(last))
        click.echo(f"{ask}: for the authority; it answers with a time stamp response.")
    elif answer is not None and authority is not None:
        _keep(store, folder, answer, authority, by)


def _keep(store: Path, folder: Path, answer: Path, authority: Path, by: str | None) -> None:
    lines, raw = read_journal(folder / JOURNAL).entries, stamping.read_answer(answer)
    try:
        found = stamping.check(raw, lines, stamping.certificates(authority))
    except ValueError as bad:
        raise InputFileError(f"{answer} is no time stamp of {folder}: {bad}.") from None
    kept = folder / stamping.PATTERN.replace("*", str(found.entry))
    _write(kept, raw)
    at = found.at.isoformat()
    audit.record_of(store, folder, "time stamp", by, entry=found.entry, time=at)
    click.echo(f"{kept}: entry {found.entry} was there on {at}.")


def _write(path: Path, raw: bytes) -> None:
    try:
        write_new(path, raw)
    except FileExistsError:
        raise RecordUnwritable(f"{path} is there already and was left as it is.") from None

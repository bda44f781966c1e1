"""Commands on the store of cases: ``cases``, ``addendum``, ``audit``; what the others share."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from assistant.commandline.cases import meant
from assistant.commandline.options import FOLDER, cases_folder
from assistant.errors import InputFileError, RecordDamaged, UserError
from assistant.record.chain import JournalLine
from assistant.store import current, index
from assistant.store.current import with_index
from assistant.store.index import IndexRow, Query, Sort
from assistant.store.lookalikes import odd_names
from assistant.store.places import JOURNAL, folder_of, is_case
from assistant.store.summary import CaseSummary

DAY = click.DateTime(["%Y-%m-%d"])
BY = click.option("--by", default=None, help="Who does it; default: the user's name here.")
YES = click.option("--yes", is_flag=True, help="Do it without asking.")
BAR_FROM = 20
"""Work on fewer cases is done before a bar would be read."""

T = TypeVar("T")


def tell(sentence: str) -> None:
    """A sentence that is not the answer: to the error stream, so that --json stays whole."""
    click.echo(f"!! {sentence}", err=True)


def bar(items: Sequence[T], label: str = "Cases") -> AbstractContextManager[Iterable[T]]:
    """A progress bar on the error stream, for long work on a terminal."""
    return cast(
        "AbstractContextManager[Iterable[T]]",
        click.progressbar(
            items,
            label=label,
            file=sys.stderr,
            show_pos=True,
            hidden=len(items) < BAR_FROM or not sys.stderr.isatty(),
        ),
    )


def the_store() -> Path:
    """The folder of the cases, once what was cut off in it has been tidied up."""
    cases = cases_folder()
    if any(cases.glob(".erasing-*")) or any(cases.glob(".restoring-*")):
        from assistant.store import erase, restore  # noqa: PLC0415 - rarely

        for code in erase.finish(cases):
            tell(f"An erasure that was cut off was finished: case {code}.")
        restore.clear_stages(cases)
    return cases


def the_case(cases: Path, named: str) -> Path:
    """The folder a user means: a path, the name of a folder in the store, or a case code.

    Raises:
        InputFileError: there is none, or several have that code.
    """
    for folder in (Path(named), cases / named):
        if is_case(folder):
            return folder

    def ask(db: Any) -> list[str]:
        current.look_around(db, cases, bar)
        return index.with_code(db, named)

    found = [folder_of(cases, key) for key in with_index(cases, ask, tell, bar)]
    if len(found) > 1:
        every = ", ".join(str(folder) for folder in found)
        raise InputFileError(f"Several cases have the code {named}; give a folder: {every}.")
    if not found:
        raise InputFileError(
            meant(Path(named))
            or f"No case {named}: neither a folder with a journal, nor in {cases}, nor a case "
            "code; fillwarm cases lists them."
        )
    return found[0]


def code_and_head(folder: Path) -> tuple[str, str | None]:
    """What the audit trail says of a case; its folder's name if its journal is damaged."""
    from assistant.case.casefile import read_case  # noqa: PLC0415 - half a second

    try:
        state, head = read_case(folder)
    except UserError:
        return folder.resolve().name, None
    return state.case_code, head


def registered(cases: Path, folder: Path) -> None:
    """Tell the index of a change, and the user if that failed."""
    if sentence := current.register(cases, folder, elsewhere=False):
        tell(sentence)


@click.command()
@click.option("--from", "since", type=DAY, help="Opened on this day or later.")
@click.option("--to", "until", type=DAY, help="Opened on this day or before.")
@click.option("--tooth", type=click.IntRange(11, 85), help="ISO 3950 (FDI) number.")
@click.option("--operator", default=None, help="Exactly as in the case.")
@click.option("--warning", default=None, help="Id of a safety rule, or a severity.")
@click.option("--signed/--unsigned", default=None)
@click.option("--code", default=None, help="Part of the case code.")
@click.option("--sort", type=click.Choice(index.SORTS), default="opened", show_default=True)
@click.option(
    "--limit", type=click.IntRange(0), default=50, show_default=True, help="0: all of them."
)
@click.option("--refresh", is_flag=True, help="Look at every journal first.")
@click.option("--add", type=FOLDER, default=None, help="List this case from elsewhere too.")
@click.option("--json", "as_json", is_flag=True)
def cases(
    since: datetime | None,
    until: datetime | None,
    tooth: int | None,
    operator: str | None,
    warning: str | None,
    signed: bool | None,
    code: str | None,
    sort: Sort,
    limit: int,
    refresh: bool,
    add: Path | None,
    as_json: bool,
) -> None:
    """List the cases of the store, newest first; all that is given must hold."""
    store = the_store()
    query = Query(
        since=since.date().isoformat() if since else None,
        until=until.date().isoformat() if until else None,
        tooth=tooth,
        operator=operator,
        warning=warning,
        signed=signed,
        code=code,
        sort=sort,
        limit=limit or None,
    )
    if add is not None:
        if not is_case(add):
            raise InputFileError(f"{add} holds no case; check the name of the case.")
        store.mkdir(parents=True, exist_ok=True)
        if sentence := current.register(store, add):
            raise InputFileError(sentence)

    def ask(db: Any) -> current.Listing:
        if refresh:
            current.refresh(db, store, bar)
        return current.ask(db, store, query, bar)

    listing = with_index(store, ask, tell, bar)
    odd = current.unlisted(store)
    codes = [row.found.code for row in listing.rows if isinstance(row.found, CaseSummary)]
    alike = list(odd_names(dict.fromkeys([*current.folder_names(store), *codes])))
    if as_json:
        click.echo(
            json.dumps(
                _as_data(store, listing, odd) | {"lookalikes": alike}, ensure_ascii=False
            )
        )
    else:
        _print(store, listing, odd)
        for sentence in alike:
            click.echo(f"!! {sentence}")
    if number := len(listing.damaged) + len(listing.alarms):
        raise RecordDamaged(
            f"{number} record{'s' * (number != 1)} in {store} cannot be trusted as they are; "
            "each is told in the list."
        )


def _as_data(store: Path, listing: current.Listing, odd: list[str]) -> dict[str, Any]:
    def one(row: IndexRow) -> dict[str, Any]:
        where: dict[str, Any] = {"folder": str(folder_of(store, row.folder))}
        if isinstance(row.found, CaseSummary):
            return where | asdict(row.found)
        return where | {"damaged": row.found}

    return {
        "store": str(store),
        "total": listing.total,
        "cases": [one(row) for row in listing.rows],
        "damaged": [one(row) for row in listing.damaged],
        "unlisted": odd,
        "alarms": listing.alarms,
    }


def _print(store: Path, listing: current.Listing, odd: list[str]) -> None:
    for row in listing.rows:
        assert isinstance(row.found, CaseSummary)
        click.echo(_line(row.folder, row.found))
    for row in listing.damaged:
        click.echo(f"!! {shown(row.folder)}: damaged: {shown(str(row.found))}")
    for sentence in listing.alarms:
        click.echo(f"!! {shown(sentence)}")
    for name in odd:
        click.echo(f"!! {name} is not listed: the name of the folder is not UTF-8; rename it.")
    more = listing.total - len(listing.rows)
    rest = f"; {more} more, see --limit" if more > 0 else ""
    bad = f"; {len(listing.damaged)} damaged" if listing.damaged else ""
    click.echo(f"{len(listing.rows)} of {listing.total} cases in {store}{rest}{bad}")


def _line(folder: str, case: CaseSummary) -> str:
    warned = sum(w.count for w in case.warnings)
    said = [
        f"{warned} warnings" if warned else "",
        f"{case.open_warnings} open" if case.open_warnings else "",
        f"{case.skipped} skipped" if case.skipped else "",
        f"{case.addenda} addenda" if case.addenda else "",
        "INVENTED DATA" if case.demo else "",
        f"in {folder}" if folder != case.code else "",
    ]
    signed = f"signed {case.signed_on}" if case.signed_on else "NOT SIGNED"
    tooth = f"{case.tooth} {' '.join(case.canals)}" if case.tooth else "no tooth yet"
    first = f"{case.opened_on}  {case.code:20}  {tooth:32}  {case.operator:16}  {signed}"
    return shown("  ".join([first.ljust(100), ", ".join(filter(None, said))]).rstrip())


def shown(text: str) -> str:
    """Text from a record made safe for a terminal."""
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


@click.command()
@click.argument("case")
@click.option("--by", required=True, help="Who adds it.")
def addendum(case: str, by: str) -> None:
    """Add to a signed case; the text is typed, or comes from the standard input."""
    from assistant.case.casefile import CaseFile, read_case  # noqa: PLC0415
    from assistant.clock import SystemClock  # noqa: PLC0415 - with all they load
    from assistant.commandline.anchoring import (  # noqa: PLC0415 - which imports this
        need_unbroken,
        seal,
        write_out,
    )
    from assistant.commandline.case import list_written  # noqa: PLC0415
    from assistant.commandline.signing import unlocked  # noqa: PLC0415
    from assistant.progress import events as ev  # noqa: PLC0415
    from assistant.progress.intents import Append  # noqa: PLC0415

    store = the_store()
    folder = the_case(store, case)
    need_unbroken(folder)
    # Opening an unsigned case would write that it was opened.
    if read_case(folder)[0].signed is None:
        raise InputFileError(
            f"{folder} is not signed, so it takes no addendum; put the record itself right "
            f"with: fillwarm run --case {folder}"
        )
    text = click.prompt("Addendum") if sys.stdin.isatty() else sys.stdin.read()
    if not text.strip() or not by.strip():  # a refusal would be written into the record
        raise InputFileError(
            f"An addendum needs a text and who adds it; nothing was added to {folder}."
        )
    signer = unlocked()
    now = SystemClock().now()
    opened = CaseFile.reopen(folder, now)
    try:
        if opened.recovery:
            tell(opened.recovery)
        events = opened.take(Append(text=text, by=by), now)
        if not any(isinstance(event, ev.AddendumMade) for event in events):
            raise InputFileError(f"The addendum was refused; {folder / JOURNAL} says why.")
        seal(opened, now, "addendum", by, signer)
        written = write_out(folder, opened.state, opened.head_hash, signer=signer)
    finally:
        opened.close()
        registered(store, folder)
    list_written(folder, written)


@click.command()
@click.option("--json", "as_json", is_flag=True)
def audit(as_json: bool) -> None:
    """Verify the audit trail of the store and list it."""
    from assistant.store import audit as trail  # noqa: PLC0415 - the command has its name

    path = the_store() / trail.AUDIT
    found = trail.read(path.parent)
    if found is not None and found.torn:
        tell(f"The last {len(found.torn)} bytes of {path} are a line never finished.")
    entries = found.entries if found else []
    head = found.head_hash if found else None
    if as_json:
        lines = [{"seq": e.seq, "at": e.at, **e.event} for e in entries]
        click.echo(json.dumps({"head": head, "entries": lines}, ensure_ascii=False))
    else:
        _print_trail(path, entries, head)
    if alarms := with_index(path.parent, lambda db: _alarms(db, path.parent), tell):
        raise RecordDamaged(" ".join(alarms))


def _print_trail(path: Path, entries: Sequence[JournalLine], head: str | None) -> None:
    for entry in entries:
        rest = {
            key: value
            for key, value in entry.event.items()
            if key not in {"what", "by", "case"} and value is not None
        }
        about = ", ".join(f"{key}: {value}" for key, value in rest.items())
        case = f"case {entry.event['case']}" if entry.event.get("case") else ""
        said = f"{entry.at[:19]}  {entry.event.get('what'):18}  {entry.event.get('by'):14}"
        click.echo(shown(f"{said}  {case}  {about}".rstrip()))
    click.echo(f"{path}: whole, {len(entries)} entries" if head else f"{path}: no entry yet")
    if head:
        click.echo(f"head {head}")


def _alarms(db: Any, store: Path) -> list[str]:
    """All of them: a trail that is gone is missed only by what it told of."""
    current.refresh(db, store, bar)
    return current.alarms(db, store)

"""Commands that keep the store or parts of it: ``backup``, ``restore``, ``erase``,
``retention``."""

from __future__ import annotations

import json
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

import click

from assistant.commandline.options import FILE
from assistant.commandline.store import (
    BY,
    YES,
    bar,
    registered,
    shown,
    tell,
    the_case,
    the_store,
)
from assistant.errors import CaseBusy, InputFileError, RecordDamaged
from assistant.store import anchors, audit, current, index
from assistant.store import backup as making
from assistant.store import erase as erasing
from assistant.store import restore as restoring
from assistant.store.current import with_index
from assistant.store.index import IndexRow, Query
from assistant.store.places import case_names, folder_of, is_case
from assistant.store.retention import Retention, is_over, retention
from assistant.store.summary import CaseSummary

DRY = click.option("--dry-run", is_flag=True, help="Only say what would be deleted.")


@click.command()
@click.argument("file", type=FILE)
@click.argument("some", nargs=-1, metavar="[CASE]...")
@BY
def backup(file: Path, some: tuple[str, ...], by: str | None) -> None:
    """Copy the store, or some of its cases, into one zip FILE, and verify that.

    The file is not encrypted (the patients' names in it are): keep it as safe as the store.
    """
    store = the_store()
    folders = [the_case(store, named) for named in dict.fromkeys(some)]
    if not some:
        folders = [store / name for name in sorted(case_names(store)) if is_case(store / name)]
        folders += _elsewhere(store)
    made = making.back_up(store, folders, file, lambda items: bar(items, "Copied"))
    audit.record(
        store,
        "back-up",
        by=by,
        file=file.name,
        sha256=made.sha256,
        codes=sorted(case.code for case in made.manifest.cases.values()) if some else "all",
        count=len(made.manifest.cases),
    )
    for path in made.left_out:
        tell(f"Left out, being no plain file or having no plain name: {path}")
    members, count = len(made.manifest.members), len(made.manifest.cases)
    click.echo(
        f"{file}: {count} {'case' if count == 1 else 'cases'}, {members} files, "
        f"{made.size} bytes, read back and whole."
    )
    click.echo(f"sha256 {made.sha256}")
    bad = {name: case for name, case in made.manifest.cases.items() if case.damaged}
    for name, case in bad.items():
        tell(f"{name} is in the back-up as it is, but damaged: {case.damaged}")
    if bad:
        raise RecordDamaged(
            f"The back-up is made; {len(bad)} of its cases were damaged before; look at them."
        )


def _elsewhere(store: Path) -> list[Path]:
    """Cases of other folders that the index lists."""
    keys = with_index(store, index.folders, tell, bar)
    return [Path(key) for key in sorted(keys) if Path(key).is_absolute() and is_case(Path(key))]


@click.command()
@click.argument("file", type=FILE)
@BY
@YES
@click.option("--dry-run", is_flag=True, help="Only verify and say what would be restored.")
def restore(file: Path, by: str | None, yes: bool, dry_run: bool) -> None:
    """Put the cases of a back-up FILE back; what is in the store is never overwritten."""
    store = the_store()

    def planned(db: Any) -> restoring.RestorePlan:
        anchors.read_trail(db, store)
        knows = partial(anchors.known_of, db)
        return restoring.plan(store, file, lambda items: bar(items, "Verified"), knows)

    plan = with_index(store, planned, tell)
    click.echo(f"{file}: made {plan.manifest.made_at}, every file in it verified.")
    for step in plan.steps:
        case = (
            f"{step.folder} ({step.case.code}, {'signed' if step.case.signed else 'unsigned'})"
        )
        click.echo(shown(f"  {case} {restoring.SAID[step.fate]}"))
        if step.case.damaged:
            click.echo(shown(f"    it was damaged when it was copied: {step.case.damaged}"))
        if step.alarm:
            click.echo(shown(f"    {step.alarm}"))
        if step.erased and step.fate == "restore":
            click.echo(f"    it was erased from this store on {step.erased[:10]}")
    for name, to in plan.others.items():
        click.echo(f"  {name} will be restored" + (f" as {to}" if to != name else ""))
    if dry_run:
        return
    if not plan.to_restore and not plan.others:
        click.echo("Nothing to restore.")
    elif yes or click.confirm(f"Restore {len(plan.to_restore)} cases into {store}?"):
        done = restoring.carry_out(store, plan, lambda items: bar(items, "Restored"))
        codes = [plan.manifest.cases[folder].code for folder in done]
        audit.record(store, "restore", by=by, file=file.name, codes=codes, count=len(done))
        for folder in done if (store / index.INDEX).exists() else []:
            registered(store, store / folder)
        click.echo(f"{len(done)} cases restored into {store}.")
    else:
        click.echo("Nothing was restored.")
        return
    if odd := [step.folder for step in plan.steps if step.fate == "contradicted"]:
        raise RecordDamaged(
            f"Not restored, because index or audit trail know another: {', '.join(odd)}; take "
            "a later back-up, or accept that it is lost (fillwarm accept CASE --reason TEXT) "
            "and restore again."
        )
    if left := [step.folder for step in plan.steps if step.fate in {"older", "different"}]:
        raise InputFileError(
            f"Not restored, because others are there: {', '.join(left)}; move those away and "
            "restore again."
        )


@click.command()
@click.argument("case")
@click.option("--reason", default="", help="For the audit trail; no patient's name.")
@BY
@YES
@DRY
def erase(case: str, reason: str, by: str | None, yes: bool, dry_run: bool) -> None:
    """Delete a case for good, signed or not; the audit trail keeps code, hash and reason.

    It says first what it deletes, refuses while the case is open elsewhere, and is finished
    at the next command if it was cut off. Back-ups, exports and remnants on an SSD remain.
    """
    store = the_store()
    doomed = erasing.doomed(store, the_case(store, case))
    _say(doomed)
    click.echo(erasing.REMAINS)
    if dry_run:
        return
    if not yes and not click.confirm(f"Erase case {shown(doomed.code)} for good?"):
        click.echo("Nothing was erased.")
        return
    erasing.erase(store, doomed, reason or "not given", by)
    _forget(store, doomed)
    click.echo(f"Case {shown(doomed.code)} is erased; the audit trail says so.")


def _say(doomed: erasing.Doomed) -> None:
    found = doomed.found
    if isinstance(found, str):
        about = f"its journal cannot be read: {found}"
    else:
        signed = f"signed {found.signed_on}" if found.signed_on else "NOT SIGNED"
        about = f"opened {found.opened_on}, {signed}, {found.entries} entries"
    click.echo(shown(f"Will be deleted: case {doomed.code}, {about}"))
    for path, size, day in doomed.files:
        click.echo(f"  {path}  {size} bytes  {day}")


def _forget(store: Path, doomed: erasing.Doomed) -> None:
    if sentence := current.register(store, doomed.folder):
        tell(sentence)


@click.command("retention")
@click.option("--years", type=click.IntRange(1), required=True, help="How long cases are kept.")
@click.option("--erase", "erasing_too", is_flag=True, help="Erase what is due.")
@click.option("--json", "as_json", is_flag=True, help="The lists, as data; erases nothing.")
@BY
@YES
@DRY
def retention_(
    years: int, erasing_too: bool, as_json: bool, by: str | None, yes: bool, dry_run: bool
) -> None:
    """List the signed cases whose last entry is so many years ago; with --erase, erase them.

    Unsigned cases are listed apart and never erased by this command.
    """
    if as_json and erasing_too:
        raise click.UsageError("--json only lists; leave --erase away.")
    store = the_store()
    found = _sorted_by_age(store, years)
    if as_json:
        click.echo(json.dumps(_as_data(store, found), ensure_ascii=False))
        return
    every = [erasing.doomed(store, folder_of(store, row.folder)) for row in found.due]
    for doomed in every:
        _say(doomed)
    for row in found.unsigned:
        click.echo(shown(f"Not signed, so not due: {row.folder}, last {_last(row)}"))
    for row in found.unreadable:
        click.echo(shown(f"Cannot be read, so not due: {row.folder}: {row.found}"))
    click.echo(
        f"Older than {years} years: {len(every)} signed, {len(found.unsigned)} not signed; "
        f"{len(found.unreadable)} cannot be read; {found.kept} are kept."
    )
    erased: list[str] = []
    busy: list[str] = []
    if every and erasing_too:
        click.echo(erasing.REMAINS)
    if dry_run:
        return
    if every and erasing_too and (yes or click.confirm(f"Erase {len(every)} cases for good?")):
        with bar(every, "Erased") as going:
            for doomed in going:
                try:
                    _erase_due(store, doomed, years, by)
                except CaseBusy as bad:
                    tell(str(bad))
                    busy.append(doomed.code)
                else:
                    erased.append(doomed.code)
    audit.record(
        store,
        "retention run",
        by=by,
        years=years,
        due=len(every),
        unsigned=len(found.unsigned),
        erased=len(erased),
    )
    click.echo(f"{len(erased)} cases erased.")
    if busy:
        raise CaseBusy(
            f"Not erased, being open elsewhere: {', '.join(busy)}; do it again later."
        )


def _sorted_by_age(store: Path, years: int) -> Retention:
    def ask(db: Any) -> current.Listing:
        current.refresh(db, store, bar)
        return current.ask(db, store, Query(sort="last"), bar)

    listing = with_index(store, ask, tell, bar)
    return retention(listing.rows, listing.damaged, years, _today())


def _erase_due(store: Path, doomed: erasing.Doomed, years: int, by: str | None) -> None:
    # Read again a moment ago: the index alone decides no deletion.
    if isinstance(doomed.found, str) or not doomed.found.signed_utc:
        return
    if is_over(doomed.found, years, _today()):
        erasing.erase(store, doomed, f"kept for {years} years", by)
        _forget(store, doomed)


def _today() -> date:
    return datetime.now().astimezone().date()


def _last(row: IndexRow) -> str:
    return row.found.last_on if isinstance(row.found, CaseSummary) else "unknown"


def _as_data(store: Path, found: Retention) -> dict[str, Any]:
    def some(rows: list[IndexRow]) -> list[dict[str, Any]]:
        return [
            {
                "folder": str(folder_of(store, row.folder)),
                "code": row.found.code if isinstance(row.found, CaseSummary) else None,
                "last": _last(row),
            }
            for row in rows
        ]

    return {
        "due": some(found.due),
        "unsigned": some(found.unsigned),
        "unreadable": some(found.unreadable),
        "kept": found.kept,
    }

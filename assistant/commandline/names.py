"""The commands ``fillwarm name ...``: patients' names, encrypted beside the cases."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import click

from assistant.commandline.store import BY, YES, code_and_head, the_case, the_store
from assistant.errors import InputFileError, PassphraseError
from assistant.extras import need
from assistant.files.atomic import reason, unwritable
from assistant.store import audit, names

FROM_FILE = "FILLWARM_PASSPHRASE_FILE"
"""Names a file with the passphrase in its first line."""

NEW_FROM_FILE = "FILLWARM_NEW_PASSPHRASE_FILE"
"""The same for the passphrase it is changed to."""


@click.group()
def name() -> None:
    """Patients' names: optional, encrypted, never in the record.

    The passphrase is asked for, or read from the file that FILLWARM_PASSPHRASE_FILE names
    (first line; readable by you only). It is never taken from the command line.
    """
    need("names", "Encrypting names")


@name.command("set")
@click.argument("case")
@BY
def set_(case: str, by: str | None) -> None:
    """Give a case a name; it is asked for, so that no history of commands keeps it."""
    store = the_store()
    folder = the_case(store, case)
    if not (store / names.KEY).exists():
        store.mkdir(parents=True, exist_ok=True)
        click.echo("This store has no names yet. Choose a passphrase; without it no name")
        click.echo("can ever be read again.")
        key = names.make_key(store, _new_passphrase(FROM_FILE))
        audit.record(store, "passphrase set", by=by)
    else:
        key = names.open_key(names.key_file(store), _passphrase())
    code, head = code_and_head(folder)
    try:
        said = click.prompt("Name of the patient")
    except click.Abort:
        raise InputFileError("No name was given; nothing was changed.") from None
    names.set_name(folder, names.key_file(store).id, key, said)
    audit.record(store, "name set", by=by, case=code, head=head)
    click.echo(f"The name is kept encrypted in {folder / names.NAME}.")


@name.command()
@click.argument("case")
@BY
@click.option("--json", "as_json", is_flag=True)
def show(case: str, by: str | None, as_json: bool) -> None:
    """Show the name of a case; the audit trail says that it was shown."""
    store = the_store()
    folder = the_case(store, case)
    kept = _kept(folder)
    key = names.open_key(names.key_file(store, kept.key_id), _passphrase())
    found = names.open_name(folder, kept, key)
    code, head = code_and_head(folder)
    audit.record(store, "name shown", by=by, case=code, head=head)
    click.echo(json.dumps({"case": code, "name": found}) if as_json else found)


@name.command()
@click.argument("case")
@BY
@YES
def remove(case: str, by: str | None, yes: bool) -> None:
    """Delete the name of a case; needs no passphrase. The case stays."""
    store = the_store()
    folder = the_case(store, case)
    _kept(folder)
    code, head = code_and_head(folder)
    click.echo(f"Will be deleted: {folder / names.NAME}. Back-ups may hold copies of it.")
    if not yes and not click.confirm("Delete it?"):
        click.echo("Nothing was deleted.")
        return
    audit.record(store, "name removed", by=by, case=code, head=head)
    try:
        (folder / names.NAME).unlink()
    except OSError as bad:
        raise unwritable(folder / names.NAME, bad) from bad
    click.echo("Deleted.")


@name.command()
@BY
def passphrase(by: str | None) -> None:
    """Change the passphrase; no name has to be encrypted again."""
    store = the_store()
    names.key_file(store)
    old = _passphrase()
    names.open_key(names.key_file(store), old)  # before a new one is asked for
    names.change_passphrase(store, old, _new_passphrase(NEW_FROM_FILE))
    audit.record(store, "passphrase changed", by=by)
    click.echo("Changed. Back-ups made before still open with the old one.")


def _kept(folder: Path) -> names.NameFile:
    kept = names.name_file(folder)
    if kept is None:
        raise InputFileError(f"{folder} has no name; give it one with: fillwarm name set")
    return kept


def _passphrase() -> str:
    return from_file(FROM_FILE) or asked("Passphrase", twice=False)


def _new_passphrase(variable: str) -> str:
    return from_file(variable) or asked("New passphrase", twice=True)


def asked(what: str, *, twice: bool, variable: str = FROM_FILE) -> str:
    """A passphrase that is typed, unseen; twice where it is a new one.

    Raises:
        PassphraseError: none was given.
    """
    try:
        said: str = click.prompt(what, hide_input=True, confirmation_prompt=twice, err=True)
    except click.Abort:
        raise PassphraseError(
            f"No passphrase was given; type it, or name a file in {variable}."
        ) from None
    return said


def from_file(variable: str) -> str | None:
    """The passphrase in the first line of the file that a variable names, or None.

    Raises:
        InputFileError: it cannot be read, or others can read it.
        PassphraseError: it holds none.
    """
    named = os.environ.get(variable)
    if not named:
        return None
    path = Path(named)
    try:
        with path.open(encoding="utf-8") as lines:
            mode = os.fstat(lines.fileno()).st_mode
            first = lines.readline().rstrip("\r\n")
    except OSError as bad:
        raise InputFileError(
            f"{path}, named in {variable}, cannot be read ({reason(bad)}); check it."
        ) from None
    except UnicodeDecodeError:
        raise InputFileError(f"{path}, named in {variable}, is not UTF-8 text.") from None
    if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
        raise InputFileError(
            f"{path}, named in {variable}, can be read by others; allow it to its owner "
            "only (chmod 600)."
        )
    if not first:
        raise PassphraseError(f"{path}, named in {variable}, holds no passphrase.")
    return first

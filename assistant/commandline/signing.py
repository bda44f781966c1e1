"""The signing key: ``fillwarm key ...``, and what unlocks it for other commands."""

from __future__ import annotations

import json
import os
import secrets
import sys
from pathlib import Path
from typing import get_args

import click
from platformdirs import user_data_path

from assistant.commandline.names import asked, from_file
from assistant.commandline.options import FILE, cases_folder
from assistant.commandline.store import BY, tell
from assistant.errors import InputFileError
from assistant.extras import how_to, installed, need
from assistant.store import audit, signing
from assistant.store.keyring import from_keyring, keep_in_keyring

FROM_FILE = "FILLWARM_KEY_PASSPHRASE_FILE"
"""Names a file with the passphrase of the signing key in its first line."""

OLD_FROM_FILE = "FILLWARM_OLD_KEY_PASSPHRASE_FILE"
"""The same for a key that is taken over, as it was kept before."""


def key_path() -> Path:
    """Where the signing key is: ``FILLWARM_KEY``, or beside the user's cases."""
    named = os.environ.get("FILLWARM_KEY")
    return Path(named) if named else user_data_path("fillwarm") / "signing.key.json"


def unlocked() -> signing.Signer | None:
    """The signing key, if there is one and it can be opened; what is missing is told.

    Raises:
        PassphraseError: the passphrase that was given is wrong.
        InputFileError: the key cannot be read.
    """
    path = key_path()
    if not os.path.lexists(path):
        return None
    if not installed("sign"):
        tell(f"Signed by name only: to use {path}, install what it needs: {how_to('sign')}.")
        return None
    file = signing.key_file(path)
    if file is None:
        return None
    if file.held == "keyring":
        passphrase = from_keyring(file.key)
    elif (given := from_file(FROM_FILE)) is not None:
        passphrase = given
    elif sys.stdin.isatty():
        what = f"Passphrase of the signing key of {file.name} (empty: sign by name only)"
        passphrase = click.prompt(what, default="", hide_input=True, show_default=False)
    else:
        passphrase = ""
    if not passphrase:
        tell(f"Signed by name only: the passphrase of {path} was not given ({FROM_FILE}).")
        return None
    return signing.unlock(file, passphrase)


@click.group()
def key() -> None:
    """The key that signs cases: made here, or one with an X.509 certificate.

    It lies outside the store (FILLWARM_KEY, or signing.key.json in your user data),
    encrypted. Without it cases are signed by name only, and so they are called.
    """
    need("sign", "Signing with a key")


@key.command()
@click.option("--name", required=True, help="Of the person or the practice.")
@click.option("--keyring", is_flag=True, help="The system's key ring holds the passphrase.")
@click.option(
    "--kind",
    type=click.Choice(get_args(signing.Kind)),
    default="p-256",
    show_default=True,
    help="Common readers of PDF do not know ed25519: such a key signs no note.pdf.",
)
@BY
def make(name: str, keyring: bool, kind: signing.Kind, by: str | None) -> None:
    """Make a key; the audit trail keeps its name."""
    if keyring:
        passphrase = secrets.token_urlsafe(32)
    else:
        passphrase = from_file(FROM_FILE) or asked("New passphrase", twice=True)
    held = "keyring" if keyring else "passphrase"
    made = signing.make_key(key_path(), name, passphrase, held, kind)
    if keyring:
        try:
            keep_in_keyring(made.key, passphrase)
        except BaseException:
            key_path().unlink()
            raise
    _told(made, by)


@key.command()
@click.argument("kept", metavar="KEY", type=FILE)
@click.argument("certificates", type=FILE, required=False)
@BY
def use(kept: Path, certificates: Path | None, by: str | None) -> None:
    """Take a copy of a key you have, with its X.509 certificates.

    One file of PKCS #12 (.p12, .pfx), or two in PEM: the key, and its certificates, yours
    first.
    """
    old = from_file(OLD_FROM_FILE)
    if old is None and sys.stdin.isatty():
        old = click.prompt("Its passphrase", default="", hide_input=True, show_default=False)
    new = from_file(FROM_FILE) or asked("New passphrase", twice=True, variable=FROM_FILE)
    _told(signing.take_key(key_path(), kept, certificates, old or None, new), by)


def _told(made: signing.KeyFile, by: str | None) -> None:
    audit.record(cases_folder(), "key set", by, key=made.key, name=made.name)
    click.echo(f"{key_path()}: the key of {made.name}.")
    click.echo(f"key {made.key}")
    click.echo("Write that line down, or print it: fillwarm verify CASE --key asks for it.")


@key.command()
@click.option("--json", "as_json", is_flag=True)
def show(as_json: bool) -> None:
    """Show whose key it is and what it is called by; never its secret."""
    file = signing.key_file(key_path())
    if file is None:
        raise InputFileError(f"There is no key at {key_path()}; make one: fillwarm key make.")
    if as_json:
        click.echo(json.dumps(file.model_dump(include={"name", "key", "held"})))
        return
    click.echo(f"{key_path()}: the key of {file.name}, its passphrase by {file.held}.")
    click.echo(f"key {file.key}")

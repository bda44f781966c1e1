"""What commands do about anchors (:mod:`assistant.store.anchors`): ask for alarms, keep the
head of a case elsewhere at its signature, go on in spite of an alarm (``accept``)."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

import click

from assistant.case.casefile import CaseFile, read_case
from assistant.clock import SystemClock
from assistant.commandline.options import cases_folder
from assistant.commandline.signing import unlocked
from assistant.commandline.store import BY, YES, registered, tell, the_case, the_store
from assistant.errors import InputFileError, RecordDamaged, UserError
from assistant.extras import need
from assistant.files.atomic import beside, unwritable
from assistant.progress.entries import Seal
from assistant.progress.state import CaseState
from assistant.protocol.moment import Moment
from assistant.record.journal import read_journal
from assistant.report.write import FILES, put_reports, reports
from assistant.store import anchors, audit, current
from assistant.store.archive import case_part
from assistant.store.current import with_index
from assistant.store.lookalikes import LONGEST_NAME, odd_name
from assistant.store.pdf_signing import is_signed, sign_pdf
from assistant.store.places import JOURNAL, is_case, key_of
from assistant.store.signing import Signer, payload, sign


def need_unbroken(folder: Path, of_trail: current.Tell = tell) -> None:
    """Go on only with a case that nothing contradicts; ``of_trail`` hears what is wrong with
    the audit trail alone.

    Raises:
        RecordDamaged: it was cut, written anew or replaced, or a report beside it was.
    """
    if not is_case(folder):
        return
    if alarm := current.alarm_of(cases_folder(), folder, tell, of_trail):
        raise RecordDamaged(alarm)


def need_vacant(folder: Path, code: str | None = None) -> None:
    """Begin a case only under a name that can be kept, where no signed one was.

    Raises:
        InputFileError: the name, or the code, is too long, hidden, or one of the store's own.
        RecordDamaged: the signed case of this folder is gone.
    """
    inside = not Path(key_of(cases_folder(), folder)).is_absolute()
    for name in dict.fromkeys([folder.name] * inside + [code] * (code is not None)):
        _need_name(str(name), of_a_file=name == folder.name)
    if alarm := current.vacate(cases_folder(), folder, tell):
        raise RecordDamaged(alarm)


def _need_name(name: str, *, of_a_file: bool) -> None:
    try:
        if of_a_file:
            case_part(name)
        elif not name.strip() or not name.isprintable():
            raise ValueError(f"{name!a} cannot be read")
        if len(name) > LONGEST_NAME:
            raise ValueError(f"it has more than {LONGEST_NAME} characters")
    except ValueError as bad:
        raise InputFileError(f"No case can be called so: {bad}; choose another name.") from None
    if why := odd_name(name):
        tell(f"The name {name!a} is not what it looks like: {why}.")


def seal(
    case: CaseFile,
    now: Moment,
    what: Literal["signed", "addendum", "sealed"],
    by: str | None = None,
    signer: Signer | None = None,
) -> None:
    """Keep the head of a case that was just signed, or added to, in the audit trail, and the
    trail's in the case, with a signature over both where there is a key. Never fails: the
    case is signed whatever becomes of its seal."""
    try:
        lines = read_journal(case.folder / JOURNAL).entries
        key = signer.key if signer else None
        told = audit.record_of(cases_folder(), case.folder, what, by, key=key)
        if told is None and signer is None:
            return
        last, trail = lines[-1], (told.seq, told.line_hash) if told else (None, None)
        jws = None
        if signer is not None:
            about = payload(lines[0].line_hash, last.seq, last.line_hash, *trail)
            jws = sign(signer, about)
        kept = Seal(
            at=now,
            lines=last.seq,
            head=last.line_hash,
            trail_lines=trail[0],
            trail_head=trail[1],
            jws=jws,
            key=key,
            by=signer.name if signer else None,
        )
        case.seal(kept)
    except UserError as bad:
        tell(f"The case is {what}, and its head was not kept elsewhere: {bad}")


def write_out(
    folder: Path,
    state: CaseState,
    head: str,
    what: Literal["report made", "report made again"] = "report made",
    signer: Signer | None = None,
) -> dict[str, Path]:
    """Write the reports of a case; what was signed, the audit trail knows by its bytes.

    With a key the PDF of a signed case is signed too. Written again as it was, it keeps the
    signature that it has.

    Raises:
        RecordUnwritable, RecordDamaged: as :func:`put_reports`.
    """
    contents = reports(state, head)
    if state.signed is not None:
        contents["pdf"] = _signed_pdf(folder, contents["pdf"], head, signer)
    if state.signed is not None or what == "report made again":
        made = anchors.hashes({FILES[name]: one for name, one in contents.items()})
        try:
            told = made if state.signed else None
            audit.record_of(cases_folder(), folder, what, reports=told)
        except UserError as bad:
            tell(f"The audit trail does not say that reports were made: {bad}")
    return put_reports(folder, state, contents)


def _signed_pdf(
    folder: Path, pdf: bytes | str, head: str, signer: Signer | None
) -> bytes | str:
    assert isinstance(pdf, bytes)
    old = _bytes(folder / FILES["pdf"])
    if signer is None:
        if not is_signed(old):
            return pdf
        if old.startswith(pdf):
            return old
        tell(f"note.pdf lost its signature, for it changed: fillwarm seal {folder} signs it.")
        return pdf
    try:
        need("pdf-sign", "A signature in note.pdf")
        return sign_pdf(pdf, signer, f"Note of a case; journal head hash {head}")
    except UserError as bad:
        tell(f"note.pdf is not signed, the journal is: {bad}")
        return pdf


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


@click.command("seal")
@click.argument("case")
@BY
def seal_(case: str, by: str | None) -> None:
    """Sign a case with the key after it was signed by name, or whose sitting was cut off;
    with the packages of pdf-sign its note.pdf too.

    The case itself stays as it is; when that was done stands in the journal and the audit
    trail.
    """
    store = the_store()
    folder = the_case(store, case)
    need_unbroken(folder)
    if read_case(folder)[0].signed is None:
        raise InputFileError(
            f"{folder} is not signed; go on with: fillwarm run --case {folder}"
        )
    now, signer = SystemClock().now(), unlocked()
    opened = CaseFile.reopen(folder, now)
    try:
        seal(opened, now, "sealed", by, signer)
        written = write_out(folder, opened.state, opened.head_hash, signer=signer)
    finally:
        opened.close()
        registered(store, folder)
    for what, path in written.items():
        click.echo(f"  {what:13} {path}")


@click.command()
@click.argument("case", required=False)
@click.option("--trail", is_flag=True, help="The audit trail, not a case.")
@click.option("--reason", required=True, help="For the audit trail; no patient's name.")
@BY
@YES
def accept(case: str | None, trail: bool, reason: str, by: str | None, yes: bool) -> None:
    """Go on with a case, or the audit trail, in spite of an alarm.

    The audit trail says that it was accepted, by whom and why. Reports that belong to
    another journal are kept under another name.
    """
    if (case is None) != trail:
        raise click.UsageError("Give a case, or --trail.")
    store = the_store()
    what = f"the case {case}" if case else "the audit trail"
    if not yes and not click.confirm(f"Accept {what} as it is, for good?"):
        click.echo("Nothing was accepted.")
        return
    if trail:
        line = audit.record(store, "trail accepted", by, reason=reason)
        with_index(store, lambda db: anchors.keep_trail(db, line, store / audit.AUDIT), tell)
    elif case is not None:
        _accept(store, case, reason, by)
    click.echo(f"The audit trail says that {what} was accepted.")


def _accept(store: Path, case: str, reason: str, by: str | None) -> None:
    try:
        folder = the_case(store, case)
    except InputFileError:
        gone = with_index(store, anchors.missing, tell)
        was = next((one for one in gone if case in {one.code, one.folder}), None)
        if was is None:
            raise
        audit.record(store, "accepted", by, was.code, None, instead=was.first, reason=reason)
        return
    key, lines = key_of(store, folder), read_journal(folder / JOURNAL).entries
    for claim in anchors.claims(folder):
        if anchors.contradiction(lines, (), [claim]):
            _aside(folder / claim.where)
    first = lines[0].line_hash
    was = with_index(store, lambda db: anchors.in_place_of(db, key, first), tell)
    there = [folder / name for name in anchors.REPORTS if (folder / name).is_file()]
    audit.record_of(
        store,
        folder,
        "accepted",
        by,
        instead=was.first if was else None,
        reason=reason,
        reports=anchors.hashes({path.name: path.read_bytes() for path in there}),
    )
    registered(store, folder)


def _aside(path: Path) -> None:
    number = 1
    while os.path.lexists(to := beside(path, f".not-accepted-{number}")):
        number += 1
    try:
        path.rename(to)
    except OSError as bad:
        raise unwritable(path, bad) from bad
    tell(f"{path.name} belongs to another journal and is now {to.name}.")

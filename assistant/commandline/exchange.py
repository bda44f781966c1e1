"""Commands that give cases away and take them in: ``export``, ``import``, ``check-record``."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Literal, get_args

import click

from assistant.commandline.anchoring import need_unbroken, need_vacant
from assistant.commandline.case import fresh, list_written
from assistant.commandline.cases import CASE, NEW_CASE
from assistant.commandline.options import FILE, cases_folder
from assistant.errors import InputFileError, RecordUnwritable
from assistant.exchange.tables import Table, table_text
from assistant.exchange.whole import WholeCase, load, record_text
from assistant.files.atomic import make_folder, reason, write_new
from assistant.report.record import as_record, json_text
from assistant.store import audit
from assistant.store.current import register

Format = Literal["fhir", "csv", "json", "case"]
Kind = Literal["collection", "document", "transaction"]

ENDINGS = {
    "fhir": ".fhir.json",
    "csv": ".csv",
    "json": ".record.json",
    "case": ".journal.jsonl",
}
"""How the files of several cases are called, after the name of the case's folder."""


@click.command()
@click.argument("cases", metavar="CASE...", nargs=-1, required=True, type=CASE)
@click.option(
    "--format",
    "format_",
    type=click.Choice(list(ENDINGS)),
    default="fhir",
    show_default=True,
    help="HL7 FHIR R4 bundle; table of all cases; the record; the journal itself.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="File, or a folder (always for several cases, but for csv). Nothing is overwritten.",
)
@click.option(
    "--table",
    type=click.Choice(get_args(Table)),
    default="entries",
    show_default=True,
    help="csv: a row an entry, a warning or a timed act.",
)
@click.option(
    "--bundle",
    "kind",
    type=click.Choice(["collection", "document", "transaction"]),
    default="collection",
    show_default=True,
    help="fhir: as a set of resources; begun by a Composition; to be posted to a server.",
)
@click.option(
    "--base-url",
    envvar="FILLWARM_BASE_URL",
    metavar="URL",
    help="fhir: under which the practice publishes the codes; default: urn:fillwarm.",
)
@click.option(
    "--codes",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="fhir: write the CodeSystems and ConceptMaps of the cases there as well.",
)
@click.option("--without-journal", is_flag=True, help="fhir: it cannot be imported then.")
@click.option("--json", "as_json", is_flag=True)
def export(
    cases: tuple[Path, ...],
    format_: Format,
    out: Path,
    table: Table,
    kind: Kind,
    base_url: str | None,
    codes: Path | None,
    without_journal: bool,
    as_json: bool,
) -> None:
    """Write cases for another system, for study, or to be imported elsewhere.

    The bundle names the patient by the case code only: a Procedure for the tooth and one for
    each canal, every entry as an Observation (UCUM, ISO 3950), warnings as DetectedIssue, and
    the journal with its hash. The operator's name and everything heard go along in the
    journal, unless --without-journal. In the tables people are roles, a text that a
    spreadsheet would take for a formula has an apostrophe before it, and characters that
    are not seen are written as \\u and their number.
    """
    make = partial(_content, format_, kind, _base(base_url), not without_journal)
    if format_ == "csv":
        records = (as_record(case.state, case.head_hash) for case in _each(cases))
        written = [_write(out, table_text(records, table).encode())]
    elif len(cases) == 1 and not out.is_dir():
        (case,) = _each(cases)
        written = [_write(out, make(case))]
    else:
        places = _places(cases, out, ENDINGS[format_])
        written = [
            _write(place, make(case)) for place, case in zip(places, _each(cases), strict=True)
        ]
    if format_ == "fhir" and codes is not None:
        written += _published(cases, _base(base_url), codes)
    if as_json:
        found = {"format": format_, "cases": len(cases), "files": [str(one) for one in written]}
        click.echo(json.dumps(found))
        return
    click.echo(f"{len(cases)} {'case' if len(cases) == 1 else 'cases'}, written:")
    for one in written:
        click.echo(f"  {one}")


def _each(folders: Sequence[Path]) -> Iterator[WholeCase]:
    """The cases one after the other, with a progress bar where there are several."""
    if len(folders) == 1:
        yield _given_away(folders[0])
        return
    with click.progressbar(folders, label="Cases", file=sys.stderr) as bar:
        for folder in bar:
            yield _given_away(folder)


def _given_away(folder: Path) -> WholeCase:
    need_unbroken(folder)
    case = load(folder)
    audit.record_of(cases_folder(), folder, "export")
    return case


def _base(given: str | None) -> str | None:
    from assistant.exchange.terminology import BASE  # noqa: PLC0415

    base = (given or "").rstrip("/") or None
    if base is not None and not BASE.fullmatch(base):
        raise InputFileError(
            f"{given!r} is no base URL; give one such as https://practice.example/fhir."
        )
    return base


def _published(cases: Sequence[Path], base: str | None, folder: Path) -> Iterator[Path]:
    """The code systems of the cases' protocols; what is there already and the same stays."""
    from assistant.exchange.terminology import resources  # noqa: PLC0415

    protocols = [load(case).state.protocol for case in cases]
    for name, one in resources(protocols, base).items():
        text = json_text(one).encode()
        place = folder / name
        same = place.is_file() and place.read_bytes() == text
        yield place if same else _write(place, text)


def _content(
    format_: Format, kind: Kind, base: str | None, with_journal: bool, case: WholeCase
) -> bytes:
    if format_ == "case":
        return case.journal
    if format_ == "json":
        return record_text(case).encode()
    from assistant.exchange.fhir import bundle_text  # noqa: PLC0415 - not for other formats

    return bundle_text(case, with_journal=with_journal, kind=kind, base=base).encode()


def _places(cases: Sequence[Path], folder: Path, ending: str) -> list[Path]:
    """A file for each case, named after its folder; numbered where two are called alike."""
    taken: dict[str, int] = {}
    found = []
    for case in cases:
        name = case.resolve().name
        taken[name] = taken.get(name, 0) + 1
        number = "" if taken[name] == 1 else f"-{taken[name]}"
        found.append(folder / f"{name}{number}{ending}")
    return found


def _write(path: Path, data: bytes) -> Path:
    try:
        make_folder(path.parent)
    except OSError as bad:
        raise RecordUnwritable(
            f"The folder {path.parent} cannot be made ({reason(bad)}); give another --out."
        ) from None
    try:
        write_new(path, data)
    except FileExistsError:
        raise RecordUnwritable(
            f"{path} is there already and was left as it is; choose another name with --out."
        ) from None
    return path


@click.command("import")
@click.argument("file", type=FILE)
@click.option(
    "--case",
    "folder",
    type=NEW_CASE,
    default=None,
    help="Name or folder of the new case; default: its code, among the cases.",
)
@click.option("--json", "as_json", is_flag=True)
def import_(file: Path, folder: Path | None, as_json: bool) -> None:
    """Make a case of a journal, or of a FHIR bundle that carries one.

    The journal is verified and restored to the bit, and the reports are written again; a
    record without its journal makes no case. If the rest of a bundle is not what its journal
    gives, that is told, and the journal counts. Nothing is ever overwritten.
    """
    from assistant.exchange.restore import folder_name, put, read_case_file  # noqa: PLC0415

    case, remarks = read_case_file(file)
    place = folder or fresh(cases_folder() / folder_name(case.state.case_code))
    need_vacant(place)
    written = put(case, place)
    code, head, cases = case.state.case_code, case.head_hash, cases_folder()
    audit.record_of(cases, place, "import")
    if sentence := register(cases, place, elsewhere=False):
        click.echo(f"!! {sentence}", err=True)
    for remark in remarks:
        click.echo(f"Note: {remark}", err=True)
    if as_json:
        found = {"case": code, "folder": str(place), "head": head}
        entries = {"entries": len(case.state.entries), "signed": case.state.signed is not None}
        click.echo(json.dumps(found | entries | {"remarks": remarks}))
        return
    click.echo(f"{file}: whole, {len(case.state.entries)} entries.")
    list_written(place, written)


@click.command("check-record")
@click.argument("file", type=FILE)
@click.option("--json", "as_json", is_flag=True)
def check_record(file: Path, as_json: bool) -> None:
    """Check a record.json or a FHIR bundle; tells what is wrong where.

    What is valid is held against its journal, which is inside a bundle and beside a record
    in its case's folder: a changed value is found.
    """
    from assistant.exchange.check import MOST, check  # noqa: PLC0415
    from assistant.exchange.restore import against_journal  # noqa: PLC0415
    from assistant.exchange.untrusted import read_bounded  # noqa: PLC0415

    raw = read_bounded(file)
    kind, wrong = check(raw, file)
    changed = None if wrong else against_journal(raw, file)
    wrong += (changed or [])[:MOST]
    if as_json:
        findings = [one._asdict() for one in wrong]
        click.echo(json.dumps({"file": str(file), "kind": kind, "findings": findings}))
    else:
        for where, what in wrong:
            click.echo(f"{where}: {what}")
    if wrong:
        number = f"{len(wrong)} thing{'s' if len(wrong) > 1 else ''}"
        raise InputFileError(
            f"{file} is no valid {kind}: {number} wrong, the first is {wrong[0].where}."
            if changed is None
            else f"{file} was changed: {number} not as in its journal, the first is "
            f"{wrong[0].where}."
        )
    if changed is None:
        lone = "it has no journal here, so whether a value was changed cannot be told"
        click.echo(f"Note: {lone}.", err=True)
    if not as_json:
        as_given = "" if changed is None else ", as its journal gives it"
        click.echo(f"{file}: a valid {kind}{as_given}.")

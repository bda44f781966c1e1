"""The command ``fillwarm review``: how a case went, or many."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from assistant.commandline.cases import CASE
from assistant.commandline.options import FILE, cases_folder
from assistant.errors import InputFileError
from assistant.extras import need

if TYPE_CHECKING:
    from assistant.review.case_facts import CaseFacts
    from assistant.review.reading import Selection, Unreadable

DAY = click.DateTime(["%Y-%m-%d"])

PICTURES = (".pdf", ".png")


@click.command()
@click.argument("folder", metavar="[CASE]", type=CASE, required=False)
@click.option("--all", "every", is_flag=True, help="Statistics over the folder of cases.")
@click.option("--from", "since", type=DAY, help="Cases opened on this day or later.")
@click.option("--to", "until", type=DAY, help="Cases opened on this day or before.")
@click.option("--tooth", type=int, help="Cases of this tooth (ISO 3950).")
@click.option("--operator", help="Cases that this operator began or took over.")
@click.option("--with-demo", is_flag=True, help="Rehearsed cases too.")
@click.option("--out", type=FILE, help="Draw it here: .pdf, or .png for one case.")
@click.option("--json", "as_json", is_flag=True)
def review(
    folder: Path | None,
    every: bool,
    since: datetime | None,
    until: datetime | None,
    tooth: int | None,
    operator: str | None,
    with_demo: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """The timeline of one case; with --all, statistics over many.

    One case: what was said, warned, answered, pressed and corrected, and how long each step
    took in each canal, pauses left out. Many: seconds at each step, presses and heat against
    the protocol's times, depths against the limit, increments, corrections, warnings and how
    they were answered, questions. Shares have a 95 % interval (Wilson) that takes values as
    independent, which those of one case are not.
    """
    if out is not None:
        need("pictures", "Drawing a review")
    if every == (folder is not None):
        raise click.UsageError("Give a case, or --all.")
    given = (since, until, tooth, operator, with_demo or None)
    if folder is not None:
        if any(one is not None for one in given):
            raise click.UsageError("--from, --to, --tooth, --operator, --with-demo need --all.")
        _check_picture(out, PICTURES)
        return _one(folder, out, as_json)
    _check_picture(out, (".pdf",))
    from assistant.review.reading import Selection  # noqa: PLC0415 - completion must be quick

    wanted = Selection(
        since.date() if since else None,
        until.date() if until else None,
        tooth,
        operator,
        with_demo,
    )
    return _many(wanted, out, as_json)


def _check_picture(out: Path | None, kinds: tuple[str, ...]) -> None:
    if out is not None and out.suffix.lower() not in kinds:
        raise click.BadParameter(f"{out} must end in {' or '.join(kinds)}.")


def _one(folder: Path, out: Path | None, as_json: bool) -> None:
    from assistant.review import timeline_text  # noqa: PLC0415
    from assistant.review.reading import read_timeline  # noqa: PLC0415

    course = read_timeline(folder)
    if as_json:
        click.echo(json.dumps(timeline_text.as_json(course), indent=2))
    else:
        click.echo("\n".join(timeline_text.as_lines(course)))
    if out is not None:
        from assistant.review.timeline_plot import as_picture  # noqa: PLC0415

        _write(out, as_picture(course, out.suffix.lower().removeprefix(".")))


def _many(wanted: Selection, out: Path | None, as_json: bool) -> None:
    from assistant.review import statistics_text  # noqa: PLC0415
    from assistant.review.reading import case_folders  # noqa: PLC0415
    from assistant.review.statistics import summarise  # noqa: PLC0415

    root = cases_folder()
    folders = case_folders(root)
    facts, unreadable = _read(folders, wanted)
    for bad in unreadable:
        click.echo(f"Skipped: {bad.why}", err=True)
    summary = summarise(facts)
    if as_json:
        about = {
            "folder": str(root),
            "journals": len(folders),
            "skipped": [{"case": str(bad.folder), "why": bad.why} for bad in unreadable],
        }
        click.echo(json.dumps(about | statistics_text.as_json(summary), indent=2))
    else:
        click.echo("\n".join(statistics_text.as_lines(summary)))
        left = len(folders) - len(facts) - len(unreadable)
        click.echo(
            f"\n{root}: {len(folders)} cases, {left} left out, {len(unreadable)} damaged."
        )
    if out is not None:
        if not facts:
            raise InputFileError(f"No case fits, so {out} was not drawn; ask for others.")
        from assistant.review.statistics_plot import as_pdf  # noqa: PLC0415

        _write(out, as_pdf(summary))


def _read(folders: list[Path], wanted: Selection) -> tuple[list[CaseFacts], list[Unreadable]]:
    from assistant.review.reading import Unreadable, read_cases  # noqa: PLC0415

    facts: list[CaseFacts] = []
    unreadable: list[Unreadable] = []
    with click.progressbar(folders, label="Reading cases", file=sys.stderr) as bar:
        for one in read_cases(iter(bar), wanted):
            if isinstance(one, Unreadable):
                unreadable.append(one)
            else:
                facts.append(one)
    return facts, unreadable


def _write(out: Path, picture: bytes) -> None:
    from assistant.files.atomic import write_atomically  # noqa: PLC0415

    write_atomically(out, picture)
    click.echo(f"Written: {out}", err=True)

"""Commands that check a practice's own files, and ``schema``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from assistant.commandline.options import WORDS, usual_words
from assistant.errors import InputFileError
from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.protocol import floor, needs
from assistant.protocol.model import Protocol
from assistant.report.record import json_schema
from assistant.sitting import assembly
from assistant.words import check_words


@click.command("check-protocol")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True)
@click.option(
    "--picture",
    is_flag=True,
    help="Print its steps as a Mermaid diagram, and nothing else.",
)
def check_protocol(file: Path, as_json: bool, picture: bool) -> None:
    """Check a protocol file; an error names line and field."""
    found = load_yaml(file, Protocol)
    if picture:
        from assistant.protocol.picture import mermaid  # noqa: PLC0415  # seldom needed

        click.echo(mermaid(found), nl=False)
        return
    steps = len(list(found.steps()))
    if as_json:
        about = {"file": str(file), "id": found.id, "title": found.title}
        counts = {"version": found.version, "steps": steps, "rules": len(found.rules)}
        told = {
            "never_said": list(needs.never_said(found)),
            "unguarded": list(floor.unguarded(found)),
        }
        click.echo(json.dumps(about | counts | told, ensure_ascii=False, indent=2))
        return
    unguarded = (f"{line}." for line in floor.unguarded(found))
    for line in (*unguarded, *needs.never_said(found)):
        click.echo(line)
    click.echo(
        f"{file}: {found.title}, version {found.version}, {steps} steps, "
        f"{len(found.rules)} rules: good."
    )


@click.command("check-words")
@WORDS
@click.option(
    "--protocol",
    "protocols",
    multiple=True,
    help="Name or file, may be repeated; default: all that are shipped.",
)
@click.option("--json", "as_json", is_flag=True)
def check_the_words(own_words: Path | None, protocols: tuple[str, ...], as_json: bool) -> None:
    """Find phrases that can be taken for each other, at every step.

    Two meanings sound too alike under a distance of 0.285, where 0 sounds the same and 1 has
    nothing in common: then the exit code is 3. Pairs that have to stay ("thirteen",
    "thirty") are listed with a reason under accepted_alike in phrases.yaml. It measures
    sounds, not a recogniser: what it passes can still be misheard in noise.

    A practice's own words are a folder with phrases.yaml, which adds sentences to what
    grammars/en/phrases.yaml has, and lexicon.dict, which adds pronunciations;
    a word that the shipped phrases do not have needs one:

    \b
    options:
      dry: ["bone dry"]
    values:
      mm:
        - sentences: ["depth of <mm>"]
    """
    files = [protocol_path(name) for name in protocols]
    files = files or sorted(data_folder("protocols").glob("*.yaml"))
    steps = [load_yaml(file, Protocol) for file in files]
    report = check_words.check_words(assembly.language(usual_words(own_words)), steps)
    if as_json:
        click.echo(json.dumps(check_words.as_json(report), indent=2))
    else:
        click.echo("\n".join(check_words.summary(report)))
    if wrong := check_words.complaints(report):
        raise InputFileError("\n".join(wrong))
    click.echo("No phrases can be taken for each other, but those accepted.", err=as_json)


@click.command()
def schema() -> None:
    """Print the JSON Schema of the record."""
    click.echo(json.dumps(json_schema(), indent=2))

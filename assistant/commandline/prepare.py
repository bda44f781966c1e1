"""The command ``fillwarm prepare``: the set-up of a case, before the gloves are on."""

from __future__ import annotations

from io import StringIO
from pathlib import Path
from typing import Any

import click
from ruamel.yaml import YAML

from assistant.case.instrument_files import load_pluggers
from assistant.case.prepared import SetUp, load_set_up, parse_set_up
from assistant.commandline.options import FILE, NoticeFirst
from assistant.errors import InputFileError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.prompt.set_up import read_back
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.words.sayings import load_wording


@click.command(cls=NoticeFirst)
@click.argument("file", type=FILE)
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option("--tooth", type=int, default=None, help="Writes FILE: the tooth, two digits.")
@click.option("--canal", "canals", multiple=True, metavar="NAME", help="A canal; repeat it.")
@click.option(
    "--set",
    "values",
    multiple=True,
    metavar="[CANAL.]NAME=VALUE",
    help="A value of one canal, or of every canal; repeat it.",
)
@click.option("--sealer", default=None)
@click.option("--heat-setting", default=None)
@click.option("--pluggers", default=None, metavar="NAME|FILE")
def prepare(
    file: Path,
    protocol: str,
    tooth: int | None,
    canals: tuple[str, ...],
    values: tuple[str, ...],
    sealer: str | None,
    heat_setting: str | None,
    pluggers: str | None,
) -> None:
    """Check the set-up of a case in FILE and read it back; with --tooth, write it first.

    \b
    tooth: 24
    every_canal: {taper: 0.06, post_planned: no}
    canals:
      buccal: {working_length_mm: 21, reference_point: buccal cusp, apical_size: 30,
               coronal_level_mm: 10}
      palatal: {working_length_mm: 20.5, reference_point: palatal cusp, apical_size: 35,
                coronal_level_mm: 10}
    sealer: the one you use
    heat_setting: 200 C
    pluggers: example

    The same by options: --tooth 24 --canal buccal --set buccal.working_length_mm=21
    --set taper=0.06. Begin the case with: fillwarm run --prepared FILE. What is prepared is
    not asked again; it goes by the same rules as what is said, and is read back.

    What nobody is asked can be told here, or said by its name during the case, and what
    fits, plans and heat then use it: apical_part_mm and apical_taper (a second taper at the
    end), curve_begins_mm and curve_radius_mm, root_wall_mm.
    """
    steps = load_yaml(protocol_path(protocol), Protocol)
    if tooth is None:
        if canals or values or sealer or heat_setting or pluggers:
            raise click.UsageError("--tooth is missing; without it FILE is only checked.")
        set_up = load_set_up(file, steps)
    else:
        if file.exists():
            raise InputFileError(f"{file} is there already; give another name.")
        given = {"sealer": sealer, "heat_setting": heat_setting, "pluggers": pluggers}
        text = _written(tooth, canals, values, given)
        set_up = parse_set_up(text, steps, "The set-up")
        file.write_text(text, encoding="utf-8")
        click.echo(f"Written to {file}.")
    for line in _read_back(set_up, steps):
        click.echo(line)


def _read_back(set_up: SetUp, protocol: Protocol) -> list[str]:
    own = load_pluggers(set_up.pluggers) if set_up.pluggers else None
    language = assembly.language()
    return read_back(set_up, protocol, own, load_wording(language.folder, language.phrases))


def _written(
    tooth: int,
    canals: tuple[str, ...],
    values: tuple[str, ...],
    given: dict[str, str | None],
) -> str:
    """The options as a set-up file."""
    every: dict[str, Any] = {}
    own: dict[str, dict[str, Any]] = {canal: {} for canal in canals}
    for one in values:
        name, equals, value = one.partition("=")
        canal, dot, quantity = name.rpartition(".")
        if not equals or (dot and canal not in own):
            among = ", ".join(canals) or "none; give --canal"
            raise click.BadParameter(
                f"{one!r} is not [CANAL.]NAME=VALUE; the canals are {among}.",
                param_hint="--set",
            )
        (own[canal] if dot else every)[quantity] = YAML(typ="safe").load(value)
    whole = {"tooth": tooth, "every_canal": every, "canals": own}
    whole |= {name: text for name, text in given.items() if text is not None}
    out = StringIO()
    YAML().dump(whole, out)
    return out.getvalue()

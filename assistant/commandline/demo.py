"""The command ``fillwarm demo``."""

from __future__ import annotations

from pathlib import Path

import click

from assistant.commandline.case import fresh, list_written
from assistant.commandline.options import FOLDER, NoticeFirst, this_second
from assistant.errors import UserError
from assistant.files.shipped import demo_script, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.protocol.model import Protocol
from assistant.report.write import write_reports
from assistant.sitting import assembly
from assistant.sitting.dictation import default_voice
from assistant.sitting.rehearsal import Script
from assistant.sound.sources import write_wav

NEXT = """
What next?
  See the note:            open {pdf}
  Hear the conversation:   play {wav}
  How it went, in time:    fillwarm review {folder}
  Practise by keyboard:    fillwarm practice --typed
  Is this room good enough to dictate in?   fillwarm room-check
  The first real case:     fillwarm run --operator "Your name" --case 0001"""
"""What somebody does who has seen the demonstration."""


@click.command(cls=NoticeFirst)
@click.option("--out", type=FOLDER, default=Path("out/demo"), show_default=True)
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option(
    "--voice", default=None, help="flite:NAME or espeak-ng:NAME; default: the best here."
)
def demo(out: Path, protocol: str, voice: str | None) -> None:
    """Rehearse a two-canal premolar from sound, with invented data."""
    folder = fresh(out)
    voice = voice or default_voice()
    click.echo(f"Invented data. The operator's lines are spoken by {voice}, heard by the")
    click.echo(
        "embedded recogniser. < heard, = read back, > next step, ! warning, ? question\n"
    )
    steps = load_yaml(protocol_path(protocol), Protocol)
    script = load_yaml(demo_script(), Script)
    done = assembly.rehearse(script, folder, steps, voice, this_second(), click.echo)
    tally = done.operator.tally
    case = done.session.case
    written = write_reports(folder, case.state, case.head_hash)
    written["conversation"] = folder / "conversation.wav"
    write_wav(written["conversation"], done.conversation())
    case.close()
    click.echo(
        f"\n{tally.said} phrases said, {tally.understood} understood at once, "
        f"{tally.asked_again} asked again, {tally.confirmed} confirmed, "
        f"{tally.taken_back} taken back."
    )
    for repair in tally.repairs:
        click.echo(f"  {repair}")
    list_written(folder, written)
    if done.operator.failed or case.state.signed is None:
        raise UserError(f"The rehearsal did not reach the signature: {done.operator.failed}.")
    click.echo(NEXT.format(pdf=written["pdf"], wav=written["conversation"], folder=folder))

"""The command line. Every error a user can cause ends in one sentence and a documented code."""

from __future__ import annotations

import json
import sys
import threading
from pathlib import Path
from queue import SimpleQueue

import click
from platformdirs import user_data_path

from assistant import __version__, assembly, roomcheck
from assistant.clock import Clock, SampleClock, SystemClock
from assistant.data import data_folder, demo_script, protocol_path
from assistant.demo.dictation import default_voice
from assistant.demo.rehearsal import Script
from assistant.errors import EquipmentError, InputFileError, UserError
from assistant.instrument_files import load_pluggers
from assistant.options import (
    FILE,
    FOLDER,
    LISTENER,
    MICROPHONE,
    MODEL,
    SECOND,
    SILENT,
    SPEAKER,
    WORDS,
    this_second,
    usual_words,
)
from assistant.procedure.protocol import Protocol
from assistant.prompt.player import SilentPlayer
from assistant.reckon_command import reckon
from assistant.record.casefile import JOURNAL, CaseFile, read_case
from assistant.report.record import json_schema
from assistant.report.statement import STATEMENT
from assistant.report.write import write_reports
from assistant.room_command import room_check
from assistant.session import Session
from assistant.speech import check_words
from assistant.speech.attention import Listen
from assistant.speech.audio import (
    AudioSource,
    MicrophoneSource,
    load_sounddevice,
    wav_source,
    write_wav,
)
from assistant.yamlfile import load_yaml


class Failing(click.Group):
    """Turns a :class:`UserError` into its sentence and its exit code."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except UserError as bad:
            click.echo(f"fillwarm: {bad}", err=True)
            ctx.exit(bad.exit_code)
        except KeyboardInterrupt:
            click.echo("\nfillwarm: interrupted; what was recorded is on the disk.", err=True)
            ctx.exit(130)


@click.group(cls=Failing, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fillwarm")
def main() -> None:
    """Hands-free assistant for filling root canals by warm vertical compaction."""


@main.command()
@click.option("--out", type=FOLDER, default=Path("out/demo"), show_default=True)
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option(
    "--voice", default=None, help="flite:NAME or espeak-ng:NAME; default: the best here."
)
def demo(out: Path, protocol: str, voice: str | None) -> None:
    """Rehearse a two-canal premolar from sound, with invented data."""
    folder = _fresh(out)
    voice = voice or default_voice()
    click.echo(f"{STATEMENT}\n")
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
    _list_written(folder, written)
    if done.operator.failed or case.state.signed is None:
        raise UserError(f"The rehearsal did not reach the signature: {done.operator.failed}.")


@main.command()
@click.option("--case", "folder", type=FOLDER, default=None, help="Folder of the case.")
@click.option("--code", default=None, help="Case code; no patient's name.")
@click.option("--operator", default="Operator", show_default=True, help="Who signs.")
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option(
    "--pluggers", default=None, metavar="NAME|FILE", help="Your own set: what fits is computed."
)
@LISTENER
@MODEL
@SECOND
@click.option(
    "--wav", type=FILE, default=None, help="Hear this recording instead of a microphone."
)
@click.option("--typed", is_flag=True, help="Typed lines only, no microphone.")
@MICROPHONE
@SPEAKER
@click.option(
    "--loudspeaker", is_flag=True, help='The microphone hears the voice: say "stop stop".'
)
@SILENT
@click.option(
    "--room",
    default=None,
    metavar="FILE|none",
    help="Profile of room-check; default: the stored one, if of this microphone.",
)
@click.option(
    "--listen",
    type=click.Choice([mode.value for mode in Listen]),
    default=Listen.OPEN.value,
    show_default=True,
    help="To all; to what begins with the attention word; once after a tap (Enter).",
)
@WORDS
def run(
    folder: Path | None,
    code: str | None,
    operator: str,
    protocol: str,
    pluggers: str | None,
    listener: str,
    model: Path | None,
    second: Path | None,
    wav: Path | None,
    typed: bool,
    microphone: str | None,
    speaker: str | None,
    loudspeaker: bool,
    silent: bool,
    room: str | None,
    listen: str,
    own_words: Path | None,
) -> None:
    """Begin a case, or go on with the one in --case."""
    click.echo(f"{STATEMENT}\n")
    words = assembly.language(usual_words(own_words))
    recording = wav_source(wav) if wav else None
    ears = profile = None
    if not typed:
        live = None if recording else roomcheck.microphone_name(microphone)
        profile, about = roomcheck.choose(room, live)
        ears = assembly.hearing(
            listener,
            model,
            words,
            second=second,
            earpiece=not loudspeaker,
            listen=Listen(listen),
            room=profile,
        )
        if profile is not None:
            profile, about = roomcheck.fit(profile, ears, asked_for=room is not None)
        if about:
            click.echo(about)
        if listener == ears.listener.name == "pocketsphinx":
            click.echo(
                "One recogniser only, so expect more questions and hear every read-back: "
                "pip install 'fillwarm[second]' adds a second one."
            )
    clock: Clock = SystemClock()
    if recording is not None:
        clock = SampleClock(this_second())
    case = _open(folder, code, operator, protocol, pluggers, clock)
    player = (
        SilentPlayer()
        if recording is not None
        else assembly.loudspeaker(silent or typed, speaker, click.echo)
    )
    sitting = assembly.session(case, clock, player, click.echo, words, ears)
    source: AudioSource | None = recording
    if recording is None and not typed:
        source = _microphone(microphone)
    if recording is None:
        _read_lines(sitting.typed, ends=source is None)
    if source is not None and profile is not None:
        source = roomcheck.Amplified(source, profile.gain)
    try:
        sitting.run(source)
    finally:
        _leave(sitting, source)


main.add_command(room_check)
main.add_command(reckon)


@main.command()
@click.argument("folder", type=FOLDER)
def note(folder: Path) -> None:
    """Write the note, PDF and record of a case again, from its journal."""
    state, head = read_case(folder)
    _list_written(folder, write_reports(folder, state, head))


@main.command()
@click.argument("folder", type=FOLDER)
@click.option("--json", "as_json", is_flag=True)
def verify(folder: Path, as_json: bool) -> None:
    """Check that a journal is whole and unedited."""
    state, head = read_case(folder)
    signed = state.signed.wall.isoformat() if state.signed else None
    if as_json:
        found = {"case": state.case_code, "entries": len(state.entries), "head": head}
        click.echo(json.dumps(found | {"signed": signed}))
        return
    click.echo(
        f"{folder / JOURNAL}: whole, {len(state.entries)} entries, signed: {signed or 'no'}"
    )
    click.echo(f"head {head}")


@main.command("check-protocol")
@click.argument("file", type=click.Path(path_type=Path))
def check_protocol(file: Path) -> None:
    """Check a protocol file; an error names line and field."""
    found = load_yaml(file, Protocol)
    steps = len(list(found.steps()))
    click.echo(
        f"{file}: {found.title}, version {found.version}, {steps} steps, "
        f"{len(found.rules)} rules: good."
    )


@main.command("check-words")
@WORDS
@click.option(
    "--protocol",
    "protocols",
    multiple=True,
    help="Name or file, may be repeated; default: all that are shipped.",
)
@click.option("--json", "as_json", is_flag=True)
def check_the_words(own_words: Path | None, protocols: tuple[str, ...], as_json: bool) -> None:
    """Find phrases that can be taken for each other, at every step."""
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


@main.command()
def schema() -> None:
    """Print the JSON Schema of the record."""
    click.echo(json.dumps(json_schema(), indent=2))


@main.command()
def devices() -> None:
    """List microphones and loudspeakers."""
    found = load_sounddevice().query_devices()
    if not len(found):
        raise EquipmentError("No sound device was found; plug one in, or use --typed.")
    click.echo(str(found))


def _fresh(folder: Path) -> Path:
    """``folder``, or the next free name beside it: a case is never overwritten."""
    candidate, number = folder, 1
    while (candidate / JOURNAL).exists():
        number += 1
        candidate = folder.with_name(f"{folder.name}-{number}")
    return candidate


def _open(
    folder: Path | None,
    code: str | None,
    operator: str,
    protocol: str,
    pluggers: str | None,
    clock: Clock,
) -> CaseFile:
    now = clock.now()
    if folder is None:
        cases = user_data_path("fillwarm") / "cases"
        folder = _fresh(cases / now.wall.strftime("%Y-%m-%d-%H%M%S"))
    if (folder / JOURNAL).exists():
        case = CaseFile.reopen(folder, now)
        if case.recovery:
            click.echo(f"!! {case.recovery}")
        return case
    steps = load_yaml(protocol_path(protocol), Protocol)
    return CaseFile.create(
        folder,
        steps,
        now,
        case_code=code or folder.name,
        operator=operator,
        instruments=load_pluggers(pluggers) if pluggers else None,
    )


def _microphone(device: str | None) -> AudioSource | None:
    """The microphone, or None: the case goes on by typed lines."""
    try:
        return MicrophoneSource(device)
    except EquipmentError as missing:
        click.echo(f"!! {missing} The case goes on with typed lines.")
        return None


def _read_lines(queue: SimpleQueue[str | None], *, ends: bool) -> None:
    """Hand typed lines to the session; the end of input ends it only without a microphone."""

    def read() -> None:
        for line in sys.stdin:
            queue.put(line)
        if ends:
            queue.put(None)

    threading.Thread(target=read, daemon=True, name="typed lines").start()


def _leave(sitting: Session, source: AudioSource | None) -> None:
    """Close everything and say where things are, however the sitting ended."""
    if source is not None:
        source.close()
    case = sitting.case
    try:
        _list_written(case.folder, write_reports(case.folder, case.state, case.head_hash))
    finally:
        case.close()
    if case.state.signed is None:
        click.echo(f"Not signed yet. Go on with: fillwarm run --case {case.folder}")


def _list_written(folder: Path, written: dict[str, Path]) -> None:
    click.echo("\nWritten:")
    for what, path in {"journal": folder / JOURNAL, **written}.items():
        click.echo(f"  {what:13} {path}")

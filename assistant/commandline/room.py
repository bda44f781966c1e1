"""The commands ``fillwarm room-check`` and ``devices``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from assistant.case.casefile import read_whole
from assistant.clock import Clock, SampleClock, SystemClock
from assistant.commandline.cases import CASE
from assistant.commandline.options import (
    FILE,
    LISTENER,
    MICROPHONE,
    MODEL,
    SILENT,
    SPEAKER,
    WORDS,
    this_second,
    usual_words,
)
from assistant.errors import EquipmentError
from assistant.prompt.mouth import Mouth
from assistant.prompt.voice import Pyttsx3Voice
from assistant.room import check as roomcheck
from assistant.room.learning import confirmed
from assistant.room.plan import draw, load_plan, phrases
from assistant.sitting import assembly
from assistant.sound.player import Player, SilentPlayer
from assistant.sound.sources import (
    AudioSource,
    MicrophoneSource,
    SoundDevice,
    load_sounddevice,
    wav_source,
)

LEARNED_CHECKS = 3
"""How many times twelve phrases --learn asks for: some four minutes. Chosen here."""


@click.command("room-check")
@LISTENER
@MODEL
@click.option(
    "--wav",
    type=FILE,
    default=None,
    help="Check this recording (noise, then the phrases of --list in order).",
)
@MICROPHONE
@SPEAKER
@SILENT
@click.option("--seed", default=1, show_default=True, help="Chooses the phrases.")
@click.option("--list", "only_list", is_flag=True, help="Print the phrases and end.")
@click.option("--learn", is_flag=True, help="Learn this voice: three times twelve phrases.")
@click.option(
    "--case",
    "cases",
    type=CASE,
    multiple=True,
    help="With --learn: from what this voice confirmed in this case, too.",
)
@click.option("--forget", is_flag=True, help="Undo --learn, and end.")
@click.option(
    "--out",
    type=FILE,
    default=None,
    help="Where to; default: room.json in the user's settings.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print the profile (or the list) as JSON."
)
@WORDS
def room_check(
    listener: str,
    model: Path | None,
    wav: Path | None,
    microphone: str | None,
    speaker: str | None,
    silent: bool,
    seed: int,
    only_list: bool,
    learn: bool,
    cases: tuple[Path, ...],
    forget: bool,
    out: Path | None,
    as_json: bool,
    own_words: Path | None,
) -> None:
    """Find out whether this room, microphone and voice are good enough.

    It listens to ten seconds of the room (suction on, if it will be), asks for twelve phrases
    one at a time, and says whether room, microphone and voice are good, usable (and what to
    do) or not good enough. Whatever the answer, the exit code is 0; 4 means that a device is
    missing. The profile is kept, and fillwarm run uses it for the same microphone and
    recogniser: its gain, and thresholds that are never lower than the usual ones. Twelve
    phrases bound little: all right still means 76 to 100 % (95 % interval).

    With --learn it asks for 36 phrases and learns how sure to be of this voice at this
    microphone: one number, kept in the profile. Nothing else of them is kept, no sound, and
    the model does not change. What the voice confirmed or refused in a case is used only if
    the case is named. It says what the number changes on phrases it was not learned from, and
    keeps it only if they are judged better by it. Another check at the same microphone keeps
    what was learned; --forget takes it out.
    """
    if forget:
        click.echo(roomcheck.forget(out or roomcheck.stored()))
        return
    words = assembly.language(usual_words(own_words))
    plan = load_plan(words.folder)
    seeds = range(seed, seed + (LEARNED_CHECKS if learn else 1))
    if only_list:
        wanted = [phrase for one in seeds for phrase, _ in phrases(plan, one)]
        click.echo(json.dumps(wanted) if as_json else "\n".join(wanted))
        return
    asked = [phrase for one in seeds for phrase in draw(plan, words, one)]
    known = [one for case in cases for one in confirmed(read_whole(case).events)]

    def write(line: str) -> None:
        click.echo(line, err=as_json)

    recording = wav_source(wav) if wav else None
    ears = assembly.hearing(listener, model, words)
    clock: Clock = SampleClock(this_second()) if recording else SystemClock()
    player: Player = (
        SilentPlayer() if recording else assembly.loudspeaker(silent, speaker, write)
    )
    source: AudioSource = recording or MicrophoneSource(microphone)
    mouth = Mouth(Pyttsx3Voice(), player, clock.seconds)
    try:
        made = roomcheck.check(
            source, ears, plan, asked, clock, mouth, write,
            seed=seed, learn_with=known if learn else None,
        )  # fmt: skip
    finally:
        source.close()
        player.close()
    # A recording is not this room: it changes the settings only when asked to.
    if out is None and recording is None:
        out = roomcheck.stored()
    if out is not None and not learn:
        made = made.model_copy(update={"learned": roomcheck.kept_of(out, made)})
    write("\n" + "\n".join(roomcheck.summary(made, plan)))
    if learn and made.learned is None:
        write("Nothing was learned: this voice is judged as well without it.")
    if as_json:
        click.echo(made.model_dump_json(indent=2))
    if out is not None:
        roomcheck.store(made, out)
        write(f"Written: {out}")


@click.command()
@click.option("--json", "as_json", is_flag=True)
def devices(as_json: bool) -> None:
    """List microphones and loudspeakers."""
    sound = load_sounddevice()
    found = sound.query_devices()
    if not len(found):
        raise EquipmentError("No sound device was found; plug one in, or use --typed.")
    if not as_json:
        click.echo(str(found))
        return
    usual_in, usual_out = _usual(sound, "input"), _usual(sound, "output")
    listed = [
        {
            "number": number,
            "name": device["name"],
            "inputs": device["max_input_channels"],
            "outputs": device["max_output_channels"],
            "rate_hz": device["default_samplerate"],
            "usual_microphone": number == usual_in,
            "usual_speaker": number == usual_out,
        }
        for number, device in enumerate(found)
    ]
    click.echo(json.dumps(listed, ensure_ascii=False, indent=2))


def _usual(sound: SoundDevice, kind: str) -> int | None:
    """The number of the device that is used where none is named, if there is one."""
    try:
        return int(sound.query_devices(kind=kind)["index"])
    except sound.PortAudioError:
        return None

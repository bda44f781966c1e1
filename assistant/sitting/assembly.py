"""Putting a session together: which ear, which voice, which clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, partial
from pathlib import Path

import numpy as np

from assistant.case.casefile import CaseFile
from assistant.clock import Clock, SampleClock
from assistant.errors import EquipmentError
from assistant.files.shipped import data_folder
from assistant.prompt.mouth import Mouth
from assistant.prompt.voice import Pyttsx3Voice
from assistant.protocol.model import Protocol
from assistant.room.profile import RoomProfile
from assistant.screen.port import Screen
from assistant.screen.several import Screens
from assistant.screen.terminal import TerminalScreen
from assistant.sitting.rehearsal import ROOM_RMS, Operator, Script
from assistant.sitting.session import Session
from assistant.sound.echo import Canceller, Echo, SpeexCanceller
from assistant.sound.player import (
    Player,
    RememberingPlayer,
    SilentPlayer,
    SounddevicePlayer,
    TimelinePlayer,
)
from assistant.sound.reopening import ReopeningPlayer
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.sound.sources import load_sounddevice
from assistant.speech.agreeing import Agreeing
from assistant.speech.attention import Listen
from assistant.speech.hearing import Hearing
from assistant.speech.listeners import Listener
from assistant.speech.own_listener import OwnListener
from assistant.speech.watchdog import Watched
from assistant.words.grammar import Grammar, Language, Wanted, everything, load_language
from assistant.words.sayings import load_wording
from assistant.words.understand import Trust

TRUST = {
    "own": Trust(accept=0.95, command=0.6, reject=0.2, harmless=0.4, stop=0.3, ours=0.6),
    "vosk": Trust(accept=0.8, command=0.5, reject=0.3),
}
"""How much confidence each listener needs.

``own``: its confidence is a share of right ones, fitted on the calibration half (the model's
card). Over ``accept`` it was wrong in 14 of 21,564 neural and 21 of 10,782 other phrases of
the report half, over all rooms; in quiet 9 of 1,198 neural ones were under it.
``ours`` is where the calibration half loses least if a phrase let go weighs as much as five
times talk that is not (as it is from 3 to 10 times): 0.6 % of its phrases over all rooms are
let go, 19 of 506 sounds of other talk are not. On the report half: 1.0 % of 32,346, and 33 of
552.
``vosk``: chosen here, not measured; what the own ears hear otherwise is under ``command``.
"""


def language(added: Path | None = None) -> Language:
    """The words this installation speaks, with a practice's own in ``added``.

    The shipped ones are read once: they do not change while the program runs.

    Raises:
        InputFileError: a file is missing or malformed; names file and line.
    """
    return _shipped() if added is None else load_language(data_folder("grammars") / "en", added)


@cache
def _shipped() -> Language:
    return load_language(data_folder("grammars") / "en")


def listener(name: str, model: Path | None) -> Listener:
    """A recogniser by name.

    Raises:
        EquipmentError: a model is missing.
    """
    own = OwnListener()
    if name == own.name:
        return own
    from assistant.speech.vosk_listener import VoskListener  # noqa: PLC0415

    return Agreeing(VoskListener(model), own)


def ready_listener(name: str, model: Path | None, words: Language, listen: Listen) -> Listener:
    """A recogniser that has loaded all it needs and knows every word of the grammar.

    Raises:
        EquipmentError: a recogniser's model is missing or damaged.
        InputFileError: the model lacks words of the grammar.
    """
    recogniser = listener(name, model)
    # Words that the model lacks must come to light now, not in mid-case.
    recogniser.prepare(Grammar(words, everything(words.phrases)))
    if listen is Listen.ATTENTION:
        word = words.phrases.attention.word
        recogniser.prepare(Grammar(words, Wanted(attention=word)))
    return recogniser


def hearing(
    name: str,
    model: Path | None,
    words: Language,
    *,
    earpiece: bool = True,
    listen: Listen = Listen.OPEN,
    room: RoomProfile | None = None,
    watched: bool = False,
) -> Hearing:
    """Ears for a session. ``room``, if of the same recogniser, makes them stricter.
    ``watched`` puts the recogniser into a process of its own
    (:mod:`assistant.speech.watchdog`): for a live microphone, where nothing that happens
    to it may hold up the case.

    Raises:
        EquipmentError: a recogniser's model is missing or damaged.
        InputFileError: the model lacks words of the grammar.
    """
    # The own ears know every word, and need none of this module in their process.
    own = name == OwnListener.name
    build = OwnListener if own else partial(ready_listener, name, model, words, listen)
    watchdog = Watched(build) if watched else None
    from assistant.speech.ear import Ear  # noqa: PLC0415
    from assistant.speech.urgent import UrgentEar  # noqa: PLC0415

    urgent = words.phrases.urgent
    recogniser: Listener = watchdog or build()
    urgent_ear = UrgentEar(urgent.always | urgent.in_timer, words.lexicon)
    called = None
    if listen is Listen.ATTENTION:
        called = UrgentEar({words.phrases.attention.word}, words.lexicon)
    if watchdog is not None:
        watchdog.ready()
    trust = TRUST[recogniser.name]
    if room is not None and room.listener == recogniser.name:
        trust = room.trust(trust)
    return Hearing(
        listener=recogniser,
        trust=trust,
        ear=Ear(early=True),
        urgent=urgent_ear,
        earpiece=earpiece,
        called=called,
        listen=listen,
        recogniser=watchdog,
    )


def session(
    case: CaseFile,
    clock: Clock,
    player: Player,
    write: Callable[[str], None],
    words: Language,
    ears: Hearing | None,
    screens: Sequence[Screen] = (),
    terminal: Screen | None = None,
) -> Session:
    """A session that speaks through ``player``, shows itself on ``terminal``, by default in
    lines that ``write`` takes, and shows the same on ``screens``."""
    echo = None
    if ears is not None and not ears.earpiece:
        player = RememberingPlayer(player, clock.seconds)
        echo = Echo(player.played, canceller())
    terminal = terminal or TerminalScreen(write, clock.seconds)
    return Session(
        case,
        clock,
        mouth=Mouth(Pyttsx3Voice(), player, clock.seconds),
        screen=Screens(terminal, *screens) if screens else terminal,
        language=words,
        wording=load_wording(words.folder, words.phrases),
        hearing=ears,
        echo=echo,
        read_back_on_screen=not player.audible,
    )


def canceller() -> Canceller | None:
    """The echo canceller, where its library is installed."""
    try:
        return SpeexCanceller()
    except EquipmentError:
        return None


def loudspeaker(silent: bool, device: str | None, write: Callable[[str], None]) -> Player:
    """The chosen output; without one the screen takes over, and says so."""
    if silent:
        return SilentPlayer()
    try:
        return ReopeningPlayer(partial(SounddevicePlayer, device), load_sounddevice())
    except EquipmentError as missing:
        write(f"!! {missing}")
        return SilentPlayer()


@dataclass(frozen=True)
class Rehearsed:
    """A finished rehearsal: the session, its operator and the assistant's voice."""

    session: Session
    operator: Operator
    player: TimelinePlayer

    def conversation(self) -> Samples:
        """Operator and assistant together, as one in the room would have heard them."""
        room = np.concatenate(self.operator.recording).astype(np.int32)
        spoken = self.player.mix(len(room) / RATE_HZ).astype(np.int32)
        return to_int16(room + spoken[: len(room)])


def rehearse(
    script: Script,
    folder: Path,
    protocol: Protocol,
    voice: str,
    start: datetime,
    write: Callable[[str], None],
    *,
    room_rms: float = ROOM_RMS,
    ears: str = "own",
) -> Rehearsed:
    """Take a scripted operator through a case, from sound, faster than real time."""
    clock = SampleClock(start)
    words = language()
    case = CaseFile.create(
        folder,
        protocol,
        clock.now(),
        case_code=script.case_code,
        operator=script.operator,
        demo=True,
    )
    player = TimelinePlayer(clock.seconds)
    sitting = session(case, clock, player, write, words, hearing(ears, None, words))
    operator = Operator(script, sitting, voice, room_rms=room_rms)
    sitting.run(operator)
    return Rehearsed(sitting, operator, player)

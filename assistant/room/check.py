"""The room check: noise and twelve phrases through the real ears, and its file.

What follows from what was heard is in ``room/profile.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from platformdirs import user_config_path
from pydantic import ValidationError

from assistant.clock import Clock
from assistant.errors import EquipmentError, InputFileError
from assistant.files.atomic import unwritable, write_atomically
from assistant.files.yamlfile import read_text
from assistant.prompt.mouth import Mouth
from assistant.prompt.prompts import Prompt, Urgency
from assistant.room.learning import Known, Learned, learned
from assistant.room.plan import Asked, CheckPlan, taken_for
from assistant.room.profile import Outcome, RoomProfile, known, profile
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.sound.sources import AudioSource, device_of, load_sounddevice
from assistant.speech.hearing import Hearing
from assistant.speech.look import FirstLook
from assistant.words.understand import TYPED

if TYPE_CHECKING:
    from assistant.speech.ear import Utterance

FRAME_S = FRAME_SAMPLES / RATE_HZ

NONE = "none"
"""``--room none``: use no profile."""

Write = Callable[[str], None]
Frames = Iterator[tuple[Samples, bool]]
"""Frames, each with whether the assistant was speaking meanwhile."""


def check(
    source: AudioSource,
    ears: Hearing,
    plan: CheckPlan,
    asked: Sequence[Asked],
    clock: Clock,
    mouth: Mouth,
    write: Write,
    *,
    seed: int,
    learn_with: Sequence[Known] | None = None,
) -> RoomProfile:
    """Listen to the room, then to each phrase once.

    With ``learn_with`` the gate learns from the phrases, and from these besides.

    Time is counted in frames, so a recording (the noise first, then the phrases
    in order, each after a pause) goes the same way as a microphone. The gain is
    found here and not yet applied.

    Raises:
        DeviceLost: the microphone stopped delivering.
        InputFileError: a recording ends before the phrases begin.
    """
    from assistant.speech.ear import TARGET_RMS  # noqa: PLC0415 - loads the recogniser

    def say(key: str, phrase: str = "") -> None:
        mouth.say([Prompt(plan.says[key].format(phrase=phrase), Urgency.STEP)])

    frames = _frames(source, clock, mouth)
    write(f"\n{plan.says['noise']}")
    say("noise")
    noise = _noise(frames, ears, plan.noise_s, source.name)
    write(plan.says["phrases"])
    say("phrases")
    outcomes = []
    for number, one in enumerate(asked, 1):
        write(f"\n{number:2} of {len(asked)}    {large(one.phrase)}\n")
        say("phrase", one.phrase)
        outcome = _judged(one, _wait_for(frames, ears, plan.wait_s), ears)
        write(f"          {told(outcome)}")
        outcomes.append(outcome)
    write(f"\n{plan.says['done']}")
    made = profile(
        noise,
        outcomes,
        ears.trust,
        target_rms=TARGET_RMS,
        made_at=clock.now().wall,
        microphone=source.name,
        listener=ears.listener.name,
        seed=seed,
    )
    if learn_with is None:
        return made
    found = learned([*known(outcomes), *learn_with], ears.trust.accept)
    return made.model_copy(update={"learned": found})


def large(phrase: str) -> str:
    """A phrase in spaced capitals, to be read from a chair's distance."""
    return "   ".join(" ".join(word.upper()) for word in phrase.split())


def told(outcome: Outcome) -> str:
    """What was heard, in one line."""
    if outcome.level_dbfs is None:
        return "nothing heard"
    words = f'heard "{outcome.text}" {outcome.confidence:.2f}' if outcome.text else "no phrase"
    fate = {"said": "right", "nothing": "would be asked again"}
    return f"{words}: {fate.get(outcome.taken_for, 'wrong')}"


def _frames(source: AudioSource, clock: Clock, mouth: Mouth) -> Frames:
    for frame in source.frames():
        spoke = mouth.speaking  # the end of a prompt may be in this frame
        clock.advance(FRAME_S)
        mouth.pump()
        yield frame, spoke or mouth.speaking


def _noise(frames: Frames, ears: Hearing, seconds: float, name: str) -> Samples:
    """The room while nobody speaks; the ear hears it too, as it does in a session."""
    kept: list[Samples] = []
    for frame, speaking in frames:
        if speaking:
            kept.clear()
            continue
        ears.ear.push(frame)
        kept.append(frame)
        if len(kept) * FRAME_S >= seconds:
            return np.concatenate(kept)
    raise InputFileError(
        f"{name} ends before the phrases: it must begin with {seconds:g} seconds of room "
        "noise; record it again."
    )


def _wait_for(frames: Frames, ears: Hearing, seconds: float) -> Utterance | None:
    """The next utterance, begun within ``seconds`` after the assistant was silent."""
    waited_s, was_deaf = 0.0, False
    for frame, deaf in frames:
        if deaf or was_deaf:
            ears.ear.restart()  # what it heard of the assistant is not the room
            was_deaf = deaf
            if deaf:
                continue
        utterance = ears.ear.push(frame)
        if utterance is not None and utterance.final:  # one try, not a first look
            return utterance
        waited_s += FRAME_S
        if waited_s >= seconds and not ears.ear.in_speech:
            return None
    return ears.ear.flush()


def _judged(one: Asked, utterance: Utterance | None, ears: Hearing) -> Outcome:
    if utterance is None:
        return Outcome(one.phrase)
    # As a session hears it: in much noise nothing is sure.
    heard = FirstLook().hear(ears.listener, one.grammar, utterance)
    return Outcome(
        one.phrase,
        heard.text,
        heard.confidence,
        taken_for(one, heard, ears.trust),
        utterance.level_dbfs,
        utterance.peak,
        utterance.clipped,
        taken_for(one, replace(heard, confidence=1.0), TYPED) == "said",
    )


def summary(made: RoomProfile, plan: CheckPlan) -> list[str]:
    """A profile in a few lines, the verdict first."""
    asked = made.right + made.misheard + made.missed
    lines = [f"This room is {plan.verdicts[made.verdict]}"]
    lines += [f"  - {plan.advice[key]}" for key in made.advice]
    lines.append(
        f"Heard right {made.right} of {asked} (95 % interval {made.right_low:.0%} to "
        f"{made.right_high:.0%}), wrong {made.misheard}, not heard {made.missed}, "
        f"clipped {made.clipped}."
    )
    levels = f"Noise {made.noise_dbfs:g} dBFS"
    if made.speech_dbfs is not None:
        levels += f", voice {made.speech_dbfs:g} dBFS, {made.snr_db:g} dB above it"
    lines.append(
        f"{levels}; gain {made.gain:g}; a value needs a confidence of {made.accept:.2f}, "
        f"a command {made.command:.2f}."
    )
    if made.learned is not None:
        lines.append(learning(made.learned))
    return lines


def learning(made: Learned) -> str:
    """What was learned, and what it changes."""
    of = made.phrases
    return (
        f"Learned from {of} phrases of this voice: odds {made.shift:+.2f}. On phrases it was "
        f"not learned from: asked about {made.before.asked} of {of} before and "
        f"{made.after.asked} after, wrongly taken {made.before.wrong} and {made.after.wrong}. "
        "Undo it with fillwarm room-check --forget."
    )


# -- the file -----------------------------------------------------------------


def stored() -> Path:
    """Where the profile is kept unless told otherwise."""
    return user_config_path("fillwarm") / "room.json"


def store(made: RoomProfile, path: Path) -> None:
    """Write a profile, whole or not at all.

    Raises:
        RecordUnwritable: the disk refused.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(path, error) from error
    write_atomically(path, made.model_dump_json(indent=2) + "\n")


def load(path: Path) -> RoomProfile:
    """Read a profile.

    Raises:
        InputFileError: missing, unreadable or damaged.
    """
    text = read_text(path)
    try:
        return RoomProfile.model_validate_json(text)
    except ValidationError as bad:
        first = bad.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise InputFileError(
            f"{path} is not a whole room profile ({where}: {first['msg'].lower()}); make it "
            f"again with fillwarm room-check, or give --room {NONE}."
        ) from None


def kept_of(path: Path, made: RoomProfile) -> Learned | None:
    """What an earlier check has learned for the same microphone and recogniser."""
    try:
        before = load(path)
    except InputFileError:  # none, or one that the new check puts right
        return None
    same = (before.microphone, before.listener) == (made.microphone, made.listener)
    return before.learned if same else None


def forget(path: Path) -> str:
    """Take out of a profile what was learned; a line for the room.

    Raises:
        InputFileError: missing, unreadable or damaged.
        RecordUnwritable: the disk refused.
    """
    made = load(path)
    if made.learned is None:
        return f"Nothing was learned in {path}."
    store(made.model_copy(update={"learned": None}), path)
    return f"Forgotten what was learned from {made.learned.phrases} phrases: {path}."


def choose(room: str | None, microphone: str | None) -> tuple[RoomProfile | None, str]:
    """The profile for a session, and why the stored one is not used (or nothing).

    Args:
        room: a file, ``none``, or None for the stored one where it fits.
        microphone: its name; None where there is none, or for a recording: then
            only a file that was asked for is used.

    Raises:
        InputFileError: the file is missing or damaged.
    """
    if room == NONE or (room is None and (microphone is None or not stored().exists())):
        return None, ""
    if room is not None:
        return load(Path(room)), ""
    made = load(stored())
    if made.microphone != microphone:
        return None, f"Room profile not used: {stored()} is for {made.microphone}."
    return made, ""


def fit(made: RoomProfile, ears: Hearing, *, asked_for: bool) -> tuple[RoomProfile | None, str]:
    """The profile if it was made with the recogniser of ``ears``, and a line about it.

    Raises:
        InputFileError: it was not, and was asked for: the confidences of another
            recogniser mean something else.
    """
    if made.listener != ears.listener.name:
        trouble = f"was made with the recogniser {made.listener}, not {ears.listener.name}"
        if asked_for:
            raise InputFileError(
                f"The room profile {trouble}; make one with it, or give --room {NONE}."
            )
        return None, f"Room profile not used: it {trouble}."
    verdict = made.verdict.replace("_", " ")
    return made, (
        f"Room profile of {made.made_at:%Y-%m-%d %H:%M} ({made.microphone}, {verdict}): gain "
        f"{made.gain:g}; a value needs {ears.trust.accept:.2f}, "
        f"a command {ears.trust.command:.2f}."
    )


def microphone_name(device: str | None) -> str | None:
    """The name of an input without opening it; None if there is no such input."""
    try:
        sound = load_sounddevice()
        return str(sound.query_devices(device_of(device), "input")["name"])
    except EquipmentError:
        return None
    except (ValueError, sound.PortAudioError):
        return None


class Amplified:
    """A source with a gain, as an :class:`~assistant.sound.sources.AudioSource`."""

    def __init__(self, source: AudioSource, gain: float) -> None:
        self.name = source.name
        self._source = source
        self._gain = gain

    @property
    def lost_blocks(self) -> int:
        """As the source counts them; 0 where it does not."""
        return int(getattr(self._source, "lost_blocks", 0))

    @property
    def notice(self) -> str:
        """What the room should know of the source."""
        return str(getattr(self._source, "notice", ""))

    def frames(self) -> Iterator[Samples]:
        """The frames, louder or softer, clipped to the range of a sample."""
        for frame in self._source.frames():
            yield to_int16(frame.astype(np.float64) * self._gain)

    def close(self) -> None:
        """Release the device."""
        self._source.close()

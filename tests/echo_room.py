"""A room with a loudspeaker: the microphone hears what the session says, later and softer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from from_sound import START
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.prompt.prompts import Prompt, Urgency
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.session import Session
from assistant.sound.player import TimelinePlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.speech.hearing import Hearing
from assistant.words.grammar import Language
from assistant.words.sayings import spoken

TO_A_QUESTION = ("tooth 11", "single", "yes", "none", "working length 34")
"""Typed lines (invented) after which the case waits for "confirm" or "no"."""


@dataclass(frozen=True)
class Way:
    """From loudspeaker to microphone: delay, level at the microphone against an
    operator of 2500 (RMS), and the time in which the room dies away by 60 dB."""

    delay_s: float = 0.1
    level_db: float = -6.0
    rt60_s: float = 0.3

    def response(self) -> np.ndarray:
        """The direct sound and a tail of decaying noise 3 dB under it."""
        rng = np.random.default_rng(11)
        late = rng.normal(size=round(self.rt60_s * RATE_HZ))
        late *= 10 ** (-3 * np.arange(len(late)) / len(late))
        late *= np.sqrt(0.5 / (late**2).sum())
        late[0] += 1.0
        return np.concatenate([np.zeros(round(self.delay_s * RATE_HZ)), late])


@dataclass
class EchoRoom:
    """A real session with real ears, whose own voice comes back.

    ``said_to`` holds the operator's voice still to come; ``spoken`` what the
    session took from the microphone.
    """

    folder: Path
    words: Language
    hearing: Hearing
    path: Way = Way()
    noise: float = 25.0
    spoken: list[it.AnyIntent] = field(default_factory=list)
    recording: list[Samples] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = SampleClock(START)
        self.player = TimelinePlayer(self.clock.seconds)
        case = CaseFile.create(
            self.folder,
            load_yaml(protocol_path("to-post-level"), Protocol),
            self.clock.now(),
            case_code="T-1",
            operator="Operator A",
        )
        self.lines: list[str] = []
        self.session: Session = assembly.session(
            case, self.clock, self.player, self.lines.append, self.words, self.hearing
        )
        self.session.on_taken = self._taken
        self._rng = np.random.default_rng(2)
        self._response = self.path.response()
        self._gain = 0.6 * 10 ** (self.path.level_db / 20)
        self._voice = np.zeros(0)

    def _taken(self, intent: it.AnyIntent, _events: object) -> None:
        if intent.heard.channel == "voice":
            self.spoken.append(intent)

    def at_a_question(self) -> None:
        """Bring the case to a question, unheard."""
        for line in TO_A_QUESTION:
            self.session.read(line)
        self.session.mouth.hush()
        self.wait(0.6)

    def prompt(self, text: str) -> None:
        """Let the session begin to say ``text``."""
        said = Prompt(text, Urgency.QUESTION, spoken(text, "en"))
        self.session.mouth.say([said])

    def answer(self, voice: Samples, after_s: float = 0.0) -> None:
        """The operator speaks ``after_s`` from now."""
        self._voice = np.concatenate([np.zeros(round(after_s * RATE_HZ)), voice])

    def wait(self, seconds: float) -> None:
        """Let the room be heard for so long."""
        for frame in self.frames(seconds):
            self.session.hear(frame)

    def hear_out(self) -> None:
        """Until the player has nothing more to play."""
        while self.session.mouth.speaking:
            self.wait(FRAME_SAMPLES / RATE_HZ)

    def frames(self, seconds: float) -> Iterator[Samples]:
        """What the microphone hears of room, loudspeaker and operator."""
        for _ in range(round(seconds * RATE_HZ / FRAME_SAMPLES)):
            frame = self._rng.normal(0.0, self.noise, FRAME_SAMPLES) + self._echo()
            said, self._voice = self._voice[:FRAME_SAMPLES], self._voice[FRAME_SAMPLES:]
            frame[: len(said)] += said
            self.recording.append(to_int16(frame))
            yield self.recording[-1]

    def _echo(self) -> np.ndarray:
        """The next 30 ms of echo."""
        end_s = self.clock.now().mono_s + FRAME_SAMPLES / RATE_HZ
        reach = len(self._response) + FRAME_SAMPLES - 1
        start = round(end_s * RATE_HZ) - reach
        played = np.zeros(reach)
        for part in reversed(self.player.timeline):
            at = round(part.start_s * RATE_HZ) - start
            if at + len(part.samples) <= 0:
                break
            first, last = max(0, at), min(reach, at + len(part.samples))
            if first < last:
                played[first:last] = part.samples[first - at : last - at]
        if not played.any():
            return np.zeros(FRAME_SAMPLES)
        echo: NDArray[np.float64] = fftconvolve(played, self._response, mode="valid")
        heard: NDArray[np.float64] = self._gain * echo
        return heard

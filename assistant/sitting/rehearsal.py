"""A rehearsal: an operator who hears the assistant out and then says the next line.

The operator is a sound source like a microphone. What is understood is left to
the real recogniser; where it errs the operator does what a person would: says
it again, answers "confirm", "no" or one of two that are offered, or takes a wrong entry back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import VISIT
from assistant.sitting.dictation import dictate
from assistant.sitting.session import Session
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.words.numbers import number_words
from assistant.words.understand import as_said, bare, parts, understand_typed

PAUSE_S = 0.35
"""Between the end of a prompt and the operator's answer."""

PATIENCE = 12
"""Times one line is tried before the rehearsal gives up."""

ROOM_RMS = 25.0
"""Noise of a quiet room, about -62 dB of full scale."""

PATIENCE_S = 5.0
"""Silence after which a line counts as unheard and is said again: soon enough to be known as
said a second time (:data:`.others.AGAIN_S`). Chosen here."""


class Line(BaseModel):
    """One line of the script; see ``premolar.yaml``. ``typed``: somebody types it beside the
    voice, as what can only be typed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    say: str
    after_s: float | None = None
    over_s: float | None = None
    wait_for_timer: bool = False
    typed: bool = False


class Script(BaseModel):
    """A rehearsed case."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    case_code: str
    operator: str
    lines: tuple[Line, ...] = Field(min_length=1)


@dataclass
class Tally:
    """What the rehearsal counted."""

    said: int = 0
    understood: int = 0
    asked_again: int = 0
    confirmed: int = 0
    taken_back: int = 0
    repairs: list[str] = field(default_factory=list)


class Operator:
    """An :class:`~assistant.sound.sources.AudioSource` that follows a script.

    Args:
        script: the lines.
        session: asked whether the assistant is speaking, and for its state.
        voice: "engine:name", see :mod:`.dictation`.
        seed: of the room noise.
        room_rms: level of the room noise, in steps of 16-bit samples.
        speak: says (text, voice, how often it was said before).
        room: so many samples of another room, the next at each call.
    """

    name = "rehearsed operator"

    def __init__(
        self,
        script: Script,
        session: Session,
        voice: str,
        *,
        seed: int = 1,
        room_rms: float = ROOM_RMS,
        speak: Callable[[str, str, int], Samples] = dictate,
        room: Callable[[int], NDArray[np.float64]] | None = None,
    ) -> None:
        self.tally = Tally()
        self.recording: list[Samples] = []
        self.failed: str | None = None
        self._session = session
        self._voice = voice
        self._speak = speak
        rng = np.random.default_rng(seed)
        self._room = room or (lambda count: rng.normal(0.0, room_rms, count))
        self._lines = list(script.lines)
        self._repair: list[Line] = []
        self._sound: Samples = np.zeros(0, np.int16)
        self._quiet_s = 0.0
        self._since_s = 0.0
        self._waiting: Line | None = None
        self._meant: it.AnyIntent | None = None
        self._tries = 0
        self._language = session.language.phrases.language
        session.on_taken = self._heard_back

    def frames(self) -> Iterator[Samples]:
        """Room noise with the operator's lines in it, until the script is done."""
        while not self._over():
            if not len(self._sound):
                self._perhaps_speak()
            said = self._sound[:FRAME_SAMPLES].astype(np.float64)
            self._sound = self._sound[FRAME_SAMPLES:]
            room = self._room(FRAME_SAMPLES)
            room[: len(said)] += said
            frame = to_int16(room)
            self.recording.append(frame)
            yield frame

    @property
    def silent(self) -> bool:
        """Whether nothing of a line is left to be said."""
        return not len(self._sound)

    def close(self) -> None:
        """Nothing to give back."""

    def _over(self) -> bool:
        done = not self._lines and not self._repair and self._waiting is None
        return self.failed is not None or (done and not self._session.mouth.busy)

    def _perhaps_speak(self) -> None:
        frame_s = FRAME_SAMPLES / RATE_HZ
        busy = self._session.mouth.busy
        self._quiet_s = 0.0 if busy else self._quiet_s + frame_s
        self._since_s += frame_s
        if self._waiting is not None:
            if self._quiet_s > PATIENCE_S:
                self._try_again("not heard at all")
            return
        line = (self._repair or self._lines or [None])[0]  # type: ignore[list-item]
        if line is None or not self._time_for(line):
            return
        if self._repair:
            self._repair.pop(0)
        else:
            self._lines.pop(0)
            self._tries = 0  # patience is for one line, with all that mends it
        self._quiet_s = 0.0
        self.tally.said += 1
        if line.typed:
            self._since_s = 0.0
            self._session.typed.put(line.say)
            return
        self._waiting = line
        self._meant = understand_typed(line.say, self._session.grammar())
        digits = any(letter.isdecimal() for letter in line.say)
        said = as_said(line.say, self._language) if digits else line.say
        self._sound = self._speak(said, self._voice, self._tries % 3)

    def _time_for(self, line: Line) -> bool:
        timer = self._session.case.state.timer
        if line.after_s is not None and timer is not None:
            now = self._session.clock.now()
            return now.mono_s - timer.started.mono_s >= line.after_s
        if line.wait_for_timer and timer is not None:
            return False
        if line.over_s is not None:
            return self._since_s >= line.over_s
        return self._quiet_s >= PAUSE_S

    def _heard_back(self, intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]) -> None:
        """Judge, as a listener would, whether the line came across."""
        line, meant = self._waiting, self._meant
        if intent.heard.channel == "typed" and any(map(_to_confirm, events)):
            self._repair.insert(0, Line(say="confirm"))
        if line is None or meant is None or intent.heard.channel != "voice":
            return
        self._since_s = 0.0
        if not line.say.endswith(intent.heard.text) and (rest := left_of(meant, intent)):
            # A pause has parted the sentence; what is left of it is still to come, and is all
            # that is said again. Not if its end was heard: a "yes" of "all yes".
            self._meant = rest
            self._waiting = Line(say=" ".join(part.heard.text for part in parts(rest)))
            return
        if (value := getattr(meant, "value", None)) in _offered(events):
            self._waiting = None
            self.tally.confirmed += 1
            self._repair.insert(0, Line(say=number_words(float(value), self._language)))
            return
        if bare(intent) == bare(meant):
            self._waiting = None
            self.tally.understood += 1
            if any(map(_to_confirm, events)):
                self.tally.confirmed += 1
                self._repair.insert(0, Line(say="confirm"))
            return
        if _signing(events) and isinstance(meant, it.Command) and meant.verb == "confirm":
            # The question about signing stands as it did; a "no" would end it for good.
            self._try_again(f"heard as {intent.heard.text!r}")
        elif any(isinstance(e, ev.ConfirmAsked) for e in events):
            self._try_again(f"questioned as {intent.heard.text!r}", first=Line(say="no"))
        elif any(isinstance(e, ev.EntryMade) for e in events):
            self.tally.taken_back += 1
            first = Line(say="undo that")
            self._try_again(f"entered as {intent.heard.text!r}", first=first)
        else:
            self._try_again(f"heard as {intent.heard.text!r}")

    def _try_again(self, why: str, first: Line | None = None) -> None:
        line = self._waiting
        assert line is not None
        self.tally.asked_again += 1
        self.tally.repairs.append(f"{line.say!r} {why}")
        self._tries += 1
        if self._tries > PATIENCE:
            self.failed = f"the line {line.say!r} was not understood in {PATIENCE} tries"
        again = [*([first] if first else []), Line(say=line.say)]
        self._repair[:0] = again
        self._waiting = None


def left_of(meant: it.AnyIntent, heard: it.AnyIntent) -> it.AnyIntent | None:
    """What is left of ``meant`` if ``heard`` are its first answers; None if they are not."""
    if not isinstance(meant, it.Several):
        return None
    begun = [bare(part) for part in parts(heard)]
    first, left = meant.parts[: len(begun)], meant.parts[len(begun) :]
    if not left or begun != [bare(part) for part in first]:
        return None
    return left[0] if len(left) == 1 else meant.model_copy(update={"parts": left})


def _offered(events: tuple[ev.AnyEvent, ...]) -> tuple[it.Scalar, ...]:
    """The two values between which something heard in doubt is to be decided."""
    asked = [event for event in events if isinstance(event, ev.ConfirmAsked)]
    return asked[-1].pending.offers if asked else ()


def _to_confirm(event: ev.AnyEvent) -> bool:
    """Whether "confirm" answers what an event asks, as a rehearsed operator means it."""
    if isinstance(event, ev.ConfirmAsked):
        return not _ends(event) and event.pending.revises is None
    return isinstance(event, ev.ChangeAsked)


def _signing(events: tuple[ev.AnyEvent, ...]) -> bool:
    return any(isinstance(e, ev.ConfirmAsked) and _ends(e) for e in events)


def _ends(asked: ev.ConfirmAsked) -> bool:
    """Whether the note, or the visit, is to be signed: the script has a line for that."""
    return asked.pending.quantity in {"signature", VISIT}

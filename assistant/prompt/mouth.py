"""The Mouth: decides what is said next, and knows what was really heard.

Prompts are rendered in the caller's thread, when their turn comes. Measured
on two cores: about 25 ms for a new sentence (under 40 ms in 200; 100 ms when
other programs want both cores twice over), nothing for a repeated one. The
microphone's own thread keeps buffering its 30 ms frames meanwhile, so none is
lost. A worker thread would save that delay once per new sentence and cost the
exact order of events: a rehearsal would no longer give the same log twice.
What is being said is cut off *before* the warning is rendered.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from assistant.errors import EquipmentError
from assistant.prompt.chimes import chime
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.voice import Voice
from assistant.sound.player import Player
from assistant.sound.samples import RATE_HZ, Samples

_TICK_LATEST_S = 0.3  # a later "three" would be heard as the next second
_CHIME_GAP_S = 0.1  # lets the ear turn from the chime to the words


class Verbosity(StrEnum):
    """How much is said aloud; the screen always shows everything."""

    FULL = "full"
    BRIEF = "brief"
    WARNINGS_ONLY = "warnings_only"


VERBOSITY = {
    "say_all": Verbosity.FULL,
    "say_less": Verbosity.BRIEF,
    "say_warnings": Verbosity.WARNINGS_ONLY,
}
"""What the commands ask for."""


_LOWEST_SAID = {
    Verbosity.FULL: Urgency.TICK,
    Verbosity.BRIEF: Urgency.STEP,
    # Read-backs too: a measurement never enters the record unheard.
    Verbosity.WARNINGS_ONLY: Urgency.READ_BACK,
}


def admits(verbosity: Verbosity, urgency: Urgency) -> bool:
    """Whether prompts of ``urgency`` are said at ``verbosity``.

    ``BRIEF`` leaves the numbers of a countdown to the screen;
    ``WARNINGS_ONLY`` the steps as well, but still says warnings, cautions,
    questions and the read-backs of measurements.
    """
    return urgency >= _LOWEST_SAID[verbosity]


class Fate(StrEnum):
    """What became of one attempt to say a prompt."""

    HEARD = "heard"
    """Said to the end."""
    REPEATED = "repeated"
    """Cut by a warning, and waiting to be said again from its start."""
    CUT = "cut"
    """Begun, cut by a warning, by ``hush`` or by the loss of the device; over."""
    DROPPED = "dropped"
    """Never begun: too late, overtaken by a warning, or hushed."""
    UNVOICED = "unvoiced"
    """Shown only: not admitted by the verbosity, or no voice or player."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """One line of the log. Seconds on the mouth's clock; equal if never begun."""

    prompt: Prompt
    started_s: float
    ended_s: float
    fate: Fate


@dataclass(frozen=True, slots=True)
class _Waiting:
    prompt: Prompt
    said_s: float
    number: int

    @property
    def rank(self) -> tuple[int, int]:
        """Sorts higher urgency first, then what was said earlier."""
        return (-self.prompt.urgency, self.number)


@dataclass(frozen=True, slots=True)
class _Current:
    item: _Waiting
    started_s: float
    complete: bool


class Mouth:
    """Says prompts one at a time. Not thread-safe: one loop owns it.

    * Higher urgency first; within one urgency in the order said.
    * A WARNING cuts off anything less at once. A STEP or TICK that it cuts
      or overtakes is dropped, for it belongs to a moment that has passed;
      a READ_BACK, QUESTION or CAUTION is said (again, from its start)
      afterwards. A WARNING never cuts off another.
    * A TICK that cannot start within 0.3 s is dropped; it cuts off nothing.
    * The chime comes before the words of a CAUTION or WARNING, and instead of
      the words of a prompt whose ``spoken`` is empty.

    If the voice fails, ``trouble`` says so once and the case goes on: cautions
    and warnings keep their chime, and everything counts as unheard.

    Attributes:
        verbosity: may be changed at any time; applies to what is said next.
        held: somebody may be about to go on speaking: nothing less than a WARNING is begun.
        on_begun: called with a prompt whose turn has come, before its sound is made: what
            is shown of it is there when it begins.
        on_spoken: called once for every prompt, when its fate is settled, with
            True only if it was played to the end, words and all. It may call
            ``say``; what it raises reaches the mouth's caller.
        spoken: log of what was started, finished, cut and left out.
    """

    def __init__(
        self,
        voice: Voice,
        player: Player,
        clock: Callable[[], float],
        verbosity: Verbosity = Verbosity.FULL,
        on_spoken: Callable[[Prompt, bool], None] | None = None,
    ) -> None:
        """Speak with ``voice`` through ``player``.

        Args:
            voice: renders the words.
            player: used by nobody else while the mouth lives.
            clock: seconds, never going back.
            verbosity: what is said aloud.
            on_spoken: as the attribute; may also be set later.
        """
        self.verbosity = verbosity
        self.held = False
        self.spoken: list[Spoken] = []
        self._voice = voice
        self._player = player
        self._clock = clock
        self.on_spoken = on_spoken
        self.on_begun: Callable[[Prompt], None] | None = None
        self._waiting: list[_Waiting] = []
        self._current: _Current | None = None
        self._count = 0
        self._voice_trouble: str | None = None
        self._settled: deque[tuple[Prompt, bool]] = deque()

    @property
    def speaking(self) -> bool:
        """Whether sound is coming out now."""
        return self._player.busy

    @property
    def busy(self) -> bool:
        """Whether sound is coming out or is about to."""
        return self.speaking or bool(self._waiting)

    @property
    def talking(self) -> bool:
        """Whether a prompt is coming out now, and not a bare :meth:`sound`."""
        return self._current is not None and self._player.busy

    @property
    def trouble(self) -> str | None:
        """Why nothing (or only chimes) can be heard, in one sentence; else None."""
        return self._voice_trouble or self._player.trouble

    def say(self, prompts: Sequence[Prompt]) -> None:
        """Take ``prompts`` to be said and start the most urgent if nothing else is on.

        The prompts of one call belong together: a WARNING among them does not
        drop the STEP that comes with it.
        """
        self._finish()
        admitted = []
        for prompt in prompts:
            if admits(self.verbosity, prompt.urgency) and self._player.audible:
                admitted.append(prompt)
            else:
                self._leave_out(prompt, Fate.UNVOICED)
        if any(prompt.urgency is Urgency.WARNING for prompt in admitted):
            self._make_way()
        now_s = self._clock()
        for prompt in admitted:
            self._count += 1
            self._waiting.append(_Waiting(prompt, now_s, self._count))
        self.pump()

    def pump(self) -> None:
        """Go on with what waits; call it for every frame of the session loop."""
        self._finish()
        while self._waiting and self._current is None and not self._player.busy:
            item = min(self._waiting, key=lambda waiting: waiting.rank)
            if self.held and item.prompt.urgency < Urgency.WARNING:
                break
            self._waiting.remove(item)
            self._begin(item)
        self._report()

    def hush(self) -> None:
        """Be quiet now: cut off what is said and drop what waits.

        A WARNING that nobody has heard the beginning of is kept all the same.
        """
        self._finish()
        self._cut(Fate.CUT)
        self._drop_waiting_below(Urgency.WARNING)
        self._report()

    def overtaken(self) -> None:
        """The case has gone on: a question about the step before is asked no longer."""
        self._finish()
        if self._current is not None and _asks(self._current.item.prompt):
            self._cut(Fate.CUT)
        for item in [one for one in self._waiting if _asks(one.prompt)]:
            self._waiting.remove(item)
            self._leave_out(item.prompt, Fate.DROPPED)
        self._report()

    def sound(self, samples: Samples) -> None:
        """Play a bare sound, such as ``chimes.not_understood()``, if nothing is being said.

        Like a TICK it interrupts nothing and is never late; it is not logged.
        """
        if self._current is None and not self._waiting and not self._player.busy:
            self._player.play(samples)

    def _make_way(self) -> None:
        """Clear what a WARNING goes before."""
        if self._current is None:
            self._player.stop()  # a bare sound at most
        else:
            item = self._current.item
            if item.prompt.urgency < Urgency.READ_BACK:
                self._cut(Fate.CUT)
            elif item.prompt.urgency < Urgency.WARNING:
                self._cut(Fate.REPEATED)
                self._waiting.append(item)  # with its old number: first of its urgency
        self._drop_waiting_below(Urgency.READ_BACK)

    def _begin(self, item: _Waiting) -> None:
        prompt = item.prompt
        if prompt.urgency is Urgency.TICK and self._clock() - item.said_s > _TICK_LATEST_S:
            self._leave_out(prompt, Fate.DROPPED)
            return
        if not self._player.audible:
            self._leave_out(prompt, Fate.UNVOICED)
            return
        if self.on_begun is not None:
            self.on_begun(prompt)
        sound, complete = self._sound_of(prompt)
        if sound.size == 0:
            self._leave_out(prompt, Fate.UNVOICED)
            return
        self._current = _Current(item, self._clock(), complete)
        self._player.play(sound)

    def _sound_of(self, prompt: Prompt) -> tuple[Samples, bool]:
        """Chime and words of ``prompt``, and whether the words are all there."""
        text = prompt.text if prompt.spoken is None else prompt.spoken
        if not text.strip():
            return chime(prompt.urgency), True
        words = self._words(text)
        if prompt.urgency < Urgency.CAUTION:
            return words, words.size > 0
        gap = np.zeros(round(_CHIME_GAP_S * RATE_HZ), dtype=np.int16)
        return np.concatenate([chime(prompt.urgency), gap, words]), words.size > 0

    def _words(self, text: str) -> Samples:
        """Render ``text``; empty once the voice has failed."""
        if self._voice_trouble is None:
            try:
                return self._voice.render(text)
            except EquipmentError as error:
                self._voice_trouble = str(error)
            except Exception as error:  # nothing that a speech engine does ends the case
                self._voice_trouble = (
                    f"The speech engine failed ({error}): read the screen, which shows "
                    "everything."
                )
        return np.zeros(0, dtype=np.int16)

    def _finish(self) -> None:
        """Settle what has been played to its end since the last look."""
        if self._current is None or self._player.busy:
            return
        if not self._player.audible:
            fate = Fate.CUT
        elif self._current.complete:
            fate = Fate.HEARD
        else:
            fate = Fate.UNVOICED
        self._end_current(fate)

    def _cut(self, fate: Fate) -> None:
        self._player.stop()
        if self._current is not None:
            self._end_current(fate)

    def _end_current(self, fate: Fate) -> None:
        assert self._current is not None
        prompt, started_s = self._current.item.prompt, self._current.started_s
        self._current = None
        self.spoken.append(Spoken(prompt, started_s, self._clock(), fate))
        if fate is not Fate.REPEATED:
            self._settled.append((prompt, fate is Fate.HEARD))

    def _drop_waiting_below(self, urgency: Urgency) -> None:
        kept = []
        for item in self._waiting:
            if item.prompt.urgency < urgency:
                self._leave_out(item.prompt, Fate.DROPPED)
            else:
                kept.append(item)
        self._waiting = kept

    def _leave_out(self, prompt: Prompt, fate: Fate) -> None:
        now_s = self._clock()
        self.spoken.append(Spoken(prompt, now_s, now_s, fate))
        self._settled.append((prompt, False))

    def _report(self) -> None:
        """Tell ``on_spoken``, once all is in order: it may call ``say`` in turn."""
        while self._settled:
            prompt, completed = self._settled.popleft()
            if self.on_spoken is not None:
                self.on_spoken(prompt, completed)


def _asks(prompt: Prompt) -> bool:
    """Whether a prompt is the question of a step, and no entry that is noted aloud."""
    return prompt.urgency is Urgency.STEP and prompt.entry is None

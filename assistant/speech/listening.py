"""Frames in, intents out: everything between the microphone and the case.

A frame goes two ways. The urgent words are listened for at once, always. The ear that
cuts utterances gets the frames in order, but waits while the recogniser is still at the
last one; so what is heard does not depend on how long it takes, and a recogniser that
hangs holds up neither a "stop" nor the timers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from assistant.progress import intents as it
from assistant.progress.state import Timer
from assistant.protocol.moment import Moment
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.speech.attention import Attention, Listen, begins_with
from assistant.speech.hearing import Hearing
from assistant.speech.listeners import AtOnce, Lost, Recogniser
from assistant.speech.look import FirstLook, silence_s
from assistant.speech.others import Others
from assistant.words.grammar import Grammar, Language
from assistant.words.recognised import Recognised
from assistant.words.understand import understand

if TYPE_CHECKING:  # they load the recogniser, which typed work does without
    from assistant.sound.echo import Echo
    from assistant.speech.ear import Utterance
    from assistant.speech.urgent import Spotted

FRAME_S = FRAME_SAMPLES / RATE_HZ

STOP_ONCE_S = 1.5
"""A "stop" is heard by two ears; within this time it is the same one."""

STOP_TWICE_S = 1.3
"""Longest time between the two words of "stop stop"."""

HELD_S = 10.0
"""Most sound that waits for the recogniser; older is let go. Its watchdog is faster."""


@dataclass(frozen=True, slots=True)
class Said:
    """An utterance was understood (or was unclear): ``heard`` is what it sounded like among
    what ``grammar`` has; it ended at ``ended_s``, by the case's monotonic clock."""

    intent: it.AnyIntent
    heard: Recognised
    grammar: Grammar
    ended_s: float


@dataclass(frozen=True, slots=True)
class Urgent:
    """An urgent word, and when it was begun."""

    word: str
    began: Moment


@dataclass(frozen=True, slots=True)
class Overheard:
    """Somebody spoke, but not to the assistant: a light on the screen, and no more."""


@dataclass(frozen=True, slots=True)
class TapUnused:
    """Nobody spoke in the time that a tap has opened."""


Outcome = Said | Urgent | Overheard | TapUnused | Lost


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A frame on its way to the ear, and how things stood when it came."""

    frame: Samples
    deaf: bool
    afresh: bool
    now: Moment
    audio_s: float


@dataclass(frozen=True, slots=True)
class _Question:
    utterance: Utterance
    grammar: Grammar
    began: Moment


class Listening:
    """The ears of one sitting.

    Args:
        hearing: the ears themselves.
        language: the words.
        grammar: the grammar of the present step, with the word given before each phrase.
        timer: the one that runs now.
        echo: knows the assistant's own voice; None where the microphone cannot hear it.
    """

    def __init__(
        self,
        hearing: Hearing,
        language: Language,
        grammar: Callable[[str], Grammar],
        timer: Callable[[], Timer | None],
        echo: Echo | None = None,
    ) -> None:
        self.attention = Attention(hearing.listen)
        self.deaf = False
        """Whether the last frame was not listened to, because sound was coming out."""
        self._speaking = self._spotting = False
        self._hearing = hearing
        self._recogniser: Recogniser = hearing.recogniser or AtOnce(hearing.listener)
        self._urgent_words = language.phrases.urgent
        self._attention_word = language.phrases.attention.word
        self._grammar = grammar
        self._timer = timer
        self.echo = echo
        self._look = FirstLook()
        self._others = Others()
        self._last_stop_s = self._first_stop_s = -60.0
        self._audio_s = 0.0
        self._ear_since_s = 0.0
        self._waiting: deque[_Waiting] = deque()
        self._question: _Question | None = None

    @property
    def word(self) -> str:
        """The word that every spoken phrase must begin with, if any."""
        return self._attention_word if self.attention.mode is Listen.ATTENTION else ""

    @property
    def called_only(self) -> bool:
        """Whether what is said now is for the assistant only after its word or a tap."""
        return bool(self.word) or not self.attention.listens

    @property
    def in_speech(self) -> bool:
        """Whether someone is speaking now."""
        return self._hearing.ear.in_speech

    @property
    def asking(self) -> bool:
        """Whether the recogniser has been asked and has not answered yet."""
        return self._question is not None

    # -- what comes in ------------------------------------------------------

    def push(
        self, frame: Samples, now: Moment, *, speaking: bool, talking: bool
    ) -> Iterator[Outcome]:
        """One frame of 30 ms. What follows is to be acted upon as it comes.

        Args:
            frame: from the microphone.
            now: the present moment.
            speaking: whether any sound comes out now.
            talking: whether a prompt does, and not a bare chime.
        """
        self._audio_s += FRAME_S
        self._speaking = speaking
        spotted, deaf, afresh, timing = None, False, False, self._timing()
        try:
            cleaned = frame
            if self.echo is not None:
                cleaned = self.echo.push(frame, now.mono_s)
                deaf = self.echo.deaf(speaking, now.mono_s)
            elif talking:
                # An earpiece keeps us out of the microphone: whoever answers over a prompt
                # is heard. After a tap, one who lets us finish has the same time.
                self.attention = self.attention.held_up(FRAME_S)
            afresh = deaf != self.deaf  # what it heard of us must not be taken for the room
            spotting = deaf or timing or (speaking and self.echo is None)
            if spotting != self._spotting and not timing:
                self._hearing.urgent.reset()
            self._spotting = spotting
            if spotting:
                spotted = self._hearing.urgent.push(cleaned)
        except Exception as error:
            yield _failed(error)
        self.deaf = deaf
        if spotted is not None and self._acts_on(spotted, now):
            yield Urgent(spotted.word, _before(now, spotted.ago_s))
        self._waiting.append(_Waiting(frame, deaf, afresh, now, self._audio_s))
        if len(self._waiting) * FRAME_S > HELD_S:
            self.afresh()
            yield Lost("The recogniser is late, and what was said is lost: say that again.")
        yield from self.work()

    def work(self) -> Iterator[Outcome]:
        """Go on with what waits: an answer of the recogniser, then the frames behind it."""
        while True:
            if self._question is not None:
                answer = self._recogniser.answer()
                if answer is None:
                    return
                asked, self._question = self._question, None
                yield from self._answered(asked, answer)
            elif self._waiting:
                yield from self._listen(self._waiting.popleft())
            else:
                if (lost := self._recogniser.tend()) is not None:
                    yield lost
                return

    def flush(self, now: Moment) -> Iterator[Outcome]:
        """The sound has ended: what was being said is over."""
        last = self._hearing.ear.flush()
        if last is not None and not self._is_echo(last, self._audio_s):
            yield from self._utterance(last, now, self._audio_s)
        yield from self.work()

    def tap(self, now: Moment) -> bool:
        """The pedal: listen to the next utterance. False where there is no pedal."""
        if self.attention.mode is not Listen.PEDAL:
            return False
        self.attention = self.attention.tapped(now.mono_s)
        self.afresh()
        return True

    def afresh(self) -> None:
        """Forget what is being said, as after a gap in the sound."""
        self._waiting.clear()
        self._restart(self._audio_s)

    def _timing(self) -> bool:
        return self._timer() is not None

    # -- urgent words -------------------------------------------------------

    def _acts_on(self, spotted: Spotted, now: Moment) -> bool:
        """Whether an urgent word counts: "stop", while we speak or a timer runs."""
        began_s = now.mono_s - spotted.ago_s
        if began_s - self._last_stop_s < STOP_ONCE_S:
            return False
        if not self._timing():
            if spotted.word not in self._urgent_words.always:
                return False  # "release" ends a timer and nothing else
            if self.echo is not None and not self._stop_twice(began_s):
                return False
        self._last_stop_s = began_s
        return True

    def _stop_twice(self, began_s: float) -> bool:
        """Through a loudspeaker the room hears the assistant, whose own words can pass
        for one "stop"; two in a row cannot."""
        before, self._first_stop_s = self._first_stop_s, began_s
        return began_s - before < STOP_TWICE_S

    def _silences(self, intent: it.AnyIntent, began: Moment) -> bool:
        """Whether this is a "stop" over a prompt that the urgent ear has not heard yet."""
        stop = isinstance(intent, it.Command) and intent.verb == "stop"
        if not stop or not self._speaking or self._timing() or self._stop_again(intent, began):
            return False
        self._last_stop_s = began.mono_s
        return True

    def _stop_again(self, intent: it.AnyIntent, began: Moment) -> bool:
        """Whether this is the "stop" that the urgent ear has already acted on."""
        if not (isinstance(intent, it.Command) and intent.verb == "stop"):
            return False
        return not self._timing() and abs(began.mono_s - self._last_stop_s) < STOP_ONCE_S

    # -- utterances ---------------------------------------------------------

    def _listen(self, one: _Waiting) -> Iterator[Outcome]:
        """A frame reaches the ear."""
        try:
            if one.afresh:
                self._restart(one.audio_s)
            if one.deaf:
                self.attention = self.attention.held_up(FRAME_S)
                return
            if not self.attention.listens:
                return
            ear = self._hearing.ear
            spoke = ear.in_speech
            utterance = ear.push(one.frame)
            if ear.in_speech and not spoke:
                # The step's graph is made while the phrase is being said.
                self._recogniser.expect(self._grammar(self.word))
            if utterance is not None and self._is_echo(utterance, one.audio_s):
                return
        except Exception as error:
            yield _failed(error)
            self._hearing.ear.reset()
            return
        if utterance is not None:
            yield from self._utterance(utterance, one.now, one.audio_s)
        elif self.attention.lapsed(one.now.mono_s, in_speech=ear.in_speech):
            self.attention = self.attention.shut()
            yield TapUnused()

    def _utterance(
        self, utterance: Utterance, now: Moment, audio_s: float
    ) -> Iterator[Outcome]:
        began = _before(now, audio_s - (self._ear_since_s + utterance.started_s))
        if utterance.final:
            takes = self.attention.takes(began.mono_s)
            self.attention = self.attention.shut()
            if not takes:
                yield TapUnused()
                return
        question = _Question(utterance, self._grammar(self.word), began)
        known = self._look.known(question.grammar, utterance)
        if known is not None:
            yield from self._recognised(question, known)
        else:
            self._question = question
            self._recogniser.ask(question.grammar, utterance.samples)

    def _answered(self, asked: _Question, answer: Recognised | Lost) -> Iterator[Outcome]:
        if isinstance(answer, Lost):
            # Never the same sound twice: it may be what the recogniser fails at.
            if not asked.utterance.final:
                self._hearing.ear.drop()
            yield answer
            return
        heard = self._look.keep(asked.grammar, asked.utterance, answer)
        yield from self._recognised(asked, heard)

    def _recognised(self, asked: _Question, heard: Recognised) -> Iterator[Outcome]:
        """Take it if it is over and for us; after a first look the ear knows what to wait
        for."""
        trust = self._hearing.trust
        if asked.utterance.final and self.word and not self._called(heard, asked.utterance):
            return  # talk in the room: neither answered nor kept
        intent = understand(heard, asked.grammar, trust, began=asked.began)
        if not asked.utterance.final:
            self._hearing.ear.wait(silence_s(intent, heard, asked.grammar, trust))
        elif self.attention.mode is Listen.OPEN and self._others.mean(
            intent, heard, trust, asked.began.mono_s, asked.utterance
        ):
            yield Overheard()
        elif self._silences(intent, asked.began):
            yield Urgent(heard.text, asked.began)
        elif not self._stop_again(intent, asked.began):
            said = asked.utterance
            ended_s = asked.began.mono_s + said.ended_s - said.started_s
            yield Said(intent, heard, asked.grammar, ended_s)

    def _called(self, recognised: Recognised, utterance: Utterance) -> bool:
        """Whether an utterance begins with the attention word: the recogniser is sure
        of it, or the spotter hears the word itself."""
        sure = recognised.confidence >= self._hearing.trust.accept
        if sure and begins_with(recognised.text, self.word):
            return True
        called = self._hearing.called
        return called is not None and called.begins(utterance.samples)

    def _is_echo(self, utterance: Utterance, audio_s: float) -> bool:
        if self.echo is None:
            return False
        ended_ago_s = audio_s - (self._ear_since_s + utterance.ended_s)
        return self.echo.repeats(utterance.samples, ended_ago_s)

    def _restart(self, audio_s: float) -> None:
        self._hearing.ear.restart()
        self._ear_since_s = audio_s


def _failed(error: Exception) -> Lost:
    """Whatever a library raises in the ear must not end the case."""
    return Lost(f"Listening failed ({error}) and goes on: say that again.")


def _before(now: Moment, ago_s: float) -> Moment:
    """The moment of what was heard ``ago_s`` before ``now``."""
    return Moment(wall=now.wall - timedelta(seconds=ago_s), mono_s=now.mono_s - ago_s)

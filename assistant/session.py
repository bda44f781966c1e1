"""The loop around the core: frames in, sentences out, the journal in between.

Everything here is effect. What follows from an utterance is decided in
``procedure/decide.py``; what is said about it in ``prompt/wording.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from assistant.clock import Clock
from assistant.errors import DeviceLost, RecordUnwritable
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.moment import Moment
from assistant.prompt import chimes
from assistant.prompt.countdown import cues
from assistant.prompt.mouth import Mouth, Verbosity
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.sayings import Wording
from assistant.prompt.wording import respond
from assistant.record.casefile import CaseFile
from assistant.screen.port import Screen
from assistant.speech.attention import Attention, Listen, begins_with
from assistant.speech.audio import FRAME_SAMPLES, RATE_HZ, AudioSource
from assistant.speech.expected import wanted_now
from assistant.speech.grammar import Grammar, Language
from assistant.speech.hearing import Hearing
from assistant.speech.listeners import Heard, Samples
from assistant.speech.look import FirstLook, settled
from assistant.speech.understand import understand, understand_typed

if TYPE_CHECKING:  # they load the recogniser, which typed work does without
    from assistant.speech.echo import Echo
    from assistant.speech.frontend import Utterance
    from assistant.speech.urgent import Spotted

FRAME_S = FRAME_SAMPLES / RATE_HZ
STOP_ONCE_S = 1.5
"""A "stop" is heard by two ears; within this time it is the same one."""

STOP_TWICE_S = 1.3
"""Longest time between the two words of "stop stop"."""

VERBOSITY = {
    "say_all": Verbosity.FULL,
    "say_less": Verbosity.BRIEF,
    "say_warnings": Verbosity.WARNINGS_ONLY,
}


class Session:
    """One sitting with one case. ``run`` returns when the case is signed or the
    input has ended; the case can be reopened after that."""

    def __init__(
        self,
        case: CaseFile,
        clock: Clock,
        *,
        mouth: Mouth,
        screen: Screen,
        language: Language,
        wording: Wording,
        hearing: Hearing | None = None,
        echo: Echo | None = None,
        read_back_on_screen: bool = False,
    ) -> None:
        self.case = case
        self.clock = clock
        self.mouth = mouth
        self.screen = screen
        self.language = language
        self.wording = wording
        self.hearing = hearing
        self.echo = echo  # none where an earpiece keeps the assistant out of the microphone
        self.read_back_on_screen = read_back_on_screen
        self.typed: SimpleQueue[str | None] = SimpleQueue()
        mouth.on_spoken = self.spoken
        self.on_taken: Callable[[it.AnyIntent, tuple[ev.AnyEvent, ...]], None] | None = None
        self._grammars: dict[object, Grammar] = {}
        self._look = FirstLook()
        self._last_tick = clock.now()
        self._last_stop_s = -STOP_ONCE_S
        self._first_stop_s = -STOP_TWICE_S
        self._was_deaf = False
        self._told_trouble: str | None = None
        self._audio_s = 0.0
        self._ear_since_s = 0.0
        self._attention = Attention(hearing.listen if hearing else Listen.OPEN)

    # -- the two loops ------------------------------------------------------

    def run(self, source: AudioSource | None) -> None:
        """Work through ``source`` and the typed lines until either says it is over."""
        self.greet()
        try:
            if source is not None:
                self._listen(source)
        except DeviceLost as lost:
            self.trouble(f"{lost} Typed lines still work.")
            source = None
        if source is None:
            self._type()

    def _listen(self, source: AudioSource) -> None:
        for frame in source.frames():
            self.hear(frame)
            if not self._drain_typed() or not self._goes_on():
                break
        if self.hearing and (last := self.hearing.ear.flush()):
            self._utterance(last)

    def _type(self) -> None:
        while self._goes_on():
            try:
                line = self.typed.get(timeout=FRAME_S)
            except Empty:
                self.pass_time()
                continue
            if line is None:
                break
            self.read(line)

    def _goes_on(self) -> bool:
        """Until the note is signed and the room has heard so."""
        return self.case.state.signed is None or self.mouth.speaking

    def _drain_typed(self) -> bool:
        while True:
            try:
                line = self.typed.get_nowait()
            except Empty:
                return True
            if line is None:
                return False
            self.read(line)

    # -- one thing at a time ------------------------------------------------

    def greet(self) -> None:
        """Say where the case stands, before anything is heard."""
        state = self.case.state
        self.screen.show_step(state)
        self._say(self._how_to_be_heard())
        reopened = ev.CaseReopened(at=self.clock.now(), note="")
        if state.entries:
            self._say(respond((reopened,), state, self.wording))
        else:
            intent = it.Command(verb="repeat", heard=it.Heard(channel="clock"))
            self.take(intent)

    def hear(self, frame: Samples) -> None:
        """One frame from the microphone (30 ms)."""
        self.clock.advance(FRAME_S)
        self._audio_s += FRAME_S
        self.pass_time()
        if self.hearing is None:
            return
        now_s = self.clock.now().mono_s
        cleaned, deaf = frame, self._speaking()
        if self.echo is not None:
            cleaned = self.echo.push(frame, now_s)
            deaf = self.echo.deaf(deaf, now_s)
        timing = self.case.state.timer is not None
        if deaf != self._was_deaf:
            # What the room heard of us must not be taken for the room.
            self._listen_afresh()
            if not timing:  # a "stop" may straddle the numbers of a countdown
                self.hearing.urgent.reset()
            self._was_deaf = deaf
        listening_for_stop = deaf or timing
        if listening_for_stop and (spotted := self.hearing.urgent.push(cleaned)) is not None:
            self._urgent(spotted)
        if deaf:
            self._attention = self._attention.held_up(FRAME_S)
        elif self._attention.listens:
            utterance = self.hearing.ear.push(frame)
            if utterance is not None:
                self._utterance(utterance)
            elif self._attention.lapsed(now_s, in_speech=self.hearing.ear.in_speech):
                self._tap_unused()

    def tap(self) -> None:
        """The pedal: be quiet, and listen to the next utterance (``--listen pedal``)."""
        if self.hearing is None or self._attention.mode is not Listen.PEDAL:
            return
        self._attention = self._attention.tapped(self.clock.now().mono_s)
        if self.mouth.speaking:
            self.mouth.hush()
        self._listen_afresh()
        self.mouth.sound(chimes.listening())

    def pass_time(self) -> None:
        """Timers, countdown and speech go on."""
        now = self.clock.now()
        timer = self.case.state.timer
        if timer is not None:
            counted = list(cues(timer, self._last_tick, now))
            if timer.mode == "hold":
                self._say(counted)
            elif counted:
                # Shown, not said: "heat off" must find the room quiet.
                self.screen.show_prompts(counted)
            if now.mono_s - timer.started.mono_s >= timer.target_s:
                self.take(it.Tick())
        self._last_tick = now
        self.mouth.pump()
        if self.mouth.trouble and self.mouth.trouble != self._told_trouble:
            self._told_trouble = self.mouth.trouble
            self.screen.show_trouble(self.mouth.trouble)

    def read(self, line: str) -> None:
        """One typed line; an empty one is a tap."""
        if not line.strip():
            self.tap()
        else:
            self.take(understand_typed(line, self.grammar()))

    def trouble(self, text: str) -> None:
        """Something failed: on the record, on the screen, and aloud if possible."""
        self.screen.show_trouble(text)
        self.take(it.Trouble(text=text, heard=it.Heard(channel="clock")))

    def take(self, intent: it.AnyIntent) -> None:
        """Let the case decide, then say and show what follows."""
        now = self.clock.now()
        try:
            events = self.case.take(intent, now)
        except RecordUnwritable as bad:
            self.screen.show_trouble(f"{bad} The last entry was not stored.")
            text = "Not stored: the record cannot be written."
            self._say([Prompt(text, Urgency.WARNING)])
            return
        for event in events:
            if isinstance(event, ev.Queried) and event.what in VERBOSITY:
                self.mouth.verbosity = VERBOSITY[event.what]
        state = self.case.state
        brief = self.mouth.verbosity is not Verbosity.FULL
        if any(isinstance(event, ev.NotUnderstood) for event in events):
            self.mouth.sound(chimes.not_understood())
        self._say(respond(events, state, self.wording, brief=brief))
        if events:
            self.screen.show_step(state)
        if self.on_taken is not None:
            self.on_taken(intent, events)

    def spoken(self, prompt: Prompt, completed: bool) -> None:
        """Called by the mouth: a read-back that reached the room goes on record.

        In silent mode the screen is how it reaches the room.
        """
        if prompt.entry is not None and (completed or self.read_back_on_screen):
            self.take(it.ReadOut(seq=prompt.entry))

    def grammar(self, attention: str = "") -> Grammar:
        """The grammar of the present step, with the word before every phrase if given."""
        wanted = wanted_now(self.case.state, attention)
        if wanted not in self._grammars:
            self._grammars[wanted] = Grammar(self.language, wanted)
        return self._grammars[wanted]

    # -- hearing ------------------------------------------------------------

    def _urgent(self, spotted: Spotted) -> None:
        """ "Stop", while we speak or a timer runs: quiet, and end the timer."""
        assert self.hearing is not None
        word, now = spotted.word, self._before(spotted.ago_s)
        always = word in self.language.phrases.urgent.always
        if now.mono_s - self._last_stop_s < STOP_ONCE_S:
            return
        if self.case.state.timer is None:
            if not always:
                return  # "release" ends a timer and nothing else
            if self.echo is not None and not self._stop_twice(now):
                return
        self._last_stop_s = now.mono_s
        self.mouth.hush()
        self.screen.show_heard(Heard(word, 1.0, listener="urgent"), "command")
        if self.case.state.timer is not None:
            heard = it.Heard(text=word, channel="voice", began=now)
            self.take(it.Command(verb="stop", heard=heard))
        else:
            self.mouth.sound(chimes.tick())

    def _stop_twice(self, now: Moment) -> bool:
        """Through a loudspeaker the room hears the assistant, whose own words can pass
        for one "stop"; two in a row cannot."""
        before, self._first_stop_s = self._first_stop_s, now.mono_s
        return now.mono_s - before < STOP_TWICE_S

    def _utterance(self, utterance: Utterance) -> None:
        assert self.hearing is not None
        began = self._before(self._audio_s - (self._ear_since_s + utterance.started_s))
        if self._is_echo(utterance):
            return
        if not utterance.final:
            self._glance(utterance, began)
            return
        if not self._attention.takes(began.mono_s):
            self._tap_unused()
            return
        self._attention = self._attention.shut()
        grammar = self.grammar(self._word)
        recognised = self._look.hear(
            self.hearing.listener, grammar, utterance, self.hearing.trust
        )
        if self._word and not self._called(recognised, utterance):
            return  # talk in the room: neither answered nor kept
        self._heard(
            understand(recognised, grammar, self.hearing.trust, began=began), recognised
        )

    def _glance(self, utterance: Utterance, began: Moment) -> None:
        """Recognise what may go on; take it now if it is surely complete."""
        assert self.hearing is not None
        grammar = self.grammar(self._word)
        recognised = self._look.hear(
            self.hearing.listener, grammar, utterance, self.hearing.trust
        )
        intent = understand(recognised, grammar, self.hearing.trust, began=began)
        enough = settled(intent, recognised, grammar, self.hearing.trust)
        if enough and self._attention.mode is Listen.OPEN:
            self.hearing.ear.take()
            self._heard(intent, recognised)

    def _heard(self, intent: it.AnyIntent, recognised: Heard) -> None:
        began = intent.heard.began
        if began is not None and self._stop_again(intent, began):
            return
        self.screen.show_heard(recognised, type(intent).__name__.lower())
        self.take(intent)

    @property
    def _word(self) -> str:
        """The word that every spoken phrase must begin with, if any."""
        wanted = self._attention.mode is Listen.ATTENTION
        return self.language.phrases.attention.word if wanted else ""

    def _called(self, recognised: Heard, utterance: Utterance) -> bool:
        """Whether an utterance begins with the attention word: the recogniser is sure
        of it, or the spotter hears the word itself."""
        assert self.hearing is not None
        sure = recognised.confidence >= self.hearing.trust.accept
        if sure and begins_with(recognised.text, self._word):
            return True
        return self.hearing.called is not None and self.hearing.called.begins(utterance.samples)

    def _is_echo(self, utterance: Utterance) -> bool:
        if self.echo is None:
            return False
        ended_ago_s = self._audio_s - (self._ear_since_s + utterance.ended_s)
        return self.echo.repeats(utterance.samples, ended_ago_s)

    def _speaking(self) -> bool:
        """Whether the microphone is not listened to because sound comes out.

        After a tap the chime is one that only an earpiece has, so whoever speaks at
        once is heard.
        """
        if self._attention.until_s is not None and self.echo is None:
            return self.mouth.talking
        return self.mouth.speaking

    def _listen_afresh(self) -> None:
        assert self.hearing is not None
        self.hearing.ear.restart()
        self._ear_since_s = self._audio_s

    def _tap_unused(self) -> None:
        self._attention = self._attention.shut()
        self.mouth.sound(chimes.not_listening())

    def _how_to_be_heard(self) -> list[Prompt]:
        """What the greeting says about the listening mode."""
        template = self.wording.notices.get(f"listen_{self._attention.mode}", "")
        text = template.format(word=self.language.phrases.attention.word)
        return [Prompt(text, Urgency.READ_BACK)] if text else []

    def _before(self, ago_s: float) -> Moment:
        """The moment of what was heard ``ago_s`` ago."""
        now = self.clock.now()
        return Moment(wall=now.wall - timedelta(seconds=ago_s), mono_s=now.mono_s - ago_s)

    def _stop_again(self, intent: it.AnyIntent, began: Moment) -> bool:
        """Whether this is the "stop" that the urgent ear has already acted on."""
        if not (isinstance(intent, it.Command) and intent.verb == "stop"):
            return False
        return self.case.state.timer is None and abs(began.mono_s - self._last_stop_s) < (
            STOP_ONCE_S
        )

    def _say(self, prompts: Sequence[Prompt]) -> None:
        if prompts:
            self.screen.show_prompts(prompts)
            self.mouth.say(prompts)

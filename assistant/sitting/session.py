"""The loop around the core: frames in, sentences out, the journal in between.

Everything here is effect. What follows from an utterance is decided in
``procedure/decide.py``; what is said about it in ``prompt/wording.py``.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from assistant.case.casefile import CaseFile
from assistant.clock import Clock
from assistant.errors import DeviceLost, RecordUnwritable
from assistant.procedure.timing import due
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import Timer
from assistant.prompt import chimes
from assistant.prompt.countdown import cues
from assistant.prompt.mouth import VERBOSITY, Mouth, Verbosity
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.protocol.moment import Moment
from assistant.screen.port import Entered, Screen
from assistant.sitting.clockwatch import clock_was_set, stood_still
from assistant.sitting.cut_number import CutNumber
from assistant.sitting.microphone_watch import SELDOM_S, MicrophoneWatch
from assistant.sitting.seldom import Seldom
from assistant.sitting.turn import Turn
from assistant.sound.live import Back, Ended, Gone, Live
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.sound.sources import AudioSource
from assistant.speech.attention import Listen
from assistant.speech.hearing import Hearing
from assistant.speech.listeners import Lost
from assistant.speech.listening import Listening, Outcome, Overheard, Said, TapUnused, Urgent
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, Language, grammar_of
from assistant.words.recognised import Recognised
from assistant.words.sayings import Wording
from assistant.words.understand import understand_typed

if TYPE_CHECKING:  # it loads the recogniser, which typed work does without
    from assistant.sound.echo import Echo

FRAME_S = FRAME_SAMPLES / RATE_HZ

ASKING_S = 0.005
"""Wait for the next frame while the recogniser may answer at any moment."""

TICK_AGAIN_S = 1.0
"""Wait before the end of a timer that could not be stored is tried again."""

SLOW_DISK_S = 1.0
"""Longer than this, whoever waits for an answer is told why."""

_GOES_ON = (ev.StepReached, ev.TimerStarted, ev.TrackSelected)
"""After these the question that may still be spoken has had its answer."""


class Session:
    """One sitting with one case. ``run`` returns when the case is signed or closed for
    today, or the input has ended; the case can be reopened after that."""

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
        self.read_back_on_screen = read_back_on_screen
        self.typed: SimpleQueue[Entered] = SimpleQueue()
        mouth.on_spoken = self.spoken
        mouth.on_begun = screen.show_spoken
        if case.verbosity is not None:
            mouth.verbosity = VERBOSITY[case.verbosity]
        self.on_pass: Callable[[], None] | None = None
        """Called on every pass of the loop; one that stays away tells that it is stuck."""
        self.on_taken: Callable[[it.AnyIntent, tuple[ev.AnyEvent, ...]], None] | None = None
        self.on_pair: Callable[[], None] | None = None
        """Shows codes for one more screen; None where no page is served."""
        self.prepared: it.Prepare | None = None
        """The set-up of a new case; told to it before the first question, which it may
        answer."""
        self.listening: Listening | None = None
        if hearing is not None:
            if not clock.real:  # time stands still until the recogniser has answered
                hearing = replace(hearing, recogniser=None)
            self.listening = Listening(hearing, language, self.grammar, self._timer, echo)
        self._last_tick = clock.now()
        self._tick_again_s = 0.0
        self._told_trouble: str | None = None
        self._seldom = Seldom()
        self._cut = CutNumber()
        self._turn = Turn(mouth)
        self._watch = MicrophoneWatch(screen, self.listening, clock.seconds)

    # -- the loops ----------------------------------------------------------

    def run(self, source: AudioSource | None) -> None:
        """Work through ``source`` and the typed lines until either says it is over."""
        self._last_tick = self.clock.now()
        self.greet()
        if source is None or self.listening is None:
            self._watch.off()
            self._type()
        elif self.clock.real:
            self._live(source, self.listening)
        else:
            self._play(source, self.listening)

    def _live(self, source: AudioSource, listening: Listening) -> None:
        """A microphone, which may go and come; nothing waits for it."""
        # What was loaded stays. To look through it again took the collector 0.1 s, in the
        # middle of a sentence.
        gc.collect()
        gc.freeze()
        if notice := getattr(source, "notice", ""):
            self.trouble(notice)
        live = Live(source)
        try:
            while self._goes_on() and self._drain_typed():
                match live.next(ASKING_S if listening.asking else FRAME_S):
                    case None:
                        self.pass_time()
                        self._watch.show()
                        self._act(listening.work())
                    case Gone() | Back() as event:
                        self._tell(*self._watch.device(event))
                    case Ended():
                        break
                    case frame:
                        for text, every_s in self._watch.frame(frame, live.lost_blocks):
                            self._tell(text, every_s)
                        self.hear(frame)
        finally:
            live.close()

    def _play(self, source: AudioSource, listening: Listening) -> None:
        """A recording or a rehearsal, whose clock is its sound."""
        try:
            for frame in source.frames():
                self.hear(frame)
                if not self._drain_typed() or not self._goes_on():
                    break
            self._act(listening.flush(self.clock.now()))
        except DeviceLost as lost:
            self._tell(*self._watch.device(Gone(str(lost))))
            self._type()

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
        """Until the note is signed, or the visit closed, and the room has heard so."""
        over = self.case.state.signed is not None or self.case.state.resting
        return not over or self.mouth.busy

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
        if state.entries:
            reopened = ev.CaseReopened(at=self.clock.now(), note="")
            self._say(respond(self.case.reopening or (reopened,), state, self.wording))
        else:
            if self.prepared is not None:
                self.take(self.prepared)
            if self.case.state.entries:
                return
            intent = it.Command(verb="repeat", heard=it.Heard(channel="clock"))
            self.take(intent)

    def hear(self, frame: Samples) -> None:
        """One frame from the microphone (30 ms)."""
        self.clock.advance(FRAME_S)
        now = self.pass_time()
        if self.listening is None:
            return
        speaking, talking = self.mouth.speaking, self.mouth.talking
        self._act(self.listening.push(frame, now, speaking=speaking, talking=talking))
        self._watch.show()

    def tap(self) -> None:
        """The pedal: be quiet, and listen to the next utterance (``--listen pedal``)."""
        if self.listening is not None and self.listening.tap(self.clock.now()):
            if self.mouth.speaking:
                self.mouth.hush()
            self.mouth.sound(chimes.listening())

    def pass_time(self) -> Moment:
        """Timers, countdown and speech go on; returns the moment it is now."""
        if self.on_pass is not None:
            self.on_pass()
        now = self.clock.now()
        if self.clock.real:
            self._compare_clocks(now)
        timer = self.case.state.timer
        if timer is not None:
            counted = list(cues(timer, self._last_tick, now))
            if timer.mode == "hold":
                self._say(counted)
            elif counted:
                # Shown, not said: "heat off" must find the room quiet.
                self.screen.show_prompts(counted)
        if due(self.case.state, now) and now.mono_s >= self._tick_again_s:
            self.take(it.Tick())
        self._last_tick = now
        in_speech = self.listening is not None and self.listening.in_speech
        self._turn.passes(now.mono_s, in_speech=in_speech, timing=timer is not None)
        self.mouth.pump()
        if self.mouth.trouble != self._told_trouble:
            self._told_trouble = self.mouth.trouble
            self.trouble(self._told_trouble or "Prompts can be heard again.")
        return now

    def read(self, line: str | it.Prepare) -> None:
        """One typed line; an empty one is a tap. Or a set-up from the page."""
        if isinstance(line, it.Prepare):
            self.take(line)
        elif not line.strip():
            self.tap()
        else:
            self.take(understand_typed(line, self.grammar()))

    def trouble(self, text: str) -> None:
        """Something failed: on the record, on the screen, and aloud if possible."""
        self.screen.show_trouble(text)
        self.take(it.Trouble(text=text, heard=it.Heard(channel="clock")))

    def take(self, intent: it.AnyIntent) -> tuple[ev.AnyEvent, ...]:
        """Let the case decide, then say and show what follows; returns it."""
        now = self.clock.now()
        try:
            events = self.case.take(intent, now)
        except RecordUnwritable as bad:
            self._not_stored(intent, bad, now)
            return ()
        took_s = self.clock.now().mono_s - now.mono_s
        if took_s > SLOW_DISK_S:
            self.screen.show_trouble(f"The disk is slow: storing that took {took_s:.0f} s.")
        for event in events:
            if isinstance(event, ev.Queried) and event.what in VERBOSITY:
                self.mouth.verbosity = VERBOSITY[event.what]
            if isinstance(event, ev.Queried) and event.what == "pair":
                self._pair()
        state = self.case.state
        brief = self.mouth.verbosity is not Verbosity.FULL
        if any(isinstance(event, ev.NotUnderstood) for event in events):
            self.mouth.sound(chimes.not_understood())
        if any(isinstance(event, _GOES_ON) for event in events):
            self.mouth.overtaken()
        self._say(respond(events, state, self.wording, brief=brief))
        if events:
            self.screen.show_step(state)
        if self.on_taken is not None:
            self.on_taken(intent, events)
        return events

    def _not_stored(self, intent: it.AnyIntent, bad: RecordUnwritable, now: Moment) -> None:
        """Say so, at once for what somebody said; what time brings is tried again."""
        if isinstance(intent, it.Tick):
            self._tick_again_s = now.mono_s + TICK_AGAIN_S
        if isinstance(intent, it.Tick | it.ReadOut):
            text = "Not stored yet: the record cannot be written."
            if not self._seldom.lets(text, now.mono_s, SELDOM_S):
                return
        else:
            text = "Not stored: the record cannot be written."
        self.screen.show_trouble(f"{bad} {text}")
        self._say([Prompt(text, Urgency.WARNING)])

    def spoken(self, prompt: Prompt, completed: bool) -> None:
        """Called by the mouth: a read-back that reached the room goes on record.

        In silent mode the screen is how it reaches the room.
        """
        if not self.mouth.speaking:
            self.screen.show_spoken(None)
        if prompt.entry is not None and (completed or self.read_back_on_screen):
            self.take(it.ReadOut(seq=prompt.entry))

    def grammar(self, attention: str = "") -> Grammar:
        """The grammar of the present step, with the word before every phrase if given."""
        return grammar_of(self.language, wanted_now(self.case.state, attention))

    # -- what is heard, and what fails -----------------------------------------

    def _act(self, outcomes: Iterable[Outcome]) -> None:
        """One after another: what follows from one decides how the next is heard."""
        for outcome in outcomes:
            match outcome:
                case Said():
                    said = self._cut.whole(outcome)
                    self.screen.show_heard(said.heard, type(said.intent).__name__.lower())
                    self._turn.said(said, self.clock.now().mono_s)
                    self._cut.taken(said, self.take(said.intent))
                case Urgent(word=word, began=began):
                    self._urgent(word, began)
                case Overheard():
                    self._watch.overheard()
                case TapUnused():
                    self.mouth.sound(chimes.not_listening())
                case Lost(why=why, said=said):
                    if not self._tell(why, SELDOM_S) and said:
                        self._say([Prompt("Say that again.", Urgency.QUESTION)])

    def _urgent(self, word: str, began: Moment) -> None:
        """ "Stop", while we speak or a timer runs: quiet, and end the timer."""
        self.mouth.hush()
        self.screen.show_heard(Recognised(word, 1.0, listener="urgent"), "command")
        if self._timer() is not None:
            heard = it.Heard(text=word, channel="voice", began=began)
            self.take(it.Command(verb="stop", heard=heard))
        else:
            self.mouth.sound(chimes.tick())

    def _compare_clocks(self, now: Moment) -> None:
        """Both clocks since the last look: what they tell goes on record."""
        before, self._last_tick = self._last_tick, now
        if (text := clock_was_set(before, now)) is not None:
            self.trouble(text)
        if (text := stood_still(before, now)) is None:
            self._last_tick = before
        elif self.case.state.signed is None:
            # As after a restart: a timer that ran is void, a question forgotten.
            self.take(it.Reopen(note=text, heard=it.Heard(channel="clock")))
            self.screen.show_trouble(text)
            if self.listening is not None:
                self.listening.afresh()

    def _tell(self, text: str, every_s: float) -> bool:
        """A trouble that may come again and again; whether it is told now."""
        if not self._seldom.lets(text, self.clock.now().mono_s, every_s):
            self.screen.show_trouble(text)
            return False
        self.trouble(text)
        return True

    def _pair(self) -> None:
        if self.on_pair is not None:
            self.on_pair()
        else:
            self.screen.show_trouble("No page is served; begin again with --screen.")

    # -- small things -----------------------------------------------------------

    def _timer(self) -> Timer | None:
        return self.case.state.timer

    def _how_to_be_heard(self) -> list[Prompt]:
        """What the greeting says about the listening mode."""
        mode = self.listening.attention.mode if self.listening else Listen.OPEN
        template = self.wording.notices.get(f"listen_{mode}", "")
        text = template.format(word=self.language.phrases.attention.word)
        return [Prompt(text, Urgency.READ_BACK)] if text else []

    def _say(self, prompts: Sequence[Prompt]) -> None:
        if prompts:
            self.screen.show_prompts(prompts)
            self.mouth.say(prompts)

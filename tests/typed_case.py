"""A rehearsed case typed line by line, on a clock of its own: events, prompts, state."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from typical_case import START

from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import opened
from assistant.progress.state import CaseState
from assistant.prompt.wording import respond
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.sitting.rehearsal import Line
from assistant.words.expected import wanted_now
from assistant.words.grammar import Language, grammar_of
from assistant.words.sayings import Wording
from assistant.words.understand import understand_typed


class TypedCase:
    """Types ``lines``; timers end, or are ended, when the lines say so."""

    def __init__(
        self, protocol: Protocol, language: Language, wording: Wording, code: str = "T-7"
    ) -> None:
        self.language, self.wording = language, wording
        self.elapsed_s = 0.0
        first = ev.CaseOpened(
            at=self.now(),
            case_code=code,
            operator="Operator A",
            demo=True,
            program="test",
            protocol=protocol,
        )
        self.events: list[ev.AnyEvent] = [first]
        self.said: list[str] = []
        self.state: CaseState = opened(first)

    def now(self) -> Moment:
        return Moment(wall=START + timedelta(seconds=self.elapsed_s), mono_s=self.elapsed_s)

    def type(self, lines: Iterable[Line | str]) -> CaseState:
        for line in lines:
            one = Line(say=line) if isinstance(line, str) else line
            timer = self.state.timer
            if timer is not None and one.after_s is not None:
                self.elapsed_s = round(timer.started.mono_s + one.after_s, 3)
            elif timer is not None and one.wait_for_timer:
                self.elapsed_s = round(timer.started.mono_s + timer.target_s + 0.01, 3)
                self._take(it.Tick())
            self.elapsed_s = round(self.elapsed_s + 2.0 * (one.after_s is None), 3)
            grammar = grammar_of(self.language, wanted_now(self.state))
            self._take(understand_typed(one.say, grammar))
            pending = self.state.pending
            questioned = pending is not None and pending.quantity != "signature"
            if pending is not None and pending.revises is not None:
                questioned = False  # which of the two is a line of its own
            if questioned or self.state.proposed is not None:
                # As a rehearsed operator does, who knows what was meant.
                self._take(it.Command(verb="confirm"))
        return self.state

    def _take(self, intent: it.AnyIntent) -> None:
        decided = decide(self.state, intent, self.now())
        self.events += decided.events
        self.state = decided.state
        for prompt in respond(decided.events, self.state, self.wording):
            self.said.append(prompt.text)
            if prompt.entry is not None:
                heard = decide(self.state, it.ReadOut(seq=prompt.entry), self.now())
                self.events += heard.events
                self.state = heard.state

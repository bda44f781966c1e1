"""What a simulated operator says to fill a scenario's tooth, mistakes included.

The script is found by taking the case through ``decide`` and ``apply`` with typed
lines, on a clock of its own: at each step the operator says what is to be seen, and
where that is left to judgement, what the program plans. So it fits any protocol whose
steps can be answered, and it has been through the case once before it is spoken.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Literal, get_args

from assistant import __version__
from assistant.errors import InputFileError
from assistant.practice.dictated import samples, say_value
from assistant.practice.findings import sight
from assistant.practice.scenario import SIZES, PracticeCanal, Scenario
from assistant.practice.texts import texts
from assistant.procedure.decide import decide
from assistant.procedure.reach import heats
from assistant.progress import events as ev
from assistant.progress import facts, reckoning
from assistant.progress import intents as it
from assistant.progress.apply import opened
from assistant.progress.entries import Warning
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE, Timer
from assistant.protocol.expect import Measure, Timed
from assistant.protocol.model import Protocol, Step
from assistant.protocol.moment import Moment
from assistant.protocol.roles import Role
from assistant.sitting.rehearsal import Line, Script
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, Language, grammar_of
from assistant.words.understand import understand_typed

Mistake = Literal[
    "short_press",
    "long_heat",
    "deep_plugger",
    "deep_kept",
    "large_increment",
    "misread",
    "skipped",
    "out_of_turn",
    "gone_back",
]
"""Kinds of errors, each made once, at the first occasion: a press let go early, heat past
its limit, a plugger past the limit (corrected, or kept as said), too large a first
increment, a cone length misread by a millimetre, a step left out, a value said when
another is asked, a step back."""

MISTAKES: tuple[Mistake, ...] = get_args(Mistake)

LINE_S = 3.0
"""Seconds a line takes in the trial run; nothing depends on it."""

LONGEST = 1000
"""Lines after which the trial run gives up: a molar takes about 200."""

ROUNDS = 2
"""Of a loop that no plan tells the end of."""

OFF_EARLY_S = 0.3
"""A spoken "heat off" is timed from when it was heard to begin: so much later than it
was meant (2.7 s became 3.0 s in a rehearsal)."""

OFF_BEFORE_S = 1.5
"""So long before the limit of the heat the last "heat off" is said. It is recognised
some 1.2 s after it begins, and from the limit on the assistant speaks and hears only
"stop"."""


def write_script(
    scenario: Scenario,
    protocol: Protocol,
    language: Language,
    *,
    operator: str = "Simulated operator",
    mistakes: Iterable[Mistake] = (),
) -> Script:
    """The lines of a simulated operator, up to the confirmed signature.

    Raises:
        InputFileError: the protocol asks for something that cannot be answered.
    """
    trial = _Trial(scenario, protocol, language, operator, list(dict.fromkeys(mistakes)))
    trial.run()
    return Script(case_code=scenario.code, operator=operator, lines=tuple(trial.lines))


class _Trial:
    """One run through the case; ``lines`` are what was said."""

    def __init__(
        self,
        scenario: Scenario,
        protocol: Protocol,
        language: Language,
        operator: str,
        due: list[Mistake],
    ) -> None:
        self.lines: list[Line] = []
        self._scenario = scenario
        self._language = language
        self._due = due
        self._kept: set[int] = set()
        self._elapsed_s = 0.0
        self.state = opened(
            ev.CaseOpened(
                at=self._now(),
                case_code=scenario.code,
                operator=operator,
                demo=True,
                program=__version__,
                protocol=protocol,
            )
        )

    def run(self) -> None:
        while self.state.signed is None:
            before = len(self.lines)
            for line in self._next():
                self.lines.append(line)
                self._perform(line)
            if len(self.lines) in {before, *range(LONGEST, LONGEST + 10)}:
                step = self.state.step
                where = step.title if step else "the end"
                raise InputFileError(
                    f"The simulated operator does not know what to say at {where!r} of the "
                    f"protocol {self.state.protocol.id}; practise it with --operator self."
                )

    # -- doing --------------------------------------------------------------

    def _now(self) -> Moment:
        start = datetime(2026, 1, 1, tzinfo=UTC)
        return Moment(wall=start + timedelta(seconds=self._elapsed_s), mono_s=self._elapsed_s)

    def _perform(self, line: Line) -> None:
        timer = self.state.timer
        if timer is not None and line.after_s is not None:
            late = OFF_EARLY_S if timer.mode == "until_off" else 0.0
            self._elapsed_s = timer.started.mono_s + line.after_s + late
        elif timer is not None and line.wait_for_timer:
            self._end_hold(timer)
        self._elapsed_s += 0.0 if line.after_s is not None else LINE_S
        self._take(understand_typed(line.say, self._grammar()))
        pending = self.state.pending
        if pending is not None and pending.quantity != "signature":
            # The rehearsed operator confirms what was meant without a line for it.
            self._take(it.Command(verb="confirm"))

    def _end_hold(self, timer: Timer) -> None:
        # A hundredth over: sums of times must not fall short by binary dust.
        self._elapsed_s = timer.started.mono_s + timer.target_s + 0.01
        self._take(it.Tick())

    def _take(self, intent: it.AnyIntent) -> None:
        self.state = decide(self.state, intent, self._now()).state

    def _grammar(self) -> Grammar:
        return grammar_of(self._language, wanted_now(self.state))

    # -- knowing what to say ------------------------------------------------

    def _next(self) -> Iterator[Line]:
        state, words = self.state, texts().operator
        wait = state.timer is not None
        if state.pending is not None:
            yield Line(say=words["confirm"])
        elif wait:
            yield from self._after_hold()
        elif waiting := state.open_warnings(state.active):
            yield self._answer(waiting[-1])
        elif state.step is not None:
            yield from self._step(state.step)

    def _after_hold(self) -> Iterator[Line]:
        """Let the press end by itself; then what follows is said after it."""
        timer = self.state.timer
        assert timer is not None
        self._end_hold(timer)
        waits = True
        for line in self._next():
            yield line.model_copy(update={"wait_for_timer": True}) if waits else line
            waits = False

    def _make(self, *kinds: Mistake) -> Mistake | None:
        """One of the mistakes, if it is still due; it is then made."""
        for kind in kinds:
            if kind in self._due:
                self._due.remove(kind)
                return kind
        return None

    def _step(self, step: Step) -> Iterator[Line]:
        state, words = self.state, texts().operator
        if state.active != CASE and (line := self._stray_line(step)):
            yield line
            return
        if step.expect.kind == "timed":
            yield from self._timed(step)
        elif step.expect.kind == "sign":
            yield Line(say=words["sign"])
        elif step.expect.kind == "done":
            seated = step.role is Role.SEATED
            yield Line(say=words["seated" if seated else "done"])
        elif (value := self._value(step)) is not None:
            yield self._saying(step, value)

    def _stray_line(self, step: Step) -> Line | None:
        """A line that does not answer the step, if such a mistake is due."""
        words, role = texts().operator, step.role
        if role is Role.CONE_LENGTH and self._make("out_of_turn"):
            length = sum(self._canal.free_mm) / len(self._canal.free_mm)
            later = self.state.protocol.with_role(Role.INCREMENT)
            named = later.expect.quantity if later else None
            return Line(say=say_value("mm", round(length), named, self._language))
        if role is Role.TAPER and self._make("gone_back"):
            return Line(say=words["back"])
        plan = {Role.REFERENCE_POINT, Role.POST_PLANNED}
        choice = step.expect.kind == "choice" and role not in plan
        if choice and self._make("skipped"):
            return Line(say=words["skip"])
        return None

    def _timed(self, step: Step) -> Iterator[Line]:
        words = texts().operator
        if not isinstance(step.expect, Timed):
            return
        limit_s = self.state.protocol.limit(step.expect.limit)
        if step.expect.mode == "hold":
            if step.role is Role.INCREMENT_PRESS and step.options and self._filled():
                yield self._saying(step, step.options[0].id)
                return
            yield Line(say=words["press"])
            if self._make("short_press"):
                yield Line(say=words["let_go"], after_s=limit_s / 2)
            return
        if (heat_s := self._heat_s()) is None:
            onward = [option.id for option in step.options]
            if onward:
                yield self._saying(step, onward[0])
            return
        yield Line(say=words["heat_on"])
        if self._make("long_heat"):
            # Over the warning that the assistant is saying then.
            yield Line(say=words["let_go"], after_s=limit_s + OFF_BEFORE_S)
            return
        off_s = min(heat_s - OFF_EARLY_S, limit_s - OFF_BEFORE_S)
        yield Line(say=words["heat_off"], after_s=round(max(0.3, off_s), 2))

    def _filled(self) -> bool:
        """Whether the plan has no increment left."""
        plan = reckoning.backfill(self.state, self.state.active)
        return plan is not None and not plan.increments

    def _heat_s(self) -> float | None:
        """Seconds of heat until the carrier is where the plan wants it, at its marker
        with some to spare; None where the marker would not let it sink."""
        state, canal = self.state, self._canal
        top = facts.fill_top_mm(state, canal.name) or 0.0
        plan = reckoning.downpack(state, canal.name)
        wanted = plan.cycles[0].heat_to_mm if plan and plan.cycles else top + 3.0
        marker = facts.number(state.last(canal.name, Role.HEAT_FIT))
        if marker is not None and marker <= top:
            return None
        # The finding is to half a millimetre: aim at its middle, not between two.
        seconds = (round(2 * wanted) / 2 - top) / canal.sinks_mm_s
        if marker is not None and wanted >= marker:
            seconds += OFF_EARLY_S
        return seconds

    def _value(self, step: Step) -> Scalar | None:
        """What is to be seen, else what the program offers or plans."""
        state, name = self.state, self.state.active
        seen = sight(self._scenario, state)
        value = seen.accepts[0] if seen and seen.accepts else self._judged(step)
        if isinstance(value, float):
            limit = facts.depth_limit_mm(state, name)
            if step.role is Role.CONE_LENGTH and self._make("misread"):
                return value - 1.0
            if step.role is Role.COMPACTION and limit is not None:
                near = reckoning.value_of(state.protocol.limits.at_limit_within_mm)
                past = value >= limit - near
                if past and (made := self._make("deep_plugger", "deep_kept")):
                    if made == "deep_kept":
                        self._kept.add(len(state.entries) + 1)
                    return limit + 1.0
            if step.role is Role.INCREMENT and self._make("large_increment"):
                most = reckoning.value_of(state.protocol.limits.first_increment_max_mm)
                return most + 1.5
        return value

    def _judged(self, step: Step) -> Scalar | None:
        """What the learner is free to choose, as the program plans it."""
        state, name = self.state, self.state.active
        if isinstance(step.expect, Measure) and step.expect.suggest:
            offered = facts.suggestion(state, name, step.expect.suggest)
            return "confirm" if offered is not None else self._canal.true_length_mm
        if step.role is Role.INCREMENT:
            plan = reckoning.backfill(state, name)
            if plan is not None and plan.increments:
                return plan.increments[0].length_mm
            return step.options[0].id if step.options else None
        leaving = self._way_out(step)
        if leaving is not None:
            return leaving
        if isinstance(step.expect, Measure):
            limit = facts.depth_limit_mm(state, name)
            short = reckoning.value_of(state.protocol.limits.short_of_wl_mm)
            return self._canal.provisional_mm - short if limit is None else limit
        # Of a practice's own steps nothing is seen: the plainest there is.
        return {"size": SIZES[0], "taper": 0.02}.get(step.expect.kind)

    def _way_out(self, step: Step) -> str | None:
        """The answer that leaves a loop of the protocol's own, after a few rounds."""
        steps = self.state.protocol.by_id
        if step.loop is None or step.role or self.state.here.round(step.loop) <= ROUNDS:
            return None
        ways = (option for option in step.options if option.to is not None)
        out = (way.id for way in ways if steps[step.target(way.to or "")].loop != step.loop)
        return next(out, None)

    def _answer(self, warning: Warning) -> Line:
        """To an urgent warning: repeat the press, correct the value, or keep it."""
        state, words, language = self.state, texts().operator, self._language
        entry = state.entries[warning.entry - 1] if warning.entry else None
        if entry is None or entry.seq in self._kept:
            return Line(say=words["keep"])
        if entry.origin == "timed":
            heat = heats(state.protocol.by_id[entry.step])
            # What warns about the heat waits until the press is over.
            over = heat and state.here.answered
            return Line(say=words["keep" if over else "press"])
        rule = next(r for r in state.protocol.rules if r.id == warning.rule)
        limit = None
        if rule.check == "deeper_than_limit":
            limit = facts.depth_limit_mm(state, entry.track)
            seen = sight(self._scenario, state)
            if state.step and state.step.id == entry.step and seen and seen.accepts:
                shown = facts.as_number(seen.accepts[0])
                # What was said is what is seen: another value would be wrong.
                limit = None if shown == entry.value else shown
        elif rule.check == "first_round_above" and rule.limit:
            limit = state.protocol.limit(rule.limit)
        if limit is None:
            return Line(say=words["keep"])
        lead = sorted(samples(language.phrases.correction[0]))[0]
        return Line(say=f"{lead} {say_value('mm', limit, None, language)}")

    def _saying(self, step: Step, value: Scalar) -> Line:
        if value == "confirm":
            return Line(say=texts().operator["confirm"])
        kind = {"size": "size", "taper": "taper", "tooth": "tooth"}.get(step.expect.kind, "mm")
        return Line(say=say_value(kind, value, step.expect.quantity, self._language))

    @property
    def _canal(self) -> PracticeCanal:
        canal = self._scenario.canal(self.state.active)
        assert canal is not None
        return canal

"""What a practised case shows: each press, depth, reading and final length, as data.

The events are gone through once, each next to what was to be seen when it came about.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from statistics import median
from typing import Literal

from assistant.canal.lengths import round_mm
from assistant.practice.findings import sight
from assistant.practice.scenario import Scenario
from assistant.procedure.draft import KEPT
from assistant.progress import events as ev
from assistant.progress import facts
from assistant.progress.apply import apply, opened
from assistant.progress.entries import Entry, Warning
from assistant.progress.facts import EPSILON_MM, as_number, number
from assistant.progress.intents import Scalar
from assistant.progress.state import CaseState
from assistant.protocol.expect import Timed
from assistant.protocol.frozen import Frozen
from assistant.protocol.roles import Role
from assistant.protocol.rule import CheckName
from assistant.report.rounds import made

OUT_OF_TURN = frozenset(
    {
        "not_this_step",
        "not_an_option",
        "needs_answer",
        "nothing_to_start",
        "answer_warning_first",
        "not_at_the_end",
    }
)
"""Reasons of a refusal that mean: not what was asked for here."""


class Press(Frozen):
    """One timed hold."""

    canal: str
    round: int
    held_s: float
    wanted_s: float
    cut_short: bool
    delay_s: float | None = None
    """From heat off to the first pressure; None, too, in scores from before it was timed."""
    late: bool = False


class DictatedDepth(Frozen):
    """One dictated depth.

    Attributes:
        over_mm: how far past the limit in force when it was said; negative: short of it.
        warned: it was past the limit then.
        answer: how the last warning about it was dealt with, also one that came when a
            new length moved the limit; None without any.
    """

    canal: str
    quantity: str
    role: Role | None = None  # None, too, in scores from before steps had roles
    value_mm: float
    over_mm: float
    warned: bool
    answer: Literal["corrected", "kept", "open"] | None

    @property
    def good(self) -> bool:
        """Within the limit when it was said, and not kept past one that moved."""
        return not self.warned and self.answer != "kept"


class Measured(Frozen):
    """A value that was to be read off, and what was to be seen."""

    track: str
    quantity: str
    role: Role | None = None
    said: Scalar
    seen: tuple[Scalar, ...]
    error_mm: float | None
    right: bool


class FinalLength(Frozen):
    """The final length of a canal against its readings and the invented truth, mm."""

    canal: str
    said_mm: float
    from_readings_mm: float | None
    from_truth_mm: float
    right: bool


class Tale:
    """The events gone through once: the last state, and what only shows on the way.

    Attributes:
        seen: by number of the entry, the answers that agreed with what was to be seen.
        over_mm: by number of the entry, how far past the limit a depth was.
    """

    def __init__(self, events: Iterable[ev.AnyEvent], scenario: Scenario) -> None:
        stream = iter(events)
        first = next(stream, None)
        if not isinstance(first, ev.CaseOpened):
            raise ValueError("the first event of a case must open it")
        self.state = opened(first)
        self.seen: dict[int, tuple[Scalar, ...]] = {}
        self.over_mm: dict[int, float] = {}
        self.tally: Counter[str] = Counter()
        for event in stream:
            if isinstance(event, ev.EntryMade):
                self._note_sight(event.entry, scenario)
            before, self.state = self.state, apply(self.state, event)
            if isinstance(event, ev.EntryMade):
                self._note_depth(event.entry)
            self._count(event, before)

    def _note_sight(self, entry: Entry, scenario: Scenario) -> None:
        step = self.state.step
        if entry.correction and entry.replaces is not None:
            accepts = self._still_allowed(entry, self.seen.get(entry.replaces, ()))
        elif step is None or step.id != entry.step or entry.origin != "said":
            return
        else:
            seen = sight(scenario, self.state)
            accepts = seen.accepts if seen else ()
        if accepts:
            self.seen[entry.seq] = accepts

    def _still_allowed(self, entry: Entry, accepts: tuple[Scalar, ...]) -> tuple[Scalar, ...]:
        """Not a depth that a new length has put past the limit: what to set instead is
        for the learner to decide."""
        limit = facts.depth_limit_mm(self.state, entry.track)
        if limit is None or entry.quantity not in watched(self.state, "deeper_than_limit"):
            return accepts
        return tuple(a for a in accepts if (as_number(a) or 0.0) <= limit + EPSILON_MM)

    def _note_depth(self, entry: Entry) -> None:
        value, limit = as_number(entry.value), facts.depth_limit_mm(self.state, entry.track)
        limited = watched(self.state, "deeper_than_limit")
        if entry.quantity in limited and value is not None and limit is not None:
            self.over_mm[entry.seq] = round_mm(value - limit)

    def _count(self, event: ev.AnyEvent, before: CaseState) -> None:
        match event:
            case ev.StepReached(via="back"):
                self.tally["gone_back"] += 1
            case ev.StepReached(via="skip"):
                self.tally["skipped"] += 1
            case ev.StepReached(via="done"):
                # A case leaves for its canals without a step of its own.
                self.tally["done"] += before.track(event.track).step != event.step
            case ev.Refused(rejected=rejected):
                self.tally["refused"] += 1
                self.tally["out_of_turn"] += rejected.reason in OUT_OF_TURN
            case ev.NotUnderstood():
                self.tally["not_understood"] += 1
            case ev.ConfirmAsked(pending=pending):
                self.tally["questioned"] += pending.quantity != "signature"
            case ev.Queried(heard=heard):
                # The greeting asks, too: by the clock.
                self.tally["asked"] += heard.channel != "clock"
            case ev.EntryUndone():
                self.tally["undone"] += 1


def watched(state: CaseState, *checks: CheckName) -> frozenset[str]:
    """Quantities that rules with one of these checks watch."""
    rules = (rule for rule in state.protocol.rules if rule.check in checks)
    return frozenset(quantity for rule in rules for quantity in rule.quantities)


def about(state: CaseState, *checks: CheckName) -> dict[int, Warning]:
    """Warnings of rules with one of these checks, by entry; of those made at the time
    the value was said (a length that came later can move the limit)."""
    rules = {rule.id for rule in state.protocol.rules if rule.check in checks}
    return {
        warning.entry: warning
        for warning in state.warnings
        if warning.entry is not None
        and warning.rule in rules
        and warning.at == state.entries[warning.entry - 1].at
    }


def canal_entries(state: CaseState, quantities: frozenset[str]) -> Iterator[Entry]:
    """Entries of all canals that were not taken back, of these quantities."""
    for track in state.canals if quantities else ():
        yield from (e for e in made(state, track.name) if e.quantity in quantities)


def _timed(state: CaseState, mode: str) -> frozenset[str]:
    return frozenset(
        step.expect.quantity
        for step in state.protocol.steps()
        if isinstance(step.expect, Timed) and step.expect.mode == mode
    )


def presses(state: CaseState) -> Iterator[Press]:
    """Every timed hold, those let go early among them."""
    quantities = _timed(state, "hold")
    for entry in canal_entries(state, quantities):
        held, wanted = as_number(entry.value), facts.planned_s(state, entry)
        if held is None or wanted is None:
            continue
        yield Press(
            canal=entry.track,
            round=entry.round,
            held_s=held,
            wanted_s=wanted,
            cut_short=held < wanted,
            delay_s=entry.delay_s,
            late=_late(state, entry),
        )


def _late(state: CaseState, entry: Entry) -> bool:
    limit = state.protocol.limits.press_delay_s
    if entry.delay_s is None or limit is None:
        return False
    return entry.delay_s > limit.value + EPSILON_MM


def heats(state: CaseState) -> Iterator[tuple[float, float]]:
    """Seconds of every activation of the heat, and their limit."""
    quantities = _timed(state, "until_off")
    for entry in canal_entries(state, quantities):
        expect, value = state.protocol.by_id[entry.step].expect, as_number(entry.value)
        if value is not None and isinstance(expect, Timed):
            yield value, state.protocol.limit(expect.limit)


def depths(state: CaseState, over_mm: dict[int, float]) -> Iterator[DictatedDepth]:
    """Every depth that was said, corrected ones among them; ``over_mm`` as in
    :class:`Tale`."""
    at_once = about(state, "deeper_than_limit")
    rules = {rule.id for rule in state.protocol.rules if rule.check == "deeper_than_limit"}
    last = {w.entry: w for w in state.warnings if w.rule in rules}
    for entry in state.entries:
        if entry.seq not in over_mm:
            continue
        warning = last.get(entry.seq)
        yield DictatedDepth(
            canal=entry.track,
            quantity=entry.quantity,
            role=state.role(entry),
            value_mm=as_number(entry.value) or 0.0,
            over_mm=over_mm[entry.seq],
            warned=entry.seq in at_once,
            answer=None if warning is None else _answer(warning),
        )


def _answer(warning: Warning) -> Literal["corrected", "kept", "open"]:
    if warning.answer is None:
        return "open"
    return "kept" if warning.answer == KEPT else "corrected"


def measured(state: CaseState, seen: dict[int, tuple[Scalar, ...]]) -> Iterator[Measured]:
    """What stood in the end: a value that was corrected or taken back is not judged."""
    corrected = {e.replaces for e in state.entries if e.correction}
    for entry in state.entries:
        accepts = seen.get(entry.seq)
        if accepts is None or entry.standing == "undone" or entry.seq in corrected:
            continue
        value, right = as_number(entry.value), as_number(accepts[0])
        error = None
        if state.kind(entry) == "mm" and value is not None and right is not None:
            error = round_mm(value - right)
        yield Measured(
            track=entry.track,
            quantity=entry.quantity,
            role=state.role(entry),
            said=entry.value,
            seen=accepts,
            error_mm=error,
            right=_agrees(entry.value, accepts),
        )


def _agrees(said: Scalar, accepts: tuple[Scalar, ...]) -> bool:
    if isinstance(said, tuple):
        return any(isinstance(a, tuple) and set(a) == set(said) for a in accepts)
    value = as_number(said)
    if value is None:
        return said in accepts
    return any(
        (right := as_number(a)) is not None and abs(value - right) < EPSILON_MM for a in accepts
    )


def final_lengths(state: CaseState, scenario: Scenario) -> Iterator[FinalLength]:
    """The final length of each canal that has one; right within the agreement that the
    protocol asks of readings."""
    agree = state.protocol.limits.readings_agree_mm
    within = (agree.value if agree else 0.0) + EPSILON_MM
    for canal in scenario.canals:
        said = number(state.last(canal.name, Role.FINAL_LENGTH))
        if said is None:
            continue
        readings = facts.readings_mm(state, canal.name)
        off = round_mm(said - canal.true_length_mm)
        yield FinalLength(
            canal=canal.name,
            said_mm=said,
            from_readings_mm=round_mm(said - median(readings)) if readings else None,
            from_truth_mm=off,
            right=abs(off) <= within,
        )

"""A decision in the making: events so far, and the state they lead to.

``decide`` works on a draft so that each step of a decision sees the effect of
the one before it, while the caller's state stays untouched.
"""

from __future__ import annotations

from assistant.procedure import events as ev
from assistant.procedure.apply import apply
from assistant.procedure.facts import holds
from assistant.procedure.intents import Heard, Intent, Scalar
from assistant.procedure.machine import next_step
from assistant.procedure.moment import Moment
from assistant.procedure.protocol import AT_CANALS, FINISHED, Step
from assistant.procedure.rules import Candidate, Fired, fired_by_value
from assistant.procedure.state import (
    CASE,
    CaseState,
    Entry,
    Origin,
    Rejected,
    Warning,
)

DEPTH_CHECKS = frozenset({"deeper_than_limit"})
"""Checks that are made again on standing depths when the working length changes."""

LENGTHS = frozenset({"working_length_mm", "final_working_length_mm"})


class Draft:
    """Collects events; ``state`` is always the state after them."""

    def __init__(self, state: CaseState, now: Moment) -> None:
        self.state = state
        self.now = now
        self.events: list[ev.AnyEvent] = []

    def add(self, event: ev.AnyEvent) -> None:
        """Record one more event and move on to the state it leads to."""
        self.events.append(event)
        self.state = apply(self.state, event)

    # -- refusing -----------------------------------------------------------

    def refuse(self, intent: Intent, reason: str, **detail: str) -> None:
        """The request is clear but cannot be met; ``reason`` is a wording key."""
        rejected = self.rejected(intent.heard.text, reason)
        self.add(ev.Refused(rejected=rejected, detail=tuple(detail.items())))

    def rejected(self, text: str, reason: str) -> Rejected:
        """What was heard and did not count, stamped with the place and time."""
        here = self.state.here
        return Rejected(track=here.name, step=here.step, text=text, reason=reason, at=self.now)

    # -- entering -----------------------------------------------------------

    def enter(
        self,
        track: str,
        step: Step,
        value: Scalar,
        heard: Heard,
        *,
        origin: Origin = "said",
        confirmed: bool = False,
        cut_short: bool = False,
        replaces: Entry | None = None,
        silenced: frozenset[str] = frozenset(),
    ) -> Entry:
        """Put a value on the record, then say which rules it trips.

        ``silenced`` are checks already spoken about (heat past its limit).
        """
        round_ = replaces.round if replaces else self.round_for(track, step)
        old = replaces or self._same_place(track, step, round_)
        fired = list(
            fired_by_value(
                self.state, Candidate(track, step, step.expect.quantity, value, round_)
            )
        )
        entry = Entry(
            seq=len(self.state.entries) + 1,
            track=track,
            step=step.id,
            quantity=step.expect.quantity,
            round=round_,
            value=value,
            origin=origin,
            heard=heard,
            by=self.person(),
            at=self.now,
            confirmed=confirmed,
            cut_short=cut_short,
        )
        self.add(ev.EntryMade(entry=entry, replaces=old.seq if old else None))
        if old:
            self.answer_open(old.seq, f"replaced by entry {entry.seq}: {_plain(value)}")
        for one in fired:
            # A rule of severity "confirm" was dealt with before the entry.
            if one.rule.severity != "confirm" and one.rule.check not in silenced:
                self.warn(one, track, step, entry.seq)
        if entry.quantity in LENGTHS:
            self.check_depths_again(track)
        return entry

    def round_for(self, track: str, step: Step) -> int:
        """Cycle or increment number; for repeated readings, the reading's number."""
        if step.expect.kind == "readings":
            return 1 + sum(1 for _ in self.state.standing(track, step.expect.quantity))
        return self.state.track(track).round(step.loop)

    def _same_place(self, track: str, step: Step, round_: int) -> Entry | None:
        """A standing entry this one takes the place of: the step was done before."""
        return next(
            (
                e
                for e in self.state.standing(track, step.expect.quantity)
                if e.round == round_ and e.step == step.id
            ),
            None,
        )

    def person(self) -> str:
        """Whose entries these are."""
        return self.state.operator if self.state.who == "operator" else "chairside assistant"

    # -- warning ------------------------------------------------------------

    def warn(self, fired: Fired, track: str, step: Step, entry: int | None) -> None:
        """Put a warning on the record."""
        warning = Warning(
            seq=len(self.state.warnings) + 1,
            rule=fired.rule.id,
            severity=fired.rule.severity,
            text=fired.text,
            track=track,
            step=step.id,
            entry=entry,
            at=self.now,
        )
        self.add(ev.Warned(warning=warning))

    def answer_open(self, entry: int, answer: str) -> None:
        """Answer whatever urgent warnings an entry raised."""
        for warning in self.state.warnings:
            if warning.entry == entry and warning.answer is None:
                self.add(ev.WarningAnswered(seq=warning.seq, answer=answer, at=self.now))

    def check_depths_again(self, track: str) -> None:
        """A new working length moves the limit under depths already on record."""
        for entry in tuple(self.state.standing(track)):
            step = self.state.protocol.step(entry.step)
            candidate = Candidate(track, step, entry.quantity, entry.value, entry.round)
            for fired in fired_by_value(self.state, candidate):
                known = {(w.rule, w.text) for w in self.state.warnings if w.entry == entry.seq}
                if (
                    fired.rule.check in DEPTH_CHECKS
                    and (fired.rule.id, fired.text) not in known
                ):
                    self.warn(fired, track, step, entry.seq)

    # -- moving -------------------------------------------------------------

    def advance(self, *, skip: bool = False) -> None:
        """Move the active track on, unless an urgent warning waits for an answer."""
        state = self.state
        track, step = state.here, state.step
        if step is None or state.open_warnings(track.name):
            return
        option = None
        if not skip and (entry := state.newest(track.name, step.expect.quantity)):
            named = entry.value if isinstance(entry.value, str) else None
            option = named if entry.step == step.id else None
        target = next_step(state.protocol, step, option, holds(state, track.name), skip=skip)
        self.move(track.name, target, "skip" if skip else "done")
        self._after_part()

    def move(self, track: str, target: str, via: str, round_: int | None = None) -> None:
        """Put a track on a step; a loop's first step starts a new round."""
        protocol = self.state.protocol
        if target == FINISHED:
            if track == CASE and self.state.track(CASE).step in _ids(protocol.opening):
                target = AT_CANALS
            loop = None
        else:
            loop = protocol.step(target).loop
        if round_ is None:
            round_ = self._next_round(track, target, loop)
        self.add(
            ev.StepReached.model_validate(
                {
                    "track": track,
                    "step": target,
                    "via": via,
                    "loop": loop,
                    "round": round_,
                    "at": self.now,
                }
            )
        )

    def _next_round(self, track: str, target: str, loop: str | None) -> int:
        here = self.state.track(track)
        if loop is None:
            return 1
        first = next(s.id for s in self.state.protocol.steps() if s.loop == loop)
        entered_before = any(step == first for step, _ in here.visited)
        if target != first:
            return here.round(loop)
        leaving = here.step != first
        return here.round(loop) + 1 if entered_before and leaving else here.round(loop)

    def _after_part(self) -> None:
        """When a part is done, select what comes next."""
        state = self.state
        if not (state.here.finished or state.here.step == AT_CANALS):
            return
        waiting = next((t.name for t in state.canals if not t.finished), None)
        if waiting is not None:
            self.add(ev.TrackSelected(track=waiting, at=self.now))
        elif state.track(CASE).step == AT_CANALS:
            self.add(ev.TrackSelected(track=CASE, at=self.now))
            self.move(CASE, state.protocol.closing[0].id, "done")


def _ids(steps: tuple[Step, ...]) -> set[str]:
    return {step.id for step in steps}


def _plain(value: Scalar) -> str:
    return " and ".join(value) if isinstance(value, tuple) else f"{value}"

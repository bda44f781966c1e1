"""A decision in the making: events so far, and the state they lead to.

``decide`` works on a draft so that each step of a decision sees the effect of
the one before it, while the caller's state stays untouched.
"""

from __future__ import annotations

from typing import NamedTuple

from assistant.procedure.changeable import stands_from_before
from assistant.procedure.known import known_at
from assistant.procedure.reach import (
    given_early,
    given_here,
    heats,
    in_place,
    stands_here,
)
from assistant.procedure.rules import Candidate, Fired, fired_by_leaving, fired_by_value
from assistant.progress import events as ev
from assistant.progress.apply import apply
from assistant.progress.entries import Entry, Origin, Rejected, Warning
from assistant.progress.facts import holds, option_of, stays
from assistant.progress.intents import Heard, Intent, Part, Scalar
from assistant.progress.state import CASE, CaseState
from assistant.protocol.machine import next_step, position
from assistant.protocol.model import AT_CANALS, FINISHED, Step
from assistant.protocol.moment import Moment
from assistant.protocol.roles import Role

LENGTH_CHECKS = frozenset({"deeper_than_limit", "seal_below"})
"""Checks that are made again on standing depths when the working length changes."""

LENGTHS = frozenset({Role.WORKING_LENGTH, Role.FINAL_LENGTH})

KEPT = "kept as said"
"""The answer of a clinician who stands by a value that was warned about."""

REPEATED = "repeated"
"""The answer to a timed act cut short: it is done again."""


class Judged(NamedTuple):
    """A value that may enter: the entry it would take the place of, and the rules it trips."""

    candidate: Candidate
    old: Entry | None
    fired: tuple[Fired, ...]


class Draft:
    """Collects events; ``state`` is always the state after them."""

    def __init__(self, state: CaseState, now: Moment) -> None:
        self.state = state
        self.now = now
        self.events: list[ev.AnyEvent] = []
        self.rest: tuple[Part, ...] = ()
        """What is still to be taken of the sentence that is being carried out."""

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

    def drop_pending(self, reason: str) -> None:
        """A questioned value is off the table, but stays in the log as heard."""
        pending = self.state.pending
        if pending is not None:
            heard = (pending.heard, *(part.heard for part in pending.rest))
            rejected = self.rejected(", ".join(one.text for one in heard), reason)
            self.add(ev.ConfirmDropped(rejected=rejected))

    # -- entering -----------------------------------------------------------

    def judge(
        self, track: str, step: Step, value: Scalar, corrects: Entry | None = None
    ) -> Judged:
        """What the rules say of a value, in the place it would take."""
        round_ = corrects.round if corrects else self._round_for(track, step)
        old = corrects or in_place(self.state, track, step, round_)
        place = self.state.place(old) if old else None
        candidate = Candidate(track, step, step.expect.quantity, value, round_, place)
        return Judged(candidate, old, tuple(fired_by_value(self.state, candidate)))

    def enter(
        self,
        judged: Judged,
        heard: Heard,
        *,
        origin: Origin = "said",
        confirmed: bool = False,
        cut_short: bool = False,
        delay_s: float | None = None,
        target_s: float | None = None,
        correction: bool = False,
        unsaid: frozenset[str] = frozenset(),
    ) -> None:
        """Put a judged value on the record, then say which rules it trips.

        ``unsaid`` are checks already spoken about (heat past its limit): what needs an
        answer waits for it in silence.
        """
        (track, step, quantity, value, round_, _), old, fired = judged
        entry = Entry(
            seq=len(self.state.entries) + 1,
            track=track,
            step=step.id,
            quantity=quantity,
            round=round_,
            value=value,
            origin=origin,
            heard=heard,
            by=self.person(),
            role=self.state.who,
            at=self.now,
            confirmed=confirmed,
            cut_short=cut_short,
            delay_s=delay_s,
            target_s=target_s,
            replaces=old.seq if old else None,
            correction=correction,
        )
        self.add(ev.EntryMade(entry=entry))
        if old:
            self.answer_open(old.seq, f"replaced by entry {entry.seq}: {_plain(value)}")
        for one in fired:
            # What was questioned and confirmed need not be said again.
            questioned = one.rule.severity == "confirm" and confirmed
            if questioned:
                continue
            if one.rule.check not in unsaid:
                self.warn(one, track, step, entry.seq)
            elif one.rule.severity == "urgent":
                self.warn(one._replace(spoken=""), track, step, entry.seq)
        if step.role in LENGTHS:
            self.check_depths_again(track)

    def _round_for(self, track: str, step: Step) -> int:
        """Cycle or increment number; for repeated readings, the reading's number."""
        if step.expect.kind == "readings":
            return 1 + sum(1 for _ in self.state.standing(track, step))
        finding = self.state.protocol.finding_of.get(step.id)
        if finding is not None and step.id == finding.id:
            mine = (e for e in self.state.entries if (e.track, e.step) == (track, step.id))
            return 1 + sum(1 for _ in mine)
        if finding is not None and self.state.aside is not None:
            return self.state.aside.round
        return self.state.track(track).round(step.loop)

    def person(self) -> str:
        """Whose entries these are."""
        if self.state.who == "operator":
            return self.state.operator
        return self.state.assistant or "chairside assistant"

    def take_back(self, entry: Entry, *, restore: bool = True) -> Entry | None:
        """Undo an entry. What it had corrected counts again, is judged again and
        is returned; a step that was merely done again gives None."""
        old = None
        if restore and entry.correction and entry.replaces:
            old = self.state.entries[entry.replaces - 1]
        self.add(ev.EntryUndone(seq=entry.seq, restores=old.seq if old else None, at=self.now))
        self.answer_open(entry.seq, "entry taken back")
        if old is not None:
            for fired in tuple(fired_by_value(self.state, self._standing(old))):
                if fired.rule.severity != "confirm":
                    self.warn(fired, old.track, self.state.protocol.by_id[old.step], old.seq)
        if self.state.role(entry) in LENGTHS:
            self.check_depths_again(entry.track)
        return old

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
            spoken=fired.spoken,
        )
        self.add(ev.Warned(warning=warning))

    def warn_again(self, warning: Warning) -> None:
        """Its answer came to nothing: the same warning waits for another."""
        seq = len(self.state.warnings) + 1
        again = {"seq": seq, "at": self.now, "answer": None}
        self.add(ev.Warned(warning=warning.model_copy(update=again)))

    def answer(self, warning: Warning, answer: str) -> None:
        """Put on record how a warning was dealt with."""
        self.add(ev.WarningAnswered(seq=warning.seq, answer=answer, at=self.now))

    def answer_open(self, entry: int, answer: str) -> None:
        """Answer whatever warnings an entry raised."""
        for warning in self.state.warnings:
            if warning.entry == entry and warning.answer is None:
                self.answer(warning, answer)

    def repeated_here(self) -> tuple[Warning, ...]:
        """Warnings about the value of the present step that were answered by doing it
        again, which it has not been yet; of each rule the newest."""
        given = given_here(self.state)
        newest = {w.rule: w for w in self.state.warnings if given and w.entry == given.seq}
        return tuple(w for w in newest.values() if w.answer == REPEATED)

    def check_depths_again(self, track: str) -> None:
        """A new working length moves the limit under depths already on record.

        What is beyond it now is warned about, unless it was kept as said under
        this very limit; what is no longer beyond it needs no answer any more.
        """
        for entry in tuple(self.state.standing(track)):
            step = self.state.protocol.by_id[entry.step]
            fired = tuple(fired_by_value(self.state, self._standing(entry)))
            tripped = {one.rule.id for one in fired}
            newest = {w.rule: w for w in self.state.warnings if w.entry == entry.seq}
            for warning in newest.values():
                if warning.open and warning.rule not in tripped:
                    self.answer(warning, "settled by the new length")
            for one in fired:
                known = newest.get(one.rule.id)
                if one.rule.check not in LENGTH_CHECKS or _holds_still(known, one):
                    continue
                if known is not None and known.answer is None:
                    self.answer(known, "said again for the new length")
                # The room needs to hear which of the depths is meant.
                spoken = one.spoken and f"{step.title}. {one.spoken}"
                named = one._replace(text=f"{step.title}. {one.text}", spoken=spoken)
                self.warn(named, track, step, entry.seq)

    def judge_again(self, track: str, checks: frozenset[str], why: str) -> None:
        """Something changed that these checks rest on. What they would have asked about is
        a warning now, which waits for its answer; what they ask no more is settled."""
        final = self.state.newest(track, Role.FINAL_LENGTH)
        for entry in tuple(self.state.standing(track)):
            step = self.state.protocol.by_id[entry.step]
            if step.role is Role.WORKING_LENGTH and final is not None:
                continue  # it is in force no more
            fired = fired_by_value(self.state, self._standing(entry))
            tripped = {one.rule.id: one for one in fired if one.rule.check in checks}
            for known in self.state.warnings:
                mine = known.entry == entry.seq and self._check_of(known.rule) in checks
                if mine and known.answer is None:
                    self.answer(known, f"settled by the new {why}")
            for one in tripped.values():
                rule = one.rule.model_copy(update={"severity": "urgent"})
                where = f"{track.capitalize()}, {step.title.lower()}"
                named = one._replace(rule=rule, text=f"{where}: {one.text}")
                self.warn(named, track, step, entry.seq)

    def _check_of(self, rule: str) -> str | None:
        return next((r.check for r in self.state.protocol.rules if r.id == rule), None)

    def _standing(self, entry: Entry) -> Candidate:
        """An entry on record, to be judged again where it stands."""
        step, place = self.state.protocol.by_id[entry.step], self.state.place(entry)
        return Candidate(entry.track, step, entry.quantity, entry.value, entry.round, place)

    # -- moving -------------------------------------------------------------

    def go_on(self) -> None:
        """Leave the present step if it has its value, and those after it in its loop that
        were given theirs early; a value of another step (an older one, corrected) moves
        nothing."""
        if self.state.answered and self.state.pending is None and self.state.timer is None:
            self.advance()

    def advance(self, *, skip: bool = False) -> None:
        """Move the active track on, unless an urgent warning waits for an answer."""
        state = self.state
        track, step = state.here, state.step
        if step is None or self._held_up(step):
            return None
        if state.aside is not None:
            return self._advance_aside(step)
        given = None if skip else given_here(self.state) or stands_here(self.state)
        option = given.value if given and isinstance(given.value, str) else None
        target = next_step(state.protocol, step, option, holds(state, track.name), skip=skip)
        target = self._past_unasked(target)
        again = option is not None and stays(step, option)
        if step.loop is not None and _loop_of(state, target) != step.loop:
            for fired in tuple(fired_by_leaving(state, track.name, step)):
                self.warn(fired, track.name, step, None)
        round_ = track.round(step.loop) if again else None
        self.move(track.name, target, "skip" if skip else "done", round_)
        stands = given_early(self.state, step) or stands_from_before(self.state)
        if stands and self._onward(step, state.round):
            return self.advance()
        self.after_part()
        return None

    def _onward(self, before: Step, round_: int) -> bool:
        """Whether the present step comes later in the sequence than the one before it, so
        that what stands there can be gone past without going round and round."""
        here, part = self.state.here, self.state.protocol.part_of(before.id)
        if here.step in {FINISHED, AT_CANALS}:
            return False
        round_ = round_ if before.loop else 1
        now = here.round(self.state.protocol.by_id[here.step].loop)
        return position(part, here.step, now) > position(part, before.id, round_)

    def ask_aside(self, track: str, finding: str, round_: int, step: str | None) -> None:
        """Ask about a finding, beside the sequence; no step: nothing more."""
        self.add(
            ev.AsideReached(track=track, finding=finding, round=round_, step=step, at=self.now)
        )

    def _advance_aside(self, step: Step) -> None:
        """The next question about a finding; after the last, what else is waiting goes on."""
        aside = self.state.aside
        assert aside is not None
        steps = [one.id for one in self.state.protocol.finding_of[step.id].steps]
        onward = steps[steps.index(step.id) + 1 :]
        given = given_here(self.state)
        option = option_of(step, str(given.value)) if given else None
        target = onward[0] if onward else None
        if option is not None and option.to is not None:
            target = step.target(option.to)
        target = None if target == FINISHED else target
        self.ask_aside(self.state.active, aside.finding, aside.round, target)
        if target is None:
            self.go_on()
            self.after_part()

    def _past_unasked(self, target: str) -> str:
        """A target, or what comes after it where nobody asks it and no set-up answers it."""
        protocol, held = self.state.protocol, holds(self.state, self.state.active)
        while (step := protocol.by_id.get(target)) and not step.asked:
            if known_at(self.state, step) is not None:
                break
            target = next_step(protocol, step, None, held)
        return target

    def _held_up(self, step: Step) -> bool:
        """Whether an urgent warning waits for its answer. The heat that was too long
        waits with its own until the press is over: the mass cools meanwhile."""
        waiting = self.state.open_warnings(self.state.active)
        given = given_here(self.state) if heats(step) else None
        return any(given is None or w.entry != given.seq for w in waiting)

    def move(self, track: str, target: str, via: str, round_: int | None = None) -> None:
        """Put a track on a step; a loop that is entered, or begins again, starts a
        new round unless the round is given."""
        protocol = self.state.protocol
        loop = _loop_of(self.state, target)
        if target == FINISHED and track == CASE:
            opening = {step.id for step in protocol.opening}
            target = AT_CANALS if self.state.track(CASE).step in opening else FINISHED
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
        """Counted on the path so far, so that going back takes the count along."""
        if loop is None:
            return 1
        here = self.state.track(track)
        steps = [step.id for step in self.state.protocol.steps() if step.loop == loop]
        present = here.round(loop)
        inside = here.step in steps
        if inside and target != steps[0]:
            return present
        before = [round_ for step, round_ in here.visited if step in steps]
        return 1 + max([*before, present] if inside else before, default=0)

    def go_where_work_is(self) -> None:
        """After a change of the canals: from one that is not there, and from the closing
        steps, to a canal that is to be filled."""
        waiting = next((t.name for t in self.state.canals if not t.finished), None)
        if self.state.active == CASE and waiting is not None:
            self.add(ev.TrackSelected(track=waiting, at=self.now))
        else:
            self.after_part()

    def after_part(self) -> None:
        """When a part is done, select what comes next."""
        state = self.state
        if not (state.here.finished or state.here.step == AT_CANALS):
            return
        waiting = next((t.name for t in state.canals if not t.finished), None)
        if waiting is None:  # a finished canal may have been judged again
            open_in = (t.name for t in state.canals if state.open_warnings(t.name))
            waiting = next(open_in, None)
        case = state.track(CASE)
        if waiting is not None:
            self.add(ev.TrackSelected(track=waiting, at=self.now))
        elif case.step == AT_CANALS:
            self.add(ev.TrackSelected(track=CASE, at=self.now))
            self.move(CASE, state.protocol.closing[0].id, "done")
        elif not case.finished:
            self.add(ev.TrackSelected(track=CASE, at=self.now))


def _loop_of(state: CaseState, place: str) -> str | None:
    return None if place in {FINISHED, AT_CANALS} else state.protocol.by_id[place].loop


def _holds_still(known: Warning | None, fired: Fired) -> bool:
    """Whether this was already said, with the same numbers, and still counts."""
    if known is None or not known.text.endswith(fired.text):
        return False
    return known.answer in {None, KEPT}


def _plain(value: Scalar) -> str:
    return " and ".join(value) if isinstance(value, tuple) else f"{value}"

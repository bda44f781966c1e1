"""A decision in the making: events so far, and the state they lead to.

``decide`` works on a draft so that each step of a decision sees the effect of
the one before it, while the caller's state stays untouched.
"""

from __future__ import annotations

from typing import NamedTuple

from assistant.procedure.fired import Fired, fired_by_value
from assistant.procedure.reach import (
    given_here,
    in_place,
)
from assistant.procedure.rules import Candidate
from assistant.progress import events as ev
from assistant.progress.apply import apply
from assistant.progress.entries import Entry, Origin, Rejected, Warning
from assistant.progress.intents import Heard, Intent, Part, Scalar
from assistant.progress.state import CaseState
from assistant.protocol.model import Step
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


def _holds_still(known: Warning | None, fired: Fired) -> bool:
    """Whether this was already said, with the same numbers, and still counts."""
    if known is None or not known.text.endswith(fired.text):
        return False
    return known.answer in {None, KEPT}


def _plain(value: Scalar) -> str:
    return " and ".join(value) if isinstance(value, tuple) else f"{value}"

"""What must have been warned about, told from the events of a case alone.

``Oracle`` follows the events by the rules of :mod:`oracle_rules` and says where the
program and these rules disagree.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal

from oracle_rules import COMPUTED, DEPTHS, DOWNPACK, Rules, Told, tenth_below

from assistant.progress import events as ev
from assistant.progress.entries import CaseChange, Entry, Warning
from assistant.progress.state import CASE, Pending, Timer
from assistant.protocol.model import Protocol
from assistant.protocol.own_instruments import PluggerFile

__all__ = ["DEPTHS", "Oracle"]


@dataclass
class Tally:
    """How often each rule should have fired about a new value or act, how often it did,
    and how often it rightly did otherwise: about an earlier value once a length changed,
    about heat still on, or where the oracle is not certain; and how often it made a
    value be questioned."""

    expected: dict[str, int] = field(default_factory=dict)
    fired: dict[str, int] = field(default_factory=dict)
    otherwise: dict[str, int] = field(default_factory=dict)
    questioned: dict[str, int] = field(default_factory=dict)

    def count(self, where: dict[str, int], rules: Iterable[str]) -> None:
        for rule in rules:
            where[rule] = where.get(rule, 0) + 1


class Oracle(Rules):
    """Follows one case from its first event; ``follow`` returns the disagreements."""

    def __init__(self, protocol: Protocol, instruments: PluggerFile | None = None) -> None:
        super().__init__(protocol, instruments)
        self.order = [step.id for step in protocol.canal]
        self.active, self.at, self.round = CASE, dict[str, str](), dict[str, int]()
        self.warnings: dict[int, Warning] = {}
        self.heat_said = False
        self.hold_began_s: float | None = None
        self.heating = ""
        self.heat_off_s: dict[str, float] = {}
        self.late_said: set[str] = set()
        self.tally = Tally()

    def follow(self, events: Iterable[ev.AnyEvent]) -> list[str]:
        """Take one decision in; what the program and the rules disagree about."""
        batch = list(events)
        wrong: list[str] = []
        fresh: dict[int, set[str]] = {}
        acts: list[tuple[str, str]] = []
        for event in batch:
            match event:
                case ev.EntryMade(entry=entry):
                    told = self._accept(entry)
                    fresh[told.seq] = self._must(told)
                    wrong += self._unquestioned(told)
                case ev.EntryUndone(seq=seq, restores=restores):
                    self.told[seq] = replace(self.told[seq], stands=False)
                    if restores is not None:
                        self.told[restores] = replace(self.told[restores], stands=True)
                case ev.CaseChanged(change=change):
                    self._changed(change)
                case ev.StepSkipped(skipped=skipped) if "step-skipped" in self.severity:
                    acts.append(("step-skipped", skipped.step))
                case ev.StepReached():
                    if self._leaves_short(event):
                        acts.append(("downpack-short", event.track))
                    self.at[event.track], self.round[event.track] = event.step, event.round
                case ev.TimerStarted(timer=timer):
                    wrong += self._begins(timer)
                case ev.TimerEnded(ended=ended):
                    self.pressing = False
                    if self.heating and ended is not None:
                        self.heat_off_s[self.heating] = ended.mono_s
                    self.heating = ""
                case ev.CaseReopened():
                    self.heat_off_s.clear()  # the clock is another one
                case ev.WarningAnswered(seq=seq, answer=answer):
                    self.warnings[seq] = self.warnings[seq].model_copy(
                        update={"answer": answer}
                    )
                case ev.ConfirmAsked(pending=pending):
                    wrong += self._asked_for_nothing(pending)
                case ev.TrackSelected(track=track):
                    self.active = track
        if any(isinstance(event, ev.TimerEnded) for event in batch):
            self.heat_said = False  # what was said is said of the time that has ended
        raised = [event.warning for event in batch if isinstance(event, ev.Warned)]
        self.warnings |= {warning.seq: warning for warning in raised}
        self.tally.count(self.tally.fired, (w.rule for w in raised))
        self.tally.count(self.tally.expected, (r for rules in fresh.values() for r in rules))
        self.tally.count(self.tally.expected, (rule for rule, _ in acts))
        wrong += self._compare(fresh, acts, raised)
        return [*wrong, *self._unsaid_depths(), *self._unsaid_seals()]

    def _changed(self, change: CaseChange) -> None:
        """What was done is the same under another name; what is done again counts no more."""
        for seq in change.superseded:
            self.told[seq] = replace(self.told[seq], stands=False)
        if change.superseded or change.step:
            self.heat_off_s.pop(change.canal or "", None)
        match change:
            case CaseChange(what="joins", canal=str(name), to=str(other)):
                self.junction[name] = (other, Decimal(str(change.mm)))
            case CaseChange(what="separate", canal=str(name)):
                del self.junction[name]
            case CaseChange(what="absent"):  # nothing joins a canal that is not there
                joined = self.junction.items()
                self.junction = {k: v for k, v in joined if v[0] != change.canal}
        if change.what == "renamed":
            old, new = str(change.canal), str(change.to)
            for seq, told in self.told.items():
                if told.canal == old:
                    self.told[seq] = replace(told, canal=new)
            if old in self.junction:
                self.junction[new] = self.junction.pop(old)
            for canal, (other, at) in self.junction.items():
                self.junction[canal] = (new if other == old else other, at)
            if old in self.at:
                self.at[new] = self.at.pop(old)
            if old in self.heat_off_s:
                self.heat_off_s[new] = self.heat_off_s.pop(old)
            self.active = new if self.active == old else self.active

    def _accept(self, entry: Entry) -> Told:
        old = self.told.get(entry.replaces or 0)
        if old is not None:
            self.told[old.seq] = replace(old, stands=False)
        told = Told(
            entry.seq,
            entry.track,
            entry.step,
            entry.quantity,
            entry.round,
            entry.value,
            old.place if old else entry.seq,
            entry.confirmed,
        )
        self.told[told.seq] = told
        return told

    def _must(self, told: Told) -> set[str]:
        """What must be said about a value as it is accepted; a question that was
        confirmed is answered. Heat past its limit is said while it is on, and waits for
        its answer once more where it is urgent."""
        said = {r for r in self.broken(told) if self.severity[r] != "confirm"}
        waits = self.severity.get("heat-long") == "urgent"
        return said - {"heat-long"} if self.heat_said and not waits else said

    def _unquestioned(self, told: Told) -> list[str]:
        asked = {r for r in self.broken(told) if self.severity[r] == "confirm"}
        if told.confirmed or not asked:
            return []
        return [f"{told} was accepted without a question, in spite of {sorted(asked)}"]

    def _asked_for_nothing(self, pending: Pending) -> list[str]:
        """What was heard surely is questioned only where a rule asks for it; and a
        depth past its limit is warned about even while it is questioned."""
        if pending.quantity in {"signature", "visit"}:
            return []
        old = self.told.get(pending.corrects or 0)
        seq = len(self.told) + 1
        told = Told(
            seq=seq,
            canal=old.canal if old else self.active,
            step=old.step if old else pending.step or self.at.get(self.active, ""),
            quantity=pending.quantity,
            round=old.round if old else self.round.get(self.active, 1),
            value=pending.value,
            place=old.place if old else seq,
        )
        broken = self.broken(told)
        wrong = []
        asking = [rule for rule in broken if self.severity[rule] == "confirm"]
        self.tally.count(self.tally.questioned, asking)
        if pending.heard.doubt is None and not asking and pending.revises is None:
            wrong.append(f"{told} is questioned though no rule asks for it")
        if broken & {"depth-limit", "limit-unknown"} and not pending.warned:
            wrong.append(f"{told} is questioned without its depth warning")
        return wrong

    def _leaves_short(self, event: ev.StepReached) -> bool:
        """The downpack is left behind while the fill is still above its limit."""
        before = self.at.get(event.track)
        if event.via not in {"done", "skip"} or before not in DOWNPACK:
            return False
        last = max(self.order.index(step) for step in DOWNPACK if step in self.order)
        onward = event.step not in self.order or self.order.index(event.step) > last
        deepest, depth = self.depth_limit(event.track), self.downpacked_to(event.track)
        if not onward or deepest is None or "downpack-short" not in self.severity:
            return False
        return depth is None or depth < deepest - self.limit("at_limit_within_mm")

    def _compare(
        self, fresh: dict[int, set[str]], acts: list[tuple[str, str]], raised: list[Warning]
    ) -> Iterator[str]:
        for warning in raised:
            rule, entry = warning.rule, warning.entry
            if entry is not None:
                told = self.told[entry]
                allowed = fresh.get(entry, set()) if entry in fresh else self.broken(told)
                if entry not in fresh:
                    self.tally.count(self.tally.otherwise, [rule])
                if rule in COMPUTED and self.computed(rule, told) is None:
                    self.tally.count(self.tally.otherwise, [rule])
                    continue
                if rule not in allowed or not told.stands:
                    yield f"{rule} was said of {told}, which does not break it"
            elif rule == "press-late":
                self.tally.count(self.tally.otherwise, [rule])
                yield from self._too_early(warning)
            elif rule == "heat-long":
                self.heat_said = True
                self.tally.count(self.tally.otherwise, [rule])
                began = self.hold_began_s
                if began is None or warning.at.mono_s - began < float(self.limit("heat_s")):
                    yield f"{rule} was said before the heat had been on for so long"
            elif (rule, warning.step) not in acts and (rule, warning.track) not in acts:
                yield f"{rule} was said at {warning.step} for nothing that was done"
        for seq, rules in fresh.items():
            for rule in rules - {w.rule for w in raised if w.entry == seq}:
                yield f"{rule} was not said of {self.told[seq]}"
        for rule, what in acts:
            if not any(w.rule == rule and what in (w.step, w.track) for w in raised):
                yield f"{rule} was not said of {what}"

    def _begins(self, timer: Timer) -> list[str]:
        """A timed act begins: a press with how long the mass has cooled already, to the
        tenth above, which is said if it is longer than the limit."""
        self.hold_began_s, self.heat_said = timer.started.mono_s, False
        self.pressing = timer.mode == "hold"
        if timer.mode == "until_off":
            self.heating = timer.track
            self.heat_off_s.pop(timer.track, None)
            self.late_said.discard(timer.track)
            return []
        off_s = self.heat_off_s.pop(timer.track, None)
        self.late_said.discard(timer.track)
        if off_s is None or timer.delay_s is None:
            return []
        waited_s = timer.started.mono_s - off_s
        if 0 <= round(timer.delay_s - waited_s, 6) < 0.1:
            return []
        return [f"the press in {timer.track} began {waited_s} s late, told as {timer.delay_s}"]

    def _too_early(self, warning: Warning) -> Iterator[str]:
        """A late press is said once a cycle, and never before it is late."""
        off_s = self.heat_off_s.get(warning.track)
        if off_s is None or warning.at.mono_s - off_s <= float(self.limit("press_delay_s")):
            yield f"press-late was said of {warning.track} before it was late"
        if warning.track in self.late_said:
            yield f"press-late was said twice of {warning.track}"
        self.late_said.add(warning.track)

    def _unsaid_seals(self) -> Iterator[str]:
        """Every level that leaves too little of the fill below it has been warned about, with
        what it leaves of the length that holds now."""
        for told in self.told.values():
            if not told.stands or "seal-short" not in self.broken(told):
                continue
            wl = self.working_length(told.canal)
            assert wl is not None and told.number is not None
            left = f"seal {float(tenth_below(wl - told.number)):g},"
            if not any(
                w.rule == "seal-short"
                and w.entry == told.seq
                and left in w.text
                and w.answer in {None, "kept as said"}
                for w in self.warnings.values()
            ):
                yield f"seal-short was never said of {told} under length {wl}"

    def _unsaid_depths(self) -> Iterator[str]:
        """Every depth that stands and is too deep has been warned about, under the
        limit that holds now, and waits for its answer or was kept as said."""
        if "depth-limit" not in self.severity:
            return
        for told in self.told.values():
            if not told.stands or "depth-limit" not in self.broken(told):
                continue
            deepest = self.depth_limit(told.canal)
            about = [
                w
                for w in self.warnings.values()
                if w.rule == "depth-limit"
                and w.entry == told.seq
                and f"limit {float(deepest or 0):g}," in w.text
                and w.answer in {None, "kept as said"}
            ]
            if not about:
                yield f"depth-limit was never said of {told} under limit {deepest}"

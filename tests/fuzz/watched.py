"""A case that is watched: whatever is said to it, what must always hold is checked.

The safety rules are judged by :mod:`oracle`; here are replay, the read-back, the
signature, what is said first, and that there is a way on from everywhere.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache

from oracle import Oracle
from procedure.test_procedure_random import cooperative

from assistant.case.instrument_files import load_pluggers
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import apply, opened, replay
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import PluggerFile
from assistant.words.sayings import load_wording, said_value

START = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)
PROTOCOLS = ("warm-vertical", "to-post-level", "cold-lateral")
WORDING = load_wording(data_folder("grammars") / "en")
ANSWERS_AHEAD = 15
"""Within so many answers of somebody polite, a canal must have come further."""

FOR_GOOD = {"addenda", "rejected", "interruptions", "entries"}
"""What may still change after the signature; of an entry only that it was heard."""


class Broken(AssertionError):
    """Something that must always hold does not; ``kind`` groups such findings."""

    def __init__(self, kind: str, what: str) -> None:
        super().__init__(f"{kind}: {what}")
        self.kind = kind
        self.case: Case | None = None


@cache
def protocol(name: str) -> Protocol:
    return load_yaml(data_folder("protocols") / f"{name}.yaml", Protocol)


@cache
def pluggers() -> PluggerFile:
    return load_pluggers("example")


@dataclass
class Case:
    """One case on its own clock. ``give`` raises ``Broken``."""

    protocol: Protocol
    instruments: PluggerFile | None = None
    mono_s: float = 0.0
    wall_s: float = 0.0
    log: list[ev.AnyEvent] = field(default_factory=list)
    steps: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        first = ev.CaseOpened(
            at=self.now(),
            case_code="case-7",
            operator="Operator A",
            demo=False,
            program="test",
            protocol=self.protocol,
            instruments=self.instruments,
        )
        self.state: CaseState = opened(first)
        self.log.append(first)
        self.oracle = Oracle(self.protocol, self.instruments)

    def now(self) -> Moment:
        return Moment(wall=START + timedelta(seconds=self.wall_s), mono_s=self.mono_s)

    def give(self, intent: it.AnyIntent, after_s: float = 1.0) -> list[Prompt]:
        """Decide, apply, answer; then everything is checked. A negative wait is a wall
        clock set back; the other clock goes back only where the program starts anew."""
        self.wall_s += after_s
        self.mono_s += after_s if isinstance(intent, it.Reopen) else max(0.0, after_s)
        before, now = self.state, self.now()
        self.steps += 1
        try:
            events, after = decide(before, intent, now)
            for one in events:
                self.state = apply(self.state, one)
            if after != self.state:
                raise Broken("two states", f"{intent!r}: the events lead elsewhere")
            prompts = respond(events, self.state, WORDING)
        except Exception as error:
            raise Broken(f"exception {type(error).__name__}", f"{intent!r}: {error}") from error
        self.log += events
        self.outcomes.update(event.kind for event in events)
        if wrong := self.oracle.follow(events):
            first = wrong[0].split(" ")[0]
            kind = "rules: question" if first.startswith("Told") else f"rules: {first}"
            raise Broken(kind, f"{intent!r}: {wrong}")
        self._check_said(events, prompts)
        self._check_values(before, intent, events)
        self._check_heard(before, intent, prompts, events)
        self._check_kept(before)
        if before.signed is not None:
            self._check_closed(before)
        return prompts

    # -- what must hold -----------------------------------------------------------

    def _check_said(self, events: tuple[ev.AnyEvent, ...], prompts: list[Prompt]) -> None:
        """Loud warnings first, each with its whole sentence."""
        order = [prompt.urgency for prompt in prompts]
        _must(order == sorted(order, reverse=True), "prompt order", str(prompts))
        loud = [
            event.warning.text
            for event in events
            if isinstance(event, ev.Warned) and event.warning.severity in {"urgent", "alert"}
        ]
        loud += [t for e in events if isinstance(e, ev.ConfirmAsked) for t in e.pending.warned]
        first = [p.text for p in prompts if p.urgency is Urgency.WARNING]
        _must(set(loud) <= set(first), "warning unsaid", f"{loud} not in {first}")
        if loud:
            _must(prompts[0].text in first, "warning not first", str(prompts))

    def _check_values(
        self, before: CaseState, intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]
    ) -> None:
        """What is recorded is exactly what was given, and nothing doubtful at once."""
        made = [event.entry for event in events if isinstance(event, ev.EntryMade)]
        asked = [event.pending for event in events if isinstance(event, ev.ConfirmAsked)]
        most = 2 if isinstance(intent, it.Finding) and intent.mm is not None else 1
        _must(len(made) <= most, "several values of one intent", str(made))
        given: object = None
        match intent:
            case it.Given(value=value) | it.Correction(value=value):
                given = value
            case it.Finding(mm=mm):
                given = mm
            case it.Chosen(option="corrected" | "again") if before.pending is not None:
                given = before.pending.value
            case it.Chosen(option=option):
                given = option
            case it.Command(verb="confirm") if before.pending is not None:
                given = before.pending.value
            case _:
                given = None
        for pending in asked:
            computed = pending.origin == "computed" or pending.kind == "option"
            if not computed:
                _must(_same(pending.value, given), "value changed", f"{given!r}: {pending}")
        for entry in made:
            if entry.origin == "timed":
                self._check_duration(before, entry.value, intent)
            elif (
                entry.origin == "said"
                and given is not None
                and entry.value not in {"done", "seen"}
            ):
                _must(_same(entry.value, given), "value changed", f"{given!r}: {entry}")
            if entry.confirmed and isinstance(intent, it.Given | it.Correction):
                offers = before.pending.offers if before.pending else ()
                _must(entry.value in offers, "confirmed unasked", f"{offers}: {entry}")
            noted = isinstance(intent, it.Finding) and entry.value == "seen"
            if not isinstance(intent, it.Command) and not noted:
                _must(intent.heard.doubt is None, "doubtful value stored", str(entry))
        if before.pending is not None and self.state.pending is None:
            gone = any(isinstance(event, ev.ConfirmDropped | ev.VisitEnded) for event in events)
            _must(gone or bool(made), "question lost", f"{before.pending} after {intent!r}")

    def _check_duration(self, before: CaseState, value: object, intent: it.AnyIntent) -> None:
        """A press never longer than it was, a heat activation never shorter."""
        timer = before.timer
        _must(
            timer is not None and isinstance(value, float), "time without a timer", str(value)
        )
        assert timer is not None and isinstance(value, float)
        began = intent.heard.began
        until = min(self.mono_s, began.mono_s) if began else self.mono_s
        true_s = max(0.0, until - timer.started.mono_s)
        fair = value <= true_s + 1e-6 if timer.mode == "hold" else value >= true_s - 1e-6
        _must((fair and abs(value - true_s) < 0.1) or (value == timer.target_s and fair),
              "duration", f"{timer.mode} {value} of {true_s}")  # fmt: skip

    def _check_heard(
        self,
        before: CaseState,
        intent: it.AnyIntent,
        prompts: list[Prompt],
        events: tuple[ev.AnyEvent, ...],
    ) -> None:
        """Every measurement is said back, and counts as heard only once it was."""
        for event in events:
            if not isinstance(event, ev.EntryMade):
                continue
            entry = event.entry
            _must(not entry.read_back, "read back too early", str(entry))
            if entry.is_measurement:
                # What the clock measured is shown, and nobody has to hear it.
                seq = None if entry.in_time else entry.seq
                said = [p for p in prompts if p.entry == seq and (seq or p.spoken == "")]
                value = said_value(self.state.kind(entry), entry.value)
                _must(any(value in p.text for p in said), "not read back", str(entry))
                if isinstance(entry.value, int | float) and entry.quantity != "tooth":
                    # The last digits of a binary fraction are nobody's reading.
                    same = abs(float(value) - entry.value) < 1e-6
                    _must(same, "read back as another number", f"{value}: {entry}")
        heard = {e.seq for e in self.state.entries if e.read_back}
        new = heard - {e.seq for e in before.entries if e.read_back}
        told = {intent.seq} if isinstance(intent, it.ReadOut) else set()
        _must(new <= told, "heard by nobody", f"{new} after {intent!r}")

    def _check_kept(self, before: CaseState) -> None:
        """Nothing acknowledged is lost, whatever became of it, and all of it is of a
        canal that is there to be looked at."""
        for was, now in zip(before.entries, self.state.entries, strict=False):
            same = all(getattr(was, n) == getattr(now, n) for n in ("seq", "step", "value"))
            if not same:
                raise Broken("entry lost", f"{was}: {now}")
        beside = ("dictated", "conditions", "takeovers", "visits")
        for name in ("entries", "warnings", "skipped", "rejected", "changes", *beside):
            shorter = len(getattr(self.state, name)) < len(getattr(before, name))
            _must(not shorter, "record shortened", name)
        names = {track.name for track in self.state.tracks}
        of = {e.track for e in self.state.entries} | {w.track for w in self.state.warnings}
        _must(of <= names, "canal lost", str(of - names))

    def _check_closed(self, before: CaseState) -> None:
        """A signed case gains addenda and notes of trouble, and nothing else."""
        was = before.model_dump(exclude=FOR_GOOD)
        _must(self.state.model_dump(exclude=FOR_GOOD) == was, "signed case changed", "")
        heard = {"read_back": True}
        kept = [e.model_copy(update=heard) for e in before.entries]
        now = [e.model_copy(update=heard) for e in self.state.entries]
        _must(kept == now, "signed entries changed", "")
        for name in ("addenda", "rejected", "interruptions"):
            old, new = getattr(before, name), getattr(self.state, name)
            _must(new[: len(old)] == old, "signed record shortened", name)

    def check_replay(self) -> None:
        """Events written to JSON and read again give the same state, to the bit."""
        try:
            lines = [ev.EVENTS.dump_json(one) for one in self.log]
            again = replay(ev.EVENTS.validate_json(line) for line in lines)
        except ValueError as error:
            raise Broken("not recordable", str(error)) from error
        same = again.model_dump_json() == self.state.model_dump_json()
        _must(same and again == self.state, "replay differs", "")

    def check_way_on(self) -> None:
        """Somebody who only answers what is asked brings some canal further."""
        ahead = Case(self.protocol, self.instruments)
        ahead.state, ahead.mono_s, state = self.state, self.mono_s, self.state
        placed = _places(state)
        for _ in range(ANSWERS_AHEAD):
            if state.signed is not None:
                return
            intent, after_s = polite(state)
            ahead.mono_s += after_s
            try:
                state = decide(state, intent, ahead.now()).state
            except Exception as error:
                raise Broken(f"exception {type(error).__name__}", repr(intent)) from error
            if _places(state) != placed:
                return
        raise Broken("dead end", f"nothing moves after {ANSWERS_AHEAD} answers: {placed}")

    def finish(self) -> int:
        """Answer what is asked until the note is signed; how many answers it took."""
        bound = 150 * (1 + max(2, len(self.state.canals)))
        for said in range(bound):
            if self.state.signed is not None:
                return said
            self.give(*polite(self.state))
        raise Broken("dead end", f"not signed after {bound} answers at {self.state.here}")


def polite(state: CaseState) -> tuple[it.AnyIntent, float]:
    """What somebody polite says next; no post in every other canal, so that cases are
    backfilled as well as ended at a post level."""
    intent, after_s = cooperative(state)
    names = [track.name for track in state.canals]
    asked = state.step is not None and state.step.expect.quantity == "post_planned"
    if asked and isinstance(intent, it.Chosen) and names.index(state.active) % 2 == 0:
        return it.Chosen(option="no"), after_s
    return intent, after_s


def _places(state: CaseState) -> object:
    return [(track.name, track.step, track.rounds) for track in state.tracks]


def _same(one: object, other: object) -> bool:
    return one == other and type(one) is type(other)


def _must(holds: bool, kind: str, what: str) -> None:
    if not holds:
        raise Broken(kind, what)

"""The state of a case: everything known, nothing derived, immutable.

It is rebuilt from the journal by ``apply`` alone, to the bit, so it holds only
what events put there. What follows from it (limits, computed lengths, which
branch is open) is computed in ``progress/facts.py``.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Literal

from assistant.progress.entries import (
    Addendum,
    CaseChange,
    Entry,
    Noted,
    Origin,
    PersonRole,
    Rejected,
    Remark,
    Seal,
    Skipped,
    Takeover,
    Visit,
    Warning,
)
from assistant.progress.intents import (
    Heard,
    Part,
    PreparedValue,
    Scalar,
    ValueKind,
)
from assistant.protocol.frozen import Frozen
from assistant.protocol.model import AT_CANALS, FINISHED, Protocol, Step
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import PluggerFile
from assistant.protocol.roles import Role

CASE = "case"
"""Name of the track that holds the opening and closing steps."""

VISIT = "visit"
"""What a question is about that no step asks: whether the case is closed for today."""

KIND_OF: dict[str, ValueKind] = {
    "measure": "mm",
    "readings": "mm",
    "size": "size",
    "taper": "taper",
    "timed": "s",
    "tooth": "tooth",
    "canals": "canals",
}
"""Which kind of value each expectation takes; others take none."""


class Timer(Frozen):
    """A running timed act; ``warnings_before`` is how many were on record at its start,
    ``delay_s`` as in :class:`Entry`."""

    track: str
    step: str
    mode: Literal["hold", "until_off"]
    started: Moment
    target_s: float
    warnings_before: int = 0
    delay_s: float | None = None


class Pending(Frozen):
    """A doubtful value that waits for "confirm" or "no"; with a ``rival`` it waits for
    one of the two values instead, or "neither".

    Attributes:
        rival: the other value that it may have been, offered beside it; None if there
            is none.
        corrects: number of the entry it would replace, or None.
        why: why it is questioned.
        warned: urgent warnings it would raise, said at once all the same.
        rest: what followed it in the same sentence; it is questioned along and taken
            with the "confirm", each value by its own rules.
        step: the step it is for, None for the present one.
        revises: number of the standing entry that later ones rest on: the question is
            whether the value corrects it or what it was about was done again.
    """

    kind: ValueKind | Literal["option"]
    quantity: str
    value: Scalar
    corrects: int | None
    heard: Heard
    why: str
    warned: tuple[str, ...] = ()
    origin: Origin = "said"
    rest: tuple[Part, ...] = ()
    rival: Scalar | None = None
    step: str | None = None
    revises: int | None = None

    @property
    def offers(self) -> tuple[Scalar, ...]:
        """The two values that the question offers; none where it offers one alone."""
        return () if self.rival is None else (self.value, self.rival)


class HeatOff(Frozen):
    """When the heat of a cycle went off, on the clock of this run of the program;
    ``warnings_before`` as in :class:`Timer`."""

    at: Moment
    warnings_before: int


class Aside(Frozen):
    """What is asked about a finding beside the sequence: a step of it, and which of the
    findings of its kind in this track it is, from 1."""

    finding: str
    step: str
    round: int
    answered: bool = False


class Junction(Frozen):
    """Where a canal runs into another; it is filled to there."""

    canal: str
    at_mm: float


class Track(Frozen):
    """The place of one canal (or of the case) in the sequence.

    ``visited`` is the path so far, (step id, round), for "back"; ``rounds``
    counts the loops (cycles, increments); ``answered`` tells that the present
    step has its value and only a warning keeps the track there; ``heat_off`` is set in
    the round whose heat is off and whose press has not begun; ``closed`` tells why
    nothing more is done in a canal that is not there; ``joins`` where it ends in another;
    ``redone`` is how many entries there
    were when a part of it was last done again; ``asides`` are the findings still asked
    about, the newest first.
    """

    name: str
    step: str
    visited: tuple[tuple[str, int], ...] = ()
    rounds: tuple[tuple[str, int], ...] = ()
    answered: bool = False
    heat_off: HeatOff | None = None
    closed: str | None = None
    joins: Junction | None = None
    redone: int = 0
    asides: tuple[Aside, ...] = ()

    def round(self, loop: str | None) -> int:
        """The number of the present cycle or increment, 1 outside loops."""
        return dict(self.rounds).get(loop, 1) if loop else 1

    @property
    def finished(self) -> bool:
        """True when no step is left, or nothing is to be done."""
        return (self.step == FINISHED or self.closed is not None) and not self.asides


_NONE: frozenset[str] = frozenset()


class CaseState(Frozen):
    """One case. See the module docstring."""

    case_code: str
    operator: str
    demo: bool
    protocol: Protocol
    opened: Moment
    tracks: tuple[Track, ...]
    active: str = CASE
    who: PersonRole = "operator"
    assistant: str = ""
    people: tuple[str, ...] = ()
    takeovers: tuple[Takeover, ...] = ()
    entries: tuple[Entry, ...] = ()
    warnings: tuple[Warning, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    timer: Timer | None = None
    pending: Pending | None = None
    paused: bool = False
    signed: Moment | None = None
    instruments: PluggerFile | None = None
    interruptions: tuple[tuple[Moment, str], ...] = ()
    addenda: tuple[Addendum, ...] = ()
    prepared: tuple[PreparedValue, ...] = ()
    remarks: tuple[tuple[str, str], ...] = ()
    changes: tuple[CaseChange, ...] = ()
    proposed: CaseChange | None = None
    seals: tuple[Seal, ...] = ()
    dictated: tuple[Remark, ...] = ()
    conditions: tuple[Noted, ...] = ()
    visits: tuple[Visit, ...] = ()
    visit_began: Moment | None = None
    resting: bool = False

    def track(self, name: str) -> Track:
        """The track of that name.

        Raises:
            KeyError: there is none.
        """
        for track in self.tracks:
            if track.name == name:
                return track
        raise KeyError(name)

    @cached_property
    def here(self) -> Track:
        """The track being worked on."""
        return self.track(self.active)

    @cached_property
    def canals(self) -> tuple[Track, ...]:
        """The canal tracks, in the order they were named."""
        return tuple(track for track in self.tracks if track.name != CASE)

    @cached_property
    def aside(self) -> Aside | None:
        """What is asked beside the sequence now; a running timer comes first."""
        asides = self.here.asides
        return asides[0] if asides and self.timer is None else None

    @cached_property
    def step(self) -> Step | None:
        """The step being asked for; None when the active canal is finished."""
        return self.in_turn if self.aside is None else self.protocol.by_id[self.aside.step]

    @cached_property
    def answered(self) -> bool:
        """Whether the step being asked for has its answer."""
        return self.here.answered if self.aside is None else self.aside.answered

    @cached_property
    def round(self) -> int:
        """The number of the round of the step being asked for, 1 outside loops."""
        if self.aside is not None:
            return self.aside.round
        return self.here.round(self.in_turn.loop) if self.in_turn else 1

    @cached_property
    def in_turn(self) -> Step | None:
        """The step of the sequence that the active track has come to."""
        if self.here.step in {FINISHED, AT_CANALS}:
            return None
        return self.protocol.by_id[self.here.step]

    def role(self, entry: Entry) -> Role | None:
        """What an entry is to the program, by its step."""
        return self.protocol.by_id[entry.step].role

    def kind(self, entry: Entry) -> ValueKind | None:
        """Which kind of value the step of an entry takes."""
        return KIND_OF.get(self.protocol.by_id[entry.step].expect.kind)

    def standing(self, track: str, of: Role | Step | None = None) -> tuple[Entry, ...]:
        """Entries of a track that count, by the time they were made: those of a role, or
        of the quantity of a step, or all."""
        steps = self.protocol.steps_of.get(of, _NONE) if isinstance(of, Role) else None
        quantity = of.expect.quantity if isinstance(of, Step) else None
        return tuple(
            entry
            for entry in self._standing.get(track, ())
            if (steps is None or entry.step in steps) and quantity in (None, entry.quantity)
        )

    @cached_property
    def _standing(self) -> Mapping[str, list[Entry]]:
        """The entries that count, by their tracks."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.standing == "standing":
                found.setdefault(entry.track, []).append(entry)
        return found

    def newest(self, track: str, of: Role | Step | None = None) -> Entry | None:
        """The newest standing entry of a track, see :meth:`standing`."""
        return next(reversed(self.standing(track, of)), None)

    def place(self, entry: Entry) -> int:
        """Where an entry stands in the sequence: at the number of the entry it (or
        what it replaced) first stood in for, however late it was corrected."""
        while entry.replaces is not None:
            entry = self.entries[entry.replaces - 1]
        return entry.seq

    def in_sequence(self, track: str, of: Role | Step | None = None) -> tuple[Entry, ...]:
        """As :meth:`standing`, in the order of the sequence."""
        return tuple(sorted(self.standing(track, of), key=self.place))

    def last(self, track: str, of: Role | Step) -> Entry | None:
        """The standing entry that is furthest on in the sequence, see :meth:`standing`."""
        return next(reversed(self.in_sequence(track, of)), None)

    @cached_property
    def tooth(self) -> int | None:
        """The tooth in ISO 3950 notation, or None before it is named."""
        entry = self.newest(CASE, self.protocol.asking("tooth"))
        return int(entry.value) if entry and isinstance(entry.value, int) else None

    def person_role(self, entry: Entry) -> PersonRole:
        """What the person was whose entry it is."""
        if entry.role is not None:
            return entry.role
        operated = {one.before for one in self.takeovers} | {self.operator}
        return "operator" if entry.by in operated else "chairside"

    def open_warnings(self, track: str) -> tuple[Warning, ...]:
        """Urgent warnings of a track that have not been answered."""
        return tuple(w for w in self._open if w.track == track)

    @cached_property
    def _open(self) -> list[Warning]:
        return [warning for warning in self.warnings if warning.open]

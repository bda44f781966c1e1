"""The state of a case: everything known, nothing derived, immutable.

It is rebuilt from the journal by ``apply`` alone, to the bit, so it holds only
what events put there. What follows from it (limits, computed lengths, which
branch is open) is computed in ``progress/facts.py``.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal

from assistant.progress.intents import (
    ChangeKind,
    Channel,
    Heard,
    Part,
    PreparedValue,
    Scalar,
    ValueKind,
)
from assistant.protocol.conditions import Condition
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

Origin = Literal["said", "computed", "timed"]
PersonRole = Literal["operator", "chairside"]
Standing = Literal["standing", "undone", "replaced", "superseded"]
"""``superseded``: it was so, until that part of the filling was done again."""


class Entry(Frozen):
    """One value in the record.

    Attributes:
        seq: number of the entry in the case, from 1.
        track: canal name, or ``case``.
        round: number of the cycle or increment, 1 outside loops.
        origin: dictated, computed and accepted, or measured by the timer.
        confirmed: an explicit "confirm" preceded it.
        read_back: it was said (or shown, in silent mode) to the room.
        cut_short: a timed act that ended before its time.
        delay_s: of a press, the seconds from "heat off" to the first pressure; None
            where no heat went off before it.
        target_s: of a timed act, what its timer counted to; None where it was dictated, and
            in journals from before presses differed.
        replaces: number of the entry it stands in for, or None.
        correction: it replaces by a correction, not because a step was done again.
        role: what ``by`` was then; None in journals from before it was kept, see
            :meth:`CaseState.person_role`.
    """

    seq: int
    track: str
    step: str
    quantity: str
    round: int
    value: Scalar
    origin: Origin
    heard: Heard
    by: str
    at: Moment
    confirmed: bool = False
    read_back: bool = False
    cut_short: bool = False
    delay_s: float | None = None
    target_s: float | None = None
    replaces: int | None = None
    correction: bool = False
    standing: Standing = "standing"
    role: PersonRole | None = None

    @property
    def is_measurement(self) -> bool:
        """Whether the value is a measurement (or what is read back as one) and not
        one of a step's options."""
        return not isinstance(self.value, str)

    @property
    def in_time(self) -> bool:
        """Whether the clock measured it and it was not cut short: nothing that could be
        misheard, so it is shown and not said."""
        return self.origin == "timed" and not self.cut_short

    @property
    def unheard(self) -> bool:
        """Whether it is a measurement that the room was to hear and did not."""
        return self.is_measurement and not self.read_back and not self.in_time


class Warning(Frozen):
    """One safety rule that fired, and how it was answered (None: not yet).

    ``spoken`` is what is said in the place of ``text``, None for the text itself, empty
    for what is only shown.
    """

    seq: int
    rule: str
    severity: str
    text: str
    track: str
    step: str
    entry: int | None
    at: Moment
    answer: str | None = None
    spoken: str | None = None

    @property
    def open(self) -> bool:
        """True while the case must not go on without an answer."""
        return self.severity == "urgent" and self.answer is None


class Skipped(Frozen):
    """A step left out, with the reason given."""

    track: str
    step: str
    round: int
    reason: str
    at: Moment


class Rejected(Frozen):
    """Something heard that did not enter the record, and why."""

    track: str
    step: str | None
    text: str
    reason: str
    at: Moment


class Remark(Frozen):
    """What was dictated beside the steps, as it was told and checked by nobody.

    Attributes:
        track, step: where the work stood.
        replaces: number of the remark it stands in for, or None.
    """

    seq: int
    track: str
    step: str
    text: str
    by: str
    role: PersonRole
    channel: Channel
    at: Moment
    replaces: int | None = None
    standing: Standing = "standing"


class Noted(Frozen):
    """A material or condition as it was told; of each the newest stands."""

    condition: Condition
    text: str
    by: str
    role: PersonRole
    channel: Channel
    at: Moment


class Visit(Frozen):
    """A visit that was closed, with what was left in the tooth and what is planned;
    ``entries`` is how many there were at its end."""

    number: int
    began: Moment
    ended: Moment
    signed_by: str
    assistant: str
    dressing: str
    plan: str
    entries: int
    heard: Heard


class Takeover(Frozen):
    """Somebody operates, or assists, in the place of another (``before``; empty: nobody was
    named) from then on."""

    role: PersonRole
    name: str
    before: str
    heard: Heard
    at: Moment


class CaseChange(Frozen):
    """A change of the case, or a part of a canal that is done again; see
    :class:`~assistant.progress.intents.Change`.

    Attributes:
        reason: why, empty if it tells itself.
        odd: what is unusual about it for this tooth, said with the question.
        step, round: where the canal goes on, of a part that is done again.
        superseded: numbers of the entries that this part had until then.
    """

    what: ChangeKind
    canal: str | None
    to: str | None
    tooth: int | None
    reason: str
    heard: Heard
    by: str
    at: Moment
    odd: str = ""
    mm: float | None = None
    step: str | None = None
    round: int = 1
    superseded: tuple[int, ...] = ()


class Addendum(Frozen):
    """What was added after the signature; the signed record stays as it is."""

    text: str
    by: str
    at: Moment


class Seal(Frozen):
    """The head of a signed case as it was kept outside its journal.

    Attributes:
        at: when that was done.
        lines, head: number and hash of the journal's last entry before this one.
        trail_lines, trail_head: the same of the audit trail, whose last entry then told of
            this head; None outside a store.
        jws: signature over all of that, JWS in its compact form; None without a key.
        key: SHA-256 of the public key, hexadecimal.
        by: the name that stands with the key.
    """

    at: Moment
    lines: int
    head: str
    trail_lines: int | None = None
    trail_head: str | None = None
    jws: str | None = None
    key: str | None = None
    by: str | None = None


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
            for entry in self.entries
            if entry.standing == "standing"
            and entry.track == track
            and (steps is None or entry.step in steps)
            and quantity in (None, entry.quantity)
        )

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
        return tuple(w for w in self.warnings if w.open and w.track == track)

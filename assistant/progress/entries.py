"""What is put on record in a case, each piece by itself and immutable."""

from __future__ import annotations

from typing import Literal

from assistant.progress.intents import ChangeKind, Channel, Heard, Scalar
from assistant.protocol.conditions import Condition
from assistant.protocol.frozen import Frozen
from assistant.protocol.moment import Moment

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
            :meth:`.state.CaseState.person_role`.
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

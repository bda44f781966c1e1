"""What happened, typed. The journal holds these; ``apply`` turns them into state.

An event says what was decided, never why it could be computed: replay runs no
rule and no step machine, so an old journal reads the same under new code.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from assistant.progress.entries import (
    Addendum,
    CaseChange,
    Entry,
    Noted,
    PersonRole,
    Rejected,
    Remark,
    Seal,
    Skipped,
    Takeover,
    Visit,
    Warning,
)
from assistant.progress.intents import Heard, PreparedValue, Scalar
from assistant.progress.state import Pending, Timer
from assistant.protocol.frozen import Frozen
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import PluggerFile


class CaseOpened(Frozen):
    """First event. Carries the whole protocol, so that the limits that were in
    force stay with the case whatever happens to the file; the practice's own
    instruments, if they were given; who assists; and ``people``, who can operate, whom a
    letter stands for ("operator B")."""

    kind: Literal["case_opened"] = "case_opened"
    at: Moment
    case_code: str
    operator: str
    demo: bool
    program: str
    protocol: Protocol
    instruments: PluggerFile | None = None
    machine: str = ""
    assistant: str = ""
    people: tuple[str, ...] = ()


class CasePrepared(Frozen):
    """What the set-up of the case holds. Its values enter when their step is reached, each
    as an entry of its own. ``remarks`` are in journals from before conditions were kept as
    events of their own."""

    kind: Literal["case_prepared"] = "case_prepared"
    at: Moment
    values: tuple[PreparedValue, ...]
    remarks: tuple[tuple[str, str], ...] = ()


class EntryMade(Frozen):
    """A value entered the record, perhaps in the place of another."""

    kind: Literal["entry_made"] = "entry_made"
    entry: Entry


class EntryUndone(Frozen):
    """An entry was taken back by voice; ``restores`` the one it had corrected."""

    kind: Literal["entry_undone"] = "entry_undone"
    seq: int
    restores: int | None = None
    at: Moment


class EntryReadBack(Frozen):
    """The room has heard (or seen) this entry."""

    kind: Literal["entry_read_back"] = "entry_read_back"
    seq: int
    at: Moment


class ConfirmAsked(Frozen):
    """A doubtful value was questioned instead of stored."""

    kind: Literal["confirm_asked"] = "confirm_asked"
    pending: Pending
    at: Moment


class ConfirmDropped(Frozen):
    """The questioned value was refused; what was heard is kept."""

    kind: Literal["confirm_dropped"] = "confirm_dropped"
    rejected: Rejected


class Refused(Frozen):
    """A clear request that cannot be met here; ``reason`` is a wording key."""

    kind: Literal["refused"] = "refused"
    rejected: Rejected
    detail: tuple[tuple[str, str], ...] = ()


class NotUnderstood(Frozen):
    """Sound that was no clear phrase of this step."""

    kind: Literal["not_understood"] = "not_understood"
    rejected: Rejected
    confidence: float
    readings: tuple[str, ...] = ()


class Warned(Frozen):
    """A safety rule fired."""

    kind: Literal["warned"] = "warned"
    warning: Warning


class WarningAnswered(Frozen):
    """How a warning was dealt with."""

    kind: Literal["warning_answered"] = "warning_answered"
    seq: int
    answer: str
    at: Moment


class StepReached(Frozen):
    """A track moved. ``via`` is done, back, undo, skip or again."""

    kind: Literal["step_reached"] = "step_reached"
    track: str
    step: str
    via: Literal["done", "back", "undo", "skip", "again"]
    loop: str | None = None
    round: int = 1
    at: Moment


class AsideReached(Frozen):
    """What is asked about a finding, beside the sequence; ``step`` None: nothing more.
    ``round`` is which finding of its kind it is in this track."""

    kind: Literal["aside_reached"] = "aside_reached"
    track: str
    finding: str
    round: int
    step: str | None
    at: Moment


class StepSkipped(Frozen):
    """A step was left out."""

    kind: Literal["step_skipped"] = "step_skipped"
    skipped: Skipped


class TimerStarted(Frozen):
    """A press or a heat activation began."""

    kind: Literal["timer_started"] = "timer_started"
    timer: Timer


class TimerEnded(Frozen):
    """It ended; the duration is in the entry that follows. ``ended``: when it was said
    to, which is before it was understood; None in journals from before it was kept."""

    kind: Literal["timer_ended"] = "timer_ended"
    at: Moment
    duration_s: float
    reason: Literal["complete", "stopped", "interrupted"]
    ended: Moment | None = None


class TrackSelected(Frozen):
    """Work went on with another canal."""

    kind: Literal["track_selected"] = "track_selected"
    track: str
    at: Moment


class Paused(Frozen):
    """Nothing is taken but "resume" until then."""

    kind: Literal["paused"] = "paused"
    at: Moment


class Resumed(Frozen):
    """The pause is over."""

    kind: Literal["resumed"] = "resumed"
    at: Moment


class ChangeAsked(Frozen):
    """A change of the case was said; it waits for its "confirm"."""

    kind: Literal["change_asked"] = "change_asked"
    change: CaseChange


class ChangeDropped(Frozen):
    """The change was not confirmed; what was heard is kept."""

    kind: Literal["change_dropped"] = "change_dropped"
    rejected: Rejected


class CaseChanged(Frozen):
    """The change counts. What was done stays on record."""

    kind: Literal["case_changed"] = "case_changed"
    change: CaseChange


class CaseReopened(Frozen):
    """The program started again on an unfinished case; ``running`` is the timed act that
    it was stopped in; ``since`` what happened to the case meanwhile."""

    kind: Literal["case_reopened"] = "case_reopened"
    at: Moment
    note: str
    since: str = ""
    machine: str = ""
    running: Timer | None = None


class TakenOver(Frozen):
    """Somebody operates, or assists, in the place of another."""

    kind: Literal["taken_over"] = "taken_over"
    takeover: Takeover


class ConditionNoted(Frozen):
    """A material or condition was told."""

    kind: Literal["condition_noted"] = "condition_noted"
    noted: Noted


class VisitEnded(Frozen):
    """The case was closed for today, and signed as a visit."""

    kind: Literal["visit_ended"] = "visit_ended"
    visit: Visit


class RemarkMade(Frozen):
    """Something was dictated beside the steps, perhaps in the place of another remark."""

    kind: Literal["remark_made"] = "remark_made"
    remark: Remark


class RemarkDropped(Frozen):
    """A remark was taken back."""

    kind: Literal["remark_dropped"] = "remark_dropped"
    seq: int
    at: Moment


class SpeakerNamed(Frozen):
    """Entries are from now on this person's."""

    kind: Literal["speaker_named"] = "speaker_named"
    who: PersonRole
    at: Moment


class Queried(Frozen):
    """A question was answered; changes nothing."""

    kind: Literal["queried"] = "queried"
    what: str
    heard: Heard
    at: Moment


class TroubleMet(Frozen):
    """A device or an engine failed or came back."""

    kind: Literal["trouble_met"] = "trouble_met"
    text: str
    at: Moment


class NoteSigned(Frozen):
    """The operator signed; the case takes no more entries, only addenda."""

    kind: Literal["note_signed"] = "note_signed"
    operator: str
    at: Moment


class AddendumMade(Frozen):
    """Something was added to a signed case."""

    kind: Literal["addendum_made"] = "addendum_made"
    addendum: Addendum


class HeadSealed(Frozen):
    """The head of a signed case was kept outside its journal, and signed if there was a
    key."""

    kind: Literal["head_sealed"] = "head_sealed"
    seal: Seal


AnyEvent = (
    CaseOpened
    | CasePrepared
    | EntryMade
    | EntryUndone
    | EntryReadBack
    | ConfirmAsked
    | ConfirmDropped
    | Refused
    | NotUnderstood
    | Warned
    | WarningAnswered
    | StepReached
    | AsideReached
    | StepSkipped
    | TimerStarted
    | TimerEnded
    | TrackSelected
    | ChangeAsked
    | ChangeDropped
    | CaseChanged
    | Paused
    | Resumed
    | CaseReopened
    | SpeakerNamed
    | TakenOver
    | ConditionNoted
    | VisitEnded
    | RemarkMade
    | RemarkDropped
    | Queried
    | TroubleMet
    | NoteSigned
    | AddendumMade
    | HeadSealed
)

EVENTS: TypeAdapter[AnyEvent] = TypeAdapter(Annotated[AnyEvent, Field(discriminator="kind")])
"""Reads an event from the journal's plain data and writes it back."""

__all__ = ["EVENTS", "AnyEvent", "Scalar"]

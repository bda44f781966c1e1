"""The shape of the machine-readable record: the models its JSON Schema is made from.

Units stand in the names, as in ``working_length_mm``; an entry's ``kind`` tells the unit
of its value.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from assistant.progress.entries import Origin, PersonRole, Standing
from assistant.progress.intents import ChangeKind, Channel, ValueKind
from assistant.protocol.conditions import Condition
from assistant.protocol.rule import Severity

SCHEMA_VERSION = "1.3"

SCHEMA_ID = f"urn:fillwarm:case-record:{SCHEMA_VERSION}"

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _Part(BaseModel):
    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,  # as strict as the schema: no "16" for 16
        use_attribute_docstrings=True,
        allow_inf_nan=False,
    )


class LimitRecord(_Part):
    """A number of the protocol that was in force."""

    name: str
    """Name with its unit, as ``short_of_wl_mm``."""
    value: float
    source: str


class ProtocolRecord(_Part):
    """The protocol the case was worked by."""

    id: str
    title: str
    version: int
    limits: list[LimitRecord]


class ToothRecord(_Part):
    """The tooth, in both notations."""

    fdi: int
    """ISO 3950 (FDI) number."""
    universal: int
    """Universal number, 1 to 32."""
    name: str


class HeardRecord(_Part):
    """How an entry reached the program."""

    text: str
    """The words as heard or typed; empty for keys, pedal and clock."""
    confidence: float
    """0 to 1; 1 for keys and typed lines."""
    doubt: str | None
    """Why it had to be confirmed, or null."""
    channel: Channel


class EntryRecord(_Part):
    """One value, whether it still stands or not."""

    seq: int
    canal: str | None
    """Null for the case as a whole."""
    step: str
    quantity: str
    """What was given, by the name the protocol has for it."""
    kind: ValueKind | None = None
    """Of the value: mm; s; size, in hundredths of a mm; taper, in mm per mm; tooth; canals.
    Null where there is an answer instead, and in records of schema 1.1."""
    round: int
    """Number of the cycle, increment or reading; 1 elsewhere."""
    value: int | float | str | list[str]
    origin: Origin
    """said: dictated or keyed; computed: by the program, accepted; timed: by the program."""
    standing: Standing
    replaced_by: int | None
    """seq of the entry that stands in for a replaced one, if it can be told."""
    confirmed: bool
    """An explicit confirmation preceded it."""
    read_back: bool
    """It was said or shown to the room."""
    cut_short: bool
    """A timed act that ended before its time."""
    by: str
    role: PersonRole | None = None
    """What that person was then; null in records of schema 1.2 and before."""
    at: AwareDatetime
    clock_s: float
    """Seconds on the monotonic clock; differences count within one run of the program."""
    heard: HeardRecord


class TimingRecord(_Part):
    """A timed act: a heat activation, or a press."""

    canal: str | None
    step: str
    round: int
    entry: int
    """seq of its entry."""
    duration_s: float
    planned_s: float | None
    """What it was to take: least time of a press (the last cycle's has its own), longest of
    a heat activation."""
    cut_short: bool
    standing: Standing
    """replaced: made, and made again; undone: taken back by voice."""
    delay_s: float | None = None
    """Of a press: from heat off to the first pressure; null where none was timed."""
    ended_at: AwareDatetime


class WarningRecord(_Part):
    """A safety rule that fired."""

    seq: int
    rule: str
    severity: Severity
    text: str
    canal: str | None
    step: str
    entry: int | None
    """seq of the entry that tripped it, or null for a skip or a running timer."""
    at: AwareDatetime
    answer: str | None
    """How it was answered; null if not, or if no answer was asked."""
    open: bool
    """It waits for an answer still."""


class SkippedRecord(_Part):
    """A step left out, with the reason given."""

    canal: str | None
    step: str
    round: int
    reason: str
    at: AwareDatetime


class RejectedRecord(_Part):
    """Something heard that did not enter the record."""

    canal: str | None
    step: str | None
    text: str
    """As heard."""
    reason: str
    at: AwareDatetime


class PendingRecord(_Part):
    """A doubtful value that waits for confirmation; it is not in the record."""

    kind: ValueKind | Literal["option"]
    quantity: str
    value: int | float | str | list[str]
    rival: int | float | str | list[str] | None = None
    """The other of two values that the question offers; null where it offers one."""
    why: str
    heard: HeardRecord


class RemarkRecord(_Part):
    """What was dictated beside the steps: text that nobody checked."""

    seq: int
    canal: str | None
    step: str | None
    text: str
    by: str
    role: PersonRole
    channel: Channel
    at: AwareDatetime
    replaces: int | None
    standing: Standing


class ConditionRecord(_Part):
    """A material or condition as it was told."""

    condition: Condition
    text: str
    by: str
    role: PersonRole
    channel: Channel
    at: AwareDatetime
    stands: bool
    """It was told last."""


class VisitRecord(_Part):
    """A visit that was closed and signed; the case was gone on with another time, or is to
    be."""

    number: int
    began_at: AwareDatetime
    ended_at: AwareDatetime
    signed_by: str
    assistant: str
    """Empty: nobody was named."""
    dressing: str
    plan: str
    entries: int
    """How many entries the case had at its end."""


class TakeoverRecord(_Part):
    """Somebody operated, or assisted, in the place of another from then on."""

    role: PersonRole
    name: str
    before: str
    """Empty: nobody was named."""
    at: AwareDatetime


class ChangeRecord(_Part):
    """The case turned out otherwise, or a part of a canal was done again."""

    what: ChangeKind
    canal: str | None
    to: str | None
    """The other name of a canal, the canal it joins, or the part that was done again."""
    tooth: int | None
    mm: float | None = None
    """Depth at which canals join, or to which a fill was removed."""
    reason: str
    by: str
    at: AwareDatetime
    superseded: list[int]
    """Entries that the part had until then."""


class InterruptionRecord(_Part):
    """The program was started again, or a device failed."""

    at: AwareDatetime
    text: str


class AddendumRecord(_Part):
    """What was added after the signature."""

    text: str
    by: str
    at: AwareDatetime


class ReadingsRecord(_Part):
    """What the newest paper-point readings amount to."""

    centre_mm: float
    """Median."""
    spread_mm: float
    n: int


class FillRecord(_Part):
    """An increment of the backfill with the level it led to."""

    increment: int
    length_mm: float | None
    level_mm: float | None
    """Depth of the top of the fill, computed; compaction is not."""


class JunctionRecord(_Part):
    """Where a canal joins another."""

    canal: str
    at_mm: float


class CanalRecord(_Part):
    """One canal: where it stands, and what is computed from its entries.

    Every depth is in mm from the canal's reference point; null is unknown.
    """

    name: str
    step: str
    """The step it stands at, or ``finished``."""
    closed: str | None = None
    """Why nothing more is done in a canal that is not there."""
    joins: JunctionRecord | None = None
    working_length_mm: float | None
    """What is filled: of a canal that joins another no more than down to there."""
    working_length_final: bool
    """False while only the provisional length is known."""
    depth_limit_mm: float | None
    readings: ReadingsRecord | None
    new_tip_mm: float | None
    """Diameter of the master cone's tip after the cut back."""
    cones_refitted: int
    downpack_cycles: int
    fill_levels: list[FillRecord]
    fill_level_mm: float | None
    apical_seal_mm: float | None
    """Filling between its top and the working length, where a post level was given."""


class CaseRecord(_Part):
    """A root canal filling as it was dictated, timed and computed."""

    schema_version: Literal["1.1", "1.2", "1.3"]
    demonstration: bool
    """True: a rehearsal with invented data."""
    statement: str
    """What the record is, and is not."""
    case_code: str
    operator: str
    opened_at: AwareDatetime
    last_at: AwareDatetime
    """Time of the last thing on record."""
    signed_at: AwareDatetime | None
    """Null: not signed."""
    signed_by: str | None
    signed_for: list[str] = []
    """Who else operated; the signature is for their work too."""
    assistant: str | None = None
    takeovers: list[TakeoverRecord] = []
    duration_s: float
    """From opening to the signature, else to the last thing on record, by the wall clock."""
    head_hash: str = Field(pattern="^[0-9a-f]{64}$")
    """SHA-256 of the last line of the journal, which stands for all of it."""
    protocol: ProtocolRecord
    tooth: ToothRecord | None
    canals: list[CanalRecord]
    entries: list[EntryRecord]
    timings: list[TimingRecord]
    warnings: list[WarningRecord]
    skipped: list[SkippedRecord]
    rejected: list[RejectedRecord]
    pending: PendingRecord | None
    conditions: list[ConditionRecord] = []
    visits: list[VisitRecord] = []
    remarks: list[RemarkRecord] = []
    changes: list[ChangeRecord] = []
    interruptions: list[InterruptionRecord]
    addenda: list[AddendumRecord]


def json_schema() -> dict[str, Any]:
    """The published JSON Schema of the record, draft 2020-12."""
    schema = CaseRecord.model_json_schema(mode="serialization")
    return {"$schema": _DIALECT, "$id": SCHEMA_ID, **schema}

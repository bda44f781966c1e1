"""A protocol: phases, steps, limits and safety rules of one technique, as data.

``protocols/*.yaml`` are read into :class:`Protocol`. Clinical numbers and
clinical sentences live in those files; this module says only which shapes
they may have. A limit carries its source, because a number without one
cannot be argued with.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    model_validator,
)

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.files.yamlfile import FROM_FILE
from assistant.protocol import coherence, floor, machine, needs
from assistant.protocol.coherence import misfit, repeated
from assistant.protocol.conditions import Condition
from assistant.protocol.roles import KINDS, Role
from assistant.protocol.templates import Template

FINISHED = machine.FINISHED
"""The place of a canal after its last step."""

AT_CANALS = "canals_in_work"
"""The place of the case track while its canals are being filled."""

STAY = "stay"
"""An option that leads here records the answer and asks the same step again."""


WRITTEN: Mapping[str, bool] = {"written": True}
"""Validation context of what a journal holds: it was checked when the case was opened, by
the version of then, and is read as it stands."""


class Frozen(BaseModel):
    """Base of every value in the core: immutable, nothing unknown let in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def model_copy(
        self, *, update: Mapping[str, Any] | None = None, deep: bool = False
    ) -> Self:
        """A copy; what was read off the fields once is read off the new ones."""
        copied = super().model_copy(update=update, deep=deep)
        for name in copied.__dict__.keys() - type(self).model_fields.keys():
            del copied.__dict__[name]
        return copied


class Limit(Frozen):
    """A clinical number with where it comes from."""

    value: float = Field(ge=0, allow_inf_nan=False)
    source: str = Field(min_length=3)


class NotGivenError(ValueError):
    """A limit that the protocol does not give."""


class Limits(BaseModel):
    """Every number a rule, a fact or a timer may use; units in the names.

    Those named here the program knows; a protocol gives the ones that it uses
    (:mod:`.needs`). A rule or a timer may use one under a name of the protocol's own,
    which ends in its unit.
    """

    model_config = ConfigDict(frozen=True, extra="allow")
    __pydantic_extra__: dict[str, Limit] = Field(init=False)

    short_of_wl_mm: Limit | None = None
    at_limit_within_mm: Limit | None = None
    readings_min: Limit | None = None
    readings_agree_mm: Limit | None = None
    cone_wl_within_mm: Limit | None = None
    taper_caution: Limit | None = None
    press_s: Limit | None = None
    heat_s: Limit | None = None
    plunge_min_mm: Limit | None = None
    plunge_max_mm: Limit | None = None
    increment_min_mm: Limit | None = None
    first_increment_max_mm: Limit | None = None
    later_increment_max_mm: Limit | None = None
    apical_seal_min_mm: Limit | None = None
    level_within_mm: Limit | None = None
    apex_locator_agree_mm: Limit | None = None
    dwell_s: Limit | None = None
    press_delay_s: Limit | None = None
    last_press_s: Limit | None = None
    plugger_clearance_mm: Limit | None = None
    cut_error_mm: Limit | None = None
    surface_rise_c: Limit | None = None
    root_wall_mm: Limit | None = None

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        for name, limit in self.given():
            if wrong := _wrong_with(name, limit.value, own=name not in type(self).model_fields):
                raise misfit((name,), wrong)
        return self

    def own(self) -> dict[str, Limit]:
        """The limits under names of the protocol's own."""
        return self.__pydantic_extra__

    def given(self) -> Iterator[tuple[str, Limit]]:
        """Every limit that the protocol gives, with its name, in order."""
        for name in type(self).model_fields:
            limit: Limit | None = getattr(self, name)
            if limit is not None:
                yield name, limit
        yield from self.own().items()

    def value(self, name: str) -> float:
        """The number behind a limit's name.

        Raises:
            NotGivenError: the protocol does not give it.
        """
        found = dict(self.given()).get(name)
        if found is None:
            raise NotGivenError(f"the protocol gives no limit {name}")
        return found.value


def _wrong_with(name: str, value: float, *, own: bool) -> str | None:
    if own and not re.fullmatch(r"[a-z][a-z0-9_]*_(mm|s|c)", name):
        return (
            "not a limit the program knows; one of your own ends in its unit, _mm, _s or _c; "
            f"known: {', '.join(Limits.model_fields)}"
        )
    if name.endswith("_mm") and value > MAX_LENGTH_MM:
        return f"a length is at most {MAX_LENGTH_MM:g} mm"
    if name.endswith("_s") and value <= 0:
        return "a time is more than 0 seconds"
    if name == "readings_min" and (value < 1 or value != int(value)):
        return "a number of readings is 1, 2, 3 or more"
    return None


LimitName = Annotated[str, Field(min_length=1)]
"""Name of a limit that the protocol gives."""

FactName = Literal[
    "readings_wanted",
    "readings_disagree",
    "always",
    "downpack_short",
    "backfill_short",
    "downpack_complete",
    "post_planned",
    "backfill_complete",
]
"""Conditions on a canal, computed in ``procedure/facts.py``."""

SuggestionName = Literal["final_length", "cut_back"]
"""Values the program can compute and offer; ``confirm`` takes them."""


class Option(Frozen):
    """One of the answers of a step, by id; its words are in the grammar.

    ``to`` is the step it leads to; without it the next one, ``stay`` the same. ``change``
    is what of the canal is to be done again, for the answer of a finding; of ``again``,
    ``part`` is the phase.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    to: str | None = None
    change: Literal["again", "reheated", "replaced", "removed", "film"] | None = None
    part: str | None = None


Length = Annotated[float, Field(ge=0, le=MAX_LENGTH_MM, allow_inf_nan=False)]


class _Ranged(Frozen):
    """Which numbers can be such a length at all; the widest range is chosen here."""

    min_mm: Length = 0.0
    max_mm: Length = 35.0

    @model_validator(mode="after")
    def _not_empty(self) -> Self:
        if self.min_mm >= self.max_mm:
            raise ValueError("min_mm must be less than max_mm")
        return self


class Measure(_Ranged):
    """A length in millimetres within ``[min_mm, max_mm]``."""

    kind: Literal["measure"]
    quantity: str
    suggest: SuggestionName | None = None


class Readings(_Ranged):
    """Several readings of one length, until the protocol's facts are content."""

    kind: Literal["readings"]
    quantity: str


class Size(Frozen):
    """An ISO 3630-1 instrument size, 006 to 140."""

    kind: Literal["size"]
    quantity: str


class TaperOf(Frozen):
    """A taper in mm per mm, .02 to .12."""

    kind: Literal["taper"]
    quantity: str


class Choice(Frozen):
    """One of the step's options."""

    kind: Literal["choice"]
    quantity: str


class Done(Frozen):
    """An acknowledgement that something was done."""

    kind: Literal["done"]
    quantity: str


class Timed(Frozen):
    """A timed act: ``hold`` counts down ``limit`` and ends itself; ``until_off``
    counts up, is ended by "stop", and is warned about once past ``limit``. A time
    that is dictated instead may be up to ``max_s``, by default a minute (chosen here).
    A hold with ``starts_after`` begins by itself that long after the heat went off; one
    with ``last_limit`` is held so long in the last cycle that is planned."""

    kind: Literal["timed"]
    quantity: str
    mode: Literal["hold", "until_off"]
    limit: LimitName
    starts_after: LimitName | None = None
    last_limit: LimitName | None = None
    max_s: float = Field(default=60.0, gt=0, allow_inf_nan=False)


class WhichTooth(Frozen):
    """The tooth, in ISO 3950 notation."""

    kind: Literal["tooth"]
    quantity: Literal["tooth"] = "tooth"


class WhichCanals(Frozen):
    """The canals of the tooth, from its handbook anatomy."""

    kind: Literal["canals"]
    quantity: Literal["canals"] = "canals"


class Sign(Frozen):
    """The operator's signature, which closes the case."""

    kind: Literal["sign"]
    quantity: Literal["signature"] = "signature"


Expect = Annotated[
    Measure
    | Readings
    | Size
    | TaperOf
    | Choice
    | Done
    | Timed
    | WhichTooth
    | WhichCanals
    | Sign,
    Field(discriminator="kind"),
]


class Branch(Frozen):
    """Where a step leads when a fact holds; the first branch that holds wins."""

    when: FactName
    to: str


class Step(Frozen):
    """One place in the sequence.

    ``ask`` is said in full verbosity, ``briefly`` in brief; after ``ask`` each of
    ``hints`` of which everything in braces is known. Those of ``shown`` stand on the screen
    only: what decides nothing here, or should not be said beside a patient. All may use the
    fields named in ``protocol/templates.py``, in braces. ``role`` is what its value is to the
    program;
    ``called`` are general names for it among the words of a language ("plugger" for each
    of three). ``loop`` names the round counter (cycle, increment) the step belongs to.
    ``typical_s`` foretells how long is left; its default is chosen here. With ``prepare``
    the answer can be given before the case is begun; with ``once`` the answer of one canal
    is taken for the other canals of the tooth and read back there. A step that is not
    ``asked`` is answered by a set-up, or by name while another is asked; else it is passed
    over.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    phase: str = Field(min_length=1)
    title: str = Field(min_length=1)
    ask: Template
    briefly: Template
    hints: tuple[Template, ...] = ()
    shown: tuple[Template, ...] = ()
    role: Role | None = None
    called: tuple[str, ...] = ()
    expect: Expect
    options: tuple[Option, ...] = ()
    next: tuple[Branch, ...] = ()
    loop: str | None = None
    typical_s: float = Field(default=10.0, gt=0)
    prepare: bool = False
    once: Literal["tooth"] | None = None
    asked: bool = True

    def target(self, to: str) -> str:
        """The step id that a branch or an option of this step leads to."""
        return self.id if to == STAY else to

    @model_validator(mode="after")
    def _answerable(self) -> Step:
        if isinstance(self.expect, Choice) and not self.options:
            raise ValueError("a step that expects a choice needs options")
        if twice := repeated([option.id for option in self.options]):
            raise ValueError(f"option ids must be unique; {twice!r} occurs twice")
        if not self.asked and (not self.prepare or self.next or self.loop):
            raise ValueError(
                "a step that is not asked needs `prepare: true`, and neither `next` nor `loop`"
            )
        if self.role is not None and self.expect.kind not in KINDS[self.role]:
            kinds = " or ".join(sorted(KINDS[self.role]))
            raise ValueError(
                f"role {self.role} is that of a {kinds}, and the step expects a "
                f"{self.expect.kind}"
            )
        return self


SEEN = "seen"
"""The value of an entry that says that something was found."""


class Finding(Frozen):
    """Something that is found or goes wrong, said at any step.

    It is noted as an entry of the step :attr:`noted`; the rules about its quantity caution.
    Then ``steps`` are asked, in their order, beside the sequence. ``of`` tells what it is
    found in; one of the tooth can be said before there are canals.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    title: str = Field(min_length=1)
    of: Literal["canal", "tooth"] = "canal"
    steps: tuple[Step, ...] = ()
    source: str = Field(min_length=3)

    @cached_property
    def noted(self) -> Step:
        """The step that the finding itself answers."""
        return Step(
            id=self.id,
            phase="Findings",
            title=self.title,
            ask=f"{self.title}.",
            briefly=f"{self.title}.",
            expect=Choice(kind="choice", quantity=self.id),
            options=(Option(id=SEEN),),
        )

    @cached_property
    def all_steps(self) -> tuple[Step, ...]:
        """The finding itself, and what is asked about it."""
        return (self.noted, *self.steps)


Severity = Literal["urgent", "alert", "caution", "confirm"]
"""``urgent``: said at once, and the step waits for an answer; ``alert``: said at
once, the case goes on; ``caution``: said in its turn; ``confirm``: the value is
questioned before it enters the record."""

CheckName = Literal[
    "deeper_than_limit",
    "limit_unknown",
    "below",
    "above",
    "first_round_above",
    "first_round_below",
    "last_press_below",
    "later_round_above",
    "short_of_wl",
    "beyond_wl",
    "outside_handbook",
    "option_is",
    "advance_outside",
    "readings_spread",
    "finish_short",
    "seal_below",
    "skipped",
    "not_shallower_than",
    "differs_from_paper_points",
    "odd_canals",
    "cone_misfit",
    "beyond_reach",
    "surface_rise_above",
    "cools_slower",
    "above_fill",
    "not_advanced",
    "advance_above",
    "past_carrier",
    "out_of_order",
    "short_of_limit",
    "past_coronal_level",
    "level_off",
    "late",
]


ACTS: frozenset[CheckName] = frozenset({"skipped", "finish_short", "late"})
"""Checks about what is done, or not yet done, not about a value: they can only be said,
for there is no value to keep, to correct or to question."""


CHECKS_WITHOUT_LIMIT: frozenset[CheckName] = frozenset(
    {
        "limit_unknown",
        "outside_handbook",
        "option_is",
        "skipped",
        "not_shallower_than",
        "odd_canals",
        "cone_misfit",
        "beyond_reach",
        "above_fill",
        "not_advanced",
        "out_of_order",
    }
)
"""Checks that compare with no number of the protocol."""


class Rule(Frozen):
    """A safety rule: when it applies, what is said, how much it matters.

    ``check`` names a test in ``procedure/rules.py``; ``limit`` (and for a
    range ``limit_high``) the number it uses; ``quantities`` or ``steps`` where
    it applies; ``options`` the answers that trip an ``option_is``. ``say`` is said, and
    shown and recorded too where ``shows`` has no longer sentence for that.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9-]*$")
    severity: Severity
    check: CheckName
    quantities: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    limit: LimitName | None = None
    limit_high: LimitName | None = None
    say: Template
    shows: Template | None = None
    source: str = Field(min_length=3)

    @model_validator(mode="after")
    def _sayable(self) -> Rule:
        if self.limit is None and self.check not in CHECKS_WITHOUT_LIMIT:
            raise ValueError(f"check {self.check} needs a limit")
        if self.limit_high is None and self.check == "advance_outside":
            raise ValueError("check advance_outside needs a limit_high")
        if self.check in ACTS and self.severity not in {"alert", "caution"}:
            raise ValueError(f"severity of check {self.check} must be alert or caution")
        return self


Reason = Annotated[str, Field(min_length=3)]


class Unguarded(Frozen):
    """Why a file leaves something without the guard of this name; what they guard
    against tells :mod:`.floor`."""

    heat_depth: Reason | None = None
    heat_fit: Reason | None = None
    heat_time: Reason | None = None
    depth_limit: Reason | None = None
    cut_back: Reason | None = None
    verification_film: Reason | None = None
    final_film: Reason | None = None
    dry_canal: Reason | None = None


class Protocol(Frozen):
    """A whole technique. See ``protocols/warm-vertical.yaml`` for one in use."""

    id: str = Field(pattern=r"^[a-z][a-z0-9-]*$")
    title: str
    version: int = Field(ge=1)
    limits: Limits
    opening: tuple[Step, ...] = Field(min_length=1)
    canal: tuple[Step, ...] = Field(min_length=1)
    closing: tuple[Step, ...] = Field(min_length=1)
    rules: tuple[Rule, ...]
    unguarded: Unguarded = Unguarded()
    conditions: tuple[Condition, ...] = ()
    findings: tuple[Finding, ...] = ()

    def limit(self, name: LimitName) -> float:
        """The number behind a limit's name.

        Raises:
            NotGivenError: the protocol does not give it.
        """
        return self.limits.value(name)

    def steps(self) -> tuple[Step, ...]:
        """Every step, in the order of the file; last those of the findings."""
        found = (step for finding in self.findings for step in finding.all_steps)
        return (*self.opening, *self.canal, *self.closing, *found)

    @cached_property
    def by_id(self) -> Mapping[str, Step]:
        """Every step by its id, in the order of the file."""
        return {step.id: step for step in self.steps()}

    @cached_property
    def finding_of(self) -> Mapping[str, Finding]:
        """The finding that a step belongs to, by the id of the step."""
        return {step.id: one for one in self.findings for step in one.all_steps}

    def part_of(self, step_id: str) -> tuple[Step, ...]:
        """The steps that a step is one of: the opening, those of a canal, the closing."""
        parts = (self.opening, self.canal, self.closing)
        return next(part for part in parts if any(step.id == step_id for step in part))

    @cached_property
    def steps_of(self) -> Mapping[Role, frozenset[str]]:
        """The ids of the steps of each role; a role that no step has is not in it."""
        roles = {step.role for step in self.steps() if step.role is not None}
        return {
            role: frozenset(step.id for step in self.steps() if step.role is role)
            for role in roles
        }

    def with_role(self, role: Role) -> Step | None:
        """The first step of a role, None if the protocol asks for nothing of the kind."""
        return next((step for step in self.steps() if step.role is role), None)

    def asking(self, kind: str) -> Step:
        """The step of a kind that every protocol has once (:data:`.coherence.ONCE`)."""
        return next(step for step in self.steps() if step.expect.kind == kind)

    @model_validator(mode="after")
    def _hangs_together(self, info: ValidationInfo) -> Protocol:
        coherence.check(self, stay=STAY, reserved={FINISHED, AT_CANALS, STAY})
        if info.context != WRITTEN:
            needs.check(self)
        if info.context == FROM_FILE:
            floor.check(self)
        return self

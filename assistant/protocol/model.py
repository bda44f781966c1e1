"""A protocol: phases, steps, limits and safety rules of one technique, as data.

``protocols/*.yaml`` are read into :class:`Protocol`. Clinical numbers and
clinical sentences live in those files; this module says only which shapes
they may have. A limit carries its source, because a number without one
cannot be argued with.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.protocol import coherence, machine
from assistant.protocol.coherence import repeated
from assistant.protocol.templates import Template

FINISHED = machine.FINISHED
"""The place of a canal after its last step."""

AT_CANALS = "canals_in_work"
"""The place of the case track while its canals are being filled."""

STAY = "stay"
"""An option that leads here records the answer and asks the same step again."""


class Frozen(BaseModel):
    """Base of every value in the core: immutable, nothing unknown let in."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Limit(Frozen):
    """A clinical number with where it comes from."""

    value: float = Field(ge=0, allow_inf_nan=False)
    source: str = Field(min_length=3)


class Limits(Frozen):
    """Every number a rule, a fact or a timer may use; units in the names."""

    short_of_wl_mm: Limit
    at_limit_within_mm: Limit
    readings_min: Limit
    readings_agree_mm: Limit
    cone_wl_within_mm: Limit
    taper_caution: Limit
    press_s: Limit
    heat_s: Limit
    plunge_min_mm: Limit
    plunge_max_mm: Limit
    increment_min_mm: Limit
    first_increment_max_mm: Limit
    later_increment_max_mm: Limit
    apical_seal_min_mm: Limit
    level_within_mm: Limit
    # None in protocols, and so in journals, from before they existed.
    apex_locator_agree_mm: Limit | None = None
    dwell_s: Limit | None = None
    plugger_clearance_mm: Limit | None = None
    cut_error_mm: Limit | None = None
    surface_rise_c: Limit | None = None
    root_wall_mm: Limit | None = None

    @field_validator("*")
    @classmethod
    def _sensible(cls, limit: Limit | None, info: ValidationInfo) -> Limit | None:
        if limit is None:
            return None
        name, value = str(info.field_name), limit.value
        if name.endswith("_mm") and value > MAX_LENGTH_MM:
            raise ValueError(f"a length is at most {MAX_LENGTH_MM:g} mm")
        if name.endswith("_s") and value <= 0:
            raise ValueError("a time is more than 0 seconds")
        if name == "readings_min" and (value < 1 or value != int(value)):
            raise ValueError("a number of readings is 1, 2, 3 or more")
        return limit

    def given(self) -> Iterator[tuple[str, Limit]]:
        """Every limit that the protocol gives, with its name, in order."""
        for name in type(self).model_fields:
            limit: Limit | None = getattr(self, name)
            if limit is not None:
                yield name, limit


def _known_limit(name: str) -> str:
    if name not in Limits.model_fields:
        raise ValueError(f"not a limit; allowed: {', '.join(Limits.model_fields)}")
    return name


LimitName = Annotated[str, AfterValidator(_known_limit)]

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

    ``to`` is the step it leads to; without it the next one, ``stay`` the same.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    to: str | None = None


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
    that is dictated instead may be up to ``max_s``, by default a minute (chosen here)."""

    kind: Literal["timed"]
    quantity: str
    mode: Literal["hold", "until_off"]
    limit: LimitName
    max_s: float = Field(default=60.0, gt=0, allow_inf_nan=False)


class Tooth(Frozen):
    """The tooth, in ISO 3950 notation."""

    kind: Literal["tooth"]
    quantity: Literal["tooth"] = "tooth"


class Canals(Frozen):
    """The canals of the tooth, from its handbook anatomy."""

    kind: Literal["canals"]
    quantity: Literal["canals"] = "canals"


class Sign(Frozen):
    """The operator's signature, which closes the case."""

    kind: Literal["sign"]
    quantity: Literal["signature"] = "signature"


Expect = Annotated[
    Measure | Readings | Size | TaperOf | Choice | Done | Timed | Tooth | Canals | Sign,
    Field(discriminator="kind"),
]


class Branch(Frozen):
    """Where a step leads when a fact holds; the first branch that holds wins."""

    when: FactName
    to: str


class Step(Frozen):
    """One place in the sequence.

    ``ask`` is said in full verbosity, ``briefly`` in brief; after ``ask`` each of
    ``hints`` of which everything in braces is known. All may use the fields named in
    ``protocol/templates.py``, in braces. ``loop`` names the round counter (cycle,
    increment) the step belongs to. ``typical_s`` foretells how long is left; its default
    is chosen here.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    phase: str = Field(min_length=1)
    title: str = Field(min_length=1)
    ask: Template
    briefly: Template
    hints: tuple[Template, ...] = ()
    expect: Expect
    options: tuple[Option, ...] = ()
    next: tuple[Branch, ...] = ()
    loop: str | None = None
    typical_s: float = Field(default=10.0, gt=0)

    def target(self, to: str) -> str:
        """The step id that a branch or an option of this step leads to."""
        return self.id if to == STAY else to

    @model_validator(mode="after")
    def _answerable(self) -> Step:
        if isinstance(self.expect, Choice) and not self.options:
            raise ValueError("a step that expects a choice needs options")
        if twice := repeated([option.id for option in self.options]):
            raise ValueError(f"option ids must be unique; {twice!r} occurs twice")
        return self


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
]


ACTS: frozenset[CheckName] = frozenset({"skipped", "finish_short"})
"""Checks about what is done, not about a value: they can only be said, for there
is no value to keep, to correct or to question."""


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
    }
)
"""Checks that compare with no number of the protocol."""


class Rule(Frozen):
    """A safety rule: when it applies, what is said, how much it matters.

    ``check`` names a test in ``procedure/rules.py``; ``limit`` (and for a
    range ``limit_high``) the number it uses; ``quantities`` or ``steps`` where
    it applies; ``options`` the answers that trip an ``option_is``.
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

    def limit(self, name: LimitName) -> float:
        """The number behind a limit's name.

        Raises:
            KeyError: the protocol does not give it.
        """
        found: Limit | None = getattr(self.limits, name)
        if found is None:
            raise KeyError(name)
        return found.value

    def steps(self) -> Iterator[Step]:
        """Every step, in the order of the file."""
        yield from self.opening
        yield from self.canal
        yield from self.closing

    def step(self, step_id: str) -> Step:
        """The step of that id.

        Raises:
            KeyError: there is none.
        """
        for step in self.steps():
            if step.id == step_id:
                return step
        raise KeyError(step_id)

    @model_validator(mode="after")
    def _hangs_together(self) -> Protocol:
        coherence.check(self, stay=STAY, reserved={FINISHED, AT_CANALS, STAY})
        return self

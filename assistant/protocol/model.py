"""A protocol: phases, steps, limits and safety rules of one technique, as data.

``protocols/*.yaml`` are read into :class:`Protocol`. Clinical numbers and
clinical sentences live in those files; this module says only which shapes
they may have. A limit carries its source, because a number without one
cannot be argued with.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    Field,
    ModelWrapValidatorHandler,
    ValidationInfo,
    model_validator,
)
from transitions import Machine

from assistant.files.yamlfile import FROM_FILE
from assistant.protocol import coherence, floor, machine, needs
from assistant.protocol.coherence import repeated
from assistant.protocol.conditions import Condition
from assistant.protocol.expect import Choice, Expect
from assistant.protocol.frozen import WRITTEN, Frozen
from assistant.protocol.limits import LimitName, Limits
from assistant.protocol.roles import KINDS, Role
from assistant.protocol.rule import Rule
from assistant.protocol.templates import Template

FINISHED = machine.FINISHED
"""The place of a canal after its last step."""

AT_CANALS = "canals_in_work"
"""The place of the case track while its canals are being filled."""

STAY = "stay"
"""An option that leads here records the answer and asks the same step again."""


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
"""Conditions on a canal, computed in ``progress/facts.py``."""


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
    over. The one of role ``removed_to`` is told with the change of the case alone.
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

    @cached_property
    def answers(self) -> tuple[str, ...]:
        """The options by which its answer can be corrected: of a choice all; elsewhere
        what stands for a value ("no reading"), not what leads on without one."""
        if self.expect.kind in {"timed", "done", "sign"}:
            return ()
        choice = self.expect.kind == "choice"
        return tuple(one.id for one in self.options if choice or one.to is None)

    def is_called(self, name: str | None) -> bool:
        """Whether a value that was named so, or not at all, can be its."""
        return name in {None, self.expect.quantity, *self.called}

    @property
    def told(self) -> bool:
        """Whether it is told by its name, and not asked."""
        return not self.asked and self.prepare

    def target(self, to: str) -> str:
        """The step id that a branch or an option of this step leads to."""
        return self.id if to == STAY else to

    @model_validator(mode="after")
    def _answerable(self) -> Step:
        if isinstance(self.expect, Choice) and not self.options:
            raise ValueError("a step that expects a choice needs options")
        if twice := repeated([option.id for option in self.options]):
            raise ValueError(f"option ids must be unique; {twice!r} occurs twice")
        removal = self.role is Role.REMOVED_TO
        if removal and (self.asked or self.prepare):
            raise ValueError(
                "a step of role removed_to is never asked nor prepared: asked: false"
            )
        if not self.asked and (not (self.prepare or removal) or self.next or self.loop):
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


class SharedFindings(Frozen):
    """Findings that several techniques have in the same words."""

    findings: tuple[Finding, ...]


def _by_name(value: object, info: ValidationInfo) -> object:
    """A finding of which a file has the name alone is the shared one."""
    if not isinstance(value, str) or info.context != FROM_FILE:
        return value
    shared = info.context["shared"]("findings", SharedFindings).findings
    found = {one.id: one for one in shared}
    if value not in found:
        raise ValueError(f"is no shared finding; there are {', '.join(found)}")
    return found[value]


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
    findings: tuple[Annotated[Finding, BeforeValidator(_by_name)], ...] = ()

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

    @cached_property
    def machines(self) -> Mapping[str, Machine]:
        """The machine of the part that a step is in, by the id of the step."""
        parts = (self.opening, self.canal, self.closing)
        made = [(part, machine.machine(part)) for part in parts]
        return {step.id: of_part for part, of_part in made for step in part}

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

    @model_validator(mode="wrap")
    @classmethod
    def _hangs_together(
        cls, given: Any, validate: ModelWrapValidatorHandler[Self], info: ValidationInfo
    ) -> Self:
        """What must hold between the parts of a protocol; asked of each once, as it is made."""
        made = validate(given)
        if made is given:
            return made
        coherence.check(made, stay=STAY, reserved={FINISHED, AT_CANALS, STAY})
        if info.context != WRITTEN:
            needs.check(made)
        if info.context == FROM_FILE:
            floor.check(made)
        return made

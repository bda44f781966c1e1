"""A safety rule as data: what it tests, what it says, how much it matters."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from assistant.protocol.frozen import Frozen
from assistant.protocol.limits import LimitName
from assistant.protocol.templates import Template

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

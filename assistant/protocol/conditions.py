"""Materials and conditions: what a chart has of a case that no step asks for.

A protocol lists those it wants under ``conditions``; they are told at any time, prepared, or
prefilled from a practice's own file, and what is missing is told before the signature.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

LONGEST_CONDITION = 120
"""Characters of one; chosen here: two lines of the note."""


class Condition(StrEnum):
    """One material or condition; the name says what it is."""

    SEALER = "sealer"
    SEALER_LOT = "sealer_lot"
    GUTTA_PERCHA = "gutta_percha"
    GUTTA_PERCHA_LOT = "gutta_percha_lot"
    IRRIGANTS = "irrigants"
    ANAESTHETIC = "anaesthetic"
    HEAT_SETTING = "heat_setting"
    NEEDLE = "needle"
    RESTORATION = "restoration"
    INSTRUCTIONS = "instructions"
    PRESENT = "present"
    """Who was in the room."""


def name_of(condition: Condition) -> str:
    """As it stands before its value."""
    return condition.value.replace("_", " ").capitalize()


Told = Annotated[str, Field(min_length=1, max_length=LONGEST_CONDITION)]


class Conditions(BaseModel):
    """Those that a file tells, each by its name."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    sealer: Told | None = None
    sealer_lot: Told | None = None
    gutta_percha: Told | None = None
    gutta_percha_lot: Told | None = None
    irrigants: Told | None = None
    anaesthetic: Told | None = None
    heat_setting: Told | None = None
    needle: Told | None = None
    restoration: Told | None = None
    instructions: Told | None = None
    present: Told | None = None

    def conditions(self) -> tuple[tuple[Condition, str], ...]:
        """Those that are told."""
        told = ((one, getattr(self, one.value)) for one in Condition)
        return tuple((one, text) for one, text in told if text is not None)

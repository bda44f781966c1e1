"""The clinical numbers of a protocol, each with its source."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.protocol.coherence import misfit
from assistant.protocol.frozen import Frozen


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

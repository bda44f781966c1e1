"""What a step of a protocol expects: a length, a choice, a timed act."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.protocol.frozen import Frozen
from assistant.protocol.limits import LimitName

SuggestionName = Literal["final_length", "cut_back"]
"""Values the program can compute and offer; ``confirm`` takes them."""

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

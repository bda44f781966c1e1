"""A practice's own pluggers, heat carriers and points, as its files write them.

A case keeps the set it was opened with, like its protocol. What the numbers mean is in
:mod:`assistant.canal.pluggers` and :mod:`assistant.canal.points`.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from assistant.canal.heating import Source
from assistant.canal.instruments import MAX_TAPER, check_size, check_taper
from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.canal.model import MAX_DIAMETER_MM
from assistant.canal.pluggers import Plugger, PluggerSet
from assistant.canal.points import Point, Profile, TableRow, row_misfit
from assistant.protocol.coherence import misfit
from assistant.protocol.frozen import Frozen

_Diameter = Annotated[float, Field(gt=0, le=MAX_DIAMETER_MM, allow_inf_nan=False)]
_Tolerance = Annotated[float, Field(ge=0, le=MAX_DIAMETER_MM, allow_inf_nan=False)]
_Name = Annotated[str, Field(min_length=1, pattern=r"\S")]
_Source = Annotated[str, Field(min_length=3)]
"""Where the sizes come from: measured, the maker's table, invented."""


class PluggerLine(Frozen):
    """One plugger or heat carrier; see :class:`assistant.canal.pluggers.Plugger`."""

    name: _Name
    tip_mm: _Diameter
    taper: Annotated[float, Field(ge=0, le=MAX_TAPER, allow_inf_nan=False)]
    tolerance_mm: _Tolerance = 0.0

    def plugger(self) -> Plugger:
        """As the computation wants it."""
        return Plugger(self.name, self.tip_mm, self.taper, self.tolerance_mm)


class CarrierLine(Frozen):
    """How hot the practice's heat carrier gets: what it is set to, and its temperature in
    use where that was measured; see :class:`assistant.canal.heat.Source`."""

    setting_c: float
    curve: tuple[tuple[float, float], ...] = ()

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        self.source()
        return self

    def source(self) -> Source:
        """As the computation wants it."""
        return Source(self.setting_c, self.curve)


class RowLine(Frozen):
    """One row of a point's table."""

    from_tip_mm: Annotated[float, Field(ge=0, le=MAX_LENGTH_MM, allow_inf_nan=False)]
    diameter_mm: _Diameter


class PointFile(Frozen):
    """A gutta-percha point of several or varying tapers."""

    name: _Name
    source: _Source
    tolerance_mm: _Tolerance
    table: Annotated[tuple[RowLine, ...], Field(min_length=2)]

    @property
    def _rows(self) -> tuple[TableRow, ...]:
        return tuple(TableRow(line.from_tip_mm, line.diameter_mm) for line in self.table)

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if wrong := row_misfit(self._rows):
            raise misfit(("table", wrong[0]), wrong[1])
        return self

    def point(self) -> Point:
        """As the computation wants it."""
        return Point(self.name, Profile(self._rows), self.tolerance_mm)


class OwnPoint(PointFile):
    """A point that the practice uses, and the size and taper that are dictated for it."""

    size: int
    taper: float

    @model_validator(mode="after")
    def _can_be_said(self) -> Self:
        check_size(self.size)
        check_taper(self.taper)
        return self


class PluggerFile(Frozen):
    """A set of pluggers, the heat carriers that go with it, and points that are not made to
    the standard."""

    title: _Name
    source: _Source
    pluggers: Annotated[tuple[PluggerLine, ...], Field(min_length=1)]
    heat_carriers: tuple[PluggerLine, ...] = ()
    carrier: CarrierLine | None = None
    points: tuple[OwnPoint, ...] = ()

    def point(self, size: int, taper: float) -> Point | None:
        """What is meant by a cone of this size and taper, None for the standard's."""
        own = (one for one in self.points if (one.size, one.taper) == (size, taper))
        return next((one.point() for one in own), None)

    @model_validator(mode="after")
    def _points_differ(self) -> Self:
        said = [(one.size, one.taper) for one in self.points]
        for number, one in enumerate(said):
            if one in said[:number]:
                raise misfit(("points", number), f"size {one[0]}, taper {one[1]:g} twice")
        return self

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        for kind in ("pluggers", "heat_carriers"):
            seen: set[str] = set()
            for number, line in enumerate(getattr(self, kind)):
                if line.name in seen:
                    raise misfit((kind, number), f"the name {line.name!r} occurs twice")
                seen.add(line.name)
        return self

    def plugger_set(self) -> PluggerSet:
        """As the computation wants it."""
        return PluggerSet(
            self.title,
            tuple(line.plugger() for line in self.pluggers),
            tuple(line.plugger() for line in self.heat_carriers),
        )

"""Pluggers and heat carriers as a practice owns them: a tip diameter and a taper.

Their sizes are the user's data (``protocols/pluggers/*.yaml``), not ours: no standard
series of these instruments is assumed here. A heat carrier is described like a plugger.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from assistant.canal.instruments import check_taper
from assistant.canal.model import MAX_DIAMETER_MM
from assistant.canal.points import Profile, TableRow, check_tolerance_mm


@dataclass(frozen=True, slots=True)
class Plugger:
    """A rigid round plugger or heat carrier with a tapered shank.

    Attributes:
        name: as the practice calls it.
        tip_mm: diameter at its flat end.
        taper: mm of diameter per mm of length, all the way up.
        tolerance_mm: every diameter may differ by so much, up or down.

    Raises:
        ValueError: no name, or a diameter, taper or tolerance that cannot be.
    """

    name: str
    tip_mm: float
    taper: float
    tolerance_mm: float = 0.0

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("a plugger needs a name")
        if not 0 < self.tip_mm <= MAX_DIAMETER_MM:
            raise ValueError(
                f"the tip of plugger {self.name} is {self.tip_mm:g} mm; "
                f"allowed are over 0 to {MAX_DIAMETER_MM:g} mm"
            )
        check_taper(self.taper)
        check_tolerance_mm(self.tolerance_mm)

    @property
    def profile(self) -> Profile:
        """Its diameters from the tip up."""
        return Profile((TableRow(0.0, self.tip_mm),), self.taper)


@dataclass(frozen=True, slots=True)
class PluggerSet:
    """What lies on the tray.

    Attributes:
        title: what the practice calls the set.
        pluggers: thinnest first, whatever order they were given in.
        heat_carriers: likewise.

    Raises:
        ValueError: no plugger, or a name twice in one of the two lists.
    """

    title: str
    pluggers: tuple[Plugger, ...]
    heat_carriers: tuple[Plugger, ...] = ()

    def __post_init__(self) -> None:
        if not self.pluggers:
            raise ValueError("a set needs at least one plugger")
        for kind in ("pluggers", "heat_carriers"):
            instruments: tuple[Plugger, ...] = getattr(self, kind)
            names = [one.name for one in instruments]
            if len(set(names)) < len(names):
                raise ValueError(f"names must be unique; {kind} are {', '.join(names)}")
            object.__setattr__(self, kind, thinnest_first(instruments))


def thinnest_first(pluggers: Iterable[Plugger]) -> tuple[Plugger, ...]:
    """In order of tip diameter, then of taper."""
    return tuple(sorted(pluggers, key=lambda one: (one.tip_mm, one.taper)))

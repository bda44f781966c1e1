"""Gutta-percha points: those with an ISO size and one taper, and those given as a table.

Everything round that tapers (a point, a plugger, a heat carrier) has a
:class:`Profile`: diameters in mm against the distance from its tip in mm, straight
lines between. Sizes and tolerances of the standard points are ISO 6877's (edition not
opened, from memory, see :mod:`.instruments`); a point of several or varying tapers has no
standard, so its table and tolerance are whoever measured it, or its maker, to say.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from assistant.canal.instruments import (
    MAX_TAPER,
    Interval,
    Product,
    check_size,
    check_taper,
    diameter_tolerance_mm,
    iso_colour,
    taper_label,
)
from assistant.canal.lengths import check_length_mm
from assistant.canal.model import MAX_DIAMETER_MM

_DUST = 1e-9


class TableRow(NamedTuple):
    """One line of a table: mm from the tip, and the diameter there in mm."""

    from_tip_mm: float
    diameter_mm: float


def row_misfit(rows: Sequence[TableRow]) -> tuple[int, str] | None:
    """The first row that cannot be, with the reason; None if the table is sound.

    The first row is the tip; distances grow, diameters do not fall, and no step is
    steeper than ``MAX_TAPER``.
    """
    if not rows:
        return 0, "a table needs at least one row, the tip"
    for number, (from_tip_mm, diameter_mm) in enumerate(rows):
        try:
            check_length_mm(from_tip_mm, "the distance from the tip")
        except ValueError as bad:
            return number, str(bad)
        if not 0 < diameter_mm <= MAX_DIAMETER_MM:
            return number, (
                f"a diameter is {diameter_mm:g} mm; allowed are over 0 to "
                f"{MAX_DIAMETER_MM:g} mm (size 25 is 0.25 mm)"
            )
    if rows[0].from_tip_mm != 0:
        return 0, f"the first row is the tip, at 0 mm, not at {rows[0].from_tip_mm:g} mm"
    for number, (below, above) in enumerate(itertools.pairwise(rows), 1):
        length_mm = above.from_tip_mm - below.from_tip_mm
        if not length_mm > 0:
            return number, (
                f"{above.from_tip_mm:g} mm from the tip comes after "
                f"{below.from_tip_mm:g} mm; distances must grow"
            )
        rise_mm = above.diameter_mm - below.diameter_mm
        if rise_mm < 0:
            return number, (
                f"the diameter falls from {below.diameter_mm:g} to {above.diameter_mm:g} mm; "
                "away from the tip it must not"
            )
        if rise_mm > MAX_TAPER * length_mm + _DUST:
            return number, (
                f"the taper up to here is {rise_mm / length_mm:g}; at most "
                f"{MAX_TAPER:g} mm per mm is allowed"
            )
    return None


@dataclass(frozen=True, slots=True)
class Profile:
    """Diameters along something round: a table, then one taper above its last row.

    Raises:
        ValueError: see :func:`row_misfit`; or no such taper.
    """

    rows: tuple[TableRow, ...]
    taper_above: float = 0.0

    def __post_init__(self) -> None:
        if misfit := row_misfit(self.rows):
            raise ValueError(misfit[1])
        check_taper(self.taper_above)

    @property
    def tip_mm(self) -> float:
        """Diameter at the tip."""
        return self.rows[0].diameter_mm

    def diameter_mm(self, from_tip_mm: float) -> float:
        """Diameter at a distance from the tip, interpolated in a straight line.

        Raises:
            ValueError: the distance cannot be one.
        """
        check_length_mm(from_tip_mm, "the distance from the tip")
        for below, above in itertools.pairwise(self.rows):
            if from_tip_mm <= above.from_tip_mm:
                share = (from_tip_mm - below.from_tip_mm) / (
                    above.from_tip_mm - below.from_tip_mm
                )
                return below.diameter_mm + share * (above.diameter_mm - below.diameter_mm)
        last = self.rows[-1]
        return last.diameter_mm + self.taper_above * (from_tip_mm - last.from_tip_mm)

    def cut(self, off_mm: float) -> Profile:
        """What is left after ``off_mm`` is cut off at the tip.

        Raises:
            ValueError: the length cannot be one, or nothing would be left.
        """
        check_length_mm(off_mm, "the length cut off")
        end_mm = self.rows[-1].from_tip_mm
        if off_mm >= end_mm > 0 and self.taper_above == 0:
            raise ValueError(
                f"cutting {off_mm:g} mm off leaves nothing of a table that ends "
                f"{end_mm:g} mm from the tip"
            )
        left = (
            TableRow(row.from_tip_mm - off_mm, row.diameter_mm)
            for row in self.rows
            if row.from_tip_mm > off_mm
        )
        return Profile((TableRow(0.0, self.diameter_mm(off_mm)), *left), self.taper_above)


@dataclass(frozen=True, slots=True)
class Point:
    """A gutta-percha point.

    Attributes:
        name: as on the box or in the practice's file.
        profile: its nominal diameters.
        tolerance_mm: every diameter may differ by so much, up or down.

    Raises:
        ValueError: no name, or a tolerance that cannot be.
    """

    name: str
    profile: Profile
    tolerance_mm: float

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("a point needs a name")
        check_tolerance_mm(self.tolerance_mm)

    @property
    def tip_mm(self) -> float:
        """Nominal diameter at the tip."""
        return self.profile.tip_mm

    def diameter_mm(self, from_tip_mm: float) -> float:
        """Nominal diameter at a distance from the tip. Raises ValueError: no such distance."""
        return self.profile.diameter_mm(from_tip_mm)

    def diameter_interval_mm(self, from_tip_mm: float) -> Interval:
        """Between which diameters the point lies there. Raises ValueError as above."""
        nominal = self.diameter_mm(from_tip_mm)
        return Interval(max(0.0, nominal - self.tolerance_mm), nominal + self.tolerance_mm)

    def cut_back(self, off_mm: float) -> Point:
        """The point after ``off_mm`` is cut off at its tip; the tolerance stays.

        Raises:
            ValueError: the length cannot be one, or nothing would be left.
        """
        return replace(self, profile=self.profile.cut(off_mm))


def check_tolerance_mm(tolerance_mm: float) -> float:
    """Return ``tolerance_mm`` if it can be the tolerance of a diameter.

    Raises:
        ValueError: negative, not finite, or beyond ``MAX_DIAMETER_MM``.
    """
    if not 0 <= tolerance_mm <= MAX_DIAMETER_MM:
        raise ValueError(
            f"the tolerance is {tolerance_mm:g} mm; allowed are 0 to {MAX_DIAMETER_MM:g} mm"
        )
    return tolerance_mm


def iso_point(size: int, taper: float) -> Point:
    """The point of an ISO size and one taper, with ISO 6877's tolerance (from memory).

    Its name is such as ``"025 .06 red"``. The standard's diameters end 16 mm from the
    tip; above that the straight line goes on, as in :func:`.instruments.diameter_mm`.

    Raises:
        ValueError: there is no point of this size, or no such taper.
    """
    check_size(size, Product.POINT)
    return Point(
        name=f"{size:03d} {taper_label(taper)} {iso_colour(size)}",
        profile=Profile((TableRow(0.0, size / 100),), taper),
        tolerance_mm=diameter_tolerance_mm(size, Product.POINT),
    )

"""The shape of a prepared canal: round, tapered in one or more straight pieces.

Depths are mm from the coronal reference point (see :mod:`.lengths`), diameters mm. The
shape is what the instruments should have left, as ISO 3630-1 describes them; a real
canal is oval in places and has fins, which nobody dictates. Everything computed from it
therefore comes as an interval, or says which end it takes.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import NamedTuple

from assistant.canal.instruments import (
    Interval,
    Product,
    check_taper,
    diameter_tolerance_mm,
)
from assistant.canal.lengths import check_length_mm

MAX_DIAMETER_MM = 3.0
"""No canal is prepared wider; catches a size given in hundredths."""


class TaperSegment(NamedTuple):
    """A piece of the canal: its length from its apical end upward (mm), and its taper."""

    length_mm: float
    taper: float


@dataclass(frozen=True, slots=True)
class CanalShape:
    """A prepared canal from the reference point (depth 0) down to the working length.

    Attributes:
        wl_mm: working length, where the preparation ends.
        apical_mm: nominal diameter there.
        segments: pieces from the apex upward; the last goes on to the top whatever its
            length.
        tolerance_mm: every diameter may differ by so much, up or down.
        curve_begins_mm: depth from which the canal is curved, None if it is straight.
        curve_radius_mm: radius of that curve, None where it is not known.

    Raises:
        ValueError: a length, diameter, taper or radius that cannot be.
    """

    wl_mm: float
    apical_mm: float
    segments: tuple[TaperSegment, ...]
    tolerance_mm: float = 0.0
    curve_begins_mm: float | None = None
    curve_radius_mm: float | None = None

    def __post_init__(self) -> None:
        check_length_mm(self.wl_mm, "the working length")
        for value, what in (
            (self.apical_mm, "the apical diameter"),
            (self.tolerance_mm, "the tolerance"),
        ):
            if not 0 <= value <= MAX_DIAMETER_MM:
                raise ValueError(
                    f"{what} is {value:g} mm; allowed are 0 to {MAX_DIAMETER_MM:g} mm "
                    "(size 25 is 0.25 mm)"
                )
        if not self.segments:
            raise ValueError("a canal needs at least one taper")
        for length, taper in self.segments:
            check_taper(taper)
            if not length > 0:
                raise ValueError(f"a taper segment is {length:g} mm long; it must be above 0")
        if self.curve_begins_mm is not None:
            check_length_mm(self.curve_begins_mm, "the beginning of the curve")
        if self.curve_radius_mm is not None and not self.curve_radius_mm > 0:
            raise ValueError(
                f"the curve's radius is {self.curve_radius_mm:g} mm; it must be over 0"
            )

    def diameter_mm(self, depth_mm: float) -> float:
        """Nominal diameter at a depth; below the working length that of its end.

        ``D0 + taper x distance from the apical end`` in each piece (ISO 3630-1).

        Raises:
            ValueError: the depth cannot be one.
        """
        left = max(0.0, self.wl_mm - check_length_mm(depth_mm, "the depth"))
        diameter = self.apical_mm
        for number, (length, taper) in enumerate(self.segments, 1):
            within = left if number == len(self.segments) else min(left, length)
            diameter += taper * within
            left -= within
        return diameter

    def diameter_interval_mm(self, depth_mm: float) -> Interval:
        """Between which diameters the canal lies at a depth. Raises ValueError as above."""
        nominal = self.diameter_mm(depth_mm)
        return Interval(max(0.0, nominal - self.tolerance_mm), nominal + self.tolerance_mm)

    def volume_mm3(self, from_mm: float, to_mm: float) -> float:
        """Volume between two depths, a sum of frustums.

        ``V = pi h (D^2 + D d + d^2) / 12`` of each piece. Order does not matter.

        Raises:
            ValueError: a depth cannot be one.
        """
        top, bottom = sorted((from_mm, to_mm))
        edges = {top, bottom}
        at = self.wl_mm
        for length, _ in self.segments[:-1]:
            at -= length
            if top < at < bottom:
                edges.add(at)
        if top < self.wl_mm < bottom:
            edges.add(self.wl_mm)
        depths = sorted(edges)
        total = 0.0
        for upper, lower in itertools.pairwise(depths):
            wide, narrow = self.diameter_mm(upper), self.diameter_mm(lower)
            total += math.pi * (lower - upper) * (wide**2 + wide * narrow + narrow**2) / 12
        return total


def prepared(wl_mm: float, size: int, *tapers: TaperSegment | float) -> CanalShape:
    """The canal that an ISO size and its taper leave, within ISO 3630-1's tolerance.

    One taper as a number goes all the way up; several are :class:`TaperSegment`.

    Raises:
        ValueError: not an ISO size, or no such taper or length.
    """
    segments = tuple(
        taper if isinstance(taper, TaperSegment) else TaperSegment(math.inf, taper)
        for taper in tapers
    )
    return CanalShape(
        wl_mm=wl_mm,
        apical_mm=size / 100,
        segments=segments,
        tolerance_mm=diameter_tolerance_mm(size, Product.INSTRUMENT),
    )

"""Sizes, colours, tapers and diameters of root-canal instruments and gutta-percha points.

A size is the diameter at the tip, D0, in hundredths of a millimetre: size 025
has D0 = 0.25 mm. A taper is mm of diameter per mm of length: ".06" is 0.06.

Sources: ISO 3630-1 (instruments; edition not opened, under revision) and ISO 6877
(obturating points; edition not opened, reissued in 2025). The sequence of sizes
and colours is common knowledge of the trade; the tolerances are from memory of
the two standards and say so. (The American documents, also from memory: ADA 78
is the one for obturating cones and follows ISO 6877; ADA 57 is about sealers
and says nothing of sizes.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from assistant.canal.lengths import check_length_mm

ISO_SIZES: tuple[int, ...] = (6, 8, *range(10, 61, 5), *range(70, 141, 10))
"""The sizes of ISO 3630-1, smallest first."""

POINT_SIZES: tuple[int, ...] = ISO_SIZES[ISO_SIZES.index(10) :]
"""Sizes in which ISO 6877 has gutta-percha points: 010 and up (from memory)."""

POINT_TAPERS: tuple[float, ...] = (0.02, 0.04, 0.05, 0.06, 0.08, 0.10, 0.12)
"""Tapers in which gutta-percha points with an ISO size at the tip are common: the
standard one and the non-standard .04 to .12 (common practice)."""

MAX_TAPER = 0.20
"""The steepest taper that is believed: a limit chosen here, so wide that it refuses only
slips, such as a taper given in per cent."""

_SMALL_COLOURS = {6: "pink", 8: "grey", 10: "purple"}
_COLOUR_CYCLE = ("white", "yellow", "red", "blue", "green", "black")

# Sums such as 0.25 + 0.06 * 3 are cleaned of binary residue at a nanometre.
_DECIMALS_MM = 6


class Product(Enum):
    """What a size belongs to; it decides the manufacturing tolerance."""

    INSTRUMENT = "instrument"
    POINT = "gutta-percha point"


@dataclass(frozen=True, slots=True)
class Interval:
    """A closed interval, ends included.

    Raises:
        ValueError: ``low`` is not at or below ``high``.
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(
                f"an interval from {self.low:g} to {self.high:g} is empty; "
                "the low end must not exceed the high end"
            )

    def outward(self, digits: int) -> Interval:
        """Rounded to so many decimals so that nothing of it is lost; binary residue is not
        rounded up."""
        scale = 10.0**digits
        low, high = (round(end * scale, 6) for end in (self.low, self.high))
        return Interval(math.floor(low) / scale, math.ceil(high) / scale)

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


def check_size(size: int, product: Product = Product.INSTRUMENT) -> int:
    """Return ``size`` if the standard has it for this product.

    Raises:
        ValueError: it does not; the message lists the sizes there are.
    """
    sizes = POINT_SIZES if product is Product.POINT else ISO_SIZES
    if size not in sizes:
        listed = ", ".join(f"{s:03d}" for s in sizes)
        raise ValueError(f"there is no {product.value} of size {size}; allowed are {listed}")
    return size


def check_taper(taper: float) -> float:
    """Return ``taper`` (mm per mm) if it lies from 0 (parallel) to ``MAX_TAPER``.

    Raises:
        ValueError: it does not, as when 6 is given for .06.
    """
    if not 0 <= taper <= MAX_TAPER:
        raise ValueError(
            f"taper is {taper:g}; allowed are 0 to {MAX_TAPER:g} mm per mm "
            "(a six per cent taper is 0.06)"
        )
    return taper


def iso_colour(size: int) -> str:
    """Handle colour of a size, ISO 3630-1: pink, grey, purple, then six that repeat.

    Raises:
        ValueError: not an ISO size.
    """
    check_size(size)
    if size in _SMALL_COLOURS:
        return _SMALL_COLOURS[size]
    return _COLOUR_CYCLE[(ISO_SIZES.index(size) - len(_SMALL_COLOURS)) % len(_COLOUR_CYCLE)]


def taper_label(taper: float) -> str:
    """Write a taper the way it is printed on the box: 0.06 -> ``".06"``, 0.055 -> ``".055"``.

    Rounded to 0.001 mm per mm.

    Raises:
        ValueError: see :func:`check_taper`.
    """
    digits = f"{check_taper(taper):.3f}".removeprefix("0")
    return digits.removesuffix("0")


def diameter_mm(size: int, taper: float, from_tip_mm: float) -> float:
    """Nominal diameter ``from_tip_mm`` above the tip: ``size / 100 + taper * from_tip_mm``.

    The formula by which ISO 3630-1 fixes D3 and D16 from D0. The standard ends
    at D16; further up this continues the straight line.

    Raises:
        ValueError: size, taper or distance is not allowed.
    """
    check_size(size)
    check_taper(taper)
    check_length_mm(from_tip_mm, "the distance from the tip")
    return round(size / 100 + taper * from_tip_mm, _DECIMALS_MM)


def diameter_tolerance_mm(size: int, product: Product) -> float:
    """Permitted deviation of a diameter, plus or minus, at any place along the taper.

    Instruments, ISO 3630-1 (from memory): 0.02 mm up to size 060, 0.04 mm above.
    Gutta-percha points, ISO 6877 (from memory): 0.05 mm up to size 025, 0.07 mm
    above.

    Raises:
        ValueError: not a size of this product.
    """
    check_size(size, product)
    if product is Product.POINT:
        return 0.05 if size <= 25 else 0.07
    return 0.02 if size <= 60 else 0.04


def diameter_interval_mm(
    size: int, taper: float, from_tip_mm: float, product: Product
) -> Interval:
    """Between which diameters a product within tolerance lies at ``from_tip_mm``.

    Raises:
        ValueError: size, taper or distance is not allowed.
    """
    tolerance = diameter_tolerance_mm(size, product)
    nominal = diameter_mm(size, taper, from_tip_mm)
    return Interval(
        round(nominal - tolerance, _DECIMALS_MM), round(nominal + tolerance, _DECIMALS_MM)
    )


def tip_after_cut_mm(size: int, taper: float, cut_mm: float) -> float:
    """Nominal diameter of the new tip of a gutta-percha point cut back by ``cut_mm``.

    Raises:
        ValueError: size, taper or cut is not allowed; a cut cannot be negative.
    """
    check_size(size, Product.POINT)
    check_length_mm(cut_mm, "the length cut off")
    return diameter_mm(size, taper, cut_mm)

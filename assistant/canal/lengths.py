"""Depths and lengths along a canal, exact to 0.1 mm.

Every depth is measured in mm from the coronal reference point of the canal,
so a larger number is deeper (nearer the apex). A working length (WL) is the
depth at which the filling is to end.

Numbers come in and go out as floats, but are added and subtracted as decimal
numbers and rounded once, at the end, to 0.1 mm:

* a half goes away from zero (21.25 -> 21.3, -0.05 -> -0.1);
* what must not be overstated or understated goes to the safe side instead: a
  depth limit and a seal down, a spread up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from statistics import median
from typing import NamedTuple

MAX_LENGTH_MM = 45.0
"""No tooth, cone or instrument depth is longer; the longest teeth reported are
a little over 40 mm (from memory). Catches 215 said for 21.5."""

_TENTH = Decimal("0.1")
_DUST = Decimal("0.000001")


class LengthEstimate(NamedTuple):
    """What repeated readings of one length amount to.

    Attributes:
        centre_mm: their median.
        spread_mm: largest minus smallest, rounded up; 0 for a single reading.
        n: how many readings there were.
    """

    centre_mm: float
    spread_mm: float
    n: int


def check_length_mm(value_mm: float, what: str) -> float:
    """Return ``value_mm`` if it can be a length or depth at all.

    Raises:
        ValueError: not a finite number from 0 to ``MAX_LENGTH_MM``; the message
            begins with ``what``.
    """
    if not (math.isfinite(value_mm) and 0 <= value_mm <= MAX_LENGTH_MM):
        raise ValueError(f"{what} is {value_mm:g} mm; allowed are 0 to {MAX_LENGTH_MM:g} mm")
    return value_mm


def round_mm(value_mm: float) -> float:
    """Round to 0.1 mm, halves away from zero, judged on the decimal digits.

    ``round(21.25, 1)`` gives 21.2 and ``round(21.35, 1)`` 21.4, one because of
    the even digit, the other because of the binary fraction; here they are
    21.3 and 21.4.

    Raises:
        ValueError: not a finite number.
    """
    if not math.isfinite(value_mm):
        raise ValueError(f"cannot round {value_mm} to 0.1 mm; a finite number is needed")
    return _tenths(_decimal(value_mm), ROUND_HALF_UP)


def outward_mm(low_mm: float, high_mm: float) -> tuple[float, float]:
    """Both ends of a range to 0.1 mm, the low one down and the high one up.

    Raises:
        ValueError: an end is not a finite number.
    """
    if not (math.isfinite(low_mm) and math.isfinite(high_mm)):
        raise ValueError(f"cannot round {low_mm} to {high_mm}; finite numbers are needed")
    return _tenths(_decimal(low_mm), ROUND_FLOOR), _tenths(_decimal(high_mm), ROUND_CEILING)


def final_length_mm(readings_mm: Sequence[float]) -> LengthEstimate:
    """Final working length from repeated paper-point readings.

    The median, so that one careless reading among three does not move it
    (of an even number, the mean of the middle two).

    Raises:
        ValueError: no reading, or one that cannot be a length.
    """
    readings = _readings(readings_mm)
    return LengthEstimate(
        centre_mm=_tenths(median(readings), ROUND_HALF_UP),
        spread_mm=_tenths(max(readings) - min(readings), ROUND_CEILING),
        n=len(readings),
    )


def readings_agree(readings_mm: Sequence[float], tolerance_mm: float) -> bool:
    """Whether the readings lie within ``tolerance_mm`` of one another, ends included.

    One reading agrees with itself: how many are wanted is the protocol's affair.

    Raises:
        ValueError: no reading, or a reading or tolerance that cannot be a length.
    """
    readings = _readings(readings_mm)
    return max(readings) - min(readings) <= _length(tolerance_mm, "the tolerance")


def depth_limit_mm(wl_mm: float, short_of_wl_mm: float) -> float:
    """Return the deepest that an instrument may go: ``wl_mm - short_of_wl_mm``, rounded down.

    0 when the canal is shorter than the distance to keep: then every depth is
    too deep.

    Raises:
        ValueError: either value cannot be a length.
    """
    limit = _length(wl_mm, "the working length") - _length(
        short_of_wl_mm, "the distance to keep from the working length"
    )
    return max(0.0, _tenths(limit, ROUND_FLOOR))


def cut_back_mm(cone_length_mm: float, final_wl_mm: float) -> float:
    """How much the master cone must lose at its tip to end at the final length.

    ``cone_length_mm`` is the depth of the tip of the seated cone. Negative: the
    cone ends short of the final length by that much, and no cutting lengthens it.

    Raises:
        ValueError: either value cannot be a length.
    """
    return _tenths(
        _length(cone_length_mm, "the cone length")
        - _length(final_wl_mm, "the final working length"),
        ROUND_HALF_UP,
    )


def apical_seal_mm(wl_mm: float, fill_top_mm: float) -> float:
    """Length of filling between its top and the working length, rounded down.

    Negative: ``fill_top_mm`` is deeper than the working length, so one of the
    two is wrong; a check for a minimum seal then fails as it should.

    Raises:
        ValueError: either value cannot be a length.
    """
    return _tenths(
        _length(wl_mm, "the working length") - _length(fill_top_mm, "the top of the fill"),
        ROUND_FLOOR,
    )


def level_after_increment_mm(top_mm: float, increment_mm: float) -> float:
    """Depth of the top of the fill after ``increment_mm`` more was added.

    Smaller than ``top_mm``, for the fill grows towards the crown. Negative: the
    fill would stand above the reference point by that much. Such a negative top
    is taken as well, so that a run of increments can always be added up.

    Raises:
        ValueError: the top is not finite or beyond ``MAX_LENGTH_MM``, or the
            increment cannot be a length.
    """
    above = math.isfinite(top_mm) and top_mm < 0
    top = _decimal(top_mm) if above else _length(top_mm, "the top of the fill")
    return _tenths(top - _length(increment_mm, "the increment"), ROUND_HALF_UP)


class Pieces(NamedTuple):
    """A distance cut into pieces: their lengths in order, and whether all are in range."""

    lengths_mm: tuple[float, ...]
    fits: bool


def equal_pieces(
    total_mm: float,
    first_mm: tuple[float, float],
    later_mm: tuple[float, float],
    within_mm: float = 0.0,
) -> Pieces:
    """Cut a distance into pieces of equal length, to 0.1 mm, the longer ones first.

    The first piece and the later ones have a range each, least and most. No piece is ever
    longer than its range, and there are as few as possible:

    * 12 mm in pieces of 3-4 mm: three of 4.0;
    * where no number fits, one fewer at full length is taken if it ends within
      ``within_mm`` of the whole: 8.3 mm, within 0.5: two of 4.0, 0.3 mm short;
    * failing that too, the pieces fall short of the range and ``fits`` is false: 5 mm is
      two of 2.5, 2 mm one of 2.0.

    A total of no more than ``within_mm``, or below 0, is no piece at all, and fits.

    Raises:
        ValueError: the tolerance or a range cannot be a length, or a range has no whole
            tenth above 0 in it.
    """
    first, later = _range(first_mm, "the first length"), _range(later_mm, "a later length")
    slack = int(_length(within_mm, "the tolerance") * 10)
    total = int((_decimal(total_mm) * 10).to_integral_value(ROUND_HALF_UP))
    if total <= slack:
        return Pieces((), True)
    others = max(0, math.ceil((total - first[1]) / later[1]))
    # If the fewest pieces that can cover it are too many, every number is.
    fits = first[0] + others * later[0] <= total
    if not fits and others and total - first[1] - (others - 1) * later[1] <= slack:
        return _pieces([first[1]] + [later[1]] * (others - 1), True)
    if not others:
        return _pieces([total], fits)
    least, most = total - others * later[1], first[1]
    if fits:
        least, most = max(least, first[0]), min(most, total - others * later[0])
    head = min(max(math.ceil(total / (1 + others)), least), most)
    each, over = divmod(total - head, others)
    return _pieces([head] + [each + 1] * over + [each] * (others - over), fits)


def _pieces(tenths: list[int], fits: bool) -> Pieces:
    return Pieces(tuple(piece / 10 for piece in tenths), fits)


def _range(range_mm: tuple[float, float], what: str) -> tuple[int, int]:
    low, high = (_length(end, what) * 10 for end in range_mm)
    least = max(1, int(low.to_integral_value(ROUND_CEILING)))
    most = int(high.to_integral_value(ROUND_FLOOR))
    if least > most:
        raise ValueError(
            f"{what} may be {range_mm[0]:g} to {range_mm[1]:g} mm; "
            "the range must hold a whole tenth of a millimetre above 0"
        )
    return least, most


def _readings(readings_mm: Sequence[float]) -> list[Decimal]:
    if len(readings_mm) == 0:
        raise ValueError("no reading was given; at least one is needed")
    return [_length(reading, f"reading {i}") for i, reading in enumerate(readings_mm, 1)]


def _length(value_mm: float, what: str) -> Decimal:
    return _decimal(check_length_mm(value_mm, what))


def _decimal(value_mm: float) -> Decimal:
    # Through the shortest decimal text, then to a nanometre: what a caller's own
    # float arithmetic left behind (20.999999999999996) must not reach a
    # one-sided rounding, where it would cost a whole 0.1 mm.
    return Decimal(str(float(value_mm))).quantize(_DUST)


def _tenths(value: Decimal, rounding: str) -> float:
    return float(value.quantize(_TENTH, rounding)) + 0.0  # + 0.0: no minus zero

"""The true working length from repeated paper-point readings and an apex locator.

All in mm from the coronal reference point. Three readings are few, and no statistic makes
more of them: what counts as agreement is the protocol's tolerance (common practice
0.5 mm), a stray reading is named only where all others agree without it, and the interval
says how much it is worth. Nothing is decided here that the clinician does not confirm.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from assistant.canal.instruments import Interval
from assistant.canal.lengths import (
    check_length_mm,
    final_length_mm,
    outward_mm,
    readings_agree,
)

READING_STEP_MM = 0.5
"""A wet mark is read off a paper point to half a millimetre (common practice)."""

_NORMAL_MAD = 1.4826  # 1 / the third quartile of the normal distribution
_SMALL_N = {3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}


class RobustLength(NamedTuple):
    """What repeated readings of one length amount to.

    Attributes:
        centre_mm: median of the readings that count, to 0.1 mm.
        sd_mm: standard deviation estimated from the median absolute deviation of all
            readings, None for fewer than three. Of three it says little: 0.13 to 2.2
            times the truth in eight cases of ten (simulated), 0 when two are the same.
        interval_mm: the extremes of the readings that count, half a reading step wider.
        confidence: probability that as many unbiased readings enclose their own median:
            0 for one, 0.5 for two, 0.75 for three. Of the mark, not of the apex.
        counted: the readings that count, shortest first.
        stray: those set aside, shortest first.
    """

    centre_mm: float
    sd_mm: float | None
    interval_mm: Interval
    confidence: float
    counted: tuple[float, ...]
    stray: tuple[float, ...]


class AskAgain(StrEnum):
    """Why no length is suggested."""

    MORE_READINGS = "more_readings"
    """Fewer than wanted, and nothing wrong with them so far."""
    STRAY_READING = "stray_reading"
    """All agree but those named; too few are left without them."""
    READINGS_DISAGREE = "readings_disagree"
    """Too far apart, and no telling which is wrong."""
    LOCATOR_DISAGREES = "locator_disagrees"
    """The readings agree with one another, but not with the apex locator."""


class TrueLength(NamedTuple):
    """A suggestion, or the reason for asking again.

    Attributes:
        suggested_mm: None where ``ask`` says why.
        ask: None where there is a suggestion.
        interval_mm: where the length may lie: of the readings, stretched to the locator's
            reading where there is one.
        readings: what the readings amount to.
    """

    suggested_mm: float | None
    ask: AskAgain | None
    interval_mm: Interval
    readings: RobustLength


def robust_length(
    readings_mm: Sequence[float], tolerance_mm: float, reading_step_mm: float = READING_STEP_MM
) -> RobustLength:
    """Centre, spread and strays of repeated readings, whatever their order.

    A reading is stray if more than half of all agree within ``tolerance_mm`` and it lies
    further than that from each of them. Nothing is set aside otherwise: of 20, 20.5 and
    21, with a tolerance of 0.5, either end may be wrong.

    The deviation is 1.4826 times the median absolute deviation, times a factor for small
    numbers (Croux & Rousseeuw 1992, from memory, checked by simulation in the tests). The
    confidence is that of the sign test, ``1 - 2^(1 - n)``.

    Raises:
        ValueError: no reading, or a reading, tolerance or step that cannot be a length.
    """
    ordered = tuple(sorted(readings_mm))
    centre = final_length_mm(readings_mm).centre_mm  # checks every reading, by its place
    check_length_mm(tolerance_mm, "the tolerance")
    half_step = check_length_mm(reading_step_mm, "the reading step") / 2
    counted, stray = _without_strays(ordered, tolerance_mm)
    if stray:
        centre = final_length_mm(counted).centre_mm
    return RobustLength(
        centre_mm=centre,
        sd_mm=_deviation_mm(ordered),
        interval_mm=Interval(
            *outward_mm(max(0.0, counted[0] - half_step), counted[-1] + half_step)
        ),
        confidence=1 - 2.0 ** (1 - len(counted)),
        counted=counted,
        stray=stray,
    )


def true_length(
    readings_mm: Sequence[float],
    *,
    wanted: int,
    tolerance_mm: float,
    locator_mm: float | None = None,
    locator_tolerance_mm: float | None = None,
    reading_step_mm: float = READING_STEP_MM,
) -> TrueLength:
    """Which length to suggest, or why to ask again.

    The suggestion is the centre of the readings, for the mark on the paper point is what
    the final length is taken from; the apex locator can only agree with it or not.

    Args:
        readings_mm: paper-point lengths to the wet mark, in any order.
        wanted: how many must agree; strays are not counted.
        tolerance_mm: within which readings agree with one another (common practice 0.5 mm).
        locator_mm: the length by apex locator, None if none was said.
        locator_tolerance_mm: within which it agrees with the centre of the readings; None:
            the same tolerance.
        reading_step_mm: see ``READING_STEP_MM``.

    Raises:
        ValueError: no reading, or a value that cannot be a length.
    """
    found = robust_length(readings_mm, tolerance_mm, reading_step_mm)
    interval = found.interval_mm
    if locator_mm is not None:
        check_length_mm(locator_mm, "the apex locator's length")
        low, high = min(interval.low, locator_mm), max(interval.high, locator_mm)
        interval = Interval(*outward_mm(low, high))
    ask = _reason_of_readings(found, wanted, tolerance_mm)
    apart_mm = tolerance_mm if locator_tolerance_mm is None else locator_tolerance_mm
    if ask is None and not readings_agree(
        (found.centre_mm, found.centre_mm if locator_mm is None else locator_mm), apart_mm
    ):
        ask = AskAgain.LOCATOR_DISAGREES
    return TrueLength(
        suggested_mm=None if ask else found.centre_mm,
        ask=ask,
        interval_mm=interval,
        readings=found,
    )


def _reason_of_readings(
    found: RobustLength, wanted: int, tolerance_mm: float
) -> AskAgain | None:
    if not readings_agree(found.counted, tolerance_mm):
        return AskAgain.READINGS_DISAGREE
    if len(found.counted) < wanted:
        return AskAgain.STRAY_READING if found.stray else AskAgain.MORE_READINGS
    return None


def _without_strays(
    ordered: tuple[float, ...], tolerance_mm: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The readings of the group that is most of them, and the strays outside it."""
    groups = [[ordered[0]]]
    for before, reading in pairwise(ordered):
        if readings_agree((before, reading), tolerance_mm):
            groups[-1].append(reading)
        else:
            groups.append([reading])
    most = max(groups, key=len)
    if 2 * len(most) <= len(ordered) or not readings_agree(most, tolerance_mm):
        return ordered, ()
    rest = (reading for group in groups if group is not most for reading in group)
    return tuple(most), tuple(rest)


def _deviation_mm(ordered: tuple[float, ...]) -> float | None:
    n = len(ordered)
    if n < 3:
        return None
    middle = median(ordered)
    mad = median(abs(reading - middle) for reading in ordered)
    return _NORMAL_MAD * _SMALL_N.get(n, n / (n - 0.8)) * mad

"""The true length: strays, agreement, what few readings are worth, the apex locator."""

from __future__ import annotations

from itertools import permutations
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assistant.canal.instruments import Interval
from assistant.canal.lengths import final_length_mm, readings_agree
from assistant.canal.true_length import (
    READING_STEP_MM,
    AskAgain,
    TrueLength,
    robust_length,
    true_length,
)

TOLERANCE_MM = 0.5

tenths = st.integers(80, 350).map(lambda n: n / 10)
readings = st.lists(tenths, min_size=1, max_size=6)
offsets = st.integers(0, 5).map(lambda n: n / 10)


def asked(*values: float, locator: float | None = None, wanted: int = 3) -> TrueLength:
    return true_length(values, wanted=wanted, tolerance_mm=TOLERANCE_MM, locator_mm=locator)


@pytest.mark.parametrize(
    ("values", "locator", "suggested", "reason", "stray"),
    [  # By hand; tolerance 0.5 mm (common practice), three readings wanted.
        ((20.5, 20.5, 20.0), None, 20.5, None, ()),
        ((20.5, 20.5, 20.0), 21.0, 20.5, None, ()),
        ((20.5, 20.5, 20.0), 21.1, None, AskAgain.LOCATOR_DISAGREES, ()),
        ((20.5, 20.5, 20.0), 19.9, None, AskAgain.LOCATOR_DISAGREES, ()),
        ((20.5,), 20.5, None, AskAgain.MORE_READINGS, ()),
        ((20.5, 20.5), None, None, AskAgain.MORE_READINGS, ()),
        ((20.5, 22.0), None, None, AskAgain.READINGS_DISAGREE, ()),
        ((20.5, 20.5, 23.0), None, None, AskAgain.STRAY_READING, (23.0,)),
        ((20.5, 17.0, 20.5, 20.0), None, 20.5, None, (17.0,)),
        ((20.0, 20.5, 21.0), None, None, AskAgain.READINGS_DISAGREE, ()),
        ((20.0, 20.0, 22.0, 22.0), None, None, AskAgain.READINGS_DISAGREE, ()),
        # Three agree, but the fourth is as near to one of them as they are.
        ((20.0, 20.0, 20.5, 21.0), None, None, AskAgain.READINGS_DISAGREE, ()),
        # A chain is no agreement, so nothing is called stray beside it.
        ((20.0, 20.5, 21.0, 25.0), None, None, AskAgain.READINGS_DISAGREE, ()),
    ],
)
def test_by_hand(
    values: tuple[float, ...],
    locator: float | None,
    suggested: float | None,
    reason: AskAgain | None,
    stray: tuple[float, ...],
) -> None:
    found = asked(*values, locator=locator)
    assert (found.suggested_mm, found.ask, found.readings.stray) == (suggested, reason, stray)


@given(tenths, offsets, st.floats(0.6, 20), st.booleans())
def test_one_stray_of_three_moves_nothing(
    base: float, apart: float, off: float, longer: bool
) -> None:
    good = (base, round(base + apart, 1))
    wild = good[1] + off if longer else good[0] - off
    assume(0 <= wild <= 45)
    found = robust_length([good[0], wild, good[1]], TOLERANCE_MM)
    alone = robust_length(good, TOLERANCE_MM)
    assert found.stray == (wild,)
    assert found.centre_mm == alone.centre_mm
    assert found.interval_mm == alone.interval_mm
    assert asked(*good, wild).ask is AskAgain.STRAY_READING


@given(st.lists(tenths, min_size=1, max_size=4), st.none() | tenths)
def test_the_order_does_not_matter(values: list[float], locator: float | None) -> None:
    found = {asked(*order, locator=locator) for order in permutations(values)}
    assert len(found) == 1


@given(readings, st.none() | tenths)
def test_either_a_length_or_a_reason(values: list[float], locator: float | None) -> None:
    found = asked(*values, locator=locator)
    estimate = found.readings
    assert (found.suggested_mm is None) == (found.ask is not None)
    assert sorted(estimate.counted + estimate.stray) == sorted(values)
    assert 2 * len(estimate.counted) > len(values)
    assert estimate.centre_mm in estimate.interval_mm
    assert all(reading in estimate.interval_mm for reading in estimate.counted)
    if locator is not None:
        assert locator in found.interval_mm
    if found.suggested_mm is not None:
        # What is suggested, enough readings and the locator stand by within the tolerance.
        assert len(estimate.counted) >= 3
        assert readings_agree(estimate.counted, TOLERANCE_MM)
        assert locator is None or readings_agree([found.suggested_mm, locator], TOLERANCE_MM)
    for stray in estimate.stray:
        for reading in estimate.counted:
            assert not readings_agree([stray, reading], TOLERANCE_MM)


@given(readings)
def test_without_strays_the_centre_is_the_final_length(values: list[float]) -> None:
    found = robust_length(values, TOLERANCE_MM)
    assert found.stray or found.centre_mm == final_length_mm(values).centre_mm


@given(readings, st.integers(-80, 80))
def test_a_shift_of_every_reading_shifts_the_answer(values: list[float], by: int) -> None:
    shifted = [round(value + by / 10, 1) for value in values]
    assume(min(shifted) >= 1)
    one, two = asked(*values), asked(*shifted)
    assert one.ask == two.ask
    assert two.readings.centre_mm == pytest.approx(one.readings.centre_mm + by / 10)


def test_few_readings_are_worth_little() -> None:
    one = robust_length([20.0], TOLERANCE_MM)
    assert (one.sd_mm, one.confidence) == (None, 0)
    # Half a step to either side, rounded outwards: 19.75 and 20.25.
    assert one.interval_mm == Interval(19.7, 20.3)
    two = robust_length([20.0, 20.5], TOLERANCE_MM)
    assert (two.sd_mm, two.confidence) == (None, 0.5)
    three = robust_length([20.0, 20.0, 20.5], TOLERANCE_MM)
    assert (three.sd_mm, three.confidence) == (0, 0.75)
    assert three.interval_mm == Interval(19.7, 20.8)


@pytest.mark.parametrize("n", [3, 10])
def test_deviation_and_confidence_of_normal_readings(n: int) -> None:
    """Croux & Rousseeuw 1992 (from memory): with their factors the median absolute deviation
    is an unbiased estimate; the sign test: extremes enclose the median in 1 - 2^(1 - n)."""
    draws = np.random.default_rng(11).normal(20.0, 0.3, (3000, n))
    found = [robust_length(row.tolist(), 5.0, 0.0) for row in draws]
    mean_sd = float(np.mean([f.sd_mm for f in found]))
    assert mean_sd == pytest.approx(0.3, rel=0.06)  # 4 standard errors at n = 3
    enclosed = sum(min(f.counted) <= 20.0 <= max(f.counted) for f in found) / len(found)
    p = found[0].confidence
    z = NormalDist().inv_cdf(1 - 1e-5)
    assert abs(enclosed - p) <= z * (p * (1 - p) / len(found)) ** 0.5


def test_mad_by_hand() -> None:
    # 20.0 20.2 20.3 20.4 24.0: median 20.3, deviations 0.3 0.1 0 0.1 3.7, their median 0.1;
    # factor for five 1.206.
    found = robust_length([20.0, 20.2, 20.3, 20.4, 24.0], TOLERANCE_MM)
    assert found.sd_mm == pytest.approx(1.4826 * 1.206 * 0.1)
    assert found.stray == (24.0,)
    assert found.centre_mm == 20.3  # of four: 20.25, half away from zero


@pytest.mark.parametrize("bad", [float("nan"), -1.0, 215.0])
def test_what_cannot_be_a_length_is_refused_by_name(bad: float) -> None:
    with pytest.raises(ValueError, match=r"^reading 2 is"):
        asked(20.0, bad)
    with pytest.raises(ValueError, match=r"^the apex locator's length is"):
        asked(20.0, locator=bad)
    with pytest.raises(ValueError, match=r"^the tolerance is"):
        robust_length([20.0], bad)
    with pytest.raises(ValueError, match=r"^the reading step is"):
        robust_length([20.0], 0.5, bad)


def test_no_reading_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        asked(locator=20.0)


def test_the_locator_may_have_a_tolerance_of_its_own() -> None:
    for own, reason in ((None, None), (0.3, AskAgain.LOCATOR_DISAGREES), (1.0, None)):
        found = true_length(
            [20.0, 20.0, 20.0],
            wanted=3,
            tolerance_mm=TOLERANCE_MM,
            locator_mm=20.5,
            locator_tolerance_mm=own,
        )
        assert found.ask is reason


def test_a_wider_reading_step_widens_the_interval() -> None:
    fine = robust_length([20.0], TOLERANCE_MM, 0.1).interval_mm
    usual = robust_length([20.0], TOLERANCE_MM, READING_STEP_MM).interval_mm
    assert usual.low < fine.low <= fine.high < usual.high

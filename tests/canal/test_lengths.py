"""Depth arithmetic against whole-number arithmetic in tenths and hundredths of a mm."""

from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.canal.lengths import (
    MAX_LENGTH_MM,
    apical_seal_mm,
    check_length_mm,
    cut_back_mm,
    depth_limit_mm,
    equal_pieces,
    final_length_mm,
    level_after_increment_mm,
    readings_agree,
    round_mm,
)

pytestmark = pytest.mark.core

untimed = settings(deadline=None)  # the clock of a busy machine fails no test

tenths = st.integers(0, int(MAX_LENGTH_MM) * 10)
hundredths = st.integers(0, int(MAX_LENGTH_MM) * 100)
lengths_mm = st.floats(0, MAX_LENGTH_MM)
many_lengths_mm = st.lists(lengths_mm, min_size=1, max_size=7)
not_lengths_mm = st.one_of(
    st.floats(max_value=0, exclude_max=True),
    st.floats(min_value=MAX_LENGTH_MM, exclude_min=True),
    st.just(float("nan")),
)
slightly_over_nothing = Fraction(1, 10**6)


def exact(value_mm: float) -> Fraction:
    return Fraction(str(value_mm))


@untimed
@given(st.integers(-4500, 4500))
def test_rounding_sends_every_half_away_from_zero(h: int) -> None:
    sign = -1 if h < 0 else 1
    assert round_mm(h / 100) == sign * ((abs(h) + 5) // 10) / 10


def test_rounding_is_by_the_decimal_digits_where_the_builtin_is_not() -> None:
    halves = [h / 100 for h in range(1805, 2805, 10)]
    assert any(round(value, 1) < value for value in halves)
    assert all(round_mm(value) > value for value in halves)


def test_rounding_never_gives_minus_zero() -> None:
    assert str(round_mm(-0.04)) == "0.0"


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_rounding_refuses_what_is_not_a_number(bad: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        round_mm(bad)


@untimed
@given(tenths, tenths)
def test_differences_of_tenths_are_exact(a: int, b: int) -> None:
    difference = (a - b) / 10
    assert cut_back_mm(a / 10, b / 10) == difference
    assert apical_seal_mm(a / 10, b / 10) == difference
    assert level_after_increment_mm(a / 10, b / 10) == difference
    assert depth_limit_mm(a / 10, b / 10) == max(0, difference)


@untimed
@given(st.integers(0, 225), st.integers(0, 225), st.integers(0, 100))
def test_residue_of_float_sums_does_not_cost_a_tenth(a: int, b: int, short: int) -> None:
    # 0.1 + 0.7 is 0.7999999999999999: rounded down as it stands it would be 0.7.
    wl_mm = a / 10 + b / 10
    assert depth_limit_mm(wl_mm, short / 10) == max(0, a + b - short) / 10
    assert apical_seal_mm(wl_mm, short / 10) == (a + b - short) / 10
    assert final_length_mm([wl_mm, (a + b) / 10]).spread_mm == 0


@untimed
@given(hundredths, hundredths)
def test_limit_and_seal_are_never_overstated_and_lose_less_than_a_tenth(a: int, b: int) -> None:
    true = Fraction(a - b, 100)
    for stated in (apical_seal_mm(a / 100, b / 100), depth_limit_mm(a / 100, b / 100)):
        if true >= 0:
            assert 0 <= true - exact(stated) < Fraction(1, 10)


@untimed
@given(hundredths, hundredths)
def test_cut_and_level_are_within_half_a_tenth_of_the_truth(a: int, b: int) -> None:
    true = Fraction(a - b, 100)
    for stated in (cut_back_mm(a / 100, b / 100), level_after_increment_mm(a / 100, b / 100)):
        assert abs(exact(stated) - true) <= Fraction(1, 20)


def test_depth_limit_of_common_practice() -> None:
    # Common practice: pluggers and heated tip stay 5 mm short of the working length.
    assert depth_limit_mm(21, 5) == 16
    assert depth_limit_mm(21.25, 5) == 16.2


def test_a_canal_shorter_than_the_distance_to_keep_allows_no_depth() -> None:
    assert depth_limit_mm(4, 5) == 0


@untimed
@given(lengths_mm, lengths_mm, lengths_mm)
def test_depth_limit_is_monotonic(wl_a: float, wl_b: float, short: float) -> None:
    shallow, deep = sorted((wl_a, wl_b))
    assert depth_limit_mm(shallow, short) <= depth_limit_mm(deep, short)
    assert depth_limit_mm(short, shallow) >= depth_limit_mm(short, deep)


@untimed
@given(tenths, tenths)
def test_a_cone_cut_back_ends_at_the_working_length(cone: int, wl: int) -> None:
    cut_mm = cut_back_mm(cone / 10, wl / 10)
    assert exact(cone / 10) - exact(cut_mm) == exact(wl / 10)
    assert (cut_mm < 0) == (cone < wl)


@untimed
@given(st.integers(100, 300), st.lists(st.integers(1, 60), max_size=12))
def test_seal_grows_by_exactly_what_was_added(wl: int, increments: list[int]) -> None:
    top_mm = wl / 10
    for increment in increments:
        top_mm = level_after_increment_mm(top_mm, increment / 10)
    assert top_mm == (wl - sum(increments)) / 10
    if top_mm >= 0:
        assert apical_seal_mm(wl / 10, top_mm) == sum(increments) / 10


def test_a_fill_too_deep_and_a_fill_too_high_come_out_negative() -> None:
    assert apical_seal_mm(20, 20.5) < 0
    assert level_after_increment_mm(1.5, 2) < 0


@untimed
@given(many_lengths_mm)
def test_estimate_lies_among_its_readings(readings: list[float]) -> None:
    estimate = final_length_mm(readings)
    assert estimate.n == len(readings)
    assert round_mm(min(readings)) <= estimate.centre_mm <= round_mm(max(readings))
    spread = exact(max(readings)) - exact(min(readings))
    stated = exact(estimate.spread_mm)
    assert -slightly_over_nothing <= stated - spread < Fraction(1, 10) + slightly_over_nothing


@untimed
@given(st.lists(tenths, min_size=3, max_size=3))
def test_middle_of_three_readings_whatever_their_order(readings: list[int]) -> None:
    estimates = {final_length_mm([r / 10 for r in order]) for order in permutations(readings)}
    assert {e.centre_mm for e in estimates} == {sorted(readings)[1] / 10}
    assert len(estimates) == 1


def test_one_careless_reading_does_not_move_the_centre() -> None:
    assert final_length_mm([20.5, 20.5, 12]).centre_mm == final_length_mm([20.5]).centre_mm


def test_even_number_of_readings_takes_the_mean_of_the_middle_two() -> None:
    assert final_length_mm([20.5, 21.0]).centre_mm == 20.8  # 20.75, half away from zero


@untimed
@given(many_lengths_mm, tenths)
def test_agreement_is_what_the_stated_spread_says(readings: list[float], t: int) -> None:
    # A spread that is shown as 0.5 must not be refused by a tolerance of 0.5.
    agree = readings_agree(readings, t / 10)
    assert agree == (final_length_mm(readings).spread_mm <= t / 10)


@untimed
@given(tenths, st.integers(0, 20))
def test_the_tolerance_itself_still_agrees(reading: int, apart: int) -> None:
    pair = [reading / 10, min(reading + apart, 450) / 10]
    apart_mm = (min(reading + apart, 450) - reading) / 10
    assert readings_agree(pair, apart_mm)
    assert apart_mm == 0 or not readings_agree(pair, apart_mm - 0.05)


def test_no_reading_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        final_length_mm([])
    with pytest.raises(ValueError, match="at least one"):
        readings_agree([], 0.5)


@untimed
@given(not_lengths_mm)
def test_what_cannot_be_a_length_is_named(bad: float) -> None:
    with pytest.raises(ValueError, match=r"^the post level is .* allowed are 0 to 45 mm$"):
        check_length_mm(bad, "the post level")
    with pytest.raises(ValueError, match=r"^reading 2 "):
        final_length_mm([20.0, bad])
    with pytest.raises(ValueError, match="tolerance"):
        readings_agree([20.0], bad)
    for function in (cut_back_mm, apical_seal_mm, level_after_increment_mm, depth_limit_mm):
        with pytest.raises(ValueError, match="allowed"):
            function(1.0, bad)
    for function in (cut_back_mm, apical_seal_mm, depth_limit_mm):
        with pytest.raises(ValueError, match="allowed"):
            function(bad, 1.0)


@pytest.mark.parametrize("bad", [45.1, float("nan"), float("inf"), float("-inf")])
def test_a_top_may_be_above_the_reference_point_but_not_nowhere(bad: float) -> None:
    with pytest.raises(ValueError, match="top of the fill"):
        level_after_increment_mm(bad, 1.0)


def test_a_whole_that_the_least_pieces_just_make_up_fits() -> None:
    assert equal_pieces(6.0, (3.0, 4.0), (3.0, 4.0)) == ((3.0, 3.0), True)
    assert equal_pieces(5.9, (3.0, 4.0), (3.0, 4.0)).fits is False


def test_a_range_may_be_a_single_length() -> None:
    assert equal_pieces(4.0, (2.0, 2.0), (2.0, 2.0)) == ((2.0, 2.0), True)

"""Sizes, colours and diameters against the figures of the standards."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.canal.instruments import (
    ISO_SIZES,
    MAX_TAPER,
    POINT_SIZES,
    POINT_TAPERS,
    Interval,
    Product,
    check_size,
    check_taper,
    diameter_interval_mm,
    diameter_mm,
    diameter_tolerance_mm,
    iso_colour,
    taper_label,
    tip_after_cut_mm,
)
from canal.standard import STANDARD_TAPER, WORKING_PART_MM

pytestmark = pytest.mark.core

untimed = settings(deadline=None)  # the clock of a busy machine fails no test

NAN = float("nan")

sizes = st.sampled_from(ISO_SIZES)
point_sizes = st.sampled_from(POINT_SIZES)
tapers = st.integers(0, round(MAX_TAPER * 1000)).map(lambda t: t / 1000)
distances_mm = st.integers(0, 200).map(lambda d: d / 10)


def test_the_series_has_its_21_sizes() -> None:
    # ISO 3630-1 (from memory): 006 and 008, 010 to 060 by 5, 070 to 140 by 10.
    assert len(ISO_SIZES) == 21
    assert list(ISO_SIZES) == sorted(set(ISO_SIZES))
    assert {6, 8, 10, 15, 60, 70, 140} <= set(ISO_SIZES)
    assert not {0, 7, 12, 65, 75, 145} & set(ISO_SIZES)


@pytest.mark.parametrize(
    ("colour", "of_sizes"),
    [  # ISO 3630-1 (from memory, as on any chart of the colour code).
        ("pink", {6}),
        ("grey", {8}),
        ("purple", {10}),
        ("white", {15, 45, 90}),
        ("yellow", {20, 50, 100}),
        ("red", {25, 55, 110}),
        ("blue", {30, 60, 120}),
        ("green", {35, 70, 130}),
        ("black", {40, 80, 140}),
    ],
)
def test_colours_of_the_standard(colour: str, of_sizes: set[int]) -> None:
    assert {size for size in ISO_SIZES if iso_colour(size) == colour} == of_sizes


@pytest.mark.parametrize(
    ("size", "d3_mm", "d16_mm"),
    # Table of diameters in ISO 3630-1 for the standard taper (from memory).
    [(6, 0.12, 0.38), (10, 0.16, 0.42), (25, 0.31, 0.57), (40, 0.46, 0.72), (140, 1.46, 1.72)],
)
def test_diameters_of_the_standard(size: int, d3_mm: float, d16_mm: float) -> None:
    assert diameter_mm(size, STANDARD_TAPER, 3) == d3_mm
    assert diameter_mm(size, STANDARD_TAPER, 16) == d16_mm


def test_the_standard_taper_is_that_of_d0_and_d16() -> None:
    # ISO 3630-1 (from memory): D16 = D0 + 0.32 mm over a working part of 16 mm.
    for size in ISO_SIZES:
        d0_mm = diameter_mm(size, STANDARD_TAPER, 0)
        d16_mm = diameter_mm(size, STANDARD_TAPER, WORKING_PART_MM)
        assert d16_mm - d0_mm == pytest.approx(0.32)


def test_points_have_the_standard_taper_and_the_larger_ones() -> None:
    # Common practice: .04 to .12 beside the standard's .02.
    assert POINT_TAPERS[0] == STANDARD_TAPER
    assert list(POINT_TAPERS) == sorted(set(POINT_TAPERS))
    assert [taper_label(taper) for taper in (POINT_TAPERS[1], POINT_TAPERS[-1])] == [
        ".04",
        ".12",
    ]
    assert all(check_taper(taper) == taper for taper in POINT_TAPERS)


@untimed
@given(sizes, tapers)
def test_at_the_tip_the_diameter_is_the_size(size: int, taper: float) -> None:
    assert diameter_mm(size, taper, 0) * 100 == pytest.approx(size)


@untimed
@given(sizes, tapers, distances_mm, st.integers(1, 50))
def test_a_diameter_is_the_hand_computed_decimal(
    size: int, taper: float, distance_mm: float, more: int
) -> None:
    # size in 1/100, taper in 1/1000 and distance in 1/10 mm: whole 1/10 000 mm.
    units = size * 100 + round(taper * 1000) * round(distance_mm * 10)
    assert diameter_mm(size, taper, distance_mm) == units / 10_000
    steps = round(distance_mm * 10) + more
    assert diameter_mm(size, taper, steps / 10) >= diameter_mm(size, taper, distance_mm)


@untimed
@given(st.integers(0, len(ISO_SIZES) - 2), tapers, distances_mm)
def test_a_larger_size_is_thicker_everywhere(i: int, taper: float, at_mm: float) -> None:
    assert diameter_mm(ISO_SIZES[i], taper, at_mm) < diameter_mm(ISO_SIZES[i + 1], taper, at_mm)


@untimed
@given(point_sizes, tapers, st.integers(0, 100), st.integers(0, 100))
def test_the_new_tip_is_where_the_old_point_was_cut(
    size: int, taper: float, cut: int, beyond: int
) -> None:
    new_tip_mm = tip_after_cut_mm(size, taper, cut / 10)
    assert new_tip_mm + taper * beyond / 10 == pytest.approx(
        diameter_mm(size, taper, (cut + beyond) / 10)
    )


def test_a_millimetre_off_a_point_adds_its_taper_to_the_tip() -> None:
    # Common practice: 1 mm off a .06 point adds 0.06 mm; 5 mm off a .02 point of
    # size 025 leaves a size 035 tip.
    assert tip_after_cut_mm(30, 0.06, 1) == 0.36
    assert tip_after_cut_mm(25, 0.02, 5) == diameter_mm(35, 0.02, 0)


@pytest.mark.parametrize(
    ("product", "size", "tolerance_mm"),
    [  # ISO 3630-1 and ISO 6877, both from memory.
        (Product.INSTRUMENT, 6, 0.02),
        (Product.INSTRUMENT, 60, 0.02),
        (Product.INSTRUMENT, 70, 0.04),
        (Product.POINT, 25, 0.05),
        (Product.POINT, 30, 0.07),
    ],
)
def test_tolerances_of_the_standards(product: Product, size: int, tolerance_mm: float) -> None:
    assert diameter_tolerance_mm(size, product) == tolerance_mm


@untimed
@given(point_sizes)
def test_points_are_made_less_exactly_than_instruments(size: int) -> None:
    point, instrument = (
        diameter_tolerance_mm(size, p) for p in (Product.POINT, Product.INSTRUMENT)
    )
    assert instrument < point


@untimed
@given(point_sizes, tapers, distances_mm, st.sampled_from(Product))
def test_the_interval_is_centred_on_the_nominal_diameter(
    size: int, taper: float, at_mm: float, product: Product
) -> None:
    interval = diameter_interval_mm(size, taper, at_mm, product)
    assert interval.low > 0
    assert (interval.low + interval.high) / 2 == pytest.approx(diameter_mm(size, taper, at_mm))
    assert interval.high - interval.low == pytest.approx(
        2 * diameter_tolerance_mm(size, product)
    )


@untimed
@given(st.integers(0, round(MAX_TAPER * 1000)))
def test_a_taper_label_reads_back_as_the_taper(thousandths: int) -> None:
    label = taper_label(thousandths / 1000)
    assert float(label) == thousandths / 1000
    assert label.startswith(".")
    assert len(label) == (3 if thousandths % 10 == 0 else 4)


def test_taper_labels_are_those_on_the_box() -> None:
    # Common practice: two figures, a leading point, no leading nought.
    assert [taper_label(t) for t in (0.02, 0.06, 0.1, 0.055)] == [".02", ".06", ".10", ".055"]


def test_an_unknown_size_is_named_with_what_is_allowed() -> None:
    with pytest.raises(
        ValueError, match=r"instrument of size 27; allowed are 006, 008, .* 140"
    ):
        check_size(27)
    with pytest.raises(ValueError, match="gutta-percha point of size 8; allowed are 010, 015"):
        check_size(8, Product.POINT)
    with pytest.raises(ValueError, match="gutta-percha point of size 8;"):
        tip_after_cut_mm(8, 0.06, 1)


@untimed
@given(st.integers().filter(lambda size: size not in ISO_SIZES))
def test_every_function_refuses_a_size_that_is_not_made(size: int) -> None:
    for call in (
        lambda: check_size(size),
        lambda: iso_colour(size),
        lambda: diameter_mm(size, 0.06, 1),
        lambda: tip_after_cut_mm(size, 0.06, 1),
        lambda: diameter_tolerance_mm(size, Product.INSTRUMENT),
    ):
        with pytest.raises(ValueError, match=f"size {size}; allowed"):
            call()


@pytest.mark.parametrize("taper", [6, 0.6, -0.02, NAN])
def test_a_taper_that_is_not_mm_per_mm_is_refused(taper: float) -> None:
    for function in (check_taper, taper_label, lambda t: diameter_mm(25, t, 1)):
        with pytest.raises(ValueError, match=r"six per cent taper is 0\.06"):
            function(taper)


def test_a_cut_and_a_distance_must_be_lengths() -> None:
    with pytest.raises(ValueError, match="length cut off is -1 mm"):
        tip_after_cut_mm(25, 0.06, -1)
    with pytest.raises(ValueError, match="length cut off is 215 mm"):
        tip_after_cut_mm(25, 0.06, 215)
    with pytest.raises(ValueError, match="distance from the tip is nan mm"):
        diameter_mm(25, 0.06, NAN)


@untimed
@given(st.floats(), st.floats())
def test_an_interval_holds_its_ends_or_is_refused(low: float, high: float) -> None:
    if low <= high:
        interval = Interval(low, high)
        assert low in interval
        assert high in interval
        assert NAN not in interval
    else:
        with pytest.raises(ValueError, match="empty"):
            Interval(low, high)


def test_an_interval_leaves_out_what_is_beyond_its_ends() -> None:
    assert 0.29 not in Interval(0.3, 0.4)
    assert 0.41 not in Interval(0.3, 0.4)

"""Plans of the downpack and the backfill: limits, ranges, sums, scale, examples by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assistant.canal.instruments import Interval
from assistant.canal.lengths import equal_pieces
from assistant.canal.model import CanalShape, TaperSegment, prepared
from assistant.canal.plan import (
    VOLUME_CHANGE,
    Backfill,
    CyclePlan,
    CycleTimes,
    Downpack,
    Fitted,
    PluggerRank,
    plan_backfill,
    plan_downpack,
    plugger_for,
    replan,
    volume_interval_mm3,
)

TIMES = CycleTimes(heat_s=3.0, dwell_s=1.0, press_s=5.0, handling_s=11.0)
DUST_MM = 1e-6


def downpack(wl: float = 21.0, sear: float = 4.0, **changes: Any) -> Downpack:
    job = Downpack(wl, sear, Interval(3.0, 4.0), 5.0, 0.5)
    return replace(job, **changes)


def tenths(low: int, high: int) -> st.SearchStrategy[float]:
    return st.integers(low, high).map(lambda n: n / 10)


ranges = st.tuples(st.integers(5, 50), st.integers(0, 20)).map(
    lambda ends: Interval(ends[0] / 10, (ends[0] + ends[1]) / 10)
)
fits_of_pluggers = st.builds(Fitted, *[st.none() | tenths(20, 300)] * 3)
jobs = st.builds(
    Downpack,
    wl_mm=tenths(80, 350),
    sear_mm=tenths(0, 250),
    plunge_mm=ranges,
    short_of_wl_mm=tenths(0, 80),
    within_mm=tenths(0, 10),
    fitted=fits_of_pluggers,
)
spoken = tenths(0, 350)


def plunges_mm(plan: CyclePlan, level_mm: float) -> list[float]:
    depths = [level_mm, *(cycle.plugger_to_mm for cycle in plan.cycles)]
    return [below - above for above, below in pairwise(depths)]


# --- equal pieces -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("total", "within", "pieces", "fits"),
    [  # By hand, in plunges of 3 to 4 mm.
        (12.0, 0.5, [4.0, 4.0, 4.0], True),
        (10.0, 0.5, [3.4, 3.3, 3.3], True),
        (3.0, 0.5, [3.0], True),
        (12.3, 0.5, [3.1, 3.1, 3.1, 3.0], True),
        (8.3, 0.5, [4.0, 4.0], True),  # no number fits; 0.3 short is within
        (8.3, 0.2, [2.8, 2.8, 2.7], False),  # ... and here it is not
        (8.3, 0.25, [2.8, 2.8, 2.7], False),  # nor here: a tolerance is not rounded up
        (5.0, 0.5, [2.5, 2.5], False),
        (2.0, 0.5, [2.0], False),
        (0.5, 0.5, [], True),
        (-1.0, 0.5, [], True),
    ],
)
def test_equal_pieces_by_hand(
    total: float, within: float, pieces: list[float], fits: bool
) -> None:
    cut = equal_pieces(total, (3.0, 4.0), (3.0, 4.0), within)
    assert list(cut.lengths_mm) == pieces
    assert cut.fits is fits


@given(tenths(-10, 450), ranges, ranges, tenths(0, 10))
def test_pieces_are_never_too_long_and_cover_the_whole(
    total: float, first: Interval, later: Interval, within: float
) -> None:
    pieces, fits = equal_pieces(total, (first.low, first.high), (later.low, later.high), within)
    allowed = [first, *[later] * len(pieces)]
    assert all(0 < p <= r.high for p, r in zip(pieces, allowed, strict=False))
    in_range = all(p in r for p, r in zip(pieces, allowed, strict=False))
    assert fits == in_range
    left = total - sum(pieces)
    if total > within:
        assert -DUST_MM <= left <= (within if fits else 0) + DUST_MM
    else:
        assert pieces == ()
    assert max(pieces[1:], default=0) - min(pieces[1:], default=0) <= 0.1 + DUST_MM


@given(st.integers(1, 250), st.integers(5, 50), st.integers(0, 20))
def test_a_number_of_pieces_is_found_whenever_there_is_one(
    total: int, least: int, wide: int
) -> None:
    exists = [n for n in range(1, 60) if n * least <= total <= n * (least + wide)]
    ends = (least / 10, (least + wide) / 10)
    pieces, fits = equal_pieces(total / 10, ends, ends)
    assert fits == bool(exists)
    assert not exists or len(pieces) == exists[0]


@pytest.mark.parametrize("ends", [(3.01, 3.09), (0.0, 0.0), (4.0, 3.0), (-1.0, 3.0)])
def test_a_range_with_no_length_in_it_is_refused(ends: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="mm"):
        equal_pieces(10.0, ends, ends)


# --- downpack ------------------------------------------------------------------------


def test_three_cycles_by_hand() -> None:
    # WL 21, so the limit is 16; from a sear at 4 mm 12 mm are left.
    plan = plan_downpack(downpack(), TIMES)
    assert [c.heat_to_mm for c in plan.cycles] == [8.0, 12.0, 16.0]
    assert [c.plugger for c in plan.cycles] == list(PluggerRank)
    assert [c.number for c in plan.cycles] == [1, 2, 3]
    assert plan.stop_mm == 16.0
    assert plan.seconds == 60.0
    assert plan.fits


def test_replanned_by_hand() -> None:
    job = downpack()
    # The first plugger stopped at 7: 9 mm are left, three plunges of 3.
    plan = replan(job, TIMES, 7.0, 1)
    assert [c.plugger_to_mm for c in plan.cycles] == [10.0, 13.0, 16.0]
    assert [c.number for c in plan.cycles] == [2, 3, 4]
    # Second carrier at 10.6: press and handling of that cycle are left, and 5.4 mm,
    # which neither one plunge nor two of at least 3 mm can cover.
    plan = replan(job, TIMES, 7.0, 1, heated_mm=10.6)
    assert [c.heat_to_mm for c in plan.cycles] == [10.6, 13.3, 16.0]
    assert plan.seconds == 16.0 + 2 * 20.0
    assert not plan.fits
    # At the limit within the tolerance: nothing is left.
    assert replan(job, TIMES, 15.5, 3) == CyclePlan((), 16.0, 0, True)


def test_beyond_the_limit_nothing_is_planned_and_nothing_fits() -> None:
    assert replan(downpack(), TIMES, 16.5, 2) == CyclePlan((), 16.0, 0, False)
    plan = replan(downpack(), TIMES, 13.0, 2, heated_mm=16.8)
    assert [c.heat_to_mm for c in plan.cycles] == [16.8]  # as said
    assert plan.cycles[0].plugger_to_mm == 16.0
    assert not plan.fits


@given(jobs, st.none() | spoken, st.integers(0, 5))
def test_no_plan_passes_the_limit_and_each_ends_there(
    job: Downpack, level: float | None, done: int
) -> None:
    plan = plan_downpack(job, TIMES) if level is None else replan(job, TIMES, level, done)
    level = job.sear_mm if level is None else level
    assert plan.stop_mm <= max(0.0, job.wl_mm - job.short_of_wl_mm) + DUST_MM
    for cycle in plan.cycles:
        assert cycle.heat_to_mm <= plan.stop_mm
        assert cycle.plugger_to_mm <= plan.stop_mm
    if level > plan.stop_mm:
        assert plan.cycles == () and not plan.fits
        return
    end = plan.cycles[-1].plugger_to_mm if plan.cycles else level
    assert plan.stop_mm - job.within_mm - DUST_MM <= end <= plan.stop_mm
    steps = plunges_mm(plan, level)
    assert all(step <= job.plunge_mm.high + DUST_MM for step in steps)
    in_range = all(step >= job.plunge_mm.low - DUST_MM for step in steps)
    assert plan.fits == (in_range and all(cycle.plugger for cycle in plan.cycles))
    assert plan.seconds == pytest.approx(20.0 * len(plan.cycles))


@given(jobs, spoken, spoken)
def test_with_the_carrier_down_the_plan_still_ends_at_the_limit(
    job: Downpack, level: float, heated: float
) -> None:
    plan = replan(job, TIMES, level, 1, heated)
    if level > plan.stop_mm:
        assert plan.cycles == ()
        return
    first, *others = plan.cycles
    assert first.heat_to_mm == heated
    assert all(cycle.heat_to_mm <= plan.stop_mm for cycle in others)
    assert all(cycle.plugger_to_mm <= plan.stop_mm for cycle in plan.cycles)
    assert plan.cycles[-1].plugger_to_mm >= plan.stop_mm - job.within_mm - DUST_MM
    if plan.fits:
        assert heated <= plan.stop_mm
        assert job.plunge_mm.low - DUST_MM <= heated - level <= job.plunge_mm.high + DUST_MM


@given(jobs)
def test_carrying_the_plan_out_leaves_the_rest_of_the_same_plan(job: Downpack) -> None:
    plan = plan_downpack(job, TIMES)
    assert all(a.plugger_to_mm < b.plugger_to_mm for a, b in pairwise(plan.cycles))
    if plan.cycles and plan.fits:
        rest = replan(job, TIMES, plan.cycles[0].plugger_to_mm, 1)
        assert rest.cycles == plan.cycles[1:]


@given(st.integers(1, 4), st.integers(30, 40), tenths(0, 10))
def test_twice_the_size_twice_the_depths(n: int, plunge: int, sear: float) -> None:
    # A distance that n plunges cover exactly: no rounding to 0.1 mm comes between.
    wl = sear + n * plunge / 10 + 5
    small = plan_downpack(downpack(wl, sear), TIMES)
    twice = Downpack(2 * wl, 2 * sear, Interval(6.0, 8.0), 10.0, 1.0)
    large = plan_downpack(twice, TIMES)
    assert len(small.cycles) == len(large.cycles) > 0
    assert large.stop_mm == pytest.approx(2 * small.stop_mm)
    # n - 1 plunges may cover it too: then those are not exact, and a tenth is between.
    between = 0.0 if len(small.cycles) == n else 0.2
    for a, b in zip(small.cycles, large.cycles, strict=True):
        assert b.plugger is a.plugger
        assert b.heat_to_mm == pytest.approx(2 * a.heat_to_mm, abs=between + DUST_MM)


def test_the_widest_plugger_that_reaches_follows() -> None:
    job = downpack(fitted=Fitted(9.0, 13.0, 15.7))
    asked = [8.0, 9.0, 9.1, 13.0, 15.7, 16.0]
    named = [plugger_for(job, depth) for depth in asked]
    # At 16 the apical one, fitted to 15.7, is short by less than the tolerance.
    assert named == ["coronal", "coronal", "middle", "middle", "apical", "apical"]


def test_unfitted_pluggers_serve_a_third_each() -> None:
    # From 6 to 16: thirds end at 9.33 and 12.67, cycles at 9.4 and 12.7, within tolerance.
    plan = plan_downpack(downpack(sear=6.0), TIMES)
    assert [c.heat_to_mm for c in plan.cycles] == [9.4, 12.7, 16.0]
    assert [c.plugger for c in plan.cycles] == list(PluggerRank)


def test_a_depth_that_no_plugger_reaches_does_not_fit() -> None:
    plan = plan_downpack(downpack(fitted=Fitted(9.0, 13.0, 14.0)), TIMES)
    assert plan.cycles[-1].plugger is None
    assert not plan.fits


@given(jobs, st.none() | st.lists(tenths(20, 300), min_size=3, max_size=3).map(sorted))
def test_pluggers_only_get_narrower(job: Downpack, fitted: list[float] | None) -> None:
    job = replace(job, fitted=Fitted(*fitted) if fitted else Fitted())
    used = [cycle.plugger for cycle in plan_downpack(job, TIMES).cycles]
    # Narrower with depth, and from where none reaches on, none does.
    order = [*PluggerRank, None]
    assert [order.index(p) for p in used] == sorted(order.index(p) for p in used)
    assert fitted or None not in used


@pytest.mark.parametrize(
    "make",
    [
        lambda: downpack(wl=99.0),
        lambda: downpack(sear=float("nan")),
        lambda: downpack(plunge_mm=Interval(0.0, 0.0)),
        lambda: downpack(fitted=Fitted(apical_mm=160.0)),
        lambda: replan(downpack(), TIMES, -1.0, 0),
        lambda: replan(downpack(), TIMES, 8.0, -1),
        lambda: replan(downpack(), TIMES, 8.0, 0, heated_mm=float("inf")),
        lambda: plan_backfill(backfill(), float("nan")),
        lambda: plan_backfill(backfill(), 16.0, change=Interval(-1.0, 0.0)),
        lambda: backfill(post_mm=-1.0),
    ],
)
def test_what_cannot_be_is_refused(make) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"mm|negative|leaves nothing"):
        make()


# --- backfill ------------------------------------------------------------------------


def backfill(shape: CanalShape | None = None, **changes: Any) -> Backfill:
    canal = shape or prepared(21.0, 30, 0.06)
    job = Backfill(canal, 3.0, Interval(2.0, 3.0), Interval(2.0, 5.0), 0.5)
    return replace(job, **changes)


shapes = st.builds(
    lambda wl, size, a, length, b: prepared(wl, size, TaperSegment(length, a), b),
    tenths(160, 300),
    st.sampled_from([20, 25, 30, 40, 50]),
    st.sampled_from([0.02, 0.06, 0.08]),
    st.floats(1.0, 8.0),
    st.sampled_from([0.02, 0.04, 0.06]),
)
backfills = st.builds(
    Backfill,
    shape=shapes,
    coronal_mm=tenths(0, 120),
    first_mm=st.just(Interval(2.0, 3.0)),
    later_mm=st.sampled_from([Interval(2.0, 5.0), Interval(2.0, 3.0), Interval(3.0, 4.0)]),
    within_mm=tenths(0, 10),
    post_mm=st.none() | tenths(50, 250),
    seal_min_mm=st.sampled_from([4.0, 5.0]),
)


def test_increments_by_hand() -> None:
    # From 16 to 3: 13 mm, the most that three increments of 3, 5 and 5 can cover.
    plan = plan_backfill(backfill(), 16.0)
    assert [i.length_mm for i in plan.increments] == [3.0, 5.0, 5.0]
    assert [(i.from_mm, i.to_mm) for i in plan.increments] == [(16, 13), (13, 8), (8, 3)]
    assert plan.fits
    # Size 30, taper .06: 0.60 mm wide at 16, 1.38 mm at 3. One frustum:
    by_hand = math.pi * 13 / 12 * (0.6**2 + 0.6 * 1.38 + 1.38**2)
    assert plan.volume_mm3 == pytest.approx(by_hand)  # 10.52 mm3
    # ISO 3630-1 gives 0.02 mm; published changes of volume: -1.4 % and +1.3 %.
    thin = math.pi * 13 / 12 * (0.58**2 + 0.58 * 1.36 + 1.36**2)
    assert plan.material_mm3.low == pytest.approx(thin / 1.013)
    thick = math.pi * 13 / 12 * (0.62**2 + 0.62 * 1.4 + 1.4**2)
    assert plan.material_mm3.high == pytest.approx(thick / 0.986)


def test_after_a_small_first_increment_the_rest_is_equalised() -> None:
    plan = plan_backfill(backfill(), 14.0, done=1)
    assert [i.length_mm for i in plan.increments] == [3.7, 3.7, 3.6]
    assert [i.number for i in plan.increments] == [2, 3, 4]


def test_fill_ends_under_the_post_with_the_seal_kept() -> None:
    plan = plan_backfill(backfill(post_mm=13.0), 16.0)
    assert [i.to_mm for i in plan.increments] == [13.0]
    assert plan.fits
    # WL 21: a post level at 17 would leave 4 mm; with 5 to keep the fill goes up to 16.
    plan = plan_backfill(backfill(post_mm=17.0), 18.5)
    assert (plan.level_mm, plan.fits) == (16.0, False)
    assert plan_backfill(backfill(post_mm=17.0, seal_min_mm=4.0), 18.5).level_mm == 17.0


@given(backfills, tenths(0, 300), st.integers(0, 3))
def test_increments_add_up_and_keep_their_limits(job: Backfill, top: float, done: int) -> None:
    plan = plan_backfill(job, top, done)
    inc = plan.increments
    if job.post_mm is not None:
        assert job.shape.wl_mm - plan.level_mm >= job.seal_min_mm - DUST_MM
    if not inc:
        assert top <= plan.level_mm + job.within_mm + DUST_MM
        assert plan.volume_mm3 == 0
        return
    assert inc[0].from_mm == top
    assert all(a.to_mm == b.from_mm for a, b in pairwise(inc))
    end = inc[-1].to_mm
    assert plan.level_mm - DUST_MM <= end <= plan.level_mm + job.within_mm + DUST_MM
    first = job.later_mm if done else job.first_mm
    allowed = [first] + [job.later_mm] * (len(inc) - 1)
    assert all(i.length_mm <= r.high for i, r in zip(inc, allowed, strict=True))
    if plan.fits:
        assert all(i.length_mm in r for i, r in zip(inc, allowed, strict=True))
    assert math.fsum(i.volume_mm3 for i in inc) == pytest.approx(plan.volume_mm3)
    assert plan.volume_mm3 == pytest.approx(job.shape.volume_mm3(top, end))
    assert plan.material_mm3.low < plan.volume_mm3 < plan.material_mm3.high


@given(backfills, tenths(80, 300))
def test_volume_and_the_rest_of_the_volume(job: Backfill, top: float) -> None:
    plan = plan_backfill(job, top)
    assume(len(plan.increments) >= 2)
    one = plan.increments[0]
    rest = plan_backfill(job, one.to_mm, done=1)
    assert one.volume_mm3 + rest.volume_mm3 == pytest.approx(
        job.shape.volume_mm3(top, rest.increments[-1].to_mm)
    )


@given(tenths(100, 220), st.sampled_from([20, 30, 40]), st.sampled_from([0.02, 0.06]))
def test_twice_the_size_eight_times_the_volume(wl: float, size: int, taper: float) -> None:
    small = CanalShape(wl, size / 100, (TaperSegment(math.inf, taper),), 0.02)
    large = CanalShape(2 * wl, size / 50, (TaperSegment(math.inf, taper),), 0.04)
    one = plan_backfill(backfill(small), round(wl - 5, 1))
    two = plan_backfill(
        Backfill(large, 6.0, Interval(4.0, 6.0), Interval(4.0, 10.0), 1.0),
        round(2 * wl - 10, 1),
    )
    assume(one.fits and one.increments[-1].to_mm == 3.0)
    assert len(one.increments) == len(two.increments)
    assert two.volume_mm3 == pytest.approx(8 * one.volume_mm3)
    assert two.material_mm3.high == pytest.approx(8 * one.material_mm3.high)


def test_a_fill_above_its_level_gets_nothing_and_does_not_fit() -> None:
    for top in (1.0, 0.0, -2.0):
        plan = plan_backfill(backfill(), top)
        assert plan.increments == () and plan.volume_mm3 == 0 and not plan.fits
    assert plan_backfill(backfill(), 2.6).fits  # within the tolerance


def test_published_changes_of_volume() -> None:
    """Thermomechanical properties of gutta-percha, part V, 1985 (summary): after 80 C -1.4 %,
    after 45 C +1.3 %. What is put in comes to the canal's own volume at both ends."""
    plan = plan_backfill(backfill(), 16.0)
    canal = volume_interval_mm3(backfill().shape, 16.0, 3.0)
    assert plan.material_mm3.high * 0.986 == pytest.approx(canal.high)
    assert plan.material_mm3.low * 1.013 == pytest.approx(canal.low)
    assert Interval(-0.014, 0.013) == VOLUME_CHANGE


@given(shapes, tenths(0, 160), tenths(0, 160))
def test_volume_interval_encloses_what_is_within_tolerance(
    shape: CanalShape, one: float, two: float
) -> None:
    found = volume_interval_mm3(shape, one, two)
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        by = share * shape.tolerance_mm
        volume = replace(shape, apical_mm=shape.apical_mm + by).volume_mm3(one, two)
        assert found.low - 1e-9 <= volume <= found.high + 1e-9

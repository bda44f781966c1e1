"""What fits where: against dense scans of independent geometry, hand-worked cases, laws.

Sizes of pluggers and tables of points are invented.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from assistant.canal.contact import Insertion
from assistant.canal.fit import (
    Answer,
    ConeVerdict,
    Third,
    bind_depth_mm,
    cone_fit,
    passive_pluggers,
    reaches,
    third_ends_mm,
)
from assistant.canal.instruments import ISO_SIZES, POINT_SIZES, Interval
from assistant.canal.model import CanalShape, TaperSegment, prepared
from assistant.canal.pluggers import Plugger
from assistant.canal.points import Profile, TableRow, iso_point
from canal.invented_points import table_point

quick = settings(deadline=None, max_examples=20)

canal_sizes = st.sampled_from([size for size in ISO_SIZES if 15 <= size <= 60])
tapers = st.sampled_from([0.02, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12])
wls = st.floats(14.0, 28.0)
clearances = st.floats(0.0, 0.15)
straight = st.builds(
    lambda wl, size, a, length, b: prepared(wl, size, TaperSegment(length, a), b),
    wls,
    canal_sizes,
    tapers,
    st.floats(1.0, 8.0),
    tapers,
)
curved = st.builds(
    lambda shape, share, radius: replace(
        shape, curve_begins_mm=share * shape.wl_mm, curve_radius_mm=radius
    ),
    straight,
    st.floats(0.3, 0.9),
    st.floats(5.0, 40.0),
)
shapes = st.one_of(straight, curved)
pluggers = st.builds(
    lambda tip, taper, off: Plugger("invented", tip, taper, off),
    st.floats(0.3, 1.2),
    st.floats(0.0, 0.08),
    st.sampled_from([0.0, 0.02]),
)
cones = st.one_of(
    st.builds(iso_point, st.sampled_from([s for s in POINT_SIZES if s <= 60]), tapers),
    st.builds(
        lambda tip, a, b: table_point(
            "invented", [(0, tip), (3, tip + 3 * a), (20, tip + 3 * a + 17 * b)], 0.05
        ),
        st.floats(0.15, 0.5),
        tapers,
        tapers,
    ),
)


def exact(shape: CanalShape) -> CanalShape:
    return replace(shape, tolerance_mm=0.0)


def plugger_at(shape: CanalShape, tip_mm: float, taper: float, clearance_mm: float) -> Interval:
    return bind_depth_mm(shape, Plugger("invented", tip_mm, taper), clearance_mm)


# -- hand-worked ------------------------------------------------------------------


def test_a_slender_plugger_stops_at_its_tip() -> None:
    # Hand-worked: 30/.06 to 20 mm is 0.6 mm wide at 20 - 0.3/0.06 = 15 mm; a parallel
    # 0.6 mm plugger touches there, with 0.06 mm of clearance 1 mm earlier.
    canal = exact(prepared(20.0, 30, 0.06))
    for clearance_mm, depth_mm in ((0.0, 15.0), (0.06, 14.0)):
        found = plugger_at(canal, 0.6, 0.0, clearance_mm)
        assert (found.low, found.high) == pytest.approx((depth_mm, depth_mm))


def test_a_stout_plugger_stops_at_its_shank() -> None:
    # Hand-worked: 30/.04 to 20 mm has a mouth of 1.1 mm; a shank of taper .1 over a tip
    # of 0.4 is 1.1 mm thick 7 mm up, and is stopped there, though the canal is 0.82 at 7.
    canal = exact(prepared(20.0, 30, 0.04))
    found = plugger_at(canal, 0.4, 0.1, 0.0)
    assert (found.low, found.high) == pytest.approx((7.0, 7.0))
    # Above an orifice at 10 mm (0.7 mm wide) it is free: 3 mm up it is 0.7, so 13 mm.
    found = bind_depth_mm(canal, Plugger("invented", 0.4, 0.1), 0.0, mouth_mm=10.0)
    assert (found.low, found.high) == pytest.approx((13.0, 13.0))


def test_a_plugger_stops_where_the_canal_changes_its_taper() -> None:
    # Hand-worked: 0.6 mm at 20 mm, .02 for 8 mm, then .1: 0.76 mm at 12. A shank of .06
    # over a tip of 0.4 is 0.76 mm 6 mm up: tip at 18, where the canal has 0.64.
    canal = CanalShape(20.0, 0.6, (TaperSegment(8.0, 0.02), TaperSegment(1.0, 0.1)))
    found = plugger_at(canal, 0.4, 0.06, 0.0)
    assert (found.low, found.high) == pytest.approx((18.0, 18.0))
    going_in = Insertion(canal, Plugger("x", 0.4, 0.06).profile)
    assert going_in.tightest(18.0) == pytest.approx((6.0, 0.0))


def test_a_plugger_that_does_not_go_in() -> None:
    canal = exact(prepared(20.0, 30, 0.04))
    assert plugger_at(canal, 1.2, 0.0, 0.0) == Interval(0.0, 0.0)
    assert bind_depth_mm(canal, Plugger("x", 1.2, 0.0), 0.0, 8.0) == Interval(8.0, 8.0)


def test_tolerances_make_the_interval() -> None:
    # Hand-worked: as the slender one, +/- 0.02 of ISO 3630-1 (from memory) and +/- 0.01
    # of the plugger: 0.03 mm of diameter is half a millimetre at taper .06.
    found = bind_depth_mm(prepared(20.0, 30, 0.06), Plugger("x", 0.6, 0.0, 0.01), 0.0)
    assert (found.low, found.high) == pytest.approx((14.5, 15.5))


def test_an_axial_plugger_in_a_curve() -> None:
    # Hand-worked: a parallel canal of 0.8 mm, straight to 10 mm, then R = 10 mm; a parallel
    # plugger of 0.4 mm has g = 0.2 all round: x = sqrt(0.2 (20 + 0.6)) = 2.030 mm. The
    # sagitta formula sqrt(2 R g - g^2) gives 1.990.
    canal = CanalShape(20.0, 0.8, (TaperSegment(1.0, 0.0),), 0.0, 10.0, 10.0)
    low = plugger_at(canal, 0.4, 0.0, 0.0).low
    assert low == pytest.approx(10 + math.sqrt(0.2 * 20.6))
    assert low == pytest.approx(10 + math.sqrt(2 * 10 * 0.2 - 0.04), abs=0.05)


def test_room_in_a_curve_is_that_at_the_arc_length() -> None:
    # Hand-worked: R = 5 mm from 10 mm; 2 mm straight on is 5 atan(0.4) = 1.9025 mm of arc,
    # where a canal of 0.3 mm at 20 mm, taper .1, is 0.3 + 0.1 * 8.0975 = 1.10975 mm wide.
    canal = CanalShape(20.0, 0.3, (TaperSegment(1.0, 0.1),), 0.0, 10.0, 5.0)
    going_in = Insertion(canal, Plugger("x", 0.4, 0.0).profile, rigid=True)
    expected_mm = 2 * (5 + 1.10975 / 2 - math.sqrt(2**2 + 5.2**2))
    assert going_in.room_mm(12.0, 0.0) == pytest.approx(expected_mm, abs=1e-4)


def test_a_chord_in_a_tube_curved_from_its_mouth() -> None:
    # Hand-worked: chord of sagitta 2 g = L^2 / 8R: L = sqrt(16 R g) with g = 0.1, R = 40:
    # 8 mm; held along the tangent sqrt(2 R g) = 2.8 mm.
    canal = CanalShape(20.0, 0.6, (TaperSegment(1.0, 0.0),), 0.0, 0.0, 40.0)
    found = plugger_at(canal, 0.4, 0.0, 0.0)
    assert found.low == pytest.approx(math.sqrt(2 * 40 * 0.1), rel=0.01)
    assert found.high == pytest.approx(math.sqrt(16 * 40 * 0.1), rel=0.02)


def test_nothing_is_promised_beyond_a_curve_of_unknown_radius() -> None:
    canal = replace(exact(prepared(20.0, 30, 0.06)), curve_begins_mm=12.0)
    found = plugger_at(canal, 0.6, 0.0, 0.0)
    assert (found.low, found.high) == pytest.approx((12.0, 15.0))
    assert plugger_at(canal, 0.9, 0.0, 0.0).low == pytest.approx(10.0)


# -- against a dense scan ---------------------------------------------------------


def scan(shape: CanalShape, profile: Profile, play_mm: float, mouth_mm: float) -> float:
    """Depth of first contact from 0.02 mm steps of depth and of height; no curve."""
    reached = mouth_mm
    for tip_mm in np.arange(mouth_mm, shape.wl_mm, 0.02):
        z_mm = np.append(np.arange(mouth_mm, tip_mm, 0.02), tip_mm)
        canal = np.interp(z_mm, *corners(shape)) + play_mm
        at = [row.from_tip_mm for row in profile.rows]
        thick = np.interp(tip_mm - z_mm, at, [row.diameter_mm for row in profile.rows])
        thick += profile.taper_above * np.maximum(0, tip_mm - z_mm - at[-1])
        if (thick > canal + 1e-9).any():
            return reached
        reached = float(tip_mm)
    return shape.wl_mm


def corners(shape: CanalShape) -> tuple[list[float], list[float]]:
    """Depths and diameters where the canal's taper changes, from the mouth down."""
    at, wide = [shape.wl_mm], [shape.apical_mm]
    for number, (length, taper) in enumerate(shape.segments, 1):
        last = number == len(shape.segments)
        at.append(at[-1] - (max(1.0, at[-1]) if last else length))
        wide.append(wide[-1] + taper * (at[-2] - at[-1]))
    return at[::-1], wide[::-1]


@settings(deadline=None, max_examples=6)
@given(straight, pluggers, clearances, st.floats(0, 10))
def test_bind_depth_is_that_of_a_dense_scan(
    shape: CanalShape, plugger: Plugger, clearance_mm: float, mouth_mm: float
) -> None:
    found = bind_depth_mm(shape, plugger, clearance_mm, mouth_mm)
    error_mm = shape.tolerance_mm + plugger.tolerance_mm
    for depth_mm, play_mm in ((found.low, -error_mm), (found.high, error_mm)):
        scanned_mm = scan(shape, plugger.profile, play_mm - clearance_mm, mouth_mm)
        assert depth_mm == pytest.approx(scanned_mm, abs=0.021)


@settings(deadline=None, max_examples=6)
@given(straight, cones)
def test_a_cone_binds_where_a_dense_scan_says(shape: CanalShape, cone) -> None:  # type: ignore[no-untyped-def]
    found = Insertion(shape, cone.profile).deepest_mm()
    assert found == pytest.approx(scan(shape, cone.profile, 0.0, 0.0), abs=0.021)


def outlines(
    shape: CanalShape, plugger: Plugger, tip_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Exact play of the axis at many cross-sections: x from the curve, most out, most in.

    The walls as drawn: two lines, then curves offset by half a diameter from the arc.
    """
    assert shape.curve_begins_mm is not None and shape.curve_radius_mm is not None
    radius = shape.curve_radius_mm
    angle = np.linspace(0, (shape.wl_mm - shape.curve_begins_mm) / radius, 2000)
    angle = angle[angle < math.pi / 2]
    half = np.interp(shape.curve_begins_mm + radius * angle, *corners(shape)) / 2
    outer = (radius + half) * np.sin(angle), radius - (radius + half) * np.cos(angle)
    inner = (radius - half) * np.sin(angle), radius - (radius - half) * np.cos(angle)
    x = np.unique(np.append(np.linspace(-shape.curve_begins_mm, 0, 60), 0.0))
    x = np.append(x, np.linspace(0, tip_mm - shape.curve_begins_mm, 120)[1:])
    thick = plugger.tip_mm + plugger.taper * (tip_mm - shape.curve_begins_mm - x)
    above = np.interp(shape.curve_begins_mm + x, *corners(shape)) / 2
    low = np.where(x <= 0, -above, np.interp(x, *outer, right=np.nan)) + thick / 2
    high = np.where(x <= 0, above, np.interp(x, *inner, right=np.inf)) - thick / 2
    return x, low, high


@quick
@given(curved, pluggers)
def test_on_the_axis_the_curve_is_met_where_the_drawn_walls_are(
    shape: CanalShape, plugger: Plugger
) -> None:
    """Deeper than the low end it would touch; 0.05 mm less deep it is free."""
    shape, plugger = exact(shape), replace(plugger, tolerance_mm=0.0)
    assert shape.curve_begins_mm is not None
    depth_mm = bind_depth_mm(shape, plugger, 0.0).low
    assume(shape.curve_begins_mm + 0.1 < depth_mm < shape.wl_mm - 0.3)
    _, low, _ = outlines(shape, plugger, depth_mm - 0.05)
    assert (low <= 1e-6).all()
    # The outer edge meets the wall a little earlier along the arc than the axis does.
    _, low, _ = outlines(shape, plugger, depth_mm + 0.1)
    assert (low > 0).any()


@quick
@given(curved, pluggers)
def test_no_tilt_gets_a_plugger_past_the_high_end(shape: CanalShape, plugger: Plugger) -> None:
    """No straight line a + b x stays between the drawn walls 0.05 mm deeper."""
    shape, plugger = exact(shape), replace(plugger, tolerance_mm=0.0)
    assert shape.curve_begins_mm is not None and shape.curve_radius_mm is not None
    depth_mm = bind_depth_mm(shape, plugger, 0.0).high + 0.05
    assume(shape.curve_begins_mm < depth_mm < shape.wl_mm - 0.5)
    x, low, high = outlines(shape, plugger, depth_mm)
    assume(np.isfinite(low).all())  # else further than the drawn outer wall comes
    rows = [(-1, -at, -least) for at, least in zip(x, low, strict=True)]
    rows += [(1, at, most) for at, most in zip(x, high, strict=True) if most < math.inf]
    table = np.array(rows)
    line = linprog(
        [0, 0], A_ub=table[:, :2], b_ub=table[:, 2], bounds=(None, None), method="highs"
    )
    assert line.status == 2  # infeasible


# -- laws -------------------------------------------------------------------------


@quick
@given(shapes, pluggers, clearances, st.floats(0, 0.2), st.floats(0, 0.05), st.floats(0, 0.1))
def test_thicker_or_further_from_the_wall_goes_no_deeper(
    shape: CanalShape,
    plugger: Plugger,
    clearance_mm: float,
    thicker_mm: float,
    steeper: float,
    clearer_mm: float,
) -> None:
    found = bind_depth_mm(shape, plugger, clearance_mm)
    stouter = replace(
        plugger, tip_mm=plugger.tip_mm + thicker_mm, taper=plugger.taper + steeper
    )
    for less in (
        bind_depth_mm(shape, stouter, clearance_mm),
        bind_depth_mm(shape, plugger, clearance_mm + clearer_mm),
    ):
        assert less.low <= found.low + 1e-6
        assert less.high <= found.high + 1e-6


@quick
@given(shapes, pluggers, clearances, st.floats(0, 0.3), st.floats(0, 0.05))
def test_a_wider_canal_lets_it_in_no_less_deep(
    shape: CanalShape, plugger: Plugger, clearance_mm: float, wider_mm: float, off_mm: float
) -> None:
    found = bind_depth_mm(shape, plugger, clearance_mm)
    wider = bind_depth_mm(
        replace(shape, apical_mm=shape.apical_mm + wider_mm), plugger, clearance_mm
    )
    assert wider.low >= found.low - 1e-6
    assert wider.high >= found.high - 1e-6
    vaguer = bind_depth_mm(
        replace(shape, tolerance_mm=shape.tolerance_mm + off_mm), plugger, clearance_mm
    )
    assert vaguer.low <= found.low + 1e-6
    assert vaguer.high >= found.high - 1e-6


@quick
@given(shapes, pluggers, clearances, st.floats(0, 8))
def test_a_curve_lets_nothing_deeper_than_a_straight_canal(
    shape: CanalShape, plugger: Plugger, clearance_mm: float, mouth_mm: float
) -> None:
    bent = bind_depth_mm(shape, plugger, clearance_mm, mouth_mm)
    unbent = bind_depth_mm(
        replace(shape, curve_begins_mm=None, curve_radius_mm=None),
        plugger,
        clearance_mm,
        mouth_mm,
    )
    assert mouth_mm <= bent.low <= bent.high <= shape.wl_mm
    if shape.curve_begins_mm is None or shape.curve_radius_mm is None:
        assert bent == unbent
        return
    # Past the beginning of the curve a mm of instrument is less than one of canal.
    begins_mm = max(shape.curve_begins_mm, mouth_mm)
    for one, other in ((bent.low, unbent.low), (bent.high, unbent.high)):
        past_mm = max(0.0, one - begins_mm)
        along_mm = shape.curve_radius_mm * math.atan(past_mm / shape.curve_radius_mm)
        # The high end is an upper bound by up to 0.11 mm, see canal/contact.py.
        assert one - past_mm + along_mm <= other + 0.11
        if other <= begins_mm:
            assert one == pytest.approx(other, abs=0.11)


@quick
@given(shapes, pluggers, clearances, st.floats(0.5, 1.5))
def test_all_millimetres_scaled_scale_the_depth(
    shape: CanalShape, plugger: Plugger, clearance_mm: float, factor: float
) -> None:
    begins_mm, radius_mm = shape.curve_begins_mm, shape.curve_radius_mm
    large = CanalShape(
        shape.wl_mm * factor,
        shape.apical_mm * factor,
        tuple(TaperSegment(length * factor, taper) for length, taper in shape.segments),
        shape.tolerance_mm * factor,
        None if begins_mm is None else begins_mm * factor,
        None if radius_mm is None else radius_mm * factor,
    )
    larger = replace(
        plugger, tip_mm=plugger.tip_mm * factor, tolerance_mm=plugger.tolerance_mm * factor
    )
    found = bind_depth_mm(shape, plugger, clearance_mm)
    scaled = bind_depth_mm(large, larger, clearance_mm * factor)
    assert scaled.low == pytest.approx(found.low * factor, abs=1e-4)
    assert scaled.high == pytest.approx(found.high * factor, abs=1e-4)


# -- thirds -----------------------------------------------------------------------

TRAY = [Plugger(f"{tip}", tip / 100, 0.03) for tip in (113, 93, 77, 64, 52, 43)]  # invented


def test_thirds_end_where_stated_and_never_beyond_the_limit() -> None:
    assert third_ends_mm(21.0, 5.0) == {
        Third.CORONAL: 7.0,
        Third.MIDDLE: 14.0,
        Third.APICAL: 16.0,
    }
    ends = third_ends_mm(21.0, 5.0, mouth_mm=9.0, shares=(0.25, 0.75))
    assert ends == {Third.CORONAL: 12.0, Third.MIDDLE: 16.0, Third.APICAL: 16.0}


def test_pluggers_of_each_third() -> None:
    # Hand-worked: 30/.06 exact to 21 mm, 0.05 mm to spare. At 7, 14 and 16 mm it is 1.14,
    # 0.72 and 0.60 mm wide, less 0.05 the thickest tips are 0.93, 0.64 and 0.52 mm; their
    # shanks (.03) are slimmer than the canal (.06) all the way.
    canal = exact(prepared(21.0, 30, 0.06))
    ends = third_ends_mm(21.0, 5.0)
    names = {third: passive_pluggers(canal, TRAY, 0.05, third, ends).largest for third in Third}
    assert {third: found and found.name for third, found in names.items()} == {
        Third.CORONAL: "93",
        Third.MIDDLE: "64",
        Third.APICAL: "52",
    }
    coronal = passive_pluggers(canal, TRAY, 0.05, Third.CORONAL, ends)
    assert coronal.smallest is not None and coronal.smallest.name == "43"
    assert coronal.reached is Answer.YES


def test_only_tolerance_lets_the_apical_plugger_through_perhaps() -> None:
    # Hand-worked: the 0.58 mm tip has 0.60 - 0.58 = 0.02 mm to spare at 16 mm: just enough
    # for a canal within +/- 0.02, not if 0.01 mm of clearance is wanted as well; and
    # 0.63 mm is too much for any.
    canal = prepared(21.0, 30, 0.06)
    ends = third_ends_mm(21.0, 5.0)
    fits = [
        passive_pluggers(canal, [Plugger("x", tip_mm, 0.0)], clearance_mm, Third.APICAL, ends)
        for tip_mm, clearance_mm in ((0.58, 0.0), (0.58, 0.01), (0.63, 0.0))
    ]
    assert [fit.reached for fit in fits] == [Answer.YES, Answer.PERHAPS, Answer.NO]
    assert fits[1].largest is None and fits[1].largest_perhaps is not None


@quick
@given(shapes, clearances, st.sampled_from(Third))
def test_what_passes_is_an_unbroken_run_from_the_thinnest(
    shape: CanalShape, clearance_mm: float, third: Third
) -> None:
    ends = third_ends_mm(shape.wl_mm, 5.0)
    found = passive_pluggers(shape, TRAY, clearance_mm, third, ends)
    order = [Answer.YES, Answer.PERHAPS, Answer.NO]
    ranks = [order.index(fit.reaches) for fit in found.fits]
    assert ranks == sorted(ranks)
    assert found.reached is order[min(ranks)]
    assert all(fit.reaches is reaches(fit.binds_mm, ends[third]) for fit in found.fits)


# -- the cone ---------------------------------------------------------------------


def sit(canal: CanalShape, rows, cut_mm: float = 0.0, within_mm: float = 0.5):  # type: ignore[no-untyped-def]
    return cone_fit(canal, table_point("invented", rows, 0.0), cut_mm, 0.0, within_mm)


CANAL = CanalShape(20.0, 0.30, (TaperSegment(1.0, 0.06),))  # exact 30/.06


@pytest.mark.parametrize(
    ("rows", "verdict", "stop_mm", "held_mm", "gap_mm", "excess_mm"),
    [  # Hand-worked, against 0.30 mm at 20 mm, taper .06, 1.50 mm at the mouth.
        ([(0, 0.30), (20, 1.00)], ConeVerdict.TIGHT, 20.0, 0.0, 0.0, 0.0),
        ([(0, 0.315), (20, 1.00)], ConeVerdict.TIGHT, 19.75, 0.0, 0.0, 0.015),
        ([(0, 0.36), (20, 1.00)], ConeVerdict.STOPS_SHORT, 19.0, 0.0, 0.0, 0.06),
        ([(0, 0.25), (20, 1.00)], ConeVerdict.LOOSE, 20.0, None, 0.05, -0.05),
        # 1.02 mm 8 mm up stops where the canal is 1.02 mm wide, at 8 mm: tip at 16.
        ([(0, 0.25), (8, 1.02), (20, 1.02)], ConeVerdict.BINDS_SHORT, 16.0, 8.0, 0.29, -0.05),
    ],
)
def test_cones_worked_by_hand(  # type: ignore[no-untyped-def]
    rows, verdict, stop_mm, held_mm, gap_mm, excess_mm
) -> None:
    found = sit(CANAL, rows)
    assert found.nominal is found.verdict is verdict
    assert found.nominal_stop_mm == pytest.approx(stop_mm)
    assert found.stops_mm.low == pytest.approx(stop_mm)
    assert found.held_from_tip_mm == (None if held_mm is None else pytest.approx(held_mm))
    assert found.gap_mm == pytest.approx(gap_mm, abs=1e-6)
    assert found.excess_mm.low == pytest.approx(excess_mm)


def test_a_matched_cone_is_tight_by_its_sizes_and_perhaps_by_its_tolerances() -> None:
    # ISO 3630-1 +/- 0.02 mm, ISO 6877 +/- 0.07 mm at size 30 (from memory): 0.09 mm of
    # diameter, at taper .06 1.5 mm of depth (hand-worked).
    found = cone_fit(prepared(20.0, 30, 0.06), iso_point(30, 0.06), 0.0, 0.0, 0.5)
    assert found.nominal is ConeVerdict.TIGHT
    assert found.verdict is ConeVerdict.PERHAPS
    assert (found.stops_mm.low, found.stops_mm.high) == pytest.approx((18.5, 20.0))
    assert (found.tip_mm.low, found.tip_mm.high) == pytest.approx((0.23, 0.37))
    assert (found.excess_mm.low, found.excess_mm.high) == pytest.approx((-0.09, 0.09))


def test_cutting_back_makes_a_loose_cone_tight() -> None:
    # Common practice, hand-worked: a 25/.06 tip is 0.05 mm small for size 30; 0.05/0.06 =
    # 0.83 mm off makes it 0.30.
    canal = replace(CANAL, tolerance_mm=0.0)
    point = replace(iso_point(25, 0.06), tolerance_mm=0.0)
    assert cone_fit(canal, point, 0.0, 0.0, 0.5).nominal is ConeVerdict.LOOSE
    assert cone_fit(canal, point, 0.05 / 0.06, 0.0, 0.5).verdict is ConeVerdict.TIGHT
    vague = cone_fit(canal, point, 0.05 / 0.06, 0.25, 0.5)
    assert vague.verdict is ConeVerdict.PERHAPS
    assert (vague.tip_mm.low, vague.tip_mm.high) == pytest.approx((0.285, 0.315))
    # 0.315 mm is held where the canal is so wide, 0.015 / 0.06 = 0.25 mm up.
    assert (vague.stops_mm.low, vague.stops_mm.high) == pytest.approx((19.75, 20.0))


@settings(deadline=None, max_examples=20)
@given(
    straight, cones, st.floats(0, 3), st.floats(0, 0.5), *[st.floats(-1, 1) for _ in range(3)]
)
def test_every_cone_within_tolerance_is_inside_the_intervals(  # type: ignore[no-untyped-def]
    shape, cone, cut_mm, cut_error_mm, canal_off, cone_off, cut_off
) -> None:
    found = cone_fit(shape, cone, cut_mm, cut_error_mm, 0.5)
    real_canal = replace(
        shape,
        apical_mm=shape.apical_mm + canal_off * shape.tolerance_mm,
        tolerance_mm=0.0,
    )
    rows = tuple(
        TableRow(at, wide + cone_off * cone.tolerance_mm) for at, wide in cone.profile.rows
    )
    real_cone = replace(cone, profile=replace(cone.profile, rows=rows), tolerance_mm=0.0)
    real_cut_mm = max(0.0, cut_mm + cut_off * cut_error_mm)
    real = cone_fit(real_canal, real_cone, real_cut_mm, 0.0, 0.5)
    for inner, outer in (
        (real.tip_mm, found.tip_mm),
        (real.canal_mm, found.canal_mm),
        (real.excess_mm, found.excess_mm),
        (real.stops_mm, found.stops_mm),
    ):
        assert outer.low - 1e-6 <= inner.low <= inner.high <= outer.high + 1e-6
    if found.verdict is not ConeVerdict.PERHAPS:
        assert real.nominal is found.verdict


@quick
@given(straight, cones, st.floats(0, 3), st.floats(0, 3))
def test_more_cut_off_goes_no_deeper(shape: CanalShape, cone, one: float, two: float) -> None:  # type: ignore[no-untyped-def]
    less, more = (cone_fit(shape, cone, cut, 0.0, 0.5) for cut in sorted((one, two)))
    assert more.nominal_stop_mm <= less.nominal_stop_mm + 1e-6
    assert more.excess_mm.low >= less.excess_mm.low - 1e-9


def test_a_curve_does_not_hold_a_cone() -> None:
    bent = replace(CANAL, curve_begins_mm=8.0, curve_radius_mm=6.0)
    rows = [(0, 0.30), (20, 1.00)]
    assert sit(bent, rows) == sit(CANAL, rows)


# -- refusals ---------------------------------------------------------------------


def test_lengths_that_cannot_be_are_refused() -> None:
    plugger, point = Plugger("x", 0.5, 0.03), iso_point(30, 0.06)
    for call, reason in (
        (lambda: bind_depth_mm(CANAL, plugger, -0.1), "clearance is -0.1 mm"),
        (lambda: bind_depth_mm(CANAL, plugger, 0.0, 21.0), "orifice at 21 mm is deeper"),
        (lambda: reaches(Interval(1.0, 2.0), float("nan")), "depth is nan"),
        (lambda: third_ends_mm(20.0, 5.0, 21.0), "orifice at 21 mm is deeper"),
        (lambda: third_ends_mm(20.0, 5.0, shares=(0.6, 0.4)), "must rise"),
        (lambda: cone_fit(CANAL, point, -1.0, 0.0, 0.5), "length cut off is -1"),
        (lambda: cone_fit(CANAL, point, 0.0, -1.0, 0.5), "error of the cut is -1"),
        (lambda: cone_fit(CANAL, point, 0.0, 0.0, 0.5, 21.0), "orifice at 21 mm is deeper"),
    ):
        with pytest.raises(ValueError, match=reason):
            call()

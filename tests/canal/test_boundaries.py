"""Sizes exactly at the edge of what is allowed are allowed; just beyond they are not.

Sizes of pluggers and points are invented.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from assistant.canal.instruments import Interval
from assistant.canal.model import MAX_DIAMETER_MM, CanalShape, TaperSegment
from assistant.canal.plan import CyclePlan, CycleTimes, Downpack, replan
from assistant.canal.pluggers import Plugger, PluggerSet
from assistant.canal.points import Profile, TableRow, check_tolerance_mm, row_misfit
from assistant.canal.teeth import parse_fdi
from canal.invented_points import table_point

pytestmark = pytest.mark.core

BEYOND = math.nextafter(MAX_DIAMETER_MM, math.inf)


def canal(apical_mm: float = 0.3, length_mm: float = math.inf, **more: Any) -> CanalShape:
    return CanalShape(20.0, apical_mm, (TaperSegment(length_mm, 0.0),), **more)


def test_a_canal_may_end_in_a_point_and_be_as_wide_as_any() -> None:
    for edge in (0.0, MAX_DIAMETER_MM):
        assert canal(edge).apical_mm == edge
        assert canal(tolerance_mm=edge).tolerance_mm == edge
    for wrong in (-1e-9, BEYOND):
        with pytest.raises(ValueError, match="apical diameter"):
            canal(wrong)
        with pytest.raises(ValueError, match="tolerance"):
            canal(tolerance_mm=wrong)


def test_no_segment_and_no_radius_is_of_no_length() -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        canal(length_mm=0.0)
    with pytest.raises(ValueError, match="must be over 0"):
        canal(curve_begins_mm=10.0, curve_radius_mm=0.0)


def test_a_plugger_has_a_tip_and_a_name_of_its_own() -> None:
    widest = Plugger("wide", MAX_DIAMETER_MM, 0.0)
    other = Plugger("other", 0.4, 0.0)
    assert PluggerSet("two", (widest, other)).pluggers == (other, widest)
    for wrong in (0.0, BEYOND):
        with pytest.raises(ValueError, match="tip of plugger"):
            Plugger("x", wrong, 0.0)


def test_the_rows_of_a_point() -> None:
    assert row_misfit((TableRow(0.0, 0.3), TableRow(1.0, 0.3))) is None  # as wide further up
    assert row_misfit((TableRow(0.0, MAX_DIAMETER_MM),)) is None
    assert row_misfit((TableRow(0.0, 0.0),)) is not None
    assert row_misfit((TableRow(0.0, BEYOND),)) is not None
    assert row_misfit((TableRow(0.0, 0.3), TableRow(0.0, 0.4))) is not None
    for edge in (0.0, MAX_DIAMETER_MM):
        assert check_tolerance_mm(edge) == edge
    with pytest.raises(ValueError, match="tolerance"):
        check_tolerance_mm(BEYOND)


def test_a_point_cut_off_to_the_end_of_its_table_is_nothing() -> None:
    profile = table_point("invented", [(0.0, 0.25), (3.0, 0.49)], 0.0).profile
    with pytest.raises(ValueError, match="leaves nothing"):
        profile.cut(3.0)
    (tip, end) = profile.cut(2.9).rows
    assert tip.diameter_mm == pytest.approx(0.482)
    assert end.from_tip_mm == pytest.approx(0.1)


def test_a_cut_at_a_row_of_the_table_begins_there() -> None:
    profile = table_point("invented", [(0.0, 0.25), (3.0, 0.49), (8.0, 0.69)], 0.0).profile
    assert profile.cut(3.0).rows == (TableRow(0.0, 0.49), TableRow(5.0, 0.69))


def test_a_point_without_a_table_may_be_cut_anywhere() -> None:
    assert Profile((TableRow(0.0, 0.3),)).cut(2.0).tip_mm == 0.3


def test_a_downpack_at_its_very_limit_is_done_and_fits() -> None:
    job = Downpack(21.0, 4.0, Interval(3.0, 4.0), 5.0, 0.5)
    times = CycleTimes(heat_s=3.0, dwell_s=1.0, press_s=5.0, handling_s=11.0)
    assert replan(job, times, job.limit_mm, 3) == CyclePlan((), 16.0, 0, True)
    under_way = replan(job, times, 13.0, 2, heated_mm=job.limit_mm)
    assert under_way.fits
    assert not replan(job, times, 13.0, 2, heated_mm=16.1).fits


def test_the_first_universal_number_is_taken_for_one() -> None:
    with pytest.raises(ValueError, match=r"Universal 1 is FDI 18"):
        parse_fdi(1)

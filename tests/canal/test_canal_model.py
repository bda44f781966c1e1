"""The shape of a canal, against the standard's own diameters and solid geometry."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assistant.canal.instruments import ISO_SIZES, diameter_mm
from assistant.canal.model import CanalShape, TaperSegment, prepared

pytestmark = pytest.mark.core

tapers = st.sampled_from([0.02, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12])
sizes = st.sampled_from(ISO_SIZES)
wls = st.floats(10.0, 30.0)
shares = st.floats(0.0, 1.0)
shapes = st.builds(
    lambda wl, size, a, length, b: prepared(wl, size, TaperSegment(length, a), b),
    wls,
    sizes,
    tapers,
    st.floats(1.0, 8.0),
    tapers,
)


@given(wls, sizes, tapers, shares)
def test_one_taper_is_the_instrument_of_iso_3630_1(
    wl: float, size: int, taper: float, share: float
) -> None:
    shape = prepared(wl, size, taper)
    assert shape.diameter_mm(wl * share) == pytest.approx(
        diameter_mm(size, taper, wl - wl * share), abs=1e-5
    )


def test_d16_of_the_standard_series() -> None:
    """ISO 3630-1: D16 = D0 + 0.32 mm at taper .02; size 25 has 0.57 mm."""
    assert prepared(20.0, 25, 0.02).diameter_mm(4.0) == pytest.approx(0.57)


@given(shapes, shares, shares)
def test_wider_towards_the_crown(shape: CanalShape, one: float, two: float) -> None:
    deep, shallow = sorted((one * shape.wl_mm, two * shape.wl_mm), reverse=True)
    assert shape.diameter_mm(shallow) >= shape.diameter_mm(deep) - 1e-12


@given(shapes, shares, shares)
def test_volume_is_the_integral_of_the_area(shape: CanalShape, one: float, two: float) -> None:
    top, bottom = sorted((one * shape.wl_mm, two * shape.wl_mm))
    assume(bottom - top > 1e-3)
    edge = shape.wl_mm - shape.segments[0].length_mm
    cuts = [top, *([edge] if top < edge < bottom else []), bottom]

    def area(z: float) -> float:
        return math.pi * shape.diameter_mm(z) ** 2 / 4

    # Simpson's rule, exact for a cone, whose area is quadratic.
    expected = sum(
        (b - a) / 6 * (area(a) + 4 * area((a + b) / 2) + area(b)) for a, b in pairwise(cuts)
    )
    assert shape.volume_mm3(bottom, top) == pytest.approx(expected, rel=1e-6)


def test_a_cylinder() -> None:
    assert prepared(10.0, 100, 0.0).volume_mm3(0, 10) == pytest.approx(math.pi * 10 / 4)


@pytest.mark.parametrize(
    "make",
    [
        lambda: prepared(20.0, 25),
        lambda: prepared(20.0, 25, 6.0),
        lambda: prepared(99.0, 25, 0.06),
        lambda: CanalShape(20.0, 25.0, (TaperSegment(1.0, 0.06),)),
        lambda: CanalShape(20.0, 0.25, (TaperSegment(0.0, 0.06),)),
        lambda: CanalShape(20.0, 0.25, (TaperSegment(1.0, 0.06),), curve_radius_mm=0.0),
    ],
)
def test_impossible_shapes_are_refused(make) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"mm|taper"):
        make()

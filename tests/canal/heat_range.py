"""Answers about heat as intervals over what is not known of materials and tools.

Two ways, neither of them proof:

* :func:`heat_interval`: the usual properties and a fixed Latin hypercube of ``n`` sets,
  each property going evenly through its range, independent of the others; the interval
  is the least and the greatest answer. For independent draws a further set of the same
  kind would lie outside with a chance of about ``2 / (n + 1)``; a hypercube does a little
  better. It is no bound, and it knows nothing of errors that all sets share (the model's
  own simplifications, :mod:`assistant.canal.heat`).
* :func:`heat_bounds`: for each answer, all properties at those ends of their ranges that
  push it down, and up, as found one at a time around the usual set. It bounds the answer
  if each property pushes the same way everywhere, which holds nearly but is not proved. It
  is much wider, for nobody meets all the worst ends at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from assistant.canal.heat import Heating, HeatResult, simulate
from assistant.canal.heat_grid import Grid, Root
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape
from assistant.canal.tissue import (
    BODY_C,
    MOULDABLE_C,
    NAMES,
    Properties,
    with_shares,
)

SETS = 15
SEED = 20
"""Of the fixed hypercube: chosen once, before any comparison, and kept."""

ANSWERS = ("softened_mm", "cool_s", "surface_rise_c")


class HeatRange(NamedTuple):
    """Intervals of the three answers (see ``HeatResult``) and how many sets of properties
    made them."""

    softened_mm: Interval
    cool_s: Interval
    surface_rise_c: Interval
    n: int


def sets(n: int = SETS, seed: int = SEED) -> tuple[Properties, ...]:
    """The usual properties, then ``n`` sets from a Latin hypercube over all ranges.

    McKay, Beckman & Conover 1979: each range is cut into ``n`` equal parts, and each part
    is used once. In numpy, not ``scipy.stats.qmc``, whose import alone takes over a second.

    Raises:
        ValueError: ``n`` is negative.
    """
    if n < 0:
        raise ValueError(f"{n} sets of properties were asked for; give 0 or more")
    rng = np.random.default_rng(seed)
    order = rng.permuted(np.tile(np.arange(n), (len(NAMES), 1)), axis=1)
    shares = (order + rng.random(order.shape)) / max(n, 1)
    drawn = [
        with_shares(dict(zip(NAMES, map(float, column), strict=True))) for column in shares.T
    ]
    return (Properties(), *drawn)


def answers(
    result: HeatResult, mouldable_c: Interval = MOULDABLE_C
) -> tuple[Interval, Interval, Interval]:
    """The three answers of one computation, over the range of the mouldable temperature."""
    return (
        Interval(result.softened_mm(mouldable_c.high), result.softened_mm(mouldable_c.low)),
        Interval(result.cool_s(mouldable_c.high), result.cool_s(mouldable_c.low)),
        Interval(result.surface_rise_c, result.surface_rise_c),
    )


def heat_interval(
    shape: CanalShape,
    heating: Heating,
    root: Root | None = None,
    grid: Grid | None = None,
    properties: Sequence[Properties] | None = None,
    mouldable_c: Interval = MOULDABLE_C,
) -> HeatRange:
    """Least and greatest answer over sets of properties, :func:`sets` unless given.

    What it does and does not promise: see the module.

    Raises:
        ValueError: see :func:`.heat.simulate`; or no set was given.
    """
    chosen = sets() if properties is None else tuple(properties)
    if not chosen:
        raise ValueError("no set of properties was given; at least one is needed")
    found = [answers(simulate(shape, heating, p, root, grid), mouldable_c) for p in chosen]
    softened, cool, rise = (_hull([one[i] for one in found]) for i in range(3))
    return HeatRange(softened, cool, rise, len(chosen))


def directions(
    shape: CanalShape,
    heating: Heating,
    root: Root | None = None,
    grid: Grid | None = None,
    ends: tuple[float, float] = (0.0, 1.0),
) -> dict[str, tuple[float, float, float]]:
    """How each answer changes (high end minus low end) with each property alone.

    In the order of ``ANSWERS``; the mouldable temperature at its lower end. Raises as
    :func:`.heat.simulate`.
    """
    low, high = ends
    effects = {}
    for name in NAMES:
        below, above = (
            simulate(shape, heating, with_shares({name: end}), root, grid)
            for end in (low, high)
        )
        effects[name] = (
            above.softened_mm() - below.softened_mm(),
            above.cool_s() - below.cool_s(),
            above.surface_rise_c - below.surface_rise_c,
        )
    return effects


def heat_bounds(
    shape: CanalShape,
    heating: Heating,
    root: Root | None = None,
    grid: Grid | None = None,
    mouldable_c: Interval = MOULDABLE_C,
) -> HeatRange:
    """Each answer with all properties at their worst ends for it; see the module.

    About sixty computations. Raises as :func:`.heat.simulate`.
    """
    effects = directions(shape, heating, root, grid)
    corners = []
    for answer in range(3):
        up = {name: 1.0 if effects[name][answer] >= 0 else 0.0 for name in NAMES}
        down = {name: 1.0 - end for name, end in up.items()}
        corners += [with_shares(down), with_shares(up)]
    return heat_interval(shape, heating, root, grid, [Properties(), *corners], mouldable_c)


def _hull(intervals: Sequence[Interval]) -> Interval:
    return Interval(min(i.low for i in intervals), max(i.high for i in intervals))


def root_with_wall(wall_mm: float, above_end_mm: float, wall_gain: float = 0.1) -> Root:
    """The root whose wall is ``wall_mm`` thick that far above the working length."""
    apical = max(0.2, wall_mm - wall_gain * above_end_mm)
    gain = (wall_mm - apical) / above_end_mm if above_end_mm > 0 else wall_gain
    return Root(apical, max(0.0, gain), max(3.0, wall_mm))


def finer(grid: Grid, times: int = 2, times_in_time: int = 2) -> Grid:
    """The grid with each cell and step divided by so much."""
    return replace(
        grid,
        rings_in_canal=grid.rings_in_canal * times,
        ring_growth=grid.ring_growth ** (1 / times),
        row_mm=grid.row_mm / times,
        row_growth=grid.row_growth ** (1 / times),
        step_s=grid.step_s / times_in_time,
    )


def surface_rise_at_c(found: HeatResult, depth_mm: float) -> float:
    """Largest rise at one depth of the root's surface."""
    rises = found.surface_c.max(axis=0)
    return float(np.interp(depth_mm, found.surface_depth_mm, rises)) - BODY_C


def axis_max_at_c(found: HeatResult, depth_mm: float) -> float:
    """Highest temperature on the axis at one depth."""
    return float(np.interp(depth_mm, found.depth_mm, found.axis_c.max(axis=0)))

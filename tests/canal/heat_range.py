"""Answers about heat as intervals over what is not known of materials and tools.

Two samples of properties, neither of them proof:

* :func:`sets`: the usual properties and a fixed Latin hypercube of ``n`` sets, each property
  going evenly through its range, independent of the others. For independent draws a further
  set of the same kind would lie outside their interval with a chance of about
  ``2 / (n + 1)``. For published values.
* :func:`tilted`: four sets, each with all properties moved together the way that pushes the
  softened depth, or the time and the surface rise, up or down, each as far as it matters, so
  far that under the hypercube's own odds about one set in ten pushes harder. Fewer
  computations and steadier ends; for the table of live answers (``heat_table.py``).

Neither knows anything of errors that all sets share (the model's own simplifications,
:mod:`assistant.canal.heat`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from assistant.canal.heat import HeatResult, simulate
from assistant.canal.heat_grid import Grid, Root
from assistant.canal.heating import Heating
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape
from assistant.canal.tissue import BODY_C, NAMES, TABLE, Outside, Properties

SETS = 15
SEED = 20
"""Of the fixed hypercube: chosen once, before any comparison, and kept."""

TILT = 1.28
"""How far the tilted sets go, in standard deviations: beyond it lies one in ten, the carrier
at its hottest or coolest apart (chosen here)."""

ANSWERS = ("softened_mm", "cool_s", "surface_rise_c")

Effects = Mapping[str, tuple[float, float, float]]


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


def at_share(name: str, share: float) -> float:
    """The value a share (0 to 1) of the way through a property's range.

    Half-way is the usual value, so that as many sets lie above it as below; each half is
    gone through evenly (by ratio where the table says ``log``).

    Raises:
        KeyError: no such property.
        ValueError: the share is outside 0 to 1.
    """
    known = TABLE[name]
    if not 0 <= share <= 1:
        raise ValueError(f"a share of the range of {name} is {share:g}; allowed are 0 to 1")
    if share < 0.5:
        low, high, part = known.low, known.usual, 2 * share
    else:
        low, high, part = known.usual, known.high, 2 * share - 1
    if known.log:
        return float(low * (high / low) ** part)
    return low + (high - low) * part


def with_shares(shares: Mapping[str, float]) -> Properties:
    """The usual properties, those named moved to a share of their range.

    Raises:
        KeyError, ValueError: see :func:`at_share`.
    """
    moved = {name: at_share(name, share) for name, share in shares.items()}
    return replace(Properties(), **moved)


def tilted(effects: Effects) -> tuple[dict[str, float], ...]:
    """Shares of two sets, down and up, for the softened depth, and two for time and rise.

    Each property is moved in proportion to its effect, on the scale on which a share is
    normally distributed; the whole move is ``TILT`` long. What makes the surface warm keeps
    the mass warm too, hence one move for both.
    """
    every = np.array([effects[name] for name in NAMES])
    soft, cool, rise = (every / np.linalg.norm(every, axis=0)).T
    found: list[dict[str, float]] = []
    for gradient in (soft, cool + rise):
        for sign in (-1.0, 1.0):
            moves = sign * TILT * gradient / np.linalg.norm(gradient)
            shares = [round(NormalDist().cdf(float(move)), 4) for move in moves]
            found.append(dict(zip(NAMES, shares, strict=True)))
    return tuple(found)


def directions(
    shape: CanalShape,
    heating: Heating,
    root: Root | None = None,
    grid: Grid | None = None,
    ends: tuple[float, float] = (0.2, 0.8),
) -> dict[str, tuple[float, float, float]]:
    """How each answer changes (high end minus low end) with each property alone.

    In the order of ``ANSWERS``; the mouldable temperature at its lower end, in tissue with
    blood. Raises as :func:`.heat.simulate`.
    """
    effects = {}
    for name in NAMES:
        below, above = (
            simulate(shape, heating, with_shares({name: end}), root, grid) for end in ends
        )
        effects[name] = (
            above.softened_mm() - below.softened_mm(),
            above.cool_s() - below.cool_s(),
            above.surface_rise_c - below.surface_rise_c,
        )
    return effects


def hull(intervals: Sequence[Interval]) -> Interval:
    """The least interval that holds all."""
    return Interval(min(i.low for i in intervals), max(i.high for i in intervals))


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
    return float(np.interp(depth_mm, found.surface_depth_mm, rises)) - found.around_c


def surface_reaches_s(found: HeatResult, depth_mm: float, rise_c: float) -> float:
    """When the surface at a depth has risen so far; inf if never."""
    rises = np.array(
        [np.interp(depth_mm, found.surface_depth_mm, row) for row in found.surface_c]
    )
    warm = np.flatnonzero(rises >= found.around_c + rise_c)
    if warm.size == 0 or warm[0] == 0:
        return float("inf") if warm.size == 0 else 0.0
    return float(
        np.interp(
            found.around_c + rise_c,
            rises[warm[0] - 1 : warm[0] + 1],
            found.times_s[warm[0] - 1 : warm[0] + 1],
        )
    )


def axis_max_at_c(found: HeatResult, depth_mm: float) -> float:
    """Highest temperature on the axis at one depth."""
    return float(np.interp(depth_mm, found.depth_mm, found.axis_c.max(axis=0)))


def above_at_s(found: HeatResult, depth_mm: float, level_c: float) -> float:
    """How long the axis at one depth was above a level, s."""
    course = np.array([np.interp(depth_mm, found.depth_mm, row) for row in found.axis_c])
    middle = (course[1:] + course[:-1]) / 2
    return float(np.sum(np.diff(found.times_s)[middle > level_c]))


def simulate_all(
    shape: CanalShape,
    cycles: Sequence[tuple[Heating, float]],
    properties: Properties | None = None,
    root: Root | None = None,
    grid: Grid | None = None,
    outside: Outside = Outside.PERFUSED,
    around_c: float = BODY_C,
) -> list[HeatResult]:
    """Several cycles, each from what the one before it left.

    ``cycles``: with each heating, how long after its carrier's removal the next one is
    switched on; the last is computed as by :func:`simulate`. Raises as that does.
    """
    found: list[HeatResult] = []
    for number, (heating, gap_s) in enumerate(cycles, 1):
        before = found[-1].left if found else None
        followed = None if number == len(cycles) else gap_s
        found.append(
            simulate(
                shape, heating, properties, root, grid, outside, around_c, before, followed
            )
        )
    return found

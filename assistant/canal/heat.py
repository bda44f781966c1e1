"""Heat in a root during one cycle of warm vertical compaction, over depth and time.

Transient conduction, symmetric around the canal, in four phases: the carrier is on and
advances (or stands); it is off and dwells; it is taken out with all that lies above its
end and what clings to that, and the canal there is air; a plugger presses the mass.

What is left out, and which way it errs: gutta-percha does not flow (a carrier shoves warm
mass ahead of it and a plugger carries it on: the real reach is longer); the canal is round
and straight; the carrier is equally hot along its whole length in the tooth (a tip hotter
than its shaft: the real surface rise higher up is smaller).

How it compares with published values, each under its own conditions, and why where it does
not: ``tests/canal/heat_study.py``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from assistant.canal.heat_grid import Carrier, Grid, Rings, Root
from assistant.canal.heat_step import (
    Array,
    Content,
    Network,
    State,
    heat_mj,
    inflow_mw,
    melted_share,
    step,
)
from assistant.canal.heating import Heating
from assistant.canal.model import CanalShape
from assistant.canal.tissue import BODY_C, BONE_RISE_C, MOULDABLE_C, Outside, Properties

_DONE_C = MOULDABLE_C.low - 0.5
_DONE_RISE_SHARE = 0.95


class Field(NamedTuple):
    """Temperatures left in a root, C, over the middles of rows and rings, mm."""

    depth_mm: Array
    radius_mm: Array
    temp_c: Array

    def at(self, depth_mm: Array, radius_mm: Array) -> Array:
        """The same on another grid, linear in between and constant beyond the ends."""
        across = [np.interp(radius_mm, self.radius_mm, row) for row in self.temp_c]
        down = [np.interp(depth_mm, self.depth_mm, column) for column in np.array(across).T]
        return np.array(down).T


@dataclass(frozen=True, slots=True)
class HeatResult:
    """Temperatures of one computation, C.

    Attributes:
        times_s: (nt,), from switching on.
        depth_mm: (nz,), middles of the rows.
        axis_c: (nt, nz), on the canal's axis (in the carrier or in air where these are).
        surface_depth_mm, surface_c: (ns,) and (nt, ns), the root's surface.
        mass_max_c: (nt,), hottest place of the mass that stays in the canal.
        removed_s: when the carrier was taken out.
        tip_depth_mm: its deepest point.
        mass_top_mm: upper face of what stayed.
        imbalance: largest error of the heat balance of any step, as a share of the heat
            exchanged in all.
        around_c: temperature of what lies around the root.
        left: what the next cycle starts from.
        followed_to_c: cooling of the mass is known down to there.
    """

    times_s: Array
    depth_mm: Array
    axis_c: Array
    surface_depth_mm: Array
    surface_c: Array
    mass_max_c: Array
    removed_s: float
    tip_depth_mm: float
    mass_top_mm: float
    imbalance: float
    around_c: float
    left: Field
    followed_to_c: float

    def softened_mm(self, mouldable_c: float = MOULDABLE_C.low) -> float:
        """How far below the carrier's deepest point the axis was ever mouldable, mm."""
        return max(0.0, self.reach_mm(self.axis_c.max(axis=0), mouldable_c))

    def reach_mm(self, profile_c: Array, level_c: float) -> float:
        """Deepest place of a profile at or above a level, below the tip; -inf if none."""
        hot = np.flatnonzero(profile_c >= level_c)
        if hot.size == 0:
            return -math.inf
        last = int(hot[-1])
        deepest = float(self.depth_mm[last])
        if last + 1 < len(profile_c):
            high, low = float(profile_c[last]), float(profile_c[last + 1])
            gap = float(self.depth_mm[last + 1] - self.depth_mm[last])
            deepest += gap * (high - level_c) / (high - low)
        return deepest - self.tip_depth_mm

    def cool_s(self, mouldable_c: float = MOULDABLE_C.low) -> float:
        """Time from the removal until the whole mass is below ``mouldable_c``, s.

        0 if nothing that stayed was that warm; inf if it did not cool within the time
        watched.

        Raises:
            ValueError: below the temperature at which the computation ends.
        """
        if mouldable_c < self.followed_to_c:
            raise ValueError(
                f"cooling was followed to {self.followed_to_c:g} C, not to {mouldable_c:g} C; "
                "give a mouldable temperature no lower"
            )
        after = self.times_s >= self.removed_s
        times, hottest = self.times_s[after], self.mass_max_c[after]
        warm = np.flatnonzero(hottest >= mouldable_c)
        if warm.size == 0:
            return 0.0
        last = int(warm[-1])
        if last + 1 == len(times):
            return math.inf
        high, low = hottest[last], hottest[last + 1]
        share = (high - mouldable_c) / (high - low)
        return float(times[last] + share * (times[last + 1] - times[last]) - self.removed_s)

    @property
    def surface_rise_c(self) -> float:
        """Largest rise anywhere on the root's surface over what lies around it."""
        return float(self.surface_c.max()) - self.around_c

    def left_c(self, after_s: float) -> tuple[float, float]:
        """The largest rise at the root's surface, and in the mass, from so long after the
        carrier's removal on; the last one known if that was not followed so far."""
        at = min(
            int(np.searchsorted(self.times_s, self.removed_s + after_s)), len(self.times_s) - 1
        )
        mass = float(self.mass_max_c[at:].max())
        return float(self.surface_c[at:].max()) - self.around_c, mass - self.around_c


def _steps(length_s: float, first_s: float) -> Iterator[float]:
    """Time steps that fill a phase, growing in proportion to the time gone by, to 30-fold."""
    edges = [0.0]
    while edges[-1] < length_s:
        edges.append(edges[-1] + first_s * min(30.0, 1 + edges[-1] / 0.6))
    scale = length_s / edges[-1] if len(edges) > 1 else 1.0
    return (scale * (late - early) for early, late in itertools.pairwise(edges))


class _Run:
    """State, clock, book of the heat, and what is kept of each step."""

    def __init__(self, rings: Rings, mass_top_mm: float, before: Field | None) -> None:
        shape = (len(rings.depth_mm), len(rings.radius_mm))
        self.rings = rings
        cold = np.full(shape, rings.around_c)
        temp = cold if before is None else before.at(rings.depth_mm, rings.radius_mm)
        self.state = State(temp, melted_share(temp, np.zeros(shape))[0])
        self.stays = (rings.mass > 0.5) & (rings.depth_mm[:, None] >= mass_top_mm)
        self.time_s = 0.0
        self.exchanged = 1e-12
        self.worst = 0.0
        self.times: list[float] = []
        self.axis: list[Array] = []
        self.surface: list[Array] = []
        self.hottest: list[float] = []
        self.highest_rise = 0.0

    def keep(self) -> None:
        temp, around_c = self.state.temp_c, self.rings.around_c
        self.times.append(self.time_s)
        self.axis.append(temp[:, 0].copy())
        self.surface.append(self.rings.surface_c(temp))
        self.highest_rise = max(self.highest_rise, float(self.surface[-1].max()) - around_c)
        self.hottest.append(float(temp[self.stays].max(initial=around_c)))

    def go(self, content: Content, network: Network, dt_s: float) -> None:
        before = heat_mj(self.state, content)
        self.state = step(self.state, content, network, dt_s)
        flowed = inflow_mw(self.state, network) * dt_s
        self.worst = max(self.worst, abs(heat_mj(self.state, content) - before - flowed))
        self.exchanged += abs(flowed)
        self.time_s += dt_s
        self.keep()


def simulate(
    shape: CanalShape,
    heating: Heating,
    properties: Properties | None = None,
    root: Root | None = None,
    grid: Grid | None = None,
    outside: Outside = Outside.PERFUSED,
    around_c: float = BODY_C,
    before: Field | None = None,
    followed_s: float | None = None,
) -> HeatResult:
    """Compute one cycle from a root at the temperature around it, or from ``before``.

    Ends when the mass is below the lowest mouldable temperature and the root's surface is
    past its maximum, or after ``heating.watch_s``; with ``followed_s`` exactly so long
    after the removal, so that the next cycle can begin then with ``HeatResult.left``.

    Raises:
        ValueError: the carrier's tip is beyond the working length, or the canal at it is
            narrower than 0.1 mm.
        ArithmeticError: see :func:`.heat_step.step`.
    """
    p = properties or Properties()
    grid = grid or Grid()
    if heating.tip_depth_mm > shape.wl_mm:
        raise ValueError(
            f"the carrier's tip at {heating.tip_depth_mm:g} mm is beyond the working length "
            f"({shape.wl_mm:g} mm); give a depth within the canal"
        )
    diameter = shape.diameter_mm(heating.tip_depth_mm)
    if diameter < 0.1:
        raise ValueError(
            f"the canal is {diameter:g} mm wide at the carrier's tip; at least 0.1 mm is needed"
        )
    top = min(heating.tip_depth_mm + p.cling_mm, shape.wl_mm)
    tip_mm = heating.tip_depth_mm
    rings = Rings(shape, root or Root(), heating.start_mm, tip_mm, p, grid, outside, around_c)
    run = _Run(rings, top, before)

    def carrier(tip_mm: float, temp_c: float) -> Carrier:
        radius = p.carrier_share * diameter / 2
        return Carrier(tip_mm, radius, p.carrier_taper, p.carrier_contact_w_m2k, temp_c)

    run.keep()
    glow = BODY_C
    for dt in _steps(heating.heat_s, grid.step_s):
        gone = run.time_s + dt
        tip = heating.start_mm + (heating.tip_depth_mm - heating.start_mm) * min(
            1.0, gone / (heating.advance_s or heating.heat_s)
        )
        glow = heating.source.on_c(gone, p)
        run.go(*rings.contents(heating.start_mm, carrier(tip, glow)), dt)
    for dt in _steps(heating.dwell_s, grid.step_s):
        off = run.time_s + dt - heating.heat_s
        now = BODY_C + (glow - BODY_C) * math.exp(-off / p.carrier_fall_s)
        placed = carrier(heating.tip_depth_mm, now)
        run.go(*rings.contents(heating.start_mm, placed), dt)
    removed = run.time_s

    content, free = rings.contents(top, None)
    pressed = rings.press(free, top)
    rest = heating.watch_s if followed_s is None else followed_s
    for length, network in ((p.change_s, free), (heating.press_s, pressed), (rest, free)):
        for dt in _steps(min(length, rest), grid.step_s):
            run.go(content, network, dt)
            if followed_s is None and _over(run):
                break
        rest = max(0.0, rest - length)
        if followed_s is None and _over(run):
            break
    return HeatResult(
        times_s=np.array(run.times),
        depth_mm=rings.depth_mm,
        axis_c=np.array(run.axis),
        surface_depth_mm=rings.surface_depth_mm,
        surface_c=np.array(run.surface),
        mass_max_c=np.array(run.hottest),
        removed_s=removed,
        tip_depth_mm=heating.tip_depth_mm,
        mass_top_mm=top,
        imbalance=run.worst / run.exchanged,
        around_c=around_c,
        left=Field(rings.depth_mm, rings.radius_mm, run.state.temp_c),
        followed_to_c=MOULDABLE_C.low if followed_s is None else around_c,
    )


def _over(run: _Run) -> bool:
    """Whether the mass has set and the surface is past its maximum and the bone's limit."""
    if run.hottest[-1] >= _DONE_C:
        return False
    rise = float(run.surface[-1].max()) - run.rings.around_c
    return rise < min(_DONE_RISE_SHARE * run.highest_rise + 1e-9, BONE_RISE_C)

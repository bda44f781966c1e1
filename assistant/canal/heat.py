"""Heat in a root during one cycle of warm vertical compaction, over depth and time.

Transient conduction, symmetric around the canal, in four phases: the carrier is on and
advances (or stands); it is off and dwells; it is taken out with all that lies above its
end and what clings to that, and the canal there is air; a plugger presses the mass.

What is left out, and which way it errs: gutta-percha does not flow (a carrier shoves warm
mass ahead of it and a plugger carries it on: the real reach is longer); the canal is round
and straight; the carrier is hot along its whole length in the tooth (the real surface rise
higher up is smaller); earlier cycles have been forgotten (the real mass is a little warmer);
beyond the ligament everything is at 37 C (poor blood flow: the real surface rise is larger).

Beside published values (``tests/canal/heat_study.py``): the surface rise near the apex lies
within the spread, at its low end; near the crown the usual one is below it and only the
greatest reach it; softening goes less far than the papers and common practice have it. A
carrier at 180 C brings an apex 3 mm away to 37.0 to 37.3 C; the 40 C of one paper come out
only if 37 C is 3 mm of still tissue away from the root.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from assistant.canal.heat_grid import Carrier, Grid, Rings, Root
from assistant.canal.heat_step import (
    Array,
    Content,
    Network,
    State,
    heat_mj,
    inflow_mw,
    step,
)
from assistant.canal.lengths import check_length_mm
from assistant.canal.model import CanalShape
from assistant.canal.tissue import BODY_C, BONE_RISE_C, MOULDABLE_C, Properties

_DONE_C = MOULDABLE_C.low - 0.5
_DONE_RISE_SHARE = 0.95
LONGEST_HEAT_S = 60.0


@dataclass(frozen=True, slots=True)
class Heating:
    """One cycle: what is done, how deep, how long.

    Attributes:
        tip_depth_mm: deepest point of the carrier's tip.
        start_mm: upper face of the mass, where the carrier is switched on; above it the
            canal is empty. Equal to ``tip_depth_mm`` for a carrier that only stands on it.
        heat_s: switched on so long.
        dwell_s: held, switched off, before it is taken out.
        press_s: how long the plugger presses.
        watch_s: the computation goes on for at most so long after the removal.
        advance_s: time from start to deepest point; None: all of ``heat_s``. Shorter, and
            the carrier is held there, hot, for the rest.

    Raises:
        ValueError: a depth or time that cannot be.
    """

    tip_depth_mm: float
    start_mm: float
    heat_s: float
    dwell_s: float = 1.0
    press_s: float = 5.0
    watch_s: float = 60.0
    advance_s: float | None = None

    def __post_init__(self) -> None:
        check_length_mm(self.tip_depth_mm, "the depth of the carrier's tip")
        check_length_mm(self.start_mm, "the depth at which the carrier starts")
        if self.start_mm > self.tip_depth_mm:
            raise ValueError(
                f"the carrier starts at {self.start_mm:g} mm, deeper than it ends "
                f"({self.tip_depth_mm:g} mm); give the upper face of the mass as the start"
            )
        if not 0 < self.heat_s <= LONGEST_HEAT_S:
            raise ValueError(
                f"heat for {self.heat_s:g} s; allowed are over 0 to {LONGEST_HEAT_S:g} s"
            )
        if self.advance_s is not None and not 0 < self.advance_s <= self.heat_s:
            raise ValueError(
                f"the advance takes {self.advance_s:g} s of {self.heat_s:g} s of heat; allowed "
                "are over 0 to the time of the heat"
            )
        for value, what in (
            (self.dwell_s, "the dwell"),
            (self.press_s, "the press"),
            (self.watch_s, "the time watched"),
        ):
            if not (math.isfinite(value) and 0 <= value <= 600):
                raise ValueError(f"{what} is {value:g} s; allowed are 0 to 600 s")


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
        if mouldable_c < MOULDABLE_C.low:
            raise ValueError(
                f"cooling was followed to {MOULDABLE_C.low:g} C, not to {mouldable_c:g} C; "
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
        """Largest rise over 37 C anywhere on the root's surface."""
        return float(self.surface_c.max()) - BODY_C


def _steps(length_s: float, first_s: float) -> Iterator[float]:
    """Time steps that fill a phase, growing in proportion to the time gone by, to tenfold."""
    edges = [0.0]
    while edges[-1] < length_s:
        edges.append(edges[-1] + first_s * min(10.0, 1 + edges[-1] / 0.6))
    scale = length_s / edges[-1] if len(edges) > 1 else 1.0
    return (scale * (late - early) for early, late in itertools.pairwise(edges))


class _Run:
    """State, clock, book of the heat, and what is kept of each step."""

    def __init__(self, rings: Rings, mass_top_mm: float) -> None:
        shape = (len(rings.depth_mm), len(rings.radius_mm))
        self.rings = rings
        self.state = State(np.full(shape, BODY_C), np.zeros(shape))
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
        temp = self.state.temp_c
        self.times.append(self.time_s)
        self.axis.append(temp[:, 0].copy())
        self.surface.append(self.rings.surface_c(temp))
        self.highest_rise = max(self.highest_rise, float(self.surface[-1].max()) - BODY_C)
        self.hottest.append(float(temp[self.stays].max(initial=BODY_C)))

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
) -> HeatResult:
    """Compute one cycle from a root at 37 C throughout.

    Ends when the mass is below the lowest mouldable temperature and the root's surface is
    past its maximum, or after ``heating.watch_s``.

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
    rings = Rings(shape, root or Root(), heating.start_mm, top, p, grid)
    run = _Run(rings, top)

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
        glow = p.carrier_c + (BODY_C - p.carrier_c) * math.exp(-gone / p.carrier_rise_s)
        run.go(*rings.contents(heating.start_mm, carrier(tip, glow)), dt)
    for dt in _steps(heating.dwell_s, grid.step_s):
        off = run.time_s + dt - heating.heat_s
        now = BODY_C + (glow - BODY_C) * math.exp(-off / p.carrier_fall_s)
        placed = carrier(heating.tip_depth_mm, now)
        run.go(*rings.contents(heating.start_mm, placed), dt)
    removed = run.time_s

    content, free = rings.contents(top, None)
    pressed = rings.press(free, top)
    rest = max(0.0, heating.watch_s - p.change_s - heating.press_s)
    for length, network in ((p.change_s, free), (heating.press_s, pressed), (rest, free)):
        for dt in _steps(length, grid.step_s):
            run.go(content, network, dt)
            if _over(run):
                break
        if _over(run):
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
    )


def _over(run: _Run) -> bool:
    """Whether the mass has set and the surface is past its maximum and the bone's limit."""
    if run.hottest[-1] >= _DONE_C:
        return False
    rise = float(run.surface[-1].max()) - BODY_C
    return rise < min(_DONE_RISE_SHARE * run.highest_rise + 1e-9, BONE_RISE_C)

"""What is asked of the heat computation: how hot the carrier is, and one cycle with it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from assistant.canal.lengths import check_length_mm
from assistant.canal.tissue import BODY_C, Properties

LONGEST_HEAT_S = 60.0

HOTTEST_SEEN_C = 118.0
"""Where nobody says what the carrier is set to, the most that it is taken to reach: the
highest reading in a mass during the technique (Blum, Parahy, Machtou, J Endod 1997;23:307,
abstract; Goodman et al. 1981, summary, have 80 C)."""


@dataclass(frozen=True, slots=True)
class Source:
    """How hot the carrier is: what it is set to, or its temperature as measured.

    Attributes:
        setting_c: as the device shows it. How much of it the carrier reaches in the mass,
            and how fast, is among the properties; it is never taken as hotter.
        curve: (seconds from switching on, C) of this carrier in use, rising in time. Given,
            it is what counts; after its end the last value holds.

    Raises:
        ValueError: a setting or a curve that cannot be.
    """

    setting_c: float = HOTTEST_SEEN_C
    curve: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for c in (self.setting_c, *(c for _, c in self.curve)):
            if not BODY_C <= c <= 600:
                raise ValueError(f"a carrier of {c:g} C; allowed are {BODY_C:g} to 600 C")
        times = [time for time, _ in self.curve]
        if times and not (times[0] >= 0 and all(a < b for a, b in itertools.pairwise(times))):
            raise ValueError("the carrier's curve does not go forward in time; give seconds, C")

    def on_c(self, on_s: float, p: Properties) -> float:
        """Temperature so long after switching on."""
        if self.curve:
            times, temps = zip(*self.curve, strict=True)
            return float(np.interp(on_s, times, temps))
        steady = BODY_C + p.carrier_reached * (self.setting_c - BODY_C)
        return steady + (BODY_C - steady) * math.exp(-on_s / p.carrier_rise_s)


UNKNOWN_SOURCE = Source()
"""Of a carrier of which nothing is said."""


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
        source: how hot the carrier is.

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
    source: Source = UNKNOWN_SOURCE

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

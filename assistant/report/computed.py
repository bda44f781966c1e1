"""What was computed of one canal, gathered for the page that shows it.

Nothing here was dictated: it follows from what was, by :mod:`assistant.canal`, and is
marked as computed wherever it is shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from assistant.canal.fit import ConeFit
from assistant.canal.heat_live import LiveHeat
from assistant.canal.heating import UNKNOWN_SOURCE, Heating, Source
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape
from assistant.canal.plan import Cycle, Increment
from assistant.canal.true_length import TrueLength
from assistant.progress import facts, heat_reckoning, reckoning
from assistant.progress.facts import number, text_of
from assistant.progress.fields import span
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.lengthwise import Lengthwise, lengthwise
from assistant.report.marks import track_title


@dataclass(frozen=True, slots=True)
class HeatCycle:
    """One heat cycle, done or to come: depths as said or planned, its heat as computed.

    ``plugger``: of a cycle to come the one that is planned.
    """

    number: int
    heat_to_mm: float | None
    plugger_to_mm: float | None
    heating: Heating | None
    heat: LiveHeat | None
    plugger: str | None = None


@dataclass(frozen=True, slots=True)
class Computed:
    """One canal in numbers; lengths in mm, None where something for them is missing.

    Attributes:
        stops: depths that the fitted pluggers and the heat carrier reached, by name.
        done: the heat cycles that were done.
        to_come: those that are planned.
        cut: what is in the canal and planned for it, as it is drawn.
        hottest: the cycle with the largest rise at the root's surface.
        wall_mm: of the root, as said or assumed for that rise.
        next_heat: see :func:`.heat_reckoning.next_heat`.
    """

    title: str
    shape: CanalShape | None
    length: TrueLength | None
    cone_fit: ConeFit | None
    limit_mm: float | None
    coronal_mm: float | None
    sear_mm: float | None
    stops: tuple[tuple[str, float], ...]
    done: tuple[HeatCycle, ...]
    to_come: tuple[HeatCycle, ...]
    cut: Lengthwise
    hottest: Heating | None
    wall_mm: float | None
    next_heat: tuple[float, float] | None = None
    source: Source = UNKNOWN_SOURCE

    @property
    def filled(self) -> tuple[Increment, ...]:
        """Backfill increments that were made, with their volumes."""
        return self.cut.filled

    @property
    def to_fill(self) -> tuple[Increment, ...]:
        """Those that are planned."""
        return self.cut.planned

    @property
    def empty(self) -> bool:
        """Whether there is too little for a page."""
        return self.shape is None


def computed(state: CaseState, canal: str) -> Computed:
    """Everything computed of a canal from the entries that stand."""
    shape = reckoning.shape(state, canal)
    down, cut = reckoning.downpack(state, canal), lengthwise(state, canal)
    done = _cycles(state, canal)
    named = [(f"{third} plugger", role) for third, role in reckoning.FITTED.items()]
    named.append(("heat carrier", Role.HEAT_FIT))
    stops = [(name, number(state.newest(canal, role))) for name, role in named]
    filling = bool(cut.planned or cut.filled) and bool(rounds.increments(state, canal))
    return Computed(
        title=track_title(canal),
        shape=shape,
        length=reckoning.length(state, canal),
        cone_fit=reckoning.cone(state, canal),
        limit_mm=facts.depth_limit_mm(state, canal),
        coronal_mm=number(state.last(canal, Role.CORONAL_LEVEL)),
        sear_mm=number(state.newest(canal, Role.SEAR)),
        stops=tuple((name, depth) for name, depth in stops if depth is not None),
        done=done,
        to_come=_planned(state, canal, down.cycles) if down and not filling else (),
        cut=cut,
        hottest=_hottest(done),
        wall_mm=heat_reckoning.wall_mm(state, canal),
        source=heat_reckoning.source(state),
        next_heat=None if filling else heat_reckoning.next_heat(state, canal),
    )


def _planned(state: CaseState, canal: str, cycles: tuple[Cycle, ...]) -> tuple[HeatCycle, ...]:
    """Each heated for as long as the protocol allows, by itself."""
    shape, wall = reckoning.shape(state, canal), heat_reckoning.wall_mm(state, canal)
    found, top = [], facts.fill_top_mm(state, canal)
    for one in cycles:
        heating = heat_reckoning.heating_to_come(state, canal, one, top or 0.0)
        heat = heat_reckoning.live_heat(shape, heating, wall) if shape and heating else None
        top = one.plugger_to_mm
        found.append(HeatCycle(one.number, one.heat_to_mm, top, heating, heat, one.plugger))
    return tuple(found)


def _cycles(state: CaseState, canal: str) -> tuple[HeatCycle, ...]:
    found = []
    for one in rounds.cycles(state, canal):
        heated = one.values.get(Role.HEAT_DEPTH)
        heating = heat_reckoning.heating_of(state, canal, heated) if heated else None
        found.append(
            HeatCycle(
                number=one.number,
                heat_to_mm=number(heated),
                plugger_to_mm=number(one.values.get(Role.COMPACTION)),
                heating=heating,
                heat=heat_reckoning.heat_of(state, canal, heated) if heated else None,
            )
        )
    return tuple(found)


def _hottest(done: tuple[HeatCycle, ...]) -> Heating | None:
    warm = [(one.heat.surface_rise_c.high, one.heating) for one in done if one.heat]
    return max(warm, key=lambda one: one[0])[1] if warm else None


def lines(found: Computed) -> list[str]:
    """The same in words, one line each, for the page and for a terminal."""
    said: list[str] = []
    shape = found.shape
    if shape is None:
        return ["Size, taper or working length unknown: nothing computed."]
    said.append(_canal_line(shape))
    if found.length is not None:
        said.append(_length_line(found.length))
    if found.cone_fit is not None:
        fit = found.cone_fit
        said.append(
            f"Cone: tip {_mm(fit.tip_mm)}, canal there {_mm(fit.canal_mm)}: {fit.verdict}"
            f" (exact sizes: {fit.nominal})."
        )
    for one in found.done:
        said.append(_cycle_line(one, found.wall_mm))
    for cycle in found.to_come:
        said.append(_planned_line(cycle))
    if found.next_heat is not None:
        wait_s, heat_s = map(text_of, found.next_heat)
        after = f", begun {wait_s} s after the last removal" if found.done else ""
        said.append(f"Next cycle: the rise stays in the limit with {heat_s} s of heat{after}.")
    if found.done or found.to_come:
        said.append(_conditions(found))
    for label, increments in (("", found.filled), (", planned", found.to_fill)):
        said += [
            f"Increment {one.number}{label}: {text_of(one.from_mm)} to "
            f"{text_of(one.to_mm)} mm, {one.volume_mm3:.1f} mm3."
            for one in increments
        ]
    return said


def _canal_line(shape: CanalShape) -> str:
    tapers = ", ".join(
        f"taper {part.taper:g}"
        + ("" if math.isinf(part.length_mm) else f" in the last {part.length_mm:g} mm")
        for part in shape.segments
    )
    curve = ""
    if shape.curve_begins_mm is not None:
        radius = shape.curve_radius_mm
        known = "of a radius not told" if radius is None else f"with a radius of {radius:g} mm"
        curve = f", curved from {text_of(shape.curve_begins_mm)} mm {known}"
    return (
        f"Canal: {shape.apical_mm:.2f} mm at the working length of {text_of(shape.wl_mm)} mm, "
        f"{tapers}{curve}, each diameter +/- {shape.tolerance_mm:.2f} mm."
    )


def _length_line(length: TrueLength) -> str:
    readings, between = length.readings, _mm(length.interval_mm, 1)
    doubt = f"; {length.ask.replace('_', ' ')}" if length.ask else ""
    return (
        f"Length by {len(readings.counted)} paper points: {text_of(readings.centre_mm)} mm, "
        f"all readings allow {between}{doubt}."
    )


def _conditions(found: Computed) -> str:
    """What the heat of this page was computed for."""
    source, wall = found.source, found.wall_mm
    hot = (
        f"measured at up to {max(c for _, c in source.curve):g} C"
        if source.curve
        else f"set to {source.setting_c:g} C and never hotter"
    )
    told = f"a carrier {hot}, "
    untold = ""
    if source == UNKNOWN_SOURCE:
        told = ""
        untold = f"Carrier temperature not told: taken as up to {source.setting_c:g} C. "
    thick = "unknown" if wall is None else f"{text_of(wall)} mm thick"
    return (
        f"{untold}Heat is computed for {told}a root wall {thick} and tissue with blood "
        "around it, by conduction alone; the range of properties and the error of the "
        "computation are inside the intervals, which are rounded outward."
    )


def _planned_line(one: HeatCycle) -> str:
    with_ = f"{one.plugger} plugger" if one.plugger else "no fitted plugger"
    heat, heated = one.heat, one.heating
    soft = ""
    if heat is not None and heated is not None:
        soft = (
            f", softened {span(heat.softened_mm, 1)} mm below it by {heated.heat_s:g} s of heat"
        )
    depth = text_of(one.heat_to_mm)
    return f"Cycle {one.number}, planned: carrier and plugger to {depth} mm, {with_}{soft}."


def _cycle_line(one: HeatCycle, wall_mm: float | None) -> str:
    where = (
        f"Cycle {one.number}: carrier {text_of(one.heat_to_mm)} mm, "
        f"plugger {text_of(one.plugger_to_mm)} mm"
    )
    if one.heat is None:
        return f"{where}."
    heat = one.heat
    wall = "" if wall_mm is None else f" if its wall is {text_of(wall_mm)} mm"
    edge = "" if heat.inside else ", outside the table: a hint only"
    return (
        f"{where}; softened {span(heat.softened_mm, 1)} mm below the carrier by conduction "
        f"alone, firm after {span(heat.cool_s)} s, root surface, with what was left of earlier "
        f"cycles, "
        f"+{span(heat.surface_rise_c, 1)} C{wall}{edge}."
    )


def _mm(interval: Interval, digits: int = 2) -> str:
    return f"{span(interval, digits)} mm"

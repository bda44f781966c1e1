"""What was computed of one canal, gathered for the page that shows it.

Nothing here was dictated: it follows from what was, by :mod:`assistant.canal`, and is
marked as computed wherever it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

from assistant.canal.fit import ConeFit
from assistant.canal.heat import Heating
from assistant.canal.heat_live import LiveHeat
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape
from assistant.canal.plan import Cycle, Increment
from assistant.canal.points import Point
from assistant.canal.true_length import TrueLength
from assistant.procedure import facts, reckoning
from assistant.procedure.facts import number, text_of
from assistant.procedure.fields import span
from assistant.procedure.state import CaseState
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.marks import track_title


@dataclass(frozen=True, slots=True)
class DoneCycle:
    """One heat cycle that was done: depths as said, softened depth as computed."""

    number: int
    heat_to_mm: float | None
    plugger_to_mm: float | None
    heating: Heating | None
    heat: LiveHeat | None


@dataclass(frozen=True, slots=True)
class Computed:
    """One canal in numbers; lengths in mm, None where something for them is missing.

    Attributes:
        stops: depths that the fitted pluggers and the heat carrier reached, by name.
        done: the heat cycles that were done.
        to_come: those that are planned.
        filled: backfill increments that were made, with their volumes.
        to_fill: those that are planned.
        hottest: the cycle with the largest rise at the root's surface.
        wall_mm: of the root, as the protocol assumes it for that rise.
    """

    title: str
    shape: CanalShape | None
    length: TrueLength | None
    cone: Point | None
    cone_fit: ConeFit | None
    limit_mm: float | None
    coronal_mm: float | None
    sear_mm: float | None
    stops: tuple[tuple[str, float], ...]
    done: tuple[DoneCycle, ...]
    to_come: tuple[Cycle, ...]
    filled: tuple[Increment, ...]
    to_fill: tuple[Increment, ...]
    hottest: Heating | None
    wall_mm: float | None

    @property
    def empty(self) -> bool:
        """Whether there is too little for a page."""
        return self.shape is None


def computed(state: CaseState, canal: str) -> Computed:
    """Everything computed of a canal from the entries that stand."""
    shape = reckoning.shape(state, canal)
    down, back = reckoning.downpack(state, canal), reckoning.backfill(state, canal)
    done = _cycles(state, canal)
    named = [(f"{third} plugger", role) for third, role in reckoning.FITTED.items()]
    named.append(("heat carrier", Role.HEAT_FIT))
    stops = [(name, number(state.newest(canal, role))) for name, role in named]
    filling = back is not None and bool(rounds.increments(state, canal))
    return Computed(
        title=track_title(canal),
        shape=shape,
        length=reckoning.length(state, canal),
        cone=reckoning.master_cone(state, canal),
        cone_fit=reckoning.cone(state, canal),
        limit_mm=facts.depth_limit_mm(state, canal),
        coronal_mm=number(state.last(canal, Role.CORONAL_LEVEL)),
        sear_mm=number(state.newest(canal, Role.SEAR)),
        stops=tuple((name, depth) for name, depth in stops if depth is not None),
        done=done,
        to_come=down.cycles if down and not filling else (),
        filled=_filled(state, canal, shape),
        to_fill=back.increments if back else (),
        hottest=_hottest(done),
        wall_mm=wall.value if (wall := state.protocol.limits.root_wall_mm) else None,
    )


def _cycles(state: CaseState, canal: str) -> tuple[DoneCycle, ...]:
    found = []
    for one in rounds.cycles(state, canal):
        heated = one.values.get(Role.HEAT_DEPTH)
        heating = reckoning.heating_of(state, canal, heated) if heated else None
        found.append(
            DoneCycle(
                number=one.number,
                heat_to_mm=number(heated),
                plugger_to_mm=number(one.values.get(Role.COMPACTION)),
                heating=heating,
                heat=reckoning.heat_of(state, canal, heated) if heated else None,
            )
        )
    return tuple(found)


def _filled(state: CaseState, canal: str, shape: CanalShape | None) -> tuple[Increment, ...]:
    found = []
    for one in rounds.increments(state, canal):
        length = number(one.values.get(Role.INCREMENT))
        if length is None or one.level_mm is None:
            continue
        # An increment said too long reaches out of the tooth; what is in it counts.
        top, bottom = max(0.0, one.level_mm), max(0.0, one.level_mm + length)
        volume = shape.volume_mm3(bottom, top) if shape else 0.0
        found.append(Increment(one.number, bottom, one.level_mm, length, volume))
    return tuple(found)


def _hottest(done: tuple[DoneCycle, ...]) -> Heating | None:
    warm = [(one.heat.surface_rise_c.high, one.heating) for one in done if one.heat]
    return max(warm, key=lambda one: one[0])[1] if warm else None


def lines(found: Computed) -> list[str]:
    """The same in words, one line each, for the page and for a terminal."""
    said: list[str] = []
    shape = found.shape
    if shape is None:
        return ["Size, taper or working length unknown: nothing computed."]
    said.append(
        f"Canal: {shape.apical_mm:.2f} mm at the working length of {text_of(shape.wl_mm)} mm, "
        + ", ".join(f"taper {part.taper:g}" for part in shape.segments)
        + f", each diameter +/- {shape.tolerance_mm:.2f} mm."
    )
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
        with_ = f" {cycle.plugger} plugger" if cycle.plugger else " no fitted plugger"
        said.append(
            f"Cycle {cycle.number}, planned: carrier and plugger to "
            f"{text_of(cycle.heat_to_mm)} mm,{with_}, soft to {_mm(cycle.softened_to_mm, 1)}."
        )
    for label, increments in (("", found.filled), (", planned", found.to_fill)):
        said += [
            f"Increment {one.number}{label}: {text_of(one.from_mm)} to "
            f"{text_of(one.to_mm)} mm, {one.volume_mm3:.1f} mm3."
            for one in increments
        ]
    return said


def _length_line(length: TrueLength) -> str:
    readings, between = length.readings, _mm(length.interval_mm, 1)
    doubt = f"; {length.ask.replace('_', ' ')}" if length.ask else ""
    return (
        f"Length by {len(readings.counted)} paper points: {text_of(readings.centre_mm)} mm, "
        f"all readings allow {between}{doubt}."
    )


def _cycle_line(one: DoneCycle, wall_mm: float | None) -> str:
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
        f"alone, firm after {span(heat.cool_s)} s, root surface "
        f"+{span(heat.surface_rise_c, 1)} C{wall}{edge}."
    )


def _mm(interval: Interval, digits: int = 2) -> str:
    return f"{span(interval, digits)} mm"

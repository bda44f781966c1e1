"""Published temperatures, and the questions put to the computation beside each.

Every value is recomputed under the paper's own conditions: what lay around the root, what
the carrier was set to, how far from the apex was measured. Abstracts and summaries were
read; what they leave open is told under ``open``, and is tried over a range, so that the
computed interval takes all of it in. ``why`` is what decides the comparison.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from assistant.canal.heat import HeatResult
from assistant.canal.heat_grid import Root
from assistant.canal.heating import Heating, Source
from assistant.canal.model import CanalShape, prepared
from assistant.canal.tissue import BODY_C, MOULDABLE_C, Outside
from canal.heat_range import (
    above_at_s,
    axis_max_at_c,
    surface_reaches_s,
    surface_rise_at_c,
)

ROOM_C = 23.0

CANAL = prepared(20.0, 30, 0.06)
"""Apex at 20 mm, the cemento-enamel junction taken at 8 mm."""

Cycles = tuple[tuple[Heating, float], ...]
"""Heatings, and the seconds from each removal to the next switching on."""


class Published(NamedTuple):
    """A published value and the questions put to the model beside it.

    ``low`` to ``high`` as published; an infinite end where the paper gives one side only.
    ``around``: what lay around the root, and how warm it was.
    """

    what: str
    low: float
    high: float
    source: str
    conditions: str
    open: str
    why: str
    around: tuple[tuple[Outside, float], ...]
    cycles: tuple[Cycles, ...]
    roots: tuple[Root, ...]
    read: Callable[[list[HeatResult]], float]
    shape: CanalShape = CANAL
    fixed: Mapping[str, float] = {}
    is_temperature: bool = False  # and not a rise, a length or a time


_THIN, _USUAL = Root(0.6, 0.06), Root(1.0, 0.1)
_BATH = ((Outside.BATH, BODY_C),)
_BENCH = ((Outside.AIR, ROOM_C),)
_UNTOLD = ((Outside.BATH, BODY_C), (Outside.AIR, BODY_C))


def _hold(tip_mm: float, setting_c: float, *times_s: float) -> tuple[Cycles, ...]:
    """4 mm in a second, then held hot; each time by itself."""
    return tuple(
        (
            (
                Heating(
                    tip_mm, tip_mm - 4, s, dwell_s=0.0, advance_s=1.0, source=Source(setting_c)
                ),
                0.0,
            ),
        )
        for s in times_s
    )


def _downpack(
    setting_c: float, tips_mm: tuple[float, ...], *heats_s: float
) -> tuple[Cycles, ...]:
    """From 8 mm down, 15 s between a removal and the next heat; each time by itself."""
    found = []
    for heat_s in heats_s:
        tops = (8.0, *tips_mm)
        found.append(
            tuple(
                (Heating(tip, top, heat_s, source=Source(setting_c)), 15.0)
                for top, tip in zip(tops, tips_mm, strict=False)
            )
        )
    return tuple(found)


def _most(read: Callable[[HeatResult], float]) -> Callable[[list[HeatResult]], float]:
    return lambda results: max(map(read, results))


_VENTURI = "Venturi et al., Int Endod J 2002;35:740 (abstract)"
_GOODMAN = "Goodman et al., Oral Surg 1981;51:544 (summary)"
_BLUM = "Blum, Parahy, Machtou, J Endod 1997;23:307 (abstract)"
_FEM = "finite elements, PubMed 29246373 (abstract)"

_VENTURI_CYCLES = (
    *_downpack(250.0, (12.0, 16.0), 4.0),
    *_downpack(250.0, (11.5, 15.0), 2.0),
)
_BLUM_CYCLES = (
    *_downpack(250.0, (12.0, 16.0), 4.0),
    *_downpack(250.0, (11.5, 15.0), 2.0),
)
_MATTERS = _downpack(200.0, (11.5, 15.0), 2.0, 8.0)


def published() -> list[Published]:
    """All of them, those of the root surface first."""
    cycles_open = (
        "cycles, walls; tried: 2 cycles, 2 s to 5 mm short or 4 s to 4, walls 0.6 and 1 mm at "
        "the apex"
    )
    bench_open = (
        "how long, wall; tried: 2 and 5 s, walls 0.6 and 1 mm at the apex, a room of 23 C"
    )
    return [
        *(
            Published(
                f"surface rise 1.5 mm from the apex, C, group {group}", low, high, _VENTURI,
                "bath at 37 C, source set to 250 C", cycles_open,
                "far from the carrier: the bath and the last carrier depth decide",
                _BATH, _VENTURI_CYCLES, (_THIN, _USUAL),
                _most(lambda r: surface_rise_at_c(r, 18.5)),
            )
            for group, low, high in ((1, 0.0, 1.0), (2, -0.2, 2.0))
        ),
        *(
            Published(
                f"surface rise 2 mm below the CEJ, C, group {group}", low, high, _VENTURI,
                "bath at 37 C, source set to 250 C", f"{cycles_open}, and 2",
                "beside the hot shaft: how hot it is there decides",
                _BATH, _VENTURI_CYCLES, (_USUAL, Root(2.0, 0.0)),
                _most(lambda r: surface_rise_at_c(r, 10.0)),
            )
            for group, low, high in ((1, 2.4, 5.8), (2, 2.1, 5.7))
        ),
        Published(
            "surface rise 5 mm from the apex, split tooth, C", 8.9, 12.1,
            "J Endod 1999;25:593 (abstract)",
            "split tooth on the bench, settings from 250 C up", bench_open,
            "in air hardly any heat leaves the root",
            _BENCH, _hold(15.0, 250.0, 2.0, 5.0), (_THIN, _USUAL),
            _most(lambda r: surface_rise_at_c(r, 15.0)),
        ),
        Published(
            "surface rise, one kind of source, C: more than", 10.0, math.inf,
            "Int Endod J 1999;32:287 (abstract)", "extracted teeth on the bench", bench_open,
            "in air hardly any heat leaves the root",
            _BENCH, _hold(15.0, 200.0, 2.0, 5.0), (_THIN, _USUAL),
            _most(lambda r: r.surface_rise_c),
        ),
        Published(
            "time to a surface rise of 10 C, 5 mm from the apex, s", 5.2, 11.4,
            "SVOA Dentistry 2026, means by device (abstract)",
            "carrier held, on continuously; two of five devices overshot to 500 C and more",
            "setting, what lay around; tried: set to 200 C, 30 s, bath and air",
            "a bath may never let it come so far, air does in seconds",
            _UNTOLD, _hold(15.0, 200.0, 30.0), (_THIN, _USUAL),
            lambda results: surface_reaches_s(results[-1], 15.0, 10.0),
        ),
        Published(
            "surface rise without blood flow, C", 10.3, 15.5, _FEM,
            "a root in tissue, no flow", "source and time; tried: 200 C, held 2 and 5 s",
            "tissue that nothing cools",
            ((Outside.STILL, BODY_C),), _hold(15.0, 200.0, 2.0, 5.0), (_THIN, _USUAL),
            _most(lambda r: r.surface_rise_c),
        ),
        Published(
            "surface rise with blood flow, C: under", -math.inf, 10.0, _FEM,
            "the same with flow, taken as a ligament kept at 37 C",
            "source and time; tried: 200 C, held 2 and 5 s",
            "flow in that model cools more than what tissue is known to have",
            ((Outside.HELD, BODY_C),), _hold(15.0, 200.0, 2.0, 5.0), (_THIN, _USUAL),
            _most(lambda r: r.surface_rise_c),
        ),
        Published(
            "apex with the carrier 3 mm away, C", 40.0, 42.0,
            "Open Dentistry Journal 2014;8:229 (abstract), 'slightly over 40'",
            "carrier at 180 C held 3 mm from the apex",
            "time, what lay around; tried: 4 and 20 s, bath and air",
            "conductivity of the point and how long it is held",
            _UNTOLD, _hold(17.0, 180.0, 4.0, 20.0), (_USUAL,),
            _most(lambda r: axis_max_at_c(r, 20.0)), is_temperature=True,
        ),
        Published(
            "apex with the source 3 mm away, C", 35.5, 37.7,
            "Wang et al., J Dent Sci 2024 (abstract), range of means",
            "a simulated canal, several kinds of point",
            "start, block; tried: a resin block of 0.2 W/(m K) at 23 C, held 4 to 10 s",
            "starts at room temperature, or nothing would be under 37 C",
            ((Outside.AIR, ROOM_C),), _hold(17.0, 200.0, 4.0, 10.0), (Root(3.0, 0.0),),
            _most(lambda r: axis_max_at_c(r, 20.0)),
            fixed={"dentine_w_mk": 0.2, "cementum_w_mk": 0.2}, is_temperature=True,
        ),
        Published(
            "apical region, C", 40.0, 42.0, _GOODMAN, "the whole technique, thermocouples",
            "carrier, depths, times; tried: 2 cycles of 2 and 8 s to 5 mm short, 200 C; read "
            "3 mm from the apex",
            "conductivity of the point",
            _UNTOLD, _MATTERS, (_USUAL,), _most(lambda r: axis_max_at_c(r, 17.0)),
            is_temperature=True,
        ),
        Published(
            "hottest in the mass that stays, C", 80.0, 80.0, _GOODMAN, "as above", "as above",
            "the carrier's temperature",
            _UNTOLD, _MATTERS, (_USUAL,), _most(lambda r: float(r.mass_max_c.max())),
            is_temperature=True,
        ),
        Published(
            "reach of heat beyond the deepest point, mm", 2.0, 3.0, _GOODMAN, "as above",
            f"read as mouldable, {MOULDABLE_C.low:g} C; else as above",
            "conductivity of the point; no flow is computed",
            _UNTOLD, _MATTERS, (_USUAL,), _most(lambda r: r.softened_mm()),
        ),
        Published(
            "the same, common practice", 4.0, 5.0, "common practice, no source", "a patient",
            "as above", "no flow is computed: warm mass is shoved ahead",
            ((Outside.PERFUSED, BODY_C),), _MATTERS, (_USUAL,),
            _most(lambda r: r.softened_mm()),
        ),
        *(
            Published(
                f"mass {away:g} mm from the apex, C", at, at, _BLUM,
                "the whole technique, thermocouples",
                "setting, depths, times; tried: 250 C, 2 cycles, 2 s to 5 mm short or 4 s to 4",
                why, _UNTOLD, _BLUM_CYCLES, (_USUAL,),
                _most(lambda r, away=away: axis_max_at_c(r, 20.0 - away)),  # type: ignore[misc]
                is_temperature=True,
            )
            for away, at, why in (
                (8.0, 118.0, "the carrier's temperature"),
                (4.0, 52.0, "how near the carrier came"),
                (2.0, 44.0, "conductivity of the point, how near the carrier came"),
                (0.0, 44.0, "no flow is computed: warm mass is shoved to the apex"),
            )
        ),
        Published(
            "apex above 42.9 C, s", 5.0, 15.0, _BLUM, "as above", "as above",
            "no flow is computed: warm mass is shoved to the apex",
            _UNTOLD, _BLUM_CYCLES, (_USUAL,), _most(lambda r: above_at_s(r, 20.0, 42.9)),
        ),
    ]  # fmt: skip

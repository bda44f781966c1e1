"""How well does the computation of heat hold? A command, no test; takes two minutes.

    python tests/canal/heat_study.py --out out/heat      # heat_study.txt and heat_study.json

Three tables: what a finer grid and shorter steps change; the interval beside published
values, agreeing or not; how many fresh sets of properties the fixed sample's interval holds.
Published values are from abstracts and summaries; what these leave open (time, depth,
wall) is written beside each as what was assumed.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.canal.heat import Heating, HeatResult, simulate
from assistant.canal.heat_grid import Grid, Root
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape, prepared
from assistant.canal.tissue import BODY_C, MOULDABLE_C
from canal.heat_range import (
    axis_max_at_c,
    directions,
    finer,
    heat_bounds,
    heat_interval,
    sets,
    surface_rise_at_c,
)

CANAL = prepared(20.0, 30, 0.06)
CYCLE = Heating(15.0, 11.0, 4.0)


def convergence() -> list[dict[str, Any]]:
    """Grid and step halved together and apart; the finest of each is the reference."""
    base = Grid()
    series = {
        "cells, steps fixed": [finer(base, k, 1) for k in (1, 2, 4)],
        "steps, cells fixed": [finer(base, 1, k) for k in (1, 2, 4, 8)],
        "both": [finer(base, k, k) for k in (1, 2, 4)],
    }
    rows = []
    for name, grids in series.items():
        found = []
        for grid in grids:
            result = simulate(CANAL, CYCLE, grid=grid)
            found.append((result.softened_mm(), result.cool_s(), result.surface_rise_c))
            rows.append(
                {
                    "series": name,
                    "rings_in_canal": grid.rings_in_canal,
                    "row_mm": grid.row_mm,
                    "step_s": grid.step_s,
                    "softened_mm": round(found[-1][0], 4),
                    "cool_s": round(found[-1][1], 4),
                    "surface_rise_c": round(found[-1][2], 4),
                    "imbalance": result.imbalance,
                }
            )
        last = np.array(found[-3:])
        with np.errstate(divide="ignore", invalid="ignore"):
            order = np.log2(np.abs((last[1] - last[0]) / (last[2] - last[1])))
        rows[-1]["observed_order"] = [round(float(value), 2) for value in order]
    return rows


class Published(NamedTuple):
    """A published value and the question put to the model beside it."""

    what: str
    low: float
    high: float
    source: str
    assumed: str
    questions: tuple[tuple[CanalShape, Heating, Root], ...]
    read: Callable[[HeatResult], float]
    fixed: Mapping[str, float] = {}  # properties that the paper or the question gives


def published() -> list[Published]:
    apical = Root(0.8, 0.1)
    coronal = CanalShape(20.0, 0.3, prepared(20.0, 30, 0.08).segments)
    venturi = "Venturi et al. 2002 (abstract)"
    downpack = tuple(
        (CANAL, Heating(20.0 - short, 20.0 - short - 4.0, heat_s), apical)
        for short in (3.0, 4.0, 5.0)
        for heat_s in (2.0, 4.0)
    )
    first = tuple(
        (coronal, Heating(12.0, 8.0, heat_s), Root(1.0, 0.1)) for heat_s in (2.0, 4.0)
    )
    stands = tuple(
        (CANAL, Heating(17.0, 17.0, heat_s, dwell_s=0.0), apical)
        for heat_s in (4.0, 10.0, 20.0)
    )
    matters = tuple((CANAL, Heating(15.0, 11.0, heat_s), apical) for heat_s in (2.0, 4.0, 8.0))
    held_so = "4 mm in 1 s, then held, 4, 10 or 20 s in all"
    how = "37 C bath as the ligament; carrier 3 to 5 mm short, 4 mm advance in 2 to 4 s"
    return [
        Published(
            "surface rise 1.5 mm from the apex, C, group 1", 0.0, 1.0, venturi, how,
            downpack, lambda r: surface_rise_at_c(r, 19.0),
        ),
        Published(
            "surface rise 1.5 mm from the apex, C, group 2", -0.2, 2.0, venturi, how,
            downpack, lambda r: surface_rise_at_c(r, 19.0),
        ),
        Published(
            "surface rise 2 mm below the CEJ, C, group 1", 2.4, 5.8, venturi,
            "first cycle, 8 to 12 mm deep, in 2 to 4 s; CEJ at 8 mm; wall 2 mm",
            first, lambda r: surface_rise_at_c(r, 10.0),
        ),
        Published(
            "surface rise 2 mm below the CEJ, C, group 2", 2.1, 5.7, venturi,
            "as group 1", first, lambda r: surface_rise_at_c(r, 10.0),
        ),
        Published(
            "apex with a 180 C carrier 3 mm away, C", 40.0, 42.0,
            "Open Dentistry Journal 2014; 8:229 (abstract)",
            f"{held_so}; the metal at 180 C; 'slightly over 40' read as 40 to 42",
            stands, lambda r: axis_max_at_c(r, 20.0), {"carrier_c": 180.0},
        ),
        Published(
            "the same, root amid 3 mm of still tissue", 40.0, 42.0,
            "Open Dentistry Journal 2014; 8:229 (abstract)",
            "as above; 37 C only 3 mm off, as with a root that stands in no bath",
            stands, lambda r: axis_max_at_c(r, 20.0), {"carrier_c": 180.0, "ligament_mm": 3.0},
        ),
        Published(
            "apex with the source 3 mm away, C", 35.5, 37.7,
            "Wang et al. 2024, range of means (abstract)",
            f"{held_so}; its starting temperature is unknown, here 37 C",
            stands, lambda r: axis_max_at_c(r, 20.0),
        ),
        Published(
            "apical region, C", 40.0, 42.0, "Goodman et al. 1981 (summary)",
            "3 mm beyond a carrier 3 mm short; held as above",
            stands, lambda r: axis_max_at_c(r, 20.0),
        ),
        Published(
            "hottest in the mass that stays, C", 80.0, 80.0, "Goodman et al. 1981 (summary)",
            "4 mm advance in 2, 4 or 8 s; the maximum of all readings there",
            matters, lambda r: float(r.mass_max_c.max()),
        ),
        Published(
            "reach of heat beyond the deepest point, mm", 2.0, 3.0,
            "Goodman et al. 1981 (summary)",
            "'matters' read as a rise of 1 C; 4 mm advance in 2, 4 or 8 s",
            matters, lambda r: r.softened_mm(BODY_C + 1.0),
        ),
        Published(
            "the same, read as mouldable", 2.0, 3.0, "Goodman et al. 1981 (summary)",
            f"a rise to {MOULDABLE_C.low:g} C; as above",
            matters, lambda r: r.softened_mm(),
        ),
        Published(
            "the same, common practice", 4.0, 5.0, "common practice, no source",
            f"a rise to {MOULDABLE_C.low:g} C; as above",
            matters, lambda r: r.softened_mm(),
        ),
    ]  # fmt: skip


def comparison(n: int) -> list[dict[str, Any]]:
    """Model's least, usual and greatest beside each published value."""
    rows = []
    known: dict[Any, list[HeatResult]] = {}
    for one in published():
        values, usual = [], []
        for question in one.questions:
            key = (question, tuple(one.fixed.items()))
            if key not in known:
                known[key] = [
                    simulate(
                        question[0],
                        question[1],
                        replace(p, **one.fixed),
                        question[2],
                    )
                    for p in sets(n)
                ]
            read = [one.read(result) for result in known[key]]
            usual.append(read[0])
            values += read
        low, high = min(values), max(values)
        if low >= one.low and high <= one.high:
            verdict = "inside it"
        elif high < one.low:
            verdict = "MODEL LOWER"
        elif low > one.high:
            verdict = "MODEL HIGHER"
        else:
            verdict = "overlap"
        rows.append(
            {
                "what": one.what,
                "published": [one.low, one.high],
                "model": [round(low, 2), round(high, 2)],
                "usual": [round(min(usual), 2), round(max(usual), 2)],
                "verdict": verdict,
                "source": one.source,
                "assumed": one.assumed,
            }
        )
    return rows


def held(fresh: int, seed: int) -> dict[str, Any]:
    """How many fresh, independent sets of properties fall in the fixed sample's interval."""
    wide = heat_interval(CANAL, CYCLE)
    # Sets of one from different seeds are independent draws.
    drawn = [sets(1, seed + k)[1] for k in range(fresh)]
    inside = {"softened_mm": 0, "cool_s": 0, "surface_rise_c": 0}
    for p in drawn:
        one = heat_interval(CANAL, CYCLE, properties=[p])
        for name in inside:
            part: Interval = getattr(one, name)
            whole: Interval = getattr(wide, name)
            inside[name] += whole.low <= part.low and part.high <= whole.high
    bounds = heat_bounds(CANAL, CYCLE)

    def ends(one: Any) -> list[list[float]]:
        return [[round(i.low, 2), round(i.high, 2)] for i in one[:3]]

    return {
        "fresh_sets": fresh,
        "seed": seed,
        "inside": inside,
        "interval": ends(wide),
        "all_at_their_worst": ends(bounds),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("out/heat"))
    parser.add_argument("--sets", type=int, default=15, help="sets of properties")
    parser.add_argument("--fresh", type=int, default=200, help="fresh sets for the coverage")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "Heat: published values and convergence", wanted=given.results):
        compared = comparison(given.sets)
        lines = [f"{'published value':<48}{'published':>14}{'model':>16}{'usual':>16}  verdict"]
        for row in compared:
            spans = (f"{low:g} to {high:g}" for low, high in (row["published"], row["model"]))
            usual = f"{row['usual'][0]:g} to {row['usual'][1]:g}"
            first, second = spans
            lines.append(
                f"{row['what']:<48}{first:>14}{second:>16}{usual:>16}  {row['verdict']}"
            )
            lines.append(f"    {row['source']}; assumed: {row['assumed']}")
        print("\n".join(lines), flush=True)
        coverage = held(given.fresh, given.seed)
        effects = {
            name: [round(value, 3) for value in values]
            for name, values in directions(CANAL, CYCLE).items()
        }
        report: dict[str, Any] = {
            "comparison": compared,
            "held": coverage,
            "effect_low_to_high": effects,
            "convergence": convergence(),
        }
        more = [
            "",
            f"{'cells and steps':<22}rings  row mm  step s  softened   cool  surface  order",
        ]
        for row in report["convergence"]:
            more.append(
                f"{row['series']:<22}{row['rings_in_canal']:>5}{row['row_mm']:>8.3f}"
                f"{row['step_s']:>8.4f}{row['softened_mm']:>10.3f}{row['cool_s']:>7.3f}"
                f"{row['surface_rise_c']:>9.3f}  {row.get('observed_order', '')}"
            )
        more += ["", f"fresh sets inside the interval: {json.dumps(coverage)}", ""]
        more.append(
            f"{'property, low to high end':<28}{'softened mm':>12}{'cool s':>9}{'rise C':>9}"
        )
        for name, values in effects.items():
            more.append(f"{name:<28}{values[0]:>12.3f}{values[1]:>9.3f}{values[2]:>9.3f}")
        print("\n".join(more))
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "heat_study.txt").write_text(
            "\n".join(lines + more) + "\n", encoding="utf-8"
        )
        (given.out / "heat_study.json").write_text(
            json.dumps(report, indent=1), encoding="utf-8"
        )


if __name__ == "__main__":
    main()

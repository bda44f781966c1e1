"""How well does the computation of heat hold? A command, no test; takes some ten minutes.

    python tests/canal/heat_study.py --out out/heat      # heat_study.txt and heat_study.json

What a finer grid and shorter steps change; each published value (``heat_published.py``)
under its own conditions beside the computed interval, inside or not, and what decides.
The table of live answers has a command of its own, ``heat_table.py``.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.canal.heat import HeatResult, simulate
from assistant.canal.heat_grid import Grid
from assistant.canal.heating import Heating
from assistant.canal.instruments import Interval
from canal.heat_published import CANAL, Published, published
from canal.heat_range import (
    finer,
    hull,
    sets,
    simulate_all,
)

CYCLE = Heating(15.0, 11.0, 4.0)
QUESTIONS = {
    "4 mm in 4 s": CYCLE,
    "stands for 4 s": Heating(15.0, 15.0, 4.0),
    "3 mm in 0.5 s": Heating(15.0, 12.0, 0.5),
}


def convergence() -> list[dict[str, Any]]:
    """Cells and steps halved together and apart; ``off``: the default's error as a share of
    the finest's answer."""
    base = Grid()
    series = {
        "steps": [finer(base, 1, k) for k in (1, 2, 4, 8)],
        "cells": [finer(base, k, 1) for k in (1, 2, 4)],
        "both": [finer(base, k, k) for k in (1, 2, 4)],
    }
    rows = []
    for question, cycle in QUESTIONS.items():
        for name, grids in series.items():
            if name != "both" and cycle is not CYCLE:
                continue
            results_ = [simulate(CANAL, cycle, grid=grid) for grid in grids]
            found = np.array(
                [[r.softened_mm(), r.cool_s(), r.surface_rise_c] for r in results_]
            )
            for grid, answer in zip(grids, found, strict=True):
                rows.append(
                    {
                        "question": question,
                        "halved": name,
                        "row_mm": grid.row_mm,
                        "step_s": grid.step_s,
                        "answers": [round(float(value), 4) for value in answer],
                    }
                )
            with np.errstate(divide="ignore", invalid="ignore"):
                order = np.log2(np.abs((found[-2] - found[-3]) / (found[-1] - found[-2])))
            rows[-1]["order"] = [round(float(value), 2) for value in order]
            rows[-1]["off"] = [round(float(v), 3) for v in np.abs(found[0] / found[-1] - 1)]
            rows[-1]["imbalance"] = max(r.imbalance for r in results_)
    return rows


def verdict(one: Published, ends: Mapping[str, Interval]) -> str:
    """Whether the interval of what lay around the root (of one of those tried) holds the
    published one, to the tenth that papers give; a rise or a time cannot be under 0.

    Of a value that was told with one side only, whether the computed reaches it.
    """
    least = -math.inf if one.is_temperature else 0.0
    told = []
    for i in ends.values():
        low = math.floor(i.low * 10) / 10
        high = i.high if math.isinf(i.high) else math.ceil(i.high * 10) / 10
        below = low <= max(one.low, least) or (math.isinf(one.low) and low <= one.high)
        above = high >= one.high or (math.isinf(one.high) and high >= one.low)
        if below and above:
            return "inside"
        if high < one.low:
            told.append("OUTSIDE: computed lower")
        elif low > one.high:
            told.append("OUTSIDE: computed higher")
        else:
            told.insert(0, "in part")
    return told[0]


def _widened(low: float, high: float, base: float, share: float) -> Interval:
    """With the error of the grid, a share of the distance from ``base``, on both sides."""
    down, up = (share if end >= base else -share for end in (low, high))
    return Interval(base + (low - base) * (1 - down), base + (high - base) * (1 + up))


def comparison(n: int, grid_share: float) -> list[dict[str, Any]]:
    """Model's least, usual and greatest beside each published value."""
    rows = []
    known: dict[Any, list[list[HeatResult]]] = {}
    for one in published():
        parts: dict[str, list[float]] = {}
        usual: list[float] = []
        asked = itertools.product(one.around, one.cycles, one.roots)
        for (outside, around_c), cycles, root in asked:
            key = (one.shape, outside, around_c, cycles, root, tuple(one.fixed.items()))
            if key not in known:
                known[key] = [
                    simulate_all(
                        one.shape,
                        cycles,
                        replace(p, **one.fixed),
                        root,
                        outside=outside,
                        around_c=around_c,
                    )
                    for p in sets(n)
                ]
            read = [one.read(results) for results in known[key]]
            usual.append(read[0])
            parts.setdefault(f"{outside} at {around_c:g} C", []).extend(read)
        bases = [around_c if one.is_temperature else 0.0 for _, around_c in one.around]
        ends = {
            name: _widened(min(values), max(values), base, grid_share)
            for (name, values), base in zip(parts.items(), bases, strict=True)
        }
        whole = hull(list(ends.values()))
        rows.append(
            {
                "what": one.what,
                "published": [one.low, one.high],
                "computed": [whole.low, whole.high],
                "by_what_is_around": {name: [i.low, i.high] for name, i in ends.items()},
                "usual": [min(usual), max(usual)],
                "verdict": verdict(one, ends),
                "source": one.source,
                "conditions": one.conditions,
                "open": one.open,
                "why": one.why,
            }
        )
    return rows


def told(row: dict[str, Any]) -> list[str]:
    """One published value in lines."""

    def span(ends: list[float]) -> str:
        low, high = ends
        if math.isinf(low) or math.isinf(high):
            if math.isinf(low):
                return f"up to {high:.3g}"
            return f"over {low:.3g}"
        return f"{low:.3g} to {high:.3g}"

    parts = "; ".join(
        f"{name}: {span(ends)}" for name, ends in row["by_what_is_around"].items()
    )
    return [
        f"{row['what']}: measured {span(row['published'])}, computed {span(row['computed'])}: "
        f"{row['verdict']}",
        f"    {row['source']}: {row['conditions']}. Not told: {row['open']}.",
        f"    {parts if len(row['by_what_is_around']) > 1 else 'Around: ' + parts}."
        f" What decides: {row['why']}.",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("out/heat"))
    parser.add_argument("--sets", type=int, default=15, help="sets of properties")
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "Heat: published values and convergence", wanted=given.results):
        lines = [f"{'question':<16}{'halved':<8}row mm  step s  softened mm  firm s  rise C"]
        report: dict[str, Any] = {"convergence": convergence()}
        for row in report["convergence"]:
            soft, cool, rise = row["answers"]
            lines.append(
                f"{row['question']:<16}{row['halved']:<8}{row['row_mm']:6.3f}{row['step_s']:8.4f}"
                f"{soft:13.3f}{cool:8.3f}{rise:8.3f}"
                + (
                    f"  order {row['order']}, default off by {row['off']}"
                    if "order" in row
                    else ""
                )
            )
        grid_share = max(off for row in report["convergence"] for off in row.get("off", [0.0]))
        lines += ["", f"Grid: {grid_share:.3f} of each answer is inside the intervals.", ""]
        print("\n".join(lines), flush=True)
        report["comparison"] = comparison(given.sets, grid_share)
        more = [line for row in report["comparison"] for line in told(row)]
        inside = [row["verdict"] for row in report["comparison"]].count("inside")
        more += ["", f"{inside} of {len(report['comparison'])} inside.", ""]
        print("\n".join(more), flush=True)
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "heat_study.txt").write_text(
            "\n".join(lines + more) + "\n", encoding="utf-8"
        )
        (given.out / "heat_study.json").write_text(
            json.dumps(report, indent=1), encoding="utf-8"
        )


if __name__ == "__main__":
    main()

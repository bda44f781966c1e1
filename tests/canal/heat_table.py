"""Make the table of heat for live answers, and measure its error. A command, no test.

    python tests/canal/heat_table.py --write            # table and error, about 7 minutes
    python tests/canal/heat_table.py --points 60        # the error of the table there is

The error is the difference between the interpolated and the computed end of each
interval, on random questions inside the table that are not on it. It says nothing of how
well the computation meets a tooth (heat_study.py).
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import math
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from assistant.canal import heat_live
from assistant.canal.heat import Heating
from assistant.canal.heat_grid import Grid
from assistant.canal.model import CanalShape, TaperSegment
from assistant.canal.tissue import MOULDABLE_C, TABLE
from canal.heat_range import ANSWERS, SEED, SETS, heat_interval, root_with_wall

AXES: dict[str, list[float]] = {
    "diameter_mm": [0.3, 0.5, 0.8, 1.2, 1.7],
    "heat_s": [0.5, 2.0, 5.0, 12.0],
    "advance_mm": [0.0, 2.0, 6.0],
    "wall_mm": [0.8, 1.4, 2.5],
}
TAPER = 0.06
WL_MM = 20.0
TIP_MM = 15.0
DWELL_S, PRESS_S = 1.0, 5.0
FILE = Path(heat_live.__file__).with_name(heat_live.TABLE_FILE)


def fingerprint() -> str:
    """Changes with any number the table rests on that is data: properties, sets, cycle."""
    rests_on = [
        {name: known[:3] for name, known in TABLE.items()},
        [MOULDABLE_C.low, MOULDABLE_C.high, SETS, SEED],
        repr(Grid()),
        [TAPER, WL_MM, TIP_MM, DWELL_S, PRESS_S],
    ]
    return hashlib.sha256(json.dumps(rests_on).encode()).hexdigest()[:16]


def computed(
    diameter_mm: float, heat_s: float, advance_mm: float, wall_mm: float
) -> list[list[float]]:
    """The three intervals by the full computation, at a point of the table or between."""
    above = WL_MM - TIP_MM
    # The canal is given by its diameter at the tip; a narrow one tapers less below it.
    taper_below = min(TAPER, (diameter_mm - 0.15) / above)
    shape = CanalShape(
        WL_MM,
        diameter_mm - taper_below * above,
        (TaperSegment(above, taper_below), TaperSegment(math.inf, TAPER)),
    )
    cycle = Heating(TIP_MM, TIP_MM - advance_mm, heat_s, DWELL_S, PRESS_S)
    found = heat_interval(shape, cycle, root_with_wall(wall_mm, above))
    return [[interval.low, interval.high] for interval in found[:3]]


def make() -> list[Any]:
    """All points of the table, nested as the axes are."""
    lengths = [len(values) for values in AXES.values()]
    flat = []
    for number, point in enumerate(itertools.product(*AXES.values()), 1):
        flat.append(np.round(computed(*point), 4))
        if number % 30 == 0:
            print(f"{number} of {math.prod(lengths)} points", file=sys.stderr, flush=True)
    nested: list[Any] = np.array(flat).reshape(*lengths, 3, 2).tolist()
    return nested


def error(points: int, seed: int) -> dict[str, Any]:
    """Interpolated minus computed at random points, even on the stretched axes."""
    rng = np.random.default_rng(seed)
    differences = []
    for _ in range(points):
        point = {}
        for name, nodes in AXES.items():
            low, high = sorted(heat_live.stretched(name, end) for end in (nodes[0], nodes[-1]))
            point[name] = _unstretched(name, rng.uniform(low, high))
        live = heat_live.live_heat(**point)
        quick = [[interval.low, interval.high] for interval in live[:3]]
        differences.append(np.array(quick) - np.array(computed(**point)))
    off = np.abs(differences)
    report: dict[str, Any] = {"n": points, "seed": seed}
    for index, name in enumerate(ANSWERS):
        for end, side in enumerate(("low", "high")):
            column = off[:, index, end]
            report[f"{name}_{side}"] = {
                "max": round(float(column.max()), 3),
                "p95": round(float(np.percentile(column, 95)), 3),
                "median": round(float(np.median(column)), 3),
            }
    return report


def _unstretched(name: str, value: float) -> float:
    match name:
        case "diameter_mm":
            return math.exp(value)
        case "wall_mm":
            return 1 / value
        case _:
            return value**2


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="make the table anew")
    parser.add_argument("--points", type=int, default=60, help="points for the error")
    parser.add_argument("--seed", type=int, default=7)
    given = parser.parse_args()
    began = time.process_time()
    if given.write:
        made: dict[str, Any] = {
            "made_by": "tests/canal/heat_table.py --write",
            "fingerprint": fingerprint(),
            "axes": AXES,
            "cycle": {
                "dwell_s": DWELL_S,
                "press_s": PRESS_S,
                "taper": TAPER,
                "tip_above_end_mm": WL_MM - TIP_MM,
                "mouldable_c": [MOULDABLE_C.low, MOULDABLE_C.high],
                "sets": SETS + 1,
                "sets_seed": SEED,
            },
            "answers": list(ANSWERS),
            "values": make(),
        }
        FILE.write_text(json.dumps(made) + "\n", encoding="utf-8")
        print(f"table made in {time.process_time() - began:.0f} s of processor time")
        made["error"] = error(given.points, given.seed)
        FILE.write_text(json.dumps(made) + "\n", encoding="utf-8")
        print(json.dumps(made["error"], indent=1))
    else:
        if heat_live.table()["fingerprint"] != fingerprint():
            print("the table rests on other properties than the code has: run with --write")
        print(json.dumps(error(given.points, given.seed), indent=1))
    print(f"{time.process_time() - began:.0f} s of processor time in all")


if __name__ == "__main__":
    main()

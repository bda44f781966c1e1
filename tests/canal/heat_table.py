"""Make the table of heat for live answers, and measure its error. A command, no test.

    python tests/canal/heat_table.py --write     # table and error, 15 minutes of one core
    python tests/canal/heat_table.py --check 12  # the error of the table there is
    python tests/canal/heat_table.py --nodes 4   # are its points what is computed? some drawn
    python tests/canal/heat_table.py --time      # ms for the live answers of a cycle, goal 12

The error is the difference between the interpolated end of each interval and the one
computed on a finer grid, on random questions inside the table that share no point with it:
one half of them says by how much the answers are widened, the other how many of the widened
intervals hold what was computed. It says nothing of how well the computation meets a tooth
(heat_study.py).
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from assistant.canal import heat_live
from assistant.canal.heat import HeatResult, simulate
from assistant.canal.heat_grid import Grid, Root
from assistant.canal.heating import Heating, Source
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape, TaperSegment, prepared
from assistant.canal.tissue import (
    BODY_C,
    BONE_RISE_C,
    MOULDABLE_C,
    TABLE,
    Properties,
)
from canal.heat_range import (
    ANSWERS,
    TILT,
    directions,
    finer,
    tilted,
    with_shares,
)

AXES: dict[str, list[float]] = {
    "diameter_mm": [0.35, 0.6, 1.0, 1.7],
    "heat_s": [0.5, 2.0, 5.0, 12.0],
    "advance_mm": [0.0, 1.5, 5.0],
    "wall_mm": [0.5, 1.0, 2.5],
    "carrier_c": [60.0, 90.0, 140.0, 220.0, 380.0],
}
COMPUTED_AT_C = 140.0
"""The one carrier that is computed. Heat conduction is linear but for melting, so a carrier
of another temperature does the same with levels in proportion; what melting adds is in the
measured error."""
TAPER = 0.06
WL_MM = 20.0
TIP_MM = 15.0
DWELL_S, PRESS_S = 1.0, 5.0
FOLLOWED_S = heat_live.LEFT_S[-1] + 1.0
NODE_WITHIN = 1e-3
"""What other processors may make of the last figure that is kept."""
FILE = Path(heat_live.__file__).with_name(heat_live.TABLE_FILE)


def fingerprint() -> str:
    """Changes with any number the table rests on that is data: properties, sets, cycle."""
    rests_on = [
        {name: known[:3] for name, known in TABLE.items()},
        [MOULDABLE_C.low, MOULDABLE_C.high, TILT],
        repr(Grid()),
        [TAPER, WL_MM, TIP_MM, DWELL_S, PRESS_S, heat_live.LEFT_S],
    ]
    return hashlib.sha256(json.dumps(rests_on).encode()).hexdigest()[:16]


def chosen_sets() -> list[dict[str, float]]:
    """Shares of the four sets of properties, tilted by their effects on a carrier that moves
    and on one that stands. How hot it is is an axis, not one of them."""
    canal = prepared(WL_MM, 30, TAPER)
    moves, stands = (
        directions(
            canal,
            Heating(TIP_MM, TIP_MM - advance, 4.0, source=Source(200.0)),
            Root.with_wall(1.0, 5.0),
        )
        for advance in (3.0, 0.0)
    )
    effects = {
        name: (
            (0.0, 0.0, 0.0)
            if name == "carrier_reached"
            else tuple(a + b for a, b in zip(moves[name], stands[name], strict=True))
        )
        for name in moves
    }
    return list(tilted(effects))  # type: ignore[arg-type]


def _properties(sets: Sequence[dict[str, float]]) -> list[Properties]:
    return [replace(with_shares(shares), carrier_reached=1.0) for shares in sets]


def computed(
    sets: Sequence[dict[str, float]],
    diameter_mm: float,
    heat_s: float,
    advance_mm: float,
    wall_mm: float,
    carrier_c: float,
    grid: Grid | None = None,
) -> list[HeatResult]:
    """The full computation, one for each set of properties."""
    above = WL_MM - TIP_MM
    # The canal is given by its diameter at the tip; a narrow one tapers less below it.
    taper_below = min(TAPER, (diameter_mm - 0.15) / above)
    shape = CanalShape(
        WL_MM,
        diameter_mm - taper_below * above,
        (TaperSegment(above, taper_below), TaperSegment(math.inf, TAPER)),
    )
    cycle = Heating(
        TIP_MM, TIP_MM - advance_mm, heat_s, DWELL_S, PRESS_S, source=Source(carrier_c)
    )
    root = Root.with_wall(wall_mm, above)
    return [
        simulate(shape, cycle, p, root, grid, followed_s=FOLLOWED_S) for p in _properties(sets)
    ]


def ends(results: Sequence[HeatResult], as_hot: float = 1.0) -> list[float]:
    """Low and high ends of the three answers, of a carrier whose rise over the body is
    ``as_hot`` times that of the computed one."""
    levels = [BODY_C + (c - BODY_C) / as_hot for c in (MOULDABLE_C.low, MOULDABLE_C.high)]
    soft = [r.softened_mm(level) for r in results for level in levels]
    cool = [r.cool_s(level) for r in results for level in levels]
    rise = [r.surface_rise_c * as_hot for r in results]
    return [
        *(min(soft), max(soft)),
        *(min(cool), min(max(cool), FOLLOWED_S)),
        *(min(rise), max(rise)),
    ]


def at_node(sets: Sequence[dict[str, float]], node: tuple[float, ...]) -> list[list[float]]:
    """The values of the table at a diameter, time, advance and wall, carrier by carrier;
    rises as logarithms per degree."""
    diameter, heat, advance, wall = node
    results = computed(sets, diameter, heat, advance, wall, COMPUTED_AT_C)
    left = np.array([[r.left_c(s) for s in heat_live.LEFT_S] for r in results]).max(axis=0)
    rise_c = COMPUTED_AT_C - BODY_C
    rows = []
    for carrier_c in AXES["carrier_c"]:
        found = ends(results, (carrier_c - BODY_C) / rise_c)
        rises = [*(end / (carrier_c - BODY_C) for end in found[4:]), *left.T.ravel() / rise_c]
        logs = np.log(np.maximum(rises, 1e-6))
        rows.append([round(float(v), 4) for v in (*found[:4], *logs)])
    return rows


def make(sets: Sequence[dict[str, float]]) -> list[Any]:
    """All points of the table, nested as the axes are."""
    *others, _ = AXES.values()
    flat: list[list[float]] = []
    for number, node in enumerate(itertools.product(*others), 1):
        flat += at_node(sets, node)
        if number % 8 == 0:
            print(f"{number} points", file=sys.stderr, flush=True)
    lengths = [len(values) for values in AXES.values()]
    nested: list[Any] = np.array(flat).reshape(*lengths, -1).tolist()
    return nested


def nodes_off(number: int, seed: int) -> float:
    """The largest difference between the table and what is computed, at nodes drawn from it,
    each of its values in its own unit (mm, s, logarithm)."""
    made = heat_live.table()
    values = np.array(made["values"])
    rng = np.random.default_rng(seed)
    *others, _ = AXES.values()
    drawn = rng.choice(math.prod(map(len, others)), number, replace=False)
    worst = 0.0
    for at in zip(*np.unravel_index(drawn, [len(one) for one in others]), strict=True):
        node = tuple(axis[int(i)] for axis, i in zip(others, at, strict=True))
        off = float(np.abs(np.array(at_node(made["sets"], node)) - values[at]).max())
        print(f"diameter, heat, advance, wall {node}: off by at most {off:.4f}", flush=True)
        worst = max(worst, off)
    return worst


def live_ms(number: int, seed: int) -> list[float]:
    """Processor time of all live answers of a cycle at random questions, ms, the table read:
    what the heating did after two others, the longest the next may be, how long to wait."""
    asked = [
        heat_live.Question(diameter, heat, advance, wall, Interval(0.8 * carrier, carrier))
        for diameter, heat, advance, wall, carrier in questions(number + 2, seed)
    ]
    heat_live.live_heat(asked[0])
    took = []
    for before, last, now in zip(asked, asked[1:], asked[2:], strict=False):
        began = time.process_time()
        earlier = [(before, 40.0), (last, 10.0)]
        left = heat_live.left_by(earlier)
        heat_live.live_heat(now, left)
        heat_live.longest_heat_s(now, BONE_RISE_C, left)
        heat_live.wait_s(now, BONE_RISE_C, earlier)
        took.append((time.process_time() - began) * 1000)
    return took


def questions(number: int, seed: int) -> list[tuple[float, ...]]:
    """Random points inside the table, even on the stretched axes, each its own in every
    axis (a Latin hypercube): moving and standing, hot and cool, thin and thick."""
    rng = np.random.default_rng(seed)
    columns = []
    for name, nodes in AXES.items():
        low, high = sorted(heat_live.stretched(name, end) for end in (nodes[0], nodes[-1]))
        shares = (rng.permutation(number) + rng.random(number)) / number
        columns.append([_unstretched(name, low + (high - low) * share) for share in shares])
    return list(zip(*columns, strict=True))


def differences(
    sets: Sequence[dict[str, float]], asked: Sequence[tuple[float, ...]], grid: Grid
) -> list[dict[str, Any]]:
    """The live answers, not widened unless the table says so, beside the computed ones."""
    rows = []
    for diameter, heat, advance, wall, carrier in asked:
        question = heat_live.Question(diameter, heat, advance, wall, Interval(carrier, carrier))
        live = heat_live.live_heat(question)
        found = ends(computed(sets, diameter, heat, advance, wall, carrier, grid))
        rows.append(
            {
                "asked": [round(float(v), 3) for v in (diameter, heat, advance, wall, carrier)],
                "live": [round(end, 4) for i in live[:3] for end in (i.low, i.high)],
                "computed": [round(v, 4) for v in found],
            }
        )
    return rows


def widening(rows: Sequence[dict[str, Any]]) -> dict[str, float]:
    """The least that brings every computed end of these into its interval."""
    live, found = (np.array([row[key] for row in rows]) for key in ("live", "computed"))
    sign = np.array([1, -1] * 3)
    short = np.maximum(0.0, (live - found) * sign)  # computed lies outside by so much
    cool = np.maximum(0.0, short[:, 2:4] - 0.5) / np.maximum(live[:, 2:4], 1e-9)
    return {
        "softened_mm": _up(short[:, 0:2].max()),
        "cool_s": 0.5,
        "cool_share": _up(np.where(live[:, 2:4] > 1e-9, cool, 0.0).max()),
        "rise_low_share": _up((short[:, 4] / live[:, 4]).max()),
        "rise_share": _up((short[:, 5] / live[:, 5]).max()),
    }


def _up(value: float) -> float:
    return math.ceil(value * 1000) / 1000


def held(rows: Sequence[dict[str, Any]]) -> dict[str, str]:
    """How many of the widened intervals hold the computed ones, answer by answer."""
    live, found = (np.array([row[key] for row in rows]) for key in ("live", "computed"))
    return {
        name: "{} of {}".format(
            int(
                np.sum(
                    (live[:, 2 * k] <= found[:, 2 * k] + 1e-3)
                    & (live[:, 2 * k + 1] >= found[:, 2 * k + 1] - 1e-3)
                )
            ),
            len(rows),
        )
        for k, name in enumerate(ANSWERS)
    }


def _unstretched(name: str, value: float) -> float:
    match name:
        case "diameter_mm" | "heat_s":
            return math.exp(value)
        case "carrier_c":
            return BODY_C + math.exp(value)
        case "advance_mm":
            return value**2
        case _:
            return value


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="make the table anew")
    parser.add_argument("--check", type=int, default=12, help="questions for each half")
    parser.add_argument("--nodes", type=int, help="compute so many nodes of the table anew")
    parser.add_argument("--time", action="store_true", help="time of a live answer")
    parser.add_argument("--seed", type=int, default=7)
    given = parser.parse_args()
    began = time.process_time()
    if given.time:
        took = np.percentile(live_ms(300, given.seed), [50, 95, 100])
        print(
            "Live answers of 300 cycles: median {:.2f}, 95 % {:.2f}, longest {:.2f} ms".format(
                *took
            )
        )
    if given.nodes:
        worst = nodes_off(given.nodes, given.seed)
        took_s = time.process_time() - began
        print(
            f"{given.nodes} nodes, off by at most {worst:.4f}, {took_s:.0f} s of processor time"
        )
        if worst > NODE_WITHIN:
            sys.exit("The table is not what is computed: make it anew with --write.")
    if given.time or given.nodes:
        return
    grid = finer(Grid(), 2, 2)
    nothing = dict.fromkeys(
        ("softened_mm", "cool_s", "cool_share", "rise_low_share", "rise_share"), 0.0
    )
    if given.write:
        sets = chosen_sets()
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
            },
            "sets": sets,
            "off": nothing,
            "values": make(sets),
        }
        print(
            f"table made in {time.process_time() - began:.0f} s of processor time", flush=True
        )
        _write(made)
        rows = differences(sets, questions(given.check, given.seed), grid)
        made["off"] = widening(rows)
        made["error"] = {"n": given.check, "seed": given.seed, "rows": rows}
        _write(made)
    made = heat_live.table()
    if made["fingerprint"] != fingerprint():
        print("the table rests on other properties than the code has: run with --write")
    rows = differences(made["sets"], questions(given.check, given.seed + 1), grid)
    print("\n".join(map(str, rows)))
    told = {"n": given.check, "seed": given.seed + 1, **held(rows)}
    print(f"widened by {made['off']}; fresh questions inside: {told}")
    if given.write:
        _write({**made, "fresh": told})
    print(f"{time.process_time() - began:.0f} s of processor time in all")


def _write(made: dict[str, Any]) -> None:
    FILE.write_text(json.dumps(made) + "\n", encoding="utf-8")
    for cached in (heat_live.table, heat_live._prepared):
        cached.cache_clear()


if __name__ == "__main__":
    main()

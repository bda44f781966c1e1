"""Answers about heat while the clinician waits: a table made beforehand, interpolated.

``tests/canal/heat_table.py --write`` computes the table with ``heat_interval`` beside it
and measures its error on questions that are not in it; both stand in
``heat_table.json`` beside this file. The taper is no axis: from .04 to .10 it changes the
softened depth by 0.02 mm and the surface rise by a tenth. Numpy only: importing scipy costs
half a second.
"""

from __future__ import annotations

import itertools
import json
import math
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.canal.instruments import Interval

TABLE_FILE = "heat_table.json"

AXES = ("diameter_mm", "heat_s", "advance_mm", "wall_mm")
"""In the order of the table: canal at the carrier's deepest point, time switched on,
advance during it, root wall at that point."""


class LiveHeat(NamedTuple):
    """What one heating does, as intervals over unknown properties.

    Attributes:
        softened_mm: below the carrier's deepest point, by conduction alone.
        cool_s: from the carrier's removal until the mass is below mouldable.
        surface_rise_c: largest rise at the root's surface.
        inside: whether the question lay within the table; if not, the answers are those of
            its nearest edge, and no more than a hint.
    """

    softened_mm: Interval
    cool_s: Interval
    surface_rise_c: Interval
    inside: bool


class _Table(NamedTuple):
    axes: tuple[NDArray[np.float64], ...]
    values: NDArray[np.float64]  # axes..., answer, low and high


@cache
def table() -> dict[str, Any]:
    """The table as it was written: axes, values, how it was made, and its measured error.

    ``table()["error"]``: interpolated against computed ends of the intervals at random
    questions within the table (n, greatest, 95th percentile, median).
    """
    text = (files("assistant.canal") / TABLE_FILE).read_text(encoding="utf-8")
    read: dict[str, Any] = json.loads(text)
    return read


def stretched(axis: str, value: float) -> float:
    """A value on the scale on which the answers run nearly straight.

    The logarithm of the diameter, the root of a time (heat spreads with it) and of the
    advance, the inverse of the wall (it is a resistance).
    """
    match axis:
        case "diameter_mm":
            return math.log(value)
        case "wall_mm":
            return 1 / value
        case _:
            return math.sqrt(value)


@cache
def _prepared() -> _Table:
    read = table()
    axes = tuple(np.array([stretched(name, v) for v in read["axes"][name]]) for name in AXES)
    return _Table(axes, np.array(read["values"], dtype=np.float64))


def live_heat(
    diameter_mm: float, heat_s: float, advance_mm: float, wall_mm: float | None = None
) -> LiveHeat:
    """What the heating does, in well under a millisecond once the table is read.

    ``diameter_mm``: canal at the carrier's deepest point. ``heat_s``: switched on so long.
    ``advance_mm``: how far it went meanwhile, 0 if it stood. ``wall_mm``: dentine and
    cementum there; None, when nobody knows, takes all walls of the table together. The
    dwell, the press and the distance to the end of the canal are those of the table
    (``table()["cycle"]``).

    Raises:
        ValueError: a value that is not a finite number, or not over 0 (advance: under 0).
    """
    asked = {
        "diameter_mm": diameter_mm,
        "heat_s": heat_s,
        "advance_mm": advance_mm,
        **({} if wall_mm is None else {"wall_mm": wall_mm}),
    }
    for name, value in asked.items():
        least_ok = value >= 0 if name == "advance_mm" else value > 0
        if not (math.isfinite(value) and least_ok):
            raise ValueError(f"{name} is {value:g}; a finite number over 0 is needed")
    axes, values = _prepared()
    inside = True
    weights: list[list[tuple[int, float]]] = []
    for name, nodes in zip(AXES, axes, strict=True):
        if name not in asked:
            continue
        known = table()["axes"][name]
        inside = inside and known[0] <= asked[name] <= known[-1]
        weights.append(_weights(nodes, stretched(name, asked[name])))
    mixed = np.zeros(values.shape[len(weights) :])
    for corner in itertools.product(*weights):
        share = math.prod(part for _, part in corner)
        mixed = mixed + share * values[tuple(index for index, _ in corner)]
    if wall_mm is None:
        # Straight between the nodes of the wall, so its extremes are at nodes.
        low, high = mixed[:, :, 0].min(axis=0), mixed[:, :, 1].max(axis=0)
    else:
        low, high = mixed[:, 0], mixed[:, 1]
    softened, cool, rise = (
        Interval(float(a), float(b)) for a, b in zip(low, high, strict=True)
    )
    return LiveHeat(softened, cool, rise, inside)


def _weights(nodes: NDArray[np.float64], value: float) -> list[tuple[int, float]]:
    """Nodes on either side of a value and their shares; beyond the ends the end alone."""
    at = np.interp(value, *_ordered(nodes))
    left = min(int(at), len(nodes) - 2)
    return [(left, float(left + 1 - at)), (left + 1, float(at - left))]


def _ordered(nodes: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    places = np.arange(len(nodes), dtype=np.float64)
    return (nodes, places) if nodes[0] < nodes[-1] else (nodes[::-1], places[::-1])

"""Answers about heat while the clinician waits: a table made beforehand, interpolated.

``tests/canal/heat_table.py --write`` computes the table and measures its error, grid and
interpolation together, against a finer grid on questions that share no point with it; both
stand in ``heat_table.json`` beside this file, and every answer is wider by that error. The
taper is no axis: from .04 to .10 it changes the softened depth by 0.02 mm and the surface
rise by a tenth. Numpy only: importing scipy costs half a second.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.canal.heating import UNKNOWN_SOURCE, Source
from assistant.canal.instruments import Interval
from assistant.canal.tissue import BODY_C, MOULDABLE_C, TABLE

TABLE_FILE = "heat_table.json"

AXES = ("diameter_mm", "heat_s", "advance_mm", "wall_mm", "carrier_c")
"""In the order of the table: canal at the carrier's deepest point, time switched on,
advance during it, root wall at that point, temperature that the carrier reaches."""

LEFT_S = (0.0, 5.0, 10.0, 20.0, 40.0, 80.0)
"""After the removal: what is left then and later at the surface, and in the mass."""

_SOFT, _COOL, _RISE, _LEFT = slice(0, 2), slice(2, 4), slice(4, 6), slice(6, None)
_MELTS_C = 60.0
"""A carrier that goes into the mass is no cooler (peak of melting, Miner et al., J Endod
2006;32:683, abstract)."""

_TO_SOFT_C = MOULDABLE_C.low - BODY_C
_MOST_MASS_C = 0.8 * _TO_SOFT_C  # of heat left in the mass; with more it would be soft still


def carrier_c(source: Source = UNKNOWN_SOURCE) -> Interval:
    """Between which temperatures a carrier lies: its setting is the high end; its measured
    curve, where there is one, from the mean to the peak."""
    if source.curve:
        temps = [c for _, c in source.curve]
        return Interval(math.fsum(temps) / len(temps), max(temps))
    least_c = BODY_C + TABLE["carrier_reached"].low * (source.setting_c - BODY_C)
    return Interval(min(source.setting_c, max(_MELTS_C, least_c)), source.setting_c)


UNKNOWN_C = carrier_c()
"""Of a carrier of which nothing is said."""


@dataclass(frozen=True, slots=True)
class Question:
    """One heating, or one to come.

    Attributes:
        diameter_mm: canal at the carrier's deepest point.
        heat_s: switched on so long.
        advance_mm: how far it went meanwhile, 0 if it stood.
        wall_mm: dentine and cementum there; None, when nobody knows, takes all walls of the
            table together.
        carrier_c: between which temperatures the carrier was.

    The dwell, the press and the distance to the end of the canal are those of the table
    (``table()["cycle"]``).

    Raises:
        ValueError: a value that is not a finite number, or not over 0 (advance: under 0).
    """

    diameter_mm: float
    heat_s: float
    advance_mm: float
    wall_mm: float | None = None
    carrier_c: Interval = UNKNOWN_C

    def __post_init__(self) -> None:
        for name in AXES[:4]:
            value = getattr(self, name)
            if value is None:
                continue
            least_ok = value >= 0 if name == "advance_mm" else value > 0
            if not (math.isfinite(value) and least_ok):
                raise ValueError(f"{name} is {value:g}; a finite number over 0 is needed")


class Left(NamedTuple):
    """The most that earlier cycles can have left, C: at the root's surface, in the mass."""

    surface_c: float = 0.0
    mass_c: float = 0.0


COLD = Left()


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
    values: NDArray[np.float64]  # axes..., answers as sliced above; rises per degree, log
    off: dict[str, float]


@cache
def table() -> dict[str, Any]:
    """The table as it was written: axes, values, how it was made, and its measured error.

    ``table()["error"]``: interpolated against computed ends of the intervals at random
    questions within the table; ``table()["off"]``: by how much every answer is widened.
    """
    text = (files("assistant.canal") / TABLE_FILE).read_text(encoding="utf-8")
    read: dict[str, Any] = json.loads(text)
    return read


def stretched(axis: str, value: float) -> float:
    """A value on the scale on which the answers run nearly straight.

    The logarithm of the diameter, the time and the carrier's rise, the root of the advance;
    the wall as it is, since the logarithm of a rise falls evenly with it.
    """
    match axis:
        case "diameter_mm" | "heat_s":
            return math.log(value)
        case "carrier_c":
            return math.log(max(1.0, value - BODY_C))
        case "advance_mm":
            return math.sqrt(value)
        case _:
            return value


@cache
def _prepared() -> _Table:
    read = table()
    axes = tuple(np.array([stretched(name, v) for v in read["axes"][name]]) for name in AXES)
    return _Table(axes, np.array(read["values"], dtype=np.float64), read["off"])


def _mixed(asked: dict[str, float | None]) -> NDArray[np.float64]:
    """Answers interpolated along the axes asked for; the others stay, in their order."""
    axes, values, _ = _prepared()
    kept = 0
    for name, nodes in zip(AXES, axes, strict=True):
        value = asked.get(name)
        if value is None:
            kept += 1
            continue
        left, share = _between(nodes, stretched(name, value))
        low, high = values.take(left, kept), values.take(left + 1, kept)
        values = np.asarray(low + share * (high - low))
    return values


def _between(nodes: NDArray[np.float64], value: float) -> tuple[int, float]:
    """The node before a value and how far on it is; beyond the ends the end alone."""
    at = float(np.interp(value, nodes, np.arange(len(nodes))))
    left = min(int(at), len(nodes) - 2)
    return left, at - left


def _asked(question: Question, carrier: float, *, heat: bool = True) -> dict[str, float | None]:
    return {
        "diameter_mm": question.diameter_mm,
        "heat_s": question.heat_s if heat else None,
        "advance_mm": question.advance_mm,
        "wall_mm": question.wall_mm,
        "carrier_c": carrier,
    }


def _ends(question: Question, carrier: float, part: slice) -> tuple[float, float]:
    """Low and high end of one answer for a carrier so hot, over all walls if unknown."""
    # Straight between the nodes of the wall, so its extremes are at nodes.
    found = _mixed(_asked(question, carrier))[..., part].reshape(-1, 2)
    return float(found[:, 0].min()), float(found[:, 1].max())


def live_heat(question: Question, left: Left = COLD) -> LiveHeat:
    """What the heating does, in well under a millisecond once the table is read.

    ``left`` is added to the high ends. At the surface a sum of rises is never less than the
    rise of both together; in the mass it stands for a carrier so much hotter.
    """
    off, carrier = _prepared().off, question.carrier_c
    nearer = _TO_SOFT_C / (_TO_SOFT_C - min(left.mass_c, _MOST_MASS_C))
    warmer = BODY_C + (carrier.high - BODY_C) * nearer
    soft_low, _ = _ends(question, carrier.low, _SOFT)
    _, soft_high = _ends(question, warmer, _SOFT)
    cool_low, _ = _ends(question, carrier.low, _COOL)
    _, cool_high = _ends(question, warmer, _COOL)
    rise_low, _ = _ends(question, carrier.low, _RISE)
    _, rise_high = _ends(question, carrier.high, _RISE)
    low_c, high_c = carrier.low - BODY_C, carrier.high - BODY_C
    known = table()["axes"]
    inside = all(
        known[name][0] <= value <= known[name][-1]
        for end in (carrier.low, carrier.high)
        for name, value in _asked(question, end).items()
        if value is not None
    )
    return LiveHeat(
        Interval(max(0.0, soft_low - off["softened_mm"]), soft_high + off["softened_mm"]),
        Interval(
            max(0.0, cool_low * (1 - off["cool_share"]) - off["cool_s"]),
            cool_high * (1 + off["cool_share"]) + off["cool_s"],
        ),
        Interval(
            low_c * math.exp(rise_low) * (1 - off["rise_low_share"]),
            high_c * math.exp(rise_high) * (1 + off["rise_share"]) + left.surface_c,
        ),
        inside,
    )


def left_by(earlier: Sequence[tuple[Question, float]], more_s: float = 0.0) -> Left:
    """The most that earlier heatings left, each so many seconds after its removal, and
    ``more_s`` later.

    Their surfaces are not the same place, so the sum of the greatest is a bound; beyond the
    last moment of the table what it holds then is kept.
    """
    most = np.zeros(2)
    for question, after_s in earlier:
        most += _left(question, np.array([max(0.0, after_s) + more_s]))[:, 0]
    return Left(float(most[0]), float(most[1]))


def _left(question: Question, after_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """What is left of one heating: C, (surface and mass, moments)."""
    carrier, off = question.carrier_c.high, _prepared().off["rise_share"]
    logs = _mixed(_asked(question, carrier))[..., _LEFT].reshape(-1, 2, len(LEFT_S)).max(axis=0)
    at = [np.interp(np.log1p(after_s), np.log1p(LEFT_S), row) for row in logs]
    found: NDArray[np.float64] = np.exp(np.array(at)) * ((carrier - BODY_C) * (1 + off))
    return found


def longest_heat_s(question: Question, limit_c: float, left: Left = COLD) -> float:
    """The longest heat, in whole tenths, at which the high end of the rise stays under a
    limit; 0 if even the shortest of the table does not, its longest if all do."""
    _, _, off = _prepared()
    found = _mixed(_asked(question, question.carrier_c.high, heat=False))[..., _RISE.stop - 1]
    logs = found if found.ndim == 1 else found.max(axis=tuple(range(1, found.ndim)))
    room_c = (limit_c - left.surface_c) / (1 + off["rise_share"])
    rising = np.maximum.accumulate(logs)
    if room_c <= 0 or math.log(room_c / (question.carrier_c.high - BODY_C)) <= rising[0]:
        return 0.0
    wanted = math.log(room_c / (question.carrier_c.high - BODY_C))
    heats = [stretched("heat_s", s) for s in table()["axes"]["heat_s"]]
    return math.floor(math.exp(float(np.interp(wanted, rising, heats))) * 10 + 1e-6) / 10


def wait_s(
    question: Question, limit_c: float, earlier: Sequence[tuple[Question, float]]
) -> float | None:
    """How much longer to wait, in whole seconds, until the high end of a heating stays under
    a limit; 0 if it does now, None if no wait that the table knows is long enough.

    ``earlier``: as for :func:`left_by`, seconds as of now.
    """
    room_c = limit_c - live_heat(question).surface_rise_c.high
    more_s = np.arange(LEFT_S[-1] + 1)
    left = np.zeros_like(more_s)
    for one, after_s in earlier:
        left += _left(one, max(0.0, after_s) + more_s)[0]
    enough = np.flatnonzero(left < room_c)
    return float(more_s[enough[0]]) if enough.size else None

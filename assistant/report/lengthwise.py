"""A canal cut lengthwise, in numbers: what the computed page and the room's page both draw.

Every profile is a run of points, depth from the reference point and full width there, both
in mm, from the deepest to the shallowest or the other way round; empty where size, taper or
length are not known yet. Widths are nominal.
"""

from __future__ import annotations

from dataclasses import dataclass

from assistant.canal.fit import ConeFit
from assistant.canal.model import CanalShape
from assistant.canal.plan import Increment
from assistant.canal.pluggers import Plugger
from assistant.canal.points import Point
from assistant.progress import reckoning
from assistant.progress.facts import number
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.report import rounds

Profile = tuple[tuple[float, float], ...]

_PIECES = 40
"""Pieces of the wall and the cone; tapers are straight, so only where one ends is cut off."""


@dataclass(frozen=True, slots=True)
class Lengthwise:
    """What is in the canal, and what is planned for it.

    Attributes:
        wall: the prepared canal, from the reference point to the working length.
        cone: the cone as fitted, from its tip up to the reference point; once it was seared
            off, up to there.
        mass: what the downpack left, from the cone's tip to its top, as wide as the canal;
            empty while the whole cone stands there. Under a post it ends lower.
        filled: backfill increments that were made, with their volumes.
        planned: those that are still to come.
    """

    wall: Profile = ()
    cone: Profile = ()
    mass: Profile = ()
    filled: tuple[Increment, ...] = ()
    planned: tuple[Increment, ...] = ()


def lengthwise(state: CaseState, canal: str) -> Lengthwise:
    """The cut through ``canal`` as it is now, from the entries that stand."""
    shape, back = reckoning.shape(state, canal), reckoning.backfill(state, canal)
    filled, planned = _filled(state, canal, shape), back.increments if back else ()
    if shape is None:
        return Lengthwise(filled=filled, planned=planned)
    wall = profile(shape, 0.0, shape.wl_mm)
    cone, fit = reckoning.master_cone(state, canal), reckoning.cone(state, canal)
    if cone is None or fit is None:
        return Lengthwise(wall, filled=filled, planned=planned)
    post = number(state.newest(canal, Role.POST_LEVEL))
    top = rounds.downpack_top_mm(state, canal) if post is None else post
    mass = () if top is None else profile(shape, fit.nominal_stop_mm, top)
    return Lengthwise(wall, _cone(shape, cone, fit, top or 0.0), mass, filled, planned)


def instrument(tool: Plugger, tip_mm: float) -> Profile:
    """A plugger or heat carrier with its tip at a depth, up to the reference point."""
    return ((tip_mm, tool.tip_mm), (0.0, tool.profile.diameter_mm(tip_mm)))


def profile(shape: CanalShape, from_mm: float, to_mm: float) -> Profile:
    """The canal's own width between two depths."""
    step = (to_mm - from_mm) / _PIECES
    depths = [from_mm + step * piece for piece in range(_PIECES + 1)]
    return tuple((depth, shape.diameter_mm(depth)) for depth in depths)


def _cone(shape: CanalShape, cone: Point, fit: ConeFit, top_mm: float) -> Profile:
    """Never wider than the canal: where they are equal it touches the wall."""
    tip = fit.nominal_stop_mm
    step = max(0.0, tip - top_mm) / _PIECES
    points = []
    for piece in range(_PIECES + 1):
        above = step * piece
        depth = tip - above
        points.append((depth, min(cone.diameter_mm(above), shape.diameter_mm(depth))))
    return tuple(points)


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

"""Canals as strips to scale: depths and words for the page, no pixels.

Every number comes from the record or the protocol. Which quantities are depths of an
instrument is read off the protocol's rule about the depth limit.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict

from assistant.progress import reckoning
from assistant.progress.facts import EPSILON_MM, fill_top_mm, number, text_of
from assistant.progress.state import CaseState, Track
from assistant.protocol.model import AT_CANALS, FINISHED, Protocol, Step
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.drawing import DrawnDepths, depths_of
from assistant.report.lengthwise import Lengthwise, Profile, instrument, lengthwise
from assistant.report.marks import plain
from assistant.words.sayings import Wording

MarkKind = Literal[
    "length", "limit", "instrument", "heat", "sear", "coronal", "fill", "planned"
]

_ROOM_MM = 1.5
"""How much ruler there is below the deepest thing drawn."""

_SHORT = {
    "mesio": "M",
    "disto": "D",
    "middle": "M",
    "second": "2",
    "third": "3",
    "labial": "La",
}
"""Words of a canal's name and what stands for them; of any other word its first letter."""

_LEAST_MM = 10.0
"""Length of the ruler while only small depths are known."""


class Shown(BaseModel):
    """Base of what goes to the page: no field can be NaN or infinite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Mark(Shown):
    """One depth to letter beside a strip, as its name and its value ("limit", "16 mm").

    ``beyond`` is deeper than the limit; ``in_use`` is the instrument that is in the canal
    now, as far as was told: the newest depth. What matters now is lettered ``large``.

    ``outline`` is the instrument in use, depth and width in mm like :attr:`Strip.outline`:
    the widest of the practice's own set that goes there without contact, for which of them
    was taken is not told. ``drawn_as`` says so; where none is known it says that, and the
    outline is empty.
    """

    kind: MarkKind
    depth_mm: float
    name: str
    value: str
    beyond: bool = False
    in_use: bool = False
    large: bool = True
    outline: Profile = ()
    drawn_as: str = ""


class Fill(Shown):
    """A stretch that holds gutta-percha, in mm of depth; ``number`` 0 is the apical one."""

    top_mm: float
    bottom_mm: float
    number: int


class Strip(Shown):
    """One canal.

    Attributes:
        short: the trade's letters for it, "MB2".
        at: the title of its present step, or that it is finished, or not there.
        phase: that step's phase, or likewise.
        wl_mm: working length in force; ``wl_final`` tells which.
        limit_mm: the deepest allowed instrument depth; the band from there to ``wl_mm``
            is drawn hatched.
        marks: what is lettered, shallowest first.
        outline, cone: depth and width in mm, of the prepared canal and of its cone, as on
            the computed page (:mod:`assistant.report.lengthwise`); empty before they are known.
        cone_in: the whole cone stands in the canal.
        planned: increments still to come.
        warnings: how many wait here for an answer.
        ruler_mm: length of the scale, the same for all strips of a case.
        text: the same in words, for those who cannot see it.
    """

    name: str
    short: str
    active: bool
    finished: bool
    absent: bool
    at: str
    phase: str
    wl_mm: float | None
    wl_final: bool
    limit_mm: float | None
    fills: tuple[Fill, ...]
    marks: tuple[Mark, ...]
    outline: Profile
    cone: Profile
    cone_in: bool
    planned: tuple[Fill, ...]
    warnings: int
    ruler_mm: float
    text: str


def strips(state: CaseState, wording: Wording) -> tuple[Strip, ...]:
    """Every canal of the case, in the order they were named."""
    drawn = [
        (track, depths_of(state, track.name), lengthwise(state, track.name))
        for track in state.canals
    ]
    marked = [
        tuple(sorted(_marks(state, depths, cut, track.name, wording), key=lambda m: m.depth_mm))
        for track, depths, cut in drawn
    ]
    deepest = max((mark.depth_mm for marks in marked for mark in marks), default=0.0)
    ruler = max(_LEAST_MM, deepest + _ROOM_MM)
    return tuple(
        _strip(state, track, depths, cut, marks, ruler)
        for (track, depths, cut), marks in zip(drawn, marked, strict=True)
    )


def _strip(
    state: CaseState,
    track: Track,
    depths: DrawnDepths,
    cut: Lengthwise,
    marks: tuple[Mark, ...],
    ruler_mm: float,
) -> Strip:
    at = _over(track) or _title(state.protocol, track.step)
    waiting = len(state.open_warnings(track.name))
    waits = f", warnings to answer: {waiting}" if waiting else ""
    lettered = ", ".join(f"{mark.name} {mark.value}" for mark in marks) or "no length yet"
    lettered += "".join(f", {mark.name} {mark.drawn_as}" for mark in marks if mark.drawn_as)
    return Strip(
        name=plain(depths.title),
        short=_short(plain(track.name)),
        active=track.name == state.active,
        finished=track.finished,
        absent=track.closed is not None,
        at=at,
        phase=_phase(state, track),
        wl_mm=depths.wl_mm,
        wl_final=depths.wl_final,
        limit_mm=depths.limit_mm,
        fills=tuple(_fills(depths, cut)),
        marks=marks,
        outline=_rounded(cut.wall),
        cone=_rounded(cut.cone),
        cone_in=not cut.mass and state.last(track.name, Role.SEATED) is not None,
        planned=tuple(
            Fill(top_mm=one.to_mm, bottom_mm=one.from_mm, number=one.number)
            for one in cut.planned
        ),
        warnings=waiting,
        ruler_mm=ruler_mm,
        text=f"{plain(depths.title)}, {at}{waits}: {lettered}",
    )


def _rounded(points: Profile) -> Profile:
    """To a thousandth of a millimetre: every viewer is sent all of them."""
    return tuple((round(depth, 3), round(wide, 3)) for depth, wide in points)


def _short(name: str) -> str:
    letters = []
    for word in name.split():
        first = next((part for part in _SHORT if word.startswith(part)), "")
        rest = word.removeprefix(first)
        letters.append(_SHORT.get(first, "") + rest[:1].upper())
    # The number stands last: MB2.
    return "".join(sorted(letters, key=str.isdigit))


def _over(track: Track) -> str:
    if track.closed is not None:
        return "not there"
    return "finished" if track.finished else ""


def _phase(state: CaseState, track: Track) -> str:
    if over := _over(track):
        return over
    step = state.protocol.by_id.get(track.step)
    return step.phase if step else ""


def _title(protocol: Protocol, step: str) -> str:
    return "" if step in {FINISHED, AT_CANALS} else protocol.by_id[step].title


def instrument_steps(protocol: Protocol) -> tuple[Step, ...]:
    """The steps whose values are held against the depth limit, in the order of the rules."""
    named = [r.quantities for r in protocol.rules if r.check == "deeper_than_limit"]
    asked = {step.expect.quantity: step for step in protocol.canal}
    quantities = dict.fromkeys(quantity for each in named for quantity in each)
    return tuple(asked[quantity] for quantity in quantities if quantity in asked)


def _marks(
    state: CaseState, depths: DrawnDepths, cut: Lengthwise, canal: str, wording: Wording
) -> Iterator[Mark]:
    limit = depths.limit_mm
    length = "WL final" if depths.wl_final else "WL provisional"
    if (joins := state.track(canal).joins) and depths.wl_mm == joins.at_mm:
        length = f"joins {plain(joins.canal)}"
    named: list[tuple[MarkKind, float | None, str, str]] = [
        ("length", depths.wl_mm, length, " mm"),
        ("limit", limit, "limit", " mm"),
        ("coronal", depths.coronal_mm, "coronal level", ""),
        ("sear", depths.sear_mm, "sear", ""),
        ("fill", _fill_top(state, depths, canal), "fill", ""),
        ("planned", cut.planned[0].to_mm if cut.planned else None, "planned fill", ""),
    ]
    for kind, depth, name, unit in named:
        if depth is not None:
            yield Mark(
                kind=kind,
                depth_mm=depth,
                name=name,
                value=f"{text_of(depth)}{unit}",
                beyond=(beyond := kind == "sear" and _beyond(depth, limit)),
                large=beyond or kind in {"length", "limit", "fill"},
            )
    told = [
        (step, entry, depth)
        for step in instrument_steps(state.protocol)
        # Where the cone was seared off no instrument stands; that has its own mark.
        if step.role is not Role.SEAR
        and (entry := state.last(canal, step)) is not None
        and (depth := number(entry)) is not None
    ]
    newest = max((entry.seq for _, entry, _ in told), default=0)
    # What was fitted in the empty canal is out of it once the cone stands there, and what
    # worked in the downpack once there is backfill on it.
    empty = state.last(canal, Role.SEATED) is None and not cut.mass
    values = [
        (step, depth, entry.seq == newest and (empty or bool(step.loop)) and not cut.filled)
        for step, entry, depth in told
    ]
    # Once the downpack goes, what was set before it would be in the way.
    working = [value for value in values if value[0].loop]
    for step, depth, in_use in working or values:
        quantity = step.expect.quantity
        template = wording.read_backs.get(quantity, quantity.replace("_", " "))
        heat = step.role in {Role.HEAT_FIT, Role.HEAT_DEPTH}
        tool = reckoning.widest_to(state, canal, depth, carrier=heat) if in_use else None
        drawn = "width not known, a thin line"
        if tool:
            drawn = f"drawn as {plain(tool.name)}, the widest that goes there"
        yield Mark(
            kind="heat" if heat else "instrument",
            depth_mm=depth,
            name=template.format(value="").strip(" .").lower(),
            value=text_of(depth),
            beyond=_beyond(depth, limit),
            in_use=in_use,
            large=in_use or _beyond(depth, limit),
            outline=_rounded(instrument(tool, depth)) if tool else (),
            drawn_as=drawn if in_use else "",
        )


def _beyond(depth_mm: float, limit_mm: float | None) -> bool:
    return limit_mm is not None and depth_mm > limit_mm + EPSILON_MM


def _fill_top(state: CaseState, depths: DrawnDepths, canal: str) -> float | None:
    """Top of the fill where no other mark stands for it."""
    top = fill_top_mm(state, canal)
    taken = {depths.sear_mm, rounds.downpack_top_mm(state, canal)}
    return None if top is None or top in taken else max(top, 0.0)


def _fills(depths: DrawnDepths, cut: Lengthwise) -> Iterator[Fill]:
    """By depth; where the cone's tip is known the lowest one ends there."""
    top = depths.downpack_top_mm
    if depths.post_mm is not None:
        top = depths.post_mm
    if top is not None and depths.wl_mm is not None and top < depths.wl_mm:
        tip = min(cut.mass[0][0], depths.wl_mm) if cut.mass else depths.wl_mm
        yield Fill(top_mm=max(top, 0.0), bottom_mm=max(tip, top), number=0)
    for number_, _, level in depths.increments:
        below = level if top is None else top
        if level < below:
            yield Fill(top_mm=max(level, 0.0), bottom_mm=max(below, 0.0), number=number_)
        top = level

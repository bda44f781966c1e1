"""What was done over and over in a canal: cone fits, downpack cycles, increments.

The state keeps one list of entries; a reader wants them grouped by the act
they belong to. Nothing is judged here, only grouped and added up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from assistant.procedure.facts import fill_top_mm, number, option_of
from assistant.procedure.state import CaseState, Entry

CONE = ("cone_size", "cone_taper", "cone_length_mm")
"""What describes a master cone; a value of these after a failed fit is another cone."""

CONE_VERDICTS = ("tugback", "verification_radiograph", "tugback_after_cut")
"""Answers after which the protocol can ask for another cone."""

CYCLE = ("heat_s", "heat_depth_mm", "plugger_depth_mm", "press_s")
INCREMENT = ("increment_mm", "increment_press_s")


@dataclass(frozen=True, slots=True)
class Fit:
    """A master cone that was tried and given up: its values, and the verdict on it."""

    values: tuple[Entry, ...]
    verdict: Entry


@dataclass(frozen=True, slots=True)
class Round:
    """A downpack cycle or a backfill increment.

    Attributes:
        number: from 1.
        values: the standing dictated entries, by quantity.
        acts: the timed acts made, by quantity, in order; those that were
            repeated are among them, those taken back are not.
        ended: the answer that ended the loop instead of a value, or None.
        level_mm: top of the fill after an increment, computed; else None.
    """

    number: int
    values: dict[str, Entry]
    acts: dict[str, tuple[Entry, ...]]
    ended: Entry | None = None
    level_mm: float | None = None


def cone_refits(state: CaseState, canal: str) -> tuple[Fit, ...]:
    """The cones given up before the present one, oldest first.

    A cone was given up when an answer led back to the cone steps and a value
    for another cone followed.
    """
    fits: list[Fit] = []
    values: dict[str, Entry] = {}
    verdict: Entry | None = None
    for entry in made(state, canal):
        if entry.quantity in CONE:
            if verdict is not None:
                fits.append(Fit(tuple(values.values()), verdict))
                values, verdict = {}, None
            values[entry.quantity] = entry
        elif entry.quantity in CONE_VERDICTS:
            verdict = entry if _leads_to_cone(state, entry) else None
    return tuple(fits)


def cycles(state: CaseState, canal: str) -> tuple[Round, ...]:
    """The downpack cycles of a canal, in order."""
    return _rounds(state, canal, CYCLE)


def increments(state: CaseState, canal: str) -> tuple[Round, ...]:
    """The backfill increments of a canal, in order, each with its computed level."""
    return tuple(
        replace(one, level_mm=_top_after(state, canal, one.values.get("increment_mm")))
        for one in _rounds(state, canal, INCREMENT)
    )


def _top_after(state: CaseState, canal: str, entry: Entry | None) -> float | None:
    """Top of the fill once ``entry`` is in, whatever came after it."""
    return None if entry is None else fill_top_mm(state, canal, state.place(entry) + 1)


def downpack_top_mm(state: CaseState, canal: str) -> float | None:
    """Depth of the fill before the backfill: the last cycle's, else the sear's."""
    compacted = number(state.last(canal, "plugger_depth_mm"))
    return compacted if compacted is not None else number(state.newest(canal, "sear_depth_mm"))


def made(state: CaseState, canal: str, quantities: Iterable[str] = ()) -> list[Entry]:
    """Entries of a canal that were not taken back, replaced ones among them, by seq."""
    wanted = tuple(quantities)
    return [
        entry
        for entry in state.entries
        if entry.track == canal
        and entry.standing != "undone"
        and (not wanted or entry.quantity in wanted)
    ]


def replacement(state: CaseState, old: Entry) -> Entry | None:
    """What took the place of a replaced entry; None if it was not replaced."""
    if old.standing != "replaced":
        return None
    return next((e for e in state.entries if e.replaces == old.seq), None)


def _leads_to_cone(state: CaseState, entry: Entry) -> bool:
    option = option_of(state.protocol.step(entry.step), str(entry.value))
    if option is None or option.to is None:
        return False
    cone_steps = [s.id for s in state.protocol.canal if s.expect.quantity in CONE]
    return option.to in cone_steps


def _rounds(state: CaseState, canal: str, quantities: tuple[str, ...]) -> tuple[Round, ...]:
    found: dict[int, Round] = {}
    for entry in made(state, canal, quantities):
        one = found.setdefault(entry.round, Round(entry.round, {}, {}))
        if entry.origin == "timed":
            one.acts[entry.quantity] = (*one.acts.get(entry.quantity, ()), entry)
        elif entry.standing == "standing" and not isinstance(entry.value, str):
            one.values[entry.quantity] = entry
        elif entry.standing == "standing":
            found[entry.round] = replace(one, ended=entry)
    return tuple(
        found[n] for n in sorted(found) if found[n].values or found[n].acts or found[n].ended
    )

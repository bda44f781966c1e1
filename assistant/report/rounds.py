"""What was done over and over in a canal: cone fits, downpack cycles, increments.

The state keeps one list of entries; a reader wants them grouped by the act
they belong to. Nothing is judged here, only grouped and added up.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from assistant.progress.entries import Entry
from assistant.progress.facts import CYCLE, fill_top_mm, number, option_of
from assistant.progress.state import CaseState
from assistant.protocol.model import Step
from assistant.protocol.roles import Role

CONE = (Role.CONE_SIZE, Role.CONE_TAPER, Role.CONE_LENGTH)
"""What describes a master cone; a value of these after a failed fit is another cone."""

CONE_VERDICTS = (Role.CONE_FIT, Role.VERIFICATION, Role.CONE_FIT_AGAIN)
"""Answers after which the protocol can ask for another cone."""

INCREMENT = (Role.INCREMENT, Role.INCREMENT_PRESS)


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
        values: the standing dictated entries, by role.
        acts: the timed acts made, by role, in order; those that were
            repeated are among them, those taken back are not.
        ended: the answer that ended the loop instead of a value, or None.
        level_mm: top of the fill after an increment, computed; else None.
    """

    number: int
    values: dict[Role, Entry]
    acts: dict[Role, tuple[Entry, ...]]
    ended: Entry | None = None
    level_mm: float | None = None


def cone_refits(state: CaseState, canal: str) -> tuple[Fit, ...]:
    """The cones given up before the present one, oldest first.

    A cone was given up when an answer led back to the cone steps and a value
    for another cone followed.
    """
    fits: list[Fit] = []
    values: dict[Role, Entry] = {}
    verdict: Entry | None = None
    for entry in made(state, canal):
        role = state.role(entry)
        if role in CONE:
            if verdict is not None:
                fits.append(Fit(tuple(values.values()), verdict))
                values, verdict = {}, None
            values[role] = entry
        elif role in CONE_VERDICTS:
            verdict = entry if _leads_to_cone(state, entry) else None
    return tuple(fits)


def cycles(state: CaseState, canal: str) -> tuple[Round, ...]:
    """The downpack cycles of a canal, in order."""
    return _rounds(state, canal, CYCLE)


def increments(state: CaseState, canal: str) -> tuple[Round, ...]:
    """The backfill increments of a canal, in order, each with its computed level."""
    return tuple(
        replace(one, level_mm=_top_after(state, canal, one.values.get(Role.INCREMENT)))
        for one in _rounds(state, canal, INCREMENT)
    )


def _top_after(state: CaseState, canal: str, entry: Entry | None) -> float | None:
    """Top of the fill once ``entry`` is in, whatever came after it."""
    return None if entry is None else fill_top_mm(state, canal, state.place(entry) + 1)


def downpack_top_mm(state: CaseState, canal: str) -> float | None:
    """Depth of the fill before the backfill: the last cycle's, or what a removal left, else
    where the cones end."""
    tops = {Role.COMPACTION, Role.REMOVED_TO, Role.SEAR, Role.CUT_OFF}
    told = (e for e in reversed(state.in_sequence(canal)) if state.role(e) in tops)
    return next((top for entry in told if (top := number(entry)) is not None), None)


def made(state: CaseState, canal: str, roles: Collection[Role] | None = None) -> list[Entry]:
    """Entries of a canal (of these roles, if given) that were not taken back nor done
    again with their part of the filling, replaced ones among them, by seq."""
    return [
        entry
        for entry in state.entries
        if entry.track == canal
        and entry.standing not in {"undone", "superseded"}
        and (roles is None or state.role(entry) in roles)
    ]


def by_round(
    state: CaseState, canal: str, steps: Collection[Step]
) -> dict[int, dict[str, tuple[Entry, ...]]]:
    """What was given at these steps of a loop: by number of the round and step id the
    entry that stands, and of a timed act those before it as well."""
    ids = {step.id for step in steps}
    found: dict[int, dict[str, tuple[Entry, ...]]] = {}
    for entry in made(state, canal):
        if entry.step in ids and (entry.origin == "timed" or entry.standing == "standing"):
            here = found.setdefault(entry.round, {})
            here[entry.step] = (*here.get(entry.step, ()), entry)
    return dict(sorted(found.items()))


def replacement(state: CaseState, old: Entry) -> Entry | None:
    """What took the place of a replaced entry; None if it was not replaced."""
    if old.standing != "replaced":
        return None
    return next((e for e in state.entries if e.replaces == old.seq), None)


def _leads_to_cone(state: CaseState, entry: Entry) -> bool:
    option = option_of(state.protocol.by_id[entry.step], str(entry.value))
    if option is None or option.to is None:
        return False
    cone_steps = [s.id for s in state.protocol.canal if s.role in CONE]
    return option.to in cone_steps


def _rounds(state: CaseState, canal: str, roles: tuple[Role, ...]) -> tuple[Round, ...]:
    found: dict[int, Round] = {}
    for entry in made(state, canal, roles):
        role = state.role(entry)
        assert role is not None
        one = found.setdefault(entry.round, Round(entry.round, {}, {}))
        if entry.origin == "timed":
            one.acts[role] = (*one.acts.get(role, ()), entry)
        elif entry.standing == "standing" and not isinstance(entry.value, str):
            one.values[role] = entry
        elif entry.standing == "standing":
            found[entry.round] = replace(one, ended=entry)
    return tuple(
        found[n] for n in sorted(found) if found[n].values or found[n].acts or found[n].ended
    )

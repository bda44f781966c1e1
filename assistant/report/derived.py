"""What the program adds, in the note, to values that were given."""

from __future__ import annotations

from collections.abc import Callable

from assistant.canal import lengths
from assistant.progress.facts import (
    apical_seal_mm,
    depth_limit_mm,
    new_tip_mm,
    number,
    readings_mm,
    text_of,
    wl_is_final,
)
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.report.marks import mark, marked


def readings(state: CaseState, canal: str, missing: str) -> str:
    """The paper points one after another, and what they come to; or ``missing``."""
    every = list(state.standing(canal, Role.PAPER_POINT))
    if not every:
        return missing
    shown = ", ".join(
        f"{text_of(number(e))} {mark(state, e)}" if number(e) is not None else marked(state, e)
        for e in every
    )
    newest = readings_mm(state, canal)
    if not newest:
        return shown
    estimate = lengths.final_length_mm(newest)
    which = f"newest {estimate.n}: " if len(every) > estimate.n else ""
    return (
        f"{shown} mm; {which}centre {text_of(estimate.centre_mm)}, "
        f"spread {text_of(estimate.spread_mm)} mm"
    )


def _limit(state: CaseState, canal: str) -> str:
    limit, short_mm = depth_limit_mm(state, canal), state.protocol.limits.short_of_wl_mm
    if short_mm is None:
        return ""  # the technique has no such limit
    if limit is None:
        return "; depth limit unknown, no working length"
    short = text_of(short_mm.value)
    if state.track(canal).joins is not None:
        return f"; depth limit {text_of(limit)} mm ({short} mm short of the junction)"
    base = "" if wl_is_final(state, canal) else " provisional length"
    return f"; depth limit {text_of(limit)} mm ({short} mm short of{base or ' it'})"


def _tip(state: CaseState, canal: str) -> str:
    tip = new_tip_mm(state, canal)
    return f"; new tip {'unknown' if tip is None else f'{tip:.2f} mm (computed)'}"


def _seal(state: CaseState, canal: str) -> str:
    seal = apical_seal_mm(state, canal)
    return "" if seal is None else f"; apical seal {text_of(seal)} mm (computed)"


_DERIVED: dict[Role, Callable[[CaseState, str], str]] = {
    Role.FINAL_LENGTH: _limit,
    Role.CUT_BACK: _tip,
    Role.POST_LEVEL: _seal,
}


def added(state: CaseState, canal: str, role: Role) -> str:
    """What follows the value of a step of this role; mostly nothing."""
    return _DERIVED[role](state, canal) if role in _DERIVED else ""

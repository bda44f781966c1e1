"""From the state of the case to what may be said next."""

from __future__ import annotations

from assistant.procedure.modes import Mode, mode_of
from assistant.procedure.reach import correctable_kinds
from assistant.procedure.state import CASE, KIND_OF, CaseState
from assistant.words.grammar import Wanted


def wanted_now(state: CaseState, attention: str = "") -> Wanted:
    """The grammar's parameters for the present step of the active canal.

    More can be heard than would be taken (:mod:`assistant.procedure.offers`): what is
    said out of turn must be understood to be told why it is refused.
    ``attention`` is the word that every phrase must begin with, if any.
    """
    step = state.step
    low, high = 0.0, 35.0
    if step is not None and step.expect.kind in {"measure", "readings"}:
        low, high = getattr(step.expect, "min_mm", low), getattr(step.expect, "max_mm", high)
    options = tuple(option.id for option in step.options) if step else ()
    if step is not None and step.expect.kind == "done":
        options = ("yes",)
    return Wanted(
        kind=KIND_OF.get(step.expect.kind) if step else None,
        low=low,
        high=high,
        corrections=correctable_kinds(state),
        options=options,
        canals=_canals(state),
        start=mode_of(state) is not Mode.TIMING,
        finish=state.track(CASE).step in {s.id for s in state.protocol.closing},
        attention=attention,
    )


def _canals(state: CaseState) -> tuple[str, ...]:
    """The canals named; none (that is, any) during the opening, so that an unusual
    one can be said, also in a correction, and is questioned rather than bent into
    another."""
    if state.track(CASE).step in {step.id for step in state.protocol.opening}:
        return ()
    return tuple(track.name for track in state.canals)

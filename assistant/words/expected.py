"""From the state of the case to what may be said next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import takewhile

from assistant.procedure.correctable import corrections
from assistant.procedure.known import known_at
from assistant.procedure.reach import ahead, either, questioned, unasked
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.protocol.model import Step
from assistant.words.grammar import Wanted


def wanted_now(state: CaseState, attention: str = "") -> Wanted:
    """The grammar's parameters for the present step of the active canal.

    More can be heard than would be taken (:mod:`assistant.procedure.offers`): what is
    said out of turn must be understood to be told why it is refused.
    ``attention`` is the word that every phrase must begin with, if any.
    """
    question = questioned(state)
    earlier = question.step if question and question.old and either(state) else None
    # Which of two an earlier value is goes before all else.
    steps, present = () if earlier else ahead(state), earlier or state.step
    step = steps[0] if steps else present
    here = wanted_at(step) if step else Wanted()
    readings = sum(1 for one in steps if one is step) if step in steps[1:] else 0
    if present is not None and present != step:
        # Beside a press the lengths of its round are told before they are asked for.
        asked = wanted_at(present)
        here = replace(here, beside=asked.kind, options=(*asked.options, *here.options))
    correct = corrections(state)
    return replace(
        here,
        readings=readings,
        all_yes=_all_yes(steps),
        ahead=tuple(_following(state, steps)),
        unasked=tuple(wanted_at(one) for one in unasked(state)),
        corrections=correct.kinds,
        answers=correct.answers,
        canals=_canals(state),
        start=state.timer is None,
        finish=state.track(CASE).step in {s.id for s in state.protocol.closing},
        choice=bool(either(state)),
        replies=replies(state),
        findings=tuple(finding.id for finding in state.protocol.findings),
        attention=attention,
    )


def replies(state: CaseState) -> tuple[str, ...]:
    """What answers the question that waits, beside yes, no and values."""
    which = state.pending is not None and state.pending.revises is not None
    return ("corrected", "again") if which else ()


def _all_yes(steps: Sequence[Step]) -> int:
    """How many questions of one phase, from the present one on, "yes" can answer."""
    same = takewhile(
        lambda step: (
            step.phase == steps[0].phase and any(option.id == "yes" for option in step.options)
        ),
        steps,
    )
    return len(list(same))


def wanted_at(step: Step) -> Wanted:
    """What answers a step, whatever the state."""
    low, high = 0.0, 35.0
    if step.expect.kind in {"measure", "readings"}:
        low, high = getattr(step.expect, "min_mm", low), getattr(step.expect, "max_mm", high)
    return Wanted(
        kind=KIND_OF.get(step.expect.kind),
        low=low,
        high=high,
        options=("yes",)
        if step.expect.kind == "done"
        else tuple(option.id for option in step.options),
        names=(step.expect.quantity, *step.called),
    )


def _following(state: CaseState, steps: Sequence[Step]) -> Iterator[Wanted]:
    for i, step in enumerate(steps[1:], 1):
        left = sum(1 for one in steps[i:] if one is step)
        readings = left if step.expect.kind == "readings" else 0
        passes = known_at(state, step) is not None
        yield replace(wanted_at(step), readings=readings, follows=True, known=passes)


def _canals(state: CaseState) -> tuple[str, ...]:
    """The canals named; none (that is, any) during the opening, so that an unusual
    one can be said, also in a correction, and is questioned rather than bent into
    another."""
    if state.track(CASE).step in {step.id for step in state.protocol.opening}:
        return ()
    return tuple(track.name for track in state.canals)

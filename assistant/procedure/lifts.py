"""What lifts a refusal of the door (:mod:`.modes`): tests of a state and a request."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from assistant.procedure import changeable, correctable, reach
from assistant.progress import beside
from assistant.progress import intents as it
from assistant.progress.facts import option_of
from assistant.progress.people import is_name
from assistant.progress.state import VISIT, CaseState
from assistant.protocol.coherence import ONCE
from assistant.protocol.model import Step
from assistant.protocol.roles import Role

STARTS = {"start": None, "press": "hold", "heat_on": "until_off"}
"""What begins a timed act, and the mode of the act that it means; None for either."""


Lifts = Callable[[CaseState, Any], bool]
"""Told the state and the intent, whether the refusal does not apply after all."""


def expects(state: CaseState, *kinds: str) -> bool:
    """Whether the step that is asked expects one of these kinds."""
    return state.step is not None and state.step.expect.kind in kinds


def quiet(state: CaseState, _: it.Intent) -> bool:
    """No urgent warning of the active canal waits for its answer."""
    return not state.open_warnings(state.active)


def answers_what_waits(state: CaseState, given: it.Given) -> bool:
    """Said again, for the question or in the place of what was warned about."""
    asked = reach.wanted(state, given)
    again = asked is not None and (asked.old is not None or _warned(state, asked.step))
    early = asked is not None and reach.press_waits(state) and asked.step != state.step
    return again or early or quiet(state, given) or bool(reach.open_here(state))


def _warned(state: CaseState, step: Step) -> bool:
    """Whether the value that a step of the present round has waits for an answer."""
    given = reach.in_place(state, state.active, step, state.here.round(step.loop))
    return given is not None and given.seq in {
        w.entry for w in state.open_warnings(state.active)
    }


def mass_cools(state: CaseState, start: it.Command) -> bool:
    """A press is never held up: what warns about the heat waits until it is over. Any
    other act is done again where every warning is about it."""
    here = reach.open_here(state)
    again = set(here) == set(state.open_warnings(state.active))
    press = state.in_turn is not None and not reach.heats(state.in_turn)
    return again or (press and (bool(here) or not state.here.answered))


def is_that_act(state: CaseState, start: it.Command) -> bool:
    """The act that was named is the one in turn."""
    expect = state.in_turn.expect if state.in_turn else None
    return STARTS[start.verb] in {None, getattr(expect, "mode", None)}


def timed_in_turn(state: CaseState, _: it.Intent) -> bool:
    """A question about a finding holds up no press."""
    return state.in_turn is not None and state.in_turn.expect.kind == "timed"


def is_finding(state: CaseState, said: it.Finding) -> bool:
    """The protocol has such a finding."""
    return said.finding in {finding.id for finding in state.protocol.findings}


def is_found_in_one(state: CaseState, said: it.Finding) -> bool:
    """It is clear which canal, or the tooth, the finding is of."""
    return reach.found_in(state, said) is not None


def given_early(state: CaseState, given: it.Given) -> bool:
    """A length for another step than the press that runs."""
    found = reach.wanted(state, given)
    return found is not None and found.step != state.step


def is_questioned(state: CaseState, _: it.Intent) -> bool:
    """A value, or the signature, waits for its confirm."""
    return state.pending is not None


def says_no(state: CaseState, chosen: it.Chosen) -> bool:
    """ "No" to the value that waits."""
    return state.pending is not None and chosen.option == "no"


def asked(state: CaseState, _: it.Intent) -> bool:
    """A step is asked."""
    return state.step is not None


def is_operator(state: CaseState, _: it.Intent) -> bool:
    """It is the operator who speaks."""
    return state.who == "operator"


def no_final_length(state: CaseState, correction: it.Correction) -> bool:
    """Not a paper point of a canal that has its final length already."""
    found = correctable.to_correct(state, correction)
    old = found.old if found else None
    if old is None or state.role(old) is not Role.PAPER_POINT:
        return True
    return state.newest(old.track, Role.FINAL_LENGTH) is None


def leads_elsewhere(state: CaseState, correction: it.Correction) -> bool:
    """The corrected answer leads to another step than the one that stands."""
    found = correctable.to_correct(state, correction)
    return found is not None and correctable.changes_way(state, found, correction.value)


def no_canal_begun(state: CaseState, correction: it.Correction) -> bool:
    """Not what is told once, after work on a canal has begun."""
    found = correctable.to_correct(state, correction)
    late = found is not None and found.old is not None and found.step.expect.kind in ONCE
    return not late or not reach.canal_work_begun(state)


def may_confirm(state: CaseState, confirm: it.Command) -> bool:
    """A signature, or the end of a visit, is the operator's to confirm."""
    pending = state.pending
    signing = pending is not None and pending.quantity in {"signature", VISIT}
    return not signing or is_operator(state, confirm)


WHICH = frozenset({"corrected", "again"})
"""What answers whether a value corrects one or was taken again."""


def not_which(state: CaseState, _: it.Intent) -> bool:
    """It is not asked whether a value corrects one or was taken again."""
    return state.pending is None or state.pending.revises is None


def says_which(state: CaseState, chosen: it.Chosen) -> bool:
    """It tells surely which of the two it is, where that is asked."""
    surely = chosen.option in WHICH and chosen.heard.doubt is None
    return not_which(state, chosen) or surely or chosen.option == "no"


def one_offered(state: CaseState, _: it.Intent) -> bool:
    """The question offers no choice of two values."""
    return not reach.either(state)


def suggests(state: CaseState, _: it.Intent) -> bool:
    """The step suggests a value."""
    return reach.offered(state) is not None


def no_reading(state: CaseState, intent: it.AsPlanned) -> bool:
    """Not a length that can be known only by reading it off."""
    step = reach.planned_for(state, intent)
    if step is None or step.role in reach.PLANNED:
        return True
    suggested = getattr(step.expect, "suggest", None) is not None
    return suggested or step.expect.kind not in {"measure", "readings"}


def is_planned(state: CaseState, intent: it.AsPlanned) -> bool:
    """The plan, or the step, has a value for what is answered."""
    step = reach.planned_for(state, intent)
    return step is not None and reach.planned(state, step) is not None


def is_option(state: CaseState, chosen: it.Chosen) -> bool:
    """The step has such an option."""
    return state.step is not None and option_of(state.step, chosen.option) is not None


def is_set_up(state: CaseState, _: it.Intent) -> bool:
    """The opening steps are done."""
    return reach.is_set_up(state)


def at_the_end(state: CaseState, _: it.Intent) -> bool:
    """Every canal is finished, too: one may have gone back from the closing steps."""
    return expects(state, "sign") and all(canal.finished for canal in state.canals)


def has_plan(_: CaseState, visit: it.CloseVisit) -> bool:
    """Dressing and plan are told."""
    return all((text or "").strip() for text in (visit.dressing, visit.plan))


def is_no_beside(problem: str, state: CaseState, intent: it.Beside) -> bool:
    """It is not this that keeps a remark or condition from being kept."""
    return beside.problem(state, intent) != problem


def names_somebody(_: CaseState, intent: it.Intent) -> bool:
    """Whoever takes over, or is signed for, has a name."""
    return not isinstance(intent, it.TakeOver | it.SignAs) or is_name(intent.name)


def is_no(problem: str, state: CaseState, change: it.Change) -> bool:
    """It is not this that keeps the case from being changed so."""
    return changeable.change_problem(state, change) != problem


def says_something(_: CaseState, addendum: it.Append) -> bool:
    """There is a text, and a name that stands for it."""
    return bool(addendum.text.strip() and addendum.by.strip())

"""What a request would touch, read off the state alone.

The door (:mod:`.modes`) asks here whether there is anything, and whoever carries the
request out takes it from here: so both always mean the same.
"""

from __future__ import annotations

from typing import NamedTuple

from assistant.progress import intents as it
from assistant.progress import reckoning
from assistant.progress.entries import Entry, Warning
from assistant.progress.facts import readings_mm, suggestion
from assistant.progress.state import CASE, KIND_OF, VISIT, CaseState
from assistant.protocol.expect import Measure, Timed
from assistant.protocol.limits import NotGivenError
from assistant.protocol.machine import next_step
from assistant.protocol.model import AT_CANALS, FINISHED, Step
from assistant.protocol.roles import Role


class Questioned(NamedTuple):
    """What a value is for: a step, and the entry it would correct."""

    step: Step
    old: Entry | None


def questioned(state: CaseState) -> Questioned | None:
    """What the pending question is about."""
    pending = state.pending
    if pending is None or pending.quantity == VISIT:
        return None
    if pending.step is not None:
        return Questioned(state.protocol.by_id[pending.step], None)
    if pending.corrects is not None:
        old = state.entries[pending.corrects - 1]
        return Questioned(state.protocol.by_id[old.step], old)
    return None if state.step is None else Questioned(state.step, None)


def either(state: CaseState) -> tuple[it.Scalar, ...]:
    """The two values of which the pending question offers the choice; none otherwise."""
    return state.pending.offers if state.pending is not None else ()


def wanted(state: CaseState, intent: it.Given) -> Questioned | None:
    """What a value answers: the question about another step, or the present one, or one
    that is given early."""
    asked = questioned(state)
    if asked is not None and asked.step != state.step and fits(asked.step, intent):
        return asked
    steps = (*((state.step,) if state.step is not None else ()), *early(state))
    found = next((step for step in steps if fits(step, intent)), None)
    if found is None and intent.quantity is not None:
        found = next((step for step in unasked(state) if fits(step, intent)), None)
    return None if found is None else Questioned(found, None)


def unasked(state: CaseState) -> tuple[Step, ...]:
    """What nobody asks of the active canal and can be told by its name: while one of its
    steps outside the rounds is asked, and no value waits for its confirm."""
    step, canal = state.step, state.protocol.canal
    if step is None or step.loop is not None or step not in canal or state.pending is not None:
        return ()
    return tuple(one for one in canal if one.told and one is not step)


def early(state: CaseState) -> tuple[Step, ...]:
    """The lengths that can be given before they are asked for: those of the present
    round still to come, once its heat is off. While a press runs, nobody need wait."""
    step = state.step
    if step is None or step.loop is None or heats(step) or state.active == CASE:
        return ()
    part = state.protocol.canal
    here, round_ = part.index(step), state.here.round(step.loop)
    waiting = {w.entry for w in state.open_warnings(state.active)}
    found = []
    for one in part[here + 1 :]:
        if one.loop == step.loop and isinstance(one.expect, Measure):
            given = in_place(state, state.active, one, round_)
            if given is None or given.seq in waiting:
                found.append(one)
    return tuple(found)


def given_early(state: CaseState, before: Step) -> bool:
    """Whether the present step, reached from the one before in its round, was given its
    length ahead; it is then answered without being asked."""
    step = state.step
    if step is None or step.loop is None or step.loop != before.loop or state.active == CASE:
        return False
    part = state.protocol.canal
    if not isinstance(step.expect, Measure) or part.index(step) <= part.index(before):
        return False
    return in_place(state, state.active, step, state.here.round(step.loop)) is not None


def heats(step: Step) -> bool:
    """Whether a step times the heat."""
    return isinstance(step.expect, Timed) and step.expect.mode == "until_off"


def press_waits(state: CaseState) -> bool:
    """Whether a press is what is waited for: nothing that is said delays it."""
    expect = state.step.expect if state.step else None
    hold = isinstance(expect, Timed) and expect.mode == "hold"
    return hold and not state.here.answered and state.timer is None


def fits(step: Step, intent: it.Given | it.Correction) -> bool:
    """Whether a value is of the step's kind, or one of its options, and of its name, if it
    was named aloud."""
    if intent.kind == "option":
        of_kind = str(intent.value) in step.answers
    else:
        of_kind = KIND_OF.get(step.expect.kind) == intent.kind
    return of_kind and step.is_called(intent.quantity)


MOST_AHEAD = 5
"""Steps that one sentence can answer: more than a person says in one breath."""


def ahead(state: CaseState) -> tuple[Step, ...]:
    """The steps that one sentence can answer: the present one, and those that follow it
    whatever is answered. A step of readings is there as often as it is still asked."""
    steps: list[Step] = []
    step = state.step
    if step is not None and state.aside is not None:
        return (step,) if step.expect.kind in _IN_ONE else ()
    if step is not None and step.expect.kind == "timed":
        step = next(iter(early(state)), None)  # what is told beside a press
    while step is not None and len(steps) < MOST_AHEAD and step.expect.kind in _IN_ONE:
        readings = step.expect.kind == "readings"
        if step.asked or step is state.step:
            steps += [step] * (_readings_left(state) if readings else 1)
        if step.next and not readings:
            break  # where it leads hangs on the answer
        place = next_step(state.protocol, step, None, lambda _: False)
        step = None if place in {step.id, FINISHED} else state.protocol.by_id[place]
    return tuple(steps[:MOST_AHEAD])


_IN_ONE = frozenset({"measure", "readings", "size", "taper", "choice", "done"})


def _readings_left(state: CaseState) -> int:
    try:
        wanted = int(state.protocol.limit("readings_min"))
    except NotGivenError:
        return 1
    return max(1, wanted - len(readings_mm(state, state.active)))


def offered(state: CaseState) -> float | None:
    """The value that the present step suggests, None where there is none."""
    expect = state.step.expect if state.step else None
    if not isinstance(expect, Measure) or expect.suggest is None:
        return None
    return suggestion(state, state.active, expect.suggest)


def planned_for(state: CaseState, intent: it.AsPlanned) -> Step | None:
    """The step that "as planned" answers: the present one, or what can be told beside or
    before a press, by its name if it was named."""
    timed = state.step is not None and state.step.expect.kind == "timed"
    steps = () if timed or state.step is None else (state.step,)
    named = (one for one in (*steps, *early(state)) if one.is_called(intent.quantity))
    return next(named, None)


def planned(state: CaseState, step: Step) -> float | None:
    """The value that the plan has for a step, or that the step suggests; None where there
    is none, or what is there is the plan for the next round."""
    if step == state.step and (value := offered(state)) is not None:
        return value
    track, round_ = state.active, state.here.round(step.loop)
    if step.role not in PLANNED or in_place(state, track, step, round_) is not None:
        return None
    if step.role is Role.INCREMENT:
        fill = reckoning.backfill(state, track)
        coming = fill.increments[0] if fill and fill.increments else None
        return None if coming is None or coming.number != round_ else coming.length_mm
    downpack = reckoning.downpack(state, track)
    cycle = downpack.cycles[0] if downpack and downpack.cycles else None
    return None if cycle is None or cycle.number != round_ else cycle.heat_to_mm


PLANNED = frozenset({Role.HEAT_DEPTH, Role.INCREMENT})
"""What is set beforehand, at a stop or on the needle, and can be told "as planned". How far
a plugger went is what came of it, and is read off: a plan would hide a fill that is short."""


def way_back(state: CaseState) -> tuple[str, int] | None:
    """The step before, and its round; the case does not go back over its canals."""
    here = state.here
    if state.aside is not None:
        steps = [step.id for step in state.protocol.finding_of[state.aside.step].steps]
        before = steps.index(state.aside.step) - 1
        return (steps[before], state.aside.round) if before >= 0 else None
    if not here.visited or here.step == AT_CANALS:
        return None
    step, round_ = here.visited[-1]
    if here.name == CASE and not same_part(state, here.step, step):
        return None
    return step, round_


def same_part(state: CaseState, one: str, other: str) -> bool:
    """Whether both steps are of the opening, or neither is."""
    opening = {step.id for step in state.protocol.opening}
    return (one in opening) == (other in opening)


def is_set_up(state: CaseState) -> bool:
    """Whether the case has come past its opening."""
    return not same_part(state, state.track(CASE).step, state.protocol.opening[0].id)


def canal_work_begun(state: CaseState) -> bool:
    """Whether any canal has an entry that counts, or has left its first step."""
    return any(canal.visited or state.newest(canal.name) is not None for canal in state.canals)


def given_here(state: CaseState) -> Entry | None:
    """The entry that answers the present step, None while it is unanswered."""
    step = state.step
    if step is None or not state.answered:
        return None
    if step.expect.kind == "readings":
        return state.newest(state.active, step)
    return in_place(state, state.active, step, state.round)


def in_place(state: CaseState, track: str, step: Step, round_: int) -> Entry | None:
    """The standing entry of a step and round: the step was done before."""
    found = state.standing(track, step)
    return next((e for e in found if e.round == round_ and e.step == step.id), None)


def stands_here(state: CaseState) -> Entry | None:
    """The standing entry of the present step and round, answered before it was asked."""
    step = state.step
    if step is None:
        return None
    if step.expect.kind == "readings":
        return state.newest(state.active, step)
    return in_place(state, state.active, step, state.round)


def gone_back(state: CaseState) -> bool:
    """Whether the present step was gone back to, and not led back to by an answer."""
    here = (state.here.step, state.round)
    return not state.answered and state.aside is None and here not in state.here.visited


def found_in(state: CaseState, said: it.Finding) -> str | None:
    """The track that a finding is of: the canal at work, else the only one there is; of
    the tooth, the case. None where a canal is to be named first."""
    finding = state.protocol.finding_of.get(said.finding)
    if finding is None or state.active != CASE:
        return None if finding is None else state.active
    there = [track.name for track in state.canals if track.closed is None]
    if len(there) == 1:
        return there[0]
    return CASE if finding.of == "tooth" else None


def open_here(state: CaseState) -> tuple[Warning, ...]:
    """Urgent warnings about the very value the present step asks for."""
    given = given_here(state)
    waiting = state.open_warnings(state.active)
    return tuple(w for w in waiting if given and w.entry == given.seq)

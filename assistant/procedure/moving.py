"""Where a track goes on: from step to step, round to round, part to part, and aside."""

from __future__ import annotations

from assistant.procedure.changeable import stands_from_before
from assistant.procedure.draft import Draft
from assistant.procedure.fired import fired_by_leaving
from assistant.procedure.known import known_at
from assistant.procedure.reach import given_early, given_here, heats, stands_here
from assistant.progress import events as ev
from assistant.progress.facts import holds, option_of, stays
from assistant.progress.state import CASE, CaseState
from assistant.protocol.machine import next_step, position
from assistant.protocol.model import AT_CANALS, FINISHED, Step


def go_on(draft: Draft) -> None:
    """Leave the present step if it has its value, and those after it in its loop that
    were given theirs early; a value of another step (an older one, corrected) moves
    nothing."""
    if draft.state.answered and draft.state.pending is None and draft.state.timer is None:
        advance(draft)


def advance(draft: Draft, *, skip: bool = False) -> None:
    """Move the active track on, unless an urgent warning waits for an answer."""
    state = draft.state
    track, step = state.here, state.step
    if step is None or _held_up(draft, step):
        return None
    if state.aside is not None:
        return _advance_aside(draft, step)
    given = None if skip else given_here(draft.state) or stands_here(draft.state)
    option = given.value if given and isinstance(given.value, str) else None
    target = next_step(state.protocol, step, option, holds(state, track.name), skip=skip)
    target = _past_unasked(draft, target)
    again = option is not None and stays(step, option)
    if step.loop is not None and _loop_of(state, target) != step.loop:
        for fired in tuple(fired_by_leaving(state, track.name, step)):
            draft.warn(fired, track.name, step, None)
    round_ = track.round(step.loop) if again else None
    move(draft, track.name, target, "skip" if skip else "done", round_)
    stands = given_early(draft.state, step) or stands_from_before(draft.state)
    if stands and _onward(draft, step, state.round):
        return advance(draft)
    after_part(draft)
    return None


def _onward(draft: Draft, before: Step, round_: int) -> bool:
    """Whether the present step comes later in the sequence than the one before it, so
    that what stands there can be gone past without going round and round."""
    here, part = draft.state.here, draft.state.protocol.part_of(before.id)
    if here.step in {FINISHED, AT_CANALS}:
        return False
    round_ = round_ if before.loop else 1
    now = here.round(draft.state.protocol.by_id[here.step].loop)
    return position(part, here.step, now) > position(part, before.id, round_)


def ask_aside(draft: Draft, track: str, finding: str, round_: int, step: str | None) -> None:
    """Ask about a finding, beside the sequence; no step: nothing more."""
    draft.add(
        ev.AsideReached(track=track, finding=finding, round=round_, step=step, at=draft.now)
    )


def _advance_aside(draft: Draft, step: Step) -> None:
    """The next question about a finding; after the last, what else is waiting goes on."""
    aside = draft.state.aside
    assert aside is not None
    steps = [one.id for one in draft.state.protocol.finding_of[step.id].steps]
    onward = steps[steps.index(step.id) + 1 :]
    given = given_here(draft.state)
    option = option_of(step, str(given.value)) if given else None
    target = onward[0] if onward else None
    if option is not None and option.to is not None:
        target = step.target(option.to)
    target = None if target == FINISHED else target
    ask_aside(draft, draft.state.active, aside.finding, aside.round, target)
    if target is None:
        go_on(draft)
        after_part(draft)


def _past_unasked(draft: Draft, target: str) -> str:
    """A target, or what comes after it where nobody asks it and no set-up answers it."""
    protocol, held = draft.state.protocol, holds(draft.state, draft.state.active)
    while (step := protocol.by_id.get(target)) and not step.asked:
        if known_at(draft.state, step) is not None:
            break
        target = next_step(protocol, step, None, held)
    return target


def _held_up(draft: Draft, step: Step) -> bool:
    """Whether an urgent warning waits for its answer. The heat that was too long
    waits with its own until the press is over: the mass cools meanwhile."""
    waiting = draft.state.open_warnings(draft.state.active)
    given = given_here(draft.state) if heats(step) else None
    return any(given is None or w.entry != given.seq for w in waiting)


def move(draft: Draft, track: str, target: str, via: str, round_: int | None = None) -> None:
    """Put a track on a step; a loop that is entered, or begins again, starts a
    new round unless the round is given."""
    protocol = draft.state.protocol
    loop = _loop_of(draft.state, target)
    if target == FINISHED and track == CASE:
        opening = {step.id for step in protocol.opening}
        target = AT_CANALS if draft.state.track(CASE).step in opening else FINISHED
    if round_ is None:
        round_ = _next_round(draft, track, target, loop)
    draft.add(
        ev.StepReached.model_validate(
            {
                "track": track,
                "step": target,
                "via": via,
                "loop": loop,
                "round": round_,
                "at": draft.now,
            }
        )
    )


def _next_round(draft: Draft, track: str, target: str, loop: str | None) -> int:
    """Counted on the path so far, so that going back takes the count along."""
    if loop is None:
        return 1
    here = draft.state.track(track)
    steps = [step.id for step in draft.state.protocol.steps() if step.loop == loop]
    present = here.round(loop)
    inside = here.step in steps
    if inside and target != steps[0]:
        return present
    before = [round_ for step, round_ in here.visited if step in steps]
    return 1 + max([*before, present] if inside else before, default=0)


def go_where_work_is(draft: Draft) -> None:
    """After a change of the canals: from one that is not there, and from the closing
    steps, to a canal that is to be filled."""
    waiting = next((t.name for t in draft.state.canals if not t.finished), None)
    if draft.state.active == CASE and waiting is not None:
        draft.add(ev.TrackSelected(track=waiting, at=draft.now))
    else:
        after_part(draft)


def after_part(draft: Draft) -> None:
    """When a part is done, select what comes next."""
    state = draft.state
    if not (state.here.finished or state.here.step == AT_CANALS):
        return
    told = next((e.track for e in reversed(state.entries) if e.track != CASE), None)
    left = [t.name for t in state.canals if not t.finished]
    waiting = told if told in left else next(iter(left), None)
    if waiting is None:  # a finished canal may have been judged again
        open_in = (t.name for t in state.canals if state.open_warnings(t.name))
        waiting = next(open_in, None)
    case = state.track(CASE)
    if waiting is not None:
        draft.add(ev.TrackSelected(track=waiting, at=draft.now))
    elif case.step == AT_CANALS:
        draft.add(ev.TrackSelected(track=CASE, at=draft.now))
        move(draft, CASE, state.protocol.closing[0].id, "done")
    elif not case.finished:
        draft.add(ev.TrackSelected(track=CASE, at=draft.now))


def _loop_of(state: CaseState, place: str) -> str | None:
    return None if place in {FINISHED, AT_CANALS} else state.protocol.by_id[place].loop

"""Timed acts: the press that holds while the mass cools, the heat activation.

Durations are differences of the monotonic clock, to a tenth of a second on the
safe side: a press is never recorded longer than it was, a heat activation never
shorter. A "stop" counts from when it was said. The delay from "heat off" to the press is
such a difference too, never recorded shorter than it was.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from assistant.procedure import moving
from assistant.procedure.draft import Draft
from assistant.procedure.fired import fired_by_delay
from assistant.procedure.reach import given_here
from assistant.progress import events as ev
from assistant.progress import facts, reckoning
from assistant.progress import intents as it
from assistant.progress.entries import Warning
from assistant.progress.state import CaseState, Timer
from assistant.protocol.expect import Timed
from assistant.protocol.limits import LimitName
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment
from assistant.protocol.roles import Role


def start(draft: Draft) -> None:
    """Begin the timed act of this step (again, if it was cut short)."""
    state, step = draft.state, draft.state.in_turn
    assert step is not None
    assert isinstance(step.expect, Timed)
    delay_s = waited_s(state, draft.now)
    if delay_s is None and (before := given_here(state)) is not None:
        delay_s = before.delay_s  # the first pressure counts, whatever is repeated
    timer = Timer(
        track=state.active,
        step=step.id,
        mode=step.expect.mode,
        started=draft.now,
        target_s=state.protocol.limit(_limit(state, step, step.expect)),
        warnings_before=len(state.warnings),
        delay_s=delay_s,
    )
    draft.add(ev.TimerStarted(timer=timer))


def _limit(state: CaseState, step: Step, timed: Timed) -> LimitName:
    """That of the act; in the downpack's last cycle, as told or as planned, the last one's."""
    if timed.last_limit is None:
        return timed.limit
    track = state.active
    told = state.last(track, Role.COMPACTION)
    if told is not None and step.loop and told.round == state.here.round(step.loop):
        last = facts.holds(state, track)("downpack_complete")
    else:
        planned = reckoning.downpack(state, track)
        last = planned is not None and len(planned.cycles) == 1
    return timed.last_limit if last else timed.limit


def stop(draft: Draft, intent: it.Command) -> None:
    """End it now; the true duration goes on the record."""
    timer = draft.state.timer
    assert timer is not None
    began = intent.heard.began
    ended = began if began and began.mono_s <= draft.now.mono_s else draft.now
    _end(draft, timer, elapsed_s(timer, ended), intent.heard, "stopped", ended)


def waited_s(state: CaseState, now: Moment) -> float | None:
    """Seconds since the heat went off in the cycle whose press is waited for, to the
    tenth above; None where none is."""
    step, off = state.in_turn, state.here.heat_off
    if off is None or step is None or state.timer is not None:
        return None
    if not isinstance(step.expect, Timed) or step.expect.mode != "hold":
        return None
    return _tenths(off.at, now, math.ceil)


def due(state: CaseState, now: Moment) -> bool:
    """Whether time alone brings something now: :func:`tick` would say or do it."""
    timer = state.timer
    if timer is not None:
        return now.mono_s - timer.started.mono_s >= timer.target_s
    return _begins_itself(state, now) or any(fired_by_delay(state, waited_s(state, now)))


def tick(draft: Draft) -> None:
    """Time passed: a hold ends itself, or begins itself where the protocol has it so; a
    heat activation past its limit is said at once, and so is a press that is late."""
    timer = draft.state.timer
    if timer is None:
        return _tick_waiting(draft)
    elapsed = elapsed_s(timer, draft.now)
    if draft.now.mono_s - timer.started.mono_s < timer.target_s:
        return None
    if timer.mode == "hold":
        _end(draft, timer, timer.target_s, it.Heard(channel="clock"), "complete")
    elif not _warned_since(draft, timer):
        step = draft.state.protocol.by_id[timer.step]
        _warn_duration(draft, timer, step, elapsed)
    return None


def _tick_waiting(draft: Draft) -> None:
    state = draft.state
    if _begins_itself(state, draft.now):
        return start(draft)
    step = state.in_turn
    for fired in tuple(fired_by_delay(state, waited_s(state, draft.now))):
        assert step is not None
        draft.warn(fired, state.active, step, None)
    return None


def _begins_itself(state: CaseState, now: Moment) -> bool:
    """Whether the press of the present step starts by itself now."""
    waited, step = waited_s(state, now), state.in_turn
    if waited is None or state.paused or state.pending is not None or state.here.answered:
        return False
    assert step is not None
    after = step.expect.starts_after if isinstance(step.expect, Timed) else None
    return after is not None and waited >= state.protocol.limit(after)


def reopen(draft: Draft, intent: it.Reopen) -> None:
    """After a restart the monotonic clock is another one: a running act is void."""
    timer = draft.state.timer
    note = intent.note if timer is None else f"{intent.note} {_stopped_in(draft.state, timer)}"
    reopened = ev.CaseReopened(
        at=draft.now, note=note, running=timer, since=intent.since, machine=intent.machine
    )
    draft.add(reopened)
    # Nobody remembers the question: a "confirm" now would mean something else.
    draft.drop_pending("interrupted")
    if timer is not None:
        draft.add(ev.TimerEnded(at=draft.now, duration_s=0.0, reason="interrupted"))
        for warning in _warned_since(draft, timer):
            draft.answer(warning, "interrupted")
        for warning in draft.repeated_here():
            draft.warn_again(warning)


def _stopped_in(state: CaseState, timer: Timer) -> str:
    """A sentence on the act that was running, for the record and the note."""
    step = state.protocol.by_id[timer.step]
    round_ = f", {step.loop} {state.track(timer.track).round(step.loop)}" if step.loop else ""
    return f"The program ended during: {step.title}, {timer.track}{round_}; not recorded."


def elapsed_s(timer: Timer, now: Moment) -> float:
    """Seconds since the act began, never negative; a hold to the tenth below, heat
    to the tenth above."""
    rounded = math.floor if timer.mode == "hold" else math.ceil
    return _tenths(timer.started, now, rounded)


def _tenths(since: Moment, now: Moment, rounded: Callable[[float], int]) -> float:
    # Cleaned of binary dust first, which must not cost a whole tenth.
    return max(0.0, rounded(round(10 * (now.mono_s - since.mono_s), 6)) / 10)


def _end(
    draft: Draft,
    timer: Timer,
    duration_s: float,
    heard: it.Heard,
    reason: str,
    ended: Moment | None = None,
) -> None:
    step = draft.state.protocol.by_id[timer.step]
    warned = _warned_since(draft, timer)
    cut_short = timer.mode == "hold" and duration_s < timer.target_s
    draft.add(
        ev.TimerEnded.model_validate(
            {"at": draft.now, "duration_s": duration_s, "reason": reason, "ended": ended}
        )
    )
    for warning in warned:
        draft.answer(warning, f"off at {duration_s:g} s")
    draft.enter(
        draft.judge(timer.track, step, duration_s),
        heard,
        origin="timed",
        cut_short=cut_short,
        delay_s=timer.delay_s,
        target_s=timer.target_s,
        unsaid=frozenset({"above"}) if warned else frozenset(),
    )
    moving.go_on(draft)


def _warned_since(draft: Draft, timer: Timer) -> tuple[Warning, ...]:
    """Warnings this activation has raised while it ran, none about what was told beside
    it. Counted, not timed: after a restart the clock of older warnings is another one."""
    since = draft.state.warnings[timer.warnings_before :]
    return tuple(w for w in since if w.entry is None and w.step == timer.step)


def _warn_duration(draft: Draft, timer: Timer, step: Step, elapsed: float) -> None:
    """The rules are asked about the duration so far; just past the limit trips them."""
    just_past = max(elapsed, timer.target_s + 0.1)
    for fired in draft.judge(timer.track, step, just_past).fired:
        if fired.rule.check == "above":
            draft.warn(fired, timer.track, step, None)

"""Timed acts: the press that holds while the mass cools, the heat activation.

Durations are differences of the monotonic clock, to a tenth of a second on the
safe side: a press is never recorded longer than it was, a heat activation never
shorter. A "stop" counts from when it was said.
"""

from __future__ import annotations

import math

from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft
from assistant.procedure.state import Timer, Warning
from assistant.protocol.model import Step, Timed
from assistant.protocol.moment import Moment


def start(draft: Draft) -> None:
    """Begin the timed act of this step (again, if it was cut short)."""
    state, step = draft.state, draft.state.step
    assert step is not None
    assert isinstance(step.expect, Timed)
    timer = Timer(
        track=state.active,
        step=step.id,
        mode=step.expect.mode,
        started=draft.now,
        target_s=state.protocol.limit(step.expect.limit),
        warnings_before=len(state.warnings),
    )
    draft.add(ev.TimerStarted(timer=timer))


def stop(draft: Draft, intent: it.Command) -> None:
    """End it now; the true duration goes on the record."""
    timer = draft.state.timer
    assert timer is not None
    began = intent.heard.began
    ended = began if began and began.mono_s <= draft.now.mono_s else draft.now
    _end(draft, timer, elapsed_s(timer, ended), intent.heard, "stopped")


def tick(draft: Draft) -> None:
    """Time passed: a hold ends itself, a heat activation past its limit is said at once."""
    timer = draft.state.timer
    if timer is None:
        return
    elapsed = elapsed_s(timer, draft.now)
    if draft.now.mono_s - timer.started.mono_s < timer.target_s:
        return
    if timer.mode == "hold":
        _end(draft, timer, timer.target_s, it.Heard(channel="clock"), "complete")
    elif not _warned_since(draft, timer):
        step = draft.state.protocol.by_id[timer.step]
        _warn_duration(draft, timer, step, elapsed)


def reopen(draft: Draft, intent: it.Reopen) -> None:
    """After a restart the monotonic clock is another one: a running act is void."""
    draft.add(ev.CaseReopened(at=draft.now, note=intent.note))
    # Nobody remembers the question: a "confirm" now would mean something else.
    draft.drop_pending("interrupted")
    timer = draft.state.timer
    if timer is not None:
        draft.add(ev.TimerEnded(at=draft.now, duration_s=0.0, reason="interrupted"))
        for warning in _warned_since(draft, timer):
            draft.answer(warning, "interrupted")
        for warning in draft.repeated_here():
            draft.warn_again(warning)


def elapsed_s(timer: Timer, now: Moment) -> float:
    """Seconds since the act began, never negative; a hold to the tenth below, heat
    to the tenth above."""
    # Cleaned of binary dust first, which must not cost a whole tenth.
    tenths = round(10 * (now.mono_s - timer.started.mono_s), 6)
    whole = math.floor(tenths) if timer.mode == "hold" else math.ceil(tenths)
    return max(0.0, whole / 10)


def _end(draft: Draft, timer: Timer, duration_s: float, heard: it.Heard, reason: str) -> None:
    step = draft.state.protocol.by_id[timer.step]
    warned = _warned_since(draft, timer)
    cut_short = timer.mode == "hold" and duration_s < timer.target_s
    draft.add(
        ev.TimerEnded.model_validate(
            {"at": draft.now, "duration_s": duration_s, "reason": reason}
        )
    )
    for warning in warned:
        draft.answer(warning, f"off at {duration_s:g} s")
    draft.enter(
        draft.judge(timer.track, step, duration_s),
        heard,
        origin="timed",
        cut_short=cut_short,
        silenced=frozenset({"above"}) if warned else frozenset(),
    )
    draft.go_on()


def _warned_since(draft: Draft, timer: Timer) -> tuple[Warning, ...]:
    """Warnings this activation has raised while it ran. Counted, not timed: after
    a restart the clock of older warnings is another one."""
    return draft.state.warnings[timer.warnings_before :]


def _warn_duration(draft: Draft, timer: Timer, step: Step, elapsed: float) -> None:
    """The rules are asked about the duration so far; just past the limit trips them."""
    just_past = max(elapsed, timer.target_s + 0.1)
    for fired in draft.judge(timer.track, step, just_past).fired:
        if fired.rule.check == "above":
            draft.warn(fired, timer.track, step, None)

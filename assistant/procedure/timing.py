"""Timed acts: the press that holds while the mass cools, the heat activation.

Durations are differences of the monotonic clock. A "stop" counts from when it
was said, so a press is never recorded longer than it was.
"""

from __future__ import annotations

from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft
from assistant.procedure.moment import Moment
from assistant.procedure.protocol import Step, Timed
from assistant.procedure.rules import Candidate, fired_by_value
from assistant.procedure.state import Timer


def start(draft: Draft, intent: it.Command) -> None:
    """Begin the timed act of this step (again, if it was cut short)."""
    state, step = draft.state, draft.state.step
    if step is None or not isinstance(step.expect, Timed):
        return draft.refuse(intent, "nothing_to_start")
    timer = Timer(
        track=state.active,
        step=step.id,
        mode=step.expect.mode,
        started=draft.now,
        target_s=state.protocol.limit(step.expect.limit),
    )
    return draft.add(ev.TimerStarted(timer=timer))


def stop(draft: Draft, intent: it.Command) -> None:
    """End it now; the true duration goes on the record."""
    timer = draft.state.timer
    if timer is None:
        return draft.refuse(intent, "nothing_to_stop")
    ended = intent.heard.began or draft.now
    return _end(draft, timer, elapsed_s(timer, ended), intent.heard, "stopped")


def tick(draft: Draft) -> None:
    """Time passed: a hold ends itself, a heat activation past its limit is said at once."""
    timer = draft.state.timer
    if timer is None:
        return
    elapsed = elapsed_s(timer, draft.now)
    if elapsed < timer.target_s:
        return
    if timer.mode == "hold":
        _end(draft, timer, timer.target_s, it.Heard(channel="clock"), "complete")
    elif not _warned_since(draft, timer):
        step = draft.state.protocol.step(timer.step)
        _warn_duration(draft, timer, step, elapsed)


def reopen(draft: Draft, intent: it.Reopen) -> None:
    """After a restart the monotonic clock is another one: a running act is void."""
    draft.add(ev.CaseReopened(at=draft.now, note=intent.note))
    if draft.state.timer is not None:
        draft.add(ev.TimerEnded(at=draft.now, duration_s=0.0, reason="interrupted"))


def elapsed_s(timer: Timer, now: Moment) -> float:
    """Seconds since the act began, to a tenth, never negative."""
    return max(0.0, round(now.mono_s - timer.started.mono_s, 1))


def _end(draft: Draft, timer: Timer, duration_s: float, heard: it.Heard, reason: str) -> None:
    step = draft.state.protocol.step(timer.step)
    warned = _warned_since(draft, timer)
    cut_short = timer.mode == "hold" and reason == "stopped"
    draft.add(
        ev.TimerEnded.model_validate(
            {"at": draft.now, "duration_s": duration_s, "reason": reason}
        )
    )
    if warned:
        for seq in warned:
            answer = f"off at {duration_s:g} s"
            draft.add(ev.WarningAnswered(seq=seq, answer=answer, at=draft.now))
    draft.enter(
        timer.track,
        step,
        duration_s,
        heard,
        origin="timed",
        cut_short=cut_short,
        silenced=frozenset({"above"}) if warned else frozenset(),
    )
    draft.advance()


def _warned_since(draft: Draft, timer: Timer) -> tuple[int, ...]:
    """Warnings this activation has raised while it ran."""
    return tuple(
        w.seq
        for w in draft.state.warnings
        if w.step == timer.step
        and w.track == timer.track
        and w.entry is None
        and w.at.mono_s >= timer.started.mono_s
        and w.answer is None
    )


def _warn_duration(draft: Draft, timer: Timer, step: Step, elapsed: float) -> None:
    """The rules are asked about the duration so far; just past the limit trips them."""
    just_past = max(elapsed, timer.target_s + 0.1)
    round_ = draft.state.track(timer.track).round(step.loop)
    candidate = Candidate(timer.track, step, step.expect.quantity, just_past, round_)
    for fired in fired_by_value(draft.state, candidate):
        if fired.rule.check == "above":
            draft.warn(fired, timer.track, step, None)

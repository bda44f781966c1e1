"""Commands without a value: back, skip, undo, switch, pause, keep, sign."""

from __future__ import annotations

from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure import timing
from assistant.procedure.draft import KEPT, REPEATED, Draft
from assistant.procedure.facts import odd_canals
from assistant.procedure.rules import fired_by_skip
from assistant.procedure.state import CASE, CaseState, Entry, Pending, Skipped
from assistant.protocol.coherence import ONCE
from assistant.protocol.model import AT_CANALS, Step


def obey(draft: Draft, intent: it.AnyIntent) -> None:
    """Carry out a command, or say why not."""
    match intent:
        case it.Command(verb="start"):
            _start(draft, intent)
        case it.Command(verb="stop"):
            timing.stop(draft, intent)
        case it.Command(verb="keep"):
            _keep(draft, intent)
        case it.Command(verb="back"):
            _back(draft, intent)
        case it.Command(verb="undo"):
            _undo(draft, intent)
        case it.Command(verb="pause"):
            draft.add(ev.Paused(at=draft.now))
        case it.Command(verb="resume"):
            if draft.state.paused:
                draft.add(ev.Resumed(at=draft.now))
            else:
                draft.refuse(intent, "not_paused")
        case it.Command(verb="sign"):
            _ask_to_sign(draft, intent)
        case it.Skip():
            _skip(draft, intent)
        case it.SwitchCanal():
            _switch(draft, intent)
        case it.WhoSpeaks(who=who):
            draft.add(ev.SpeakerNamed(who=who, at=draft.now))
        case _:
            draft.refuse(intent, "not_possible")


def _start(draft: Draft, intent: it.Command) -> None:
    """Begin the timed act; after a press cut short this is the answer to its warning."""
    step = draft.state.step
    if step is not None and step.expect.kind == "timed":
        repeated = draft.open_here()
        if set(draft.state.open_warnings(draft.state.active)) - set(repeated):
            return draft.refuse(intent, "answer_warning_first")
        draft.drop_pending("timer started")
        for warning in repeated:
            draft.answer(warning, REPEATED)
    return timing.start(draft, intent)


def _keep(draft: Draft, intent: it.Command) -> None:
    """The clinician stands by what was warned about."""
    waiting = draft.state.open_warnings(draft.state.active)
    if not waiting:
        return draft.refuse(intent, "nothing_to_keep")
    draft.drop_pending("the value before it was kept")
    for warning in waiting:
        draft.answer(warning, KEPT)
    return draft.go_on()


def _back(draft: Draft, intent: it.Command) -> None:
    here = draft.state.here
    if not here.visited or here.step == AT_CANALS:
        return draft.refuse(intent, "at_the_start")
    if draft.state.open_warnings(here.name):
        return draft.refuse(intent, "answer_warning_first")
    step, round_ = here.visited[-1]
    if here.name == CASE and not _same_part(draft.state, here.step, step):
        return draft.refuse(intent, "at_the_start")
    draft.drop_pending("gone back")
    return draft.move(here.name, step, "back", round_)


def _same_part(state: CaseState, one: str, other: str) -> bool:
    opening = {step.id for step in state.protocol.opening}
    return (one in opening) == (other in opening)


def _undo(draft: Draft, intent: it.Command) -> None:
    """Take back the last entry of this canal and ask for it again.

    A correction taken back gives the earlier value its place again; then, and
    where going back has already passed the step, the canal stays where it is.
    """
    state = draft.state
    track = state.active
    if track != CASE and not canal_work_begun(state):
        track = CASE
    last = state.newest(track)
    if last is None or (
        track == CASE
        and state.track(CASE).step != AT_CANALS
        and not _same_part(state, state.track(CASE).step, last.step)
    ):
        return draft.refuse(intent, "nothing_to_undo")
    # First: selecting a track forgets the question, which must stay in the log.
    draft.drop_pending("gone back")
    if track != state.active:
        draft.add(ev.TrackSelected(track=track, at=draft.now))
    if draft.take_back(last) is None:
        _ask_again(draft, last)
    return None


def _ask_again(draft: Draft, entry: Entry) -> None:
    """Go back to the step of an entry, if the track has come past it."""
    here = draft.state.track(entry.track)
    readings = draft.state.protocol.step(entry.step).expect.kind == "readings"
    round_ = 1 if readings else entry.round
    loop = draft.state.protocol.step(entry.step).loop
    if (entry.step, round_) in (*here.visited, (here.step, here.round(loop))):
        draft.move(entry.track, entry.step, "undo", round_)


def _skip(draft: Draft, intent: it.Skip) -> None:
    state, step = draft.state, draft.state.step
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if step.expect.kind in ONCE:
        return draft.refuse(intent, "cannot_skip", step=step.title)
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    if not (intent.reason and intent.reason.strip()):
        return draft.refuse(intent, "skip_needs_reason", step=step.title)
    draft.drop_pending("step skipped")
    for fired in tuple(fired_by_skip(state, state.active, step)):
        draft.warn(fired, state.active, step, None)
    skipped = Skipped(
        track=state.active,
        step=step.id,
        round=state.here.round(step.loop),
        reason=intent.reason,
        at=draft.now,
    )
    draft.add(ev.StepSkipped(skipped=skipped))
    return draft.advance(skip=True)


def _switch(draft: Draft, intent: it.SwitchCanal) -> None:
    state = draft.state
    case_step = state.track(CASE).step
    if case_step in {step.id for step in state.protocol.opening}:
        return draft.refuse(intent, "finish_setup_first")
    if intent.canal == CASE:
        if case_step == AT_CANALS:
            return draft.refuse(intent, "canals_left")
    elif intent.canal not in {track.name for track in state.canals}:
        return draft.refuse(intent, "no_such_canal", value=intent.canal)
    draft.drop_pending("canal changed")
    return draft.add(ev.TrackSelected(track=intent.canal, at=draft.now))


def _ask_to_sign(draft: Draft, intent: it.Command) -> None:
    state, step = draft.state, draft.state.step
    if step is None or step.expect.kind != "sign" or not _all_filled(state):
        return draft.refuse(intent, "not_at_the_end")
    if any(warning.open for warning in state.warnings):
        return draft.refuse(intent, "answer_warning_first")
    if state.who != "operator":
        return draft.refuse(intent, "operator_signs")
    draft.drop_pending("said again")
    pending = Pending(
        kind="option",
        quantity="signature",
        value=state.operator,
        corrects=None,
        heard=intent.heard,
        why="Signing closes the case.",
    )
    return draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def _all_filled(state: CaseState) -> bool:
    """Whether every canal is finished; one may have gone back from the closing steps."""
    return all(canal.finished for canal in state.canals)


def sign(draft: Draft, intent: it.Command, step: Step, heard: it.Heard) -> None:
    """The confirmed signature."""
    if draft.state.who != "operator":
        return draft.refuse(intent, "operator_signs")
    draft.enter(CASE, step, draft.state.operator, heard, confirmed=True)
    draft.advance()
    return draft.add(ev.NoteSigned(operator=draft.state.operator, at=draft.now))


def canal_work_begun(state: CaseState) -> bool:
    """Whether any canal has an entry that counts, or has left its first step."""
    return any(canal.visited or state.newest(canal.name) is not None for canal in state.canals)


def check_canals_again(draft: Draft) -> None:
    """Another tooth: canals that it hardly has are taken back and asked for again."""
    canals = draft.state.newest(CASE, "canals")
    if canals is not None and odd_canals(draft.state, canals.value):
        draft.take_back(canals, restore=False)
        _ask_again(draft, canals)

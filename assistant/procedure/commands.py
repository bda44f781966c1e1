"""Commands without a value: back, skip, undo, switch, pause, keep, sign."""

from __future__ import annotations

from assistant.canal import teeth
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure import timing
from assistant.procedure.draft import Draft
from assistant.procedure.protocol import AT_CANALS, Step
from assistant.procedure.rules import fired_by_leaving, fired_by_skip
from assistant.procedure.state import CASE, CaseState, Pending, Skipped

UNSKIPPABLE = frozenset({"tooth", "canals", "sign"})
"""Without these there is no case to speak of."""


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
        _answer_with(draft, "repeated")
    timing.start(draft, intent)


def _answer_with(draft: Draft, answer: str) -> None:
    for warning in draft.state.open_warnings(draft.state.active):
        draft.add(ev.WarningAnswered(seq=warning.seq, answer=answer, at=draft.now))


def _keep(draft: Draft, intent: it.Command) -> None:
    """The clinician stands by a value that was warned about."""
    if not draft.state.open_warnings(draft.state.active):
        return draft.refuse(intent, "nothing_to_keep")
    _answer_with(draft, "kept as said")
    return draft.advance()


def _back(draft: Draft, intent: it.Command) -> None:
    here = draft.state.here
    if not here.visited or here.step == AT_CANALS:
        return draft.refuse(intent, "at_the_start")
    if draft.state.open_warnings(here.name):
        return draft.refuse(intent, "answer_warning_first")
    step, round_ = here.visited[-1]
    if here.name == CASE and not _same_part(draft.state, here.step, step):
        return draft.refuse(intent, "at_the_start")
    return draft.move(here.name, step, "back", round_)


def _same_part(state: CaseState, one: str, other: str) -> bool:
    opening = {step.id for step in state.protocol.opening}
    return (one in opening) == (other in opening)


def _undo(draft: Draft, intent: it.Command) -> None:
    """Take back the last entry of this canal and ask for it again."""
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
    if track != state.active:
        draft.add(ev.TrackSelected(track=track, at=draft.now))
    draft.add(ev.EntryUndone(seq=last.seq, at=draft.now))
    draft.answer_open(last.seq, "entry taken back")
    readings = state.protocol.step(last.step).expect.kind == "readings"
    return draft.move(track, last.step, "undo", 1 if readings else last.round)


def _skip(draft: Draft, intent: it.Skip) -> None:
    state, step = draft.state, draft.state.step
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if step.expect.kind in UNSKIPPABLE:
        return draft.refuse(intent, "cannot_skip", step=step.title)
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    if not intent.reason:
        return draft.refuse(intent, "skip_needs_reason", step=step.title)
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


def warn_leaving(draft: Draft, step: Step) -> None:
    """Say so when a loop is left before its goal."""
    for fired in tuple(fired_by_leaving(draft.state, draft.state.active, step)):
        draft.warn(fired, draft.state.active, step, None)


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
    return draft.add(ev.TrackSelected(track=intent.canal, at=draft.now))


def _ask_to_sign(draft: Draft, intent: it.Command) -> None:
    state, step = draft.state, draft.state.step
    if step is None or step.expect.kind != "sign":
        return draft.refuse(intent, "not_at_the_end")
    if any(warning.open for warning in state.warnings):
        return draft.refuse(intent, "answer_warning_first")
    pending = Pending(
        kind="option",
        quantity="signature",
        value=state.operator,
        corrects=None,
        heard=intent.heard,
        why="Signing closes the case.",
    )
    return draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def sign(draft: Draft, heard: it.Heard) -> None:
    """The confirmed signature."""
    step = draft.state.step
    assert step is not None
    draft.enter(CASE, step, draft.state.operator, heard, confirmed=True)
    draft.advance()
    draft.add(ev.NoteSigned(operator=draft.state.operator, at=draft.now))


def canal_work_begun(state: CaseState) -> bool:
    """Whether any canal has an entry that counts."""
    return any(True for track in state.canals for _ in state.standing(track.name))


def named_twice(intent: it.Given | it.Correction) -> str | None:
    """The first canal that was named twice, or None."""
    named = intent.value
    if not isinstance(named, tuple):
        return None
    return next((canal for i, canal in enumerate(named) if canal in named[:i]), None)


def unusual_canal(draft: Draft, intent: it.Given | it.Correction) -> str | None:
    """The first canal named that handbooks do not give this tooth, or None."""
    tooth, named = draft.state.tooth, intent.value
    if tooth is None or not isinstance(named, tuple):
        return None
    possible = teeth.possible_canals(teeth.parse_fdi(tooth))
    return next((canal for canal in named if canal not in possible), None)

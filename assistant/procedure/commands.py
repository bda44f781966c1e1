"""Commands without a value: back, skip, undo, switch, pause, keep, sign."""

from __future__ import annotations

from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure import timing
from assistant.procedure.draft import KEPT, REPEATED, Draft
from assistant.procedure.facts import odd_canals
from assistant.procedure.reach import open_here, to_undo, way_back
from assistant.procedure.rules import fired_by_skip
from assistant.procedure.state import CASE, Entry, Pending, Skipped
from assistant.protocol.model import Step


def obey(draft: Draft, intent: it.AnyIntent) -> None:
    """Carry out a command that the door has let through."""
    match intent:
        case it.Command(verb="start" | "press" | "heat_on"):
            _start(draft)
        case it.Command(verb="stop"):
            timing.stop(draft, intent)
        case it.Command(verb="keep"):
            _keep(draft)
        case it.Command(verb="back"):
            _back(draft)
        case it.Command(verb="undo"):
            _undo(draft)
        case it.Command(verb="pause"):
            draft.add(ev.Paused(at=draft.now))
        case it.Command(verb="resume"):
            draft.add(ev.Resumed(at=draft.now))
        case it.Command(verb="sign"):
            _ask_to_sign(draft, intent)
        case it.Skip(reason=reason):
            _skip(draft, reason or "")
        case it.SwitchCanal(canal=canal):
            draft.drop_pending("canal changed")
            draft.go_on()
            draft.add(ev.TrackSelected(track=canal, at=draft.now))
        case it.WhoSpeaks(who=who):
            draft.add(ev.SpeakerNamed(who=who, at=draft.now))


def _start(draft: Draft) -> None:
    """Begin the timed act; after a press cut short this is the answer to its warning."""
    repeated = open_here(draft.state)
    draft.drop_pending("timer started")
    for warning in repeated:
        draft.answer(warning, REPEATED)
    timing.start(draft)


def _keep(draft: Draft) -> None:
    """The clinician stands by what was warned about."""
    waiting = draft.state.open_warnings(draft.state.active)
    draft.drop_pending("the value before it was kept")
    for warning in waiting:
        draft.answer(warning, KEPT)
    draft.go_on()


def _back(draft: Draft) -> None:
    found = way_back(draft.state)
    assert found is not None
    draft.drop_pending("gone back")
    draft.move(draft.state.active, found[0], "back", found[1])


def _undo(draft: Draft) -> None:
    """Take back the last entry of this canal and ask for it again.

    A correction taken back gives the earlier value its place again; then, and
    where going back has already passed the step, the canal stays where it is.
    """
    last = to_undo(draft.state)
    assert last is not None
    # First: selecting a track forgets the question, which must stay in the log.
    draft.drop_pending("gone back")
    if last.track != draft.state.active:
        draft.add(ev.TrackSelected(track=last.track, at=draft.now))
    if draft.take_back(last) is None:
        _ask_again(draft, last)


def _ask_again(draft: Draft, entry: Entry) -> None:
    """Go back to the step of an entry, if the track has come past it."""
    here = draft.state.track(entry.track)
    readings = draft.state.protocol.by_id[entry.step].expect.kind == "readings"
    round_ = 1 if readings else entry.round
    loop = draft.state.protocol.by_id[entry.step].loop
    if (entry.step, round_) in (*here.visited, (here.step, here.round(loop))):
        draft.move(entry.track, entry.step, "undo", round_)


def _skip(draft: Draft, reason: str) -> None:
    state, step = draft.state, draft.state.step
    assert step is not None
    draft.drop_pending("step skipped")
    for fired in tuple(fired_by_skip(state, state.active, step)):
        draft.warn(fired, state.active, step, None)
    skipped = Skipped(
        track=state.active,
        step=step.id,
        round=state.here.round(step.loop),
        reason=reason,
        at=draft.now,
    )
    draft.add(ev.StepSkipped(skipped=skipped))
    draft.advance(skip=True)


def _ask_to_sign(draft: Draft, intent: it.Command) -> None:
    draft.drop_pending("said again")
    pending = Pending(
        kind="option",
        quantity="signature",
        value=draft.state.operator,
        corrects=None,
        heard=intent.heard,
        why="Signing closes the case.",
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def sign(draft: Draft, step: Step, heard: it.Heard) -> None:
    """The confirmed signature."""
    draft.enter(draft.judge(CASE, step, draft.state.operator), heard, confirmed=True)
    draft.advance()
    draft.add(ev.NoteSigned(operator=draft.state.operator, at=draft.now))


def check_canals_again(draft: Draft) -> None:
    """Another tooth: canals that it hardly has are taken back and asked for again."""
    canals = draft.state.newest(CASE, draft.state.protocol.asking("canals"))
    if canals is not None and odd_canals(draft.state, canals.value):
        draft.take_back(canals, restore=False)
        _ask_again(draft, canals)

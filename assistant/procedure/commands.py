"""Commands without a value: back, skip, undo, switch, pause, keep, sign."""

from __future__ import annotations

from assistant.procedure import moving, timing
from assistant.procedure.correctable import to_undo
from assistant.procedure.draft import KEPT, REPEATED, Draft
from assistant.procedure.fired import fired_by_skip
from assistant.procedure.reach import open_here, way_back
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress import people
from assistant.progress.entries import Entry, Skipped, Takeover
from assistant.progress.facts import odd_canals
from assistant.progress.state import CASE, VISIT, CaseState, Pending
from assistant.protocol.model import AT_CANALS, Step


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
            _ask_to_sign(draft, intent.heard, draft.state.operator)
        case it.SignAs(name=name):
            _ask_to_sign(draft, intent.heard, " ".join(name.split()))
        case it.Skip(reason=reason):
            _skip(draft, reason or "")
        case it.SwitchCanal(canal=canal):
            draft.drop_pending("canal changed")
            moving.go_on(draft)
            draft.add(ev.TrackSelected(track=canal, at=draft.now))
        case it.TakeOver():
            _take_over(draft, intent)
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
    moving.go_on(draft)
    if waiting:
        moving.after_part(draft)


def _back(draft: Draft) -> None:
    found = way_back(draft.state)
    assert found is not None
    draft.drop_pending("gone back")
    if (aside := draft.state.aside) is not None:
        return moving.ask_aside(draft, draft.state.active, aside.finding, aside.round, found[0])
    return moving.move(draft, draft.state.active, found[0], "back", found[1])


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
        ask_again(draft, last)
    elif draft.state.here.step == AT_CANALS:
        moving.after_part(draft)


def ask_again(draft: Draft, entry: Entry) -> None:
    """Go back to the step of an entry, if the track has come past it."""
    here = draft.state.track(entry.track)
    finding = draft.state.protocol.finding_of.get(entry.step)
    if finding is not None:
        step = None if entry.step == finding.id else entry.step
        moving.ask_aside(draft, entry.track, finding.id, entry.round, step)
        return
    readings = draft.state.protocol.by_id[entry.step].expect.kind == "readings"
    round_ = 1 if readings else entry.round
    loop = draft.state.protocol.by_id[entry.step].loop
    if (entry.step, round_) in (*here.visited, (here.step, here.round(loop))):
        moving.move(draft, entry.track, entry.step, "undo", round_)


def _skip(draft: Draft, reason: str) -> None:
    state, step = draft.state, draft.state.step
    assert step is not None
    draft.drop_pending("step skipped")
    for fired in tuple(fired_by_skip(state, state.active, step)):
        draft.warn(fired, state.active, step, None)
    skipped = Skipped(
        track=state.active,
        step=step.id,
        round=state.round,
        reason=reason,
        at=draft.now,
    )
    draft.add(ev.StepSkipped(skipped=skipped))
    moving.advance(draft, skip=True)


def _take_over(draft: Draft, intent: it.TakeOver) -> None:
    """Somebody else operates, or assists, from here on."""
    state = draft.state
    pending = state.pending
    if pending is not None and pending.quantity in {"signature", VISIT}:
        draft.drop_pending("another operates")  # it would have been another's signature
    takeover = Takeover(
        role=intent.role,
        name=people.named(state, intent),
        before=state.operator if intent.role == "operator" else state.assistant,
        heard=intent.heard,
        at=draft.now,
    )
    draft.add(ev.TakenOver(takeover=takeover))


def _ask_to_sign(draft: Draft, heard: it.Heard, name: str) -> None:
    draft.drop_pending("said again")
    pending = Pending(
        kind="option",
        quantity="signature",
        value=name,
        corrects=None,
        heard=heard,
        why=_signs(draft.state, name),
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def _signs(state: CaseState, name: str) -> str:
    """What the signature is: in whose name, and for whom, where that is another."""
    others = [one for one in people.operators(state) if one != name]
    if not others:
        return "Signing closes the case."
    return f"{name} signs, for {' and '.join(others)} too. Signing closes the case."


def sign(draft: Draft, step: Step, pending: Pending) -> None:
    """The confirmed signature."""
    draft.enter(draft.judge(CASE, step, pending.value), pending.heard, confirmed=True)
    moving.advance(draft)
    draft.add(ev.NoteSigned(operator=str(pending.value), at=draft.now))


def check_canals_again(draft: Draft) -> None:
    """Another tooth: canals that it hardly has are taken back and asked for again."""
    canals = draft.state.newest(CASE, draft.state.protocol.asking("canals"))
    if canals is not None and odd_canals(draft.state, canals.value):
        draft.take_back(canals, restore=False)
        ask_again(draft, canals)

"""respond(events, after) -> prompts: what is said about what happened.

Warnings come first, then questions, then read-backs, then the next step. The
sentences are in ``grammars/<lang>/wording.yaml`` and in the protocol.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from assistant.procedure.draft import KEPT
from assistant.procedure.modes import CLOSED, Mode, mode_of
from assistant.procedure.reach import press_waits
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import CaseChange, Entry
from assistant.progress.fields import fill, fill_if_known
from assistant.progress.state import CASE, VISIT, CaseState, Pending
from assistant.prompt import answers
from assistant.prompt.beside import about_beside
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.read_back import read_back
from assistant.protocol.expect import Timed
from assistant.protocol.model import AT_CANALS, FINISHED, Step
from assistant.protocol.moment import Moment
from assistant.words.phrases import plain_phrase
from assistant.words.sayable import sayable
from assistant.words.sayings import (
    Wording,
    said_change,
    said_entry,
    said_value,
    spoken,
    told_entry,
)


def respond(
    events: Sequence[ev.AnyEvent],
    after: CaseState,
    wording: Wording,
    *,
    brief: bool = False,
) -> list[Prompt]:
    """Everything to say about one decision, most urgent first."""
    said = list(_canal_of_warnings(events, after, wording))
    before: Entry | None = None
    for event in events:
        said.extend(_about_values(event, after, wording, brief))
        if isinstance(event, ev.EntryMade):
            said.append(read_back(after, event.entry, before, wording))
            before = event.entry
        said.extend(_about_place(event, after, wording, brief))
        said.extend(about_beside(event, after, wording))
    said.extend(_what_now(events, after, wording, brief))
    said = [prompt for prompt in said if prompt.text]
    # Sorting is stable: within one urgency the order of events stays.
    said.sort(key=lambda prompt: -prompt.urgency)
    return [_with_voice(prompt, wording.language) for prompt in said]


def _canal_of_warnings(
    events: Sequence[ev.AnyEvent], after: CaseState, words: Wording
) -> Iterator[Prompt]:
    """The canal that was gone to, where a warning waits in it: before the warning."""
    gone_to = [event.track for event in events if isinstance(event, ev.TrackSelected)]
    if gone_to and len(after.canals) > 1 and after.open_warnings(gone_to[-1]):
        text = words.notices["canal_selected"].format(canal=gone_to[-1].capitalize())
        yield Prompt(text, Urgency.WARNING)


def _about_values(
    event: ev.AnyEvent, after: CaseState, words: Wording, brief: bool
) -> Iterator[Prompt]:
    """What was taken, questioned, warned about or refused."""
    match event:
        case ev.Warned(warning=warning):
            loud = warning.severity in {"urgent", "alert"}
            urgency = Urgency.WARNING if loud else Urgency.CAUTION
            yield Prompt(warning.text, urgency, warning.spoken)
        case ev.ConfirmAsked(pending=pending):
            for text in pending.warned:
                yield Prompt(text, Urgency.WARNING)
            yield Prompt(_question(pending, words), Urgency.QUESTION)
        case ev.ChangeAsked(change=change):
            yield Prompt(_asked_change(change, words), Urgency.QUESTION)
        case ev.ChangeDropped(rejected=rejected):
            if rejected.reason == "not confirmed":
                text = words.notices["dropped"].format(ask=question(after, words, brief))
                yield Prompt(text, Urgency.QUESTION)
        case ev.CaseChanged(change=change):
            yield Prompt(said_change(change, words), Urgency.READ_BACK)
        case ev.CasePrepared(remarks=remarks):
            for name, text in remarks:
                yield Prompt(f"{name} {text}.", Urgency.READ_BACK)
        case ev.Refused(rejected=rejected, detail=detail):
            filled = dict(detail) | {
                "ask": question(after, words, brief),
                "left": answers.left(after, words.answers),
                "warning": _unanswered(after),
                "waiting": answers.warned_elsewhere(after, words.answers),
            }
            text = words.refusals[rejected.reason].format_map(filled).strip()
            yield Prompt(text, Urgency.QUESTION)
        case ev.NotUnderstood(readings=readings):
            if readings:
                text = words.questions["ambiguous"].format(readings=", or ".join(readings))
            else:
                again = question(after, words, brief)
                text = words.questions["not_understood"].format(step=again)
            yield Prompt(text, Urgency.QUESTION)
        case ev.EntryUndone(seq=seq, restores=restores):
            entry = next(e for e in after.entries if e.seq == seq)
            what = told_entry(after, entry, words).rstrip(".")
            text = words.notices["undone"].format(what=what)
            if restores is not None:
                stands = told_entry(after, after.entries[restores - 1], words)
                text = words.notices["undone_stands"].format(undone=text, stands=stands)
            yield Prompt(text, Urgency.READ_BACK)
        case ev.ConfirmDropped(rejected=rejected):
            if rejected.reason == "not confirmed":
                text = words.notices["dropped"].format(ask=question(after, words, brief))
                yield Prompt(text, Urgency.QUESTION)
        case ev.WarningAnswered(answer=answer) if answer == KEPT:
            yield Prompt(words.notices["kept"], Urgency.READ_BACK)


def _about_place(
    event: ev.AnyEvent, after: CaseState, words: Wording, brief: bool
) -> Iterator[Prompt]:
    """Where the case is now, and what came to an end."""
    notice = words.notices
    match event:
        case ev.StepReached(track=track, step=step) if step in {FINISHED, AT_CANALS}:
            if track != CASE:
                text = notice["canal_finished"].format(canal=track.capitalize())
                yield Prompt(text, Urgency.READ_BACK)
        case ev.TrackSelected(track=track) if track != CASE and len(after.canals) > 1:
            if not after.open_warnings(track):
                text = notice["canal_selected"].format(canal=track.capitalize())
                yield Prompt(text, Urgency.READ_BACK)
        case ev.StepSkipped(skipped=skipped):
            title = after.protocol.by_id[skipped.step].title
            yield Prompt(notice["skipped"].format(step=title), Urgency.READ_BACK)
        case ev.TimerStarted():
            # A chime alone: words would be in the way of a "heat off".
            yield Prompt(notice["timer_on"], Urgency.READ_BACK, spoken="")
        case ev.TimerEnded(reason="complete"):
            yield Prompt(notice["release"], Urgency.CAUTION)
        case ev.TimerEnded(reason="stopped", ended=ended) if not _goes_cool(after, ended):
            yield Prompt(notice["timer_off"], Urgency.READ_BACK)
        case ev.Paused():
            yield Prompt(notice["paused"], Urgency.READ_BACK)
        case ev.Resumed():
            yield Prompt(notice["resumed"].format(ask=question(after, words, brief)))
        case ev.CaseReopened(running=running):
            if running is not None:
                key = "stopped_in_heat" if running.mode == "until_off" else "stopped_in_press"
                text = notice[key].format(canal=running.track.capitalize())
                yield Prompt(text, Urgency.WARNING)
            standing = [entry for entry in after.entries if entry.standing == "standing"]
            last = told_entry(after, standing[-1], words) if standing else "none."
            now = question(after, words, brief)
            text = notice["reopened"].format(last=last, ask=now)
            yield Prompt(text, Urgency.QUESTION)
        case ev.Queried(what=what):
            yield _answer(what, after, words, brief)
        case ev.TroubleMet(text=text):
            yield Prompt(text, Urgency.WARNING)
        case ev.NoteSigned():
            yield Prompt(notice["signed"], Urgency.READ_BACK)
        case ev.AddendumMade():
            yield Prompt(notice["addendum"], Urgency.READ_BACK)
        case _:
            return


def _what_now(
    events: Sequence[ev.AnyEvent], after: CaseState, words: Wording, brief: bool
) -> Iterator[Prompt]:
    """The question that the whole decision leads to: an urgent warning that waits
    for its answer comes before the question of the step."""
    warned = any(isinstance(event, ev.Warned) for event in events)
    moved = any(isinstance(event, _MOVES) for event in events)
    waiting = () if press_waits(after) else after.open_warnings(after.active)
    if (
        waiting
        and after.timer is None
        and (warned or moved or any(isinstance(e, ev.EntryMade) for e in events))
    ):
        if not warned:
            for warning in waiting:
                yield Prompt(warning.text, Urgency.WARNING, warning.spoken or None)
        yield Prompt(_how_to_answer(after, words), Urgency.QUESTION)
    elif moved and not waiting and after.signed is None and after.timer is None:
        asked = _step_question(after, words, brief)
        selected = any(isinstance(event, ev.TrackSelected) for event in events)
        if selected and len(after.canals) > 1:
            named = f"{after.active.capitalize()}. "  # it was said
            asked = Asked(*(one.removeprefix(named) for one in asked))
        yield Prompt(asked.shown, Urgency.STEP, asked.said)


class Asked(NamedTuple):
    """A question as it is shown and as it is said."""

    shown: str
    said: str


def _step_question(state: CaseState, words: Wording, brief: bool) -> Asked:
    """What is waited for, as :func:`question`; in full where the step is met for the first
    time in the case. "Say again" and the screen have all of it."""
    step = None if brief or state.pending is not None else state.step
    if step is None or mode_of(state) is not Mode.ASKED:
        asked = question(state, words, brief)
        return Asked(asked, asked)
    again = step.loop is not None and state.here.round(step.loop) > 1
    again = again or any(e.step == step.id and e.track != state.active for e in state.entries)
    ask = step.briefly if again else step.ask
    return Asked(_with_hints(state, step, ask, shown=True), _with_hints(state, step, ask))


_MOVES = (
    *(ev.StepReached, ev.AsideReached, ev.TrackSelected, ev.EntryUndone, ev.WarningAnswered),
    ev.CaseChanged,
)
"""Events after which the room wants to know where it is."""


def question(state: CaseState, words: Wording, brief: bool) -> str:
    """What is waited for now: the end of a pause or of a timer, a "confirm", the
    answer to a warning, or the present step's; where nothing is, what is left."""
    mode, step = mode_of(state), state.step
    if mode in CLOSED:
        return words.refusals[CLOSED[mode][0]]
    if mode is Mode.PRESSING and state.pending is None:
        return words.refusals["timer_running"]
    if state.proposed is not None:
        return _asked_change(state.proposed, words)
    if state.pending is not None:
        return _question(state.pending, words)
    if mode is Mode.WARNED and not press_waits(state):
        return f"{_unanswered(state)} {_how_to_answer(state, words)}"
    if step is None:
        return answers.where(state, words.answers)
    if brief:
        return fill(step.briefly, state, state.here)
    return _with_hints(state, step, step.ask)


def _with_hints(state: CaseState, step: Step, ask: str, *, shown: bool = False) -> str:
    every = (*step.hints, *step.shown) if shown else step.hints
    hints = [fill_if_known(hint, state, state.here) for hint in every]
    return " ".join(filter(None, [fill(ask, state, state.here), *hints]))


def _goes_cool(state: CaseState, ended: Moment | None) -> bool:
    """Whether heat went off just now: its chime is heard, and the press is next."""
    return ended is not None and any(
        track.heat_off is not None and track.heat_off.at == ended for track in state.tracks
    )


def _unanswered(state: CaseState) -> str:
    """The warnings in the way, with the canal where it is another one."""
    here = state.open_warnings(state.active)
    if here:
        return " ".join(warning.spoken or warning.text for warning in here)
    elsewhere = [warning for warning in state.warnings if warning.open]
    return " ".join(f"{w.track.capitalize()}: {w.spoken or w.text}" for w in elsewhere)


def _question(pending: Pending, words: Wording) -> str:
    key = "sign" if pending.quantity in {"signature", VISIT} else "confirm"
    key = key if pending.revises is None else "revise"
    parts = (said_value(*_value_of(part, words)) for part in pending.rest)
    value = ", ".join((said_value(pending.kind, pending.value), *parts))
    if pending.rival is None:
        return words.questions[key].format(why=pending.why, value=value).strip()
    # The doubt is plain from the two values; what a rule asks must be said.
    why = "" if pending.why == pending.heard.doubt else pending.why
    rival = said_value(pending.kind, pending.rival)
    return words.questions["either"].format(why=why, value=value, rival=rival).strip()


def _value_of(part: it.Part, words: Wording) -> tuple[str | None, it.Scalar]:
    match part:
        case it.Given(kind=kind, value=value):
            return kind, value
        case it.Chosen(option=option):
            return None, option
    return None, plain_phrase(words.phrases.planned[0])


def _asked_change(change: CaseChange, words: Wording) -> str:
    what = said_change(change, words)
    return " ".join(words.questions["change"].format(what=what, odd=change.odd).split())


def _what_was_recorded(state: CaseState, words: Wording) -> str:
    """The measurements of the active canal; at the end, a summary of every canal."""
    parts = [said_entry(state, entry, words) for entry in answers.measured(state)]
    if state.active == CASE:
        for track in state.canals:
            parts.append(f"{track.name.capitalize()}.")
            summary = answers.summary(state, track.name)
            parts += [said_entry(state, entry, words) for entry in summary]
    return " ".join(filter(None, parts))


def _answer(what: str, state: CaseState, words: Wording, brief: bool) -> Prompt:
    match what:
        case "repeat":
            text = question(state, words, brief)
        case "where":
            text = answers.where(state, words.answers)
        case "read_back":
            text = _what_was_recorded(state, words) or words.answers["read_back_none"]
        case "what_is_left":
            text = answers.left(state, words.answers)
        case "more":
            text = answers.all_left(state, words.answers)
        case "how_long":
            minutes = math.ceil(answers.seconds_left(state) / 60)
            text = words.answers["how_long"].format(minutes=minutes)
        case "what_can_i_say":
            said = sayable(state, words)
            phrases = ", ".join(
                one.text for one in said if not isinstance(one.intent, it.Finding)
            )
            text = words.answers["say_now"].format(phrases=phrases)
            if state.timer is not None:
                text = words.refusals["timer_running"]  # no word of ours may end it
        case "pair":
            text = words.notices["pair"]
        case "remark":
            text = words.notices["remark_typed"]
        case _:
            text = words.notices["verbosity"]
    return Prompt(text, Urgency.READ_BACK)


def _how_to_answer(state: CaseState, words: Wording) -> str:
    newest = state.open_warnings(state.active)[-1]
    expect = state.protocol.by_id[newest.step].expect
    no_value = expect.kind == "choice"
    if no_value or (isinstance(expect, Timed) and expect.mode == "until_off"):
        return words.questions["warned_keep"]
    timed = isinstance(expect, Timed)
    # A press can be repeated where it stands; elsewhere it is kept, or gone back to.
    here = state.step is not None and state.step.id == newest.step
    if timed:
        return words.questions["warned_press" if here else "warned_earlier_press"]
    return words.questions["warned"]


def _with_voice(prompt: Prompt, language: str) -> Prompt:
    voice = spoken(prompt.text if prompt.spoken is None else prompt.spoken, language)
    return replace(prompt, spoken=None if voice == prompt.text else voice)

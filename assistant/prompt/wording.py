"""respond(events, after) -> prompts: what is said about what happened.

Warnings come first, then questions, then read-backs, then the next step. The
sentences are in ``grammars/<lang>/wording.yaml`` and in the protocol.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from assistant.procedure import events as ev
from assistant.procedure.facts import fields
from assistant.procedure.protocol import AT_CANALS, FINISHED
from assistant.procedure.state import CASE, CaseState, Entry, Pending
from assistant.prompt import answers
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.sayings import Wording, said_entry, said_value, spoken


def respond(
    events: Sequence[ev.AnyEvent],
    after: CaseState,
    wording: Wording,
    *,
    brief: bool = False,
) -> list[Prompt]:
    """Everything to say about one decision, most urgent first."""
    said: list[Prompt] = []
    for event in events:
        said.extend(_about_values(event, after, wording, brief))
        said.extend(_about_place(event, after, wording, brief))
    if after.open_warnings(after.active) and any(isinstance(e, ev.Warned) for e in events):
        said.append(_how_to_answer(after, wording))
    said = [prompt for prompt in said if prompt.text]
    # Sorting is stable: within one urgency the order of events stays.
    spoken = sorted(said, key=lambda prompt: -prompt.urgency)
    return [_with_voice(prompt, wording.language) for prompt in spoken]


def _about_values(
    event: ev.AnyEvent, after: CaseState, words: Wording, brief: bool
) -> Iterator[Prompt]:
    """What was taken, questioned, warned about or refused."""
    match event:
        case ev.Warned(warning=warning):
            loud = warning.severity in {"urgent", "alert"}
            yield Prompt(warning.text, Urgency.WARNING if loud else Urgency.CAUTION)
        case ev.ConfirmAsked(pending=pending):
            yield Prompt(_question(pending, words), Urgency.QUESTION)
        case ev.EntryMade(entry=entry, replaces=replaces):
            yield _read_back(entry, replaces, after, words)
        case ev.Refused(rejected=rejected, detail=detail):
            filled = dict(detail) | {
                "ask": ask(after, brief),
                "left": answers.left(after, words.answers),
                "warning": " ".join(w.text for w in after.open_warnings(after.active)),
            }
            yield Prompt(words.refusals[rejected.reason].format_map(filled), Urgency.QUESTION)
        case ev.NotUnderstood(readings=readings):
            if readings:
                text = words.questions["ambiguous"].format(readings=", or ".join(readings))
            else:
                text = words.questions["not_understood"].format(step=ask(after, brief))
            yield Prompt(text, Urgency.QUESTION)
        case ev.EntryUndone(seq=seq):
            entry = next(e for e in after.entries if e.seq == seq)
            what = said_entry(entry, words).rstrip(".")
            yield Prompt(words.notices["undone"].format(what=what), Urgency.READ_BACK)
        case ev.ConfirmDropped(rejected=rejected):
            if rejected.reason == "not confirmed":
                yield Prompt(
                    words.notices["dropped"].format(ask=ask(after, brief)), Urgency.QUESTION
                )
        case ev.WarningAnswered(answer="kept as said"):
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
        case ev.StepReached(track=track, step=place):
            # Of several moves in one decision only the last place is asked about.
            is_last = after.here.name == track and after.here.step == place
            if is_last and not after.open_warnings(track):
                yield Prompt(ask(after, brief), Urgency.STEP)
        case ev.TrackSelected(track=track):
            if track != CASE:
                yield Prompt(ask(after, brief) or answers.where(after, words.answers))
        case ev.StepSkipped(skipped=skipped):
            title = after.protocol.step(skipped.step).title
            yield Prompt(notice["skipped"].format(step=title), Urgency.READ_BACK)
        case ev.TimerEnded(reason="complete"):
            yield Prompt(notice["release"], Urgency.CAUTION)
        case ev.TimerEnded(reason="stopped"):
            yield Prompt(notice["timer_off"], Urgency.READ_BACK)
        case ev.TimerEnded(reason="interrupted"):
            yield Prompt(notice["timer_void"], Urgency.QUESTION)
        case ev.Paused():
            yield Prompt(notice["paused"], Urgency.READ_BACK)
        case ev.Resumed():
            yield Prompt(notice["resumed"].format(ask=ask(after, brief)))
        case ev.CaseReopened():
            newest = after.newest(after.active)
            last = said_entry(newest, words) if newest else "none."
            text = notice["reopened"].format(last=last, ask=ask(after, brief))
            yield Prompt(text, Urgency.QUESTION)
        case ev.SpeakerNamed(who=who):
            yield Prompt(notice["speaker"].format(who=who), Urgency.READ_BACK)
        case ev.Queried(what=what):
            yield _answer(what, after, words, brief)
        case ev.TroubleMet(text=text):
            yield Prompt(text, Urgency.WARNING)
        case ev.NoteSigned():
            yield Prompt(notice["signed"], Urgency.READ_BACK)
        case _:
            return


def ask(state: CaseState, brief: bool) -> str:
    """The question of the present step, or "" when nothing is asked."""
    step = state.step
    if step is None:
        return ""
    template = step.briefly if brief else step.ask
    return template.format_map(fields(state, state.here))


def _question(pending: Pending, words: Wording) -> str:
    key = "sign" if pending.quantity == "signature" else "confirm"
    value = said_value(pending.quantity, pending.value)
    if value in pending.why.split(".")[0].split():
        key = "confirm_depth"  # the warning has just said the value
    return words.questions[key].format(why=pending.why, value=value)


def _read_back(entry: Entry, replaces: int | None, state: CaseState, words: Wording) -> Prompt:
    text = said_entry(entry, words)
    old = next((e for e in state.entries if e.seq == replaces), None)
    if old is not None and entry.origin == "said":
        text = words.replaced.format(said=text)
    measured = entry.quantity in words.read_backs
    urgency = Urgency.READ_BACK if measured or replaces else Urgency.STEP
    return Prompt(text, urgency, entry=entry.seq)


def _answer(what: str, state: CaseState, words: Wording, brief: bool) -> Prompt:
    match what:
        case "repeat":
            text = ask(state, brief) or answers.where(state, words.answers)
        case "where":
            text = answers.where(state, words.answers)
        case "read_back":
            parts = [said_entry(e, words) for e in answers.measured(state)]
            text = " ".join(filter(None, parts)) or words.answers["read_back_none"]
        case "what_is_left":
            text = answers.left(state, words.answers)
        case "how_long":
            minutes = max(1, round(answers.seconds_left(state) / 60))
            text = words.answers["how_long"].format(minutes=minutes)
        case "what_can_i_say":
            text = words.answers["say_now"].format(phrases=", ".join(answers.sayable(state)))
        case _:
            text = words.notices["verbosity"]
    return Prompt(text, Urgency.READ_BACK)


def _how_to_answer(state: CaseState, words: Wording) -> Prompt:
    timed = state.step is not None and state.step.expect.kind == "timed"
    key = "warned_press" if timed else "warned"
    return Prompt(words.questions[key], Urgency.QUESTION)


def _with_voice(prompt: Prompt, language: str) -> Prompt:
    voice = spoken(prompt.text, language)
    if voice == prompt.text:
        return prompt
    return Prompt(prompt.text, prompt.urgency, voice, prompt.entry)

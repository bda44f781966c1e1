"""A simulated attentive operator: hears what the program says, and answers truthfully.

What the program says (``prompt/wording.py``) is compared with what it would have
said, had it heard rightly. The operator knows nothing else: a wrong value whose
read-back sounds right is not noticed. Every answer goes by voice through the same
ears, in the same room.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState
from assistant.prompt.wording import respond
from assistant.sound.samples import Samples
from assistant.speech.hearing import Hearing
from assistant.speech.others import Others
from assistant.words.expected import wanted_now
from assistant.words.numbers import number_words
from assistant.words.sayings import Wording, load_wording, value_phrase
from hearing.ears import Grammars, Outcome, hear, later, step_on
from hearing.phrases import Phrase, perfect
from hearing.templates import words

CONFIRM, NO, UNDO = "confirm", "no", "undo that"

End = Literal["right", "wrong", "missing", "elsewhere"]
"""How it ended: as meant; a value stands that was not said; what was said does not
stand; every value is right but the case is at another place."""

Room = Callable[[str, int], Samples]
"""(words, which time something is said) to the sound in the room."""


@dataclass(frozen=True)
class Talk:
    """The end of an exchange: how, after which answers, and whether the operator
    was content (or gave up, knowing that something was amiss)."""

    end: End
    answers: tuple[str, ...]
    content: bool


@cache
def _wording() -> Wording:
    return load_wording(words().folder)


def goal_of(phrase: Phrase) -> CaseState:
    """The case after the phrase was heard perfectly, and confirmed where it is
    questioned (an implausible value, the signature)."""
    state = phrase.scene.state
    _, state = step_on(state, phrase.meaning, later(state))
    if state.pending is not None:
        _, state = step_on(state, it.Command(verb="confirm"), later(state))
    return state


def judge_end(before: CaseState, goal: CaseState, final: CaseState) -> End:
    """Compare what stands at the end with what should."""
    was, meant, stands = _values(before), _values(goal), _values(final)
    if (stands - meant) - was:
        return "wrong"
    if meant - stands:
        return "missing"
    return "right" if _place(goal) == _place(final) else "elsewhere"


def _values(state: CaseState) -> Counter[object]:
    """What stands on the record; a time that was measured counts, its length does not."""
    return Counter(
        (e.track, e.quantity, None if e.origin == "timed" else e.value)
        for e in state.entries
        if e.standing == "standing"
    )


def _place(state: CaseState) -> object:
    timer = state.timer.step if state.timer else None
    open_ = (state.paused, state.signed is None, state.pending is None)
    return (state.active, state.here.step, timer, *open_, state.who)


def converse(
    ears: Hearing,
    phrase: Phrase,
    first: Outcome,
    room: Room,
    grammars: Grammars,
    answers_most: int = 5,
    others: Others | None = None,
) -> Talk:
    """Answer until what was meant seems to be on the record, or patience ends.

    Args:
        ears: to hear the answers.
        phrase: what was said first.
        first: what came of it.
        room: the operator's voice in the same room.
        grammars: of the steps.
        answers_most: then the operator gives up, and what stands is judged.
        others: what remembers that something was let go: said again, it is asked about.
    """
    before, goal, wording = phrase.scene.state, goal_of(phrase), _wording()
    state, said, outcome = before, phrase.text, first
    answers: list[str] = []
    now_s, content = 0.0, False
    for exchange in range(answers_most + 1):
        answer = _answer(phrase, goal, state, outcome, said, wording)
        state = outcome.state
        content = answer is None
        if answer is None or exchange == answers_most:
            break
        answers.append(answer)
        now_s += 5.0
        sound = room(answer, exchange + 1)
        outcome = hear(
            ears, sound, state, grammars, later(state, now_s), others=others, since_s=now_s
        )
        said = answer
    return Talk(judge_end(before, goal, state), tuple(answers), content)


def _answer(
    phrase: Phrase,
    goal: CaseState,
    before: CaseState,
    outcome: Outcome,
    said: str,
    wording: Wording,
) -> str | None:
    """What the operator says next, or None if all seems well."""
    state = outcome.state
    pending = state.pending
    if pending is not None:
        asked = (pending.quantity, pending.value)
        meant = _new(before_all=phrase.scene.state, after=goal)
        if pending.kind != "option":
            for value in pending.offers:
                if (pending.quantity, value) in meant:
                    return value_phrase(pending.kind, value, wording.language)
        return CONFIRM if asked in meant else NO
    meaning = perfect(said, wanted_now(before))
    ideal_events, ideal = step_on(before, meaning, later(before)) if meaning else ((), before)
    if _told(outcome.events, state, wording) == _told(ideal_events, ideal, wording):
        repairs = {NO, UNDO, "resume", "go back", "stop"}
        mending = said != phrase.text and (said in repairs or said.startswith("canal "))
        return phrase.text if mending else None
    return _repair(phrase, goal, before, outcome, said)


def _repair(
    phrase: Phrase, goal: CaseState, before: CaseState, outcome: Outcome, said: str
) -> str:
    """Something else was said than expected: what to do about it."""
    state = outcome.state
    if state.paused and not goal.paused:
        return "resume"
    if state.timer is not None and goal.timer is None:
        ends = isinstance(phrase.meaning, it.Command) and phrase.meaning.verb == "stop"
        return phrase.text if ends else "stop"
    made = [e.entry for e in outcome.events if isinstance(e, ev.EntryMade)]
    meant = _new(before_all=phrase.scene.state, after=goal)
    if any((entry.quantity, entry.value) not in meant for entry in made):
        better = _correction(phrase.meaning)
        wanted = wanted_now(state)
        same = any(entry.quantity in {q for q, _ in meant} for entry in made)
        if same and better is not None and perfect(better, wanted) is not None:
            return better
        return UNDO
    if state.active not in {before.active, goal.active} and before.active != CASE:
        return f"canal {before.active}"
    if any(isinstance(e, ev.StepSkipped) for e in outcome.events):
        return "go back"
    if made:  # the right value, with something else beside it
        return said if said in {CONFIRM, NO} else phrase.text
    return said if said != CONFIRM else phrase.text


def _new(before_all: CaseState, after: CaseState) -> list[tuple[str, object]]:
    """Quantity and value of what the goal has and the case had not."""
    known = {entry.seq for entry in before_all.entries}
    return [(e.quantity, e.value) for e in after.entries if e.seq not in known]


def _told(
    events: Sequence[ev.AnyEvent], state: CaseState, wording: Wording
) -> list[tuple[str, str]]:
    """What is said aloud. Where something was taken, a "say again" for a noise beside
    it does not count."""
    taken = [e for e in events if not isinstance(e, ev.NotUnderstood | ev.Refused)]
    prompts = respond(taken or list(events), state, wording)
    return [(prompt.text, str(prompt.spoken)) for prompt in prompts]


def _correction(meaning: it.AnyIntent) -> str | None:
    """ "Correction" and the value that was meant, as it is said."""
    if not isinstance(meaning, it.Given | it.Correction):
        return None
    language = words().phrases.language
    match meaning.kind, meaning.value:
        case (("mm" | "size" | "tooth"), float() | int() as number):
            value = number_words(float(f"{number:g}"), language) if number % 1 else None
            return f"correction {value or number_words(int(number), language)}"
        case "taper", float() as taper:
            hundredths = round(100 * taper)
            digits = number_words(hundredths, language)
            return f"correction {digits} percent"
        case "canals", tuple() as canals:
            return f"correction {' and '.join(map(str, canals))}"
    return None

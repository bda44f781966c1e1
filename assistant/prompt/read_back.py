"""How a stored value is read back."""

from __future__ import annotations

from assistant.procedure.correctable import numbered
from assistant.progress.entries import Entry
from assistant.progress.state import CASE, CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.words.sayings import Wording, said_entry, said_value


def read_back(state: CaseState, entry: Entry, before: Entry | None, words: Wording) -> Prompt:
    """Name and number on the screen; the number alone is said where the name was said just
    now: right ``before``, or in the question that offered it. Seconds that decide nothing
    are shown, with a chime: what follows heat and a press is said anyway."""
    text = said_entry(state, entry, words)
    replaces = entry.replaces is not None
    if entry.correction and entry.quantity not in words.read_backs:
        text = f"{state.protocol.by_id[entry.step].title}: {text[:1].lower()}{text[1:]}"
    if text and entry.track != CASE and _names_canal(state, entry.track):
        text = f"{entry.track.capitalize()}: {text[:1].lower()}{text[1:]}"
    if replaces and entry.origin == "said":
        if not _is_newest(state, entry):
            text = words.numbered.format(number=entry.round, said=text)
        text = words.replaced.format(said=text)
    measured = entry.quantity in words.read_backs or entry.step in state.protocol.finding_of
    urgency = Urgency.READ_BACK if measured or replaces else Urgency.STEP
    if entry.in_time:
        return Prompt(text, urgency, spoken="")
    known = before is not None and _same_value(before, entry)
    known = known or _offered(state, entry)
    spoken = None
    if measured and known and not replaces:
        spoken = f"{said_value(state.kind(entry), entry.value)}."
    return Prompt(text, urgency, spoken, entry.seq)


def _same_value(before: Entry, entry: Entry) -> bool:
    return (before.track, before.quantity) == (entry.track, entry.quantity)


def _offered(state: CaseState, entry: Entry) -> bool:
    suggests = getattr(state.protocol.by_id[entry.step].expect, "suggest", None) is not None
    return suggests and entry.origin == "computed"


def _is_newest(state: CaseState, entry: Entry) -> bool:
    """Whether no value of a later cycle, increment or reading stands."""
    step = state.protocol.by_id[entry.step]
    later = (one.round > entry.round for one in state.standing(entry.track, step))
    return not numbered(step) or not any(later)


def _names_canal(state: CaseState, track: str) -> bool:
    """Whether a read-back needs the name of its canal: two are begun and not finished, or
    it is another one than that at work."""
    begun = [one for one in state.canals if one.visited and not one.finished]
    return len(begun) > 1 or track != state.active

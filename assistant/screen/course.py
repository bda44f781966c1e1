"""Where the case is: phases, what comes next, times, the last entries, what was signed.

Pure, like :mod:`.view`. Times are of the wall clock: they must outlive a restart, and are
shown to the second only.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from assistant.procedure import correctable
from assistant.procedure.modes import refusal
from assistant.progress import intents as it
from assistant.progress.entries import Entry
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.prompt import answers
from assistant.protocol.expect import Timed
from assistant.protocol.model import AT_CANALS, FINISHED, Step
from assistant.protocol.moment import Moment
from assistant.report.marks import clock, plain, track_title
from assistant.screen.strips import Shown
from assistant.words.phrases import plain_phrase
from assistant.words.sayings import Wording, told_entry
from assistant.words.templates import ways

LAST_ENTRIES = 5


class Phase(Shown):
    """A phase of the active canal (or of the case), and how many of its steps are left."""

    name: str
    place: Literal["done", "now", "ahead"]
    left: int


class LastEntry(Shown):
    """One of the newest entries; ``mark`` tells what became of it.

    ``correct`` begins the line that corrects it and ``kind`` is what that takes; ``undo``
    takes it back. Both are empty where the case would not take them.
    """

    text: str
    mark: Literal["", "corrected", "replaced", "taken back"] = ""
    correct: str = ""
    kind: str = ""
    undo: str = ""


class Course(Shown):
    """Where we are. ``heat_off_s`` is None before the first heat and while it is on."""

    phases: tuple[Phase, ...] = ()
    left: int = 0
    next: str = ""
    case_s: float = 0.0
    heat_off_s: float | None = None
    last: tuple[LastEntry, ...] = ()
    summary: tuple[str, ...] = ()


def course(state: CaseState, wording: Wording, now: Moment) -> Course:
    """Where the case is at ``now``; after the signature, its summary."""
    ahead = list(answers.steps_ahead(state, state.here))
    end = now if state.signed is None else state.signed
    return Course(
        phases=() if state.signed else tuple(_phases(state, ahead)),
        left=len(ahead),
        next="" if len(ahead) < 2 else ahead[1].title,
        case_s=_between_s(state.opened, end),
        heat_off_s=_heat_off_s(state, now),
        last=tuple(_last(state, wording)),
        summary=tuple(_summary(state)) if state.signed else (),
    )


def _phases(state: CaseState, ahead: list[Step]) -> Iterator[Phase]:
    protocol, here = state.protocol, state.here
    part: tuple[Step, ...] = protocol.canal
    if here.name == CASE:
        begun = here.step not in {step.id for step in protocol.opening}
        part = protocol.closing if begun else protocol.opening
    ids = [step.id for step in part]
    at = len(part) if here.step == FINISHED else ids.index(here.step) if here.step in ids else 0
    # A phase is a stretch: one that comes again later in the file stands there again.
    stretches: list[list[int]] = []
    for number, step in enumerate(part):
        if stretches and part[stretches[-1][-1]].phase == step.phase:
            stretches[-1].append(number)
        else:
            stretches.append([number])
    for numbers in stretches:
        left = sum(number >= at for number in numbers)
        place: Literal["done", "now", "ahead"] = "ahead"
        if here.step != AT_CANALS and at in numbers:
            place = "now"
        elif left == 0:
            place = "done"
        yield Phase(name=part[numbers[0]].phase, place=place, left=left)


def _between_s(first: Moment, then: Moment) -> float:
    return round(max(0.0, (then.wall - first.wall).total_seconds()), 1)


def _heat_off_s(state: CaseState, now: Moment) -> float | None:
    heated = [
        entry
        for entry in state.standing(state.active)
        if isinstance(expect := state.protocol.by_id[entry.step].expect, Timed)
        and expect.mode == "until_off"
    ]
    running = state.timer is not None and state.timer.mode == "until_off"
    if not heated or running or state.signed is not None or state.here.finished:
        return None
    return _between_s(heated[-1].at, now)


def _last(state: CaseState, words: Wording) -> Iterator[LastEntry]:
    undoable = refusal(state, it.Command(verb="undo")) is None
    undone = correctable.to_undo(state) if undoable else None
    undo = plain_phrase(words.phrases.commands["undo"][0])
    for entry in state.entries[: -LAST_ENTRIES - 1 : -1]:
        text = plain(told_entry(state, entry, words))
        if entry.standing != "standing":
            mark: Literal["replaced", "taken back"] = "taken back"
            if entry.standing == "replaced":
                mark = "replaced"
            yield LastEntry(text=text, mark=mark)
            continue
        kind, correct = _correction(state, entry, words)
        yield LastEntry(
            text=text,
            mark="corrected" if entry.correction else "",
            kind=kind,
            correct=correct,
            undo=undo if undone is not None and undone.seq == entry.seq else "",
        )


def _correction(state: CaseState, entry: Entry, words: Wording) -> tuple[str, str]:
    """Kind and beginning of the line that corrects an entry; empty where none would."""
    kind = KIND_OF.get(state.protocol.by_id[entry.step].expect.kind)
    begins = plain_phrase(words.phrases.correction[0])
    if kind is None or kind == "s" or entry.track != state.active:
        return "", ""
    step = state.protocol.by_id[entry.step]
    named = {name.means: name.say for name in words.phrases.lists["quantity"]}
    for quantity in (None, step.expect.quantity, *step.called):
        intent = it.Correction(kind=kind, value=0, quantity=quantity)
        found = correctable.to_correct(state, intent)
        if found is None or found.old is None or found.old.seq != entry.seq:
            continue
        if refusal(state, intent) is not None:
            continue
        if quantity is None:
            return kind, begins
        if quantity in named:
            # The longest name: "cone" alone may be a length and a size.
            name = max((way.words for way in ways(named[quantity])), key=len)
            return kind, " ".join((begins, *name))
    return "", ""


def _summary(state: CaseState) -> Iterator[str]:
    """What a signed case comes to: its times, warnings with their answers, what is missing."""
    for track in state.canals:
        made = [entry.at for entry in state.entries if entry.track == track.name]
        if made:
            begun, ended = clock(state, made[0]), clock(state, made[-1])
            yield f"{track_title(track.name)}: {begun} to {ended}, entries {len(made)}."
    for warning in state.warnings:
        if warning.severity == "urgent":
            answer = plain(warning.answer or "not answered")
            yield f"{track_title(warning.track)}: {plain(warning.text)} Answer: {answer}."
    for skipped in state.skipped:
        title = state.protocol.by_id[skipped.step].title
        yield f"Missing: {track_title(skipped.track)}, {title} ({plain(skipped.reason)})."
    for track in state.canals:
        if not track.finished:
            yield f"Missing: {track_title(track.name)} is not finished."
    count = len(state.warnings)
    yield f"Entries {len(state.entries)}, warnings and cautions {count}."

"""Keys of the page, and what can be said: both give the very phrases the voice understands.

The phrases are those of ``grammars/``; a key that would say something else than the voice
would be another language to learn.
"""

from __future__ import annotations

from collections.abc import Iterator

from assistant.procedure.state import CaseState
from assistant.prompt import answers
from assistant.protocol.model import Step
from assistant.screen.strips import Shown
from assistant.words.phrases import Phrases, plain_phrase

TAP = "tap"
"""What the pedal key is called; it sends no phrase."""

_ALWAYS = {"U": "undo", "B": "back", "R": "repeat", "W": "where"}
"""Keys of commands that work at any step."""


class Phrase(Shown):
    """Something that can be said now; ``line`` is the whole phrase if it is one, and
    ``answers`` tells that it answers what is asked."""

    text: str
    line: str | None = None
    answers: bool = False


class Key(Shown):
    """A key, the phrase it stands for (none: a tap of the pedal), and whether that
    answers what is asked now."""

    key: str
    text: str
    line: str | None
    now: bool = False


def command(phrases: Phrases, verb: str, step: Step | None = None) -> str:
    """A phrase for a command: the one that shares a word with the step's title, if one
    does ("heat on" in "Heat carrier on"), else the first."""
    ways = [plain_phrase(way) for way in phrases.commands[verb]]
    title = set(step.title.lower().split()) if step else set()
    return next((way for way in ways if title & set(way.split())), ways[0])


def option(phrases: Phrases, name: str) -> str:
    """A phrase for an option of a step."""
    return plain_phrase(phrases.options[name][0])


def key_list(state: CaseState, phrases: Phrases) -> tuple[Key, ...]:
    """Every key that does something at this step, the pedal first."""
    if state.signed is not None:
        return ()
    wanted = {phrase.line for phrase in _answers_now(state, phrases)}
    lines = list(_lines(state, phrases))
    tap = Key(key="Enter", text=TAP, line=None)
    return (tap, *(Key(key=k, text=line, line=line, now=line in wanted) for k, line in lines))


def _lines(state: CaseState, phrases: Phrases) -> Iterator[tuple[str, str]]:
    if (timing := _start_or_stop(state, phrases)) is not None:
        yield "Space", timing
    for name, key in (("yes", "Y"), ("no", "N")):
        if name in _options(state) or (name == "no" and state.pending is not None):
            yield key, option(phrases, name)
    for key, verb, wanted in (
        ("C", "confirm", state.pending is not None or _suggests(state.step)),
        ("K", "keep", bool(state.open_warnings(state.active))),
        ("D", "next", state.step is not None and state.step.expect.kind == "done"),
    ):
        if wanted:
            yield key, command(phrases, verb, state.step if verb == "next" else None)
    for key, verb in _ALWAYS.items():
        yield key, command(phrases, verb)
    yield "P", command(phrases, "resume" if state.paused else "pause")


def say_now(state: CaseState, phrases: Phrases) -> tuple[Phrase, ...]:
    """What can be said now: what answers first, then the commands that always work."""
    if state.signed is not None:
        return ()
    first = tuple(_answers_now(state, phrases))
    waits = state.open_warnings(state.active)
    if waits or state.paused or state.pending is not None or state.timer is not None:
        return first
    known = [plain_phrase(way) for ways in phrases.commands.values() for way in ways]
    always = answers.sayable(state, {})[len(_options(state)) :]
    rest = [part for text in always for part in text.split(", ")]
    whole = [text if text in known else None for text in rest]
    told = {phrase.text for phrase in first}
    return (
        *first,
        *(
            Phrase(text=line or text, line=line, answers=text.startswith("a "))
            for text, line in zip(rest, whole, strict=True)
            if (line or text) not in told
        ),
    )


def _answers_now(state: CaseState, phrases: Phrases) -> Iterator[Phrase]:
    step = state.step
    if state.paused:
        yield _whole(command(phrases, "resume"))
    elif state.timer is not None:
        yield _whole(command(phrases, "stop", state.protocol.step(state.timer.step)))
    elif state.pending is not None:
        yield _whole(command(phrases, "confirm"))
        yield _whole(option(phrases, "no"))
    elif state.open_warnings(state.active):
        yield _whole(command(phrases, "keep"))
        if (start := _start_or_stop(state, phrases)) is not None:
            yield _whole(start)
        yield Phrase(text=plain_phrase(phrases.correction[0]), answers=True)
    elif step is not None:
        for each in step.options:
            yield _whole(option(phrases, each.id))
        if (start := _start_or_stop(state, phrases)) is not None:
            yield _whole(start)
        if step.expect.kind == "done":
            yield _whole(command(phrases, "next", step))
        if step.expect.kind == "sign":
            yield _whole(command(phrases, "sign"))
        if _suggests(step):
            yield _whole(command(phrases, "confirm"))


def _start_or_stop(state: CaseState, phrases: Phrases) -> str | None:
    if state.timer is not None:
        return command(phrases, "stop", state.protocol.step(state.timer.step))
    if state.step is not None and state.step.expect.kind == "timed":
        return command(phrases, "start", state.step)
    return None


def _suggests(step: Step | None) -> bool:
    """Whether the step offers a value that "confirm" takes."""
    return step is not None and getattr(step.expect, "suggest", None) is not None


def _options(state: CaseState) -> tuple[str, ...]:
    return tuple(each.id for each in state.step.options) if state.step else ()


def _whole(phrase: str) -> Phrase:
    return Phrase(text=phrase, line=phrase, answers=True)

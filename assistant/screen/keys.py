"""Keys of the page, and what can be said: both are what the door would take now."""

from __future__ import annotations

from assistant.progress import intents as it
from assistant.screen.strips import Shown
from assistant.words.sayable import Sayable

TAP = "tap"
"""What the pedal key is called; it sends no phrase."""

CANAL_KEY = "V"

_ANSWERS = {"yes": "Y", "no": "N"}
_COMMANDS = {
    "press": "Space",
    "heat_on": "Space",
    "stop": "Space",
    "confirm": "C",
    "keep": "K",
    "next": "D",
    "undo": "U",
    "back": "B",
    "repeat": "R",
    "where": "W",
    "pause": "P",
    "resume": "P",
}


class ShownPhrase(Shown):
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


def phrase_list(said: tuple[Sayable, ...]) -> tuple[ShownPhrase, ...]:
    """Everything that can be said now."""
    return tuple(ShownPhrase(text=s.text, line=s.line, answers=s.answers) for s in said)


def key_list(said: tuple[Sayable, ...]) -> tuple[Key, ...]:
    """Every key that does something now, the pedal first; none where nothing can be said."""
    made = {
        key: Key(key=key, text=one.text, line=one.line, now=one.answers)
        for one in said
        if (key := _key(one.intent)) is not None
    }
    places = dict.fromkeys(("Space", *_ANSWERS.values(), *_COMMANDS.values()))
    tap = Key(key="Enter", text=TAP, line=None)
    return (tap, *(made[key] for key in places if key in made)) if said else ()


def _key(intent: it.AnyIntent) -> str | None:
    match intent:
        case it.Chosen(option=option):
            return _ANSWERS.get(option)
        case it.Command(verb=verb):
            return _COMMANDS.get(verb)
    return None

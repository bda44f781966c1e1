"""A case in a room: what was said last, what came of it, what was answered aloud.

Scenes put a case where a test wants it. Everything in them is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import copy
from functools import cache

from typical_case import Driver

from assistant.files.shipped import data_folder
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import Entry
from assistant.progress.state import CASE
from assistant.prompt.prompts import Prompt
from assistant.prompt.wording import respond
from assistant.words.sayings import load_wording

WORDING = load_wording(data_folder("grammars") / "en")
WL = 21.0
LIMIT = 16.0


class Room(Driver):
    """A case, what the last thing said led to, and what was answered aloud."""

    batch: tuple[ev.AnyEvent, ...] = ()
    prompts: tuple[Prompt, ...] = ()

    def __init__(self) -> None:
        super().__init__(read_out=False)

    def do(self, intent: it.AnyIntent, after_s: float = 1.0) -> None:
        before = len(self.events)
        super().do(intent, after_s)
        self.batch = tuple(self.events[before:])
        self.prompts = tuple(respond(self.batch, self.state, WORDING))

    def doubtful(self, kind: it.ValueKind, value: it.Scalar) -> None:
        heard = it.Heard(text=f"{value}", confidence=0.4, doubt="Not heard clearly.")
        self.do(it.Given(kind=kind, value=value, heard=heard))

    def correct_named(self, quantity: str, value: float) -> None:
        self.do(it.Correction(kind="mm", value=value, quantity=quantity))

    def switch(self, canal: str) -> None:
        self.do(it.SwitchCanal(canal=canal))

    def skip(self, reason: str | None = "not needed") -> None:
        self.do(it.Skip(reason=reason))

    @property
    def at(self) -> tuple[str, str]:
        return self.state.active, self.state.here.step

    @property
    def kinds(self) -> list[str]:
        return [event.kind for event in self.batch]

    @property
    def refused(self) -> str | None:
        found = [e.rejected.reason for e in self.batch if isinstance(e, ev.Refused)]
        return found[0] if found else None

    @property
    def warned(self) -> list[str]:
        return [e.warning.rule for e in self.batch if isinstance(e, ev.Warned)]

    @property
    def said(self) -> str:
        return " ".join(prompt.text for prompt in self.prompts)

    def values(self, quantity: str, canal: str | None = None) -> list[it.Scalar]:
        found = self.state.in_sequence(canal or self.state.active)
        return [entry.value for entry in found if entry.quantity == quantity]

    def on_record(self, quantity: str) -> Iterator[Entry]:
        """Every entry of a quantity, whether it still counts or not."""
        return (e for e in self.state.entries if e.quantity == quantity)

    def open(self) -> list[str]:
        return [w.rule for w in self.state.warnings if w.open]


def once(make: Callable[[], Room]) -> Callable[[], Room]:
    """A scene driven once; everybody gets a room of their own there."""
    made = cache(make)

    def room() -> Room:
        own = copy(made())
        own.events = list(own.events)
        return own

    return room


@once
def front_tooth() -> Room:
    """An upper incisor with one canal, set-up done."""
    room = Room()
    room.set_up(11, "single")
    return room


@once
def premolar() -> Room:
    room = Room()
    room.set_up(24, "buccal", "palatal")
    return room


@once
def at_apical_plugger() -> Room:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.command("undo", "undo")
    assert room.at == ("single", "plugger_apical")
    return room


@once
def at_heat() -> Room:
    """Ready for the first downpack cycle: final length 21, fill seared at 10."""
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.command("confirm", "confirm")
    room.choose("yes", "yes")
    room.command("next")
    room.mm(10.0)
    assert room.at == ("single", "heat")
    return room


@once
def at_press() -> Room:
    room = at_heat()
    room.heat(3.0)
    assert room.at == ("single", "press")
    return room


@once
def told_at_press() -> Room:
    """The depths of the cycle told before the press is begun."""
    room = at_press()
    room.mm(13.5, 13.5)
    assert room.at == ("single", "press")
    return room


@once
def at_backfill() -> Room:
    room = at_press()
    room.press()
    room.mm(13.5, 13.5)
    room.heat(3.0)
    room.press()
    room.mm(16.0, 16.0)
    room.choose("none")
    assert room.at == ("single", "increment_press")
    return room


@once
def with_post() -> Room:
    room = front_tooth()
    room.mm(WL)
    room.choose("incisal_edge", "no_reading")
    room.say("size", 30)
    room.say("taper", 0.06)
    room.choose("yes")
    room.mm(10.0)
    room.choose("yes")
    room.cone(WL)
    room.choose("yes", "accepted")
    room.mm(10.0, 13.0, 16.0, 16.0)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.command("confirm", "confirm")
    room.choose("yes", "yes")
    room.command("next")
    room.mm(10.0)
    room.heat(3.0)
    room.mm(13.5, 16.0)
    room.press()
    room.choose("none")
    assert room.at[1] == "post_stop"
    return room


@once
def at_the_end() -> Room:
    room = front_tooth()
    room.canal(WL, 2.5, 3.5)
    room.command("next", "next")
    room.choose("accepted")
    assert room.at == (CASE, "sign")
    return room

"""Written stories: cases told as data, played typed and by sound, and what the note must say.

A story has ``lines`` of one sitting, or ``sittings`` of several with the options of ``run``;
``note`` is what the note says, ``said`` what the program did and ``printed`` the command that
ended. Some lines stand for many:
``fit`` takes a canal to its pluggers, ``fill`` from there to its level, ``backfill`` places
increments, ``finish`` is the end of the case; ``typed`` is typed also where the rest is
spoken. Everything in them is invented.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import yaml
from typed_case import TypedCase

from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Line
from assistant.words.sayings import load_wording

HERE = Path(__file__).parent
ONE_SITTING = sorted((HERE / "stories").glob("*.yaml"))
SITTINGS = sorted((HERE / "sittings").glob("*.yaml"))


class Sitting(NamedTuple):
    """Its lines, and the options of ``run``."""

    options: tuple[str, ...]
    lines: tuple[Line, ...]


class Story(NamedTuple):
    """What is told, and what must come of it."""

    name: str
    protocol: str
    practice: str
    sittings: tuple[Sitting, ...]
    said: tuple[str, ...]
    printed: tuple[str, ...]
    note: tuple[str, ...]
    signed: bool


def load(path: Path) -> Story:
    """A story from its file."""
    told: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    alone = {"options": ["--operator", "Operator A"], "lines": told.get("lines")}
    sittings = (
        Sitting(
            tuple(one["options"]), tuple(line for t in one["lines"] for line in lines_of(t))
        )
        for one in told.get("sittings", [alone])
    )
    return Story(
        path.stem,
        told.get("protocol", "warm-vertical"),
        told.get("practice", "{}\n"),
        tuple(sittings),
        tuple(told.get("said", ())),
        tuple(told.get("printed", ())),
        tuple(told["note"]),
        told["signed"],
    )


def lines_of(told: object) -> Iterator[Line]:
    """One line of a story, or the many that it stands for."""
    match told:
        case {"fit": {"wl": wl, "cusp": cusp}}:
            limit = round(wl - 5, 1)
            yield from _each(
                f"{wl}", cusp, f"apex locator {wl}", "size 30", "taper point oh six", "no"
            )
            yield from _each(f"{round(limit - 6.4, 1)}", "yes", "cone size 30")
            yield from _each("cone taper point oh six", f"cone length {wl + 0.5}", "yes")
            yield from _each("radiograph accepted", "plugger 9", "plugger 12")
            yield from _each(f"plugger {limit}", f"carrier {limit}")
        case {"fill": {"wl": wl}}:
            limit = round(wl - 5, 1)
            yield from _each("dry", f"{wl}", f"{wl}", f"{wl}", "confirm", "confirm")
            yield from _each("yes", "complete", "seated", f"sear {round(limit - 6.4, 1)}")
            for depth in (round(limit - 3.2, 1), limit):
                yield from (Line(say="heat on"), Line(say="heat off", after_s=2.0))
                yield from (Line(say="press"), _after_press(f"carrier {depth}"))
                yield Line(say=f"plugger {depth}")
            yield Line(say="no radiograph")
            yield from lines_of({"backfill": [2.5, 3.9]})
        case {"backfill": [*increments]}:
            for length in increments:
                yield from (Line(say="press"), _after_press(f"increment {length}"))
            yield Line(say="yes")
        case "finish":
            yield from _each("done", "done", "accepted", "sign the note", "confirm")
        case {"typed": str(line)}:
            yield Line(say=line, typed=True)
        case str(line):
            yield Line(say=line)
        case _:
            raise AssertionError(told)


def _each(*lines: str) -> Iterator[Line]:
    yield from (Line(say=line) for line in lines)


def _after_press(line: str) -> Line:
    return Line(say=line, wait_for_timer=True)


@cache
def _setting(protocol: str) -> tuple[Any, ...]:
    language = assembly.language()
    wording = load_wording(data_folder("grammars") / "en", language.phrases)
    return load_yaml(protocol_path(protocol), Protocol), language, wording


def typed(story: Story) -> TypedCase:
    """A story of one sitting, typed."""
    case = TypedCase(*_setting(story.protocol))
    for sitting in story.sittings:
        case.type(sitting.lines)
    return case


def on_one_line(text: str) -> str:
    """A text without its line breaks."""
    return re.sub(r"\s+", " ", text)


def however_told(text: str) -> str:
    """On one line, without what must differ between a line typed and one said: the mark of
    its channel, whether it was confirmed, its time, and how it was heard."""
    text = re.sub(r" ?\[[a-z]\*?\]", "", on_one_line(text))
    text = re.sub(r"\d\d:\d\d:\d\d ", "", text)
    return re.sub(r'heard "[^"]*"', 'heard "..."', text)


def stands(state: CaseState) -> list[tuple[str, str, str]]:
    """Track, quantity and value of what stands, in order, but for what a clock measured."""
    standing = (e for e in state.entries if e.standing == "standing" and e.origin != "timed")
    return sorted((e.track, e.quantity, str(e.value)) for e in standing)

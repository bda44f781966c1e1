"""Sound and page agree: whatever is spoken stands on the page as its sound begins."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from typical_case import PROTOCOL, START

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock
from assistant.prompt.mouth import Mouth
from assistant.prompt.prompts import Urgency
from assistant.screen.several import Screens
from assistant.screen.terminal import TerminalScreen
from assistant.screen.view import View, view
from assistant.screen.web import WebScreen
from assistant.sitting import assembly
from assistant.sitting.session import Session
from assistant.sound.player import TimelinePlayer
from assistant.sound.samples import RATE_HZ, Samples

LANGUAGE = assembly.language()
PASS_S = 0.1

LINES = (
    *(
        "11",
        "single",
        "yes",
        "yes",
        "yes",
        "none",
        "22",
        "incisal edge",
        "no reading",
        "size 40",
        "point oh six",
    ),
    *("no", "9", "yes", "size 40", "point oh six", "22.5", "yes", "accepted", "10", "13"),
    *("18", "where are we", "correction 17", "17", "dry", "22", "22.3", "22.1", "read back"),
    *("confirm", "confirm", "yes", "yes", "complete", "next", "9"),
    *("heat on", "heat off", "press", "carrier 13", "plugger 19", "keep it"),
    *("pause", "resume"),
)
"""Some too deep, some doubtful, some asked: warnings, questions and answers are said."""


class Voice:
    """A twentieth of a second for each letter, as a quick voice speaks; no engine."""

    def render(self, text: str) -> Samples:
        return np.ones(max(1, len(text)) * RATE_HZ // 20, np.int16)


def texts(page: View) -> Iterator[str]:
    yield page.ask
    yield from page.hints
    yield from page.said
    for notice in page.notices:
        yield notice.text


class Room:
    """A session whose player looks at the page at the moment it begins to play."""

    def __init__(self, folder: Path) -> None:
        self.clock = SampleClock(START)
        self.web = WebScreen("127.0.0.1", 0, self.clock, LANGUAGE, list[str]().append)
        self.order: list[str] = []
        self.lacking: list[str] = []
        self.spoken: list[str] = []
        room = self

        class Player(TimelinePlayer):
            def play(self, samples: Samples) -> None:
                room.begins()
                super().play(samples)

        class Terminal(TerminalScreen):
            def show_spoken(self, prompt: object) -> None:
                room.order.append("shown" if prompt else "over")

        player = Player(self.clock.seconds)
        mouth = Mouth(Voice(), player, self.clock.seconds)
        case = CaseFile.create(
            folder, PROTOCOL, self.clock.now(), case_code="T-1", operator="Operator A"
        )
        self.session = Session(
            case,
            self.clock,
            mouth=mouth,
            screen=Screens(Terminal(list[str]().append, self.clock.seconds), self.web),
            language=LANGUAGE,
            wording=self.web._words,
        )

    def begins(self) -> None:
        current = self.web._seen.spoken
        page = view(self.web._seen, self.web._words, self.clock.now())
        if current is None:
            return  # a chime of its own, or a number of a countdown
        self.order.append("sound")
        self.spoken.append(current.text)
        if not any(current.text in text for text in (*texts(page), " ".join(texts(page)))):
            self.lacking.append(current.text)
        assert page.speaking == current.text

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / PASS_S)):
            self.clock.advance(PASS_S)
            self.session.pass_time()

    def finish(self) -> None:
        while self.session.mouth.speaking:
            self.wait(1)


@pytest.mark.parametrize("pause_s", [0.1, 1.0, 3.0])
def test_what_is_spoken_stands_on_the_page_as_its_sound_begins(
    pause_s: float, tmp_path: Path
) -> None:
    """With short pauses the voice lags behind what was typed, and says older sentences."""
    room = Room(tmp_path / "case")
    room.session.greet()
    for line in LINES:
        room.session.read(line)
        room.wait(pause_s)
    room.finish()
    assert len(room.spoken) > (10 if pause_s < 1 else 30)
    assert not room.lacking
    # Each sound that a sentence has comes right after it was shown.
    sounds = [i for i, what in enumerate(room.order) if what == "sound"]
    assert all(room.order[i - 1] == "shown" for i in sounds)
    assert room.order[-1] == "over", "what is no longer spoken is not marked"
    assert room.web._seen.spoken is None


def test_the_numbers_of_a_countdown_are_left_to_the_page(tmp_path: Path) -> None:
    room = Room(tmp_path / "case")
    room.session.greet()
    for line in LINES[: LINES.index("press") + 1]:
        room.session.read(line)
        room.wait(4)
    room.wait(4)
    assert {s.prompt.urgency for s in room.session.mouth.spoken} >= {Urgency.TICK}
    assert not [text for text in room.spoken if text.strip(".").isdigit()]

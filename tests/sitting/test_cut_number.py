"""A number cut in two by a pause: waited for, and if the pause is too long, questioned."""

from __future__ import annotations

import numpy as np
import pytest
from hearing.ears import hear
from hearing.noises import Condition, mix
from hearing.templates import grammar
from hearing.voices import speak
from room import WORDING, Room, front_tooth, premolar

from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.prompt.wording import question
from assistant.protocol.moment import Moment
from assistant.sitting import assembly
from assistant.sitting.cut_number import CutNumber
from assistant.sound.samples import RATE_HZ
from assistant.speech.listening import Said
from assistant.speech.others import SOON_S
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.recognised import Recognised
from assistant.words.understand import understand

pytestmark = pytest.mark.sound

WORDS = assembly.language()
TRUST = assembly.TRUST["own"]
WORD_S = 0.4


class Sitting:
    """A case that hears words, a pause before each but the first."""

    def __init__(self, room: Room) -> None:
        self.room, self.cut, self.now_s = room, CutNumber(), room.now().mono_s

    def say(self, text: str, after_s: float = 60.0) -> it.AnyIntent:
        began = Moment(wall=self.room.now().wall, mono_s=self.now_s + after_s)
        self.now_s += after_s + WORD_S
        here = grammar_of(WORDS, wanted_now(self.room.state))
        heard = Recognised(text, 1.0)
        intent = understand(heard, here, TRUST, began=began)
        said = self.cut.whole(Said(intent, heard, here, self.now_s))
        self.room.do(said.intent)
        self.cut.taken(said, self.room.batch)
        return said.intent

    @property
    def asked(self) -> str:
        return question(self.room.state, WORDING, brief=False)


def at_size() -> Sitting:
    sitting = Sitting(front_tooth())
    for text in ("working length twenty one", "incisal edge", "no reading"):
        sitting.say(text)
    return sitting


@pytest.mark.parametrize(("answer", "stands"), [("forty five", 45), ("forty", 40)])
def test_a_size_cut_in_two_is_asked_about_and_one_word_settles_it(
    answer: str, stands: int
) -> None:
    sitting = at_size()
    sitting.say("forty")
    at = sitting.room.at
    sitting.say("five", SOON_S - 0.1)
    assert sitting.asked.endswith("45 or 40?")
    assert sitting.room.values("apical_size") == [40]  # nothing else was taken
    sitting.say(answer)
    (*_, entry) = sitting.room.on_record("apical_size")
    assert (entry.value, entry.confirmed) == (stands, True)
    assert sitting.room.at == at  # the next step is still to be answered


def test_neither_leaves_what_was_taken() -> None:
    sitting = at_size()
    sitting.say("forty")
    sitting.say("five", 1.0)
    sitting.say("neither")
    assert sitting.room.state.pending is None
    assert sitting.room.values("apical_size") == [40]


@pytest.mark.parametrize(("pause_s", "joined"), [(SOON_S - 0.01, True), (SOON_S, False)])
def test_what_comes_later_answers_the_next_step(pause_s: float, joined: bool) -> None:
    sitting = Sitting(premolar())
    sitting.say("twenty")
    intent = sitting.say("two", pause_s)
    doubt = isinstance(intent, it.Given | it.Correction) and intent.value == 22.0
    assert doubt is joined


def test_a_number_in_three_pieces_is_asked_about_as_a_whole() -> None:
    sitting = Sitting(front_tooth())
    for text, pause_s in (("working length twenty", 60.0), ("two", 1.0), ("point five", 1.0)):
        sitting.say(text, pause_s)
    assert sitting.asked.endswith("22.5 or 22?")
    sitting.say("twenty two point five")
    assert sitting.room.values("working_length_mm") == [22.5]


def test_a_value_that_waits_is_made_whole_too() -> None:
    """30 mm is unusual for the tooth and was questioned; no entry is there to correct."""
    sitting = Sitting(front_tooth())
    sitting.say("thirty")
    assert sitting.room.state.pending is not None
    sitting.say("one", 1.0)
    assert sitting.asked.endswith("31 or 30?")
    assert not sitting.room.values("working_length_mm")


@pytest.mark.parametrize(
    "second", ["taper point oh six", "undo that", "repeat", "point oh six"]
)
def test_what_goes_on_no_number_is_what_it_is(second: str) -> None:
    sitting = at_size()
    sitting.say("forty")
    assert not sitting.say(second, 0.8).heard.doubt
    assert sitting.room.state.pending is None


def test_what_was_refused_is_not_gone_on() -> None:
    """1 mm is no working length; a correction would reach an older value."""
    sitting = Sitting(front_tooth())
    sitting.say("working length twenty one")
    sitting.say("correction one")
    assert sitting.room.refused == "out_of_range"
    sitting.say("point five", 1.0)
    assert sitting.room.state.pending is None
    assert sitting.room.values("working_length_mm") == [21.0]


def said_with_pause(pause_s: float) -> tuple[it.AnyIntent, ...]:
    """What the own ears make of "forty ... five" at the size, in a noisy room."""
    state: CaseState = at_size().room.state
    parts = [speak(text, "flite:awb") for text in ("size forty", "five")]
    trimmed = [part[np.flatnonzero(abs(part) > 300)[[0, -1]][0] :] for part in parts]
    trimmed[0] = trimmed[0][: np.flatnonzero(abs(trimmed[0]) > 300)[-1]]
    gap = np.zeros(round(pause_s * RATE_HZ), np.int16)
    sound = np.concatenate([trimmed[0], gap, trimmed[1]])
    ears = assembly.hearing("own", None, WORDS)
    return hear(ears, mix(sound, Condition("pink", 20.0), 1).sound, state, grammar).intents


def test_a_pause_of_half_a_second_does_not_cut() -> None:
    """It was cut at 0.35 s, and gave size 40 and a 5 for the next step."""
    (intent,) = said_with_pause(0.5)
    assert isinstance(intent, it.Given) and intent.value == 45

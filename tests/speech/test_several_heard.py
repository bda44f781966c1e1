"""Sentences of several values from sound, by the own ears (two voices in a quiet room)."""

from __future__ import annotations

import pytest
from hearing.noises import Condition, mix
from hearing.voices import speak
from room import Room, at_press, front_tooth

from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.speech.own_listener import OwnListener
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.understand import understand

pytestmark = pytest.mark.sound

WORDS = assembly.language()
TRUST = assembly.TRUST["own"]
VOICES = pytest.mark.parametrize("voice", ["flite:awb", "flite:slt"])


def say(room: Room, voice: str, text: str) -> None:
    """A text, said aloud at the present step and taken as it was heard; what is asked
    about is confirmed."""
    sound = mix(speak(text, voice), Condition("quiet"), 0, lead_s=0.4, tail_s=0.4).sound
    ears = OwnListener()
    grammar = grammar_of(WORDS, wanted_now(room.state))
    ears.prepare(grammar)
    room.do(understand(ears.hear(sound), grammar, TRUST))
    if room.state.pending is not None:
        room.command("confirm")


@VOICES
def test_the_depths_of_a_cycle_while_its_press_runs(voice: str) -> None:
    room = at_press()
    room.command("press")
    say(room, voice, "carrier sixteen plugger fifteen and a half")
    assert room.values("heat_depth_mm") == [16.0]
    assert room.values("plugger_depth_mm") == [15.5]
    room.do(it.Tick(), 5.0)
    assert room.values("press_s") == [5.0]


@VOICES
def test_the_sentences_of_a_preparation(voice: str) -> None:
    room = front_tooth()
    say(room, voice, "working length twenty one incisal edge apex locator twenty one")
    say(room, voice, "size thirty taper oh six no post level ten")
    say(room, voice, "shaped and irrigated")
    say(room, voice, "cone size thirty oh six length twenty one and a half tugback")
    room.choose("accepted")
    say(room, voice, "pluggers nine twelve and a half sixteen")
    assert [e.value for e in room.state.standing("single")][-3:] == [9, 12.5, 16]
    assert (room.values("apical_size"), room.values("post_planned")) == ([30], ["no"])
    assert room.values("coronal_level_mm") == [10.0]
    assert room.values("cone_length_mm") == [21.5]


def test_two_ways_to_say_the_same_are_no_rivals() -> None:
    """Over suction "size is thirty" fits about as well, and means nothing else."""
    room = front_tooth()
    room.mm(21.0)
    room.choose("incisal_edge", "no_reading")
    grammar = grammar_of(WORDS, wanted_now(room.state))
    ears = OwnListener()
    ears.prepare(grammar)
    said = speak("size thirty taper oh six", "espeak-ng:en-gb")
    for variant in (1, 3):
        sound = mix(said, Condition("suction", 10.0), variant, lead_s=0.4, tail_s=0.4).sound
        heard = ears.hear(sound)
        assert heard.confidence >= TRUST.accept
        assert heard.alternatives == ()

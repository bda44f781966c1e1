"""The assistant's own voice, back from a loudspeaker, must cause no intent.

``python tests/measure_echo.py`` does the same with every sentence and more rooms.
"""

from __future__ import annotations

import ctypes.util
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from echo_room import EchoRoom, Way

from assistant.prompt.voice import Pyttsx3Voice
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sound.echo import (
    ALIKE,
    MAX_DELAY_S,
    TAIL_S,
    Echo,
    SpeexCanceller,
    likeness,
)
from assistant.sound.player import RememberingPlayer, SilentPlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.speech.hearing import Hearing

pytestmark = pytest.mark.sound

WORDS = assembly.language()
QUESTION = "34 is unusual for this tooth. Working length 34? Say confirm, or no."


@cache
def hearing() -> Hearing:
    return assembly.hearing("own", None, WORDS, earpiece=False)


def room_at_a_question(folder: Path, way: Way, *, guarded: bool = True) -> EchoRoom:
    ears = hearing()
    ears.ear.reset()
    ears.urgent.reset()
    room = EchoRoom(folder / "case", WORDS, ears, way)
    assert room.session.listening is not None
    if not guarded:
        room.session.listening.echo = None
    room.at_a_question()
    return room


WAYS = [Way(0.03, -6.0, 0.3), Way(0.3, -6.0, 0.6), Way(0.3, -20.0, 0.3)]


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_its_own_voice_causes_no_intent(tmp_path: Path, way: Way) -> None:
    room = room_at_a_question(tmp_path, way)
    before = room.session.case.state
    assert before.pending is not None
    for sentence in (QUESTION, "Press. Next, confirm that the cone is seated.", "Off."):
        room.prompt(sentence)
        room.hear_out()
        room.wait(1.2)
    assert room.spoken == []
    assert room.session.case.state == before
    assert room.session.listening is not None
    assert room.session.listening.echo is not None
    assert room.session.listening.echo.delay_s == pytest.approx(way.delay_s, abs=0.02)


def test_without_the_guard_a_late_echo_is_taken_for_an_answer(tmp_path: Path) -> None:
    """What the guard is for: a phrase of the assistant's comes back as an answer."""
    room = room_at_a_question(tmp_path, Way(0.3, -6.0, 0.3), guarded=False)
    room.prompt("Confirm.")
    room.hear_out()
    room.wait(1.2)
    assert room.spoken


def test_who_answers_at_once_is_heard_from_the_first_word(tmp_path: Path) -> None:
    """200 ms after the end of the prompt has come back, with the room still ringing."""
    way = Way(0.2, -6.0, 0.3)
    room = room_at_a_question(tmp_path, way)
    room.prompt(QUESTION)
    room.hear_out()
    room.answer(dictate("working length twenty two", "flite:slt"), way.delay_s + 0.2)
    room.wait(3.0)
    assert [intent.heard.text for intent in room.spoken] == ["working length twenty two"]


# -- the parts ------------------------------------------------------------------


def speech(text: str) -> Samples:
    return Pyttsx3Voice().render(text)


def test_likeness_finds_the_delay_and_knows_another_sentence() -> None:
    said, other = speech("Say confirm, or no."), speech("Length twenty one point five.")
    lead, rng = round(MAX_DELAY_S * RATE_HZ), np.random.default_rng(1)
    played = np.concatenate([np.zeros(lead, np.int16), said])
    late = round(0.15 * RATE_HZ)
    heard = played[lead - late : len(played) - late] * 0.2 + rng.normal(0, 25, len(said))
    alike, delay_s = likeness(heard.astype(np.int16), played)
    assert alike > ALIKE and delay_s == pytest.approx(0.15, abs=0.011)
    other = np.resize(other, len(said))
    assert likeness(other, played)[0] < ALIKE
    assert likeness(np.zeros(len(said), np.int16), played)[0] < 1e-9
    assert likeness(said[:10], played[:10]) == (0.0, 0.0)


def test_an_utterance_that_repeats_the_prompt_is_dropped_and_an_answer_is_not() -> None:
    said = speech("Say confirm, or no.")
    player = RememberingPlayer(SilentPlayer(), lambda: 0.0)
    player.play(said)
    echo = Echo(player.played)
    sound = np.concatenate([said, np.zeros(RATE_HZ, np.int16)])
    for at in range(0, len(sound) - FRAME_SAMPLES + 1, FRAME_SAMPLES):
        end_s = (at + FRAME_SAMPLES) / RATE_HZ
        echo.push(sound[at : at + FRAME_SAMPLES], end_s)
    ago_s = end_s - len(said) / RATE_HZ
    assert echo.repeats(said, ago_s)
    assert not echo.repeats(np.resize(dictate("confirm", "flite:slt"), len(said)), ago_s)
    assert not echo.repeats(said[: RATE_HZ // 2], 0.0)  # long after the prompt


def test_deaf_until_the_echo_is_over_and_late_frames_do_not_shorten_it() -> None:
    echo = Echo(lambda start, end: np.zeros(round((end - start) * RATE_HZ), np.int16))
    frame, step_s = np.zeros(FRAME_SAMPLES, np.int16), FRAME_SAMPLES / RATE_HZ
    now_s = 0.0
    for _ in range(10):
        now_s += step_s
        echo.push(frame, now_s)
        assert echo.deaf(True, now_s)
    heard_from = now_s + MAX_DELAY_S + TAIL_S
    for number in range(1, 40):  # 1 s late: recorded while an utterance was decoded
        echo.push(frame, now_s + 1.0)
        assert echo.deaf(False, now_s) == (now_s + number * step_s < heard_from - 0.002)


def test_what_was_played_is_remembered_as_far_as_it_was_played() -> None:
    now_s = [1.0]
    player = RememberingPlayer(SilentPlayer(), lambda: now_s[0])
    player.play(np.full(RATE_HZ, 7, np.int16))
    now_s[0] = 1.5
    player.stop()
    played = player.played(0.75, 1.75)
    assert len(played) == RATE_HZ
    assert played.tolist() == [0] * 4000 + [7] * 8000 + [0] * 4000
    assert not player.played(5.0, 6.0).any() and not len(player.played(2.0, 1.0))


@pytest.mark.skipif(not ctypes.util.find_library("speexdsp"), reason="no libspeexdsp")
def test_the_canceller_takes_the_echo_and_leaves_the_operator() -> None:
    rng = np.random.default_rng(3)
    played = np.concatenate([speech("Compact along the walls, then hold the press.")] * 3)
    late = round(0.12 * RATE_HZ)
    echo = 0.4 * np.concatenate([np.zeros(late), played[:-late]])
    operator = np.zeros(len(played))
    word = dictate("stop", "flite:rms")
    at = len(played) - RATE_HZ - len(word)
    operator[at : at + len(word)] = word
    heard = (echo + operator + rng.normal(0, 25, len(played))).astype(np.int16)
    canceller = SpeexCanceller()
    cut = len(played) // FRAME_SAMPLES * FRAME_SAMPLES
    cleaned = np.concatenate(
        [
            canceller.cancel(heard[i : i + FRAME_SAMPLES], played[i : i + FRAME_SAMPLES])
            for i in range(0, cut, FRAME_SAMPLES)
        ]
    )

    def power(sound: Samples, first: int, last: int) -> float:
        return float((sound[first:last].astype(float) ** 2).mean())

    before = slice(at - 2 * RATE_HZ, at)
    alone = power(cleaned, before.start, before.stop) / power(heard, before.start, before.stop)
    assert alone < 0.03  # 15 dB of the echo gone
    assert power(cleaned, at, at + len(word)) > 0.3 * power(word, 0, len(word))

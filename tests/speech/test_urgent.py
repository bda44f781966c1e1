"""The word that must get through while the assistant speaks."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import InputFileError
from assistant.sound.samples import RATE_HZ, Samples
from assistant.sound.sources import SampleSource, read_wav
from assistant.speech.urgent import UrgentEar

pytestmark = pytest.mark.sound

needs_voice = pytest.mark.skipif(not shutil.which("espeak-ng"), reason="espeak-ng is missing")


def say(folder: Path, text: str, voice: str = "en-us") -> Samples:
    path = folder / "said.wav"
    subprocess.run(["espeak-ng", "-v", voice, "-w", str(path), text], check=True)
    quiet = np.zeros(RATE_HZ // 2, np.int16)
    return np.concatenate([quiet, read_wav(path), quiet])


def spot(ear: UrgentEar, samples: Samples) -> list[str]:
    hits = [ear.push(frame) for frame in SampleSource("test", samples).frames()]
    return [hit.word for hit in hits if hit]


@pytest.fixture(scope="module")
def ear() -> UrgentEar:
    return UrgentEar({"stop"})


@needs_voice
@pytest.mark.parametrize("voice", ["en-us", "en-gb"])
def test_stop_is_heard(ear: UrgentEar, tmp_path: Path, voice: str) -> None:
    ear.reset()
    hits = spot(ear, say(tmp_path, "stop, stop", voice))
    assert hits
    assert set(hits) == {"stop"}


@needs_voice
def test_stop_is_heard_through_a_quieter_prompt(ear: UrgentEar, tmp_path: Path) -> None:
    prompt = say(tmp_path, "compact along the walls, then hold the press for five seconds")
    word = say(tmp_path, "stop, stop")
    mixed = prompt.astype(float) * 10 ** (-12 / 20)
    mixed[: len(word)] += word
    ear.reset()
    assert "stop" in spot(ear, mixed.clip(-32768, 32767).astype(np.int16))
    ear.reset()
    assert spot(ear, (prompt * 10 ** (-12 / 20)).astype(np.int16)) == []


@needs_voice
def test_same_sound_after_reset_gives_the_same_hits(ear: UrgentEar, tmp_path: Path) -> None:
    sound = say(tmp_path, "stop. carry on. stop, stop.")
    ear.reset()
    first = spot(ear, sound)
    spot(ear, say(tmp_path, "read back: working length twenty one", "en-gb"))
    ear.reset()
    assert spot(ear, sound) == first
    assert first


@needs_voice
def test_stop_is_heard_after_a_long_silence(ear: UrgentEar, tmp_path: Path) -> None:
    ear.reset()
    long_silence = np.zeros(11 * RATE_HZ, np.int16)
    assert spot(ear, np.concatenate([long_silence, say(tmp_path, "stop, stop")]))


@needs_voice
def test_words_are_data(tmp_path: Path) -> None:
    own = UrgentEar({"release", "enough"}, {"enough": ("IH N AH F", "AH N AH F")})
    assert spot(own, say(tmp_path, "enough")) == ["enough"]
    own.reset()
    assert spot(own, say(tmp_path, "release")) == ["release"]


def test_unknown_word_is_named() -> None:
    with pytest.raises(InputFileError, match="'xyzzyplugh'"):
        UrgentEar({"stop", "xyzzyplugh"})


@pytest.mark.parametrize("kind", ["silence", "noise", "square", "nothing", "click"])
def test_no_sound_whatever_is_an_error_or_a_stop(ear: UrgentEar, kind: str) -> None:
    at = np.arange(2 * RATE_HZ)
    sound = {
        "silence": np.zeros(len(at)),
        "noise": np.random.default_rng(1).normal(0, 3000, len(at)),
        "square": np.where(at // 40 % 2, 32767, -32768),
        "nothing": np.zeros(0),
        "click": np.where(at == RATE_HZ, 30_000, 0),
    }[kind].astype(np.int16)
    ear.reset()
    assert spot(ear, sound) == []
    assert ear.push(sound[:0]) is None


@needs_voice
def test_a_word_is_dated_to_when_it_began(ear: UrgentEar, tmp_path: Path) -> None:
    """A press that is let go must not be recorded longer than it was."""
    word = say(tmp_path, "stop")
    began_s = int(np.argmax(np.abs(word) > 500)) / RATE_HZ
    ear.reset()
    for number, frame in enumerate(SampleSource("test", word).frames(), start=1):
        if (hit := ear.push(frame)) is not None:
            assert number * len(frame) / RATE_HZ - hit.ago_s == pytest.approx(began_s, abs=0.25)
            break
    else:
        pytest.fail("the word was not spotted")

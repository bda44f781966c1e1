"""The voice on the real espeak-ng, and players on a pretended sound card."""

import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from assistant.errors import EquipmentError
from assistant.prompt import voice as voice_module
from assistant.prompt.voice import Pyttsx3Voice
from assistant.sound.player import SilentPlayer, SounddevicePlayer, TimelinePlayer
from assistant.sound.samples import RATE_HZ, Samples

pytestmark = pytest.mark.sound

DEPTH_CHECK = "Depth check: limit sixteen, heard seventeen."


@pytest.fixture(scope="module")
def voice() -> Pyttsx3Voice:
    try:
        Pyttsx3Voice().render("ready")
    except EquipmentError as error:
        pytest.skip(str(error))
    return Pyttsx3Voice()


def seconds(samples: Samples) -> float:
    return len(samples) / RATE_HZ


# --- voice ---------------------------------------------------------------------


def test_two_hundred_sentences_in_a_row_all_come_out(voice: Pyttsx3Voice) -> None:
    texts = [
        f"Canal {n % 4 + 1}, reading {n}: plugger at {n % 29} point five." for n in range(200)
    ]
    lengths_s = np.array([seconds(voice.render(text)) for text in texts])
    # Said in the same frame, so lengths differ by the spoken number only.
    assert lengths_s.min() > 0.75 * np.median(lengths_s)
    assert lengths_s.max() < 1.4 * np.median(lengths_s)
    assert len({voice.render(text).tobytes() for text in texts[-50:]}) == 50


def test_length_grows_with_the_text_at_a_speaking_rate(voice: Pyttsx3Voice) -> None:
    """espeak-ng documents its rate as words per minute; pauses make it a rough one."""
    sentence = "Put the plugger in the canal and hold it there with pressure for five seconds"
    words = len(sentence.split())
    once, twice = (
        seconds(voice.render(sentence)),
        seconds(voice.render(f"{sentence} {sentence}")),
    )
    assert 1.8 < twice / once < 2.2
    assert 120 < 60 * words / once < 260
    slow = seconds(Pyttsx3Voice(words_per_minute=100).render(sentence))
    assert 1.4 < slow / once < 2.1  # 1.75 if rates were exact


def test_it_is_speech_and_not_noise_or_a_tone(voice: Pyttsx3Voice) -> None:
    """Voiced energy below 4 kHz, and a level that moves with the syllables."""
    samples = voice.render(DEPTH_CHECK).astype(float)
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    assert power[(hz > 80) & (hz < 4000)].sum() > 0.9 * power.sum()
    frames = samples[: len(samples) // 320 * 320].reshape(-1, 320)
    level = np.sqrt((frames**2).mean(axis=1))
    assert np.percentile(level, 90) > 5 * np.percentile(level, 10)
    assert level.max() > 3000


def test_no_silence_at_the_end_but_the_last_consonant_is_kept(voice: Pyttsx3Voice) -> None:
    samples = np.abs(voice.render("Limit six").astype(int))
    loud = np.flatnonzero(samples > 0.003 * samples.max())
    assert loud[0] < 0.05 * RATE_HZ
    assert len(samples) - loud[-1] <= 0.031 * RATE_HZ
    # The final "s" is there: above 3 kHz in the last 120 ms.
    end = voice.render("Limit six")[-round(0.12 * RATE_HZ) :].astype(float)
    power = np.abs(np.fft.rfft(end)) ** 2
    assert power[len(power) * 3 // 8 :].sum() > 0.5 * power.sum()


def alike(one: Samples, other: Samples) -> bool:
    """The same sentence twice; espeak-ng jitters by some 10 samples and a little noise."""
    return abs(len(one) - len(other)) < 0.01 * max(len(one), len(other))


def test_the_first_sentence_of_a_process_is_whole(voice: Pyttsx3Voice) -> None:
    """pyttsx3 returns from the first 10 ms after it began, however long it is."""
    text = (
        "This has to be long enough that no machine has finished it in ten milliseconds. " * 12
    )
    program = (
        "from assistant.prompt.voice import Pyttsx3Voice; "
        f"print(len(Pyttsx3Voice().render({text!r})))"
    )
    first = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    later = len(voice.render(text))
    assert int(first.stdout) == pytest.approx(later, rel=0.01)


def test_threads_get_their_own_sentences(voice: Pyttsx3Voice) -> None:
    texts = ["Reading number " + "seventeen " * n for n in range(8)]
    expected = [voice.render(text) for text in texts]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(Pyttsx3Voice().render, texts))
    assert all(map(alike, together, expected))
    assert not alike(expected[6], expected[7])  # or the line above could not fail


def test_every_sentence_comes_at_the_rate_of_its_voice(voice: Pyttsx3Voice) -> None:
    """A change of rate right before a sentence is what pyttsx3 loses if not waited for."""
    rates_wpm = [100, 175, 250] * 8
    texts = [f"Limit sixteen, heard {n}" for n in range(20, 20 + len(rates_wpm))]
    lengths_s = [
        seconds(Pyttsx3Voice(words_per_minute=rate).render(text))
        for rate, text in zip(rates_wpm, texts, strict=True)
    ]
    slow, usual, fast = lengths_s[::3], lengths_s[1::3], lengths_s[2::3]
    assert min(slow) > max(usual) > 0
    assert min(usual) > max(fast) > 0


def test_nothing_to_say_and_nothing_printed(
    voice: Pyttsx3Voice, capfd: pytest.CaptureFixture[str]
) -> None:
    assert voice.render("  \n ").size == 0
    assert voice.render("...").size == 0
    assert voice.render("Said only here").size > 0
    assert capfd.readouterr().out == ""


def test_an_unknown_voice_is_named_and_the_next_still_works(voice: Pyttsx3Voice) -> None:
    with pytest.raises(EquipmentError, match=r"no voice 'nobody'.*screen"):
        Pyttsx3Voice(voice_name="nobody").render("Hello")
    assert Pyttsx3Voice().render("Still here").size > 0


@pytest.mark.parametrize("missing", ["package", "library"])
def test_without_a_speech_engine_the_error_says_what_to_do(
    missing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_library() -> None:
        raise RuntimeError("libespeak-ng.so.1 not found")

    fake = None if missing == "package" else SimpleNamespace(init=no_library)
    monkeypatch.setitem(sys.modules, "pyttsx3", fake)
    monkeypatch.setattr(voice_module, "_the_engine", voice_module._Engine)
    with pytest.raises(EquipmentError, match=r"install espeak-ng.*screen"):
        Pyttsx3Voice().render("Hello")


def test_an_engine_that_never_answers_is_given_up(
    voice: Pyttsx3Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(voice_module, "_PATIENCE_S", 0.01)
    stuck = SimpleNamespace(IsPlaying=lambda: True)
    monkeypatch.setattr(voice_module._the_engine(), "_espeak", stuck)
    with pytest.raises(EquipmentError, match=r"does not answer.*screen"):
        Pyttsx3Voice().render("Never said")
    monkeypatch.undo()
    assert Pyttsx3Voice().render("Back again").size > 0


# --- timeline and silence ------------------------------------------------------


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_timeline_is_busy_for_exactly_the_length() -> None:
    clock = Clock()
    player = TimelinePlayer(clock)
    player.play(np.ones(RATE_HZ, dtype=np.int16))
    clock.now_s = 1 - 1e-6
    assert player.busy
    clock.now_s = 1.0
    assert not player.busy


def test_timeline_keeps_what_was_heard_of_a_stopped_sound() -> None:
    clock = Clock()
    player = TimelinePlayer(clock)
    clock.now_s = 0.25
    player.play(np.full(RATE_HZ, 7, dtype=np.int16))
    clock.now_s = 0.75
    player.stop()
    assert not player.busy
    player.play(np.full(RATE_HZ, 9, dtype=np.int16))
    mixed = player.mix(1.0)
    assert [int(mixed[round(t * RATE_HZ)]) for t in (0.1, 0.3, 0.7, 0.8)] == [0, 7, 7, 9]
    assert len(mixed) == RATE_HZ
    assert len(player.mix(0.1)) == RATE_HZ // 10  # ends before anything was played


def test_timeline_refuses_two_sounds_at_once() -> None:
    player = TimelinePlayer(Clock())
    player.play(np.ones(10, dtype=np.int16))
    with pytest.raises(RuntimeError):
        player.play(np.ones(10, dtype=np.int16))


def test_silent_player_is_never_busy_and_says_that_nobody_hears() -> None:
    player = SilentPlayer()
    player.play(np.ones(10, dtype=np.int16))
    assert not player.busy
    assert not player.audible
    player.stop()
    player.close()


# --- sound device --------------------------------------------------------------


class PretendedCard:
    """A sound module with one card, from which a test takes sound as a device does."""

    class PortAudioError(Exception):
        pass

    def __init__(self, clock: Clock, rates_hz: tuple[int, ...] = (16000, 48000)) -> None:
        self.clock = clock
        self.rates_hz = rates_hz
        self.active = True
        self.closed = False
        self.delay_s = 0.05

    def query_devices(self, _device: object, _kind: str) -> dict[str, float]:
        return {"default_samplerate": float(self.rates_hz[-1])}

    def check_output_settings(self, *, device: object, samplerate: float) -> None:
        if samplerate not in self.rates_hz:
            raise self.PortAudioError("Invalid sample rate")

    def OutputStream(  # noqa: N802 (the name in sounddevice)
        self, *, samplerate: int, callback: Callable[..., None], **_: object
    ) -> Any:
        self.rate_hz = samplerate
        self.callback = callback
        return self

    def start(self) -> None: ...

    def close(self) -> None:
        self.closed = True

    def take(self, frames: int) -> Samples:
        """One request of the device; the time that the sound lasts passes."""
        out = np.full((frames, 1), 99, dtype=np.int16)
        at = 7.0  # PortAudio's clock is not ours
        when = SimpleNamespace(currentTime=at, outputBufferDacTime=at + self.delay_s)
        self.callback(out, frames, when, None)
        self.clock.now_s += frames / self.rate_hz
        return out[:, 0]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def card(clock: Clock) -> PretendedCard:
    return PretendedCard(clock)


RAMP = np.arange(1, 1001, dtype=np.int16)


def test_device_gets_the_samples_then_silence(card: PretendedCard, clock: Clock) -> None:
    player = SounddevicePlayer(sound=card, clock=clock)
    assert not player.busy
    assert not card.take(100).any()
    player.play(RAMP)
    assert player.busy
    out = np.concatenate([card.take(300) for _ in range(4)])
    assert np.array_equal(out[:1000], RAMP)
    assert not out[1000:].any()


def test_device_is_busy_until_the_last_sample_is_in_the_air(
    card: PretendedCard, clock: Clock
) -> None:
    player = SounddevicePlayer(sound=card, clock=clock)
    player.play(RAMP)
    card.take(1000)  # the program has handed all over and its length has passed ...
    assert player.busy  # ... but the card is 50 ms behind
    clock.now_s += 0.049
    assert player.busy
    clock.now_s += 0.002
    assert not player.busy
    assert player.trouble is None


@pytest.mark.parametrize("nonsense_s", [-7.0, 1e6])
def test_a_driver_without_a_sane_clock_does_not_hang_the_mouth(
    card: PretendedCard, clock: Clock, nonsense_s: float
) -> None:
    card.delay_s = nonsense_s
    player = SounddevicePlayer(sound=card, clock=clock)
    player.play(RAMP)
    card.take(1000)
    clock.now_s += 0.6
    card.take(10)
    assert not player.busy
    assert player.trouble is None


def test_stop_fades_out_and_the_next_sound_follows(card: PretendedCard, clock: Clock) -> None:
    player = SounddevicePlayer(sound=card, clock=clock)
    player.play(np.full(RATE_HZ, 10000, dtype=np.int16))
    assert (card.take(200) == 10000).all()
    player.stop()
    assert not player.busy
    player.play(RAMP)
    assert player.busy
    out = card.take(1400).astype(int)
    fade = round(0.010 * RATE_HZ)
    assert (np.diff(out[:fade]) <= 0).all()
    assert np.abs(np.diff(out[:fade])).max() < 100  # no click
    assert np.array_equal(out[fade : fade + 1000], RAMP)


@pytest.mark.parametrize("how", ["inactive", "stalled"])
def test_a_lost_device_ends_busy_and_is_reported(
    card: PretendedCard, clock: Clock, how: str
) -> None:
    player = SounddevicePlayer(device="earpiece", sound=card, clock=clock)
    player.play(np.ones(10 * RATE_HZ, dtype=np.int16))
    card.take(100)
    assert player.busy
    if how == "inactive":
        card.active = False
    else:
        clock.now_s += 1.5  # no request from the device in all that time
    assert not player.busy
    assert not player.audible
    assert player.trouble is not None
    assert "earpiece" in player.trouble
    assert "screen" in player.trouble
    player.play(RAMP)  # harmless
    player.stop()
    assert not player.busy
    player.close()
    assert card.closed


def test_a_card_without_16_khz_gets_its_own_rate(clock: Clock) -> None:
    card = PretendedCard(clock, rates_hz=(48000,))
    player = SounddevicePlayer(sound=card, clock=clock)
    tone = (8000 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)).astype(np.int16)
    player.play(tone)
    out = card.take(48000).astype(float)
    assert card.rate_hz == 48000
    assert np.argmax(np.abs(np.fft.rfft(out))) == 440  # one second: bins of 1 Hz


@pytest.mark.parametrize(
    "failure", [OSError("PortAudio library not found"), ValueError("No output device")]
)
def test_no_output_device_says_that_the_screen_is_enough(
    card: PretendedCard, failure: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(**_: object) -> None:
        raise failure

    monkeypatch.setattr(card, "OutputStream", fail)
    with pytest.raises(EquipmentError, match=r"'earpiece'.*screen alone"):
        SounddevicePlayer(device="earpiece", sound=card)

"""From frames to utterances."""

from __future__ import annotations

import shutil
import subprocess
from itertools import pairwise

import numpy as np
import pytest

from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.sound.sources import SampleSource, read_wav
from assistant.sound.voiced import Block
from assistant.speech.ear import MAX_UTTERANCE_S, POST_ROLL_S, PRE_ROLL_S, Ear, Utterance

pytestmark = pytest.mark.sound


def listen(samples: Samples, ear: Ear | None = None) -> list[Utterance]:
    ear = ear or Ear()
    found = [ear.push(frame) for frame in SampleSource("test", samples).frames()]
    found.append(ear.flush())
    return [utterance for utterance in found if utterance]


@pytest.fixture(scope="module")
def voice(tmp_path_factory: pytest.TempPathFactory) -> Samples:
    """ "Plugger seventeen" by espeak-ng, without silence around it."""
    if not shutil.which("espeak-ng"):
        pytest.skip("espeak-ng is not installed")
    path = tmp_path_factory.mktemp("voice") / "said.wav"
    subprocess.run(["espeak-ng", "-w", str(path), "plugger seventeen"], check=True)
    samples = read_wav(path)
    loud = np.flatnonzero(np.abs(samples.astype(int)) > 300)
    return samples[loud[0] : loud[-1] + 1]


def silence(seconds: float) -> Samples:
    return np.zeros(round(seconds * RATE_HZ), np.int16)


def test_each_phrase_is_one_utterance_at_its_time(voice: Samples) -> None:
    spoken_s = len(voice) / RATE_HZ
    sound = np.concatenate([silence(1), voice, silence(1.5), voice, silence(1)])
    first, second = listen(sound)
    for utterance, began_s in ((first, 1.0), (second, 2.5 + spoken_s)):
        assert utterance.started_s == pytest.approx(began_s, abs=0.25)
        assert utterance.ended_s == pytest.approx(began_s + spoken_s, abs=0.25)
        assert not utterance.clipped
        assert not utterance.cut
        # The whole of the speech is inside the samples.
        assert len(utterance.samples) >= len(voice)


def test_in_speech_ends_soon_after_the_voice(voice: Samples) -> None:
    ear = Ear()
    sound = np.concatenate([silence(0.6), voice, silence(1)])
    states = []
    for frame in SampleSource("test", sound).frames():
        ear.push(frame)
        states.append(ear.in_speech)
    changes = [n for n, (a, b) in enumerate(pairwise(states)) if a != b]
    assert len(changes) == 2
    ended_s = (changes[1] + 2) * FRAME_SAMPLES / RATE_HZ
    # Trailing silence of 0.3-0.5 s is the design; the detector's hangover adds to it.
    assert ended_s - (0.6 + len(voice) / RATE_HZ) == pytest.approx(0.4, abs=0.15)


def test_pre_and_post_roll_are_kept(voice: Samples) -> None:
    utterance = listen(np.concatenate([silence(1), voice, silence(1)]))[0]
    kept_s = len(utterance.samples) / RATE_HZ
    assert kept_s == pytest.approx(
        utterance.ended_s - utterance.started_s + PRE_ROLL_S + POST_ROLL_S, abs=0.001
    )


def test_same_frames_after_reset_give_the_same_bits(voice: Samples) -> None:
    ear = Ear()
    sound = np.concatenate([silence(0.5), voice, silence(0.8)])
    first = listen(sound, ear)
    listen(np.concatenate([voice, silence(0.1)]), ear)
    ear.reset()
    again = listen(sound, ear)
    assert len(first) == len(again) == 1
    np.testing.assert_array_equal(first[0].samples, again[0].samples)
    assert first[0].started_s == again[0].started_s


def test_offset_is_removed_and_silence_is_never_digital(voice: Samples) -> None:
    sound = np.concatenate([silence(1), voice, silence(1)]) // 2 + 5000
    (utterance,) = listen(sound.astype(np.int16))
    head = utterance.samples[: RATE_HZ // 10].astype(float)
    assert abs(head.mean()) < 10
    assert 2 < head.std() < 50
    assert utterance.level_dbfs == pytest.approx(
        listen(np.concatenate([silence(1), voice // 2, silence(1)]))[0].level_dbfs, abs=0.5
    )


def test_quiet_voice_is_raised_and_its_true_level_told(voice: Samples) -> None:
    loud = listen(np.concatenate([silence(1), voice, silence(1)]))[0]
    quiet = listen(np.concatenate([silence(1), (voice / 10).astype(np.int16), silence(1)]))[0]
    assert loud.level_dbfs - quiet.level_dbfs == pytest.approx(20, abs=2)
    assert loud.peak == pytest.approx(10 * quiet.peak, rel=0.05)
    ratio = np.std(loud.samples.astype(float)) / np.std(quiet.samples.astype(float))
    assert ratio < 2.5


def test_clipping_is_noticed(voice: Samples) -> None:
    hot = np.clip(voice.astype(int) * 20, -32768, 32767).astype(np.int16)
    (utterance,) = listen(np.concatenate([silence(1), hot, silence(1)]))
    assert utterance.clipped
    assert utterance.peak == 32768


def test_endless_speech_is_cut_and_marked_without_losing_any(voice: Samples) -> None:
    spoken = np.tile(voice, 5 + int(2 * MAX_UTTERANCE_S * RATE_HZ / len(voice)))
    utterances = listen(np.concatenate([silence(0.5), spoken, silence(1)]))
    assert len(utterances) >= 3
    assert [u.cut for u in utterances] == [True] * (len(utterances) - 1) + [False]
    assert max(u.ended_s - u.started_s for u in utterances) <= MAX_UTTERANCE_S + 0.03
    # What the detector needs to notice speech again comes out of the pre-roll.
    total_s = sum(len(u.samples) for u in utterances) / RATE_HZ
    assert total_s >= len(spoken) / RATE_HZ


def test_flush_returns_what_was_begun(voice: Samples) -> None:
    ear = Ear()
    frames = list(SampleSource("test", np.concatenate([silence(0.5), voice])).frames())
    assert [u for u in map(ear.push, frames) if u] == []
    assert ear.in_speech
    utterance = ear.flush()
    assert utterance is not None
    assert utterance.ended_s == pytest.approx(len(frames) * FRAME_SAMPLES / RATE_HZ)
    assert ear.flush() is None
    assert not ear.in_speech


def test_silence_and_a_click_are_no_utterance() -> None:
    click = silence(2)
    click[RATE_HZ] = 30_000
    assert listen(silence(2)) == []
    assert listen(click) == []
    assert listen(silence(0)) == []


@pytest.mark.parametrize("kind", ["noise", "square", "full scale"])
def test_no_sound_whatever_is_an_error(kind: str) -> None:
    at = np.arange(2 * RATE_HZ)
    sound = {
        "noise": np.random.default_rng(1).normal(0, 4000, len(at)).clip(-32768, 32767),
        "square": np.where(at // 40 % 2, 32767, -32768),
        "full scale": np.full(len(at), -32768),
    }[kind].astype(np.int16)
    for utterance in listen(sound):
        assert utterance.samples.dtype == np.int16


def test_a_voice_in_noise_is_one_utterance_at_its_time(voice: Samples) -> None:
    """White noise 10 dB under the voice; the detector before this never found its end."""
    level = np.sqrt(np.mean(voice.astype(float) ** 2))
    quiet = np.concatenate([silence(1.5), voice, silence(1.5)]).astype(float)
    noise = np.random.default_rng(5).normal(0.0, level * 10 ** (-10 / 20), len(quiet))
    sound = np.clip(quiet + noise, -32768, 32767).astype(np.int16)
    (utterance,) = listen(sound)
    assert utterance.started_s == pytest.approx(1.5, abs=0.15)
    assert utterance.ended_s == pytest.approx(1.5 + len(voice) / RATE_HZ, abs=0.25)
    assert utterance.snr_db == pytest.approx(10, abs=4)


def test_a_first_look_comes_before_the_end_and_again_with_it(voice: Samples) -> None:
    sound = np.concatenate([silence(1.2), voice, silence(1)])
    look, final = listen(sound, Ear(early=True))[-2:]
    assert (look.final, final.final) == (False, True)
    assert (look.started_s, look.ended_s) == (final.started_s, final.ended_s)


def test_no_look_is_wasted_on_a_voice_that_goes_on(voice: Samples) -> None:
    """Frames and the detector's blocks are of different lengths: what waits for the detector
    was once taken for silence every 0.48 s, and kept the recogniser busy at the end."""
    steady = np.random.default_rng(3).normal(0.0, 3000.0, 3 * RATE_HZ).astype(np.int16)
    ear = Ear(early=True)
    ear._detector._silero = _Always()  # type: ignore[assignment]
    ear._room.blocks.extend(Block(512 * n, 0.0, 20.0) for n in range(1, 60))
    assert listen(steady, ear)[:-1] == []


class _Always:
    """A detector that hears a voice in everything."""

    def process_samples(self, _samples: list[float]) -> float:
        return 1.0

    def reset(self) -> None:
        pass


@pytest.mark.parametrize("quiet_s", [0.1, 0.8])
def test_what_was_heard_tells_how_much_silence_ends_it(voice: Samples, quiet_s: float) -> None:
    ear, pushed = Ear(early=True), 0
    for frame in SampleSource(
        "test", np.concatenate([silence(1.2), voice, silence(2)])
    ).frames():
        utterance = ear.push(frame)
        pushed += 1
        if utterance is not None and utterance.final:
            break
        if utterance is not None:
            ear.wait(quiet_s)
    assert utterance is not None
    waited_s = pushed * len(frame) / RATE_HZ - utterance.ended_s
    assert quiet_s <= waited_s < quiet_s + 0.03


def test_more_speech_makes_a_short_wait_void(voice: Samples) -> None:
    ear, found = Ear(early=True), []
    gap = silence(0.25)
    sound = np.concatenate([silence(1.2), voice, gap, voice, silence(1)])
    for frame in SampleSource("test", sound).frames():
        if utterance := ear.push(frame):
            found.append(utterance)
            if len(found) == 1:
                ear.wait(0.8)
    assert sum(u.final for u in found) == 1


def test_what_was_dropped_does_not_come_again(voice: Samples) -> None:
    ear, found = Ear(early=True), []
    sound = np.concatenate([silence(1.2), voice, silence(1.5)])
    for frame in SampleSource("test", sound).frames():
        if utterance := ear.push(frame):
            found.append(utterance)
            # A look in the middle of the phrase is not the end of it.
            if utterance.ended_s > 1.2 + len(voice) / RATE_HZ - 0.1:
                ear.drop()
    assert [u.final for u in found] == [False] * len(found)
    assert ear.flush() is None


def test_the_room_is_remembered_over_a_restart_but_not_a_reset() -> None:
    ear = Ear()
    noise = np.random.default_rng(5).normal(0.0, 300.0, 2 * RATE_HZ).astype(np.int16)
    listen(noise, ear)
    ear.restart()
    assert ear._room.noise_db() == pytest.approx(20 * np.log10(300), abs=1.0)
    ear.reset()
    assert ear._room.heard_s == 0.0


def test_wrong_frame_length_is_a_defect_of_the_caller() -> None:
    with pytest.raises(ValueError, match="480"):
        Ear().push(silence(0.02))


def test_human_speech_is_found_where_it_is() -> None:
    """Debian's pocketsphinx-testdata: one sentence, recorded by a person."""
    from speech.test_listeners import human

    samples = human("something.raw")
    (utterance,) = listen(samples)
    inside = slice(round(utterance.started_s * RATE_HZ), round(utterance.ended_s * RATE_HZ))
    energy = samples.astype(float) ** 2
    assert energy[inside].sum() > 0.98 * energy.sum()

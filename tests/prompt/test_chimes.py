"""Chimes: told apart without loudness, free of clicks, well under the voice."""

from itertools import combinations

import numpy as np
import pytest

from assistant.prompt.chimes import chime, not_understood, tick
from assistant.prompt.prompts import Urgency
from assistant.sound.samples import RATE_HZ, Samples

pytestmark = pytest.mark.core

ALL = [chime(urgency) for urgency in Urgency] + [not_understood()]
FULL_SCALE = 32767


def notes_hz(samples: Samples) -> list[float]:
    """Pitches of the notes, found by ear: split at silences, then the strongest partial."""
    level = np.convolve(np.abs(samples.astype(float)), np.ones(80) / 80, mode="same")
    sounding = np.concatenate([[False], level > 100, [False]])
    edges = np.flatnonzero(np.diff(sounding.astype(int)))
    pitches = []
    for start, end in edges.reshape(-1, 2):
        spectrum = np.abs(np.fft.rfft(samples[start:end] * np.hanning(end - start), n=RATE_HZ))
        pitches.append(float(np.argmax(spectrum)))  # one bin is 1 Hz
    return pitches


@pytest.mark.parametrize(
    ("urgency", "count"),
    [
        (Urgency.TICK, 1),
        (Urgency.STEP, 1),
        (Urgency.READ_BACK, 1),
        (Urgency.QUESTION, 2),
        (Urgency.CAUTION, 3),
        (Urgency.WARNING, 4),
    ],
)
def test_each_demand_on_the_listener_adds_a_note(urgency: Urgency, count: int) -> None:
    assert len(notes_hz(chime(urgency))) == count


def test_no_two_melodies_are_closer_than_a_whole_tone_throughout() -> None:
    """Equal counts must differ in pitch; a whole tone is a ratio of 2**(2/12)."""
    for one, other in combinations(map(notes_hz, ALL), 2):
        if len(one) == len(other):
            ratios = np.abs(np.log2(np.array(one) / np.array(other)))
            assert ratios.max() > 2 / 12, (one, other)


def test_a_question_rises_and_not_understood_falls() -> None:
    first, second = notes_hz(chime(Urgency.QUESTION))
    assert second > first
    first, second = notes_hz(not_understood())
    assert second < first


def test_loudness_does_not_tell_them_apart() -> None:
    peaks = [int(np.abs(samples).max()) for samples in ALL]
    assert max(peaks) - min(peaks) <= 1
    assert max(peaks) < 0.3 * FULL_SCALE


@pytest.mark.parametrize("samples", ALL)
def test_no_clicks(samples: Samples) -> None:
    """Starts and ends at rest, and holds no step a tone of 2.5 kHz could not make."""
    assert samples[0] == samples[-1] == 0
    edge = RATE_HZ // 1000
    assert np.abs(samples[:edge]).max() < 0.1 * np.abs(samples).max()
    assert np.abs(samples[-edge:]).max() < 0.1 * np.abs(samples).max()
    steepest = 2 * np.pi * 2500 / RATE_HZ * np.abs(samples).max()
    assert np.abs(np.diff(samples.astype(int))).max() < steepest


@pytest.mark.parametrize("samples", ALL)
def test_words_do_not_wait_long(samples: Samples) -> None:
    assert samples.dtype == np.int16
    assert 0.03 * RATE_HZ < len(samples) < 0.5 * RATE_HZ


def test_no_glide_within_a_note() -> None:
    """A siren is a gliding pitch: both halves of every warning note agree in pitch."""
    warning = chime(Urgency.WARNING)
    for pitch in notes_hz(warning):
        assert min(abs(pitch / exact - 1) for exact in (659.26, 880.0)) < 0.02


def test_cached_chimes_cannot_be_spoiled() -> None:
    with pytest.raises(ValueError, match="read-only"):
        tick()[0] = 1

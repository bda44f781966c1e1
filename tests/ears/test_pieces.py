"""Sound with a pause in it is cut there, and nothing of it is lost."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.ears.bands import Samples
from assistant.ears.pieces import FRAME, PAUSE_FRAMES, UNDER_LOUD_DB, VOICE_FRAMES, pieces


def sound(*frames: tuple[int, float]) -> Samples:
    """Stretches of so many frames at so many dB under what is loud."""
    levels = np.concatenate([np.full(count * FRAME, -db) for count, db in frames])
    waves = 10_000 * 10 ** (levels / 20) * np.tile([1, -1], len(levels) // 2)
    return np.asarray(np.round(waves), np.int16)


LOUD, STILL = 0.0, 40.0


@pytest.mark.parametrize(("pause", "count"), [(PAUSE_FRAMES - 1, 1), (PAUSE_FRAMES, 2)])
def test_a_long_pause_cuts(pause: int, count: int) -> None:
    whole = sound((10, STILL), (30, LOUD), (pause, STILL), (30, LOUD), (9, STILL))
    cut = pieces(whole)
    assert len(cut) == count
    assert np.array_equal(np.concatenate(cut), whole)


@pytest.mark.parametrize(("voice", "count"), [(VOICE_FRAMES - 1, 1), (VOICE_FRAMES, 2)])
def test_a_click_is_no_piece(voice: int, count: int) -> None:
    assert len(pieces(sound((30, LOUD), (20, STILL), (voice, LOUD)))) == count
    assert len(pieces(sound((voice, LOUD), (20, STILL), (30, LOUD)))) == count


@pytest.mark.parametrize(
    ("under_db", "count"), [(UNDER_LOUD_DB - 0.5, 1), (UNDER_LOUD_DB + 0.5, 2)]
)
def test_noise_fills_a_pause(under_db: float, count: int) -> None:
    assert len(pieces(sound((30, LOUD), (20, under_db), (30, LOUD)))) == count


def test_three_words_are_three_pieces_and_silence_is_one() -> None:
    word, pause = (20, LOUD), (20, STILL)
    assert len(pieces(sound(word, pause, word, pause, word))) == 3
    assert len(pieces(np.zeros(16_000, np.int16))) == 1
    assert [len(piece) for piece in pieces(np.zeros(100, np.int16))] == [100]

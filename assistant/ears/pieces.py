"""What was said with a pause in it, cut at the pause.

The network was trained on speech without long pauses. What follows one within the same
sound it may leave out, and be sure: of "forty", half a second, "five" it hears "forty".
Each piece by itself it hears like any other speech.
"""

from __future__ import annotations

import numpy as np

from assistant.ears.bands import Samples

FRAME = 320
"""Samples to a frame of the network: pieces are whole frames."""

PAUSE_FRAMES = 8
"""Shortest pause to cut at (0.16 s): hardly a consonant is silent for as long."""

VOICE_FRAMES = 6
"""Shortest piece, in frames of voice (0.12 s): the T of "eight" may come late."""

UNDER_LOUD_DB = 20.0
"""A pause is so far under what is loud. In more noise there is none to be seen, and the
network needs no help there."""


def pieces(sound: Samples) -> list[Samples]:
    """``sound`` in one piece or several, cut in the middle of its pauses; together they are
    all of it.

    On people's recordings of the development half, two words with 0.3 or 0.5 s between them
    (``tests/hearing/making/pauses.py``: 60 pairs, 615 phones), 13.5 % are wrong as a whole and
    12.7 % in pieces in quiet, 12.5 and 12.2 % at 30 dB: little on the average. It is for
    a number's second word that is left out altogether (``tests/speech/test_people.py``).
    """
    quiet = _quiet(sound)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(np.int8), [0]])))
    cuts, begun = [0], 0
    for first, end in edges.reshape(-1, 2):
        voiced = int((~quiet[begun:first]).sum())
        left = int((~quiet[end:]).sum())
        if end - first >= PAUSE_FRAMES and min(voiced, left) >= VOICE_FRAMES:
            begun = int(first + end) // 2
            cuts.append(begun * FRAME)
    return [sound[a:b] for a, b in zip(cuts, [*cuts[1:], len(sound)], strict=True)]


def _quiet(sound: Samples) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which frames are a pause."""
    whole = sound[: len(sound) // FRAME * FRAME].astype(np.float64).reshape(-1, FRAME)
    if not len(whole):
        return np.zeros(0, bool)
    level_db = 10 * np.log10((whole**2).mean(1) + 1.0)
    return np.asarray(level_db < np.percentile(level_db, 90) - UNDER_LOUD_DB)

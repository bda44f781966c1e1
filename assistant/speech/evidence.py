"""How surely a grammar hit of pocketsphinx is what was said.

Pocketsphinx gives no confidence for a grammar search, so one is made by
competition on the same samples and mapped to 0..1 by a logistic function.
``tests/calibrate_listener.py`` fits the coefficients and prints the figures
quoted at :data:`WEIGHTS`.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np

from assistant.speech.audio import RATE_HZ
from assistant.speech.listeners import Samples


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for a hit; larger is better in every field.

    Attributes:
        versus_phones: log likelihood per frame (nats) of the grammar path
            minus that of the best path through a loop of all phones.
        weakest_word: the same within each word, the least of them.
        phone_match: similarity (0 to 1) of the hit's pronunciation with the
            phones that the loop heard.
        second_decode: similarity (in words, 0 to 1) with the text of a second
            decode, after a small change of speed and pitch.
        unrivalled: 1 if no other text is among the n best paths, else 0.
        density: how tightly the hit's phones fill the time given to them,
            minus log(frames per phone / 10), not above 0. Unrelated speech
            leaves a phrase stretched; ten frames is ordinary speech.
        snr_db: loud (90th percentile) over quiet (10th) frames, at most 40.
    """

    versus_phones: float
    weakest_word: float
    phone_match: float
    second_decode: float
    unrivalled: float
    density: float
    snr_db: float


WEIGHTS: tuple[float, ...] = (0.55, 0.55, 3.15, 1.78, 0.97, 3.34, 0.051)
BIAS = -1.56


def confidence(evidence: Evidence) -> float:
    """Logistic map of the evidence to 0..1."""
    score = BIAS + sum(w * x for w, x in zip(WEIGHTS, astuple(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))


def loudness_range_db(samples: Samples) -> float:
    """90th over 10th percentile of the 30 ms frame levels, in dB, 0 to 40."""
    frame = RATE_HZ * 3 // 100
    whole = samples[: len(samples) // frame * frame].astype(np.float64).reshape(-1, frame)
    if len(whole) < 2:
        return 0.0
    level_db = 10 * np.log10((whole**2).mean(axis=1) + 1.0)
    quiet, loud = np.percentile(level_db, [10, 90])
    return float(min(40.0, loud - quiet))

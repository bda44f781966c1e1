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
from numpy.typing import NDArray

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
        coverage: share of the loud sound that the hit's words account for. The
            grammar search may pass over speech that it cannot place as if it
            were silence.
        snr_db: loud (90th percentile) over quiet (10th) frames, at most 40.
    """

    versus_phones: float
    weakest_word: float
    phone_match: float
    second_decode: float
    unrivalled: float
    density: float
    coverage: float
    snr_db: float


WEIGHTS: tuple[float, ...] = (2.05, 0.14, 1.25, 0.93, 0.71, 2.57, 11.0, 0.018)
"""Of the fields of :class:`Evidence`, in their order.

From ``python tests/calibrate_listener.py`` (seed 7): 46 phrases and sentences,
clean and with white noise at 20 and 10 dB, each against a grammar of numbers
and commands and against one of seven answers; logistic regression with right
and wrong weighted alike. Fitted on two flite voices and one of espeak-ng (247
right, 76 misheard, 463 out of the grammar). On three other voices (254 right,
79 misheard, 482 out of the grammar) the area under the ROC curve is 0.95: 0.82
for misheard, 0.97 for out of the grammar. At 0.47, which keeps 90 % of the
right ones, 51 % of the misheard and 12 % of those out of the grammar pass; so a
measurement needs its read-back all the same. Cost: 0.13 s of processor time per
second of sound.

Fitted on synthetic voices and white noise only, so the figure is a rank rather
than a probability. On people (Debian's pocketsphinx-testdata): six recordings
against their own grammars, all right, 0.92 to 1.00; 13 recordings against
grammars they do not fit: 41 hits, median 0.02, two over 0.47, the highest 0.87.
No fresh check: ``coverage`` was added after an earlier fit failed on these.
"""
BIAS = -11.26


def confidence(evidence: Evidence) -> float:
    """Logistic map of the evidence to 0..1."""
    score = BIAS + sum(w * x for w, x in zip(WEIGHTS, astuple(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))


def levels_db(samples: Samples) -> NDArray[np.float64]:
    """Level of every whole 10 ms frame in dB, of no fixed reference."""
    frame = RATE_HZ // 100
    whole = samples[: len(samples) // frame * frame].astype(np.float64).reshape(-1, frame)
    return np.asarray(10 * np.log10((whole**2).mean(axis=1) + 1.0))

"""How surely a grammar hit of pocketsphinx is what was said.

Pocketsphinx gives no confidence for a grammar search, so one is made by
competition on the same samples and mapped to 0..1 by a logistic function. Its
coefficients are in :mod:`.evidence_fit`, fitted by ``tests/hearing/calibrate.py
--listener alone`` behind the front end of a session: 500 phrases of every step and 152
answers in 18 made-up rooms, 12 minutes of talk, 12 of silence and of noise, in the
calibration half. Right and wrong weigh alike, and no weight is negative.

Of the 852 hits in these 475 were right, 178 misheard, 199 of talk and noise. The area
under the ROC curve, each fifth of the hits by a fit on the others, is 0.950 (0.92 against
the misheard, 0.98 against talk and noise). It ranks hits; it is no probability, and tells
a number from one that sounds alike too badly to go by (``assembly.TRUST``).

On people (Debian's pocketsphinx-testdata): six recordings against their own grammars,
all right, 0.95 to 1.00; 14 against grammars they do not fit (two that come with them,
four of this program): 70 hits, median 0.01, the highest 0.81 and 0.72. No fresh check:
``coverage`` was added after an earlier fit failed on these.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from assistant.sound.samples import RATE_HZ, Samples
from assistant.speech.evidence_fit import BIAS, WEIGHTS

WORST_WORD = -3.0
"""No word counts for less. A word of few frames comes out as low as -14 although it was
heard rightly ("palatal", one flite voice); with no limit such a phrase was refused eight
times of nine. Five-fold cross-validated area under the ROC curve (852 hits, calibration
half): 0.948 without, 0.950 with it."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for a hit; larger is better in every field.

    Attributes:
        versus_phones: log likelihood per frame (nats) of the grammar path
            minus that of the best path through a loop of all phones.
        weakest_word: the same within each word, the least of them, within
            :data:`WORST_WORD`.
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


def confidence(evidence: Evidence) -> float:
    """Logistic map of the evidence to 0..1."""
    score = BIAS + sum(w * x for w, x in zip(WEIGHTS, astuple(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))


def levels_db(samples: Samples) -> NDArray[np.float64]:
    """Level of every whole 10 ms frame in dB, of no fixed reference."""
    frame = RATE_HZ // 100
    whole = samples[: len(samples) // frame * frame].astype(np.float64).reshape(-1, frame)
    return np.asarray(10 * np.log10((whole**2).mean(axis=1) + 1.0))

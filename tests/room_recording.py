"""A recording for the room check: room noise, then its phrases with pauses between."""

from __future__ import annotations

import numpy as np
from hearing.noises import Condition, active_rms, background

from assistant.sitting.dictation import LEVEL_RMS, dictate
from assistant.sound.samples import RATE_HZ, Samples, to_int16


def recording(
    phrases: list[str], voice: str, condition: Condition, *, noise_s: float = 10.5
) -> Samples:
    """``phrases`` said by ``voice`` in the room ``condition``, 2 s apart."""
    parts = [np.zeros(round(noise_s * RATE_HZ))]
    for phrase in phrases:
        said = dictate(phrase, voice).astype(np.float64)
        parts += [said * (LEVEL_RMS / active_rms(said)), np.zeros(2 * RATE_HZ)]
    clean = np.concatenate(parts)
    return to_int16(clean + background(len(clean), condition, variant=0))

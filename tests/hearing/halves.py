"""What may be tuned on and what is reported: the one place where that is drawn.

Coefficients and thresholds are fitted on the ``calibrate`` half; the figures
that are published come from the ``report`` half. The halves share no voice, no
variant of a noise and no seed of the phrases. Accents that stem from one
another (flite kal and kal16, espeak-ng en-gb and its received pronunciation) are
kept together. Piper's voice, and whatever a user brings, is report only.
"""

from __future__ import annotations

from typing import Literal

from hearing.making.utterances import CALIBRATE_VOICES, REPORT_VOICES

Half = Literal["calibrate", "report"]

FLITE: dict[Half, tuple[str, ...]] = {
    "calibrate": ("slt", "rms"),
    "report": ("awb", "kal16", "kal"),
}
KOKORO: dict[Half, tuple[str, ...]] = {
    "calibrate": CALIBRATE_VOICES,
    "report": REPORT_VOICES,
}
ESPEAK: dict[Half, tuple[str, ...]] = {
    "calibrate": ("en-us", "en-us-nyc", "en-gb-scotland", "en-gb-x-gbcwmd"),
    "report": ("en-gb", "en-gb-x-rp", "en-gb-x-gbclan", "en-029"),
}
ESPEAK_VARIANTS: dict[Half, tuple[str, ...]] = {
    "calibrate": ("", "+f2", "+m3"),
    "report": ("", "+f4", "+m7"),
}
"""Other formants and pitch on the same accent; the plain voice is the first."""

NOISE_PARITY: dict[Half, int] = {"calibrate": 0, "report": 1}
"""Noises are numbered, every number another suction tip, handpiece or room; the
even ones are for calibration, the odd ones for the report."""


def noise_variant(half: Half, number: int) -> int:
    """The ``number``-th variant (from 0) of a noise that belongs to ``half``."""
    return 2 * number + NOISE_PARITY[half]


SEED_OFFSET: dict[Half, int] = {"calibrate": 1_000_003, "report": 0}
"""Added to the seed of the phrases, so that the halves say different things."""

PIPER_HALF: Half = "report"
BROUGHT_HALF: Half = "report"
"""Where the neural voice and the voices of a user's folder belong."""

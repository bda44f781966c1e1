"""Short soft tones that say how much the next words matter.

The patient hears them too, so nothing here swells, wails or sounds like a
monitor. Urgencies are told apart by melody and by the number of notes, never
by loudness: every chime has the same peak level, and hearing loss or a mask
of suction noise takes away level first. Four notes are the most that people
count without effort (the limit of subitising; common knowledge, from memory),
so the routine urgencies share one note, at different pitches, and each step
up in what is asked of the listener adds a note:

===========  =====  =======================================
urgency      notes  melody
===========  =====  =======================================
TICK         1      a blip
STEP         1      low
READ_BACK    1      higher
QUESTION     2      rising, as the voice does in a question
CAUTION      3      up and back
WARNING      4      two pairs, the second a fourth higher
===========  =====  =======================================

``not_understood`` has two notes as well, low and falling: the opposite of a
question. ``listening`` and ``not_listening``, after a tap on the pedal, are one
note struck twice, high and low. The longest chime is under half a second, because
words wait for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.prompt.prompts import Urgency
from assistant.sound.samples import RATE_HZ, Samples, to_int16

_PEAK = 0.25  # of full scale: well under the voice, which peaks near 1
_FADE_IN_S = 0.008
_FADE_OUT_S = 0.030
_GAP_S = 0.030
_PARTIALS = (1.0, 0.25, 0.08)  # a flute-like tone; a bare sine is hard to place


class _Note(NamedTuple):
    pitch_hz: float
    length_s: float


# Equal temperament, A4 = 440 Hz. All between 330 and 1050 Hz: above the hum
# of suction, and below where hearing loss with age begins.
_C_SHARP4, _E4, _G4, _A4 = 277.18, 329.63, 392.00, 440.00
_C5, _D5, _E5, _F5, _A5, _C6 = 523.25, 587.33, 659.26, 698.46, 880.00, 1046.50

_MELODIES: Mapping[Urgency, tuple[_Note, ...]] = {
    Urgency.TICK: (_Note(_C6, 0.045),),
    Urgency.STEP: (_Note(_G4, 0.120),),
    Urgency.READ_BACK: (_Note(_C5, 0.120),),
    Urgency.QUESTION: (_Note(_C5, 0.090), _Note(_F5, 0.130)),
    Urgency.CAUTION: (_Note(_A4, 0.090), _Note(_D5, 0.090), _Note(_A4, 0.130)),
    Urgency.WARNING: (
        _Note(_E5, 0.080),
        _Note(_E5, 0.080),
        _Note(_A5, 0.080),
        _Note(_A5, 0.120),
    ),
}


@lru_cache(maxsize=len(Urgency))
def chime(urgency: Urgency) -> Samples:
    """Return the tone that goes before (or stands for) a prompt of ``urgency``.

    Read-only ``Samples``, 16 kHz; starts and ends at zero.
    """
    return _melody(_MELODIES[urgency])


def tick() -> Samples:
    """Return the blip of one second of a countdown; the same as ``chime(TICK)``."""
    return chime(Urgency.TICK)


@lru_cache(maxsize=1)
def not_understood() -> Samples:
    """Return the tone for "heard you, made nothing of it": two low falling notes."""
    return _melody((_Note(_E4, 0.090), _Note(_C_SHARP4, 0.140)))


@lru_cache(maxsize=1)
def listening() -> Samples:
    """Return the tone for "speak now", after a tap: one note twice, as short as can be."""
    return _melody((_Note(_E5, 0.045), _Note(_E5, 0.060)))


@lru_cache(maxsize=1)
def not_listening() -> Samples:
    """Return the tone for a tap after which nobody spoke: one low note twice."""
    return _melody((_Note(_G4, 0.060), _Note(_G4, 0.060)))


def _melody(notes: tuple[_Note, ...]) -> Samples:
    gap = np.zeros(round(_GAP_S * RATE_HZ))
    parts: list[NDArray[np.float64]] = []
    for note in notes:
        parts += [_tone(note), gap]
    wave = np.concatenate(parts[:-1])
    samples = to_int16(wave * (_PEAK * np.iinfo(np.int16).max))
    samples.setflags(write=False)  # cached and shared
    return samples


def _tone(note: _Note) -> NDArray[np.float64]:
    """One note, peak 1, faded in and out along a raised cosine (no clicks)."""
    time_s = np.arange(round(note.length_s * RATE_HZ)) / RATE_HZ
    tone = sum(
        level * np.sin(2 * np.pi * note.pitch_hz * k * time_s)
        for k, level in enumerate(_PARTIALS, start=1)
    )
    rise = np.clip(time_s / _FADE_IN_S, 0, 1)
    fall = np.clip((time_s[-1] - time_s) / _FADE_OUT_S, 0, 1)
    shaped: NDArray[np.float64] = tone * _raised_cosine(rise) * _raised_cosine(fall)
    peak = float(np.max(np.abs(shaped)))
    return shaped / peak


def _raised_cosine(ramp: NDArray[np.float64]) -> NDArray[np.float64]:
    return 0.5 - 0.5 * np.cos(np.pi * ramp)

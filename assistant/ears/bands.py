"""What the encoder is given: 80 mel bands, a hundred times a second.

As Whisper has them: windows of 25 ms every 10 ms (Hann), Slaney's mel scale up to
8 kHz, logarithm of the power, what is 8 (80 dB) under the loudest held there, and
(x + 4) / 4. The sound is as long as it is; nothing is filled up to 30 s.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Samples = NDArray[np.int16]

RATE_HZ = 16_000
WINDOW, STEP = 400, 160
BANDS = 80
_KNEE_HZ, _KNEE_MEL = 1000.0, 15.0
_PER_MEL = np.log(6.4) / 27


@cache
def _matrix() -> Array:
    """Bands by bins: triangles of equal area, even on the mel scale."""
    top = _KNEE_MEL + np.log(RATE_HZ / 2 / _KNEE_HZ) / _PER_MEL
    mel = np.linspace(0, top, BANDS + 2)
    edges = np.where(
        mel < _KNEE_MEL,
        mel * _KNEE_HZ / _KNEE_MEL,
        _KNEE_HZ * np.exp((mel - _KNEE_MEL) * _PER_MEL),
    )
    hz = np.linspace(0, RATE_HZ / 2, WINDOW // 2 + 1)
    up = (hz - edges[:-2, None]) / np.diff(edges)[:-1, None]
    down = (edges[2:, None] - hz) / np.diff(edges)[1:, None]
    triangles = np.maximum(0, np.minimum(up, down))
    return np.asarray(triangles * (2 / (edges[2:] - edges[:-2]))[:, None], np.float32)


@cache
def _window() -> Array:
    return np.asarray(np.hanning(WINDOW + 1)[:-1], np.float32)


DITHER = 1.5
"""Steps of 16 bits added as noise: in a digital silence the model goes blank."""


def dithered(sound: Samples) -> Array:
    """Samples in -1 to 1 with a little noise, the same at every call."""
    noise = np.random.default_rng(0).normal(0, DITHER, len(sound))
    return np.asarray((sound + noise) / 32768, np.float32)


def features(sound: Array) -> Array:
    """(frames, 80) of samples in -1 to 1; a frame for every 10 ms."""
    padded = np.pad(sound, WINDOW // 2, mode="reflect" if len(sound) > WINDOW else "constant")
    frames = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::STEP]
    frames = frames[: max(1, len(sound) // STEP)]
    power = np.abs(np.fft.rfft(frames * _window(), axis=1)).astype(np.float32) ** 2
    log = np.log10(np.maximum(power @ _matrix().T, 1e-10))
    return np.asarray((np.maximum(log, log.max() - 8) + 4) / 4, np.float32)

"""Sound as the program has it: 16 kHz mono, signed 16-bit, in frames of 30 ms."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.int16]
"""Mono sound, 16 kHz, signed 16-bit, shape ``(n,)``."""

RATE_HZ = 16_000
"""The one rate inside the program; the acoustic models are trained at it."""

FRAME_SAMPLES = 480
"""30 ms: the longest frame the WebRTC voice activity detector takes."""


def to_int16(values: NDArray[Any]) -> Samples:
    """Round and clip to the int16 range."""
    limited: Samples = np.clip(np.rint(values), -32768, 32767).astype(np.int16)
    return limited

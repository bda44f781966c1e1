"""Change of sampling rate, by libsoxr."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def resample(values: NDArray[Any], from_hz: float, to_hz: float) -> NDArray[np.float64]:
    """``values``, shape ``(n,)``, sampled at ``to_hz`` instead of ``from_hz``."""
    import soxr  # noqa: PLC0415 - a third of a second that typed work does without

    return np.asarray(soxr.resample(values.astype(np.float64), from_hz, to_hz))

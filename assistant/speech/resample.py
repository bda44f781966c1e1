"""Change of sampling rate, by scipy's polyphase filter."""

from __future__ import annotations

from math import gcd
from typing import Any

import numpy as np
from numpy.typing import NDArray


def resample(values: NDArray[Any], from_hz: int, to_hz: int) -> NDArray[np.float64]:
    """``values``, shape ``(n,)``, sampled at ``to_hz`` instead of ``from_hz``."""
    # Loading scipy.signal takes about a second, which work by keyboard does without.
    from scipy.signal import resample_poly  # noqa: PLC0415

    common = gcd(from_hz, to_hz)
    changed: NDArray[np.float64] = resample_poly(values, to_hz // common, from_hz // common)
    return changed

"""The interval of a share: what so many of so many leaves open."""

from __future__ import annotations

import math


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % score interval for a share (E. B. Wilson, J. Am. Stat. Assoc. 22,
    1927, 209-212); without trials 0 to 1."""
    if of == 0:
        return 0.0, 1.0
    z = 1.959963984540054  # the normal distribution's 97.5 % point
    p, zz = hits / of, z * z / of
    middle = (p + zz / 2) / (1 + zz)
    half = z * math.sqrt(p * (1 - p) / of + zz / (4 * of)) / (1 + zz)
    # At either end the sum is 0 or 1 but for the last bit.
    return 0.0 if hits == 0 else middle - half, 1.0 if hits == of else middle + half

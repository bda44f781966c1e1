"""Single words in running sound: where they are said, and how well they fit there.

A word fits a stretch of frames as much as its best way falls behind the free path there,
which takes the likeliest phone of each frame; what is before and after it does not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.ears.bands import Array
from assistant.ears.encoder import CODES

_NEVER = -1e9


class Fit(NamedTuple):
    """A word said from frame ``began`` to before ``ended``, ``behind`` the free path (0 at
    best, log-probability of the whole word)."""

    began: int
    ended: int
    behind: float


def fits(logs: Array, phones: Sequence[str], least: float) -> list[Fit]:
    """Where a word may have been said, in order, none over another.

    Args:
        logs: of :func:`.encoder.log_phones`.
        phones: one way to say it.
        least: what is further ``behind`` is left out.
    """
    lost = logs - logs.max(1, keepdims=True)
    codes = np.array([CODES[phone] for phone in phones])
    # Phones with a blank between each two: a place is 2n for the n-th phone.
    places = np.zeros(2 * len(codes) - 1, np.int64)
    places[::2] = codes
    straight = np.zeros(len(places), bool)
    straight[2::2] = codes[1:] != codes[:-1]
    here = np.full(len(places), _NEVER)
    since = np.zeros(len(places), np.int64)
    found: list[Fit] = []
    for t, costs in enumerate(lost[:, places]):
        ways = np.full((3, len(places)), _NEVER)
        ways[0] = here
        ways[1, 1:] = here[:-1]
        ways[2, 2:] = np.where(straight[2:], here[:-2], _NEVER)
        begun = np.stack([since, np.roll(since, 1), np.roll(since, 2)])
        ways[1, 0], begun[1, 0] = 0.0, t
        best = ways.argmax(0)
        every: NDArray[np.int64] = np.arange(len(places))
        here, since = ways[best, every] + costs, begun[best, every]
        if here[-1] >= least:
            _keep(found, Fit(int(since[-1]), t + 1, float(here[-1])))
    return found


def _keep(found: list[Fit], fit: Fit) -> None:
    """Of two that share frames the better stays."""
    if found and found[-1].ended > fit.began:
        if found[-1].behind >= fit.behind:
            return
        found.pop()
    found.append(fit)

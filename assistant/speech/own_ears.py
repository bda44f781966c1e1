"""The program's own ears as the listener and the spotter of urgent words share them."""

from __future__ import annotations

from functools import cache

import numpy as np
from threadpoolctl import ThreadpoolController

from assistant.ears import encoder
from assistant.ears.bands import Array
from assistant.ears.pieces import pieces
from assistant.sound.samples import Samples

SHORTEST = 1600
"""Samples (0.1 s): a click has no phones."""


@cache
def _network() -> encoder.Network:
    return encoder.load()


@cache
def _threads() -> ThreadpoolController:
    return ThreadpoolController()


def load() -> None:
    """Read the weights, once a process (0.3 s, 90 MB)."""
    _network()


def phones(samples: Samples) -> Array:
    """See :func:`assistant.ears.encoder.log_phones`; at least :data:`SHORTEST` samples."""
    # Several threads wait for one another where other programs want the cores too: 33
    # phrases on two busy ones took 0.8 to 4.5 s each with two, 0.2 to 0.7 s with one.
    with _threads().limit(limits=1):
        return encoder.log_phones(_network(), samples)


def phones_by_pieces(samples: Samples) -> Array:
    """The same, each piece between pauses by itself (:mod:`assistant.ears.pieces`)."""
    return np.concatenate([phones(piece) for piece in pieces(samples)])

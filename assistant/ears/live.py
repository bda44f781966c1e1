"""Hearing while somebody speaks, so that little is left to do when the voice ends.

The encoder looks at the whole utterance from both ends, so it is run again from its
beginning every 0.3 s (0.1 s of one core for 1.6 s of sound); the decoder tells each
time whether a sentence has ended after which nothing can follow. When the voice ends,
what was encoded last is used as it is if only silence has come since.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from assistant.ears.bands import RATE_HZ, Array, Samples
from assistant.ears.decode import Decoded, Standing, decode, free_path, standing
from assistant.ears.encoder import FRAME_S, Network, log_phones
from assistant.ears.phonegraph import PhoneGraph

EVERY_S = 0.3
"""Between two runs of the encoder: a third of a core while somebody speaks."""

SETTLED_S = 0.16
"""Silence after which the last phone has its place, eight frames; with less, what
follows it in the sound may still change it."""

LONGEST_S = 15.0
"""Of an utterance: the positions that the encoder has, less a little."""


class SoFar(NamedTuple):
    """An utterance so far.

    Attributes:
        sound: all of it.
        logs: what the encoder made of the first ``encoded`` samples.
        at: where the best way stood then.
    """

    sound: Samples
    logs: Array
    encoded: int
    at: Standing | None


def nothing() -> SoFar:
    """Before an utterance."""
    return SoFar(np.zeros(0, np.int16), np.zeros((0, 40), np.float32), 0, None)


def more(net: Network, graph: PhoneGraph, heard: SoFar, sound: Samples) -> SoFar:
    """``heard`` with some more sound; encoded anew when enough has come.

    What is beyond :data:`LONGEST_S` is left out.
    """
    whole = np.concatenate([heard.sound, sound])[: round(LONGEST_S * RATE_HZ)]
    added = heard._replace(sound=whole)
    if len(whole) - heard.encoded < EVERY_S * RATE_HZ:
        return added
    return _encoded(net, graph, added)


def is_over(heard: SoFar) -> bool:
    """Whether a sentence has been said after which nothing can follow, and its end is
    settled: there is no need to wait for silence."""
    at = heard.at
    return at is not None and at.finished and at.silent_s >= SETTLED_S


def understood(net: Network, graph: PhoneGraph, heard: SoFar, voice_s: float) -> Decoded:
    """What was said, once the voice has ended ``voice_s`` after the beginning.

    Encodes only if the end of the voice has not been encoded with some silence after it.
    """
    settled = heard.encoded >= (voice_s + SETTLED_S) * RATE_HZ
    quiet = round(SETTLED_S / FRAME_S)
    if not settled or free_path(heard.logs)[-quiet:].any():
        heard = _encoded(net, graph, heard)
    return decode(graph, heard.logs)


def _encoded(net: Network, graph: PhoneGraph, heard: SoFar) -> SoFar:
    logs = log_phones(net, heard.sound)
    return heard._replace(logs=logs, encoded=len(heard.sound), at=standing(graph, logs))

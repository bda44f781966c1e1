"""The words that must get through while the assistant itself is speaking.

During a prompt the microphone hears the prompt, so whole phrases are not listened for;
a spotter on the stream knows the urgent words only, and hears them with the program's
own ears: where somebody speaks, the last :data:`WINDOW_S` are turned into phones every
:data:`EVERY_S`, and each word's phones are looked for in them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

import numpy as np

from assistant.ears.encoder import FRAME_S
from assistant.ears.spot import Fit, fits
from assistant.errors import InputFileError
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.sound.voiced import STAY, Detector, Room
from assistant.speech import own_ears
from assistant.words.phrases import pronunciations

LEAST = -4.0
"""So far behind the free path a word may be.

"Stop" and "release" once each by five voices of the calibration half in 18 rooms (90), and
310 s of talk in quiet and in white, pink and suction noise at 5 dB, in which "stop" is twice:

================  ======  ============  =======  ======  ======  ============
limit             all     quiet, 20 dB  10 dB    5 dB    talk    false alarms
================  ======  ============  =======  ======  ======  ============
-4                83/90   23/25         23/25    19/20   9/10    1
pocketsphinx [1]  60/90   22/25         15/25    7/20    6/10    30
================  ======  ============  =======  ======  ======  ============

At -2 and -6, before the detector was told how loud the room is, it was 80 with no false alarm
and 83 with three. "10 dB" and "5 dB" are noise; "talk" is other people at 10 and 20 dB; ten
more of each row are in reverberation (9 and 10 of 10). The limit was chosen on these same
figures. [1]: the spotter before, at its limit of 1e-18. A hit comes 0.2 s after the word
(median; 95 %: 0.32 s) and is dated to 0.02 s after its beginning (90 %: 0.06 s).
"""

WINDOW_S, EVERY_S = 1.0, 0.3
"""A look takes 0.07 s of one core: in all 25 % of it while somebody talks, 7 % in silence,
where only the detector is at work. A word of 0.6 s is whole in one window or the next."""

BEGINS_S = 0.7
"""A word that begins so soon begins the utterance: the front end leaves about 0.25 s
of room before the voice."""

EDGE_S = 0.06
"""What the encoder makes of the last frames of a window is left to the next one."""


class Spotted(NamedTuple):
    """An urgent word, and how long before the end of the sound it began."""

    word: str
    ago_s: float


class UrgentEar:
    """Spots urgent words in a stream of frames.

    Args:
        words: the words.
        lexicon: pronunciations beside those of the ears.

    Raises:
        InputFileError: nobody knows how a word is said.
    """

    def __init__(
        self, words: Collection[str], lexicon: Mapping[str, tuple[str, ...]] | None = None
    ) -> None:
        ways = pronunciations(lexicon or {})
        for word in words:
            if word not in ways:
                raise InputFileError(
                    f"The word {word!r} has no pronunciation; give it one in lexicon.dict."
                )
        self._ways = [(word, way.split()) for word in words for way in ways[word]]
        own_ears.load()
        self._detector = Detector()
        self.reset()

    def reset(self) -> None:
        """Forget the sound so far, as at the beginning of a prompt."""
        self._detector.reset()
        self._room = Room()
        self._heard: Samples = np.zeros(0, np.int16)
        self._end = self._looked_at = self._spoken_to = self._told_to = 0
        self._waiting: list[tuple[int, str]] = []

    def begins(self, samples: Samples) -> bool:
        """Whether a whole utterance begins with one of the words."""
        most = round((BEGINS_S + WINDOW_S) * RATE_HZ)
        return any(began <= BEGINS_S * RATE_HZ for began, _, _ in self.within(samples[:most]))

    def push(self, frame: Samples) -> Spotted | None:
        """Take one frame of any length; return the word it completes, if any."""
        if not len(frame):
            return None
        self._end += len(frame)
        for block in self._detector.push(frame - frame.mean(), self._room.noise_db()):
            self._room.blocks.append(block)
            if block.speech >= STAY:
                self._spoken_to = self._end
        self._heard = np.concatenate([self._heard, frame])[-round(WINDOW_S * RATE_HZ) :]
        if self._end - self._looked_at >= EVERY_S * RATE_HZ:
            spoken = self._spoken_to > self._looked_at - EVERY_S * RATE_HZ
            self._looked_at = self._end
            if spoken:
                self._spot()
        if not self._waiting:
            return None
        began, word = self._waiting.pop(0)
        return Spotted(word, (self._end - began) / RATE_HZ)

    def _spot(self) -> None:
        first = self._end - len(self._heard)
        for began, ended, word in self.within(self._heard):
            if first + began >= self._told_to and ended < len(self._heard) - EDGE_S * RATE_HZ:
                self._waiting.append((first + began, word))
                self._told_to = first + ended

    def within(self, samples: Samples) -> list[tuple[int, int, str]]:
        """First sample, last and word of what was said in a whole sound, in order."""
        if len(samples) < own_ears.SHORTEST:
            return []
        logs = own_ears.phones(to_int16(samples - samples.mean()))
        frame = round(FRAME_S * RATE_HZ)
        found = sorted(
            (fit, word) for word, way in self._ways for fit in fits(logs, way, LEAST)
        )
        said: list[tuple[Fit, str]] = []
        for fit, word in found:  # of two pronunciations that share frames the better
            if said and said[-1][0].ended > fit.began:
                if said[-1][0].behind >= fit.behind:
                    continue
                said.pop()
            said.append((fit, word))
        return [(fit.began * frame, fit.ended * frame, word) for fit, word in said]

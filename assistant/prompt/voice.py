"""The Voice port: a sentence in, sound samples out; playing them is another matter.

Speech is rendered whole before it is played (:mod:`assistant.sound.player`), so that it can
be cut off at once, sent to an earpiece, and rehearsed without a sound card.
"""

from __future__ import annotations

import importlib
import sys
import threading
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Protocol

import numpy as np

from assistant.errors import EquipmentError
from assistant.sound.samples import RATE_HZ, Samples
from assistant.sound.sources import read_wav

_QUIET = 0.003  # of the peak (-50 dB): below the weakest final consonant
_TAIL_S = 0.03  # kept after the last sound, so that a final "s" can die away
_CACHED_SENTENCES = 128  # about 3 s each: some 12 MB
_PATIENCE_S = 2.0  # a sentence takes about 25 ms; 230 ms were seen under heavy load
_POLL_S = 0.001
_UNTIL_THEN = "read the screen until then, which shows everything"


class Voice(Protocol):
    """Turns words into sound."""

    def render(self, text: str) -> Samples:
        """Return ``text`` as speech: 16 kHz mono ``Samples``, read-only, no silent tail.

        Blank text gives no samples.

        Raises:
            EquipmentError: the speech engine is missing or has failed.
        """


class Pyttsx3Voice:
    """The voice of the operating system through pyttsx3 (espeak-ng on Linux).

    May be used from any thread; sentences are rendered one at a time. The
    last ``128`` sentences are kept, so what is said often costs nothing.

    pyttsx3 2.99 with espeak-ng needs handling, all of it here:

    * ``runAndWait`` does not wait for the first sentence of an engine. For each
      later one it begins by cancelling whatever espeak-ng's own thread has not
      finished: the change of rate made just before (lost in about half of 80
      tries), or on a loaded machine the sentence itself (1 in 100 missing or
      cut short). So espeak-ng is waited for before and after every sentence;
      then 600 of 600 were whole and at the right rate, half of them with twice
      as many busy programs as cores.
    * One engine per process: espeak-ng has one callback, so a second engine
      takes the sound away from the first. Voice and rate are therefore set
      again before each sentence.
    * An unknown voice raises nothing; it reaches only the ``error`` event.
    * Each saved file is announced by a ``print`` from espeak-ng's thread, in
      the middle of whatever the screen shows.
    * The WAV header always says 22 050 Hz, right for espeak-ng's own voices.
    """

    def __init__(self, voice_name: str | None = None, words_per_minute: int = 175) -> None:
        """Note what to speak with; the engine is loaded by the first ``render``.

        Args:
            voice_name: identifier known to the engine (for espeak-ng such as
                ``en-us``); None for its default.
            words_per_minute: speaking rate.
        """
        self._voice_name = voice_name
        self._words_per_minute = words_per_minute
        self._cached: Callable[[str], Samples] = lru_cache(_CACHED_SENTENCES)(self._synthesise)

    def render(self, text: str) -> Samples:
        """See :class:`Voice`."""
        return self._cached(" ".join(text.split()))

    def _synthesise(self, text: str) -> Samples:
        if not text:
            return _trimmed(np.zeros(0, dtype=np.int16))
        with _ENGINE_LOCK:
            return _trimmed(_the_engine().speak(text, self._voice_name, self._words_per_minute))


class _Engine:
    """The process's one pyttsx3 engine; ``_ENGINE_LOCK`` must be held to use it."""

    def __init__(self) -> None:
        self._errors: list[Exception] = []
        try:
            pyttsx3 = importlib.import_module("pyttsx3")
            self._engine: Any = pyttsx3.init()
            self._default_voice: str | None = self._engine.getProperty("voice")
            self._engine.connect("error", self._on_error)
        except Exception as error:  # it raises whatever its platform driver does
            raise EquipmentError(
                f"No speech engine could be started: install espeak-ng, and {_UNTIL_THEN}."
            ) from error
        self._espeak: Any = None  # elsewhere the engine of the system, which does wait
        driver = sys.modules.get("pyttsx3.drivers.espeak")
        if driver is not None:
            self._espeak = getattr(driver, "_espeak")  # noqa: B009
            # A global of that module shadows the built-in for it alone.
            setattr(driver, "print", lambda *_, **__: None)  # noqa: B010

    def speak(self, text: str, voice_name: str | None, words_per_minute: int) -> Samples:
        """Render ``text`` with the silence around it.

        Raises:
            EquipmentError: unknown voice, or no answer in time.
        """
        self._errors.clear()
        try:
            self._await_idle()  # a sentence given up as late may still be going on
            self._engine.setProperty("voice", voice_name or self._default_voice)
            self._engine.setProperty("rate", words_per_minute)
            self._await_idle()
            if self._errors:
                raise EquipmentError(
                    f"The speech engine has no voice {voice_name or self._default_voice!r}: "
                    f"choose another, and {_UNTIL_THEN}."
                ) from self._errors[0]
            with TemporaryDirectory(prefix="prompt-") as folder:
                wav = Path(folder) / "prompt.wav"
                self._engine.save_to_file(text, str(wav))
                self._engine.runAndWait()
                self._await_idle()
                return read_wav(wav)
        except EquipmentError:
            raise
        except Exception as error:  # as above, and a file that cannot be read
            raise EquipmentError(
                f"The speech engine failed: start again, and {_UNTIL_THEN}."
            ) from error

    def _await_idle(self) -> None:
        """Return once espeak-ng has done all it was asked to."""
        deadline_s = time.monotonic() + _PATIENCE_S
        while self._espeak is not None and self._espeak.IsPlaying():
            if time.monotonic() > deadline_s:
                raise EquipmentError(
                    f"The speech engine does not answer: start again, and {_UNTIL_THEN}."
                )
            time.sleep(_POLL_S)

    def _on_error(self, exception: Exception, **_: object) -> None:
        self._errors.append(exception)


_ENGINE_LOCK = threading.Lock()


@lru_cache(maxsize=1)
def _the_engine() -> _Engine:
    return _Engine()


def _trimmed(samples: Samples) -> Samples:
    """Cut the silent end (espeak-ng adds about 0.23 s); empty if all is silent."""
    loudness = np.abs(samples.astype(np.int32))
    peak = int(loudness.max(initial=0))
    if peak == 0:
        end = 0
    else:
        last = int(np.flatnonzero(loudness > _QUIET * peak)[-1])
        end = last + 1 + round(_TAIL_S * RATE_HZ)
    kept = samples[:end].copy()
    kept.setflags(write=False)  # cached and shared
    return kept

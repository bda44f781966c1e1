"""espeak-ng as a library: the phonemes of a text in an accent, and its own voices.

One process, one accent at a time: the library keeps its voice in a global. The
library and its data come in the package ``espeakng-loader`` (GPL-3.0; nothing of it
is part of the program, only the labels and the sound that it makes).
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache
from typing import Any

import espeakng_loader
import numpy as np
from numpy.typing import NDArray

_SYNCHRONOUS = 2
_UTF8 = 1
_IPA = 2
_RATE, _PITCH = 1, 3

_Said = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p
)
_heard: list[NDArray[np.int16]] = []


def _keep(samples: Any, count: int, _events: Any) -> int:
    if samples and count > 0:
        _heard.append(np.ctypeslib.as_array(samples, (count,)).copy())
    return 0


_KEEP: Callable[..., int] = _Said(_keep)


@cache
def _library() -> tuple[Any, int]:
    library = ctypes.CDLL(espeakng_loader.get_library_path())
    folder = espeakng_loader.get_data_path().encode()
    rate_hz = library.espeak_Initialize(_SYNCHRONOUS, 0, folder, 0)
    if rate_hz <= 0:
        raise OSError("espeak-ng found no data; install the package espeakng-loader again.")
    library.espeak_TextToPhonemes.restype = ctypes.c_char_p
    library.espeak_SetSynthCallback(_KEEP)
    return library, int(rate_hz)


def _voice(name: str) -> Any:
    library, _ = _library()
    # "en-gb" is the language of a voice that is called "en".
    called = "en" + name.removeprefix("en-gb") if name.partition("+")[0] == "en-gb" else name
    if library.espeak_SetVoiceByName(called.encode()) != 0:
        raise OSError(f"espeak-ng has no voice {name!r}; see its list of voices.")
    return library


def phonemes(text: str, accent: str) -> str:
    """The phonemes of ``text`` in IPA, stress marked, words parted by spaces.

    ``accent`` is a voice of espeak-ng. What is parted by a comma stays parted.
    """
    library = _voice(accent)
    clauses = []
    for clause in text.split(","):
        at = ctypes.c_char_p(clause.encode())
        parts = []
        while at.value:
            got = library.espeak_TextToPhonemes(ctypes.byref(at), _UTF8, _IPA)
            parts.append((got or b"").decode("utf-8"))
        clauses.append(" ".join(" ".join(parts).split()))
    return ", ".join(clause for clause in clauses if clause)


def speak(text: str, voice: str, words_a_minute: int, pitch: int) -> tuple[Any, int]:
    """``text`` in one of espeak-ng's own voices: samples and their rate in Hz."""
    library, rate_hz = _library()
    _voice(voice)
    library.espeak_SetParameter(_RATE, words_a_minute, 0)
    library.espeak_SetParameter(_PITCH, pitch, 0)
    _heard.clear()
    line = text.encode()
    library.espeak_Synth(line, len(line) + 1, 0, 0, 0, _UTF8, None, None)
    library.espeak_Synchronize()
    return (np.concatenate(_heard) if _heard else np.zeros(0, np.int16)), rate_hz

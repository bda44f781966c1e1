"""Voices for the rehearsed operator: flite or espeak-ng, whichever is there."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from functools import lru_cache
from pathlib import Path

import numpy as np

from assistant.errors import EquipmentError
from assistant.sound.samples import Samples, to_int16
from assistant.sound.sources import read_wav

LEVEL_RMS = 2500.0
"""A clear speaking level at a headset microphone: about -22 dB of full scale."""


def default_voice() -> str:
    """The most natural voice there is here.

    Raises:
        EquipmentError: neither flite nor espeak-ng is installed.
    """
    if shutil.which("flite"):
        return "flite:slt"
    if shutil.which("espeak-ng"):
        return "espeak-ng:en-us"
    raise EquipmentError(
        "No voice to rehearse with: install the package flite or espeak-ng and try again."
    )


@lru_cache(maxsize=512)
def _synthesise(text: str, voice: str, slower: int) -> bytes:
    engine, _, name = voice.partition(":")
    program = shutil.which(engine)
    if engine not in {"flite", "espeak-ng"} or program is None:
        raise EquipmentError(
            f"The voice {voice!r} is not available; install {engine or 'flite'}, or give "
            "flite:NAME or espeak-ng:NAME."
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        if engine == "flite":
            stretch = f"duration_stretch={1 + 0.08 * slower:.2f}"
            command = [program, "-voice", name, "--setf", stretch, "-t", text, "-o", str(path)]
        else:
            speed = str(round(150 / (1 + 0.08 * slower)))
            command = [program, "-v", name, "-s", speed, "-w", str(path), text]
        done = subprocess.run(command, capture_output=True, check=False)
        if done.returncode != 0 or not path.exists():
            raise EquipmentError(
                f"{engine} could not speak with the voice {name!r}; see its list of voices."
            )
        return read_wav(path).tobytes()


def dictate(text: str, voice: str, slower: int = 0) -> Samples:
    """``text`` spoken by ``voice`` ("engine:name"), 16 kHz mono, at ``LEVEL_RMS``.

    ``slower`` is how often it was said before: like a person, the voice takes a
    little more time at each repetition.

    Raises:
        EquipmentError: the engine or the voice is missing.
    """
    samples = np.frombuffer(_synthesise(text, voice, slower), dtype=np.int16).astype(np.float64)
    rms = float(np.sqrt(np.mean(samples**2))) or 1.0
    return to_int16(samples * (LEVEL_RMS / rms))

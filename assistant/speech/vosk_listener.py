"""The recogniser for a model folder that the user brings: vosk.

Vosk limited to a grammar forces whatever it hears onto a phrase, often with
full confidence. So a second, unrestricted recogniser hears the same samples,
and ``confidence`` is::

    least word confidence of the limited decode
    * (similarity of the two texts, 0 to 1, by characters without spaces) ** 2

By characters, because the unrestricted decode splits and spells words in its
own way where the two heard the same sounds ("plug or" for "plugger"). Squared,
because in short texts some characters agree by chance.
"""

from __future__ import annotations

import json
import os
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

from assistant.errors import EquipmentError, InputFileError
from assistant.sound.samples import RATE_HZ, Samples
from assistant.speech.listeners import StepGrammar
from assistant.words.recognised import Recognised

MODEL_VARIABLE = "FILLWARM_VOSK_MODEL"
"""Environment variable with the model folder."""

_UNKNOWN = "[unk]"
_BLOCK_BYTES = 8000
# Without either of the graphs (static or to be composed) there is no model, and
# only the second kind can be limited to a grammar.
_NEEDED = ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst", "graph/Gr.fst")


def model_folder(given: Path | str | None = None) -> Path:
    """The folder given, else the one in :data:`MODEL_VARIABLE`, checked.

    Checked here because vosk itself prints to the terminal and raises a bare
    Exception.

    Raises:
        EquipmentError: none given, not a folder, or not a vosk model with a
            changeable vocabulary.
    """
    name = given or os.environ.get(MODEL_VARIABLE)
    how = f"give the folder of a model as the option or in {MODEL_VARIABLE}"
    if not name:
        raise EquipmentError(f"The vosk recogniser has no model; {how}.")
    folder = Path(name)
    if not folder.is_dir():
        raise EquipmentError(f"The vosk model folder {folder} does not exist; {how}.")
    missing = [part for part in _NEEDED if not (folder / part).is_file()]
    if missing:
        raise EquipmentError(
            f"The folder {folder} is not a vosk model whose vocabulary can be limited "
            f"({', '.join(missing)} not found); {how}."
        )
    return folder


class VoskListener:
    """A :class:`~assistant.speech.listeners.Listener` on vosk; the model is loaded once.

    Args:
        model_dir: the model's folder; None takes :data:`MODEL_VARIABLE`.

    Raises:
        EquipmentError: no usable model, or vosk cannot be loaded here.
    """

    name = "vosk"

    def __init__(self, model_dir: Path | str | None = None) -> None:
        folder = model_folder(model_dir)
        try:
            import vosk  # noqa: PLC0415 - loads a large library that most users do without
        except (ImportError, OSError, TypeError) as error:
            raise EquipmentError(
                "The vosk recogniser cannot be loaded on this machine; "
                "use the built-in recogniser instead."
            ) from error
        vosk.SetLogLevel(-1)
        self._vosk: Any = vosk
        try:
            self._model: Any = vosk.Model(str(folder))
        except Exception as error:  # vosk raises nothing more precise
            raise EquipmentError(
                f"The vosk model in {folder} is damaged; install it again or give another."
            ) from error
        self._free: Any = vosk.KaldiRecognizer(self._model, RATE_HZ)
        self._phrases = ""
        self._prepared: str | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """Make ``grammar`` the one in force.

        Raises:
            InputFileError: the model does not know some of the words.
        """
        if grammar.key == self._prepared:
            return
        words = sorted(grammar.graph.words)
        unknown = [w for w in words if self._model.vosk_model_find_word(w) < 0]
        if unknown:
            raise InputFileError(
                f"The vosk model does not know {', '.join(map(repr, unknown))}; "
                "put other words into the grammars folder or use a larger model."
            )
        phrases = list(grammar.graph.pieces)
        # Gives noise somewhere to go, in the models that have it.
        if self._model.vosk_model_find_word(_UNKNOWN) >= 0:
            phrases.append(_UNKNOWN)
        # vosk does not read \u escapes.
        self._phrases = json.dumps(phrases, ensure_ascii=False) if words else ""
        self._prepared = grammar.key

    def hear(self, samples: Samples) -> Recognised:
        """Recognise one whole utterance."""
        if self._prepared is None:
            raise RuntimeError("prepare() must come before hear()")
        if not self._phrases or not len(samples):
            return Recognised("", 0.0, listener=self.name)
        # A new one each time (about 1 ms): Reset() keeps the adaptation to what
        # was heard before, and the same samples would not give the same text. A
        # new unrestricted one takes 0.16 s, so that one is kept.
        limited = self._vosk.KaldiRecognizer(self._model, RATE_HZ, self._phrases)
        words = [word for word in _decode(limited, samples) if word["word"] != _UNKNOWN]
        if not words:
            return Recognised("", 0.0, listener=self.name)
        text = " ".join(word["word"] for word in words)
        self._free.Reset()
        free = " ".join(word["word"] for word in _decode(self._free, samples))
        least = min(word["conf"] for word in words)
        return Recognised(
            text=text,
            confidence=float(min(1.0, least * _likeness(text, free) ** 2)),
            alternatives=(free,) if free and free != text else (),
            listener=self.name,
        )


def _likeness(one: str, other: str) -> float:
    """Matching share of the characters, spaces aside, 0 to 1."""
    pair = one.replace(" ", ""), other.replace(" ", "")
    return SequenceMatcher(None, *pair, autojunk=False).ratio()


def _decode(recognizer: Any, samples: Samples) -> list[dict[str, Any]]:
    """Words (``word``, ``conf``) of one utterance, over the pauses vosk cuts at."""
    recognizer.SetWords(True)
    data = samples.tobytes()
    words: list[dict[str, Any]] = []
    for at in range(0, len(data), _BLOCK_BYTES):
        if recognizer.AcceptWaveform(data[at : at + _BLOCK_BYTES]):
            words += json.loads(recognizer.Result()).get("result", [])
    words += json.loads(recognizer.FinalResult()).get("result", [])
    return words

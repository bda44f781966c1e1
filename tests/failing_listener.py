"""Recognisers that fail when told to, for the watchdog: built in the worker process."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from pathlib import Path

from assistant.errors import EquipmentError
from assistant.sound.samples import Samples
from assistant.speech.listeners import Listener, StepGrammar
from assistant.words.recognised import Recognised


class Failing:
    """A recogniser that fails in the way for which there is a file in ``folder``, once."""

    def __init__(self, within: Listener, folder: Path) -> None:
        self.name = within.name
        self._within = within
        self._folder = folder

    def prepare(self, grammar: StepGrammar) -> None:
        self._within.prepare(grammar)

    def hear(self, samples: Samples) -> Recognised:
        for way, fail in WAYS.items():
            told = self._folder / way
            if told.exists():
                told.unlink()
                fail()
        return self._within.hear(samples)


def _raise() -> None:
    raise RuntimeError("a made-up failure")


def _hang() -> None:
    """As a C library hangs that holds the interpreter: no thread of it runs any more."""
    ctypes.PyDLL(None).sleep(600)


def _crash() -> None:
    """As a C library crashes, without the report that the interpreter could write."""
    os.kill(os.getpid(), 11)


WAYS: dict[str, Callable[[], None]] = {"raise": _raise, "hang": _hang, "crash": _crash}


class Counting:
    """Hears how many samples there were."""

    name = "counting"

    def __init__(self) -> None:
        import assistant.words.grammar  # noqa: F401 - as every real one has by then

    def prepare(self, grammar: StepGrammar) -> None:
        self.key = grammar.key

    def hear(self, samples: Samples) -> Recognised:
        return Recognised(f"{self.key} {len(samples)}", 1.0, listener=self.name)


def failing(folder: Path, within: Callable[[], Listener] = Counting) -> Listener:
    return Failing(within(), folder)


def missing() -> Listener:
    raise EquipmentError("The made-up model is missing; install it.")


def gone() -> Listener:
    os._exit(3)

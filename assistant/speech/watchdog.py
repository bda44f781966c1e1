"""A recogniser in a process of its own, which can be killed when it hangs.

A recogniser is a C library. What it does when it hangs or crashes no thread survives:
some hold the interpreter while they decode, so that a deadline in another thread
would never come, and a crash takes the whole program along. So a sitting with a
microphone asks a worker process, and another takes its place.

On Linux workers are forked from a process that has read the weights, so that they share
its memory and a new one is soon ready; elsewhere each starts by itself (1.3 s).

Not covered: the detector of speech and the spotter of urgent words stay
in the program, since they see every frame. What they raise is caught; a crash or a hang
of theirs would end the sitting, and the case goes on from its journal.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Callable
from multiprocessing import forkserver, get_context
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import Any

from assistant.errors import EquipmentError, UserError
from assistant.sound.samples import RATE_HZ, Samples
from assistant.speech.listeners import Listener, Lost, StepGrammar
from assistant.words.recognised import Recognised

ANSWER_S, ANSWER_PER_S = 2.0, 0.5
"""A question is given up after this, and so much more for each second of sound. The
answer takes about 0.1 s and 0.1 s a second: four times that in a phrase of 2 s, and two
seconds more, for a machine that is busy. Chosen here."""

START_S = 30.0
"""Longest time to start; on a slow disk the models alone can take several seconds."""

AGAIN_S = 10.0
"""After a worker could not even be started, the next is tried so much later."""

# A fork of the program itself would copy its sound threads.
if sys.platform == "linux":
    _START = get_context("forkserver")
    _START.set_forkserver_preload(["assistant.speech.preloaded"])
else:
    _START = get_context("spawn")
_POLL_S = 0.005

Build = Callable[[], Listener]
"""Makes the recogniser, in the worker; a function that can be pickled."""


def begin() -> None:
    """Begin what workers are forked from, where they are, and do not wait: it reads the
    weights while the program reads its own modules."""
    if sys.platform == "linux":
        forkserver.ensure_running()


def serve(ours: Connection, build: Build) -> None:
    """The worker: answers questions until the program is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # meant for the program, which tells us
    try:
        listener = build()
    except UserError as error:
        ours.send(error)
        return
    ours.send(listener.name)
    grammars: dict[str, StepGrammar] = {}
    while True:
        try:
            key, grammar, samples = ours.recv()
        except (EOFError, OSError):
            return
        try:
            if grammar is not None:
                grammars[key] = grammar
            listener.prepare(grammars[key])
            if samples is None:
                continue
            answer: Recognised | Lost = listener.hear(samples)
        except Exception as error:
            answer = Lost(f"failed ({error})")
        if samples is not None:  # what failed unasked fails again when it is asked
            ours.send(answer)


class _Worker:
    """One process with its pipe. ``name`` is the recogniser's once it is ready."""

    def __init__(self, build: Build, now_s: float) -> None:
        self.name: str | None = None
        self.begun_s = now_s
        self._questions: SimpleQueue[tuple[StepGrammar, Samples | None] | None] = SimpleQueue()
        self._pipe, theirs = _START.Pipe()
        self._process = _START.Process(
            target=serve, args=(theirs, build), daemon=True, name="recogniser"
        )
        self._process.start()
        theirs.close()
        threading.Thread(target=self._hand_over, daemon=True, name="questions").start()

    @property
    def alive(self) -> bool:
        return self._process.is_alive()

    def send(self, grammar: StepGrammar, samples: Samples | None) -> None:
        """Hand a question over, or with no sound only what it will be about; beside the
        loop, in order: the pipe is shorter than an utterance."""
        self._questions.put((grammar, samples))

    def _hand_over(self) -> None:
        known: set[str] = set()
        # Whoever is gone by now is missed by the one who waits for the answer.
        with contextlib.suppress(OSError, ValueError):
            while (question := self._questions.get()) is not None:
                grammar, samples = question
                new = None if grammar.key in known else grammar
                known.add(grammar.key)
                self._pipe.send((grammar.key, new, samples))

    def take(self, wait_s: float = 0.0) -> Any:
        """What has come from it, None for nothing. Raises EOFError once it is gone."""
        try:
            return self._pipe.recv() if self._pipe.poll(wait_s) else None
        except OSError as error:
            raise EOFError from error

    def settle(self) -> None:
        """Take note if it is ready. Raises EOFError if gone, or what it failed with."""
        if self.name is None and (came := self.take()) is not None:
            if isinstance(came, UserError):
                raise came
            self.name = came

    def kill(self) -> None:
        """End it, whatever it is at."""
        self._process.kill()
        self._questions.put(None)
        self._pipe.close()


class Watched:
    """A :class:`~.listeners.Recogniser`, and a :class:`~.listeners.Listener` that waits.

    Args:
        build: makes the recogniser.
        answer_s: least time until a question is given up.
        clock: seconds, never going back.
    """

    def __init__(
        self,
        build: Build,
        *,
        answer_s: float = ANSWER_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = ""
        """Of the recogniser, once it is :meth:`ready`."""
        self.restarts = 0
        self._build = build
        self._answer_s = answer_s
        self._clock = clock
        self._worker: _Worker | None = _Worker(build, clock())
        self._not_before_s = 0.0
        self._question: tuple[StepGrammar, Samples] | None = None
        self._asked_s: float | None = None
        self._grammar: StepGrammar | None = None

    def ready(self) -> None:
        """Wait until it has loaded.

        Raises:
            EquipmentError, InputFileError: as ``build`` does, or it ended by itself.
        """
        worker = self._worker
        while worker is not None and worker.name is None:
            try:
                worker.settle()
            except EOFError:
                raise EquipmentError(
                    "The recogniser ended while it was started; start again, or go on "
                    "with typed input."
                ) from None
            time.sleep(_POLL_S)
        self.name = worker.name or "" if worker else ""

    # -- asked by a sitting -------------------------------------------------

    def expect(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Recogniser`."""
        worker = self._worker
        if self._question is None and worker is not None and worker.name is not None:
            worker.send(grammar, None)

    def ask(self, grammar: StepGrammar, samples: Samples) -> None:
        """See :class:`~.listeners.Recogniser`."""
        self._question, self._asked_s = (grammar, samples), None

    def answer(self) -> Recognised | Lost | None:
        """See :class:`~.listeners.Recogniser`."""
        if self._question is None:
            return None
        worker = self._ready_worker()
        if isinstance(worker, Lost):
            self._question = None
            return Lost(worker.why)
        if worker is None:
            return None
        grammar, samples = self._question
        if self._asked_s is None:
            self._asked_s = self._clock()
            worker.send(grammar, samples)
        try:
            came = worker.take()
        except EOFError:
            return self._lose("ended by itself")
        if isinstance(came, Lost):
            return self._lose(came.why)
        if came is None:
            limit_s = self._answer_s + ANSWER_PER_S * len(samples) / RATE_HZ
            late = self._clock() - self._asked_s > limit_s
            return self._lose("did not answer") if late else None
        self._question = None
        answer: Recognised = came
        return answer

    def tend(self) -> Lost | None:
        """See :class:`~.listeners.Recogniser`."""
        worker = self._ready_worker()
        if isinstance(worker, Lost):
            return worker
        if worker is None:
            return None
        if not worker.alive:
            self._replace()
            why = "The recogniser had ended and was started again."
            return Lost(why, said=False)
        return None

    # -- asked by whoever can wait --------------------------------------------

    def prepare(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Listener`."""
        self._grammar = grammar

    def hear(self, samples: Samples) -> Recognised:
        """See :class:`~.listeners.Listener`.

        Raises:
            EquipmentError: the recogniser failed, and was started again.
        """
        assert self._grammar is not None, "prepare() must come before hear()"
        self.ask(self._grammar, samples)
        while (answer := self.answer()) is None:
            time.sleep(_POLL_S)
        if isinstance(answer, Lost):
            raise EquipmentError(answer.why)
        return answer

    def close(self) -> None:
        """End the worker. Harmless when repeated."""
        if self._worker is not None:
            self._worker.kill()
            self._worker = None
        self._not_before_s = float("inf")

    # -- one worker after another ---------------------------------------------

    def _ready_worker(self) -> _Worker | Lost | None:
        """The worker if it can be asked, None while it starts, or why there is none."""
        worker = self._worker
        if worker is None:
            if self._clock() < self._not_before_s:
                return Lost("The recogniser cannot be started; typed lines still work.")
            worker = self._worker = _Worker(self._build, self._clock())
        try:
            worker.settle()
        except (EOFError, UserError) as error:
            return self._gave_up(str(error) or "It ended by itself.")
        if worker.name is None:
            if self._clock() - worker.begun_s > START_S:
                return self._gave_up("It did not answer.")
            return None
        self.name = worker.name
        return worker

    def _gave_up(self, why: str) -> Lost:
        if self._worker is not None:
            self._worker.kill()
            self._worker = None
        self._not_before_s = self._clock() + AGAIN_S
        said = self._question is not None
        return Lost(
            f"The recogniser cannot be started: {why} Typed lines still work; it is tried "
            f"again in {AGAIN_S:g} seconds.",
            said=said,
        )

    def _lose(self, why: str) -> Lost:
        self._question = None
        self._replace()
        return Lost(f"The recogniser {why} and was started again: say that again.")

    def _replace(self) -> None:
        self.restarts += 1
        if self._worker is not None:
            self._worker.kill()
        self._worker = _Worker(self._build, self._clock())

"""The ears under test: sound to intents on the program's own road.

Frames go through the Ear, utterances through the listener, texts through
``understand`` at the grammar of the step where the case then stands, and intents
through the pure core, as in ``assistant/sitting/session.py``. The keyword spotter for
"stop" is not part of this; it has its own figures in ``speech/urgent.py``.

Run as a program it measures start-up and memory in a process of its own:
``python ears.py LISTENER MODEL WAV ...`` ("-" for none).
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.protocol.moment import Moment
from assistant.sitting import assembly
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.sound.sources import read_wav
from assistant.speech.hearing import Hearing
from assistant.speech.look import FirstLook, silence_s
from assistant.speech.others import Others
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, Wanted
from assistant.words.understand import understand

Grammars = Callable[[Wanted], Grammar]


@dataclass(frozen=True)
class Caught:
    """One utterance that the Ear found, and what came of it.

    Attributes:
        text, confidence, listener: what was recognised, and by which listener.
        intent: what was understood.
        sound_s: length of the utterance.
        at_s: second of the sound at which it was handed over.
        process_s, cpu_s: from there to the intent, by the wall clock and in
            processor time, the compiling of the grammar left out.
        prepare_s: making the grammar ready; long only the first time.
        flushed: the sound ended before the Ear had found an end.
    """

    text: str
    confidence: float
    listener: str
    intent: it.AnyIntent
    sound_s: float
    at_s: float
    process_s: float
    cpu_s: float
    prepare_s: float
    flushed: bool


@dataclass(frozen=True)
class Outcome:
    """What a sound led to: utterances, events and the state after them."""

    caught: tuple[Caught, ...]
    events: tuple[ev.AnyEvent, ...]
    state: CaseState

    @property
    def intents(self) -> tuple[it.AnyIntent, ...]:
        """What was understood, in turn."""
        return tuple(one.intent for one in self.caught)


def later(state: CaseState, seconds: float = 0.0) -> Moment:
    """A moment after everything in ``state``; 2 s into a timer that runs."""
    base = state.timer.started.mono_s + 2.0 if state.timer else state.opened.mono_s + 10_000
    return Moment(wall=state.opened.wall, mono_s=base + seconds)


def step_on(
    state: CaseState, intent: it.AnyIntent, now: Moment
) -> tuple[tuple[ev.AnyEvent, ...], CaseState]:
    """The core's answer to one intent."""
    return decide(state, intent, now)


def hear(
    hearing: Hearing,
    sound: Samples,
    state: CaseState,
    grammars: Grammars,
    now: Moment | None = None,
    *,
    keep_state: bool = True,
    others: Others | None = None,
    since_s: float = 0.0,
) -> Outcome:
    """Everything that the program makes of ``sound`` (16 kHz int16) at ``state``.

    With ``keep_state`` False every utterance meets the case as it was at first. ``others``
    remembers what was let go before, if the sound begins ``since_s`` after another.
    """
    now = now or later(state)
    hearing.ear.reset()
    others = others or Others()
    look, busy_s = FirstLook(), 0.0
    caught: list[Caught] = []
    events: list[ev.AnyEvent] = []
    present = state
    whole = len(sound) // FRAME_SAMPLES
    for index in range(whole + 1):
        at = index * FRAME_SAMPLES
        flushed = index == whole
        frame = sound[at : at + FRAME_SAMPLES]
        utterance = hearing.ear.flush() if flushed else hearing.ear.push(frame)
        if utterance is None:
            continue
        grammar = grammars(wanted_now(present))
        at_s = min(at + FRAME_SAMPLES, len(sound)) / RATE_HZ
        asked_s = time.perf_counter()
        _ = grammar.graph
        hearing.listener.prepare(grammar)
        ready_s, cpu_s = time.perf_counter(), time.process_time()
        recognised = look.hear(hearing.listener, grammar, utterance)
        intent = understand(recognised, grammar, hearing.trust, began=now)
        # One thing at a time: a look that is not done delays what comes next.
        busy_s = max(busy_s, at_s) + time.perf_counter() - ready_s
        if not utterance.final:
            # What is recognised during the last silence costs no time after it.
            hearing.ear.wait(silence_s(intent, recognised, grammar, hearing.trust))
            continue
        began_s = since_s + utterance.started_s
        if others.mean(intent, recognised, hearing.trust, began_s, utterance):
            continue
        caught.append(
            Caught(
                text=recognised.text,
                confidence=recognised.confidence,
                listener=recognised.listener,
                intent=intent,
                sound_s=len(utterance.samples) / RATE_HZ,
                at_s=at_s,
                process_s=busy_s - at_s,
                cpu_s=time.process_time() - cpu_s,
                prepare_s=ready_s - asked_s,
                flushed=flushed,
            )
        )
        followed, after = step_on(present, intent, now)
        events += followed
        present = after if keep_state else state
    return Outcome(tuple(caught), tuple(events), present)


def probe(arguments: list[str]) -> None:
    """Say "ready" when the ears are, as a sitting has them; hear the sounds, and print the
    memory (MB) with the ears ready and after that."""
    name, model, *paths = arguments
    words = assembly.language()
    model_path = None if model == "-" else Path(model)
    ears = assembly.hearing(name, model_path, words, watched=True)
    print("ready", flush=True)
    ready_mb = _memory_mb()
    grammar = Grammar(words, Wanted(kind="mm", low=8, high=35, corrections=("mm", "size")))
    assert ears.recogniser is not None
    for path in paths:
        ears.recogniser.ask(grammar, read_wav(Path(path)))
        while ears.recogniser.answer() is None:
            time.sleep(0.01)
    print(json.dumps({"ready_mb": ready_mb, "used_mb": _memory_mb()}))


def _memory_mb(pid: str = "self") -> float:
    """Of a process and all that it began, what they share counted once (Linux's Pss)."""
    proc = Path("/proc") / pid
    held = (proc / "smaps_rollup").read_text(encoding="utf-8").split("\nPss:")[1].split()[0]
    began = " ".join(part.read_text() for part in proc.glob("task/*/children")).split()
    return int(held) / 1024 + sum(map(_memory_mb, began))


if __name__ == "__main__":
    probe(sys.argv[1:])

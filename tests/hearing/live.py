"""How soon is an intent there after the voice has ended? On the live path, in real time.

    python tests/hearing/live.py --phrases 60

Phrases of the report half come in frames of 30 ms as from a microphone, each when it is due;
the recogniser is in its own process, as in a sitting. Counted is from the true end of the
voice to the intent. Then start-up and memory, in processes of their own. To be run on a
machine that does nothing else: beside the wall clock it prints the processor time, which
shows whether others took the cores.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.clock import SystemClock
from assistant.sitting import assembly
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.speech.listening import Listening, Said
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar
from hearing.campaign import start_up
from hearing.halves import noise_variant
from hearing.noises import Condition, mix
from hearing.phrases import Phrase, phrase_set
from hearing.templates import grammar, words
from hearing.voices import CACHE, speak, usable

ROOMS = (Condition("quiet"), Condition("suction", 20.0))
LEAD_S, TAIL_S = 1.0, 2.5
FRAME_S = FRAME_SAMPLES / RATE_HZ
LOOK_S = 0.005
"""How often it is looked whether the recogniser has answered."""

STARTS = 3


class Room:
    """The live ears, and the step that they stand at."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self.now: Grammar | None = None
        hearing = assembly.hearing("own", None, words(), watched=True)
        self.listening = Listening(hearing, words(), self._grammar, lambda: None)

    def _grammar(self, _word: str) -> Grammar:
        assert self.now is not None
        return self.now

    def delay_s(self, phrase: Phrase, sound: Samples, ended_s: float) -> float | None:
        """Seconds from the end of the voice to the intent; None if none came."""
        self.now = grammar(wanted_now(phrase.scene.state))
        self.listening.afresh()
        began_s = time.monotonic()
        found: float | None = None
        for number in range(len(sound) // FRAME_SAMPLES):
            due_s = began_s + (number + 1) * FRAME_S
            while True:
                outcomes = [*self.listening.work()]
                if any(isinstance(one, Said) for one in outcomes):
                    found = time.monotonic() - began_s - ended_s
                if (left_s := due_s - time.monotonic()) <= 0:
                    break
                time.sleep(min(left_s, LOOK_S))
            frame = sound[number * FRAME_SAMPLES : (number + 1) * FRAME_SAMPLES]
            pushed = self.listening.push(frame, self.clock.now(), speaking=False, talking=False)
            if any(isinstance(one, Said) for one in pushed):
                found = time.monotonic() - began_s - ended_s
        return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phrases", type=int, default=60)
    parser.add_argument("--seed", type=int, default=51)
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--results", action="store_true", help=results.HELP)
    asked = parser.parse_args()
    voices = usable("report")
    with results.kept(__file__, "How soon, on the live path", wanted=asked.results):
        delays: list[float] = []
        prepared = []
        for number, phrase in enumerate(phrase_set(asked.seed, asked.phrases, "report")):
            said = speak(phrase.text, voices[number % len(voices)].name, asked.cache)
            condition = ROOMS[number % len(ROOMS)]
            variant = noise_variant("report", number)
            mixed = mix(said, condition, variant, lead_s=LEAD_S, tail_s=TAIL_S)
            prepared.append((phrase, mixed))
        room, cpu_s, wall_s = Room(), time.process_time(), time.monotonic()
        for phrase, mixed in prepared:
            found = room.delay_s(phrase, mixed.sound, mixed.ended_s)
            if found is not None:
                delays.append(found)
        cpu_s, wall_s = time.process_time() - cpu_s, time.monotonic() - wall_s
        ordered = sorted(delays)
        print(
            f"end of voice to intent: median {median(ordered):.2f} s, p95 "
            f"{ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]:.2f} s, most "
            f"{ordered[-1]:.2f} s; {len(ordered)} of {len(prepared)} phrases gave an intent "
            f"({os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; the listening process "
            f"took {cpu_s:.0f} s of processor time in {wall_s:.0f} s)"
        )
        starts = [
            start_up(argparse.Namespace(listener="own", model=None, cache=asked.cache))
            for _ in range(STARTS)
        ]
        for name in starts[0]:
            print(f"{name}: {', '.join(f'{one[name]:.2f}' for one in starts)}")


if __name__ == "__main__":
    main()

"""How much of the assistant's own voice gets through a loudspeaker (not a test).

    python tests/measure_echo.py leak     # every sentence: what is taken for the operator
    python tests/measure_echo.py answer   # who answers 200 ms after a prompt
    python tests/measure_echo.py stop     # "stop" over a prompt, with and without canceller

Voices and rooms are synthetic; add ``--every N`` to take every Nth sentence only.
Several minutes each. The answers stand in ``assistant/sound/echo.py`` and ``urgent.py``.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from echo_room import EchoRoom, Way
from scipy.signal import fftconvolve
from speech.test_own_voice import SAID

from assistant.progress import intents as it
from assistant.prompt.voice import Pyttsx3Voice
from assistant.sitting import assembly
from assistant.sitting.dictation import LEVEL_RMS, dictate
from assistant.sound.echo import SpeexCanceller
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.speech.listening import STOP_TWICE_S
from assistant.speech.urgent import UrgentEar
from assistant.words.sayings import spoken

VOICES = (
    "flite:slt",
    "flite:rms",
    "flite:awb",
    "flite:kal16",
    "espeak-ng:en-us",
    "espeak-ng:en-gb",
)
WAYS = tuple(
    Way(delay_s, level_db, rt60_s)
    for delay_s, level_db, rt60_s in itertools.product(
        (0.03, 0.1, 0.2, 0.3), (-6.0, -20.0), (0.3, 0.6)
    )
)
ANSWERS = ("confirm", "no", "working length twenty two", "correction twenty one", "say again")
STOPPED = (
    "Compact along the walls, then hold the press for five seconds, "
    "and check the depth with the plugger."
)
PLACES = (0.15, 0.3, 0.45, 0.6, 0.75)
DELAYS_S = (0.03, 0.08, 0.15, 0.22, 0.3)


def room(way: Way, ears: object, words: object, *, guarded: bool) -> EchoRoom:
    """A room whose case waits for "confirm" or "no"."""
    folder = Path(tempfile.mkdtemp()) / "case"
    made = EchoRoom(folder, words, ears, way)  # type: ignore[arg-type]
    assert made.session.listening is not None
    if not guarded:
        made.session.listening.echo = None
    made.at_a_question()
    return made


def leak(every: int) -> None:
    """Every sentence, each in the next of 16 rooms; nothing taken may count."""
    words = assembly.language()
    ears = assembly.hearing("own", None, words, earpiece=False)
    for guarded in (False, True):
        tally: Counter[str] = Counter()
        rooms = {way: room(way, ears, words, guarded=guarded) for way in WAYS}
        for number, sentence in enumerate(SAID[::every]):
            here = rooms[WAYS[number % len(WAYS)]]
            ears.ear.reset()
            here.session.take = here.spoken.append  # type: ignore[method-assign,assignment]
            here.spoken.clear()
            here.prompt(sentence)
            here.hear_out()
            here.wait(1.2)
            meant = [i for i in here.spoken if not isinstance(i, it.Unclear)]
            unclear = len(here.spoken) - len(meant)
            tally["sentences"] += 1
            tally["with an intent"] += bool(meant)
            tally["not understood only"] += bool(unclear and not meant)
            for intent in meant:
                print(f"  {sentence!r} came back as {intent.heard.text!r}")
        print("guarded" if guarded else "unguarded", dict(tally), flush=True)


def answer(every: int) -> None:
    """Operators who begin 200 ms after the prompt has come back."""
    words = assembly.language()
    ears = assembly.hearing("own", None, words, earpiece=False)
    cases = [(v, a) for v in VOICES for a in ANSWERS][::every]
    for name in ("no echo", "unguarded", "guarded", "deaf for 0.5 s"):
        right = dropped = 0
        for number, (voice, said) in enumerate(cases):
            way = WAYS[number % len(WAYS)]
            if name == "no echo":
                way = Way(way.delay_s, -90.0, way.rt60_s)
            here = room(way, ears, words, guarded=name in {"guarded", "deaf for 0.5 s"})
            assert here.session.listening is not None
            echo = here.session.listening.echo
            if name.startswith("deaf") and echo is not None:
                echo._measure = lambda _s: None  # type: ignore[method-assign,assignment]
            here.session.take = here.spoken.append  # type: ignore[method-assign,assignment]
            here.prompt("34 is unusual for this tooth. Say confirm, or no.")
            here.hear_out()
            here.answer(dictate(said, voice), way.delay_s + 0.2)
            here.wait(2.8)
            heard = [i.heard.text for i in here.spoken]
            right += heard == [said]
            dropped += not heard
        print(f"{name}: {right} of {len(cases)} right, {dropped} not heard at all", flush=True)


def _stream(mic: Samples, played: Samples, *, cancelled: bool) -> list[Samples]:
    canceller = SpeexCanceller() if cancelled else None
    whole = len(mic) // FRAME_SAMPLES * FRAME_SAMPLES
    pieces = [slice(at, at + FRAME_SAMPLES) for at in range(0, whole, FRAME_SAMPLES)]
    return [canceller.cancel(mic[p], played[p]) if canceller else mic[p] for p in pieces]


def _echoed(played: np.ndarray, delay_s: float, level_db: float, speech: slice) -> np.ndarray:
    echo = fftconvolve(played, Way(delay_s, 0.0, 0.3).response())[: len(played)]
    rms = np.sqrt((echo[speech] ** 2).mean())
    return np.asarray(echo * (LEVEL_RMS * 10 ** (level_db / 20) / rms))


def _spotted_s(
    ear: UrgentEar, frames: list[Samples], from_s: float, to_s: float
) -> list[float]:
    step_s = FRAME_SAMPLES / RATE_HZ
    first, last = int(from_s / step_s), int(to_s / step_s)
    ear.reset()
    hits = (
        (i + 1) * step_s for i in range(first, min(last, len(frames))) if ear.push(frames[i])
    )
    return list(hits)


def stop(every: int) -> None:
    """ "Stop" at five places of a prompt, six voices, five delays; then prompts alone."""
    voice, ear = Pyttsx3Voice(), UrgentEar({"stop"})
    gap = np.zeros(RATE_HZ // 2)
    warm = [s for s in SAID if 40 < len(s) < 90][:3]  # the canceller learns on these
    before = [part for s in warm for part in (voice.render(spoken(s, "en")), gap)]
    lead = np.concatenate([gap, *before])
    lead = lead[: len(lead) // FRAME_SAMPLES * FRAME_SAMPLES]
    prompt = voice.render(spoken(STOPPED, "en")).astype(float)
    played = np.concatenate([lead, prompt, gap, gap])
    speech = slice(len(lead), len(lead) + len(prompt))
    for level_db, cancelled in itertools.product((-12.0, 0.0), (False, True)):
        tally: Counter[str] = Counter()
        cases = list(itertools.product(enumerate(VOICES), enumerate(PLACES), (1, 2)))[::every]
        for (v, name), (p, place), times in cases:
            rng = np.random.default_rng(100 * v + p)
            word = dictate(", ".join(["stop"] * times), name).astype(float)
            at = len(lead) + int(place * len(prompt))
            mic = _echoed(played, DELAYS_S[(v + p) % 5], level_db, speech)
            mic[at : at + len(word)] += word[: len(mic) - at]
            mic += rng.normal(0.0, 25.0, len(mic))
            frames = _stream(to_int16(mic), to_int16(played), cancelled=cancelled)
            end_s = (at + len(word)) / RATE_HZ + 0.6
            spotted = _spotted_s(ear, frames, len(lead) / RATE_HZ, end_s)
            tally[f"said {times}"] += 1
            tally[f"heard of {times}"] += any(s > at / RATE_HZ for s in spotted)
            tally["alarms before the word"] += any(s <= at / RATE_HZ for s in spotted)
        print(level_db, "cancelled" if cancelled else "as it is", dict(tally), flush=True)
    for level_db, cancelled in itertools.product((-12.0, 0.0), (False, True)):
        parts = [part for s in SAID[::2] for part in (voice.render(spoken(s, "en")), gap)]
        said = np.concatenate(parts)
        mic = _echoed(said, 0.12, level_db, slice(0, len(said)))
        mic += np.random.default_rng(7).normal(0.0, 25.0, len(mic))
        frames = _stream(to_int16(mic), to_int16(said), cancelled=cancelled)
        at_s, alarms = 0.0, []
        for sentence, silence in zip(parts[::2], parts[1::2], strict=True):
            end_s = at_s + (len(sentence) + len(silence)) / RATE_HZ
            alarms += _spotted_s(ear, frames, at_s, end_s)
            at_s = end_s
        twice = sum(b - a < STOP_TWICE_S for a, b in itertools.pairwise(alarms))
        how = "cancelled" if cancelled else "as it is"
        print(
            level_db, how, f"{len(alarms)} alarms ({twice} pairs) in {at_s:.0f} s", flush=True
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["leak", "answer", "stop"])
    parser.add_argument("--every", type=int, default=1)
    chosen = parser.parse_args()
    {"leak": leak, "answer": answer, "stop": stop}[chosen.what](chosen.every)

"""Fit the confidence of the paired recognisers; a command, not a test.

    python tests/hearing/calibrate.py --seed 3 --phrases 700 --talk-min 20

Phrases, talk and noise of the *calibration* half (:mod:`.halves`) go through the
ears that a user has; for every phrase in question the features of
``assistant/speech/paired.py`` are kept with whether it was what was said. The
logistic function is fitted on all of them, and thresholds are read off. Published
figures come from ``campaign.py --half report``, which shares no voice, noise or
seed with this. Rows are kept, so a second run with the same options only fits.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[1]))

from assistant import assembly
from assistant.speech.audio import FRAME_SAMPLES, RATE_HZ, to_int16
from assistant.speech.expected import wanted_now
from assistant.speech.listeners import Samples
from assistant.speech.paired import DISAGREED, PairedListener
from assistant.speech.understand import meanings
from hearing import chatter, halves, work
from hearing.campaign import phrase_tasks, talk_tasks
from hearing.halves import SEED_OFFSET
from hearing.noises import background, mix
from hearing.phrases import phrase_set
from hearing.scenes import scenes
from hearing.score import same
from hearing.templates import grammar, words
from hearing.voices import CACHE, speak, usable

_EARS: Any = None


@dataclass(frozen=True)
class Row:
    """One phrase in question.

    Attributes:
        key: the task's.
        condition: of the room, or the kind of talk.
        said: what was said; "" for talk and noise.
        text: the phrase.
        value: it would store something.
        right: it means what was said.
        supported: both recognisers mean it, within the grammar.
        agreed: and the second could have heard it.
        features: see ``paired.Support``.
    """

    key: str
    condition: str
    said: str
    text: str
    value: bool
    right: bool
    supported: bool
    agreed: bool
    features: tuple[float, ...]


def start() -> None:
    """Begin a worker process."""
    global _EARS  # noqa: PLW0603
    _EARS = assembly.hearing("pocketsphinx", None, words())
    if not isinstance(_EARS.listener, PairedListener):
        sys.exit("The second recogniser is not installed: pip install '.[second]'.")


def measure(cache: Path, task: work.Task) -> list[Row]:
    """The rows of one task, in a worker process."""
    sound, state, meaning, said = _sound(cache, task)
    _EARS.ear.reset()
    step = grammar(wanted_now(state))
    _EARS.listener.prepare(step)
    rows = []
    frames = [
        sound[at : at + FRAME_SAMPLES]
        for at in range(0, len(sound) - FRAME_SAMPLES + 1, FRAME_SAMPLES)
    ]
    for utterance in [*map(_EARS.ear.push, frames), _EARS.ear.flush()]:
        if utterance is None or not utterance.final:
            continue
        for phrase in _EARS.listener.phrases(utterance.samples):
            meant = meanings(phrase.text, step)
            right = meaning is not None and len(meant) == 1 and same(meant[0], meaning)
            kind = type(meant[0]).__name__ if len(meant) == 1 else ""
            rows.append(
                Row(
                    key=task.key,
                    condition=getattr(task, "kind", task.condition.label),
                    said=said,
                    text=phrase.text,
                    value=kind in {"Given", "Correction", "Chosen"},
                    right=right,
                    supported=phrase.support.supported,
                    agreed=phrase.support.agreed,
                    features=phrase.support.features(),
                )
            )
    return rows


def _sound(cache: Path, task: work.Task) -> tuple[Samples, Any, Any, str]:
    def say(text: str, voice: str) -> Samples:
        return speak(text, voice, cache)

    variant = halves.noise_variant(task.half, task.number)
    if isinstance(task, work.PhraseTask):
        room = partial(_babble, task.others, say)
        voice = say(task.phrase.text, task.voice.name)
        mixed = mix(voice, task.condition, variant, chatter=room)
        return mixed.sound, task.phrase.scene.state, task.phrase.meaning, task.phrase.text
    n = round(task.seconds * RATE_HZ)
    if task.kind == "chatter":
        rng = np.random.default_rng(task.number)
        sound, _ = chatter.stretch(task.seconds, rng, task.voices[:2], say, chatter.TALK)
        sound = sound + background(len(sound), task.condition, variant)
    else:
        sound = background(n, task.condition, variant)
    state = next(scene.state for scene in scenes() if scene.place == task.place)
    return to_int16(sound), state, None, ""


def _babble(
    voices: tuple[str, ...], say: Any, n: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    return work.babble(n, rng, chatter.TALK, voices, say)


def fit(rows: Sequence[Row]) -> tuple[NDArray[np.float64], float]:
    """Logistic regression with a small ridge; right and wrong weigh alike."""
    x = np.array([row.features for row in rows])
    y = np.array([1.0 if row.right else 0.0 for row in rows])
    spread = x.std(axis=0)
    scale = np.where(spread > 1e-9, spread, 1.0)
    weight = np.where(y == 1.0, 0.5 / max(1, y.sum()), 0.5 / max(1, (1 - y).sum()))

    def loss(w: NDArray[np.float64]) -> float:
        z = x / scale @ w[:-1] + w[-1]
        terms = np.logaddexp(0.0, z) - y * z
        return float(weight @ terms + 1e-3 * w[:-1] @ w[:-1])

    best = minimize(loss, np.zeros(x.shape[1] + 1), method="L-BFGS-B").x
    return best[:-1] / scale, float(best[-1])


def confidences(
    rows: Sequence[Row], weights: NDArray[np.float64], bias: float
) -> NDArray[np.float64]:
    """As ``paired.Phrase.confidence``, without its limit for those that disagree."""
    z = np.array([row.features for row in rows]) @ weights + bias
    return np.asarray(1 / (1 + np.exp(-z)))


def report(rows: Sequence[Row], sure: NDArray[np.float64]) -> Iterator[str]:
    """How the thresholds would do."""
    right = np.array([row.right for row in rows])
    agreed = np.array([row.agreed for row in rows])
    value = np.array([row.value for row in rows])
    yield f"{len(rows)} phrases in question, {right.sum()} right, {agreed.sum()} agreed on"
    for name, of in (("agreed", agreed), ("not agreed", ~agreed)):
        for kind, chosen in (("values", of & value), ("others", of & ~value)):
            good, bad = np.sort(sure[chosen & right]), np.sort(sure[chosen & ~right])
            yield f"{name}, {kind}: {len(good)} right, {len(bad)} wrong"
            if len(good):
                yield "  right, percentiles 1 5 10 25 50: " + " ".join(
                    f"{v:.2f}" for v in np.percentile(good, [1, 5, 10, 25, 50])
                )
            if len(bad):
                yield "  wrong, the highest: " + " ".join(f"{v:.2f}" for v in bad[::-1][:12])
    order = np.argsort(-np.where(right, 0.0, sure))
    for index in order[:15]:
        row = rows[index]
        yield (
            f"  {sure[index]:.2f} {'agreed' if row.agreed else 'alone '} {row.condition}: "
            f"{row.said!r} as {row.text!r}"
        )


def main() -> None:
    """Measure, fit, report, and write the coefficients."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--phrases", type=int, default=700)
    parser.add_argument("--talk-min", type=float, default=20.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("out/calibration"))
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--write", action="store_true", help="into assistant/speech/fusion.py")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    path = chosen.out / f"rows-{chosen.seed}-{chosen.phrases}-{chosen.talk_min:g}.jsonl"
    if not path.exists():
        rng = random.Random(chosen.seed + SEED_OFFSET["calibrate"])
        voices = usable("calibrate")
        phrases = phrase_set(chosen.seed, chosen.phrases, "calibrate")
        tasks: list[work.Task] = [
            *phrase_tasks(phrases, voices, "calibrate", rng, every_room=False),
            *talk_tasks(voices, "calibrate", chosen.talk_min, rng),
        ]
        tasks = [task for task in tasks if getattr(task, "kind", "") != "accidental"]
        lines = []
        with get_context("spawn").Pool(chosen.jobs, start) as pool:
            for count, found in enumerate(
                pool.imap_unordered(partial(measure, chosen.cache), tasks), 1
            ):
                lines += [json.dumps(row.__dict__) + "\n" for row in found]
                print(f"\r{count}/{len(tasks)} ", end="", file=sys.stderr)
        path.write_text("".join(sorted(lines)), encoding="utf-8")
    rows = [Row(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]
    # Two functions: one decides what is taken, the other which question to ask.
    fitted = {
        name: fit([row for row in rows if row.supported is supported])
        for name, supported in (("AGREED", True), ("ALONE", False))
    }
    sure = np.where(
        [row.agreed for row in rows],
        confidences(rows, *fitted["AGREED"]),
        DISAGREED * confidences(rows, *fitted["ALONE"]),
    )
    for line in report(rows, sure):
        print(line)
    text = (
        '"""Coefficients of :mod:`.paired`; written by ``tests/hearing/calibrate.py``.\n\n'
        f"Options: --seed {chosen.seed} --phrases {chosen.phrases} "
        f'--talk-min {chosen.talk_min:g}; {len(rows)} phrases in question.\n"""\n'
    )
    for name, (weights, bias) in fitted.items():
        numbers = "".join(f"    {float(w):.3f},\n" for w in (*weights, bias))
        text += f"\n{name}: tuple[float, ...] = (\n{numbers})\n"
    print(text)
    if chosen.write:
        target = Path(__file__).parents[2] / "assistant" / "speech" / "fusion.py"
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

"""Fit the confidence of the recognisers; a command, not a test.

    python tests/hearing/calibrate.py --listener paired --phrases 700 --talk-min 20
    python tests/hearing/calibrate.py --listener alone --phrases 700 --talk-min 20

Phrases, talk and noise of the *calibration* half (:mod:`.halves`) go through the
ears that a user has; for every phrase in question the features of
``assistant/speech/paired.py``, or the evidence of the one recogniser alone, are kept
with whether it was what was said. The logistic function is fitted on all of them,
and thresholds are read off. One alone is also told "confirm" and "no", with which its
many questions are answered. Published figures come from ``campaign.py --half
report``, which shares no voice, noise or seed with this. Rows are kept, so a second
run with the same options only fits.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, fields
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[1]))

from assistant.procedure import intents as it
from assistant.sitting import assembly
from assistant.sound.samples import FRAME_SAMPLES, Samples
from assistant.speech.evidence import Evidence
from assistant.speech.paired import DISAGREED, PairedListener
from assistant.speech.pocketsphinx_listener import PocketsphinxListener
from assistant.words.expected import wanted_now
from assistant.words.understand import HARMLESS, meanings
from hearing import work
from hearing.campaign import phrase_tasks, talk_tasks
from hearing.halves import SEED_OFFSET
from hearing.phrases import Phrase, perfect, phrase_set
from hearing.score import same
from hearing.templates import grammar, words
from hearing.voices import CACHE, speak, usable

LISTENERS = {"paired": "pocketsphinx", "alone": "alone"}
"""What is fitted, and what the program calls it."""

KINDS = ("value", "stop", "harmless", "command", "")
"""What a phrase would do, by the thresholds of ``understand.Trust``; "" for nothing
without a question."""

_EARS: Any = None


@dataclass(frozen=True)
class Row:
    """One phrase in question.

    Attributes:
        key: the task's.
        condition: of the room, or the kind of talk.
        said: what was said; "" for talk and noise.
        text: the phrase.
        kind: see :data:`KINDS`.
        right: it means what was said.
        supported: both recognisers mean it, within the grammar; True for one alone.
        agreed: and the second could have heard it.
        snr_db: speech over noise as the ear has measured it.
        features: see ``paired.Support``; those of ``Evidence`` for one alone.
    """

    key: str
    condition: str
    said: str
    text: str
    kind: str
    right: bool
    supported: bool
    agreed: bool
    snr_db: float
    features: tuple[float, ...]


def start(listener: str) -> None:
    """Begin a worker process."""
    global _EARS  # noqa: PLW0603
    _EARS = assembly.hearing(LISTENERS[listener], None, words())
    if _EARS.listener.name == "pocketsphinx" and listener == "paired":
        sys.exit("The second recogniser is not installed: pip install '.[second]'.")


def measure(cache: Path, task: work.Task) -> list[Row]:
    """The rows of one task, in a worker process."""
    speaker = partial(speak, folder=cache)
    meaning: it.AnyIntent | None = None
    if isinstance(task, work.PhraseTask):
        sound = work.phrase_in_room(task, speaker).sound
        state, meaning, said = task.phrase.scene.state, task.phrase.meaning, task.phrase.text
    else:
        sound, _ = work.talk_in_room(task, speaker)
        state, said = work.scene_of(task).state, ""
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
        for text, supported, agreed, features in in_question(_EARS.listener, utterance.samples):
            meant = meanings(text, step)
            rows.append(
                Row(
                    key=task.key,
                    condition=getattr(task, "kind", task.condition.label),
                    said=said,
                    text=text,
                    kind=kind_of(meant),
                    right=meaning is not None and len(meant) == 1 and same(meant[0], meaning),
                    supported=supported,
                    agreed=agreed,
                    snr_db=round(utterance.snr_db, 2),
                    features=features,
                )
            )
    return rows


def answers(phrases: Sequence[Phrase]) -> list[Phrase]:
    """What is said after every second value: one recogniser alone asks about most."""
    asked = [one for one in phrases if one.group in {"value", "option", "correction"}][::2]
    texts = ["confirm" if number % 2 else "no" for number in range(len(asked))]
    meant = [perfect(text, one.wanted) for text, one in zip(texts, asked, strict=True)]
    return [
        Phrase(one.scene, "answer", text, meaning)
        for one, text, meaning in zip(asked, texts, meant, strict=True)
        if meaning is not None
    ]


def in_question(
    listener: PairedListener | PocketsphinxListener, samples: Samples
) -> Iterator[tuple[str, bool, bool, tuple[float, ...]]]:
    """Each phrase that was perhaps said: text, supported, agreed, features."""
    if isinstance(listener, PairedListener):
        for phrase in listener.phrases(samples):
            support = phrase.support
            yield phrase.text, support.supported, support.agreed, support.features()
        return
    heard, evidence = listener.hear_with_evidence(samples)
    if evidence is not None:
        yield heard.text, True, True, astuple(evidence)


def kind_of(meant: Sequence[it.AnyIntent]) -> str:
    """What a text with these meanings would do."""
    if len(meant) != 1 or meant[0].heard.doubt is not None:
        return ""
    match meant[0]:
        case it.Given() | it.Correction() | it.Chosen():
            return "value"
        case it.Command(verb="stop"):
            return "stop"
        case it.Command(verb=verb) if verb in HARMLESS:
            return "harmless"
    return "command"


def fit(rows: Sequence[Row], *, rising: bool = False) -> tuple[NDArray[np.float64], float]:
    """Logistic regression with a small ridge; right and wrong weigh alike.

    ``rising`` keeps weights from going below zero: of :class:`Evidence` more always
    speaks for a hit, and a negative weight would be a quirk of these rows.
    """
    x = np.array([row.features for row in rows])
    y = np.array([1.0 if row.right else 0.0 for row in rows])
    spread = x.std(axis=0)
    scale = np.where(spread > 1e-9, spread, 1.0)
    weight = np.where(y == 1.0, 0.5 / max(1, y.sum()), 0.5 / max(1, (1 - y).sum()))

    def loss(w: NDArray[np.float64]) -> float:
        z = x / scale @ w[:-1] + w[-1]
        terms = np.logaddexp(0.0, z) - y * z
        return float(weight @ terms + 1e-3 * w[:-1] @ w[:-1])

    bounds = [(0.0 if rising else None, None)] * x.shape[1] + [(None, None)]
    best = minimize(loss, np.zeros(x.shape[1] + 1), method="L-BFGS-B", bounds=bounds).x
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
    talk = np.array([not row.said for row in rows])
    yield f"{len(rows)} phrases in question, {right.sum()} right, {agreed.sum()} agreed on"
    yield (
        f"area under the ROC curve: {area(sure[right], sure[~right]):.3f}; against "
        f"{(~right & ~talk).sum()} misheard {area(sure[right], sure[~right & ~talk]):.3f}, "
        f"against {talk.sum()} of talk and noise {area(sure[right], sure[talk]):.3f}"
    )
    for name, of in (("agreed", agreed), ("not agreed", ~agreed)):
        for kind in KINDS:
            chosen = of & np.array([row.kind == kind for row in rows])
            good, bad = np.sort(sure[chosen & right]), np.sort(sure[chosen & ~right])
            if not len(good) and not len(bad):
                continue
            yield f"{name}, {kind or 'asked about'}: {len(good)} right, {len(bad)} wrong"
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
            f"  {sure[index]:.2f} {'agreed' if row.agreed else 'alone '} {row.condition} "
            f"({row.snr_db:.0f} dB): {row.said!r} as {row.text!r}"
        )


def area(right: NDArray[np.float64], wrong: NDArray[np.float64]) -> float:
    """Area under the ROC curve."""
    above = right[:, None] - wrong[None, :]
    return float((above > 0).mean() + 0.5 * (above == 0).mean())


def fit_paired(rows: Sequence[Row]) -> tuple[NDArray[np.float64], str]:
    """Confidence of every row, and the text of ``assistant/speech/fusion.py``."""
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
    text = ""
    for name, (weights, bias) in fitted.items():
        numbers = "".join(f"    {float(w):.3f},\n" for w in (*weights, bias))
        text += f"\n{name}: tuple[float, ...] = (\n{numbers})\n"
    return sure, text


def fit_alone(rows: Sequence[Row]) -> tuple[NDArray[np.float64], str]:
    """The same for ``assistant/speech/evidence_fit.py``; each confidence is by a fit on
    the tasks of the four other fifths."""
    fold = np.array([crc32(row.key.encode()) % 5 for row in rows])
    sure = np.zeros(len(rows))
    for part in range(5):
        fitted = fit([row for row, n in zip(rows, fold, strict=True) if n != part], rising=True)
        sure[fold == part] = confidences(rows, *fitted)[fold == part]
    weights, bias = fit(rows, rising=True)
    numbers = "".join(
        f"    {float(w):.3f},  # {field.name}\n"
        for w, field in zip(weights, fields(Evidence), strict=True)
    )
    text = f"\nWEIGHTS: tuple[float, ...] = (\n{numbers})\nBIAS = {bias:.3f}\n"
    return sure, text


def main() -> None:
    """Measure, fit, report, and write the coefficients."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--listener", choices=list(LISTENERS), default="paired")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--phrases", type=int, default=700)
    parser.add_argument("--talk-min", type=float, default=20.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("out/calibration"))
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--write", action="store_true", help="into assistant/speech/")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    numbers = f"{chosen.seed}-{chosen.phrases}-{chosen.talk_min:g}"
    path = chosen.out / f"rows-{chosen.listener}-{numbers}.jsonl"
    if not path.exists():
        rng = random.Random(chosen.seed + SEED_OFFSET["calibrate"])
        voices = usable("calibrate")
        phrases = phrase_set(chosen.seed, chosen.phrases, "calibrate")
        tasks: list[work.Task] = [
            *phrase_tasks(phrases, voices, "calibrate", rng, every_room=False),
            *talk_tasks(voices, "calibrate", chosen.talk_min, rng),
        ]
        tasks = [task for task in tasks if getattr(task, "kind", "") != "accidental"]
        if chosen.listener == "alone":
            said = answers(phrases)
            tasks += phrase_tasks(said, voices, "calibrate", rng, every_room=False)
        lines = []
        with get_context("spawn").Pool(chosen.jobs, start, (chosen.listener,)) as pool:
            for count, found in enumerate(
                pool.imap_unordered(partial(measure, chosen.cache), tasks), 1
            ):
                lines += [json.dumps(row.__dict__) + "\n" for row in found]
                print(f"\r{count}/{len(tasks)} ", end="", file=sys.stderr)
        path.write_text("".join(sorted(lines)), encoding="utf-8")
    rows = [Row(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]
    paired = chosen.listener == "paired"
    sure, coefficients = fit_paired(rows) if paired else fit_alone(rows)
    for line in report(rows, sure):
        print(line)
    options = f"--seed {chosen.seed} --phrases {chosen.phrases} --talk-min {chosen.talk_min:g}"
    text = (
        f'"""Coefficients of :mod:`.{"paired" if paired else "evidence"}`; written by '
        "``tests/hearing/calibrate.py``.\n\n"
        f"Options: --listener {chosen.listener} {options}; "
        f'{len(rows)} phrases in question.\n"""\n{coefficients}'
    )
    print(text)
    if chosen.write:
        target = "fusion.py" if paired else "evidence_fit.py"
        folder = Path(__file__).parents[2] / "assistant" / "speech"
        (folder / target).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

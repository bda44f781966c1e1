"""Fit the confidence of the pocketsphinx listener; a command, not a test.

    python tests/calibrate_listener.py [--seed N] [--rows FILE]

Speaks phrases of a small grammar and unrelated chatter with flite and
espeak-ng voices (Debian packages), adds white noise, sends everything through
the same Ear and listener a user has, fits the logistic map of
``assistant/speech/evidence.py`` on one half of the voices and reports on the
other half. Takes some minutes. With ``--rows`` the measured evidence is kept in
FILE, or taken from it when it exists.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, astuple, dataclass, field, fields
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from assistant.speech.audio import FRAME_SAMPLES, RATE_HZ, read_wav, to_int16
from assistant.speech.evidence import Evidence
from assistant.speech.frontend import Ear
from assistant.speech.listeners import Samples
from assistant.speech.pocketsphinx_listener import PocketsphinxListener

FIT_VOICES = (("flite", "slt"), ("flite", "rms"), ("espeak-ng", "en-us"))
REPORT_VOICES = (("flite", "awb"), ("flite", "kal16"), ("espeak-ng", "en-gb"))
NOISES_DB = (None, 20.0, 10.0)

UNITS = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = [
    *("ten", "eleven", "twelve", "thirteen", "fourteen"),
    *("fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
]
NUMBERS_JSGF = f"""#JSGF V1.0;
grammar numbers;
<unit> = {" | ".join(UNITS)};
<digit> = zero | oh | <unit>;
<whole> = zero | <unit> | {" | ".join(TEENS)} | twenty [<unit>]
        | thirty [one | two | three | four | five];
<mm> = <whole> [point <digit>] | <whole> and a half;
<command> = repeat | go back | pause | resume | skip | undo that | where are we | read back
          | what is left | confirm | yes | no | stop | canal buccal | canal palatal
          | heat on | heat off | start press;
public <said> = [plugger | depth | correction] <mm> [millimeters] | <command>;
"""
# A question's grammar: so few phrases that a second decode agrees all too easily.
ANSWERS_JSGF = """#JSGF V1.0;
grammar answers;
public <said> = yes | no | confirm | repeat | go back | undo that | stop;
"""
ANSWERS = ["yes", "no", "confirm", "repeat", "go back", "undo that", "stop"]
COMMANDS = [
    *("repeat", "go back", "pause", "skip", "undo that", "where are we", "read back"),
    *("confirm", "yes", "no", "canal palatal", "heat on", "start press", "stop"),
]
CHATTER = [
    "did you see the game last night",
    "could you pass me the mirror please",
    "open a little wider",
    "what time is the next patient coming in",
    "that looks really good",
    "we should order more gloves",
    "twenty people came to the party",
    "turn your head towards me",
    "are you comfortable",
    "hello",
    "the weather is going to be lovely",
    "thank you very much",
    "can you close the door",
    "is that the small one or the big one",
    "my daughter started school",
    "almost done now",
]
LEXICON = {
    "plugger": ("P L AH G ER",),
    "palatal": ("P AE L AH T AH L",),
    "buccal": ("B AH K AH L",),
}


@dataclass(frozen=True)
class PlainGrammar:
    """A StepGrammar from JSGF text whose words are in the dictionary or in LEXICON."""

    key: str
    jsgf: str
    phrases: tuple[str, ...] = ()
    words: frozenset[str] = frozenset(LEXICON)
    lexicon: dict[str, tuple[str, ...]] = field(default_factory=lambda: dict(LEXICON))


NUMBERS_GRAMMAR = PlainGrammar("numbers", NUMBERS_JSGF)
ANSWERS_GRAMMAR = PlainGrammar("answers", ANSWERS_JSGF)


@dataclass(frozen=True)
class Row:
    """One utterance: what was said, what was heard, how well it stood up."""

    voice: str
    grammar: str
    snr_db: float | None
    said: str
    chatter: bool
    heard: str
    evidence: Evidence | None
    cost: float
    """Seconds of processing per second of sound."""

    @property
    def right(self) -> bool:
        return self.heard == self.said


def speak(engine: str, voice: str, text: str) -> Samples:
    """One sentence by a synthetic voice."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        command = (
            ["flite", "-voice", voice, "-t", text, "-o", str(path)]
            if engine == "flite"
            else ["espeak-ng", "-v", voice, "-s", "150", "-w", str(path), text]
        )
        subprocess.run(command, check=True, capture_output=True)
        return read_wav(path)


def in_a_room(
    speech: Samples, snr_db: float | None, rng: np.random.Generator, pad_s: float = 0.6
) -> Samples:
    """Level to 3000 RMS, silence on both sides, white noise over all of it."""
    pad = np.zeros(round(pad_s * RATE_HZ))
    active = speech[speech != 0].astype(float)
    sound = np.concatenate([pad, speech * (3000 / np.sqrt(np.mean(active**2))), pad])
    noise = 3.0 if snr_db is None else 3000 * 10 ** (-snr_db / 20)
    noisy: Samples = to_int16(sound + rng.normal(0, noise, len(sound)))
    return noisy


def first_utterance(sound: Samples) -> Samples | None:
    """What the Ear makes of it; the longest where it makes several."""
    ear = Ear()
    found = [ear.push(sound[at : at + FRAME_SAMPLES]) for at in _whole_frames(sound)]
    found.append(ear.flush())
    return max((u.samples for u in found if u), key=len, default=None)


def _whole_frames(sound: Samples) -> range:
    return range(0, len(sound) - FRAME_SAMPLES + 1, FRAME_SAMPLES)


def phrases(seed: int) -> list[str]:
    """Numbers drawn at random, and the commands."""
    pick = random.Random(seed).choice
    wholes = ["zero", *UNITS, *TEENS, "twenty", *(f"twenty {u}" for u in UNITS), "thirty"]
    numbers = [
        pick(["", "plugger ", "depth ", "correction "])
        + pick(wholes)
        + pick(["", " and a half", f" point {pick(UNITS)}", f" point {pick(UNITS)}"])
        for _ in range(16)
    ]
    return numbers + COMMANDS


def measure(task: tuple[str, str, int]) -> list[Row]:
    """All phrases by one voice."""
    engine, voice, seed = task
    listener = PocketsphinxListener()
    rng = np.random.default_rng(seed)
    rows = []
    for text in [*phrases(seed), *CHATTER]:
        speech = speak(engine, voice, text)
        for snr_db in NOISES_DB:
            samples = first_utterance(in_a_room(speech, snr_db, rng))
            for grammar in (NUMBERS_GRAMMAR, ANSWERS_GRAMMAR):
                inside = text in ANSWERS if grammar is ANSWERS_GRAMMAR else text not in CHATTER
                heard, evidence, cost = hear(listener, grammar, samples)
                rows.append(
                    Row(voice, grammar.key, snr_db, text, not inside, heard, evidence, cost)
                )
    return rows


def hear(
    listener: PocketsphinxListener, grammar: PlainGrammar, samples: Samples | None
) -> tuple[str, Evidence | None, float]:
    """Text, evidence and seconds of processing per second of sound."""
    if samples is None:
        return "", None, 0.0
    listener.prepare(grammar)
    began = time.process_time()
    heard, evidence = listener.hear_with_evidence(samples)
    return heard.text, evidence, (time.process_time() - began) * RATE_HZ / len(samples)


def auc(right: NDArray[np.float64], wrong: NDArray[np.float64]) -> float:
    """Area under the ROC curve."""
    above = right[:, None] - wrong[None, :]
    return float((above > 0).mean() + 0.5 * (above == 0).mean())


def fit(rows: list[Row]) -> tuple[NDArray[np.float64], float]:
    """Logistic regression, right and wrong weighted alike, lightly regularised.

    Weights are kept from going below zero: every field of Evidence is so made
    that more of it speaks for the hit, and a negative weight would be a quirk
    of this corpus.
    """
    x = np.array([astuple(row.evidence) for row in rows if row.evidence])
    y = np.array([row.right for row in rows if row.evidence])
    middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = (x - middle) / spread
    share = np.where(y, 0.5 / y.sum(), 0.5 / (~y).sum()) * len(y)

    def loss(w: NDArray[np.float64]) -> float:
        margin = (2 * y - 1) * (z @ w[:-1] + w[-1])
        return float((share * np.logaddexp(0, -margin)).sum() + 0.5 * (w[:-1] ** 2).sum())

    bounds = [(0, None)] * x.shape[1] + [(None, None)]
    w = minimize(loss, np.zeros(x.shape[1] + 1), bounds=bounds).x
    weights = w[:-1] / spread
    return weights, float(w[-1] - weights @ middle)


def report(name: str, rows: list[Row], weights: NDArray[np.float64], bias: float) -> None:
    """Separation, and what gets through at the threshold that keeps 90 % of right hits."""
    kept = [row for row in rows if row.evidence]

    def scores(chosen: Iterable[Row]) -> NDArray[np.float64]:
        logit = [weights @ astuple(row.evidence) + bias for row in chosen if row.evidence]
        return np.asarray(1 / (1 + np.exp(-np.array(logit))))

    right = scores(row for row in kept if row.right)
    wrong = scores(row for row in kept if not row.right and not row.chatter)
    chatter = scores(row for row in kept if row.chatter)
    threshold = float(np.quantile(right, 0.1))
    print(
        f"{name}: n right {len(right)}, wrong {len(wrong)}, chatter {len(chatter)}; "
        f"AUC {auc(right, np.concatenate([wrong, chatter])):.3f} "
        f"(wrong {auc(right, wrong):.3f}, chatter {auc(right, chatter):.3f}); "
        f"at {threshold:.2f} (keeps 90 % of right): wrong accepted "
        f"{(wrong >= threshold).mean():.0%}, chatter {(chatter >= threshold).mean():.0%}"
    )
    for snr_db in NOISES_DB:
        here = [row for row in rows if row.snr_db == snr_db]
        said = [row for row in here if not row.chatter]
        bad = scores(row for row in here if not row.right)
        print(
            f"   {snr_db or 'clean'}: {sum(r.right for r in said)}/{len(said)} right; "
            f"right accepted {(scores(r for r in said if r.right) >= threshold).sum()}, "
            f"wrong or chatter accepted {(bad >= threshold).sum()} of {len(bad)}"
        )


def load(path: Path) -> Iterator[Row]:
    """Rows kept by an earlier run."""
    for line in path.read_text().splitlines():
        row = json.loads(line)
        row["evidence"] = Evidence(**row["evidence"]) if row["evidence"] else None
        yield Row(**row)


def main() -> None:
    """Measure, fit, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--rows", type=Path)
    options = parser.parse_args()
    if options.rows and options.rows.exists():
        rows = list(load(options.rows))
    else:
        tasks = [(*voice, options.seed) for voice in FIT_VOICES + REPORT_VOICES]
        with Pool(2) as pool:
            rows = [row for part in pool.imap(measure, tasks) for row in part]
        if options.rows:
            options.rows.write_text("".join(json.dumps(asdict(row)) + "\n" for row in rows))
    fit_names = {voice for _, voice in FIT_VOICES}
    fit_rows = [row for row in rows if row.voice in fit_names]
    report_rows = [row for row in rows if row.voice not in fit_names]
    weights, bias = fit(fit_rows)
    print("processing seconds per second of speech:", np.mean([r.cost for r in rows]).round(3))
    for f, weight in zip(fields(Evidence), weights, strict=True):
        print(f"    {weight:.3f},  # {f.name}")
    print(f"BIAS = {bias:.3f}")
    report("fitted voices", fit_rows, weights, bias)
    report("other voices", report_rows, weights, bias)


if __name__ == "__main__":
    main()

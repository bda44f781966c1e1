"""Who says what: the plan of the training speech, the same for the same seed.

One list an engine, so that each engine's speech can be made by itself, anywhere,
and any first part of it is already a fair sample. Phones and tokens are written
into the plan: making the speech then needs no text.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Iterator
from pathlib import Path

from hearing.halves import ESPEAK, ESPEAK_VARIANTS, FLITE
from hearing.making import espeak, phones
from hearing.making.texts import lines
from hearing.making.utterances import CALIBRATE_VOICES, REPORT_VOICES, Utterance, write

MOST_PHONES = 75
"""Longer texts are passed over: about 6 s of speech."""


def kokoro(seed: int, wordnet: Path, voices: list[str]) -> Iterator[Utterance]:
    """Kokoro's training voices and their mixtures, without end."""
    usable = sorted(set(voices) - {*REPORT_VOICES, *CALIBRATE_VOICES})
    rng = random.Random(seed)
    for kind, text in lines(seed + 1, wordnet):
        count = rng.choices((1, 2, 3), (0.35, 0.45, 0.2))[0]
        chosen = rng.sample(usable, count)
        parts = [rng.gammavariate(2.0, 1.0) for _ in chosen]
        mixture = {v: round(p / sum(parts), 3) for v, p in zip(chosen, parts, strict=True)}
        main = max(mixture, key=lambda name: mixture[name])
        british = {"b": 0.9, "a": 0.05}.get(main[0], 0.35)
        accent = "en-gb" if rng.random() < british else "en-us"
        speed = round(rng.uniform(0.8, 1.35), 2)
        ipa = espeak.phonemes(text, accent) + rng.choice((".", ".", "", "!", "?", ","))
        if said := _phones(ipa):
            yield Utterance("kokoro", mixture, speed, 1.0, kind, text, ipa, said)


_VARIANTS = (
    "",
    "",
    "+f1",
    "+f2",
    "+f3",
    "+f5",
    "+m1",
    "+m2",
    "+m3",
    "+m4",
    "+m5",
    "+m6",
    "+m8",
)
assert not set(_VARIANTS) & set(ESPEAK_VARIANTS["report"]) - {""}


def espeak_ng(seed: int, wordnet: Path) -> Iterator[Utterance]:
    """espeak-ng's accents of the calibration half, every variant but the report's."""
    rng = random.Random(seed)
    for kind, text in lines(seed + 1, wordnet):
        accent = rng.choice(ESPEAK["calibrate"])
        voice = {accent + rng.choice(_VARIANTS): 1.0}
        speed, pitch = round(rng.uniform(0.75, 1.3), 2), round(rng.uniform(0.6, 1.4), 2)
        ipa = espeak.phonemes(text, accent)
        if said := _phones(ipa):
            yield Utterance("espeak", voice, speed, pitch, kind, text, ipa, said)


def flite(seed: int, wordnet: Path) -> Iterator[Utterance]:
    """flite's voices of the calibration half."""
    rng = random.Random(seed)
    for kind, text in lines(seed + 1, wordnet):
        voice = {rng.choice(FLITE["calibrate"]): 1.0}
        speed, pitch = round(rng.uniform(0.8, 1.25), 2), round(rng.uniform(0.75, 1.3), 2)
        if _phones(espeak.phonemes(text, "en-us")):
            yield Utterance("flite", voice, speed, pitch, kind, text, "", ())


def _phones(ipa: str) -> tuple[str, ...]:
    said = tuple(phones.from_ipa(ipa))
    return said if 1 < len(said) <= MOST_PHONES else ()


SEEDS = {"kokoro": 11, "espeak": 22, "flite": 33}


def main() -> None:
    """Write the plan of one engine."""
    parser = argparse.ArgumentParser(description="Write the plan of the training speech.")
    parser.add_argument("engine", choices=sorted(SEEDS))
    parser.add_argument("count", type=int)
    parser.add_argument("path", type=Path)
    parser.add_argument("--models", type=Path, default=Path(".speech/models"))
    parser.add_argument("--wordnet", type=Path, default=Path("/usr/share/wordnet"))
    asked = parser.parse_args()
    seed = SEEDS[asked.engine]
    if asked.engine == "kokoro":
        voices = [path.stem for path in (asked.models / "voices").glob("*.bin")]
        said = kokoro(seed, asked.wordnet, voices)
    else:
        said = {"espeak": espeak_ng, "flite": flite}[asked.engine](seed, asked.wordnet)
    write(asked.path, said, asked.count)


if __name__ == "__main__":
    main()

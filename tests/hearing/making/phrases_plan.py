"""The plan of the speech that is measured with: phrases of a half by voices never trained on.

The phrases are those of the campaign (:mod:`hearing.phrases`), by seed and half; the
voices of the half say them in turn.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from hearing.halves import ESPEAK, ESPEAK_VARIANTS, FLITE, KOKORO, Half
from hearing.making import espeak, phones
from hearing.making.utterances import Utterance, accent_of, write
from hearing.phrases import phrase_set

SEED = 2026


def said(half: Half, count: int) -> Iterator[Utterance]:
    """Kokoro's voices of the half, ``count`` phrases."""
    voices = KOKORO[half]
    for number, phrase in enumerate(phrase_set(SEED, count, half)):
        voice = voices[number % len(voices)]
        ipa = espeak.phonemes(phrase.text, accent_of(voice))
        yield Utterance(
            "kokoro", {voice: 1.0}, 1.0, 1.0, half, phrase.text, ipa + ".",
            tuple(phones.from_ipa(ipa)),
        )  # fmt: skip


def by_machine(half: Half, count: int) -> Iterator[Utterance]:
    """flite and espeak-ng of the half in turn."""
    voices = [("flite", name) for name in FLITE[half]]
    voices += [("espeak", a + v) for a in ESPEAK[half] for v in ESPEAK_VARIANTS[half]]
    for number, phrase in enumerate(phrase_set(SEED + 1, count, half)):
        engine, voice = voices[number % len(voices)]
        ipa = espeak.phonemes(phrase.text, voice) if engine == "espeak" else ""
        yield Utterance(
            engine, {voice: 1.0}, 1.0, 1.0, half, phrase.text, ipa, tuple(phones.from_ipa(ipa))
        )


def main() -> None:
    """Write the plan."""
    parser = argparse.ArgumentParser(description="Plan the speech to measure with.")
    parser.add_argument("half", choices=("calibrate", "report"))
    parser.add_argument("kind", choices=("kokoro", "machine"))
    parser.add_argument("count", type=int)
    parser.add_argument("path", type=Path)
    asked = parser.parse_args()
    plan = said if asked.kind == "kokoro" else by_machine
    write(asked.path, plan(asked.half, asked.count), asked.count)


if __name__ == "__main__":
    main()

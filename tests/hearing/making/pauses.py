"""What cutting at pauses is worth: phones of two words with a pause between them.

    python -m hearing.making.pauses .speech/human-calibrate.npz

Words that people have recorded, two by two with a pause, heard as a whole and in the pieces
of :mod:`assistant.ears.pieces`: the share of phones wrong, in quiet and over suction.
"""

from __future__ import annotations

import argparse
from itertools import pairwise
from pathlib import Path

import numpy as np

from assistant.ears.encoder import PHONES
from assistant.sound.samples import Samples
from assistant.speech import own_ears
from hearing.making.measure import composed, sounds
from hearing.noises import Condition, mix

PAIRS = 60
PAUSES_S = (0.3, 0.5)
ROOMS = (Condition("quiet"), Condition("suction", 30.0))
FEWEST_PHONES = 2


def heard(sound: Samples, *, whole: bool) -> list[str]:
    """The phones of the free path."""
    logs = own_ears.phones(sound) if whole else own_ears.phones_by_pieces(sound)
    best = logs.argmax(1)
    return [PHONES[b - 1] for a, b in pairwise([0, *best]) if b and b != a]


def edits(one: list[str], other: list[str]) -> int:
    """Phones to put in, leave out or change to make one of the other."""
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        before, row[0] = row[0], i
        for j, b in enumerate(other, 1):
            before, row[j] = row[j], min(before + (a != b), row[j] + 1, row[j - 1] + 1)
    return row[-1]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("shard", type=Path)
    asked = parser.parse_args()
    words = {
        about["text"]: (about["phones"], sound)
        for about, sound in sounds(asked.shard.parent, asked.shard.stem)
        if " " not in about["text"] and len(about["phones"]) >= FEWEST_PHONES
    }
    said = {text: sound for text, (_, sound) in words.items()}
    order = np.random.default_rng(1).permutation(sorted(words)).tolist()
    pairs = [*pairwise(order)][:PAIRS]
    for room in ROOMS:
        wrong, phones = {True: 0, False: 0}, 0
        for number, pair in enumerate(pairs):
            text, labels = " ".join(pair), [p for word in pair for p in words[word][0]]
            together = composed(text, said, PAUSES_S[number % len(PAUSES_S)])
            sound = mix(together, room, 2 * number, lead_s=0.4, tail_s=0.4).sound
            phones += len(labels)
            for whole in wrong:
                wrong[whole] += edits(heard(sound, whole=whole), labels)
        print(
            f"{room.label}: {len(pairs)} pairs, {phones} phones: {wrong[True] / phones:.1%} "
            f"wrong as a whole, {wrong[False] / phones:.1%} in pieces"
        )


if __name__ == "__main__":
    main()

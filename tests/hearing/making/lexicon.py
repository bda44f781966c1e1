"""The pronunciations that the decoder knows of the grammar's words.

CMU's (Debian's ``pocketsphinx-en-us`` has them) with the project's own lexicon,
espeak-ng's American and its British, mapped to CMU's phones as the labels of the
training are, so that each accent finds its own. The short words
that are swallowed in a sentence have their weak forms besides, and "thirteen" one with T:
many accents stop TH (Wells, Accents of English, 1982, from memory), and so said it is
nearest to "fourteen"; "thirty" and "three" have no such neighbour.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from hearing.making import espeak, phones
from hearing.making.texts import trade
from hearing.templates import words

ACCENTS = ("en-us", "en-gb")
WEAK = {
    "a": ("AH",), "and": ("AH N D", "AH N", "AE N"), "at": ("AH T",), "can": ("K AH N",),
    "for": ("F ER", "F AH"), "is": ("Z", "AH Z"), "of": ("AH V", "AA V"), "or": ("ER",),
    "that": ("DH AH T",), "the": ("DH AH", "DH IY"), "thirteen": ("T ER T IY N",),
    "to": ("T AH", "T UW", "T IH"),
}  # fmt: skip


CMU = Path("/usr/share/pocketsphinx/model/en-us/cmudict-en-us.dict")


def pronunciations(cmu: Path) -> dict[str, tuple[str, ...]]:
    """Every word of the grammar with all ways to say it."""
    known = dict(words().lexicon)
    for line in cmu.read_text(encoding="utf-8").splitlines():
        entry, _, way = line.partition(" ")
        word = entry.partition("(")[0]
        known[word] = tuple(dict.fromkeys((*known.get(word, ()), way.strip())))
    found = {}
    for word in trade():
        said = [" ".join(phones.from_ipa(espeak.phonemes(word, accent))) for accent in ACCENTS]
        ways = [*known.get(word, ()), *said, *WEAK.get(word, ())]
        found[word] = tuple(way for way in dict.fromkeys(ways) if way)
    return found


def main() -> None:
    """Write them, a line each."""
    parser = argparse.ArgumentParser(description="Write the decoder's pronunciations.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--cmu", type=Path, default=CMU)
    asked = parser.parse_args()
    found = pronunciations(asked.cmu)
    lines = [f"{word}  {way}" for word, ways in found.items() for way in ways]
    head = "# Made by tests/hearing/making/lexicon.py; CMU's phones. Do not edit.\n"
    asked.out.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""The pronunciations that the decoder knows of the grammar's words.

CMU's (with the project's own lexicon), espeak-ng's American and its British, mapped to
CMU's phones as the labels of the training are, so that each accent finds its own. The
short words that are swallowed in a sentence have their weak forms besides.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from assistant.words.soundalike import dictionary
from hearing.making import espeak, phones
from hearing.making.texts import trade
from hearing.templates import words

ACCENTS = ("en-us", "en-gb")
WEAK = {
    "a": ("AH",), "and": ("AH N D", "AH N", "AE N"), "at": ("AH T",), "can": ("K AH N",),
    "for": ("F ER", "F AH"), "is": ("Z", "AH Z"), "of": ("AH V", "AA V"), "or": ("ER",),
    "that": ("DH AH T",), "the": ("DH AH", "DH IY"), "to": ("T AH", "T UW", "T IH"),
}  # fmt: skip


def pronunciations() -> dict[str, tuple[str, ...]]:
    """Every word of the grammar with all ways to say it."""
    known = dictionary(trade(), words().lexicon)
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
    asked = parser.parse_args()
    lines = [f"{word}  {way}" for word, ways in pronunciations().items() for way in ways]
    head = "# Made by tests/hearing/making/lexicon.py; CMU's phones. Do not edit.\n"
    asked.out.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

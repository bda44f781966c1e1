"""Text in the lettering every PDF reader has, which knows Latin-1 only."""

from __future__ import annotations

import unicodedata

REPLACED = (
    "Some characters are not in this page's lettering and are simplified or shown as ?; "
    "note.txt and record.json have them exactly."
)

_PLAIN = str.maketrans(
    {
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u2013": "-",
        "\u2014": "-",
        "\u2026": "...",
        "\u0141": "L",
        "\u0142": "l",
        "\u0110": "D",
        "\u0111": "d",
        "\u0131": "i",
        "\u0152": "OE",
        "\u0153": "oe",
    }
)


def latin1(text: str) -> str:
    """``text`` with every character that Latin-1 lacks replaced.

    By its base letter or plain counterpart if it has one, else by "?", so that
    nothing is dropped without a trace.
    """
    return "".join(map(_latin1, unicodedata.normalize("NFC", text)))


def _latin1(character: str) -> str:
    if ord(character) < 256:
        return character
    plain = character.translate(_PLAIN)
    if plain.isascii():
        return plain
    base = unicodedata.normalize("NFKD", character)
    kept = "".join(c for c in base if ord(c) < 256)
    return kept or "?"

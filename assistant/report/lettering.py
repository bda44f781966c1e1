"""The letters of paper: which fonts carry a text, and what none of them has.

``fonts/`` has Latin, Greek, Cyrillic, Armenian, Hebrew, Arabic and Georgian. What it lacks
(Chinese, Japanese, Korean before all) comes from the extra ``scripts`` or from the fonts of
the machine. Letters that join or run from right to left are set by HarfBuzz, which the
extra brings. A character that cannot be set is replaced where it can be seen to be.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

from assistant.extras import how_to

REGULAR = Path(__file__).parent / "fonts" / "DejaVuSansCondensed.ttf"
BOLD = REGULAR.with_name("DejaVuSansCondensed-Bold.ttf")

UNKNOWN = "\ufffd"
REPLACED = (
    f"Some characters are in no font of this machine and are shown as {UNKNOWN} or simplified; "
    "note.txt and record.json have them exactly."
)

_CJK = "noto_cjk_sans_otc"
"""Module of the extra that carries Noto Sans CJK."""

_MOST_FONTS = 4
_JOINED = ((0x0900, 0x109F), (0x1780, 0x18AF))
"""Scripts of India and South-East Asia, and Mongolian: no letter of them stands alone."""


@dataclass(frozen=True, slots=True)
class Lettering:
    """What some texts are set with.

    Attributes:
        others: fonts beside our own, in order of choice.
        shaped: whether HarfBuzz sets the text.
        known: characters that can be set.
    """

    others: tuple[Path, ...]
    shaped: bool
    known: frozenset[str]

    def fit(self, text: str) -> str:
        """``text`` in characters that can be set, in normal form C."""
        return "".join(map(self._fit, unicodedata.normalize("NFC", text)))

    def replaces(self, text: str) -> bool:
        """Whether :meth:`fit` loses anything."""
        return self.fit(text) != unicodedata.normalize("NFC", text)

    def _fit(self, character: str) -> str:
        if character in self.known or character in "\n\u200c\u200d":
            return character
        base = unicodedata.normalize("NFKD", character)
        return "".join(c for c in base if c in self.known) or UNKNOWN


def lettering(texts: Iterable[str]) -> Lettering:
    """What it takes to set these texts on this machine."""
    used = frozenset(unicodedata.normalize("NFC", "".join(texts)))
    needs_shaping = frozenset(filter(_needs_shaping, used))
    shaped = bool(needs_shaping) and find_spec("uharfbuzz") is not None
    ours = _characters(REGULAR)
    others = _others(used - ours - {"\n"})
    known = ours.union(*map(_characters, others))
    # Unshaped, such letters would stand apart and in the wrong order.
    return Lettering(others, shaped, known if shaped else known - needs_shaping)


def how_to_letter() -> str:
    """What brings the missing scripts."""
    return f"More scripts: {how_to('scripts')}."


def _needs_shaping(character: str) -> bool:
    turned = unicodedata.bidirectional(character) in {"R", "AL", "AN"}
    joined = any(low <= ord(character) <= high for low, high in _JOINED)
    return turned or joined or bool(unicodedata.combining(character))


@cache
def _others(missing: frozenset[str]) -> tuple[Path, ...]:
    found: list[Path] = []
    for candidate in _candidates(missing):
        if len(found) == _MOST_FONTS or not missing:
            break
        if has := missing & _characters(candidate):
            found.append(candidate)
            missing -= has
    return tuple(found)


def _candidates(missing: frozenset[str]) -> Iterator[Path]:
    """Font files that may have some of these characters, best guesses first."""
    if not missing:
        return
    spec = find_spec(_CJK)
    if spec is not None and spec.origin is not None:
        yield from sorted(Path(spec.origin).parent.rglob("*.[ot]t[cf]"))
    if shutil.which("fc-list"):
        for character in sorted(missing):
            query = ["fc-list", f":charset={ord(character):x}:style=Regular", "file"]
            told = subprocess.run(query, capture_output=True, text=True, check=False).stdout
            yield from sorted(Path(line.rstrip(": ")) for line in told.splitlines())
        return
    places = {"win32": [os.environ.get("WINDIR", r"C:\Windows") + r"\Fonts"]}
    for place in places.get(sys.platform, ["/System/Library/Fonts", "/Library/Fonts"]):
        yield from sorted(Path(place).rglob("*.[ot]t[cf]"))


@cache
def _characters(font: Path) -> frozenset[str]:
    """The characters of a font file; none if it cannot be read."""
    from fontTools.ttLib import TTFont, TTLibError  # noqa: PLC0415 - only for paper

    try:
        with TTFont(font, fontNumber=0, lazy=True) as read:
            return frozenset(map(chr, read.getBestCmap() or ()))
    except (OSError, TTLibError):
        return frozenset()

"""Names that are not what they look like: told, so that nobody takes one for another."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator

LONGEST_NAME = 64
"""Characters of a new case's name or code; chosen here: one line of a list."""

_TOGETHER = ({"CJK", "HIRAGANA", "KATAKANA", "HANGUL", "BOPOMOFO"},)
"""Scripts that are written together in one word."""


def odd_name(name: str) -> str | None:
    """What is odd about a name, as the end of a sentence; None if nothing."""
    if any(unicodedata.category(c) in {"Cf", "Cc", "Co", "Cn"} for c in name):
        return "it has characters that cannot be seen, or that turn the writing round"
    scripts = {unicodedata.name(c, "?").split()[0] for c in name if c.isalpha()}
    if len(scripts) > 1 and not any(scripts <= some for some in _TOGETHER):
        return f"it mixes letters of {', '.join(s.capitalize() for s in sorted(scripts))}"
    return None


def odd_names(names: Iterable[str]) -> Iterator[str]:
    """A sentence for each name that is odd, and for those that look alike."""
    alike: dict[str, list[str]] = defaultdict(list)
    for name in names:
        if why := odd_name(name):
            yield f"The name {name!a} is not what it looks like: {why}."
        bare = "".join(c for c in name if unicodedata.category(c) != "Cf")
        alike[unicodedata.normalize("NFKC", bare).casefold()].append(name)
    for some in alike.values():
        if len(some) > 1:
            yield f"These names look alike: {', '.join(map(ascii, some))}."

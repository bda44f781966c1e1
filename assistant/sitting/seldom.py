"""What comes again and again is told once in a while."""

from __future__ import annotations


class Seldom:
    """Remembers what was told, and when."""

    def __init__(self) -> None:
        self._told_s: dict[str, float] = {}

    def lets(self, text: str, now_s: float, every_s: float) -> bool:
        """Whether ``text`` is to be told now; then it counts as told."""
        told_s = self._told_s.get(text)
        if told_s is not None and now_s - told_s < every_s:
            return False
        self._told_s[text] = now_s
        return True

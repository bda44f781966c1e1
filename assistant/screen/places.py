"""Who may hold a connection, and for how long: places for paired screens are kept free.

Pure: a connection is known by its peer (address and port) and by what ends it. An
unpaired one can always be pushed out by another, the oldest of the address that holds
most first, so whoever opens hundreds and never reads pushes out only himself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

UNPAIRED = 120
UNPAIRED_OF_ONE = 24
"""A browser opens six at most for a page; a practice may share one address."""

Peer = tuple[str, int]


@dataclass
class Places:
    """Connections by peer, oldest first. ``end`` of a connection frees its place at once."""

    unpaired: int = UNPAIRED
    of_one: int = UNPAIRED_OF_ONE
    _open: dict[Peer, Callable[[], None]] = field(default_factory=dict)
    _paired: dict[Peer, Callable[[], None]] = field(default_factory=dict)

    def take(self, peer: Peer, end: Callable[[], None]) -> None:
        """A place for a new connection; another may lose its own."""
        self._open[peer] = end
        mine = [held for held in self._open if held[0] == peer[0]]
        if len(mine) > self.of_one:
            self._push_out(mine[0])
        elif len(self._open) > self.unpaired:
            held: dict[str, list[Peer]] = {}
            for one in self._open:
                held.setdefault(one[0], []).append(one)
            self._push_out(max(held.values(), key=len)[0])

    def keep(self, peer: Peer) -> None:
        """The connection is a paired screen's: nobody pushes it out."""
        if (end := self._open.pop(peer, None)) is not None:
            self._paired[peer] = end

    def leave(self, peer: Peer) -> None:
        """The connection is gone."""
        self._open.pop(peer, None)
        self._paired.pop(peer, None)

    def close(self, peer: Peer) -> None:
        """End a connection, whether its other side reads or not."""
        end = self._open.pop(peer, None) or self._paired.pop(peer, None)
        if end is not None:
            end()

    def __len__(self) -> int:
        return len(self._open) + len(self._paired)

    def _push_out(self, peer: Peer) -> None:
        self._open.pop(peer)()

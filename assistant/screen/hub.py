"""The newest view, and who waits for the next one.

A viewer has no queue. It is woken, sends the newest view, and sleeps; what came in
between it never sees. A viewer that does not take its message within :data:`SLOW_S` is
dropped. Every second without news a beat is sent, so that the page can tell a quiet case
from a dead program.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress

BEAT_S = 1.0
SLOW_S = 5.0
"""A viewer that takes longer for one message is dropped."""


class Hub:
    """The newest view, and who waits for the next one. Lives in one event loop.

    ``age_s`` on the wire is how long ago a view was made: the page adds it to the time
    a countdown had then.
    """

    def __init__(self, idle_s: Callable[[], float]) -> None:
        self.version = 0
        self.ended = False
        self._view = "null"
        self._made_s = time.monotonic()
        self._idle_s = idle_s
        self._waiting: set[asyncio.Event] = set()
        self.private = 0
        """Raised by :meth:`tell_private`: whoever may enter is sent the pairing again."""

    @property
    def viewers(self) -> int:
        """How many watch now."""
        return len(self._waiting)

    def publish(self, view_json: str) -> None:
        """A newer view; whoever has not yet taken the last one never will."""
        self._view, self._made_s = view_json, time.monotonic()
        self.version += 1
        self.wake()

    def end(self) -> None:
        """Tell everyone that the program ends."""
        self.ended = True
        self.wake()

    def wake(self) -> None:
        """Every viewer looks what is new."""
        for waiting in self._waiting:
            waiting.set()

    def tell_private(self) -> None:
        """There is news of codes and devices."""
        self.private += 1
        self.wake()

    async def tell(
        self, send: Callable[[str], object], private: Callable[[], str | None]
    ) -> None:
        """Send one viewer what is new, and beats, until the end.

        ``private`` makes what only this viewer is told of codes and devices, "" for nothing;
        None ends it: it is no longer paired.

        Raises:
            TimeoutError: the viewer does not take its messages.
        """
        woken, sent, told = asyncio.Event(), -1, -1
        self._waiting.add(woken)
        try:
            while not self.ended:
                if (secret := private()) is None:
                    return
                if sent != self.version:
                    sent, text = self.version, self._message()
                elif told != self.private and secret:
                    told, text = self.private, secret
                else:
                    text = self._beat()
                async with asyncio.timeout(SLOW_S):
                    await send(text)  # type: ignore[misc]
                if secret and told != self.private:
                    continue
                with suppress(TimeoutError):
                    async with asyncio.timeout(BEAT_S):
                        await woken.wait()
                woken.clear()
            async with asyncio.timeout(BEAT_S):
                await send('{"kind":"end"}')  # type: ignore[misc]
        finally:
            self._waiting.discard(woken)

    def _message(self) -> str:
        age_s = round(time.monotonic() - self._made_s, 3)
        return (
            f'{{"kind":"view","version":{self.version},"age_s":{age_s},'
            f'"idle_s":{self._idle()},"view":{self._view}}}'
        )

    def _beat(self) -> str:
        return f'{{"kind":"beat","version":{self.version},"idle_s":{self._idle()}}}'

    def _idle(self) -> float:
        return round(self._idle_s(), 1)

"""A microphone that may stall, vanish and come back, behind a thread.

The session never waits for a device: it asks :meth:`Live.next` for what has come, for
as long as one frame takes. Opening, waiting, closing and opening again, all of which
can take seconds or hang in a driver, happen in the thread.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from assistant.errors import EquipmentError
from assistant.sound.samples import Samples
from assistant.sound.sources import AudioSource

RETRY_S = 2.0
"""A lost device is tried again so often."""

STALLED_S = 3.0
"""No frame for so long, and the device counts as lost, whatever its driver is at. The
source itself is a second faster, and knows more."""

_WAITING = 10  # frames here; the rest wait in the source, which counts what it loses
_LOOK_S = 0.2


@dataclass(frozen=True, slots=True)
class Gone:
    """The device is lost; ``why`` is a sentence for the room."""

    why: str


@dataclass(frozen=True, slots=True)
class Back:
    """It delivers again, perhaps under another ``name``."""

    name: str


class Ended:
    """The source was closed, or its sound is over."""


Came = Samples | Gone | Back | Ended


class Awaited:
    """A microphone that was not there at the start: each ``frames`` looks for it again.

    Args:
        open_: opens it; raises :class:`~assistant.errors.EquipmentError` while it is missing.
        look_again: called before it is opened another time.
    """

    name = "microphone"

    def __init__(
        self, open_: Callable[[], AudioSource], look_again: Callable[[], object]
    ) -> None:
        self._open = open_
        self._look_again = look_again
        self._looked = False
        self._source: AudioSource | None = None

    @property
    def lost_blocks(self) -> int:
        """See :class:`Live`."""
        return int(getattr(self._source, "lost_blocks", 0))

    def frames(self) -> Iterator[Samples]:
        """Its frames, once it is there.

        Raises:
            EquipmentError: it is not there yet, or was lost.
        """
        if self._source is None:
            if self._looked:
                self._look_again()
            self._looked = True
            self._source = self._open()
            self.name = self._source.name
        yield from self._source.frames()

    def close(self) -> None:
        """Give it back, if it came."""
        if self._source is not None:
            self._source.close()


class Live:
    """A source that opens its device anew whenever ``frames`` is called again.

    Args:
        source: see :class:`~.sources.MicrophoneSource`.
        retry_s, stalled_s: as :data:`RETRY_S`, :data:`STALLED_S`.
        clock: seconds, never going back.
    """

    def __init__(
        self,
        source: AudioSource,
        *,
        retry_s: float = RETRY_S,
        stalled_s: float = STALLED_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._source = source
        self._retry_s = retry_s
        self._stalled_s = stalled_s
        self._clock = clock
        self._came: queue.Queue[Came] = queue.Queue(_WAITING)
        self._closed = threading.Event()
        self._gone = False
        self._last_s = clock()
        threading.Thread(target=self._pump, daemon=True, name="microphone").start()

    @property
    def lost_blocks(self) -> int:
        """Pieces of sound lost so far, where the source counts them."""
        return int(getattr(self._source, "lost_blocks", 0))

    def next(self, wait_s: float) -> Came | None:
        """What has come, within ``wait_s``; None for nothing."""
        try:
            came = self._came.get(timeout=wait_s)
        except queue.Empty:
            if self._gone or self._clock() - self._last_s < self._stalled_s:
                return None
            self._gone = True
            return Gone(f"The microphone {self._source.name} has stopped delivering sound.")
        if isinstance(came, Gone):
            if self._gone:
                return None
            self._gone = True
        elif not isinstance(came, Back | Ended):
            self._last_s = self._clock()
            if self._gone:  # this frame is given for the word that it is back
                self._gone = False
                return Back(self._source.name)
        return came

    def close(self) -> None:
        """Stop asking the device; the source itself is its owner's to close."""
        self._closed.set()

    def _pump(self) -> None:
        while not self._closed.is_set():
            try:
                for frame in self._source.frames():
                    if not self._put(frame):
                        return
            except EquipmentError as error:
                self._put(Gone(str(error)))
            except Exception as error:  # whatever a driver raises must not end the case
                name = self._source.name
                self._put(Gone(f"The microphone {name} has failed ({error})."))
            else:
                self._put(Ended())
                return
            self._closed.wait(self._retry_s)

    def _put(self, came: Came) -> bool:
        """Hand something to the session; False once nobody wants it."""
        while not self._closed.is_set():
            try:
                self._came.put(came, timeout=_LOOK_S)
            except queue.Full:
                continue
            return True
        return False

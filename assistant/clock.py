"""Where the time comes from: the machine, or the sound that is being played."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

from assistant.protocol.moment import Moment


class Clock(Protocol):
    """Tells the present moment; ``advance`` is for clocks that sound drives."""

    real: bool
    """Whether time passes by itself, whatever comes from the microphone."""

    def now(self) -> Moment:
        """The present moment."""

    def seconds(self) -> float:
        """Seconds that never go back; those of :meth:`now`'s ``mono_s``."""

    def advance(self, seconds: float) -> None:
        """``seconds`` of sound have gone by."""


class SystemClock:
    """Wall time with its offset, and the monotonic clock for timers."""

    real = True

    def now(self) -> Moment:
        """The present moment of this machine."""
        return Moment(wall=datetime.now(UTC).astimezone(), mono_s=self.seconds())

    def seconds(self) -> float:
        """Seconds on a clock that is never set and goes on while the machine sleeps.

        Python's own stands still then on Linux and macOS, and so would hide that a timer
        was slept through; on Windows it goes on.
        """
        if sys.platform == "linux":
            return time.clock_gettime(time.CLOCK_BOOTTIME)
        if sys.platform == "darwin":
            return time.clock_gettime(time.CLOCK_MONOTONIC)
        return time.monotonic()

    def advance(self, seconds: float) -> None:
        """Does nothing: real time passes by itself."""


class SampleClock:
    """Time as counted in samples, for recordings and rehearsals.

    A recording can then be worked through faster than real time, and timers,
    which take their seconds from here, still measure what is on it.
    """

    real = False

    def __init__(self, start: datetime) -> None:
        self._start = start
        self._seconds = 0.0

    def now(self) -> Moment:
        """Start time plus the sound so far."""
        return Moment(wall=self._start + timedelta(seconds=self._seconds), mono_s=self._seconds)

    def seconds(self) -> float:
        """The sound so far."""
        return self._seconds

    def advance(self, seconds: float) -> None:
        """``seconds`` of sound have gone by."""
        self._seconds = round(self._seconds + seconds, 6)

"""Time as the core sees it: always an argument, never asked for."""

from __future__ import annotations

from datetime import datetime

from assistant.protocol.frozen import Frozen


class Moment(Frozen):
    """One instant on both clocks.

    Attributes:
        wall: aware date and time, for the record.
        mono_s: seconds on a clock that never jumps, for timers; only
            differences within one run of the program mean anything.
    """

    wall: datetime
    mono_s: float

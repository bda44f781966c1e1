"""What the two clocks of a machine tell when compared: that one was set, that it slept."""

from __future__ import annotations

from datetime import timedelta

from assistant.protocol.moment import Moment

SET_S = 3.0
"""The wall clock was set if it went so much further, or less far, than the monotonic one;
what keeps a clock right over the network moves it by milliseconds."""

STOOD_S = 10.0
"""Nothing was looked at for so long: the machine slept, or was held up."""


def clock_was_set(earlier: Moment, later: Moment) -> str | None:
    """A sentence if the wall clock was set between two moments, else None."""
    passed = timedelta(seconds=later.mono_s - earlier.mono_s)
    expected = earlier.wall + passed
    if abs((later.wall - expected).total_seconds()) < SET_S:
        return None
    zone = later.wall.tzinfo
    before, after = expected.astimezone(zone), later.wall
    form = "%H:%M:%S" if before.date() == after.date() else "%Y-%m-%d %H:%M:%S"
    return (
        f"The clock of the machine was set from {before:{form}} to {after:{form}}. "
        "Timers are not touched."
    )


def stood_still(earlier: Moment, later: Moment) -> str | None:
    """A sentence if nothing was looked at between two moments for long, else None."""
    passed_s = later.mono_s - earlier.mono_s
    if passed_s < STOOD_S:
        return None
    return f"The machine slept or stood still for {passed_s:.0f} seconds."

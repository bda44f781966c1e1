"""The spoken count of a running timer."""

from __future__ import annotations

import math
from collections.abc import Iterator

from assistant.progress.state import Timer
from assistant.prompt.prompts import Prompt, Urgency
from assistant.protocol.moment import Moment


def cues(timer: Timer, since: Moment, now: Moment) -> Iterator[Prompt]:
    """The numbers that fell due after ``since`` and up to ``now``.

    A hold counts down to one (the end itself is said by the event); heat counts
    up to its limit, beyond which the warning speaks.
    """
    for second in range(math.ceil(timer.target_s)):
        due_s = timer.started.mono_s + second
        if not since.mono_s < due_s <= now.mono_s:
            continue
        number = math.ceil(timer.target_s) - second if timer.mode == "hold" else second
        if number > 0:
            yield Prompt(str(number), Urgency.TICK)

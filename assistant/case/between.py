"""What happened to a case between two sittings: its clock, a long pause, another machine."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterator, Sequence
from datetime import datetime

from assistant.protocol.moment import Moment
from assistant.record.chain import JournalLine

BACK_S = 3.0
"""The clock was set back if it is so much behind; as within a sitting (``clockwatch.py``)."""

LONG_PAUSE_S = 3600.0
"""A pause that is told when a case is opened again. Chosen here: longer than a break within
a visit."""


def this_machine() -> str:
    """What tells this machine from another in a journal; not its name."""
    return hashlib.sha256(platform.node().encode()).hexdigest()[:12]


def clock_went_back(lines: Sequence[JournalLine], now: Moment) -> str | None:
    """A sentence if the last entry is later than ``now``; forward cannot be told from a
    pause."""
    last = _last(lines).astimezone(now.wall.tzinfo)
    if (last - now.wall).total_seconds() < BACK_S:
        return None
    return (
        f"The clock of the machine is at {now.wall:%Y-%m-%d %H:%M:%S}, and the last entry was "
        f"made at {last:%Y-%m-%d %H:%M:%S}: it was set back between two sittings, or ahead "
        "in the last one."
    )


def since_then(lines: Sequence[JournalLine], now: Moment, machine: str) -> str:
    """In sentences: a long pause, a clock of another zone, another machine; empty where
    there is nothing of it."""
    return " ".join(_since(lines, now, machine))


def _since(lines: Sequence[JournalLine], now: Moment, machine: str) -> Iterator[str]:
    last = _last(lines)
    pause_s = (now.wall - last).total_seconds()
    if pause_s >= LONG_PAUSE_S:
        yield f"{_long(pause_s)} since the last entry."
    if last.utcoffset() != now.wall.utcoffset():
        yield f"The clock is at UTC{now.wall:%z}, and was at UTC{last:%z}."
    before = next((m for one in reversed(lines) if (m := one.event.get("machine"))), None)
    if before is not None and before != machine:
        yield "It was on another machine before."


def _last(lines: Sequence[JournalLine]) -> datetime:
    return datetime.fromisoformat(lines[-1].at)


def _long(seconds: float) -> str:
    hours, rest = divmod(int(seconds), 3600)
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} hours" if days else f"{hours} h {rest // 60} min"


def chosen_verbosity(lines: Sequence[JournalLine]) -> str | None:
    """Which prompts were asked for last ("say_less"), None if nobody asked."""
    asked = (e.event.get("what") for e in reversed(lines) if e.event.get("kind") == "queried")
    return next((str(one) for one in asked if str(one).startswith("say_")), None)

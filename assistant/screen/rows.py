"""The whole of a terminal as rows of text: a pure function of the same view as the page.

A row is never wider than the terminal, and a word is broken only where it alone is wider.
What is urgent is told by a mark and a word in front, never by colour alone. Where there are
too few rows, what may be asked for again goes first: phrases, hints, entries.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from assistant.screen.view import Countdown, Notice, View

COLUMNS, ROWS = 80, 24
"""The terminal for which it is laid out; any other is filled."""

MARKS = {
    "warning": "!! WARNING ",
    "trouble": "!! TROUBLE ",
    "caution": " ! CAUTION ",
    "question": " ? ANSWER ",
    "paused": "|| PAUSED ",
    "closed": "|| CLOSED ",
    "signed": "== SIGNED ",
    "in order": " = IN ORDER ",
}

_MARGIN = 3
"""Columns for the mark of a row."""

_KEPT_ENTRIES = 3
_ROWS_OF_SAY = 2


class Row(NamedTuple):
    """A row of the terminal; ``look`` is the name of its style, "" for plain text."""

    text: str
    look: str = ""


class _Part(NamedTuple):
    rows: list[Row]
    rank: int
    """The lowest goes first where room is short; 9 stays."""


def rows(
    shown: View,
    told: Sequence[str],
    columns: int = COLUMNS,
    height: int = ROWS,
    since_s: float = 0.0,
) -> list[Row]:
    """Exactly ``height`` rows of at most ``columns`` letters.

    Args:
        shown: what the case shows, ``since_s`` seconds old.
        told: what else was written, oldest first; the newest of several lines (a code to
            be photographed) is kept whole if it can be, the rest beside it.
        columns: of the terminal.
        height: rows, without those for typing.
        since_s: how long ago ``shown`` was made, for its times.
    """
    parts = [_Part([_status(shown, columns, since_s)], 9)]
    parts += [_Part(_notice(one, columns), 9) for one in shown.notices]
    if shown.step:
        left = f"   steps left {shown.course.left}" if shown.course.left else ""
        parts.append(_Part([Row(_cut(f"-- {shown.step}{left}", columns), "quiet")], 6))
    if shown.countdown is not None:
        parts.append(_Part([_countdown(shown.countdown, since_s, columns)], 9))
    elif shown.ask:
        parts.append(_Part(_wrapped(shown.ask, " > ", "ask", columns), 9))
    if shown.hints:
        parts.append(_Part(_wrapped(" ".join(shown.hints), "   ", "", columns), 3))
    parts.append(_Part([Row("")], 0))
    if shown.heard is not None:
        light = f", {shown.light}" if shown.light else ""
        words = shown.heard.text or "(no phrase)"
        text = f'"{words}" {shown.heard.confidence} %, {shown.heard.meaning}{light}'
        parts.append(_Part(_wrapped(text, " < ", "quiet", columns), 4))
    if shown.said:
        parts.append(_Part(_wrapped(" ".join(shown.said), " = ", "", columns), 5))
    parts += _entries(shown, columns)
    parts += _canals(shown, columns)
    if shown.say:
        parts.append(_Part(_say([phrase.text for phrase in shown.say], columns), 1))
    blocks = [text for text in told if "\n" in text.strip("\n")]
    block = blocks[-1].strip("\n").splitlines() if blocks else []
    wanted = len(block) or min(2, len(told))
    kept = _fitting(parts, height - wanted - (1 if wanted else 0), most=6 if block else 9)
    above = [row for part in kept for row in part.rows][:height]
    room = height - len(above) - 1
    if room < 1 or not told:
        return [*above, *[Row("")] * (height - len(above))]
    if len(block) > room:
        # Half a code serves nobody.
        short = f"The code to photograph needs {len(block) - room} more rows of this terminal."
        told, block = [*(text for text in told if text not in blocks), short], []
    below = _beside(block, told, columns) if block else _told(told, columns, room)
    gap = [Row("")] * (room - len(below))
    return [*above, *gap, Row("-" * columns, "quiet"), *below]


def _fitting(parts: list[_Part], room: int, most: int) -> list[_Part]:
    kept = list(parts)
    while sum(len(part.rows) for part in kept) > room:
        least = min(part.rank for part in kept)
        if least >= most:
            break
        kept.remove(next(part for part in reversed(kept) if part.rank == least))
    return kept


def _status(shown: View, columns: int, since_s: float) -> Row:
    """Where the case is, as much of it as fits, and whether the microphone hears."""
    since_s = 0.0 if shown.signed else since_s
    place = " / ".join(filter(None, (shown.canal, shown.phase))) or "fillwarm"
    microphone = shown.microphone.words if shown.microphone else ""
    times = [f"case {_minutes(shown.course.case_s + since_s)}"]
    if shown.course.heat_off_s is not None:
        times.append(f"heat off {_minutes(shown.course.heat_off_s + since_s)}")
    demo = "INVENTED DATA" if shown.demo else ""
    tooth = f"tooth {shown.tooth}" if shown.tooth else ""
    room = max(1, columns - 2 - len(microphone) - 2)
    left = place
    for more in (*reversed(times), demo, tooth):
        if more and len(left) + len(more) + 3 <= room:
            left += f"   {more}"
    left = _cut(left, room)
    return Row(_cut(f" {left:<{room}}  {microphone} ", columns), "status")


def _notice(notice: Notice, columns: int) -> list[Row]:
    first = MARKS[notice.level]
    wrapped = textwrap.wrap(
        notice.text, columns - 1, initial_indent=first, subsequent_indent=" " * _MARGIN
    )
    return [Row(f"{line:<{columns - 1}}", notice.level) for line in wrapped or [first]]


def _countdown(timer: Countdown, since_s: float, columns: int) -> Row:
    elapsed = timer.elapsed_s + since_s
    target = f"{timer.target_s:g} s"
    over = elapsed >= timer.target_s
    if timer.mode == "hold":
        left = max(0, math.ceil(timer.target_s - elapsed))
        return Row(_cut(f" o HOLD   {left} s to go of {target}", columns), "timer")
    if timer.mode == "until_off":
        state = "HEAT OVER LIMIT" if over else "HEAT ON"
    else:
        state = "PRESS: LATE" if over else "HEAT OFF: PRESS"
    text = f"{'!!' if over else ' o'} {state}   {math.floor(elapsed)} s, limit {target}"
    return Row(_cut(text, columns), "late" if over else "timer")


def _say(phrases: Sequence[str], columns: int) -> list[Row]:
    """As many phrases as two rows hold, what answers first."""
    whole = _wrapped(f"Say or type: {', '.join(phrases)}", "   ", "quiet", columns)
    if len(whole) <= _ROWS_OF_SAY or len(phrases) == 1:
        return whole[:_ROWS_OF_SAY]
    return _say([*phrases[: -1 if phrases[-1] != "..." else -2], "..."], columns)


def _entries(shown: View, columns: int) -> Iterator[_Part]:
    if shown.course.summary:
        for text in shown.course.summary:
            yield _Part(_wrapped(text, " - ", "", columns), 5)
        return
    for number, entry in enumerate(shown.course.last[:_KEPT_ENTRIES]):
        mark = f" ({entry.mark})" if entry.mark else ""
        name = "Last: " if number == 0 else "      "
        line = f"{name}{entry.text}{mark}"
        # The newest is told whole, however long it is.
        older = [Row(_cut(f"   {line}", columns), "quiet")]
        yield _Part(older if number else _wrapped(line, "   ", "", columns), 2 if number else 7)


def _canals(shown: View, columns: int) -> Iterator[_Part]:
    if len(shown.canals) < 2:
        return
    told = []
    for canal in shown.canals:
        state = "*" if canal.active else " done" if canal.finished else ""
        if canal.absent:
            state = " not there"
        waits = f" !{canal.warnings} to answer" if canal.warnings else ""
        told.append(f"{canal.name}{state}{waits}")
    waiting = any(canal.warnings and not canal.active for canal in shown.canals)
    look = "waits" if waiting else "quiet"
    text = _wrapped(f"Canals: {', '.join(told)}", "   ", look, columns)
    yield _Part(text, 9 if waiting else 2)


def _beside(block: list[str], told: Sequence[str], columns: int) -> list[Row]:
    wide = max(len(line) for line in block) + 2
    lines = [text for text in told if "\n" not in text.strip("\n")]
    words = _told(lines, max(1, columns - wide), len(block)) if columns - wide > 20 else []
    words += [Row("")] * (len(block) - len(words))
    return [
        Row(f"{line:<{wide}}{beside.text}"[:columns].rstrip())
        for line, beside in zip(block, words, strict=True)
    ]


def _told(told: Sequence[str], columns: int, room: int) -> list[Row]:
    lines = [
        Row(line)
        for text in told[-room:]
        for part in text.splitlines() or [""]
        for line in _wrap(part, columns)
    ]
    return lines[-room:]


def _wrapped(text: str, mark: str, look: str, columns: int) -> list[Row]:
    gap = " " * _MARGIN
    return [Row(line, look) for line in _wrap(text, columns, mark, gap)]


def _wrap(text: str, columns: int, first: str = "", then: str = "") -> Iterable[str]:
    return textwrap.wrap(
        text,
        columns,
        initial_indent=first,
        subsequent_indent=then,
        break_on_hyphens=False,
    ) or [first]


def _cut(text: str, columns: int) -> str:
    """As many whole words as fit."""
    if len(text) <= columns:
        return text
    kept = text[: columns - 3]
    return f"{kept[: kept.rfind(' ')] if ' ' in kept.strip() else kept}..."


def _minutes(seconds: float) -> str:
    whole = math.floor(seconds)
    return f"{whole // 60}:{whole % 60:02d}"

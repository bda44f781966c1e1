"""The timeline for a terminal and for machines."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from assistant.progress.facts import text_of
from assistant.progress.state import CASE
from assistant.report.marks import date_time, legend, place, plain, track_title
from assistant.report.statement import DEMO
from assistant.review.happenings import Happening
from assistant.review.timeline import Timeline, elapsed, step_seconds

COLUMNS = 100

_TABLE_COLUMNS = 5
"""Canals beside each other in the table of times."""

_TITLE_WIDTH = 44

_LEADS = {
    "warning": "WARNING",
    "question": "QUESTION",
    "not_confirmed": "not confirmed,",
    "correction": "CORRECTED to",
    "refused": "not possible,",
    "not_understood": "not understood,",
    "interruption": "INTERRUPTION:",
    "trouble": "TROUBLE:",
    "addendum": "ADDENDUM",
}


def headline(course: Timeline) -> str:
    """The case in one line: code, tooth, protocol."""
    state = course.state
    tooth = f"tooth {state.tooth}" if state.tooth else "tooth not recorded"
    code = plain(state.case_code) or "without code"
    return f"Case {code}, {tooth}, {plain(state.protocol.title)}"


def times_line(course: Timeline) -> str:
    """When it began, how long it took, how long the work."""
    state = course.state
    signed = "signed" if state.signed else "NOT SIGNED"
    away = [
        f"{what} {elapsed(sum(a.to_s - a.from_s for a in course.away if a.kind == kind))}"
        for kind, what in (("pause", "paused"), ("closed", "program closed"))
        if any(a.kind == kind for a in course.away)
    ]
    worked = f"at work {elapsed(course.worked_s)}"
    return f"Started {date_time(state.opened)}; {', '.join([worked, *away])}; {signed}"


def as_lines(course: Timeline) -> list[str]:
    """The timeline as text, no line longer than :data:`COLUMNS`."""
    lines = [DEMO] if course.state.demo else []
    lines += _wrapped(headline(course), "  ") + _wrapped(times_line(course), "  ")
    lines += ["", "WHAT HAPPENED (time since the case was opened)"]
    for one in course.happenings:
        lines += _wrapped(f"{elapsed(one.at_s):>8}  {_told(course, one)}", " " * 10)
    lines += ["", "TIME AT EACH STEP, pauses left out (m:ss)", *_table(course)]
    lines += ["", *_wrapped("Marks: " + legend(course.state), "  ")]
    return lines + ([DEMO] if course.state.demo else [])


def as_json(course: Timeline) -> dict[str, Any]:
    """The timeline as plain data; times in seconds since the case was opened.

    Fields of a moment that do not apply are left out.
    """
    state = course.state
    return {
        "case": state.case_code,
        "demo": state.demo,
        "operator": state.operator,
        "tooth": state.tooth,
        "protocol": {"id": state.protocol.id, "version": state.protocol.version},
        "opened": state.opened.wall.isoformat(),
        "signed": state.signed.wall.isoformat() if state.signed else None,
        "ended_s": _tidy(course.ended_s),
        "worked_s": _tidy(course.worked_s),
        "moments": [
            {k: _tidy(v) for k, v in asdict(one).items() if v is not None or k == "step"}
            for one in course.happenings
        ],
        "spans": [{k: _tidy(v) for k, v in asdict(one).items()} for one in course.spans],
        "away": [{k: _tidy(v) for k, v in asdict(one).items()} for one in course.away],
        "step_seconds": [
            {"track": track, "step": step, "seconds": _tidy(seconds)}
            for (track, step), seconds in step_seconds(course).items()
        ],
    }


def rule_and_severity(one: Happening) -> str:
    """``depth-limit (urgent)``."""
    return f"{one.rule} ({one.severity})"


def _tidy(value: object) -> object:
    return round(value, 3) if isinstance(value, float) else value


def _told(course: Timeline, one: Happening) -> str:
    where = place(course.state, one.track, one.step, one.round)
    if one.kind in {"canal", "signed", "addendum", "opened"}:
        where = track_title(one.track)
    if one.kind in {"pause", "resume", "interruption", "trouble", "speaker", "asked"}:
        where = track_title(CASE)
    lead = _LEADS.get(one.kind, "")
    if one.kind == "warning":
        lead += f" {rule_and_severity(one)}:"
    return f"{where}: {lead} {one.text}" if lead else f"{where}: {one.text}"


def _table(course: Timeline) -> Iterator[str]:
    """A row for each step, a column for each canal; many canals in several blocks."""
    tracks = [t for t in course.tracks if any(s.track == t for s in course.spans)]
    if not tracks:
        yield "  nothing yet"
    for start in range(0, len(tracks), _TABLE_COLUMNS):
        if start:
            yield ""
        yield from _block(course, tracks[start : start + _TABLE_COLUMNS])


def _block(course: Timeline, tracks: Sequence[str]) -> Iterator[str]:
    seconds = step_seconds(course)
    names = [track_title(track)[:9] for track in tracks]
    yield _row("", names)
    for step in course.state.protocol.steps():
        cells = [seconds.get((track, step.id)) for track in tracks]
        if any(cell is not None for cell in cells):
            yield _row(step.title, ["" if c is None else tenths(c) for c in cells])
    totals = [sum(s for (t, _), s in seconds.items() if t == track) for track in tracks]
    yield _row("Together", [tenths(total) for total in totals])


def _row(title: str, cells: Sequence[str]) -> str:
    short = textwrap.shorten(title, _TITLE_WIDTH, placeholder=" ...")
    return f"  {short:<{_TITLE_WIDTH}}" + "".join(f" {cell:>9}" for cell in cells)


def tenths(seconds: float) -> str:
    """Under a minute ``5.2 s``, else ``m:ss``."""
    return f"{text_of(round(seconds, 1))} s" if seconds < 60 else elapsed(seconds)


def _wrapped(text: str, hang: str) -> list[str]:
    return textwrap.wrap(
        text, COLUMNS, subsequent_indent=hang, break_on_hyphens=False, drop_whitespace=True
    )

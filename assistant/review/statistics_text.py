"""The statistics of many cases for a terminal and for machines."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from assistant.progress.facts import text_of
from assistant.report.marks import plain
from assistant.review.statistics import Share, Spread, Summary

COLUMNS = 100

CAUTION = (
    "Intervals are of 95 % (Wilson) and take each value as independent; values of one case are "
    "alike, so with few cases the truth may lie further off. What was dictated is counted; "
    "nobody has measured it."
)

_LABEL = 46

_MANY = 200
"""From so many values on, a tenth of a per cent is worth writing."""


def per_cent(one: Share) -> str:
    """``3 of 40: 8 % (3-20)``, or ``none`` of none; a decimal where there are many."""
    if one.low is None or one.high is None:
        return "none"
    digits = 0 if one.n < _MANY else 1
    ends = f"{100 * one.low:.{digits}f}-{100 * one.high:.{digits}f}"
    return f"{one.count} of {one.n}: {100 * one.count / one.n:.{digits}f} % ({ends})"


def as_json(summary: Summary) -> dict[str, Any]:
    """The summary as plain data, raw values included."""
    data = asdict(summary)
    for key in ("first", "last"):
        data[key] = data[key].isoformat() if data[key] else None
    return data


def as_lines(summary: Summary) -> list[str]:
    """The summary as text, no line longer than :data:`COLUMNS`."""
    if summary.cases == 0 or summary.first is None or summary.last is None:
        return ["No case fits."]
    dates = f"opened {summary.first:%Y-%m-%d} to {summary.last:%Y-%m-%d}"
    lines = [f"{summary.cases} case{'s' * (summary.cases != 1)}, {dates}"]
    lines += ["", *_heading("SECONDS AT EACH STEP (canal, cycle, increment each by itself)")]
    lines += [_row(one.title, one.seconds, 1) for one in summary.steps]
    lines += ["", *_heading("PRESSES AND HEAT, seconds")]
    for act in summary.acts:
        planned = " or ".join(map(text_of, act.planned_s))
        word = "short of" if act.mode == "hold" else "over"
        lines.append(_row(act.title, act.seconds, 1))
        lines += _under(f"{word} {planned} s: {per_cent(act.outside)}")
        lines += _under(f"and left so: {per_cent(act.left_outside)}")
    lines += ["", *_heading("DEPTHS LESS THE LIMIT, mm (above 0: beyond it)")]
    for depth in summary.depths:
        lines.append(_row(depth.title, depth.past_limit_mm, 1))
        lines += _under(f"beyond the limit: {per_cent(depth.beyond)}")
    lines += ["", *_heading("BACKFILL INCREMENTS, mm")]
    for increment in summary.increments:
        most = " or ".join(map(text_of, increment.most_mm))
        lines.append(_row(f"{increment.which.capitalize()} increment", increment.length_mm, 1))
        if increment.length_mm.n:
            lines += _under(f"over {most} mm: {per_cent(increment.large)}")
    lines.append(_row("Increments of a canal (number)", summary.increments_per_canal, 0))
    lines += ["", "VALUES CORRECTED, of those given", *_corrections(summary)]
    lines += ["", "WARNINGS BY RULE, and how they were answered", *_warnings(summary)]
    lines += ["", *_heading("QUESTIONS OF A CASE (number)")]
    lines.append(_row("About what was heard", summary.questions, 0))
    lines.append(_row("About values hard to believe", summary.disbelieved, 0))
    lines.append(_row("Not understood", summary.not_understood, 0))
    return [*lines, "", *textwrap.wrap(CAUTION, COLUMNS)]


def _heading(title: str) -> Iterator[str]:
    yield title
    heads = ("n", "least", "quarter", "median", "3/4", "most")
    yield " " * (_LABEL + 2) + "".join(f"{head:>8}" for head in heads)


def _row(label: str, one: Spread, digits: int) -> str:
    short = textwrap.shorten(plain(label), _LABEL, placeholder=" ...")
    cells = [one.least, one.lower, one.median, one.upper, one.most]
    shown = ["-" if c is None else text_of(round(c, max(digits, 1))) for c in cells]
    return f"  {short:<{_LABEL}}{one.n:>8}" + "".join(f"{cell:>8}" for cell in shown)


def _under(text: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent="      ", subsequent_indent="        ")


def _corrections(summary: Summary) -> Iterator[str]:
    quiet: list[str] = []
    for one in summary.corrections:
        back = f"; {one.taken_back} taken back" if one.taken_back else ""
        if one.corrected.count == 0 and not back:
            quiet.append(f"{plain(one.title)} ({one.corrected.n})")
        else:
            title = textwrap.shorten(plain(one.title), _LABEL, placeholder=" ...")
            yield f"  {title:<{_LABEL}}  {per_cent(one.corrected)}{back}"
    if quiet:
        yield from _hung(f"none of: {', '.join(quiet)}")


def _warnings(summary: Summary) -> Iterator[str]:
    if not summary.warnings:
        yield "  none"
    for one in summary.warnings:
        yield from _hung(
            f"{one.rule} ({one.severity}): {one.fired}, in cases {per_cent(one.cases)}"
        )
        yield from _under(_answers(one.answers))


def _answers(answers: dict[str, int]) -> str:
    return ", ".join(f"{plain(answer)} {count}" for answer, count in answers.items())


def _hung(text: str) -> Sequence[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent="  ", subsequent_indent="    ")

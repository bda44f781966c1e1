"""The lower part of the picture of a case: what its shapes, letters and numbers mean."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from assistant.report.marks import plain, track_title
from assistant.review.happenings import Happening
from assistant.review.timeline import Timeline, elapsed, step_seconds
from assistant.review.timeline_text import tenths

if TYPE_CHECKING:
    from matplotlib.figure import Figure

A4_LANDSCAPE_IN = (11.69, 8.27)

SEVERITIES: dict[str, tuple[str, bool]] = {
    "urgent": ("^", True),
    "alert": ("D", True),
    "caution": ("^", False),
    "confirm": ("s", False),
}
"""Shape of a warning's mark, and whether it is filled."""

LETTERS: dict[str, tuple[str, str]] = {
    "question": ("?", "questioned"),
    "not_understood": ("x", "not understood"),
    "refused": ("n", "not possible"),
    "correction": ("c", "corrected"),
    "changed": ("C", "case changed, or done again"),
    "undone": ("u", "taken back"),
    "skip": ("s", "skipped"),
    "interruption": ("R", "program restarted"),
    "trouble": ("T", "device trouble"),
    "remark": ("M", "remark"),
    "visit": ("V", "visit closed"),
    "signed": ("S", "signed"),
    "addendum": ("A", "addendum"),
}
"""Letter and meaning of what else happened."""

_MOST_WARNINGS = 17
"""Lines there are for the list of warnings."""


def short(text: str, most: int) -> str:
    """``text`` cut to so many characters at a word."""
    return textwrap.shorten(text, most, placeholder=" ...")


def legend(figure: Figure, course: Timeline) -> None:
    """What the shapes and letters mean that are there."""
    from matplotlib.lines import Line2D  # noqa: PLC0415

    def mark(shape: str, filled: bool, label: str) -> Line2D:
        return Line2D(
            *([], []),
            marker=shape,
            ls="",
            color="black",
            ms=4.5,
            mew=0.8,
            fillstyle="full" if filled else "none",
            label=label,
        )

    shown = {one.kind for one in course.happenings}
    severities = {one.severity for one in course.happenings if one.kind == "warning"}
    handles = [
        mark(shape, filled, f"warning, {severity}")
        for severity, (shape, filled) in SEVERITIES.items()
        if severity in severities
    ]
    if "press" in shown:
        handles.append(mark("s", True, "press, seconds (! short)"))
    if "heat" in shown:
        handles.append(mark("o", False, "heat, seconds (! long)"))
    handles += [
        mark(rf"$\mathrm{{{letter}}}$", True, meaning)
        for kind, (letter, meaning) in LETTERS.items()
        if kind in shown
    ]
    if handles:
        figure.legend(
            handles=handles,
            loc="upper center",
            bbox_to_anchor=(0.5, 0.352),
            ncol=min(8, len(handles)),
            fontsize=6.5,
            frameon=False,
            handletextpad=0.3,
            columnspacing=1.2,
        )


def key(figure: Figure, course: Timeline, numbers: dict[str, int]) -> None:
    """What the numbers in the bars mean, with the time at each step in all canals."""
    sums = step_seconds(course)
    whole = {step: sum(s for (_, of), s in sums.items() if of == step) for step in numbers}
    rows = max(16, -(-len(numbers) // 3))
    pitch = 0.255 / rows
    size = min(6.3, pitch * A4_LANDSCAPE_IN[1] * 72 / 1.25)
    figure.text(0.03, 0.288, "Steps, with the time at each, pauses left out", size=7.5)
    for index, (step, number) in enumerate(numbers.items()):
        column, row = divmod(index, rows)
        x, y = 0.03 + 0.205 * column, 0.27 - pitch * row
        title = short(course.state.protocol.by_id[step].title, 38)
        figure.text(x + 0.012, y, str(number), size=size, ha="right")
        figure.text(x + 0.017, y, title, size=size)
        figure.text(x + 0.19, y, tenths(whole[step]), size=size, ha="right")


def list_warnings(figure: Figure, warnings: Sequence[Happening]) -> None:
    """The warnings by their numbers, as many as there is room for."""
    left, pitch = 0.665, 0.255 / _MOST_WARNINGS
    figure.text(left, 0.288, f"Warnings: {len(warnings) or 'none'}", size=7.5)
    most = _MOST_WARNINGS if len(warnings) <= _MOST_WARNINGS else _MOST_WARNINGS - 1
    lines = [_warning(n, one) for n, one in enumerate(warnings[:most], 1)]
    if len(warnings) > most:
        lines.append(f"and {len(warnings) - most} more, in the text form")
    for row, line in enumerate(lines):
        figure.text(left, 0.27 - pitch * row, line, size=6.3)


def _warning(number: int, one: Happening) -> str:
    return short(
        f"{number}) {elapsed(one.at_s)} {track_title(one.track)}, {one.rule}: {_answer(one)}",
        76,
    )


def _answer(one: Happening) -> str:
    if one.answer is not None:
        return plain(one.answer)
    return "NOT ANSWERED" if one.severity == "urgent" else "no answer asked"

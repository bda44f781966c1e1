"""The timeline of a case as a picture of one A4 page, landscape.

A lane for the case and for each canal; black, grey, shapes and letters only, so that a
black-and-white print tells as much as a screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from assistant.progress.facts import text_of
from assistant.report.drawing import pushed_apart
from assistant.report.marks import track_title
from assistant.report.statement import DEMO
from assistant.review.case_facts import EPSILON_S
from assistant.review.happenings import Happening
from assistant.review.timeline import Timeline, elapsed
from assistant.review.timeline_key import (
    A4_LANDSCAPE_IN,
    LETTERS,
    SEVERITIES,
    key,
    legend,
    list_warnings,
    short,
)
from assistant.review.timeline_text import headline, times_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LANES = (0.085, 0.40, 0.885, 0.495)
"""Left, bottom, width and height of the lanes, in parts of the page."""

_WIDE_IN = _LANES[2] * A4_LANDSCAPE_IN[0]

_BAR = 0.13
"""Half the height of a bar; a lane is 1 high."""

_MARKS_Y, _ACTS_Y = 0.38, -0.31

_WHITE = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
"""Behind lettering that lines or hatching may cross."""

_SHORTENED = 0.03
"""A pause longer than this part of the work is drawn this long, and lettered."""


def as_picture(course: Timeline, kind: str) -> bytes:
    """The picture as ``pdf`` or ``png``; the same timeline gives the same bytes."""
    figure = draw(course)
    fixed: dict[str, Any] = (
        {"CreationDate": None, "Creator": None, "Producer": None}
        if kind == "pdf"
        else {"Software": None}
    )
    buffer = BytesIO()
    figure.savefig(buffer, format=kind, dpi=150, metadata=fixed)
    return buffer.getvalue()


def draw(course: Timeline) -> Figure:
    """The picture as a figure."""
    from matplotlib.figure import Figure  # noqa: PLC0415 - a second to load

    figure = Figure(figsize=A4_LANDSCAPE_IN)
    figure.text(0.03, 0.955, short(headline(course), 90), size=13, weight="bold")
    figure.text(0.03, 0.93, short(times_line(course), 150), size=8)
    if course.state.demo:
        figure.text(0.97, 0.957, DEMO, size=9, weight="bold", ha="right")
    axes = figure.add_axes(_LANES)
    scale = _Scale(course)
    numbers = _numbers(course)
    warnings = [one for one in course.happenings if one.kind == "warning"]
    for lane, track in enumerate(course.tracks):
        _bars(axes, course, track, -lane, scale, numbers)
        _acts(axes, [o for o in course.happenings if o.track == track], -lane, scale)
        _marks(axes, course, track, -lane, scale, warnings)
    _away(axes, course, scale)
    _frame(axes, course, scale)
    legend(figure, course)
    key(figure, course, numbers)
    list_warnings(figure, warnings)
    return figure


class _Scale:
    """Seconds of the case to inches along the lanes; long pauses take little room."""

    def __init__(self, course: Timeline) -> None:
        whole = max(course.worked_s, 1.0)
        self.cut = [a for a in course.away if a.to_s - a.from_s > _SHORTENED * whole]
        times, places = [0.0], [0.0]
        for away in self.cut:
            places += [places[-1] + away.from_s - times[-1]]
            times += [away.from_s, away.to_s]
            places += [places[-1] + _SHORTENED * whole]
        times.append(max(course.ended_s, times[-1] + 1e-3))
        places.append(places[-1] + times[-1] - times[-2])
        self._times = times
        self._places = np.array(places) * (_WIDE_IN / max(places[-1], 1e-3))

    def __call__(self, seconds: float) -> float:
        return float(np.interp(seconds, self._times, self._places))

    def shown(self, seconds: float) -> bool:
        """Whether a time lies outside the pauses that were drawn short."""
        return not any(away.from_s < seconds < away.to_s for away in self.cut)


def _numbers(course: Timeline) -> dict[str, int]:
    """The steps that were worked at, numbered in the order of the protocol."""
    used = {span.step for span in course.spans}
    steps = [step.id for step in course.state.protocol.steps() if step.id in used]
    return {step: number for number, step in enumerate(steps, 1)}


def _bars(
    axes: Axes, course: Timeline, track: str, y: float, scale: _Scale, numbers: dict[str, int]
) -> None:
    """A bar for each stretch at a step; the shade changes with the phase, named above."""
    axes.plot([0, _WIDE_IN], [y, y], color="0.8", lw=0.5, zorder=0)
    run: tuple[str, float, float] | None = None
    dark = True
    for span in (s for s in course.spans if s.track == track):
        left, right = scale(span.from_s), scale(span.to_s)
        phase = course.state.protocol.by_id[span.step].phase
        dark ^= run is None or run[0] != phase
        grey = "0.8" if dark else "0.96"
        axes.barh(
            y, right - left, 2 * _BAR, left, color=grey, edgecolor="black", lw=0.35, zorder=2
        )
        text = str(numbers[span.step])
        if right - left > 0.065 * len(text) + 0.03:
            axes.text((left + right) / 2, y, text, size=5.5, ha="center", va="center", zorder=3)
        if run and run[0] == phase and left - run[2] < 1e-6:
            run = (phase, run[1], right)
        else:
            _phase(axes, run, y)
            run = (phase, left, right)
    _phase(axes, run, y)


def _phase(axes: Axes, run: tuple[str, float, float] | None, y: float) -> None:
    if run is None:
        return
    phase, left, right = run
    if right - left > 0.055 * len(phase) + 0.02:
        middle = (left + right) / 2
        axes.text(
            *(middle, y + _BAR + 0.04, phase),
            size=5.5,
            ha="center",
            va="bottom",
            bbox=_WHITE,
            zorder=4,
        )


def _acts(axes: Axes, happened: Sequence[Happening], y: float, scale: _Scale) -> None:
    """Presses and heat under the bar, with their seconds."""
    acts = [one for one in happened if one.kind in {"press", "heat"}]
    for one, at, place in _spread_out(acts, scale, 0.19):
        press = one.kind == "press"
        axes.plot([at, at], [y - _BAR, y - _BAR - 0.03], color="black", lw=0.5)
        axes.plot([at, place], [y - _BAR - 0.03, y + _ACTS_Y + 0.06], color="0.5", lw=0.4)
        axes.plot(
            place,
            y + _ACTS_Y,
            marker="s" if press else "o",
            color="black",
            ms=4,
            markerfacecolor="black" if press else "white",
            mew=0.8,
            clip_on=False,
            zorder=5,
        )
        seconds = "-" if one.held_s is None else text_of(one.held_s)
        off = (
            one.held_s is None
            or one.planned_s is None
            or _off(one.held_s, one.planned_s, press)
        )
        axes.text(
            place,
            y + _ACTS_Y - 0.05,
            f"{seconds}!" if off else seconds,
            size=5.5,
            weight="bold" if off else "normal",
            ha="center",
            va="top",
            bbox=_WHITE,
            zorder=5,
        )


def _off(held_s: float | None, planned_s: float | None, press: bool) -> bool:
    """Whether a press was short or heat long; an act without a time is marked too."""
    if held_s is None or planned_s is None:
        return True
    return held_s < planned_s - EPSILON_S if press else held_s > planned_s + EPSILON_S


def _marks(
    axes: Axes,
    course: Timeline,
    track: str,
    y: float,
    scale: _Scale,
    warnings: Sequence[Happening],
) -> None:
    """Warnings, numbered, and what else happened, above the bar."""
    marked = [
        one
        for one in course.happenings
        if one.track == track and (one.kind == "warning" or one.kind in LETTERS)
    ]
    for one, at, place in _spread_out(marked, scale, 0.15):
        axes.plot([at, at], [y + _BAR, y + _BAR + 0.03], color="black", lw=0.5)
        axes.plot([at, place], [y + _BAR + 0.03, y + _MARKS_Y - 0.05], color="0.5", lw=0.4)
        if one.kind != "warning":
            letter = LETTERS[one.kind][0]
            axes.text(
                *(place, y + _MARKS_Y, letter),
                size=7,
                ha="center",
                va="center",
                bbox=_WHITE,
                zorder=5,
            )
            continue
        shape, filled = SEVERITIES.get(one.severity or "", ("o", False))
        axes.plot(
            place,
            y + _MARKS_Y,
            marker=shape,
            color="black",
            ms=4.5,
            mew=0.8,
            markerfacecolor="black" if filled else "white",
            clip_on=False,
            zorder=5,
        )
        number = str(warnings.index(one) + 1)
        axes.text(place, y + _MARKS_Y + 0.055, number, size=5.5, ha="center", va="bottom")


def _spread_out(
    happened: Sequence[Happening], scale: _Scale, gap_in: float
) -> list[tuple[Happening, float, float]]:
    """Each with where it happened and where there is room to draw it, in inches."""
    ordered = sorted(happened, key=lambda one: one.at_s)
    wanted = [scale(one.at_s) for one in ordered]
    gap = min(gap_in, _WIDE_IN / max(len(wanted), 1))
    places = pushed_apart(wanted, gap, 0.0, _WIDE_IN)
    return list(zip(ordered, wanted, places, strict=True))


def _away(axes: Axes, course: Timeline, scale: _Scale) -> None:
    """Pauses across all lanes."""
    words = {"pause": "pause", "closed": "program closed", "signed": "signed"}
    top, bottom = 0.62, -len(course.tracks) + 0.38
    for away in course.away:
        left, right = scale(away.from_s), scale(away.to_s)
        axes.fill_between(
            [left, right],
            bottom,
            top,
            facecolor="0.97",
            edgecolor="0.6",
            hatch="////" if away.kind == "pause" else "xxxx",
            lw=0.4,
            zorder=1,
        )
        text = f"{words[away.kind]} {_long(away.to_s - away.from_s)}"
        middle = (left + right) / 2
        axes.text(
            *(middle, (top + bottom) / 2, text),
            size=6,
            rotation=90,
            ha="center",
            va="center",
            bbox=_WHITE,
            zorder=4,
        )


def _long(seconds: float) -> str:
    """A stretch of any length: ``0:40``, ``2:03:00``, ``3 days``."""
    days = seconds / 86_400
    return elapsed(seconds) if days < 2 else f"{days:.0f} days"


def _frame(axes: Axes, course: Timeline, scale: _Scale) -> None:
    tracks = course.tracks
    axes.set_xlim(-0.02, _WIDE_IN + 0.02)
    axes.set_ylim(-len(tracks) + 0.38, 0.62)
    axes.set_yticks([-lane for lane in range(len(tracks))])
    axes.set_yticklabels([short(track_title(track), 13) for track in tracks], size=8)
    steps = (5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600)
    whole = course.worked_s + sum(a.to_s - a.from_s for a in course.away if a not in scale.cut)
    step = next((s for s in steps if whole / s <= 16), 3600 * (1 + whole // 57_600))
    ticks: list[float] = []
    for second in np.arange(0, course.ended_s + 1, step) if course.ended_s < 1e6 else [0.0]:
        near = ticks and scale(second) - scale(ticks[-1]) < 0.4
        if scale.shown(second) and not near:
            ticks.append(float(second))
    axes.set_xticks([scale(tick) for tick in ticks])
    axes.set_xticklabels([elapsed(tick) for tick in ticks], size=7)
    axes.set_xlabel(f"time since {course.state.opened.wall:%Y-%m-%d %H:%M:%S}", size=7)
    for edge in ("top", "right", "left"):
        axes.spines[edge].set_visible(False)
    axes.tick_params(left=False)

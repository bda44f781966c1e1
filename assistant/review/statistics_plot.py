"""The statistics of many cases as pictures: three A4 pages, landscape.

Black, grey and line styles only. The number of values stands beside everything drawn.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from assistant.progress.facts import text_of
from assistant.report.marks import plain
from assistant.review.case_facts import EPSILON_S
from assistant.review.statistics import Acts, DepthStatistics, Share, Spread, Summary
from assistant.review.statistics_text import CAUTION, per_cent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import Locator

A4_LANDSCAPE_IN = (11.69, 8.27)

_FEW = 5
"""Fewer values than this are drawn as points, for a box of them means nothing."""

_LIMIT: dict[str, Any] = {"color": "black", "lw": 1.4, "ls": (0, (5, 2))}
"""The pen of every line of the protocol."""

_MOST_BARS = 24
"""Rows there are for one list of shares."""


def as_pdf(summary: Summary) -> bytes:
    """The pages; the same summary gives the same bytes."""
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415 - a second to load

    buffer = BytesIO()
    fixed = {"CreationDate": None, "Creator": None, "Producer": None}
    with PdfPages(buffer, metadata=fixed) as pages:
        for page in draw(summary):
            pages.savefig(page, dpi=150)
    return buffer.getvalue()


def draw(summary: Summary) -> tuple[Figure, Figure, Figure]:
    """The pages as figures: times, acts and depths, shares."""
    return _times(summary), _values(summary), _shares(summary)


def _page(summary: Summary, title: str) -> Figure:
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=A4_LANDSCAPE_IN)
    figure.text(0.03, 0.955, title, size=13, weight="bold")
    if summary.first and summary.last:
        about = f"{summary.cases} cases, {summary.first:%Y-%m-%d} to {summary.last:%Y-%m-%d}"
        figure.text(0.97, 0.955, about, size=9, ha="right")
    figure.text(0.03, 0.02, CAUTION, size=6)
    return figure


def _tidy(axes: Axes, title: str, x: str = "", y: str = "") -> None:
    axes.set_title(title, size=8, loc="left")
    axes.set_xlabel(x, size=7)
    axes.set_ylabel(y, size=7)
    axes.tick_params(labelsize=7)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)


def _rows(axes: Axes, names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)), [_short(name, 46) for name in names], size=6.5)
    axes.set_ylim(len(names) - 0.4, -0.6)


def _short(text: str, most: int) -> str:
    return textwrap.shorten(plain(text), most, placeholder=" ...")


# -- times ------------------------------------------------------------------


def _times(summary: Summary) -> Figure:
    """A box for each step."""
    figure = _page(summary, "Time at each step")
    axes = figure.add_axes((0.24, 0.09, 0.68, 0.82))
    for row, step in enumerate(summary.steps):
        _box(axes, row, step.seconds)
        _beside(axes, row, f"n {step.seconds.n}")
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(lambda value, _: text_of(value))
    axes.grid(axis="x", color="0.85", lw=0.5)
    about = "Box: quartiles; line: median; whiskers: 5 to 95 %; points: beyond, or all of a few"
    _tidy(axes, about, "seconds, each canal, cycle and increment by itself; pauses left out")
    _rows(axes, [step.title for step in summary.steps])
    return figure


def _beside(axes: Axes, row: float, text: str) -> None:
    """Lettering right of a row."""
    across = axes.get_yaxis_transform()
    axes.text(1.015, row, text, size=6.5, va="center", transform=across)


def _box(axes: Axes, row: float, one: Spread) -> None:
    if one.n < _FEW:
        axes.plot(one.values, [row] * one.n, "o", color="black", ms=2.5, fillstyle="none")
        return
    black = {"color": "black", "lw": 0.8}
    axes.boxplot(
        [one.values],
        positions=[row],
        orientation="horizontal",
        widths=0.6,
        whis=(5, 95),
        manage_ticks=False,
        patch_artist=True,
        boxprops={"facecolor": "0.85", "edgecolor": "black", "lw": 0.6},
        medianprops={"color": "black", "lw": 1.6},
        whiskerprops=black,
        capprops=black,
        flierprops={"marker": ".", "ms": 1.5, "mec": "0.5", "rasterized": True},
    )


# -- acts and depths --------------------------------------------------------


def _values(summary: Summary) -> Figure:
    figure = _page(summary, "Presses, heat, depths and increments against the protocol")
    count = max(1, len(summary.acts))
    tall = 0.82 / count
    for index, act in enumerate(summary.acts):
        bottom = 0.09 + 0.82 - tall * (index + 1)
        _histogram(figure.add_axes((0.07, bottom + 0.055, 0.36, tall - 0.10)), act)
    _strips(figure.add_axes((0.66, 0.55, 0.30, 0.36)), summary.depths)
    _increments(figure.add_axes((0.66, 0.11, 0.30, 0.33)), summary)
    return figure


def _histogram(axes: Axes, act: Acts) -> None:
    most = max(*act.seconds.values, *act.planned_s)
    width = next((w for w in (0.25, 0.5, 1, 2, 5, 10) if most / w <= 40), most / 40)
    # What was exactly as planned goes into the bar that begins there, whatever the dust.
    values = [seconds + EPSILON_S for seconds in act.seconds.values]
    edges = [width * i for i in range(int(most / width) + 3)]
    axes.hist(values, bins=edges, color="0.8", edgecolor="black", lw=0.5)
    for planned in act.planned_s:
        axes.axvline(planned, **_LIMIT)
    word = "short" if act.mode == "hold" else "long"
    planned_text = " or ".join(map(text_of, act.planned_s))
    axes.yaxis.set_major_locator(_whole_numbers())
    title = (
        f"{_short(act.title, 50)}, n {act.seconds.n}; dashed: {planned_text} s\n"
        f"{word}: {per_cent(act.outside)}; left so: {per_cent(act.left_outside)}"
    )
    _tidy(axes, title, "seconds", "times")


def _scatter(axes: Axes, row: float, values: Sequence[float]) -> None:
    """A strip of points, spread a little so that equal ones do not hide each other."""
    spread = np.random.default_rng(0).uniform(-0.3, 0.3, len(values))
    axes.plot(values, row + spread, "o", color="0.4", ms=1.8, mew=0, rasterized=True)


def _strips(axes: Axes, depths: Sequence[DepthStatistics]) -> None:
    for row, one in enumerate(depths):
        _scatter(axes, row, one.past_limit_mm.values)
        _median(axes, row, one.past_limit_mm)
    axes.axvline(0.0, **_LIMIT)
    about = "Depths that stand, less the limit; dashed: the limit; bar: median"
    _tidy(axes, about, "mm; right of the line: beyond the limit")
    _rows(axes, [f"{_short(d.title, 34)}, n {d.past_limit_mm.n}" for d in depths])


def _median(axes: Axes, row: float, one: Spread) -> None:
    if one.median is not None:
        axes.plot([one.median] * 2, [row - 0.38, row + 0.38], color="black", lw=1.8)


def _increments(axes: Axes, summary: Summary) -> None:
    names = []
    for row, one in enumerate(summary.increments):
        _scatter(axes, row, one.length_mm.values)
        _median(axes, row, one.length_mm)
        for most in one.most_mm:
            axes.plot([most] * 2, [row - 0.45, row + 0.45], **_LIMIT)
        names.append(f"{one.which} increment, n {one.length_mm.n}")
    large = "; ".join(f"{one.which} {per_cent(one.large)}" for one in summary.increments)
    about = f"Backfill increments; dashed: most planned; bar: median\nlarger: {large}"
    _tidy(axes, about, "mm")
    _rows(axes, names)


# -- shares -----------------------------------------------------------------


def _shares(summary: Summary) -> Figure:
    figure = _page(summary, "Corrections, warnings and questions")
    corrected = [(one.title, one.corrected) for one in summary.corrections]
    axes = figure.add_axes((0.23, 0.10, 0.20, 0.81))
    _whiskers(axes, corrected, "Values corrected, of those given")
    fired = [(f"{one.rule} ({one.severity})", one.cases) for one in summary.warnings]
    axes = figure.add_axes((0.66, 0.50, 0.22, 0.41))
    _whiskers(axes, fired, "Cases with a warning of the rule")
    kinds = (
        ("about what was heard", summary.questions, "black"),
        ("about values hard to believe", summary.disbelieved, "0.6"),
        ("not understood", summary.not_understood, "white"),
    )
    axes = figure.add_axes((0.60, 0.11, 0.34, 0.27))
    most = max(5.0, *(max(one.values, default=0.0) for _, one, _ in kinds))
    axes.hist(
        [one.values for _, one, _ in kinds],
        bins=list(np.arange(-0.5, most + 1.5, max(1, most // 30))),
        color=[grey for *_, grey in kinds],
        edgecolor="black",
        lw=0.5,
        label=[f"{label}, median {_or_dash(one.median)}" for label, one, _ in kinds],
    )
    axes.legend(fontsize=6.5, frameon=False)
    axes.yaxis.set_major_locator(_whole_numbers())
    axes.xaxis.set_major_locator(_whole_numbers())
    _tidy(axes, f"Questions of a case, n {summary.questions.n}", "questions in a case", "cases")
    return figure


def _or_dash(value: float | None) -> str:
    return "-" if value is None else text_of(value)


def _whole_numbers() -> Locator:
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415

    return MaxNLocator(integer=True)


def _whiskers(axes: Axes, shares: Sequence[tuple[str, Share]], title: str) -> None:
    """A dot with its interval for each share."""
    shown = shares[:_MOST_BARS]
    for row, (_, one) in enumerate(shown):
        if one.low is None or one.high is None:
            continue
        axes.plot([100 * one.low, 100 * one.high], [row, row], color="black", lw=1)
        axes.plot(100 * one.count / one.n, row, "o", color="black", ms=3.5)
        _beside(axes, row, f"{one.count} of {one.n}")
    axes.set_xlim(-2, 102)
    axes.grid(axis="x", color="0.85", lw=0.5)
    left = f"; {len(shares) - len(shown)} more in the text form" if shown != shares else ""
    _tidy(axes, title + left, "per cent, with the 95 % interval")
    _rows(axes, [name for name, _ in shown])

"""Practice over weeks: a table by week, and plots.

Only what a learner did counts; simulated runs are left out of both.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any

from assistant.case.read_events import old_role
from assistant.errors import UserError
from assistant.extras import need
from assistant.files.atomic import write_atomically
from assistant.practice.score import Score
from assistant.protocol.frozen import Frozen
from assistant.protocol.roles import Role

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FORMATS = frozenset({"png", "pdf", "svg"})


class GoodOf(Frozen):
    """``good`` of ``of``, added up over cases."""

    good: int
    of: int

    def __str__(self) -> str:
        return f"{self.good}/{self.of}"


class Week(Frozen):
    """One ISO week: its cases, the mean overall figure of the finished ones (None
    without any), and each criterion added up."""

    week: str
    cases: int
    finished: int
    overall: float | None
    minutes: float
    criteria: dict[str, GoodOf]


def weeks(scores: Iterable[Score]) -> list[Week]:
    """The learner's own cases by week, oldest first."""
    grouped: dict[str, list[Score]] = {}
    for score in sorted(own(scores), key=lambda score: score.began):
        year, week, _ = score.began.isocalendar()
        grouped.setdefault(f"{year}-W{week:02}", []).append(score)
    return [_week(name, inside) for name, inside in grouped.items()]


def own(scores: Iterable[Score]) -> list[Score]:
    """Those that a learner practised."""
    return [score for score in scores if score.operator == "self"]


def _week(name: str, scores: list[Score]) -> Week:
    overall = [score.overall for score in scores if score.overall is not None]
    criteria = [criterion for score in scores for criterion in score.criteria]
    return Week(
        week=name,
        cases=len(scores),
        finished=len(overall),
        overall=round(fmean(overall), 1) if overall else None,
        minutes=round(sum(score.minutes for score in scores), 1),
        criteria={
            one: GoodOf(
                good=sum(c.good for c in criteria if c.id == one),
                of=sum(c.of for c in criteria if c.id == one),
            )
            for one in dict.fromkeys(c.id for c in criteria)
        },
    )


COLUMNS = ("presses", "heat", "depths", "downpack", "measurements", "order")
"""Criteria in the table; all are in its JSON."""


def table(rows: Sequence[Week]) -> str:
    """The weeks as lines of text."""
    head = f"{'week':9} {'cases':>5} {'done':>4} {'score':>6} {'min':>6}"
    lines = [head + "".join(f" {name:>12}" for name in COLUMNS)]
    for row in rows:
        figure = "-" if row.overall is None else f"{row.overall:g}"
        start = f"{row.week:9} {row.cases:5} {row.finished:4} {figure:>6} {row.minutes:6g}"
        lines.append(
            start
            + "".join(
                f" {row.criteria[name]!s:>12}" if name in row.criteria else f" {'-':>12}"
                for name in COLUMNS
            )
        )
    return "\n".join(lines)


def plot(scores: Sequence[Score], path: Path) -> None:
    """Score over time, how long presses were held, and how far depths were from their
    limit, in one picture: PNG, PDF or SVG by the file's name.

    Raises:
        UserError: another kind of file.
        RecordUnwritable: the disk refused.
    """
    kind = path.suffix.removeprefix(".").lower()
    if kind not in FORMATS:
        raise UserError(f"{path} is no picture that can be made; name it .png, .pdf or .svg.")
    need("pictures", "Drawing the practice")
    from matplotlib.figure import Figure  # noqa: PLC0415 - half a second to load

    mine = own(scores)
    figure = Figure(figsize=(10, 3.6), layout="constrained")
    figure.suptitle("Practice (invented cases)", fontsize=11)
    axes: Any = figure.subplots(1, 3)
    _over_time(axes[0], mine)
    _held(axes[1], mine)
    _deep(axes[2], mine)
    data = io.BytesIO()
    figure.savefig(data, format=kind, dpi=120)
    write_atomically(path, data.getvalue())


def _over_time(axes: Axes, scores: Sequence[Score]) -> None:
    for level, sign in ((1, "o"), (2, "s"), (3, "^")):
        done = [s for s in scores if s.level == level and s.overall is not None]
        if done:
            at: Any = [s.began for s in done]
            axes.plot(at, [s.overall or 0.0 for s in done], sign, ms=5, label=f"level {level}")
            axes.legend(fontsize=8, loc="lower right")
    axes.set(title="Overall figure", ylabel="of 100", ylim=(0, 105))
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter  # noqa: PLC0415

    dates = AutoDateLocator(minticks=2, maxticks=5)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(dates)
    concise = ConciseDateFormatter(dates)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(concise)


def _held(axes: Axes, scores: Sequence[Score]) -> None:
    held = [press for score in scores for press in score.presses]
    axes.set(title=f"Presses ({len(held)})", xlabel="held, s", ylabel="presses")
    if not held:
        return
    most = max(max(p.held_s, p.wanted_s) for p in held)
    edges = [n / 2 for n in range(int(2 * most) + 3)]
    axes.hist([p.held_s for p in held], bins=edges, color="0.6", edgecolor="0.2")
    for wanted in sorted({p.wanted_s for p in held}):
        axes.axvline(wanted, color="0.1", ls="--", lw=1, label=f"wanted {wanted:g} s")
    axes.legend(fontsize=8, loc="upper left")


def _deep(axes: Axes, scores: Sequence[Score]) -> None:
    roles = {Role.HEAT_DEPTH, Role.COMPACTION}
    every = [depth for score in scores for depth in score.depths]
    depths = [d for d in every if (d.role or old_role(d.quantity)) in roles]
    axes.set(
        title=f"Downpack depths ({len(depths)})", xlabel="short of (-) or past the limit, mm"
    )
    axes.axvline(0.0, color="0.1", ls="--", lw=1, label="limit")
    if depths:
        low = min(-1, int(min(d.over_mm for d in depths)) - 1)
        high = max(1, int(max(d.over_mm for d in depths)) + 1)
        # Bins around each half millimetre: a depth at the limit stands on its line.
        edges = [low - 0.25 + n / 2 for n in range(2 * (high - low) + 2)]
        within = [d.over_mm for d in depths if not d.warned]
        past = [d.over_mm for d in depths if d.warned]
        axes.hist(
            [within, past],
            bins=edges,
            stacked=True,
            color=["0.75", "0.25"],
            edgecolor="0.2",
            label=["within", "past it"],
        )
    axes.legend(fontsize=8, loc="upper left")

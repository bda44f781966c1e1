"""A picture of a campaign: how often right and how often wrong, by noise and level."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from hearing.score import Rate, Row, of_phrases

PANELS: tuple[tuple[str, str], ...] = (
    ("right", "Right at once"),
    ("questioned", "Questioned"),
    ("asked_again", "Asked again"),
    ("wrong_value", "Wrong value accepted,\nbefore its read-back"),
    ("wrong_stored", "Wrong value stored,\nafter read-back and answers"),
)
QUIET = "no noise"
COLOURS = (
    "#1b6ca8",
    "#d1495b",
    "#2e8b57",
    "#e0a030",
    "#6a4c93",
    "#555555",
    "#a0522d",
    "#000000",
)


def draw(rows: Sequence[Row], path: Path, title: str) -> None:
    """Write a PNG of the phrase rows; 95 % intervals as bars, n in the legend."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    said = [row for row in rows if row["task"] == "phrase"]
    levels = [QUIET, *(f"{db:g} dB" for db in sorted(_levels(said), reverse=True))]
    kinds = list(dict.fromkeys(row["kind"] for row in said))
    order = sorted(kinds, key=lambda k: (k != "quiet", k))
    figure, axes = plt.subplots(
        len(PANELS), 1, figsize=(9, 3.0 * len(PANELS)), sharex=True, layout="constrained"
    )
    for axis, (name, label) in zip(axes, PANELS, strict=True):
        for index, kind in enumerate(order):
            points = [(at, _rate(said, kind, level, name)) for at, level in enumerate(levels)]
            shown = [(at, rate) for at, rate in points if rate is not None]
            if not shown:
                continue
            total = sum(1 for row in said if row["kind"] == kind)
            offset = (index - (len(order) - 1) / 2) * 0.09
            axis.errorbar(
                [at + offset for at, _ in shown],
                [100 * rate.value for _, rate in shown],
                yerr=[
                    [100 * (rate.value - rate.low) for _, rate in shown],
                    [100 * (rate.high - rate.value) for _, rate in shown],
                ],
                fmt="o",
                markersize=5,
                capsize=3,
                color=COLOURS[index % len(COLOURS)],
                label=f"{kind} (n={total})",
            )
        axis.set_ylabel(f"{label} (%)")
        axis.set_ylim(-3, 103)
        axis.grid(axis="y", alpha=0.3)
    axes[-1].set_xticks(range(len(levels)), levels)
    axes[-1].set_xlabel("Signal-to-noise ratio, on the active speech level")
    axes[0].legend(ncols=4, fontsize=8, loc="upper center", bbox_to_anchor=(0.5, 1.32))
    figure.suptitle(f"{title}\nBars are 95 % intervals (Wilson)", fontsize=11)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _levels(rows: Sequence[Row]) -> set[float]:
    return {row["snr_db"] for row in rows if row["snr_db"] is not None}


def _rate(rows: Sequence[Row], kind: str, level: str, name: str) -> Rate | None:
    def here(row: Row) -> bool:
        at = QUIET if row["snr_db"] is None else f"{row['snr_db']:g} dB"
        return bool(row["kind"] == kind and at == level)

    chosen = _filtered(rows, here)
    if not chosen:
        return None
    rate: Rate = of_phrases(chosen)[name]
    return rate if rate.of else None


def _filtered(rows: Sequence[Row], test: Callable[[Row], bool]) -> list[Row]:
    return [row for row in rows if test(row)]

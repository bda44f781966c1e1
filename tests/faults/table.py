"""Results of a campaign: rows of counts as an aligned text, as JSON, and an exit code.

A row says what was tried (``fault``), how often (``n``) and how often it went wrong
(``bad``), with whatever else was counted. The 95 % upper bound of the share of bad ones
is the exact one of Clopper and Pearson, as :func:`scipy.stats.binomtest` gives it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from scipy.stats import binomtest

Row = Mapping[str, object]


def upper_bound(bad: int, n: int) -> float:
    """The share that ``bad`` of ``n`` does not exclude: one-sided, 95 %; 1 without trials."""
    if n == 0:
        return 1.0
    found = binomtest(bad, n, alternative="less").proportion_ci(0.95, method="exact")
    return float(found.high)


def counted(fault: str, n: int, bad: int, **more: object) -> dict[str, object]:
    """One row, with its upper bound in per cent."""
    bound = round(100 * upper_bound(bad, n), 2)
    return {"fault": fault, "n": n, "bad": bad, "bad_at_most_%": bound, **more}


def as_text(rows: Sequence[Row]) -> str:
    """The rows as columns, numbers to the right; a column for every key of any row."""
    if not rows:
        return "no results\n"
    keys = list(dict.fromkeys(key for row in rows for key in row))
    cells = [keys, *([_cell(row.get(key, "")) for key in keys] for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(keys))]
    right = [all(isinstance(row.get(key, 0), int | float) for row in rows) for key in keys]
    lines = (
        "  ".join(
            cell.rjust(width) if number else cell.ljust(width)
            for cell, width, number in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in cells
    )
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def write_table(stem: Path, rows: Sequence[Row], **about: object) -> int:
    """Write ``stem.json`` and ``stem.txt``, print the text; the exit code.

    Args:
        stem: file without suffix; its folder is made.
        rows: the results.
        about: what else belongs to them: seed, seconds, sizes.

    Returns:
        1 if any row has ``bad`` ones, else 0.
    """
    stem.parent.mkdir(parents=True, exist_ok=True)
    text = as_text(rows) + "".join(f"{key}: {value}\n" for key, value in about.items())
    stem.with_suffix(".txt").write_text(text, encoding="utf-8")
    data = json.dumps({**about, "rows": rows}, indent=2, ensure_ascii=False, default=str)
    stem.with_suffix(".json").write_text(data + "\n", encoding="utf-8")
    print(text, end="")
    return int(any(row.get("bad") for row in rows))

"""Points that nobody makes, as tests want them."""

from __future__ import annotations

from collections.abc import Sequence

from assistant.canal.points import Point, Profile, TableRow


def table_point(name: str, rows: Sequence[tuple[float, float]], tolerance_mm: float) -> Point:
    """A point of several or varying tapers from (mm from tip, diameter in mm) rows.

    Above the last row it counts as parallel.

    Raises:
        ValueError: see :func:`row_misfit` and :class:`Point`.
    """
    return Point(name, Profile(tuple(TableRow(*row) for row in rows)), tolerance_mm)

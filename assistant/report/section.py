"""A page for each canal with what was computed: its section and its heat, as pictures.

Black, grey and hatching only. The section is to scale along the canal; across it is
drawn wider, and says by how much. The same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from io import BytesIO
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from assistant.canal.heat import HeatResult, simulate
from assistant.canal.heat_grid import Grid, Root
from assistant.canal.model import CanalShape
from assistant.canal.tissue import BODY_C, MOULDABLE_C
from assistant.extras import how_to, installed
from assistant.report.computed import Computed, lines
from assistant.report.drawing import pushed_apart
from assistant.report.lengthwise import Profile, profile
from assistant.report.paper import MARGIN_MM, Paper

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from PIL.Image import Image

PICTURE_IN = (7.4, 7.6)
DOTS_PER_IN = 200

COARSE = Grid(rings_in_canal=4, row_mm=0.25, step_s=0.1)
"""Enough for a picture; the figures beside it come from the finer table."""

_MOMENTS_S = (0.5, 1.0, 2.0, 4.0)
_LABEL_MM = 0.75  # of canal, between the base lines of two labels

CAUTION = (
    "Computed from what was dictated, not measured; the program cannot see into the tooth. "
    "Heat: intervals over properties that nobody knows exactly; no medical device."
)


def as_pages(
    canals: Sequence[Computed], case_code: str, made: datetime, *, demo: bool
) -> bytes:
    """A PDF, a canal to a page; without the extra ``pictures`` in words alone.

    Raises:
        ValueError: a canal of which nothing is computed, see :attr:`.Computed.empty`.
    """
    drawn = installed("pictures")
    hint = f"For pictures of it more packages have to be installed: {how_to('pictures')}"
    told = [[*lines(one), *([] if drawn else [hint])] for one in canals]
    paper = Paper(
        "What the numbers mean",
        made,
        [case_code, CAUTION, *(one.title for one in canals), *chain(*told)],
        foot=f"Case {case_code}.",
        demo=demo,
    )
    for i, (one, sentences) in enumerate(zip(canals, told, strict=True)):
        if i:
            paper.new_page()
        paper.put(f"{one.title}: what the numbers mean", size=13.0, bold=True, part="H1")
        paper.paragraph(CAUTION)
        if drawn:
            paper.gap(1.5)
            with paper.tag("Figure", f"Section of the canal: {_told(one)}"):
                paper.image(_picture(one), x=MARGIN_MM, w=paper.width)
            paper.gap(1.5)
        for sentence in sentences:
            paper.paragraph(sentence)
    return bytes(paper.output())


def _told(one: Computed) -> str:
    return "; ".join(f"{depth:g} mm {words}" for depth, words in _labels(one))


def _picture(one: Computed) -> Image:
    """:func:`figure_of`, in greys."""
    from PIL import Image  # noqa: PLC0415

    buffer = BytesIO()
    figure_of(one).savefig(buffer, format="png", dpi=DOTS_PER_IN)
    return Image.open(buffer).convert("L")


def figure_of(one: Computed) -> Figure:
    """The section, and the hottest cycle below it."""
    from matplotlib.figure import Figure  # noqa: PLC0415 - a second to load

    figure = Figure(figsize=PICTURE_IN)
    warm = one.hottest is not None and one.shape is not None
    section(
        figure.add_axes((0.08, 0.28, 0.91, 0.68) if warm else (0.08, 0.02, 0.91, 0.94)), one
    )
    if one.hottest is not None and one.shape is not None:
        root = None
        if one.wall_mm is not None:
            root = Root.with_wall(one.wall_mm, one.shape.wl_mm - one.hottest.tip_depth_mm)
        result = simulate(one.shape, one.hottest, root=root, grid=COARSE)
        along(figure.add_axes((0.09, 0.06, 0.38, 0.15)), result)
        course(figure.add_axes((0.60, 0.06, 0.38, 0.15)), result)
    return figure


def section(axes: Axes, one: Computed) -> None:
    """The canal cut lengthwise: what is in it, stops, cycles, planned increments, limit."""
    shape = one.shape
    assert shape is not None, "nothing to draw"
    depth, half = _halves(one.cut.wall)
    widest = float(half.max())
    for side in (-1, 1):
        axes.plot(side * half, depth, color="black", lw=1.2)
        axes.plot(side * (half + shape.tolerance_mm / 2), depth, color="0.6", lw=0.5, ls=":")
    if one.cut.mass:
        part, inside = _halves(one.cut.mass)
        axes.fill_betweenx(part, -inside, inside, color="0.85", lw=0)
    if one.cut.cone:
        part, body = _halves(one.cut.cone)
        # A hair inside the wall, or its dashes would hide in the wall's line.
        body = np.minimum(body, _half(shape, part) - 0.04 * widest)
        for side in (-1, 1):
            axes.plot(side * body, part, color="black", lw=0.8, ls="--")
    hatches = ("//", "\\\\")
    increments = [(i, "0.8", "-") for i in one.filled] + [(i, "none", ":") for i in one.to_fill]
    for increment, grey, line in increments:
        top, bottom = max(0.0, increment.to_mm), min(increment.from_mm, shape.wl_mm)
        part, inside = _halves(profile(shape, top, bottom))
        axes.fill_betweenx(
            part,
            -inside,
            inside,
            facecolor=grey,
            edgecolor="0.3",
            hatch=hatches[increment.number % 2] if increment in one.filled else None,
            lw=0.4 if increment in one.filled else 1.0,
            ls=line,
        )
    if one.limit_mm is not None:
        band = (-3.1 * widest, 1.25 * widest)
        axes.fill_between(
            band, one.limit_mm, shape.wl_mm, facecolor="none", edgecolor="0.6", hatch="..", lw=0
        )
        axes.plot(band, [one.limit_mm] * 2, color="black", lw=1.4, ls=(0, (6, 2)))
    for depth_mm, _ in _labels(one):
        axes.plot([-1.25 * widest, 1.25 * widest], [depth_mm, depth_mm], color="0.4", lw=0.4)
    _cycles(axes, one, widest)
    _letter(axes, one, widest)
    axes.set_ylim(shape.wl_mm + 1.0, -0.8)
    axes.set_xlim(-3.1 * widest, 5.4 * widest)
    box = axes.get_position()
    tall, wide = box.height * PICTURE_IN[1], box.width * PICTURE_IN[0]
    wider = (wide / (8.5 * widest)) / (tall / (shape.wl_mm + 1.8))
    axes.set_title(f"Section, depths to scale, {wider:.0f} times wider across", size=9)
    axes.set_ylabel("depth from the reference point, mm", size=9)
    axes.set_xticks([])
    axes.set_yticks(range(0, int(shape.wl_mm) + 1, 5))
    axes.tick_params(labelsize=9)
    for edge in ("top", "right", "bottom"):
        axes.spines[edge].set_visible(False)


def _halves(points: Profile) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Depths and half widths."""
    depth, wide = np.array(points).T
    return depth, wide / 2


def _half(shape: CanalShape, depth: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([shape.diameter_mm(float(z)) for z in depth]) / 2


def _cycles(axes: Axes, one: Computed, widest: float) -> None:
    """Left of the canal: a column for each cycle, how deep it went and how deep it softened."""
    columns: list[tuple[int, float, tuple[float, float] | None, bool]] = []
    for cycle in (*one.done, *one.to_come):
        if cycle.heat_to_mm is not None:
            soft, to = cycle.heat and cycle.heat.softened_mm, cycle.heat_to_mm
            reach = (to + soft.low, to + soft.high) if soft else None
            columns.append((cycle.number, to, reach, cycle in one.done))
    pitch = 1.5 * widest / max(1, len(columns))
    for index, (number, to_mm, reach, real) in enumerate(columns):
        x = -2.9 * widest + (index + 0.5) * pitch
        top = one.sear_mm or 0.0
        axes.plot([x, x], [top, to_mm], color="black", lw=3.0 if real else 1.0)
        axes.plot(
            x, to_mm, marker="v", color="black", ms=5, fillstyle="full" if real else "none"
        )
        if reach is not None:
            axes.plot([x, x], [to_mm, reach[0]], color="0.5", lw=2.0)
            axes.plot([x, x], [reach[0], reach[1]], color="0.5", lw=2.0, ls=":")
        axes.text(x, top - 0.25, str(number), size=9, ha="center")
    if columns:
        axes.text(-2.9 * widest, -0.35, "cycles; grey: softened", size=9)


def _labels(one: Computed) -> list[tuple[float, str]]:
    """Depth and words, shallowest first."""
    shape = one.shape
    assert shape is not None
    named: list[tuple[float | None, str]] = [
        (one.coronal_mm, "planned coronal level"),
        (one.sear_mm, "sear"),
        (one.limit_mm, "LIMIT for instruments"),
        (shape.wl_mm, f"WORKING LENGTH, {shape.apical_mm:.2f} mm wide"),
        *((depth, f"{name}, no contact") for name, depth in one.stops),
    ]
    if one.cone_fit is not None:
        held = one.cone_fit.nominal
        named.append((one.cone_fit.nominal_stop_mm, f"cone as fitted (dashed), {held}"))
    named += [
        (i.to_mm, f"increment {i.number}, {i.length_mm:g} mm, {i.volume_mm3:.1f} mm3")
        for i in one.filled
    ]
    named += [
        (i.to_mm, f"planned {i.number}, {i.length_mm:g} mm, {i.volume_mm3:.1f} mm3")
        for i in one.to_fill
    ]
    return sorted(
        ((depth, words) for depth, words in named if depth is not None), key=lambda one: one[0]
    )


def _letter(axes: Axes, one: Computed, widest: float) -> None:
    shape = one.shape
    assert shape is not None
    labels = _labels(one)
    places = pushed_apart([depth for depth, _ in labels], _LABEL_MM, 0.0, shape.wl_mm + 0.8)
    for (depth, words), place in zip(labels, places, strict=True):
        axes.plot([1.25 * widest, 1.5 * widest], [depth, place], color="0.4", lw=0.4)
        bold: Any = (
            "bold" if words.isupper() or "LIMIT" in words or "WORKING" in words else "normal"
        )
        axes.text(1.55 * widest, place, f"{depth:g}  {words}", size=9, va="center", weight=bold)


def along(axes: Axes, result: HeatResult) -> None:
    """Temperature on the axis over depth, at a few moments after the removal."""
    styles = ("-", "--", "-.", ":")
    for after, style in zip(_MOMENTS_S, styles, strict=True):
        at = int(np.searchsorted(result.times_s, result.removed_s + after))
        if at < len(result.times_s):
            axes.plot(
                result.depth_mm,
                result.axis_c[at],
                style,
                color="black",
                lw=0.9,
                label=f"{after:g} s",
            )
    axes.axhspan(MOULDABLE_C.low, MOULDABLE_C.high, color="0.85", lw=0)
    axes.axvline(result.tip_depth_mm, color="0.4", lw=0.6)
    axes.set_xlim(result.mass_top_mm - 1, float(result.surface_depth_mm[-1]))
    axes.set_xlabel("depth on the axis, mm", size=9)
    axes.set_ylabel("C", size=9)
    axes.set_title("Hottest cycle, after the carrier was out", size=9.5)
    axes.legend(fontsize=9, frameon=False)
    axes.tick_params(labelsize=9)


def course(axes: Axes, result: HeatResult) -> None:
    """Temperature over time: the mass that stays, and the root's surface at its warmest."""
    axes.plot(
        result.times_s, result.mass_max_c, color="black", lw=0.9, label="hottest of the mass"
    )
    surface = result.surface_c.max(axis=1)
    axes.plot(result.times_s, surface, "--", color="black", lw=0.9, label="root surface")
    axes.axhspan(MOULDABLE_C.low, MOULDABLE_C.high, color="0.85", lw=0)
    axes.axvline(result.removed_s, color="0.4", lw=0.6)
    axes.set_ylim(BODY_C - 1, float(result.mass_max_c.max()) + 20)
    axes.set_xlabel("s from switching on (line: carrier out)", size=9)
    axes.set_title("The same; grey: turns mouldable", size=9.5)
    axes.legend(fontsize=9, frameon=False, loc="upper right")
    axes.tick_params(labelsize=9)

"""A depth drawing of one canal, to scale, as plain shapes.

The drawing is data (:class:`Stroke`, :class:`Rect`, :class:`Text`, in mm on the
paper, y downwards), so a PDF and a screen can draw the same one. Depths are to
scale along the canal; widths are not, for nobody has measured them. Nothing is
told by colour: hatching, dashes and labels carry it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from assistant.progress.facts import depth_limit_mm, number, text_of, wl_is_final, wl_mm
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.marks import track_title

Dash = Literal["solid", "dashed", "dotted"]
Anchor = Literal["left", "middle", "right"]
Hatch = Literal["up", "down", "cross"]

TEXT_MM = 3.2
"""Height of the lettering (9 points)."""

LABEL_GAP_MM = 3.7
"""Least distance between the base lines of two labels."""

_CHARACTER_HEIGHTS = 0.56
"""Mean width of a character of a sans-serif face, in heights (digits of the paper's)."""

_DEEPEST_MM = 25.0
"""Length of the ruler while no depth is known."""

_LEAST_MM = 10.0
"""Length of the ruler while only small depths are known."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight line; ``width_mm`` is that of the pen."""

    x1: float
    y1: float
    x2: float
    y2: float
    width_mm: float = 0.15
    dash: Dash = "solid"


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle with an outline; filled black if ``solid``, else empty."""

    x: float
    y: float
    width: float
    height: float
    width_mm: float = 0.2
    dash: Dash = "solid"
    solid: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """Lettering; ``y`` is its vertical middle, ``x`` the end that ``anchor`` names."""

    x: float
    y: float
    text: str
    size_mm: float = TEXT_MM
    anchor: Anchor = "left"
    bold: bool = False

    @property
    def width_mm(self) -> float:
        """Width of the lettering, estimated from the mean width of a character."""
        return len(self.text) * self.size_mm * _CHARACTER_HEIGHTS

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom, by the estimated width."""
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[self.anchor]
        left = self.x - self.width_mm * back
        half = self.size_mm / 2
        return left, self.y - half, left + self.width_mm, self.y + half


Shape = Stroke | Rect | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes within ``width_mm`` by ``height_mm`` of paper, origin top left."""

    title: str
    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]
    words: tuple[str, ...]
    """Every depth that is drawn, shallowest first, for those who do not see it."""


@dataclass(frozen=True, slots=True)
class DrawnDepths:
    """What the drawing shows, in mm of depth from the reference point; None: unknown.

    Attributes:
        cycles: number, heat-carrier and plugger depth of each cycle.
        increments: number, length and level of each increment, as far as both
            are known.
        downpack_top_mm: top of the fill before the backfill.
        post_mm: top of the fill under a post.
    """

    title: str
    wl_mm: float | None = None
    wl_final: bool = False
    limit_mm: float | None = None
    coronal_mm: float | None = None
    sear_mm: float | None = None
    cycles: tuple[tuple[int, float | None, float | None], ...] = ()
    increments: tuple[tuple[int, float, float], ...] = ()
    downpack_top_mm: float | None = None
    post_mm: float | None = None


def depths_of(state: CaseState, canal: str) -> DrawnDepths:
    """The depths of a canal that the drawing shows."""
    increments = []
    for one in rounds.increments(state, canal):
        length = number(one.values.get(Role.INCREMENT))
        if length is not None and one.level_mm is not None:
            increments.append((one.number, length, one.level_mm))
    return DrawnDepths(
        title=track_title(canal),
        wl_mm=wl_mm(state, canal),
        wl_final=wl_is_final(state, canal),
        limit_mm=depth_limit_mm(state, canal),
        coronal_mm=number(state.newest(canal, Role.CORONAL_LEVEL)),
        sear_mm=number(state.newest(canal, Role.SEAR)),
        cycles=tuple(
            (
                one.number,
                number(one.values.get(Role.HEAT_DEPTH)),
                number(one.values.get(Role.COMPACTION)),
            )
            for one in rounds.cycles(state, canal)
            if one.values
        ),
        increments=tuple(increments),
        downpack_top_mm=rounds.downpack_top_mm(state, canal),
        post_mm=number(state.newest(canal, Role.POST_LEVEL)),
    )


# Columns of the drawing from the left, in mm of paper.
_RULER_X = 6.5
_CANAL_X, _CANAL_W = 9.5, 8.0
_BARS_X = 20.0
_BARS_W = 14.0
_NUMBER_W = 4.0
_LABELS_X = _BARS_X + _BARS_W + 5.0
_TOP = 7.5


def depth_drawing(
    depths: DrawnDepths, *, width_mm: float = 90.0, scale: float = 2.5
) -> Drawing:
    """Draw one canal.

    Args:
        width_mm: of the paper there is, 90 or more; labels take what the columns
            leave.
        scale: mm of paper for a mm of canal.
    """
    labels = _labels(depths, width_mm - _LABELS_X)
    deepest = _ruler_end(depths, labels)
    height = max(deepest * scale, len(labels) * LABEL_GAP_MM)
    shapes: list[Shape] = []
    shapes += _ruler(deepest, scale)
    shapes += _canal(depths, deepest, scale)
    shapes += _bars(depths, scale)
    shapes += _lettered(labels, scale, height)
    words = tuple(_words(depth, label) for depth, label in labels)
    return Drawing(depths.title, width_mm, _TOP + height + 2.5, tuple(shapes), words)


def pushed_apart(
    wanted: Sequence[float], gap: float, low: float, high: float
) -> tuple[float, ...]:
    """Positions ``gap`` apart, in the given (rising) order, as near ``wanted`` as can be.

    Neighbours that are too close become a block, centred on the mean of what
    its members want, and blocks that touch merge (the pool-adjacent-violators
    method, least squares). Kept within ``low`` and ``high`` where these leave
    room; otherwise the run starts at ``low``.
    """
    blocks: list[list[float]] = []  # [sum of the wanted starts, count]
    for i, place in enumerate(wanted):
        blocks.append([place - i * gap, 1.0])
        while len(blocks) > 1 and _mean(blocks[-2]) > _mean(blocks[-1]):
            total, count = blocks.pop()
            blocks[-1][0] += total
            blocks[-1][1] += count
    starts = [_mean(block) for block in blocks for _ in range(int(block[1]))]
    last = max(low, high - (len(wanted) - 1) * gap)
    return tuple(min(max(start, low), last) + i * gap for i, start in enumerate(starts))


def _mean(block: list[float]) -> float:
    return block[0] / block[1]


def _ruler_end(depths: DrawnDepths, labels: list[tuple[float, str]]) -> float:
    """How deep the ruler goes: past everything that is drawn."""
    if len(labels) == 1:  # only the reference point
        return _DEEPEST_MM
    deepest = max(labels[-1][0], depths.downpack_top_mm or 0.0)
    return max(_LEAST_MM, deepest + 1.0)


def _y(depth_mm: float, scale: float) -> float:
    return _TOP + depth_mm * scale


# -- the columns ------------------------------------------------------------


def _ruler(deepest: float, scale: float) -> Iterator[Shape]:
    yield Text(0.0, 1.8, "mm", anchor="left")
    yield Stroke(_RULER_X, _y(0, scale), _RULER_X, _y(deepest, scale))
    for depth in range(int(deepest) + 1):
        fifth = depth % 5 == 0
        length = 1.6 if fifth else 0.8
        y = _y(depth, scale)
        yield Stroke(_RULER_X - length, y, _RULER_X, y, 0.2 if fifth else 0.1)
        if fifth:
            yield Text(_RULER_X - 2.0, y, str(depth), anchor="right")


def _canal(depths: DrawnDepths, deepest: float, scale: float) -> Iterator[Shape]:
    """The canal as a strip: what fills it, the band that is kept free, its end."""
    left, right = _CANAL_X, _CANAL_X + _CANAL_W
    bottom = depths.wl_mm if depths.wl_mm is not None else deepest
    middle = (left + right) / 2
    yield Text(middle, 1.8, "fill", anchor="middle")
    for x in (left, right):
        dash: Dash = "solid" if depths.wl_mm is not None else "dotted"
        yield Stroke(x, _y(0, scale), x, _y(bottom, scale), 0.25, dash)
    top = depths.downpack_top_mm
    if depths.wl_mm is not None and top is not None and top < depths.wl_mm:
        yield from _filled(left, _y(top, scale), _y(depths.wl_mm, scale), "cross")
    for number_, _, level in depths.increments:
        below = max(level if top is None else top, 0.0)
        hatch: Hatch = "up" if number_ % 2 else "down"
        yield from _filled(left, _y(max(level, 0.0), scale), _y(below, scale), hatch)
        top = level
    if depths.wl_mm is not None:
        y = _y(depths.wl_mm, scale)
        yield Stroke(left - 1.5, y, right + 1.5, y, 0.6)
    if depths.limit_mm is not None and depths.wl_mm is not None:
        # A bracket beside the strip: the stretch no instrument goes into.
        above, below = _y(depths.limit_mm, scale), _y(depths.wl_mm, scale)
        x = _BARS_X + _BARS_W + 1.5
        yield Stroke(left - 1.5, above, x, above, 0.4, "dashed")
        yield Stroke(x, above, x, below, 0.4)
        yield Stroke(x - 1.0, below, x, below, 0.4)
        yield from _hatched(_BARS_X - 1.0, above, x - (_BARS_X - 1.0), below - above, "up", 2.6)
    if depths.coronal_mm is not None:
        y = _y(depths.coronal_mm, scale)
        yield Stroke(left - 1.5, y, right + 1.5, y, 0.3, "dotted")


def _bars(depths: DrawnDepths, scale: float) -> Iterator[Shape]:
    """For each cycle a dotted line down to the carrier's depth and a solid bar to
    the plugger's."""
    if not depths.cycles:
        return
    each = min(6.0, _BARS_W / len(depths.cycles))
    thin = min(1.0, each / 3.0)  # many cycles: thinner bars, fewer numbers
    numbered = math.ceil(_NUMBER_W / each)
    yield Text(_BARS_X, 1.8, "cycles")
    for i, (number_, carrier, plugger) in enumerate(depths.cycles):
        x = _BARS_X + i * each
        if i % numbered == 0:
            yield Text(x + each / 2, _TOP - 1.7, str(number_), anchor="middle")
        if carrier is not None:
            y, at = _y(carrier, scale), x + each * 0.3
            yield Stroke(at, _y(0, scale), at, y, 0.3, "dotted")
            yield Stroke(at - 0.6 * thin, y - 1.1, at, y, 0.3)
            yield Stroke(at + 0.6 * thin, y - 1.1, at, y, 0.3)
        if plugger is not None:
            y, at = _y(plugger, scale), x + each * 0.7
            left, top = at - 0.35 * thin, _y(0, scale)
            yield Rect(left, top, 0.7 * thin, y - top, 0.1 * thin, solid=True)
            yield Stroke(at - 0.9 * thin, y, at + 0.9 * thin, y, 0.5)


def _filled(x: float, top: float, bottom: float, hatch: Hatch) -> Iterator[Shape]:
    if bottom <= top:
        return
    yield Rect(x, top, _CANAL_W, bottom - top, 0.3)
    for direction in ("up", "down") if hatch == "cross" else (hatch,):
        yield from _hatched(x, top, _CANAL_W, bottom - top, direction, 1.5)


def _hatched(
    x: float, y: float, width: float, height: float, hatch: str, pitch: float
) -> Iterator[Stroke]:
    """Lines at 45 degrees that fill a rectangle, cut at its edges."""
    along = pitch
    while along < width + height:
        # The line meets the top or right edge, and the left or bottom one.
        x1, y1 = (along, 0.0) if along <= width else (width, along - width)
        x2, y2 = (0.0, along) if along <= height else (along - height, height)
        if hatch == "down":
            x1, x2 = width - x1, width - x2
        yield Stroke(x + x1, y + y1, x + x2, y + y2, 0.1)
        along += pitch


# -- the labels -------------------------------------------------------------


def _labels(depths: DrawnDepths, room_mm: float) -> list[tuple[float, str]]:
    """Depth and wording of every label, shallowest first.

    What lies at one depth shares a label as far as it fits into ``room_mm``.
    """
    wl = "WORKING LENGTH" if depths.wl_final else "provisional LENGTH"
    named: list[tuple[float | None, str]] = [
        (0.0, "reference point"),
        (depths.coronal_mm, "planned coronal level"),
        (depths.sear_mm, "sear"),
        (depths.limit_mm, "LIMIT for instruments"),
        (depths.wl_mm, wl),
    ]
    for number_, carrier, plugger in depths.cycles:
        named += [(carrier, f"carrier {number_}"), (plugger, f"plugger {number_}")]
    for number_, length, level in depths.increments:
        named.append((level, f"fill {number_} (+{text_of(length)})"))
    if depths.post_mm is not None:
        named.append((depths.post_mm, "fill, post level"))
    known = [(depth, words) for depth, words in named if depth is not None]
    labels: list[tuple[float, str]] = []
    for depth, words in sorted(known, key=lambda label: label[0]):
        longer = f"{labels[-1][1]}, {words}" if labels and labels[-1][0] == depth else ""
        if longer and _label(depth, longer, 0.0).width_mm <= room_mm:
            labels[-1] = (depth, longer)
        else:
            labels.append((depth, words))
    return labels


def _label(depth: float, words: str, y: float) -> Text:
    strong = "LIMIT" in words or "LENGTH" in words
    return Text(_LABELS_X, y, _words(depth, words), bold=strong)


def _words(depth: float, words: str) -> str:
    return f"{text_of(depth)}  {words}"


def _lettered(labels: list[tuple[float, str]], scale: float, height: float) -> Iterator[Shape]:
    """The labels at the right, each with a thin line to its depth."""
    # A level computed above the reference point (negative) is lettered at it.
    wanted = [_y(max(depth, 0.0), scale) for depth, _ in labels]
    placed = pushed_apart(wanted, LABEL_GAP_MM, _TOP, _TOP + height)
    for (depth, words), at, y in zip(labels, wanted, placed, strict=True):
        yield Stroke(_LABELS_X - 3.0, at, _LABELS_X - 1.0, y, 0.1)
        yield _label(depth, words, y)


def legend() -> str:
    """What the lines mean, for beside the drawings."""
    return (
        "Depths in mm from the reference point, to scale; widths are not. Dotted arrow: heat "
        "carrier of the cycle numbered above; solid bar: plugger. Cross-hatched: apical fill; "
        "hatched one way: backfill increments (computed). Hatched band from the dashed line: "
        "nearer the working length than the limit allows."
    )

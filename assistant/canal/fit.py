"""What fits where: pluggers and heat carriers without wall contact, the master cone at its tip.

Depths are mm from the reference point, diameters and clearances mm of diameter (half of
it on each side). Sizes are known only within their tolerances (ISO 3630-1 for what
shaped the canal, ISO 6877 for points, neither edition opened, see :mod:`.instruments`; the
practice's own for pluggers), so every answer
is an interval, and a plain word only where the whole interval says the same. How depths
of contact are found, and the formulas for a curve, is in :mod:`.contact`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from assistant.canal.contact import Insertion
from assistant.canal.instruments import Interval
from assistant.canal.lengths import check_length_mm, depth_limit_mm
from assistant.canal.model import CanalShape
from assistant.canal.pluggers import Plugger, thinnest_first
from assistant.canal.points import Point, check_tolerance_mm

_DUST_MM = 1e-6

_STEPS = (-1.0, -0.5, 0.0, 0.5, 1.0)
"""Shares of the tolerance at which a cone's verdict is tried; see :func:`cone_fit`."""


class Answer(StrEnum):
    """What an interval says to a yes-or-no question."""

    YES = "definitely"
    PERHAPS = "perhaps"
    NO = "no"


class Third(StrEnum):
    """A third of the canal."""

    CORONAL = "coronal"
    MIDDLE = "middle"
    APICAL = "apical"


class ConeVerdict(StrEnum):
    """How a master cone sits."""

    TIGHT = "tight at the tip"
    LOOSE = "loose at the tip"
    BINDS_SHORT = "binds short of its end"
    """Held higher up than at its tip, which hangs free: contact marks there, refit."""
    STOPS_SHORT = "stops short of the working length"
    """Held at its tip, but not down at length: too thick there."""
    PERHAPS = "perhaps"
    """The tolerances leave more than one of the others possible."""


@dataclass(frozen=True, slots=True)
class PluggerFit:
    """A plugger with the depth of its first contact, and whether it goes as far as wanted."""

    plugger: Plugger
    binds_mm: Interval
    reaches: Answer


@dataclass(frozen=True, slots=True)
class ThirdFit:
    """Which of a set go down to the end of a third without touching.

    Attributes:
        third: which third.
        to_mm: the depth they must reach.
        fits: all of the set, thinnest first.
    """

    third: Third
    to_mm: float
    fits: tuple[PluggerFit, ...]

    @property
    def largest(self) -> Plugger | None:
        """The thickest that definitely goes there, None if none does."""
        sure = self._that(Answer.YES)
        return sure[-1] if sure else None

    @property
    def smallest(self) -> Plugger | None:
        """The thinnest that definitely goes there, None if none does."""
        sure = self._that(Answer.YES)
        return sure[0] if sure else None

    @property
    def largest_perhaps(self) -> Plugger | None:
        """The thickest that goes there definitely or perhaps: the first to try in."""
        possible = self._that(Answer.YES, Answer.PERHAPS)
        return possible[-1] if possible else None

    @property
    def reached(self) -> Answer:
        """Whether anything of the set goes there."""
        if self.largest is not None:
            return Answer.YES
        return Answer.NO if self.largest_perhaps is None else Answer.PERHAPS

    def _that(self, *answers: Answer) -> list[Plugger]:
        return [fit.plugger for fit in self.fits if fit.reaches in answers]


@dataclass(frozen=True, slots=True)
class ConeFit:
    """How a cut-back cone meets the prepared canal.

    Attributes:
        tip_mm: diameter of its new tip.
        canal_mm: diameter of the canal at the working length.
        excess_mm: tip minus canal there; negative where the tip is the smaller.
        stops_mm: depth of the tip when the cone first binds anywhere; the working
            length if it gets so far.
        nominal_stop_mm: the same for the nominal sizes.
        held_from_tip_mm: how far above its tip the nominal cone is held there, 0 at the
            tip, None if it touches nowhere.
        gap_mm: room (diameter) around the nominal tip there; 0 if it is held at the tip.
        nominal: the verdict if every size were exact.
        verdict: the verdict that all sizes within tolerance share, else perhaps.
    """

    tip_mm: Interval
    canal_mm: Interval
    excess_mm: Interval
    stops_mm: Interval
    nominal_stop_mm: float
    held_from_tip_mm: float | None
    gap_mm: float
    nominal: ConeVerdict
    verdict: ConeVerdict


def bind_depth_mm(
    shape: CanalShape, plugger: Plugger, clearance_mm: float, mouth_mm: float = 0.0
) -> Interval:
    """Depth of the tip at which a rigid plugger first comes within ``clearance_mm`` of a wall.

    Tip or shank, whichever is first. The low end: narrowest canal, thickest plugger, in
    a curve held along the straight part's axis. The high end: the other way round, and
    in a curve tilted as helps most (an upper bound). If the curve's radius is not known,
    nothing is promised beyond where it begins. ``mouth_mm`` is the depth of the canal's
    orifice, above which there is room enough; an end equal to it means that the plugger
    does not go in at all. Both ends are at most the working length.

    Raises:
        ValueError: clearance or mouth cannot be a length, or the mouth is below the
            working length.
    """
    check_length_mm(clearance_mm, "the clearance")
    _check_mouth_mm(mouth_mm, shape.wl_mm)
    error_mm = shape.tolerance_mm + plugger.tolerance_mm
    going_in = Insertion(
        shape, plugger.profile, -clearance_mm - error_mm, mouth_mm, rigid=True, tilted=False
    )
    low = going_in.deepest_mm()
    if shape.curve_begins_mm is not None and shape.curve_radius_mm is None:
        low = min(low, max(shape.curve_begins_mm, mouth_mm))
    high = replace(going_in, play_mm=error_mm - clearance_mm, tilted=True).deepest_mm()
    return Interval(low, max(low, high))


def reaches(binds_mm: Interval, depth_mm: float) -> Answer:
    """Whether something that first touches within ``binds_mm`` passes freely to a depth.

    Raises:
        ValueError: the depth cannot be one.
    """
    check_length_mm(depth_mm, "the depth")
    if binds_mm.low >= depth_mm - _DUST_MM:
        return Answer.YES
    return Answer.PERHAPS if binds_mm.high >= depth_mm - _DUST_MM else Answer.NO


def third_ends_mm(
    wl_mm: float,
    short_of_wl_mm: float,
    mouth_mm: float = 0.0,
    shares: tuple[float, float] = (1 / 3, 2 / 3),
) -> dict[Third, float]:
    """To which depth the plugger of each third must go.

    The coronal and the middle one to ``shares`` of the way from the orifice to the
    working length (thirds unless stated; common practice), the apical one to its limit,
    ``wl_mm - short_of_wl_mm``; none of them beyond that.

    Raises:
        ValueError: a length that cannot be, or shares that do not rise within 0 to 1.
    """
    limit_mm = depth_limit_mm(wl_mm, short_of_wl_mm)
    _check_mouth_mm(mouth_mm, wl_mm)
    if not 0 < shares[0] < shares[1] <= 1:
        raise ValueError(
            f"the shares are {shares[0]:g} and {shares[1]:g}; they must rise, from over 0 to 1"
        )
    coronal, middle = (min(limit_mm, mouth_mm + share * (wl_mm - mouth_mm)) for share in shares)
    return {Third.CORONAL: coronal, Third.MIDDLE: middle, Third.APICAL: limit_mm}


def passive_pluggers(
    shape: CanalShape,
    pluggers: Iterable[Plugger],
    clearance_mm: float,
    third: Third,
    ends_mm: dict[Third, float],
    mouth_mm: float = 0.0,
) -> ThirdFit:
    """Which pluggers (or heat carriers) go down to the end of a third without contact.

    ``ends_mm`` from :func:`third_ends_mm`, or the practice's own depths.

    Raises:
        ValueError: see :func:`bind_depth_mm`.
    """
    to_mm = ends_mm[third]
    fits = []
    for plugger in thinnest_first(pluggers):
        binds_mm = bind_depth_mm(shape, plugger, clearance_mm, mouth_mm)
        fits.append(PluggerFit(plugger, binds_mm, reaches(binds_mm, to_mm)))
    return ThirdFit(third, to_mm, tuple(fits))


def cone_fit(
    shape: CanalShape,
    point: Point,
    cut_mm: float,
    cut_error_mm: float,
    within_mm: float,
    mouth_mm: float = 0.0,
) -> ConeFit:
    """How a gutta-percha point, cut back by ``cut_mm`` (good to ``cut_error_mm``), sits.

    The whole length of the cone counts, from the tip to ``mouth_mm``; it bends, so a
    curve does not hold it. ``within_mm``: so far from the working length is still at
    length. The new tip is ``p(cut)``, the canal at its end ``D(WL)`` (ISO 3630-1,
    ISO 6877: diameters are straight lines between the given ones). A diameter of the
    canal and one of the cone count only by their difference, so all tolerances together
    are one shift of ``+/- (canal + point)``; the shortest and the longest cut give the
    ends of depths and diameters exactly. The verdict is tried at five shifts and three
    cuts and given only if all agree.

    Raises:
        ValueError: a length that cannot be, or a cut that leaves nothing.
    """
    check_length_mm(cut_mm, "the length cut off")
    check_length_mm(cut_error_mm, "the error of the cut")
    check_length_mm(within_mm, "the distance from the working length")
    _check_mouth_mm(mouth_mm, shape.wl_mm)
    error_mm = check_tolerance_mm(shape.tolerance_mm + point.tolerance_mm)
    shortest, asked, longest = (
        point.cut_back(length_mm)
        for length_mm in (max(0.0, cut_mm - cut_error_mm), cut_mm, cut_mm + cut_error_mm)
    )

    def going_in(cone: Point, shift_mm: float) -> Insertion:
        return Insertion(shape, cone.profile, shift_mm, mouth_mm)

    tip_mm = Interval(
        shortest.diameter_interval_mm(0.0).low, longest.diameter_interval_mm(0.0).high
    )
    canal_mm = shape.diameter_interval_mm(shape.wl_mm)
    nominal = going_in(asked, 0.0)
    stop_mm = nominal.deepest_mm()
    held_mm, room_mm = nominal.tightest(stop_mm)
    verdicts = {
        _verdict(going_in(cone, step * error_mm), within_mm)
        for cone, step in itertools.product((shortest, asked, longest), _STEPS)
    }
    return ConeFit(
        tip_mm=tip_mm,
        canal_mm=canal_mm,
        excess_mm=Interval(tip_mm.low - canal_mm.high, tip_mm.high - canal_mm.low),
        stops_mm=Interval(
            going_in(longest, -error_mm).deepest_mm(),
            going_in(shortest, error_mm).deepest_mm(),
        ),
        nominal_stop_mm=stop_mm,
        held_from_tip_mm=held_mm if room_mm <= _DUST_MM else None,
        gap_mm=max(0.0, nominal.room_mm(stop_mm, 0.0)),
        nominal=_verdict(nominal, within_mm),
        verdict=verdicts.pop() if len(verdicts) == 1 else ConeVerdict.PERHAPS,
    )


def _check_mouth_mm(mouth_mm: float, wl_mm: float) -> None:
    check_length_mm(mouth_mm, "the depth of the orifice")
    if mouth_mm > wl_mm:
        raise ValueError(
            f"the orifice at {mouth_mm:g} mm is deeper than the working length, {wl_mm:g} mm"
        )


def _verdict(cone: Insertion, within_mm: float) -> ConeVerdict:
    """What exact sizes say."""
    stop_mm = cone.deepest_mm()
    held_mm, room_mm = cone.tightest(stop_mm)
    if room_mm > _DUST_MM:
        return ConeVerdict.LOOSE
    if held_mm > 0:
        return ConeVerdict.BINDS_SHORT
    at_length = stop_mm >= cone.shape.wl_mm - within_mm - _DUST_MM
    return ConeVerdict.TIGHT if at_length else ConeVerdict.STOPS_SHORT

"""How deep something round and tapered goes into a canal before it first touches.

Pure geometry on the nominal shape; :mod:`.fit` makes intervals of it. In what follows
``D`` is a diameter of the canal and ``p`` one of the instrument; ``play`` is added to
``D`` and stands for tolerances and, negative, for a clearance.

**Straight canal.** With the tip at depth d, the cross-section at depth z is the one
``d - z`` above the tip, and the room there is ``D(z) + play - p(d - z)``. Both terms
are straight lines between the canal's changes of taper and the rows of the
instrument's table, so the least room is at one of those places, at the tip, or at the
mouth of the canal: those few are looked at, and the answer is exact. A smaller d puts
a thinner part everywhere, hence there is one depth of first contact, found by halving.

**Curved canal, straight rigid instrument.** The canal is a tube whose axis is straight
down to the curve and from there an arc of radius R, centre of curvature at (0, R) when
the straight part points along x. A cross-section of the instrument x mm past the
beginning, lying y to the inner side of the prolonged axis, has its outer edge at
(x, y - p/2). It is inside the outer wall as long as

    x^2 + (R + p/2 - y)^2 <= (R + D/2)^2

with D at the arc length ``R atan(x/R)``. On the axis (y = 0) and with ``g = (D - p)/2``
all round this is ``x = sqrt(g (2R + (D + p)/2))``, about ``sqrt(2 R g)``: the same to
first order as setting the sagitta of the arc, ``R - sqrt(R^2 - x^2)``, equal to g. The
expression (left minus right) is convex in x between the places listed above, so again
those are enough.

An instrument may also be tilted within its play. A straight line that passes no
further out than ``-g0`` at the mouth and no further in than the inner wall allows at
some x_m can lie at most ``y = Y + (Y + g0) (x - x_m) / (x_m + a)`` at x, where ``a`` is
the straight part's length and, from ``x_m^2 + (R - p/2 - Y)^2 = (R - D/2)^2``, ``Y`` the
most at x_m. The least y over a few x_m bounds what tilting can gain: a chord in a tube
that is curved from the mouth comes out at ``L^2 / 8R = 2g``, 2.8 times as deep as an
instrument held along the tangent. To first order in the tilt, which is a few degrees.
The condition must hold but may not suffice, so the answer is an upper bound (against a
dense search over tilts in 150 random canals: 0.01 mm too deep in the median, 0.11 at
most).

Source of all of it: plane geometry, worked here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from assistant.canal.model import CanalShape
from assistant.canal.points import Profile

_DUST_MM = 1e-9
_PRECISION_MM = 1e-10

_TRIED_MIDDLES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Where along the part in the curve the inner wall is looked at; more only tightens."""


@dataclass(frozen=True, slots=True)
class Insertion:
    """An instrument on its way into a canal.

    Attributes:
        shape: the canal.
        profile: the instrument.
        play_mm: added to every diameter of the canal.
        mouth_mm: depth where the canal begins; above it nothing is touched.
        rigid: stays straight, so that a curve of known radius matters.
        tilted: leans within its play as helps most, else held on the axis.
    """

    shape: CanalShape
    profile: Profile
    play_mm: float = 0.0
    mouth_mm: float = 0.0
    rigid: bool = False
    tilted: bool = False

    def deepest_mm(self) -> float:
        """Depth of the tip at first contact, at most the working length.

        ``mouth_mm``: it does not go in.
        """
        reached, beyond = self.mouth_mm, self.shape.wl_mm
        if self._free(beyond):
            return beyond
        if not self._free(reached):
            return reached
        while beyond - reached > _PRECISION_MM:
            middle = (reached + beyond) / 2
            if self._free(middle):
                reached = middle
            else:
                beyond = middle
        return reached

    def tightest(self, tip_mm: float) -> tuple[float, float]:
        """Where there is least room with the tip at this depth: mm from the tip, room in mm.

        Of several places alike, to a nanometre, the one nearest the tip.
        """
        rooms = [(at, self.room_mm(tip_mm, at)) for at in self._places(tip_mm)]
        least = min(room for _, room in rooms)
        return next((at, room) for at, room in rooms if room <= least + 1e-6)

    def room_mm(self, tip_mm: float, from_tip_mm: float) -> float:
        """Room (diameter) around the cross-section that far from the tip; negative: none."""
        thick = self.profile.diameter_mm(from_tip_mm)
        past = tip_mm - from_tip_mm - self._begins_mm
        if past <= 0 or not self._curved:
            return self._wide_mm(tip_mm - from_tip_mm) - thick
        wide = self._wide_mm(self._arc_depth_mm(past))
        lift = self._lift_mm(tip_mm, past) if self.tilted else 0.0
        from_centre = math.hypot(past, max(0.0, self._radius_mm + thick / 2 - lift))
        return 2 * (self._radius_mm + wide / 2 - from_centre)

    def _free(self, tip_mm: float) -> bool:
        return all(self.room_mm(tip_mm, at) >= -_DUST_MM for at in self._places(tip_mm))

    def _places(self, tip_mm: float) -> Iterator[float]:
        """Distances from the tip at which the least room can be, nearest first."""
        inside_mm = max(0.0, tip_mm - self.mouth_mm)
        found = {inside_mm, *(row.from_tip_mm for row in self.profile.rows)}
        edge_mm = self.shape.wl_mm
        for length_mm, _ in self.shape.segments[:-1]:
            edge_mm -= length_mm
            found.add(tip_mm - self._axial_mm(edge_mm))
        if self._curved:
            found.add(tip_mm - self._begins_mm)
        yield from sorted(at for at in found if 0 <= at <= inside_mm)

    @property
    def _curved(self) -> bool:
        shape = self.shape
        known = shape.curve_begins_mm is not None and shape.curve_radius_mm is not None
        return self.rigid and known

    @property
    def _radius_mm(self) -> float:
        return self.shape.curve_radius_mm or math.inf

    @property
    def _begins_mm(self) -> float:
        begins_mm = self.shape.curve_begins_mm
        return math.inf if begins_mm is None else max(begins_mm, self.mouth_mm)

    def _wide_mm(self, depth_mm: float) -> float:
        return self.shape.diameter_mm(depth_mm) + self.play_mm

    def _arc_depth_mm(self, past_mm: float) -> float:
        """Depth along the canal's axis of what is ``past_mm`` straight on from its curve."""
        return self._begins_mm + self._radius_mm * math.atan(past_mm / self._radius_mm)

    def _axial_mm(self, depth_mm: float) -> float:
        """The other way round; infinite where a straight line never comes."""
        if not self._curved or depth_mm <= self._begins_mm:
            return depth_mm
        angle = (depth_mm - self._begins_mm) / self._radius_mm
        if angle >= math.pi / 2:
            return math.inf
        return self._begins_mm + self._radius_mm * math.tan(angle)

    def _lift_mm(self, tip_mm: float, past_mm: float) -> float:
        """How far to the inner side tilting can bring the axis ``past_mm`` past the curve."""
        straight_mm = self._begins_mm - self.mouth_mm
        at_mouth = self.profile.diameter_mm(tip_mm - self.mouth_mm)
        least_mm = math.inf
        for share in _TRIED_MIDDLES:
            middle_mm = share * past_mm
            most_mm = self._inner_mm(tip_mm, middle_mm)
            base_mm = middle_mm + straight_mm
            if base_mm <= 0 or most_mm == math.inf:
                continue
            g0_mm = (self._wide_mm(self.mouth_mm) - at_mouth) / 2
            slope = (most_mm + g0_mm) / base_mm
            least_mm = min(least_mm, most_mm + slope * (past_mm - middle_mm))
        return least_mm

    def _inner_mm(self, tip_mm: float, past_mm: float) -> float:
        """The most that the inner wall lets the axis lie to that side; infinite: no limit."""
        thick = self.profile.diameter_mm(tip_mm - self._begins_mm - past_mm)
        inner_mm = self._radius_mm - self._wide_mm(self._arc_depth_mm(past_mm)) / 2
        if past_mm > inner_mm:
            return math.inf
        return self._radius_mm - thick / 2 - math.sqrt(inner_mm**2 - past_mm**2)

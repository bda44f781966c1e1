"""Plans ahead: the heat cycles of the downpack, the increments of the backfill.

Depths are mm from the coronal reference point, a larger number deeper (see
:mod:`.lengths`); volumes mm3; times seconds. Every depth of a plan is a whole tenth of a
millimetre. A plan is an expectation, made again from each depth that is spoken; it
changes nothing that was said, and asks for nothing deeper than the depth limit.

Every limit is an argument, since the protocol owns them. Plunges and increments are
equalised by :func:`.lengths.equal_pieces`: never one longer than its range, as few as
possible, since each heats the root once more; and where no number of them fits, shorter
ones, which only take longer, and ``fits`` says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from assistant.canal.instruments import Interval
from assistant.canal.lengths import check_length_mm, depth_limit_mm, equal_pieces, round_mm
from assistant.canal.model import MAX_DIAMETER_MM, CanalShape

VOLUME_CHANGE = Interval(-0.014, 0.013)
"""Change of volume, as a fraction, once gutta-percha is back at 37 C: -1.4 % after an
80 C cycle without pressure, +1.3 % after a 45 C cycle (the same series, part V, Oral Surg
Oral Med Oral Pathol 1985;59:285-96, summary). Pressure while it cools makes up for some of
the loss."""

_DUST_MM = 1e-6


class PluggerRank(StrEnum):
    """One of the three pluggers, the widest first."""

    CORONAL = "coronal"
    MIDDLE = "middle"
    APICAL = "apical"


class Fitted(NamedTuple):
    """Depths that the pluggers reached without wall contact, mm; None: not said."""

    coronal_mm: float | None = None
    middle_mm: float | None = None
    apical_mm: float | None = None


NONE_FITTED = Fitted()


class CycleTimes(NamedTuple):
    """What one cycle takes, in seconds: heat on, dwell with it off, press, and all else;
    and by how much the press of the last one is longer."""

    heat_s: float
    dwell_s: float
    press_s: float
    handling_s: float
    last_press_more_s: float = 0.0

    def of(self, cycles: int) -> float:
        """Of so many whole cycles, the last one not counted as such."""
        return cycles * (self.heat_s + self.dwell_s + self.press_s + self.handling_s)


@dataclass(frozen=True, slots=True)
class Downpack:
    """What the downpack of one canal starts from.

    Attributes:
        wl_mm: working length.
        sear_mm: depth of the sear, the first top of the fill.
        plunge_mm: how far the heat carrier goes into the fill in one cycle.
        short_of_wl_mm: distance that every instrument keeps from the working length.
        within_mm: so near the limit the downpack counts as complete; also how far short a
            fitted apical plugger may fall.
        fitted: what the pluggers reached.

    Raises:
        ValueError: a value that cannot be a length, or a plunge range without a whole
            tenth of a millimetre in it.
    """

    wl_mm: float
    sear_mm: float
    plunge_mm: Interval
    short_of_wl_mm: float
    within_mm: float
    fitted: Fitted = NONE_FITTED

    def __post_init__(self) -> None:
        equal_pieces(0.0, _ends(self.plunge_mm), _ends(self.plunge_mm))
        for value, what in (
            (self.wl_mm, "the working length"),
            (self.sear_mm, "the depth of the sear"),
            (self.short_of_wl_mm, "the distance to keep from the working length"),
            (self.within_mm, "the tolerance at the limit"),
        ):
            check_length_mm(value, what)
        for plugger, depth in zip(PluggerRank, self.fitted, strict=True):
            check_length_mm(depth or 0.0, f"the depth of the {plugger} plugger")

    @property
    def limit_mm(self) -> float:
        """The deepest that carrier and plugger may go, see :func:`.lengths.depth_limit_mm`."""
        return depth_limit_mm(self.wl_mm, self.short_of_wl_mm)


@dataclass(frozen=True, slots=True)
class Cycle:
    """One heat cycle to come.

    Attributes:
        number: from 1, over the whole downpack.
        heat_to_mm: depth of the heat carrier.
        plugger_to_mm: depth of the plugger after it. The carrier takes the material above
            its tip along, so the plugger is expected to end where the carrier did.
        plugger: which one; None where none that was fitted reaches so deep.
    """

    number: int
    heat_to_mm: float
    plugger_to_mm: float
    plugger: PluggerRank | None


@dataclass(frozen=True, slots=True)
class CyclePlan:
    """The cycles to come.

    Attributes:
        cycles: in order; none when the limit is reached within the tolerance, or passed.
        stop_mm: where the last plugger must stop, the depth limit.
        seconds: the time they take.
        fits: whether every plunge lies in its range, a fitted plugger reaches every depth
            and nothing that was said lies beyond the limit.
    """

    cycles: tuple[Cycle, ...]
    stop_mm: float
    seconds: float
    fits: bool


def plan_downpack(job: Downpack, times: CycleTimes) -> CyclePlan:
    """Plan the whole downpack, from the sear to the limit."""
    return replan(job, times, job.sear_mm, 0)


def replan(
    job: Downpack,
    times: CycleTimes,
    level_mm: float,
    done: int,
    heated_mm: float | None = None,
) -> CyclePlan:
    """Plan what is left of the downpack after a depth was spoken.

    Args:
        job: what the downpack started from.
        times: what one cycle takes.
        level_mm: top of the fill now: the last plugger depth, or the sear.
        done: how many cycles are complete.
        heated_mm: depth of the carrier in the cycle under way, None between cycles. That
            cycle comes first, with this depth as said, even one beyond the limit; of its
            time the press and the handling are left.

    Raises:
        ValueError: a depth that cannot be one, or a negative ``done``.
    """
    level = round_mm(check_length_mm(level_mm, "the top of the fill"))
    heated = check_length_mm(level if heated_mm is None else heated_mm, "the carrier's depth")
    _check_done(done)
    stop, plunge = job.limit_mm, _ends(job.plunge_mm)
    steps: list[tuple[float, float]] = []
    seconds, fits = 0.0, level <= stop
    if heated_mm is not None and level <= stop:
        heated = round_mm(heated)
        fits = heated <= stop and round_mm(heated - level) in job.plunge_mm
        level = min(max(level, heated), stop)
        steps.append((heated, level))
        seconds = times.press_s + times.handling_s
    plunges = equal_pieces(stop - level, plunge, plunge, job.within_mm)
    for plunge_mm in plunges.lengths_mm:
        level = round_mm(level + plunge_mm)
        steps.append((level, level))
    cycles = tuple(_cycle(job, number, *step) for number, step in enumerate(steps, done + 1))
    return CyclePlan(
        cycles=cycles,
        stop_mm=stop,
        seconds=seconds
        + times.of(len(plunges.lengths_mm))
        + (times.last_press_more_s if steps else 0.0),
        fits=fits and plunges.fits and all(cycle.plugger for cycle in cycles),
    )


def plugger_for(job: Downpack, depth_mm: float) -> PluggerRank | None:
    """The widest plugger that reaches ``depth_mm``, None if none does.

    One whose fitted depth was not said is taken to serve its third of the way from the
    sear to the limit, give or take the tolerance (chosen here). Where none reaches, the
    one that reaches deepest still counts if it falls short by no more than the tolerance.
    """
    way_mm = max(0.0, job.limit_mm - job.sear_mm)
    reaches = {
        plugger: job.sear_mm + way_mm * third / 3 + job.within_mm if fitted is None else fitted
        for third, (plugger, fitted) in enumerate(zip(PluggerRank, job.fitted, strict=True), 1)
    }
    for plugger, reach_mm in reaches.items():
        if depth_mm <= reach_mm + _DUST_MM:
            return plugger
    deepest = max(PluggerRank, key=lambda plugger: reaches[plugger])
    return deepest if depth_mm <= reaches[deepest] + job.within_mm + _DUST_MM else None


def _cycle(job: Downpack, number: int, heat_mm: float, plugger_mm: float) -> Cycle:
    return Cycle(
        number=number,
        heat_to_mm=heat_mm,
        plugger_to_mm=plugger_mm,
        plugger=plugger_for(job, plugger_mm),
    )


@dataclass(frozen=True, slots=True)
class Backfill:
    """What the backfill of one canal aims at.

    Attributes:
        shape: the prepared canal.
        coronal_mm: planned level of the top of the fill.
        first_mm: range of the length of the first increment.
        later_mm: range of the later ones.
        within_mm: so near the level the fill counts as complete.
        post_mm: level of the fill under a post, in place of ``coronal_mm``; None: no post.
        seal_min_mm: length of fill to keep above the working length under a post (common
            practice: at least 4-5 mm).

    Raises:
        ValueError: a value that cannot be a length, or a range without a whole tenth.
    """

    shape: CanalShape
    coronal_mm: float
    first_mm: Interval
    later_mm: Interval
    within_mm: float
    post_mm: float | None = None
    seal_min_mm: float = 5.0

    def __post_init__(self) -> None:
        equal_pieces(0.0, _ends(self.first_mm), _ends(self.later_mm))
        for value, what in (
            (self.coronal_mm, "the coronal level"),
            (self.within_mm, "the tolerance at the level"),
            (self.seal_min_mm, "the apical seal"),
            (self.post_mm or 0.0, "the post level"),
        ):
            check_length_mm(value, what)

    @property
    def level_mm(self) -> float:
        """Where the fill is to end: the coronal or the post level.

        Under a post no deeper than leaves the apical seal: the shallower of the two.
        """
        if self.post_mm is None:
            return self.coronal_mm
        return min(self.post_mm, depth_limit_mm(self.shape.wl_mm, self.seal_min_mm))


@dataclass(frozen=True, slots=True)
class Increment:
    """One increment to come: from the top of the fill up to ``to_mm``, nominal volume."""

    number: int
    from_mm: float
    to_mm: float
    length_mm: float
    volume_mm3: float


@dataclass(frozen=True, slots=True)
class BackfillPlan:
    """The increments to come.

    Attributes:
        increments: from the apex upward; none when the level is reached or passed.
        level_mm: where the fill is to end, see :attr:`Backfill.level_mm`.
        volume_mm3: nominal volume of all increments.
        material_mm3: gutta-percha to put in, measured at 37 C before the cycle: the canal
            within its tolerance, with the change of volume made up for.
        fits: whether every increment lies in its range, the fill is not above its level by
            more than the tolerance, and the post level asked for leaves the apical seal.
    """

    increments: tuple[Increment, ...]
    level_mm: float
    volume_mm3: float
    material_mm3: Interval
    fits: bool


def plan_backfill(
    job: Backfill, top_mm: float, done: int = 0, change: Interval = VOLUME_CHANGE
) -> BackfillPlan:
    """Plan the increments from the top of the fill to its level; again after each of them.

    Args:
        job: what the backfill aims at.
        top_mm: top of the fill now; negative: it stands above the reference point.
        done: increments already in: with any, the range of the later ones holds for all.
        change: fraction by which the volume changes as it cools, see ``VOLUME_CHANGE``.

    Raises:
        ValueError: a depth that cannot be one, a negative ``done``, or a loss of everything.
    """
    top = 0.0 if top_mm < 0 else round_mm(check_length_mm(top_mm, "the top of the fill"))
    _check_done(done)
    if not change.low > -1:
        raise ValueError(f"a change of volume of {change.low:g} leaves nothing of the fill")
    level = round_mm(job.level_mm)
    first = job.later_mm if done else job.first_mm
    lengths = equal_pieces(top - level, _ends(first), _ends(job.later_mm), job.within_mm)
    increments, at = [], top
    for number, length_mm in enumerate(lengths.lengths_mm, done + 1):
        start, at = at, round_mm(at - length_mm)
        volume = job.shape.volume_mm3(start, at)
        increments.append(Increment(number, start, at, length_mm, volume))
    canal = volume_interval_mm3(job.shape, top, at)
    return BackfillPlan(
        increments=tuple(increments),
        level_mm=level,
        volume_mm3=job.shape.volume_mm3(top, at),
        material_mm3=Interval(canal.low / (1 + change.high), canal.high / (1 + change.low)),
        fits=lengths.fits
        and top_mm >= level - job.within_mm - _DUST_MM
        and (job.post_mm is None or job.post_mm <= job.level_mm + _DUST_MM),
    )


def volume_interval_mm3(shape: CanalShape, from_mm: float, to_mm: float) -> Interval:
    """Volume between two depths of a canal whose diameters are within its tolerance.

    A tip thinner than the tolerance counts as a point at the low end.

    Raises:
        ValueError: a depth cannot be one.
    """
    thin, thick = (
        replace(shape, apical_mm=min(max(0.0, shape.apical_mm + by), MAX_DIAMETER_MM))
        for by in (-shape.tolerance_mm, shape.tolerance_mm)
    )
    return Interval(thin.volume_mm3(from_mm, to_mm), thick.volume_mm3(from_mm, to_mm))


def _ends(range_mm: Interval) -> tuple[float, float]:
    return range_mm.low, range_mm.high


def _check_done(done: int) -> None:
    if done < 0:
        raise ValueError(f"{done} were done; the number cannot be negative")

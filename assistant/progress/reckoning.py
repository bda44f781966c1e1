"""What the dictated numbers mean: the canal's shape, what fits it, and plans;
heat is in :mod:`.heat_reckoning`.

Nothing here is stored. Each answer is computed again from the entries that stand, by
the functions of :mod:`assistant.canal`, and is None while a number for it is missing
or cannot be. The same question is computed once (the caches are of pure functions).
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from assistant.canal import fit, plan, points, true_length
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape, TaperSegment, prepared
from assistant.canal.pluggers import Plugger, PluggerSet
from assistant.progress import facts
from assistant.progress.facts import number
from assistant.progress.state import CaseState
from assistant.protocol.expect import Measure
from assistant.protocol.limits import Limit, Limits
from assistant.protocol.model import Protocol
from assistant.protocol.own_instruments import PluggerFile
from assistant.protocol.roles import Role

FITTED = {
    fit.Third.CORONAL: Role.CORONAL_PLUGGER,
    fit.Third.MIDDLE: Role.MIDDLE_PLUGGER,
    fit.Third.APICAL: Role.APICAL_PLUGGER,
}
"""What a plugger of each third reached in the empty canal."""


def shape(state: CaseState, track: str) -> CanalShape | None:
    """The canal as its size, taper and working length in force describe it."""
    wl = facts.wl_mm(state, track)
    size = number(state.last(track, Role.APICAL_SIZE))
    taper = number(state.last(track, Role.TAPER))
    if wl is None or size is None or taper is None:
        return None
    more = (Role.APICAL_PART, Role.APICAL_TAPER, Role.CURVE_BEGINS, Role.CURVE_RADIUS)
    return _shape(wl, int(size), taper, *(number(state.last(track, one)) for one in more))


@lru_cache(maxsize=64)
def _shape(
    wl_mm: float,
    size: int,
    taper: float,
    part_mm: float | None,
    part_taper: float | None,
    curve_mm: float | None,
    radius_mm: float | None,
) -> CanalShape | None:
    known = part_mm is not None and part_taper is not None
    try:
        part = [TaperSegment(part_mm, part_taper)] if known else []  # type: ignore[arg-type]
        canal = prepared(wl_mm, size, *part, taper)
        return replace(canal, curve_begins_mm=curve_mm, curve_radius_mm=radius_mm)
    except ValueError:
        return None  # a size the standard does not have: no shape to compute with


def value_of(limit: Limit | None) -> float:
    """A limit that an older protocol may lack counts as 0: nothing is added for it."""
    return 0.0 if limit is None else limit.value


def orifice_mm(state: CaseState, track: str) -> float:
    """Depth of the canal's orifice: where it was seared off, else 0 (not known)."""
    return number(state.newest(track, Role.SEAR)) or 0.0


def length(state: CaseState, track: str) -> true_length.TrueLength | None:
    """What paper points and apex locator say together."""
    readings = facts.readings_mm(state, track)
    if not readings:
        return None
    limits = state.protocol.limits
    if limits.readings_min is None or limits.readings_agree_mm is None:
        return None
    return true_length.true_length(
        readings,
        wanted=int(limits.readings_min.value),
        tolerance_mm=limits.readings_agree_mm.value,
        locator_mm=facts.apex_locator_mm(state, track),
        locator_tolerance_mm=value_of(limits.apex_locator_agree_mm),
    )


# -- what fits ----------------------------------------------------------------


def cone(state: CaseState, track: str, *, cut_mm: float | None = None) -> fit.ConeFit | None:
    """How the master cone sits, cut back as far as was said, or by ``cut_mm``."""
    canal, whole = shape(state, track), _whole_cone(state, track)
    if canal is None or whole is None:
        return None
    cut = _cut_mm(state, track) if cut_mm is None else cut_mm
    try:
        return seat(canal, whole, cut, state.protocol.limits, orifice_mm(state, track))
    except ValueError:
        return None


@lru_cache(maxsize=64)
def seat(
    canal: CanalShape, point: points.Point, cut_mm: float, limits: Limits, mouth_mm: float
) -> fit.ConeFit:
    """:func:`.fit.cone_fit` under a protocol's limits. Raises ValueError as that does."""
    error = value_of(limits.cut_error_mm) if cut_mm else 0.0
    return fit.cone_fit(
        canal, point, cut_mm, error, limits.value("cone_wl_within_mm"), mouth_mm
    )


def master_cone(state: CaseState, track: str) -> points.Point | None:
    """The master cone as it is now: of its size and taper, less what was cut off."""
    whole = _whole_cone(state, track)
    try:
        return whole and whole.cut_back(_cut_mm(state, track))
    except ValueError:
        return None


def _whole_cone(state: CaseState, track: str) -> points.Point | None:
    size = number(state.last(track, Role.CONE_SIZE))
    taper = number(state.last(track, Role.CONE_TAPER))
    if size is None or taper is None:
        return None
    try:
        return point(state.instruments, int(size), taper)
    except ValueError:
        return None  # points are not made so


def point(own: PluggerFile | None, size: int, taper: float) -> points.Point:
    """The cone that is dictated so: the practice's own, else the standard's.

    Raises:
        ValueError: as :func:`.points.iso_point`.
    """
    return (own and own.point(size, taper)) or points.iso_point(size, taper)


def _cut_mm(state: CaseState, track: str) -> float:
    return number(state.last(track, Role.CUT_BACK)) or 0.0


def pluggers(state: CaseState, track: str) -> dict[fit.Third, fit.ThirdFit]:
    """Which of the practice's own pluggers go where; empty without such a set."""
    canal, own = shape(state, track), state.instruments
    if canal is None or own is None:
        return {}
    try:
        limits, mouth = state.protocol.limits, orifice_mm(state, track)
        return thirds(canal, own.plugger_set(), limits, mouth)
    except ValueError:
        return {}


@lru_cache(maxsize=64)
def thirds(
    canal: CanalShape, own: PluggerSet, limits: Limits, mouth_mm: float
) -> dict[fit.Third, fit.ThirdFit]:
    """:func:`.fit.passive_pluggers` of each third under a protocol's limits.

    Raises:
        ValueError: as that does.
    """
    ends = fit.third_ends_mm(canal.wl_mm, limits.value("short_of_wl_mm"), mouth_mm)
    clearance = value_of(limits.plugger_clearance_mm)
    return {
        third: fit.passive_pluggers(canal, own.pluggers, clearance, third, ends, mouth_mm)
        for third in fit.Third
    }


def thinnest_binds_mm(state: CaseState, track: str) -> tuple[Plugger, Interval] | None:
    """The thinnest plugger of the set, and where it first touches."""
    found = pluggers(state, track).get(fit.Third.APICAL)
    return (found.fits[0].plugger, found.fits[0].binds_mm) if found and found.fits else None


def widest_to(
    state: CaseState, track: str, depth_mm: float, *, carrier: bool = False
) -> Plugger | None:
    """Of the practice's own pluggers, or heat carriers, the widest that goes to a depth
    without contact (perhaps, where of none it is sure). Which of them was taken is never
    told. None without such a set, before the canal's shape is known, or where none goes."""
    canal, own = shape(state, track), state.instruments
    if canal is None or own is None:
        return None
    try:
        tray, mouth = own.plugger_set(), orifice_mm(state, track)
        found = _going_to(
            canal,
            tray.heat_carriers if carrier else tray.pluggers,
            value_of(state.protocol.limits.plugger_clearance_mm),
            depth_mm,
            mouth,
        )
    except ValueError:
        return None
    return found.largest or found.largest_perhaps


@lru_cache(maxsize=64)
def _going_to(
    canal: CanalShape,
    tray: tuple[Plugger, ...],
    clearance_mm: float,
    to_mm: float,
    mouth_mm: float,
) -> fit.ThirdFit:
    third = fit.Third.APICAL
    return fit.passive_pluggers(canal, tray, clearance_mm, third, {third: to_mm}, mouth_mm)


# -- plans --------------------------------------------------------------------


def loop_of(protocol: Protocol, role: Role) -> str | None:
    """Name of the loop that the step of a role is done in, None outside loops."""
    step = protocol.with_role(role)
    return None if step is None else step.loop


def cycle_times(protocol: Protocol) -> plan.CycleTimes:
    """Seconds of one heat cycle: its limits, and what its other steps typically take."""
    loop = loop_of(protocol, Role.COMPACTION)
    handling = sum(
        step.typical_s
        for step in protocol.steps()
        if loop is not None and step.loop == loop and isinstance(step.expect, Measure)
    )
    limits, press_s = protocol.limits, protocol.limit("press_s")
    last = limits.last_press_s
    return plan.CycleTimes(
        protocol.limit("heat_s"),
        value_of(limits.dwell_s),
        press_s,
        handling,
        0.0 if last is None else last.value - press_s,
    )


def downpack_job(
    protocol: Protocol, wl_mm: float, sear_mm: float, fitted: plan.Fitted = plan.NONE_FITTED
) -> plan.Downpack:
    """A downpack under a protocol's limits. Raises ValueError as :class:`.plan.Downpack`."""
    limit = protocol.limit
    return plan.Downpack(
        wl_mm=wl_mm,
        sear_mm=sear_mm,
        plunge_mm=Interval(limit("plunge_min_mm"), limit("plunge_max_mm")),
        short_of_wl_mm=limit("short_of_wl_mm"),
        within_mm=limit("at_limit_within_mm"),
        fitted=fitted,
    )


def downpack(state: CaseState, track: str) -> plan.CyclePlan | None:
    """The heat cycles still to come, by what was said last; None before the sear."""
    wl, sear = facts.wl_mm(state, track), number(state.newest(track, Role.SEAR))
    if wl is None or sear is None:
        return None
    depths = (number(state.newest(track, role)) for role in FITTED.values())
    try:
        job = downpack_job(state.protocol, wl, sear, plan.Fitted(*depths))
        level, done, heated = _progress(state, track, sear)
        return plan.replan(job, cycle_times(state.protocol), level, done, heated)
    except ValueError:
        return None


def _progress(state: CaseState, track: str, sear: float) -> tuple[float, int, float | None]:
    """Top of the fill, cycles done, and the carrier's depth in a cycle under way."""
    levels = {e.round: number(e) for e in state.in_sequence(track, Role.COMPACTION)}
    done = [level for level in levels.values() if level is not None]
    heated = state.last(track, Role.HEAT_DEPTH)
    under_way = heated is not None and levels.get(heated.round) is None
    return done[-1] if done else sear, len(done), number(heated) if under_way else None


def backfill_job(
    protocol: Protocol, canal: CanalShape, coronal_mm: float, post_mm: float | None = None
) -> plan.Backfill:
    """A backfill under a protocol's limits. Raises ValueError as :class:`.plan.Backfill`."""
    limit = protocol.limit
    least = limit("increment_min_mm")
    return plan.Backfill(
        shape=canal,
        coronal_mm=coronal_mm,
        first_mm=Interval(least, limit("first_increment_max_mm")),
        later_mm=Interval(least, limit("later_increment_max_mm")),
        within_mm=limit("level_within_mm"),
        post_mm=post_mm,
        seal_min_mm=limit("apical_seal_min_mm"),
    )


def backfill(state: CaseState, track: str) -> plan.BackfillPlan | None:
    """The increments still to come; None before there is a fill to stand on."""
    canal, top = shape(state, track), facts.fill_top_mm(state, track)
    coronal = number(state.last(track, Role.CORONAL_LEVEL))
    if canal is None or top is None or coronal is None:
        return None
    done = sum(1 for e in state.standing(track, Role.INCREMENT) if number(e) is not None)
    post = number(state.newest(track, Role.POST_LEVEL))
    try:
        return plan.plan_backfill(backfill_job(state.protocol, canal, coronal, post), top, done)
    except ValueError:
        return None

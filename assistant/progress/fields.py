"""What the braces of prompts and warnings stand for.

Only the fields that a sentence uses are worked out, since some take a computation.
Lengths are written with one decimal only where there is one ("16", "16.5").
"""

from __future__ import annotations

from collections.abc import Callable

from assistant.canal.heat_live import LiveHeat
from assistant.canal.instruments import Interval
from assistant.canal.plan import Cycle
from assistant.progress import facts, heat_reckoning, reckoning
from assistant.progress.facts import UNKNOWN, number, text_of
from assistant.progress.state import CASE, CaseState, Track
from assistant.protocol.model import Step
from assistant.protocol.roles import Role
from assistant.protocol.templates import names_in


def fill(template: str, state: CaseState, track: Track, **given: str) -> str:
    """The sentence with its fields filled; "unknown" for what is not known.

    Args:
        given: fields that the caller knows better.
    """
    return template.format_map(_filled(template, state, track, given))


def fill_if_known(template: str, state: CaseState, track: Track) -> str:
    """The same, but nothing at all where a field is not known."""
    filled = _filled(template, state, track, {})
    return "" if UNKNOWN in filled.values() else template.format_map(filled)


def _filled(
    template: str, state: CaseState, track: Track, given: dict[str, str]
) -> dict[str, str]:
    return {
        name: given[name] if name in given else _READ[name](state, track)
        for name in names_in(template)
    }


def _length(role: Role) -> Callable[[CaseState, Track], str]:
    return lambda state, track: text_of(number(state.last(track.name, role)))


def _step(state: CaseState, track: Track) -> Step | None:
    try:
        return state.protocol.by_id[track.step]
    except KeyError:
        return None


def _suggestion(state: CaseState, track: Track) -> str:
    step = _step(state, track)
    wanted = getattr(step.expect, "suggest", None) if step else None
    return text_of(facts.suggestion(state, track.name, wanted) if wanted else None)


def _round(state: CaseState, track: Track) -> str:
    step = _step(state, track)
    return str(track.round(step.loop if step else None))


def _press_s(state: CaseState, _: Track) -> str:
    limit = state.protocol.limits.press_s
    return text_of(None if limit is None else limit.value)


def _title(state: CaseState, track: Track) -> str:
    step = _step(state, track)
    return step.title if step else ""


def _tip(state: CaseState, track: Track) -> str:
    tip = facts.new_tip_mm(state, track.name)
    return UNKNOWN if tip is None else f"{tip:.2f}"


def _between(state: CaseState, track: Track) -> str:
    length = reckoning.length(state, track.name)
    if length is None or length.interval_mm.low == length.interval_mm.high:
        return UNKNOWN
    return f"{text_of(length.interval_mm.low)} and {text_of(length.interval_mm.high)}"


def _readings(state: CaseState, track: Track) -> str:
    return ", ".join(map(text_of, facts.readings_mm(state, track.name))) or "none"


def _cardiac_device(state: CaseState, _: Track) -> str:
    """Known where one was told at readiness."""
    told = state.newest(CASE, Role.PATIENT_RISKS)
    has = told is not None and str(told.value).endswith("_device")
    return "Cardiac device" if has else UNKNOWN


# -- computed -----------------------------------------------------------------


def _cone_seat(state: CaseState, track: Track) -> str:
    cone = reckoning.cone(state, track.name)
    return UNKNOWN if cone is None else str(cone.nominal)


def _try_plugger(state: CaseState, track: Track) -> str:
    """Of the practice's own set, the thickest that goes where this step wants it."""
    step = _step(state, track)
    fitted = {role: third for third, role in reckoning.FITTED.items()}
    third = fitted.get(step.role) if step and step.role else None
    found = reckoning.pluggers(state, track.name).get(third) if third else None
    best = found and (found.largest or found.largest_perhaps)
    return best.name if best else UNKNOWN


def _cycle(tell: Callable[[Cycle], str]) -> Callable[[CaseState, Track], str]:
    def read(state: CaseState, track: Track) -> str:
        plan = reckoning.downpack(state, track.name)
        return tell(plan.cycles[0]) if plan and plan.cycles else UNKNOWN

    return read


def _cycles_left(state: CaseState, track: Track) -> str:
    plan = reckoning.downpack(state, track.name)
    return UNKNOWN if plan is None or not plan.cycles else str(len(plan.cycles))


def _increment(state: CaseState, track: Track) -> str:
    plan = reckoning.backfill(state, track.name)
    return text_of(plan.increments[0].length_mm) if plan and plan.increments else UNKNOWN


def _volume(state: CaseState, track: Track) -> str:
    plan = reckoning.backfill(state, track.name)
    return f"{plan.increments[0].volume_mm3:.1f}" if plan and plan.increments else UNKNOWN


# Heat is said only where it changes what to do; the page of figures has all of it.


def _firm(state: CaseState, track: Track) -> str:
    """The shortest hold after which the mass is firm, where that is over the usual one."""
    heat, press_s = heat_reckoning.heat(state, track.name), state.protocol.limits.press_s
    if not heat or not heat.inside or press_s is None or heat.cool_s.high <= press_s.value:
        return UNKNOWN
    return firm_s(heat)


def firm_s(heat: LiveHeat) -> str:
    """After how many seconds the mass is firm, whatever its properties."""
    return text_of(heat.cool_s.outward(0).high)


def _heat_max(state: CaseState, track: Track) -> str:
    """The longest heat for this depth and wall, where it is under the protocol's own."""
    found = heat_reckoning.next_heat(state, track.name)
    return text_of(found[1]) if found and found[1] < state.protocol.limit("heat_s") else UNKNOWN


def _wait(state: CaseState, track: Track) -> str:
    """How long after a removal the next heat may begin, where the usual handling is less."""
    found, usual_s = (
        heat_reckoning.next_heat(state, track.name),
        heat_reckoning.between_s(state.protocol),
    )
    return text_of(found[0]) if found and found[0] > usual_s else UNKNOWN


def span(interval: Interval, digits: int = 0) -> str:
    """An interval, rounded outward, as it is said: "4 to 9"."""
    rounded = interval.outward(digits)
    low, high = f"{rounded.low:.{digits}f}", f"{rounded.high:.{digits}f}"
    return low if low == high else f"{low} to {high}"


_READ: dict[str, Callable[[CaseState, Track], str]] = {
    "canal": lambda _, track: track.name.capitalize(),
    "tooth": lambda state, _: str(state.tooth or UNKNOWN),
    "wl": lambda state, track: text_of(facts.wl_mm(state, track.name)),
    "limit": lambda state, track: text_of(facts.depth_limit_mm(state, track.name)),
    "limit_high": lambda *_: UNKNOWN,
    "value": lambda *_: UNKNOWN,
    "suggestion": _suggestion,
    "round": _round,
    "top": lambda state, track: text_of(facts.fill_top_mm(state, track.name)),
    "post_level": _length(Role.POST_LEVEL),
    "coronal_level": _length(Role.CORONAL_LEVEL),
    "readings": _readings,
    "cone": _length(Role.CONE_LENGTH),
    "tip": _tip,
    "press_s": _press_s,
    "step": _title,
    "between": _between,
    "cone_seat": _cone_seat,
    "try_plugger": _try_plugger,
    "heat_to": _cycle(lambda cycle: text_of(cycle.heat_to_mm)),
    "plugger_to": _cycle(lambda cycle: text_of(cycle.plugger_to_mm)),
    "plugger": _cycle(lambda cycle: cycle.plugger or UNKNOWN),
    "cycles_left": _cycles_left,
    "increment": _increment,
    "volume": _volume,
    "firm_s": _firm,
    "heat_max_s": _heat_max,
    "wait_s": _wait,
    "cardiac_device": _cardiac_device,
}

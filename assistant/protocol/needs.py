"""What facts, rules, suggestions and sentences of a protocol rest on: roles and limits.

Asked of a file, not of what a journal holds. A protocol that passes has a step for every
value that it takes for granted, and every limit; what is merely not computed for want of
one is told by :func:`never_said`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from assistant.protocol.coherence import Loc, leads_of, misfit
from assistant.protocol.roles import OF_THE_CASE, TOPS, Role
from assistant.protocol.templates import names_in

if TYPE_CHECKING:
    from assistant.protocol.model import Protocol, Step


class Need(NamedTuple):
    """Of each set of ``roles`` one is enough; every one of ``limits`` is wanted."""

    roles: tuple[frozenset[Role], ...] = ()
    limits: tuple[str, ...] = ()


def _need(*roles: Role | frozenset[Role], limits: tuple[str, ...] = ()) -> Need:
    return Need(tuple(frozenset({r}) if isinstance(r, Role) else r for r in roles), limits)


_LENGTH = frozenset({Role.WORKING_LENGTH, Role.FINAL_LENGTH})
_SHAPE = (_LENGTH, Role.APICAL_SIZE, Role.TAPER)
_CONE = (*_SHAPE, Role.CONE_SIZE, Role.CONE_TAPER)
_HEATING = _need(*_SHAPE, Role.HEAT, Role.HEAT_DEPTH, limits=("press_s",))
_AGREE = ("readings_min", "readings_agree_mm")
_DEPTH = ("short_of_wl_mm", "at_limit_within_mm")
_PORTIONS = ("increment_min_mm", "first_increment_max_mm", "later_increment_max_mm")
_DOWNPACK = _need(
    *(_LENGTH, Role.SEAR),
    limits=(*_DEPTH, "plunge_min_mm", "plunge_max_mm", "heat_s", "press_s"),
)
_NEXT_HEAT = _need(
    *_HEATING.roles, *_DOWNPACK.roles, limits=(*_DOWNPACK.limits, "surface_rise_c")
)
_BACKFILL = _need(
    *(*_SHAPE, TOPS, Role.CORONAL_LEVEL),
    limits=(*_PORTIONS, "level_within_mm", "apical_seal_min_mm"),
)
_DOWNPACK_GOAL = _need(_LENGTH, Role.COMPACTION, limits=_DEPTH)
_FILL_GOAL = _need(TOPS, Role.CORONAL_LEVEL, Role.INCREMENT, limits=("level_within_mm",))

FACTS: Mapping[str, Need] = {
    "readings_wanted": _need(Role.PAPER_POINT, limits=("readings_min",)),
    "readings_disagree": _need(Role.PAPER_POINT, limits=_AGREE),
    "downpack_short": _DOWNPACK_GOAL,
    "downpack_complete": _DOWNPACK_GOAL,
    "backfill_short": _FILL_GOAL,
    "backfill_complete": _FILL_GOAL,
    "post_planned": _need(Role.POST_PLANNED),
}

SUGGESTIONS: Mapping[str, Need] = {
    "final_length": _need(Role.PAPER_POINT, limits=("readings_min",)),
    "cut_back": _need(_LENGTH, Role.CONE_LENGTH),
}

CHECKS: Mapping[str, Need] = {
    "deeper_than_limit": _need(_LENGTH),
    "limit_unknown": _need(_LENGTH, limits=("short_of_wl_mm",)),
    "short_of_wl": _need(_LENGTH),
    "beyond_wl": _need(_LENGTH),
    "not_shallower_than": _need(_LENGTH),
    "seal_below": _need(_LENGTH),
    "advance_outside": _need(TOPS),
    "readings_spread": _need(limits=("readings_min",)),
    "differs_from_paper_points": _need(
        Role.PAPER_POINT, Role.APEX_LOCATOR, limits=("readings_min",)
    ),
    "finish_short": _need(_LENGTH, TOPS, limits=_DEPTH),
    "last_press_below": _need(_LENGTH, Role.PRESS, Role.COMPACTION, limits=_DEPTH),
    "cone_misfit": _need(*_CONE, limits=("cone_wl_within_mm",)),
    "beyond_reach": _need(*_SHAPE, limits=("short_of_wl_mm", "plugger_clearance_mm")),
    "above_fill": _need(TOPS),
    "not_advanced": _need(TOPS),
    "advance_above": _need(TOPS),
    "past_carrier": _need(Role.HEAT_DEPTH, Role.COMPACTION),
    "short_of_limit": _need(_LENGTH, limits=("short_of_wl_mm",)),
    "past_coronal_level": _need(Role.CORONAL_LEVEL),
    "level_off": _need(TOPS, Role.CORONAL_LEVEL),
    "surface_rise_above": _HEATING,
    "cools_slower": _HEATING,
    "late": _need(Role.HEAT, Role.PRESS),
}
"""Beside the limit that a rule names itself."""

FIELDS: Mapping[str, Need] = {
    "wl": _need(_LENGTH),
    "limit": _need(_LENGTH, limits=("short_of_wl_mm",)),
    "coronal_level": _need(Role.CORONAL_LEVEL),
    "post_level": _need(Role.POST_LEVEL),
    "readings": _need(Role.PAPER_POINT),
    "between": _need(Role.PAPER_POINT, limits=_AGREE),
    "cone": _need(Role.CONE_LENGTH),
    "tip": _need(Role.CONE_SIZE, Role.CONE_TAPER, Role.CUT_BACK),
    "top": _need(TOPS),
    "press_s": _need(limits=("press_s",)),
    "cone_seat": _need(*_CONE, limits=("cone_wl_within_mm",)),
    "try_plugger": _need(*_SHAPE, limits=("short_of_wl_mm",)),
    "heat_to": _DOWNPACK,
    "plugger_to": _DOWNPACK,
    "plugger": _DOWNPACK,
    "cycles_left": _DOWNPACK,
    "increment": _BACKFILL,
    "volume": _BACKFILL,
    "firm_s": _HEATING,
    "heat_max_s": _NEXT_HEAT,
    "wait_s": _NEXT_HEAT,
    "cardiac_device": _need(Role.PATIENT_RISKS),
}
"""What the fields of sentences are made of; the others are always known."""

_FROM_RULE = frozenset({"limit", "limit_high", "value", "readings"})
"""Fields that a rule fills by itself in its sentence."""

MODES: Mapping[Role, str] = {
    Role.HEAT: "until_off",
    Role.PRESS: "hold",
    Role.INCREMENT_PRESS: "hold",
}


def check(protocol: Protocol) -> None:
    """Refuse a protocol in which something rests on a role or a limit that is not there.

    Raises:
        PydanticCustomError: the first one found; its context says where.
    """
    _check_roles(protocol)
    _check_loops(protocol)
    for at, who, need in _needs(protocol):
        if missing := _missing(protocol, need):
            raise misfit(at, f"{who} needs {missing}")
    _check_own_limits(protocol)


def never_said(protocol: Protocol) -> Iterator[str]:
    """A sentence for each hint that cannot be said, since something for it is not asked."""
    for _, step in _placed(protocol):
        for hint in (*step.hints, *step.shown):
            for name in sorted(names_in(hint)):
                if name in FIELDS and (missing := _missing(protocol, FIELDS[name])):
                    yield f"Step {step.id!r} never says {hint!r}: it would need {missing}."
                    break


def _missing(protocol: Protocol, need: Need) -> str | None:
    """What of a need is not there, in words, or None."""
    given = {step.role for step in protocol.steps()}
    for roles in need.roles:
        if not roles & given:
            named = " or ".join(sorted(roles))
            return f"a step of role {named}, and no step has it"
    limits = dict(protocol.limits.given())
    lacking = next((name for name in need.limits if name not in limits), None)
    return lacking and f"the limit {lacking}; add it to limits, with its source"


def _placed(protocol: Protocol) -> Iterator[tuple[Loc, Step]]:
    for part in ("opening", "canal", "closing"):
        for i, step in enumerate(getattr(protocol, part)):
            yield (part, i), step


def _needs(protocol: Protocol) -> Iterator[tuple[Loc, str, Need]]:
    """Where something is needed, who needs it, and what."""
    for at, step in _placed(protocol):
        for k, branch in enumerate(step.next):
            yield (
                (*at, "next", k, "when"),
                f"fact {branch.when}",
                FACTS.get(branch.when, Need()),
            )
        suggest = getattr(step.expect, "suggest", None)
        if suggest is not None:
            yield (*at, "expect", "suggest"), f"suggestion {suggest}", SUGGESTIONS[suggest]
        for key in ("ask", "briefly"):
            yield from _in_sentence((*at, key), getattr(step, key), suggest is not None)
    for i, rule in enumerate(protocol.rules):
        need = CHECKS.get(rule.check, Need())
        yield ("rules", i, "check"), f"rule {rule.id!r} ({rule.check})", need
        for key in ("say", "shows"):
            sentence = getattr(rule, key) or ""
            yield from _in_sentence(("rules", i, key), sentence, False, given=_FROM_RULE)


def _in_sentence(
    at: Loc, template: str, suggests: bool, given: Iterable[str] = ()
) -> Iterator[tuple[Loc, str, Need]]:
    for name in sorted(names_in(template) - set(given)):
        if name == "suggestion" and not suggests:
            raise misfit(at, "says {suggestion}, and the step suggests nothing; add `suggest`")
        if name in FIELDS:
            yield at, f"{{{name}}} in this sentence", FIELDS[name]


def _check_roles(protocol: Protocol) -> None:
    seen: dict[Role, str] = {}
    for at, step in _placed(protocol):
        role = step.role
        if role is None:
            continue
        if role in seen:
            raise misfit((*at, "role"), f"step {seen[role]!r} has role {role} already")
        seen[role] = step.id
        if (at[0] == "canal") == (role in OF_THE_CASE):
            right = "the opening or the closing" if role in OF_THE_CASE else "the canal part"
            raise misfit((*at, "role"), f"role {role} belongs to {right}")
        mode = MODES.get(role)
        if mode is not None and getattr(step.expect, "mode", None) != mode:
            raise misfit((*at, "expect"), f"a timed act of role {role} has mode {mode}")
        if getattr(step.expect, "starts_after", None) and role is not Role.PRESS:
            raise misfit(
                (*at, "expect", "starts_after"),
                "only the press of a cycle starts by itself, role press",
            )


def _check_loops(protocol: Protocol) -> None:
    """A loop that none of its steps begins again is none."""
    for part in ("opening", "canal", "closing"):
        steps: tuple[Step, ...] = getattr(protocol, part)
        first: dict[str, int] = {}
        for i, step in enumerate(steps):
            if step.loop is not None:
                first.setdefault(step.loop, i)
        leads = leads_of(steps)
        for loop, i in first.items():
            inside = [step.id for step in steps if step.loop == loop]
            if not any(steps[i].id in leads.get(one, ()) for one in inside):
                raise misfit(
                    (part, i, "loop"),
                    f"loop {loop!r} never begins again: none of its steps ("
                    f"{', '.join(inside)}) leads back to {steps[i].id!r}",
                )


def _check_own_limits(protocol: Protocol) -> None:
    """A limit of a name of its own that nothing uses is probably misspelt."""
    used = {rule.limit for rule in protocol.rules} | {r.limit_high for r in protocol.rules}
    for key in ("limit", "starts_after", "last_limit"):
        used |= {getattr(step.expect, key, None) for step in protocol.steps()}
    for name in protocol.limits.own():
        if name not in used:
            known = ", ".join(type(protocol.limits).model_fields)
            raise misfit(
                ("limits", name), f"no rule and no timer uses {name}; the program's are {known}"
            )

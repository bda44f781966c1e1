"""What may be said to a case: fitting answers, odd ones, and anything at all.

``anything(rng, state)`` draws from a ``random.Random``; Hypothesis can hand in one of
its own. Values are invented.
"""

from __future__ import annotations

from random import Random
from typing import get_args

from assistant.canal.teeth import PERMANENT_TEETH, Canal, canal_sets, parse_fdi
from assistant.progress import intents as it
from assistant.progress.entries import PersonRole
from assistant.progress.facts import (
    PLUGGERS,
    depth_limit_mm,
    fill_top_mm,
    number,
    readings_mm,
    wl_mm,
)
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.protocol.conditions import Condition
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment
from assistant.protocol.roles import Role
from fuzz.watched import PROTOCOLS, polite, protocol

VERBS: tuple[it.Verb, ...] = get_args(it.Verb)
STEERING: tuple[it.Verb, ...] = (
    "next", "confirm", "keep", "start", "stop", "back", "undo", "pause", "resume", "sign",
)  # fmt: skip
STEPS = [step for name in PROTOCOLS for step in protocol(name).steps()]
QUANTITIES = sorted({step.expect.quantity for step in STEPS})
OPTIONS = sorted({option.id for step in STEPS for option in step.options} | {"done", "?"})
SIZES = (8, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 80, 140)
TAPERS = (0.02, 0.04, 0.05, 0.059, 0.06, 0.08, 0.1, 0.12)
ODD: tuple[it.Scalar, ...] = (
    float("nan"), float("inf"), float("-inf"), -1.0, -0.0, 1e9, 10**400, 0, 1e-320, 35.0001,
    0.1 + 0.2, 17.123456789, "x", "", "\x00", "\ud800", (), ("case",), ("",), True,
    ("palatal", "palatal"), "no", "yes", 2**63, 24,
)  # fmt: skip
GARBAGE = ("", "the radio goes on", "\x00", "{limit}", "%s {0}", "Ω" * 300, "\u202e11", "\n\n")


def anything(rng: Random, state: CaseState) -> tuple[it.AnyIntent, float]:
    """One intent and the seconds before it: mostly to the point, often not."""
    chance = rng.random()
    if chance < 0.30:
        return polite(state)
    if chance < 0.72:
        return _to_the_point(rng, state), rng.choice((0.4, 1.0, 2.5))
    if chance < 0.80:
        return it.Tick(), rng.choice((0.1, 1.0, 4.0, 5.0, 6.0, 90.0))
    after_s = rng.choice((0.0, 0.3, 1.0, 3.9, 4.1, 4.9, 5.0, 7.0, 3600.0, -1000.0))
    return _off_the_point(rng, state), after_s


def _heard(rng: Random) -> it.Heard:
    doubt = rng.choice((None, None, None, None, "Not heard surely."))
    began = None
    if rng.random() < 0.1:
        began = Moment(wall="2026-03-09T14:05:00Z", mono_s=rng.uniform(-10, 400))
    return it.Heard(
        text=rng.choice(GARBAGE),
        confidence=rng.choice((0.0, 0.4, 1.0)),
        doubt=doubt,
        channel=rng.choice(("voice", "typed", "key", "pedal")),
        began=began,
    )


def _to_the_point(rng: Random, state: CaseState) -> it.AnyIntent:
    step, heard = state.step, _heard(rng)
    if step is None or rng.random() < 0.12:
        names = [track.name for track in state.canals] or ["single"]
        return it.SwitchCanal(canal=rng.choice([*names, CASE]), heard=heard)
    if rng.random() < 0.2:
        return it.Command(verb=rng.choice(STEERING), heard=heard)
    if rng.random() < 0.06:
        return _change(rng, state, heard)
    if rng.random() < 0.02:
        told = {"dressing": "temporary filling", "plan": "go on with the filling"}
        return it.CloseVisit(heard=heard, **told)
    if rng.random() < 0.02:
        return _taken_over(rng, heard)
    if rng.random() < 0.02:
        return it.Remark(text="bleeding stopped after 5 minutes", heard=heard)
    if state.protocol.findings and rng.random() < 0.06:
        finding = rng.choice(state.protocol.findings).id
        mm = rng.choice((None, None, 0.0, 1.5, 2.0, 2.1, 30.0))
        return it.Finding(finding=finding, mm=mm, heard=heard)
    if state.pending is not None and state.pending.revises and rng.random() < 0.6:
        return it.Chosen(option=rng.choice(("corrected", "again")), heard=heard)
    if step.options and rng.random() < 0.5:
        return it.Chosen(option=rng.choice(step.options).id, heard=heard)
    kind = KIND_OF.get(step.expect.kind)
    if kind is None:
        return it.Skip(reason="not needed", heard=heard)
    value = _value(rng, state, step)
    said = it.Correction if rng.random() < 0.15 else it.Given
    rival = None
    if heard.doubt is not None and rng.random() < 0.7:
        rival = rng.choice(ODD) if rng.random() < 0.2 else _value(rng, state, step)
    waiting = state.pending
    if waiting is not None and waiting.offers and rng.random() < 0.6:
        value = rng.choice(waiting.offers)
    return said(kind=kind, value=value, rival=rival, heard=heard)


def _change(rng: Random, state: CaseState, heard: it.Heard) -> it.Change:
    """The case is another one, or something is done again; mostly one that can be."""
    names = [track.name for track in state.canals] or ["single"]
    phases = sorted({step.phase for step in state.protocol.canal})
    if rng.random() < 0.2:
        return it.Change(what="removed", mm=_left(rng, state), heard=heard)
    return it.Change(
        what=rng.choice(get_args(it.ChangeKind)),
        canal=rng.choice([None, *names, str(rng.choice(list(Canal)))]),
        to=rng.choice([*phases, *names, str(rng.choice(list(Canal)))]),
        tooth=rng.choice(PERMANENT_TEETH).fdi,
        mm=rng.choice((None, 0.0, 36.0, *_near_wl(state))),
        reason=rng.choice([None, " ", "void seen", *GARBAGE]),
        heard=heard,
    )


def _left(rng: Random, state: CaseState) -> float:
    """A level to which a fill can be taken out: below its top, or as deep as a seal or the
    downpack's limit allows; sometimes above it."""
    top, wl = fill_top_mm(state, state.active) or 10.0, wl_mm(state, state.active) or 21.0
    deepest = depth_limit_mm(state, state.active)
    near = [top, top + 0.1, top + 1.5, (top + wl) / 2, wl - 5.0, wl - 5.5, wl - 4.9, wl - 0.1]
    near += [] if deepest is None else [deepest, deepest - 0.5, deepest - 0.6]
    return round(rng.choice(near), 1)


def _taken_over(rng: Random, heard: it.Heard) -> it.TakeOver:
    role: PersonRole = rng.choice(("operator", "chairside"))
    name = rng.choice(["operator b", "Operator A", "Dr Invented", *GARBAGE])
    return it.TakeOver(role=role, name=name, heard=heard)


def _near_wl(state: CaseState) -> tuple[float, ...]:
    """Depths at which canals can join, at the length and about it."""
    wl = wl_mm(state, state.active) or 21.0
    return (wl, round(wl + 0.1, 1), round(wl - 0.1, 1), round(wl - 3, 1), round(wl / 2, 1))


def _value(rng: Random, state: CaseState, step: Step) -> it.Scalar:
    match step.expect.kind:
        case "tooth":
            return rng.choice(PERMANENT_TEETH).fdi
        case "canals":
            return _canals(rng, state)
        case "size":
            return rng.choice(SIZES)
        case "taper":
            return rng.choice(TAPERS)
        case "timed":
            return rng.choice(
                (0.0, 2.9, 3.9, 4.0, 4.1, 4.9, 5, 5.0, 9.9, 10.0, 14.9, 15.0, 30.0, 60.0, 61.0)
            )
    return _depth(rng, state, step)


def _canals(rng: Random, state: CaseState) -> tuple[str, ...]:
    usual = [str(canal) for canal in rng.choice(canal_sets(parse_fdi(state.tooth or 24)))]
    if rng.random() < 0.8:
        return tuple(usual[:3])
    return tuple(rng.sample([str(canal) for canal in Canal], rng.choice((1, 2, 3))))


def _depth(rng: Random, state: CaseState, step: Step) -> float:
    """A length near one of those that matter here, so that rules are just met or just
    broken; sometimes any."""
    canal = state.active
    if rng.random() < 0.4 and (edges := _limits_here(state, step)):
        beyond = rng.choice((0.0, 0.0, 0.1, -0.1))
        return round(rng.choice(edges) + beyond, 2)
    if step.role is Role.INCREMENT:
        return rng.choice((0.0, 1.9, 2.0, 2.5, 2.5, 2.5, 3.0, 3.1, 5.0, 5.1, 19.9, 20.1))
    wl = wl_mm(state, canal) or 21.0
    limit = depth_limit_mm(state, canal)
    top = fill_top_mm(state, canal)
    near = [wl, limit if limit is not None else 16.0, top if top is not None else 10.0, 2.0]
    near += [3.0, 5.0, wl - 4.0, wl / 2, 10.0, (top or 10.0) + 3.5]
    centre = rng.choice(near)
    offset = rng.choice((0.0, 0.1, -0.1, 0.5, -0.5, 0.6, -0.6, 1.0, -1.0, 0.05))
    length = rng.uniform(0, 35) if rng.random() < 0.1 else centre + offset
    return round(length, rng.choice((1, 1, 1, 2)))


def _limits_here(state: CaseState, step: Step) -> list[float]:
    """Lengths exactly at a limit of this step: what is right must stay right there."""
    canal, limit = state.active, state.protocol.limit
    wl, top, quantity = wl_mm(state, canal), fill_top_mm(state, canal), step.expect.quantity
    found: list[float] = []
    for rule in state.protocol.rules:
        if quantity not in rule.quantities or rule.limit is None:
            continue
        bounds = [limit(name) for name in (rule.limit, rule.limit_high) if name is not None]
        match rule.check:
            case "deeper_than_limit" | "seal_below" | "short_of_wl" if wl is not None:
                found += [wl - bound for bound in bounds]
            case "beyond_wl" if wl is not None:
                found += [wl + bound for bound in bounds]
            case "advance_outside" if top is not None:
                found += [top + bound for bound in bounds]
            case "below" | "above" | "last_press_below" if step.role is not Role.COMPACTION:
                found += bounds
            case "first_round_above" | "first_round_below" | "later_round_above":
                found += bounds
            case "short_of_limit" if wl is not None:
                found += [wl - limit("short_of_wl_mm") - bound for bound in bounds]
            case "past_coronal_level":
                level = number(state.last(canal, Role.CORONAL_LEVEL))
                found += [level + bound for bound in bounds if level is not None]
            case "advance_above" if top is not None:
                found += [top + bound for bound in bounds]
            case "past_carrier":
                carrier = number(state.last(canal, Role.HEAT_DEPTH))
                found += [carrier + bound for bound in bounds if carrier is not None]
            case "differs_from_paper_points" | "readings_spread":
                known = readings_mm(state, canal)
                found += [one + sign * b for one in known for b in bounds for sign in (-1, 1)]
    checks = {rule.check for rule in state.protocol.rules if quantity in rule.quantities}
    if checks & {"above_fill", "not_advanced"} and top is not None:
        found.append(top)
    if "out_of_order" in checks:
        fitted = (number(state.last(canal, role)) for role in PLUGGERS)
        found += [depth for depth in fitted if depth is not None]
    given = {name for name, _ in state.protocol.limits.given()}
    deepest = depth_limit_mm(state, canal)
    if step.role is Role.COMPACTION and deepest is not None and "at_limit_within_mm" in given:
        found.append(deepest - limit("at_limit_within_mm"))
    coronal = number(state.last(canal, Role.CORONAL_LEVEL))
    if step.role is Role.INCREMENT and top is not None and coronal is not None:
        found.append(top - coronal - limit("level_within_mm"))
        if "level_reached_within_mm" in given:
            found.append(top - coronal - limit("level_reached_within_mm"))
    return [one for one in found if one >= 0]


def _off_the_point(rng: Random, state: CaseState) -> it.AnyIntent:
    heard = _heard(rng)
    kind = rng.choice(("mm", "s", "size", "taper", "tooth", "canals"))
    value = rng.choice(ODD)
    if rng.random() < 0.4:
        value = _value(rng, state, rng.choice(STEPS))
    quantity = rng.choice((None, *QUANTITIES))
    match rng.randrange(14):
        case 0 | 1:
            return it.Given(kind=kind, value=value, quantity=quantity, heard=heard)
        case 2:
            return it.Correction(kind=kind, value=value, quantity=quantity, heard=heard)
        case 3:
            return it.Chosen(option=rng.choice(OPTIONS), heard=heard)
        case 4 | 5:
            return it.Command(verb=rng.choice(VERBS), heard=heard)
        case 6:
            return it.Skip(reason=rng.choice((None, "", "  ", "no time", "\x00")), heard=heard)
        case 7:
            names = [str(canal) for canal in Canal]
            return it.SwitchCanal(canal=rng.choice([*names, CASE, "", "x"]), heard=heard)
        case 8:
            if rng.random() < 0.5:
                return _taken_over(rng, heard)
            return it.WhoSpeaks(who=rng.choice(("operator", "chairside")), heard=heard)
        case 9:
            text = rng.choice(GARBAGE)
            readings = rng.choice(((), ("20", "30"), ("",)))
            return it.Unclear(reason=text or "-", readings=readings, heard=heard)
        case 10 if rng.random() < 0.7:
            number = rng.choice((None, 0, 1, 2, 10**6))
            text = rng.choice((*GARBAGE, "17.5 mm", "x" * 300, "x" * 301))
            kept: tuple[it.AnyIntent, ...] = (
                it.Remark(text=text, heard=heard),
                it.CorrectRemark(text=text, number=number, heard=heard),
                it.DropRemark(number=number, heard=heard),
                it.Note(condition=rng.choice(list(Condition)), text=text, heard=heard),
            )
            return rng.choice(kept)
        case 10 if rng.random() < 0.3:
            plan = rng.choice((None, *GARBAGE))
            return it.CloseVisit(dressing=rng.choice(GARBAGE), plan=plan, heard=heard)
        case 10:
            return it.ReadOut(seq=rng.randint(-1, len(state.entries) + 2))
        case 11:
            text = rng.choice(GARBAGE)
            return rng.choice((it.Reopen(note=text), it.Trouble(text=text)))
        case 12:
            return it.AsPlanned(quantity=quantity, heard=heard)
    return it.Append(text=rng.choice(("Note.", "", " ")), by=rng.choice(("Operator A", "")))

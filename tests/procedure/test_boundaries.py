"""A value exactly at a limit keeps it; a tenth beyond does not."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from room import Room, at_backfill, at_heat, at_press, front_tooth, told_at_press, with_post
from typical_case import PROTOCOL, START

from assistant.case.instrument_files import load_pluggers
from assistant.procedure import rules, timing
from assistant.procedure.fired import fired_by_leaving, fired_by_value
from assistant.progress import facts, heat_reckoning
from assistant.progress import intents as it
from assistant.progress.state import CaseState, Timer
from assistant.progress.values import ABSURD, problem_with
from assistant.protocol.limits import Limit
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import CarrierLine
from assistant.protocol.roles import Role
from assistant.protocol.rule import CheckName, Rule

pytestmark = pytest.mark.core

WL = 21.0
TENTHS = st.integers(120, 300).map(lambda tenths: tenths / 10)
"""Working lengths, mm."""


def fired(state: CaseState, step: Step, value: float, round_: int = 1) -> set[str]:
    found = rules.Candidate(state.active, step, step.expect.quantity, value, round_)
    return {one.rule.id for one in fired_by_value(state, found)}


def limit(name: str) -> float:
    return PROTOCOL.limit(name)


def with_limit(state: CaseState, name: str, value: float) -> CaseState:
    limits = state.protocol.limits.model_copy(
        update={name: Limit(value=value, source="this test")}
    )
    return state.model_copy(
        update={"protocol": state.protocol.model_copy(update={"limits": limits})}
    )


def at_length(wl: float) -> Room:
    case = front_tooth()
    case.mm(wl)
    if case.state.pending is not None:  # unusual for this tooth
        case.command("confirm")
    return case


AROUND_WL: dict[str, tuple[str, Callable[[float], float], float]] = {
    "plugger_depth": ("depth-limit", lambda wl: wl - limit("short_of_wl_mm"), 0.1),
    "heat_depth": ("depth-limit", lambda wl: wl - limit("short_of_wl_mm"), 0.1),
    "cone_length:short": ("cone-short", lambda wl: wl - limit("cone_wl_within_mm"), -0.1),
    "cone_length:long": ("cone-long", lambda wl: wl + limit("cone_wl_within_mm"), 0.1),
    "post_level": ("seal-short", lambda wl: wl - limit("apical_seal_min_mm"), 0.1),
}


@pytest.mark.parametrize("name", AROUND_WL)
@settings(max_examples=12)
@given(wl=TENTHS)
def test_a_depth_at_its_limit_keeps_it_whatever_the_working_length(
    name: str, wl: float
) -> None:
    rule, at, beyond = AROUND_WL[name]
    step = PROTOCOL.by_id[name.split(":", maxsplit=1)[0]]
    state = at_length(wl).state
    edge = round(at(wl), 1)
    assert rule not in fired(state, step, edge)
    assert rule in fired(state, step, round(edge + beyond, 1))


@pytest.mark.parametrize(
    ("step", "round_", "rule", "name", "beyond"),
    [
        ("press", 1, "press-short", "press_s", -0.1),
        ("increment_press", 1, "press-short", "press_s", -0.1),
        ("heat", 1, "heat-long", "heat_s", 0.1),
        ("taper", 1, "low-taper", "taper_caution", -0.01),
        ("increment", 1, "first-increment-large", "first_increment_max_mm", 0.1),
        ("increment", 2, "later-increment-large", "later_increment_max_mm", 0.1),
        ("increment", 1, "increment-small", "increment_min_mm", -0.1),
    ],
)
def test_an_amount_at_its_limit_keeps_it(
    step: str, round_: int, rule: str, name: str, beyond: float
) -> None:
    state, asked, edge = at_length(WL).state, PROTOCOL.by_id[step], limit(name)
    assert rule not in fired(state, asked, edge, round_)
    assert rule in fired(state, asked, round(edge + beyond, 2), round_)


def test_the_first_increment_and_the_later_ones_have_their_own_limits() -> None:
    state, step = at_length(WL).state, PROTOCOL.by_id["increment"]
    assert "later-increment-large" not in fired(state, step, 9.0, 1)
    assert "first-increment-large" in fired(state, step, 9.0, 1)
    assert "increment-small" not in fired(state, step, 0.5, 2)
    assert "first-increment-large" not in fired(state, step, 9.0, 2)
    assert "later-increment-large" in fired(state, step, 9.0, 2)


@pytest.mark.parametrize(
    ("advance", "out"), [(2.9, True), (3.0, False), (4.0, False), (4.1, True)]
)
def test_an_advance_of_exactly_the_least_or_the_most_is_as_planned(
    advance: float, out: bool
) -> None:
    case = at_heat()
    top = facts.fill_top_mm(case.state, case.state.active)
    assert top is not None
    heard = fired(case.state, PROTOCOL.by_id["heat_depth"], round(top + advance, 1))
    assert ("plunge-range" in heard) is out


@settings(max_examples=12)
@given(wl=TENTHS)
def test_a_level_at_working_length_is_not_above_it(wl: float) -> None:
    state = at_length(wl).state
    for name in ("coronal_level", "sear"):
        assert "depth-order" in fired(state, PROTOCOL.by_id[name], wl)
        assert "depth-order" not in fired(state, PROTOCOL.by_id[name], round(wl - 0.1, 1))


@pytest.mark.parametrize(("off", "asked"), [(0.5, False), (0.6, True), (-0.5, False)])
def test_an_apex_locator_that_differs_by_exactly_the_limit_agrees(
    off: float, asked: bool
) -> None:
    room = Room()
    room.set_up(11, "single")
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL, WL)
    found = fired(room.state, PROTOCOL.by_id["apex_locator"], round(WL + off, 1))
    assert ("lengths-disagree" in found) is asked


# -- heat: bounds that a computation gives ----------------------------------------


OWN = load_pluggers("example").model_copy(update={"carrier": CarrierLine(setting_c=150.0)})


def heated() -> tuple[CaseState, float, float]:
    """A case at a heat depth; the depth, the high end of the rise."""
    case = at_heat()
    case.state = case.state.model_copy(update={"instruments": OWN})
    case.heat(3.0)
    top = facts.fill_top_mm(case.state, case.state.active)
    assert top is not None
    depth = round(top + 2.0, 1)
    found = heat_reckoning.heat_to(case.state, case.state.active, depth, 1)
    assert found is not None
    assert found.inside
    return case.state, depth, found.surface_rise_c.high


def test_heat_that_just_reaches_its_bound_is_within_it() -> None:
    state, depth, bound = heated()
    step, rule, name = PROTOCOL.by_id["heat_depth"], "surface-heat", "surface_rise_c"
    assert rule not in fired(with_limit(state, name, bound), step, depth)
    assert rule in fired(with_limit(state, name, bound * (1 - 1e-12)), step, depth)


def test_a_mass_that_is_firm_just_when_the_press_ends_needs_no_word() -> None:
    """The hint of the press, and the rule that a protocol may have on it."""
    state, depth, _ = heated()
    found = heat_reckoning.heat_to(state, state.active, depth, 1)
    assert found is not None
    rule = Rule(
        id="cools-slowly",
        severity="caution",
        check="cools_slower",
        limit="press_s",
        quantities=("heat_depth_mm",),
        say="Hold {value} seconds, longer than {limit}.",
        source="test",
    )
    step, firm_s = PROTOCOL.by_id["heat_depth"], found.cool_s.high
    for limit_s, fires in ((firm_s, False), (firm_s * (1 - 1e-12), True)):
        bounded = with_limit(state, "press_s", limit_s)
        ruled = bounded.protocol.model_copy(update={"rules": (rule,)})
        bounded = bounded.model_copy(update={"protocol": ruled})
        assert ("cools-slowly" in fired(bounded, step, depth)) is fires


# -- facts ---------------------------------------------------------------------------


def test_as_many_readings_as_are_wanted_are_enough() -> None:
    room = Room()
    room.set_up(11, "single")
    room.canal_to_pluggers(WL)
    room.choose("dry")
    wanted = int(limit("readings_min"))
    for count in range(1, wanted + 1):
        room.mm(WL)
        holds = facts.holds(room.state, "single")
        assert holds("readings_wanted") is (count < wanted)


@pytest.mark.parametrize(("spread", "apart"), [(0.5, False), (0.6, True)])
def test_readings_that_lie_exactly_so_far_apart_agree(spread: float, apart: bool) -> None:
    room = Room()
    room.set_up(11, "single")
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL)
    last = round(WL + spread, 1)
    assert (
        "readings-spread" in fired(room.state, PROTOCOL.by_id["paper_point"], last)
    ) is apart
    room.mm(last)
    assert facts.holds(room.state, "single")("readings_disagree") is apart


@pytest.mark.parametrize(("above", "short"), [(0.5, False), (0.6, True)])
def test_a_downpack_exactly_within_its_limit_is_complete(above: float, short: bool) -> None:
    case = told_at_press()
    track = case.state.active
    deepest = facts.depth_limit_mm(case.state, track)
    assert deepest is not None
    case.correct("mm", round(deepest - above, 1), "plugger_depth_mm")
    assert facts.number(case.state.last(track, Role.COMPACTION)) == round(deepest - above, 1)
    holds = facts.holds(case.state, track)
    assert holds("downpack_short") is short
    assert holds("downpack_complete") is not short
    leaving = fired_by_leaving(case.state, track, PROTOCOL.by_id["press"])
    left = {one.rule.id for one in leaving}
    assert ("downpack-short" in left) is short


@pytest.mark.parametrize(("above", "short"), [(0.5, False), (0.6, True)])
def test_a_backfill_exactly_within_its_level_is_complete(above: float, short: bool) -> None:
    case = at_backfill()
    track = case.state.active
    top = facts.fill_top_mm(case.state, track)
    coronal = facts.number(case.state.last(track, Role.CORONAL_LEVEL))
    assert top is not None
    assert coronal is not None
    case.mm(round(top - coronal - above, 1))
    holds = facts.holds(case.state, track)
    assert holds("backfill_short") is short
    assert holds("backfill_complete") is not short


def test_the_account_of_the_fill_ends_before_the_place_that_is_named() -> None:
    case = told_at_press()
    track = case.state.active
    last = case.state.last(track, Role.COMPACTION)
    assert last is not None
    place = case.state.place(last)
    assert facts.fill_top_mm(case.state, track, place) != last.value
    assert facts.fill_top_mm(case.state, track, place + 1) == last.value


@pytest.mark.parametrize(("seal", "short"), [(5.0, False), (4.9, True)])
def test_a_seal_of_exactly_the_least_is_enough(seal: float, short: bool) -> None:
    case = with_post()
    wl = facts.wl_mm(case.state, case.state.active)
    assert wl is not None
    found = fired(case.state, PROTOCOL.by_id["post_level"], round(wl - seal, 1))
    assert ("seal-short" in found) is short


# -- what is known already: asked before it is stored ---------------------------------


def asked(case: Room, step: str, value: it.Scalar, round_: int = 1) -> set[str]:
    found = rules.Candidate(
        case.state.active,
        PROTOCOL.by_id[step],
        PROTOCOL.by_id[step].expect.quantity,
        value,
        round_,
    )
    fired_here = fired_by_value(case.state, found)
    return {one.rule.id for one in fired_here if one.rule.severity == "confirm"}


@pytest.mark.parametrize(
    ("step", "value", "rule"),
    [
        ("heat_depth", 10.1, None),
        ("heat_depth", 10.0, "carrier-not-advanced"),
        ("heat_depth", 16.0, None),
        ("plugger_depth", 10.0, None),
        ("plugger_depth", 9.9, "above-fill"),
        ("post_level", 10.0, None),
        ("post_level", 9.9, "above-fill"),
        ("sear", 13.0, None),
        ("sear", 13.1, "sear-below-level"),
        ("plugger_coronal", 13.0, None),
        ("plugger_coronal", 13.1, "plugger-order"),
        ("plugger_middle", 10.0, None),
        ("plugger_middle", 9.9, "plugger-order"),
        ("plugger_middle", 16.0, None),
        ("plugger_apical", 14.0, None),
        ("plugger_apical", 13.9, "plugger-short"),
        ("level_check", "yes", None),
    ],
)
def test_a_depth_against_the_fill_the_level_and_the_other_pluggers(
    step: str, value: it.Scalar, rule: str | None
) -> None:
    """Seared at 10, which is the planned level; pluggers at 10, 13 and 16, limit 16."""
    assert asked(at_heat(), step, value) == ({rule} if rule else set())


def test_a_carrier_far_past_the_fill_is_asked_about() -> None:
    case = Room()
    case.set_up(11, "single")
    case.canal_to_pluggers(24.0)
    case.canal_to_sear(24.0)
    assert not asked(case, "heat_depth", 16.0)
    assert asked(case, "heat_depth", 16.1) == {"carrier-far"}


def test_a_plugger_far_past_its_carrier_is_asked_about_whichever_is_told_last() -> None:
    case = at_press()
    case.mm(11.0)
    assert not asked(case, "plugger_depth", 15.0)
    assert asked(case, "plugger_depth", 15.1) == {"plugger-past-carrier"}
    case.mm(15.0)
    assert asked(case, "heat_depth", 10.9) == {"plugger-past-carrier"}
    assert not asked(case, "heat_depth", 11.0)


@pytest.mark.parametrize(
    ("left", "off"), [(1.0, False), (1.1, True), (-1.0, False), (-1.1, True)]
)
def test_a_level_within_the_limit_of_the_computed_fill_is_reached(
    left: float, off: bool
) -> None:
    case = at_backfill()  # at 16, planned 10
    case.press()
    case.mm(round(6.0 - left, 1))
    while case.state.open_warnings(case.state.active):
        case.command("keep")
    assert asked(case, "level_check", "yes") == ({"level-off"} if off else set())
    assert asked(case, "increment_press", "level_reached") == ({"level-off"} if off else set())
    assert not asked(case, "level_check", "no")


def test_what_is_asked_about_is_stored_and_planned_from_only_once_confirmed() -> None:
    case = at_press()
    case.press()
    case.mm(13.5, 9.0)
    pending = case.state.pending
    assert pending is not None
    assert pending.why == "The fill is at 10."
    assert facts.fill_top_mm(case.state, case.state.active) == 10.0
    assert case.state.here.step == "plugger_depth"
    case.mm(13.0)
    assert facts.fill_top_mm(case.state, case.state.active) == 13.0


# -- time ----------------------------------------------------------------------------


def moment(seconds: float) -> Moment:
    return Moment(wall=START, mono_s=seconds)


def test_a_press_ends_at_its_very_second() -> None:
    case = at_press()
    case.command("start")
    began = case.elapsed_s
    case.do(it.Tick(), 4.9)
    assert case.state.timer is not None
    case.do(it.Tick(), round(began + 5.0 - case.elapsed_s, 3))
    assert case.state.timer is None
    last = case.state.entries[-1]
    assert (last.value, last.cut_short) == (5.0, False)


@pytest.mark.parametrize(("held_s", "short"), [(4.9, True), (5.0, False), (5.1, False)])
def test_a_press_let_go_at_its_very_second_is_whole(held_s: float, short: bool) -> None:
    case = at_press()
    case.command("start")
    case.command("stop", after_s=held_s)
    last = case.state.entries[-1]
    assert last.cut_short is short
    assert ("press-short" in case.warned) is short


@pytest.mark.parametrize("first", ["depth", "press"])
@pytest.mark.parametrize(
    ("depth", "held_s", "short"),
    [(15.5, 14.9, True), (15.5, 15.0, False), (15.4, 5.0, False), (16.0, 5.0, True)],
)
def test_the_press_of_the_last_cycle_has_a_limit_of_its_own(
    depth: float, held_s: float, short: bool, first: str
) -> None:
    case = at_press()
    case.mm(13.5, *([depth] if first == "depth" else []))
    case.command("start")
    case.command("stop", after_s=held_s)
    warned = list(case.warned)
    if first == "press":
        case.mm(depth)
        warned += case.warned
    assert ("last-press-short" in warned) is short


def test_a_last_press_that_runs_is_judged_when_it_ends() -> None:
    case = at_press()
    case.press_cut_short(3.0)
    case.command("start")
    case.mm(15.5, 15.5)
    assert "last-press-short" not in case.warned
    case.wait_out()
    assert case.state.entries[-1].value == 5.0
    assert "last-press-short" in case.warned


def test_the_last_cycle_that_is_planned_holds_so_long_by_itself() -> None:
    case = at_press()
    case.press()
    case.mm(13.5, 13.5)
    case.heat(3.0)
    case.press()
    assert case.state.entries[-1].value == 15.0
    case.mm(16.0, 16.0)
    assert not case.warned


def test_heat_is_warned_about_at_its_very_second() -> None:
    case = at_heat()
    case.command("start")
    case.do(it.Tick(), 3.9)
    assert case.warned == []
    case.do(it.Tick(), 0.1)
    assert case.warned == ["heat-long"]


@pytest.mark.parametrize(
    ("mode", "elapsed", "recorded"),
    [
        ("hold", 4.99, 4.9),
        ("hold", 5.0, 5.0),
        ("until_off", 3.01, 3.1),
        ("until_off", 3.0, 3.0),
    ],
)
def test_time_is_rounded_to_the_safe_side_only(
    mode: str, elapsed: float, recorded: float
) -> None:
    timer = Timer.model_validate(
        {"track": "single", "step": "x", "mode": mode, "started": moment(10.0), "target_s": 5}
    )
    assert timing.elapsed_s(timer, moment(10.0 + elapsed)) == recorded
    assert timing.elapsed_s(timer, moment(9.0)) == 0.0


# -- what can be a value at all ----------------------------------------------------------


def ranged() -> Iterator[tuple[Step, float, float]]:
    for step in PROTOCOL.steps():
        if step.expect.kind in {"measure", "readings"}:
            expect = step.expect
            yield step, expect.min_mm, expect.max_mm
        elif step.expect.kind == "timed":
            yield step, 0.0, step.expect.max_s


def test_the_ends_of_a_range_are_in_it() -> None:
    for step, low, high in ranged():
        assert problem_with(step, low) is None
        assert problem_with(step, high) is None
        assert problem_with(step, low - 0.1) is not None
        assert problem_with(step, high + 0.1) is not None


def test_what_is_no_number_of_this_world_is_no_answer_rather_than_out_of_range() -> None:
    step = PROTOCOL.by_id["working_length"]
    problems = [problem_with(step, value) or ("none", {}) for value in (ABSURD, ABSURD + 1)]
    assert [kind for kind, _ in problems] == ["out_of_range", "not_an_option"]


def test_every_rule_with_a_limit_is_tried_at_it() -> None:
    """A new check has to be put to the test at its boundary too."""
    tried: set[CheckName] = {
        "deeper_than_limit",
        "below",
        "above",
        "first_round_above",
        "first_round_below",
        "last_press_below",
        "later_round_above",
        "short_of_wl",
        "beyond_wl",
        "advance_outside",
        "readings_spread",
        "finish_short",
        "seal_below",
        "differs_from_paper_points",
        "surface_rise_above",
        "cools_slower",
        "advance_above",
        "past_carrier",
        "short_of_limit",
        "past_coronal_level",
        "level_off",
        "late",
    }
    assert {rule.check for rule in PROTOCOL.rules if rule.limit is not None} <= tried

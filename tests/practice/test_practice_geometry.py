"""Practice against the geometry: what is said to be seen is what the canal would show.

The judges are ``canal/contact.py`` and ``canal/fit.py``, for sizes that are exact, and for
paper points ``canal/true_length.py``. All sizes here are invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import get_args

import pytest
from typical_case import PROTOCOL, Driver

from assistant.canal.contact import Insertion
from assistant.canal.fit import ConeFit, ConeVerdict, cone_fit
from assistant.canal.model import CanalShape, prepared
from assistant.canal.points import iso_point
from assistant.canal.true_length import robust_length
from assistant.case.instrument_files import load_pluggers
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.practice.findings import Sight, findings, sight
from assistant.practice.scenario import (
    NEEDS,
    THINNEST,
    Cone,
    Level,
    PracticeCanal,
    Scenario,
    Trap,
    draw,
)
from assistant.progress.state import CASE, CaseState, Track
from assistant.protocol.model import Protocol

POST_LEVEL = load_yaml(protocol_path("to-post-level"), Protocol)
LEVELS: tuple[Level, ...] = get_args(Level)
SEEDS = range(200)
TRAY = load_pluggers("example").plugger_set()
FREED = ("coronal_plugger_mm", "middle_plugger_mm", "apical_plugger_mm", "heat_carrier_fit_mm")


# -- what is said to be seen ---------------------------------------------------


def steps(protocol: Protocol, quantity: str) -> Iterator[str]:
    return (step.id for step in protocol.canal if step.expect.quantity == quantity)


@cache
def fresh(protocol: Protocol) -> CaseState:
    return Driver(protocol=protocol).state


def brought(state: CaseState, canal: str, step: str) -> CaseState:
    """A case whose canal has come to a step, by no road."""
    tracks = (state.track(CASE), Track(name=canal, step=step))
    return state.model_copy(update={"tracks": tracks, "active": canal})


def seen(scenario: Scenario, state: CaseState, canal: str, quantity: str) -> Sight | None:
    """What is said to be seen where the quantity is asked; None where it is not asked."""
    step = next(steps(state.protocol, quantity), None)
    return None if step is None else sight(scenario, brought(state, canal, step))


def answered(state: CaseState, canal: str, quantity: str, *options: str) -> CaseState:
    """The case after the first of the answers that the step knows."""
    case = Driver(protocol=state.protocol)
    case.state = brought(state, canal, next(steps(state.protocol, quantity)))
    step = case.state.step
    assert step is not None
    case.choose(next(o for o in options if o in {option.id for option in step.options}))
    return case.state


# -- the judges ----------------------------------------------------------------


def shape_of(canal: PracticeCanal) -> CanalShape:
    shape = prepared(canal.provisional_mm, canal.apical_size, canal.taper)
    return replace(shape, tolerance_mm=0.0)


def seat(canal: PracticeCanal, cone: Cone) -> ConeFit:
    point = replace(iso_point(cone.size, cone.taper), tolerance_mm=0.0)
    return cone_fit(shape_of(canal), point, 0.0, 0.0, 0.05, canal.orifice_mm)


def judge_cones(scenario: Scenario, canal: PracticeCanal, protocol: Protocol) -> None:
    """Depth and place of contact of every cone, in the order they are tried in."""
    state = fresh(protocol)
    assert len(canal.cones) == 1 + ("cone_short" in canal.traps)
    for cone in canal.cones:
        profile = iso_point(cone.size, cone.taper).profile
        going_in = Insertion(shape_of(canal), profile, mouth_mm=canal.orifice_mm)
        stop_mm = going_in.deepest_mm()
        held_mm, room_mm = going_in.tightest(stop_mm)
        assert room_mm <= 1e-6
        length = seen(scenario, state, canal.name, "cone_length_mm")
        grip = seen(scenario, state, canal.name, "tugback")
        assert length is not None and grip is not None
        assert float(length.fields["mm"]) == pytest.approx(stop_mm, abs=0.051)
        if grip.key == "contact_high":
            # Marks at the mouth, and by its size the tip is clear of the wall.
            assert seat(canal, cone).nominal is ConeVerdict.BINDS_SHORT
            assert stop_mm - held_mm == pytest.approx(canal.orifice_mm, abs=1e-6)
            assert going_in.room_mm(stop_mm, 0.0) > 0.1 and length.key == "cone_binds"
            state = answered(state, canal.name, "tugback", "contact_high", "no")
        else:
            assert grip.accepts == ("yes",) and length.key == "cone_length"
            # At length, and held at its tip only: room all the way above it.
            assert stop_mm == canal.provisional_mm and held_mm == 0
            rooms = [going_in.room_mm(stop_mm, at) for at in (1.0, 3.0, 9.0)]
            assert rooms == sorted(rooms) and rooms[0] > 0.005
    assert canal.cones[-1].contact == "tip"


def judge_pluggers(scenario: Scenario, canal: PracticeCanal, protocol: Protocol) -> None:
    """The thinnest plugger and the thinnest carrier are free where they are said to be."""
    limit = canal.provisional_mm - protocol.limit("short_of_wl_mm")
    assert canal.free_mm[2] == limit + canal.gives_way_mm
    assert (canal.gives_way_mm > 0) == ("deep_plugger" in canal.traps)
    for quantity in FREED:
        found = seen(scenario, fresh(protocol), canal.name, quantity)
        tool = TRAY.heat_carriers[0] if quantity.startswith("heat") else TRAY.pluggers[0]
        going_in = Insertion(shape_of(canal), tool.profile, mouth_mm=canal.orifice_mm)
        assert found is None or float(found.fields["mm"]) <= going_in.deepest_mm() + 1e-6


def judge_drying(scenario: Scenario, canal: PracticeCanal, protocol: Protocol) -> None:
    """Blood shows along the side: the tip is where a length is read."""
    step = next(steps(protocol, "dryness"), None)
    if step is None:
        return
    state = brought(fresh(protocol), canal.name, step)
    found, said = sight(scenario, state), findings(scenario, state)
    assert found is not None and said is not None
    assert (found.key == "bleeding") == ("bleeding" in canal.traps)
    assert "tip" not in said and ("along its side" in said or found.key != "bleeding")


def judge_readings(canal: PracticeCanal, protocol: Protocol) -> None:
    """One reading is astray or none is, and what counts lies round the true length."""
    wanted, agree = int(protocol.limit("readings_min")), protocol.limit("readings_agree_mm")
    found = robust_length(canal.readings_mm, agree)
    assert len(found.stray) == ("stray_reading" in canal.traps)
    assert set(found.stray) <= set(canal.readings_mm[:wanted])
    assert abs(found.centre_mm - canal.true_length_mm) <= 0.1 + 1e-6
    assert min(canal.readings_mm) > canal.orifice_mm


def judge(scenario: Scenario, protocol: Protocol) -> None:
    for canal in scenario.canals:
        judge_cones(scenario, canal, protocol)
        judge_pluggers(scenario, canal, protocol)
        judge_drying(scenario, canal, protocol)
        judge_readings(canal, protocol)


# -- the tests -----------------------------------------------------------------


@pytest.mark.parametrize("protocol", [PROTOCOL, POST_LEVEL], ids=lambda p: p.id)
@pytest.mark.parametrize("level", LEVELS)
def test_whatever_is_drawn_is_seen_as_it_is_computed(level: Level, protocol: Protocol) -> None:
    met: Counter[Trap] = Counter()
    for seed in SEEDS:
        scenario = draw(seed, level, protocol)
        judge(scenario, protocol)
        met.update(trap for canal in scenario.canals for trap in canal.traps)
    possible = {trap for trap, role in NEEDS.items() if protocol.with_role(role)}
    assert set(met) == (set() if level == 1 else possible)
    assert all(count >= 20 for count in met.values())


def test_the_thinnest_plugger_is_that_of_the_example_set() -> None:
    assert replace(TRAY.pluggers[0], tolerance_mm=0.0) == THINNEST


def changed(trap: Trap, **update: object) -> Scenario:
    """A case with a trap, one thing in that canal made otherwise than it was drawn."""
    for seed in SEEDS:
        scenario = draw(seed, 3, PROTOCOL)
        for number, canal in enumerate(scenario.canals):
            if trap in canal.traps:
                canals = list(scenario.canals)
                canals[number] = canal.model_copy(update=update)
                return scenario.model_copy(update={"canals": tuple(canals)})
    raise AssertionError(trap)


def first_with(trap: Trap) -> PracticeCanal:
    return next(canal for canal in changed(trap).canals if trap in canal.traps)


def test_a_cone_one_size_larger_is_no_sign_of_contact_high_up() -> None:
    canal = first_with("cone_short")
    taper, wl = canal.taper, canal.provisional_mm
    larger = Cone(
        size=canal.apical_size + 5,
        taper=taper,
        length_mm=round(wl - 0.05 / taper, 1),
        contact="high",
    )
    # Its tip meets first, and it touches all along.
    assert seat(canal, larger).nominal is ConeVerdict.STOPS_SHORT
    assert seat(canal, larger).held_from_tip_mm == 0
    taught = changed("cone_short", cones=(larger, canal.cones[-1]))
    with pytest.raises(AssertionError):
        judge(taught, PROTOCOL)


def test_the_judges_see_a_wrong_length_a_wrong_grip_and_a_wall_that_was_not_felt() -> None:
    canal = first_with("cone_short")
    high, fits = canal.cones
    for cones in (
        (high.model_copy(update={"length_mm": high.length_mm + 0.3}), fits),
        (high, fits.model_copy(update={"taper": canal.taper})),
        (high.model_copy(update={"contact": "tip"}), fits),
    ):
        with pytest.raises(AssertionError):
            judge(changed("cone_short", cones=cones), PROTOCOL)
    deep, stray = first_with("deep_plugger"), first_with("stray_reading")
    narrow = deep.model_copy(update={"apical_size": 10, "taper": 0.02})
    with pytest.raises(AssertionError):  # past the wall
        judge_pluggers(changed("deep_plugger"), narrow, PROTOCOL)
    with pytest.raises(AssertionError):
        judge_readings(stray.model_copy(update={"readings_mm": (20.0,) * 6}), PROTOCOL)

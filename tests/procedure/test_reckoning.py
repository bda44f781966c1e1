"""What is computed reaches the prompts, the rules, the page and the command."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from typical_case import Driver, two_canals

from assistant.canal.lengths import round_mm
from assistant.case.instrument_files import load_pluggers
from assistant.commandline.main import main
from assistant.files.shipped import data_folder
from assistant.procedure import reckoning
from assistant.procedure import state as st
from assistant.procedure.fields import fill
from assistant.prompt.wording import question
from assistant.protocol.templates import FIELDS, check_fields
from assistant.report.computed import computed, lines
from assistant.report.section import as_pages
from assistant.words.sayings import load_wording

WORDS = load_wording(data_folder("grammars") / "en")
PLUGGERS = load_pluggers("example")


def prepared_case(size: int = 30, taper: float = 0.06, own: bool = True) -> Driver:
    """Up to the fitted cone of an upper premolar's buccal canal, WL 21."""
    case = Driver()
    if own:
        case.state = case.state.model_copy(update={"instruments": PLUGGERS})
    case.set_up(24, "buccal", "palatal")
    case.mm(21.0)
    case.choose("buccal_cusp")
    case.say("size", size)
    case.say("taper", taper)
    case.choose("no")
    case.mm(10.0)
    case.choose("yes")
    return case


def at_pluggers(**given: float | bool) -> Driver:
    case = prepared_case(**given)  # type: ignore[arg-type]
    case.cone(21.5)
    case.choose("yes", "accepted")
    return case


def at_heat() -> Driver:
    case = at_pluggers()
    case.mm(10.0, 13.0, 16.0, 16.0)
    case.canal_to_sear(21.0)
    return case


def asked(case: Driver, *, brief: bool = False) -> str:
    return question(case.state, WORDS, brief)


def rules_fired(case: Driver) -> list[str]:
    return [warning.rule for warning in case.state.warnings]


def test_every_field_that_a_sentence_may_use_is_filled() -> None:
    every = " ".join(f"{{{name}}}" for name in sorted(FIELDS))
    assert check_fields(every)
    case = at_heat()
    assert fill(every, case.state, case.state.here)


# -- prompts ------------------------------------------------------------------


def test_the_plugger_to_try_is_one_that_goes_there() -> None:
    case = at_pluggers()
    case.mm(10.0, 13.0)
    assert asked(case).startswith("Apical plugger depth")
    name = asked(case).rpartition("By size, the ")[2].rstrip(".")
    tried = next(p for p in PLUGGERS.pluggers if p.name == name)
    # By hand: .30 + .06 x 5 = .60 mm at 16 mm, less .02 and .02 of tolerance and .05.
    assert tried.tip_mm == pytest.approx(0.43)


def test_without_a_set_or_with_an_unknown_taper_no_plugger_is_named() -> None:
    assert "By size, the" not in asked(at_pluggers(own=False))
    case = Driver().set_up(24, "buccal", "palatal")
    case.mm(21.0)
    case.choose("buccal_cusp")
    case.say("size", 30)
    case.choose("unknown", "no")
    case.mm(10.0)
    case.choose("yes")
    case.cone(21.5)
    case.choose("yes", "accepted")
    assert case.state.here.step == "plugger_coronal"
    assert "By size, the" not in asked(case)
    assert reckoning.shape(case.state, "buccal") is None


def test_the_cycle_is_planned_again_after_each_depth() -> None:
    case = at_heat()  # sear 10, final length 21.1, so the limit is 16.1
    assert asked(case).endswith("Carrier to 13.1, 2 to go.")
    case.heat(3.0)
    case.mm(14.0)
    assert "The apical one." in asked(case)
    case.mm(14.0)
    case.press()
    assert asked(case).endswith("Carrier to 16.1, 1 to go.")
    case.correct("mm", 13.0, "plugger_depth_mm")
    assert asked(case).endswith("Carrier to 16.1, 1 to go.")


def test_no_plan_passes_the_limit() -> None:
    case = at_heat()
    for depth in (12.0, 13.5, 15.0):
        case.heat(3.0)
        case.mm(depth, depth)
        plan = reckoning.downpack(case.state, "buccal")
        limit = round_mm(21.1 - 5.0)
        assert plan is not None
        assert all(c.heat_to_mm <= limit and c.plugger_to_mm <= limit for c in plan.cycles)
        case.press()


def test_the_length_is_given_with_what_the_readings_allow() -> None:
    case = at_pluggers()
    case.mm(10.0, 13.0, 16.0, 16.0)
    case.choose("dry")
    case.mm(21.0, 21.2, 21.1)
    case.mm(21.4)
    found = reckoning.length(case.state, "buccal")
    assert found is not None
    assert found.suggested_mm == 21.1
    assert 21.4 in found.interval_mm
    assert asked(case).endswith(
        f"between {found.interval_mm.low:g} and {found.interval_mm.high:g}."
    )


def test_brief_mode_leaves_the_hints_out() -> None:
    assert "to go" not in asked(at_heat(), brief=True)


def test_the_increment_is_planned_with_its_volume() -> None:
    case = at_heat()
    case.heat(3.0)
    case.mm(13.5, 13.5)
    case.press()
    case.heat(3.0)
    case.mm(16.0, 16.0)
    case.press()
    case.choose("none")
    # By hand: frustum from .606 mm (16) to .786 (13), pi x 3 / 12 x (D2 + Dd + d2) = 1.15.
    assert asked(case).endswith(("3, 1.1 cubic millimetres.", "3, 1.2 cubic millimetres."))


# -- rules --------------------------------------------------------------------


def test_a_depth_that_no_plugger_of_the_set_can_reach_is_cautioned() -> None:
    narrow = at_pluggers(size=15, taper=0.04)
    narrow.mm(16.0)
    assert "beyond-reach" in rules_fired(narrow)
    wide = at_pluggers()
    wide.mm(16.0)
    assert "beyond-reach" not in rules_fired(wide)


def test_a_cone_that_is_loose_whatever_the_tolerances_is_cautioned() -> None:
    case = prepared_case(size=60, taper=0.06)
    case.say("size", 25)
    case.say("taper", 0.04)
    case.mm(21.5)
    case.choose("yes", "accepted")
    case.mm(10.0, 13.0, 16.0, 16.0)
    case.choose("dry")
    case.mm(21.0, 21.2, 21.1)
    case.mm(21.0)
    case.command("confirm", "confirm")
    fired = [w for w in case.state.warnings if w.rule == "cone-misfit"]
    assert [w.text for w in fired] == ["Cone by its size: loose at the tip. Recheck the fit."]
    assert "cone-misfit" not in rules_fired(two_canals())


def test_long_heat_warns_of_the_root_surface_and_of_a_mass_that_stays_soft() -> None:
    long, short = at_heat(), at_heat()
    long.heat(30.0)
    long.mm(13.5)
    short.heat(2.0)
    short.mm(13.5)
    assert {"surface-heat", "heat-long"} <= set(rules_fired(long))
    assert "surface-heat" not in rules_fired(short)
    hot = reckoning.heat(long.state, "buccal")
    mild = reckoning.heat(short.state, "buccal")
    assert hot is not None
    assert mild is not None
    assert hot.surface_rise_c.high > mild.surface_rise_c.high


# -- the page and the command ---------------------------------------------------


def test_the_page_is_made_from_what_stands_and_is_the_same_every_time() -> None:
    state = two_canals(demo=True).state
    found = computed(state, "buccal")
    told = "\n".join(lines(found))
    for part in ("0.30 mm at the working length of 21.1", "Cycle 2: carrier 16", "Increment 2"):
        assert part in told
    pages = as_pages([found], state.case_code, state.opened.wall, demo=True)
    assert pages.startswith(b"%PDF")
    assert pages == as_pages([found], state.case_code, state.opened.wall, demo=True)


def test_a_canal_without_numbers_has_no_page() -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    assert computed(case.state, "buccal").empty
    assert computed(case.state, st.CASE).empty


def test_the_command_says_the_same_as_json() -> None:
    numbers = ["--length", "21", "--size", "30", "--taper", ".06"]
    more = ["--cone", "30", ".06", "--cut", "0.5", "--sear", "10", "--coronal", "10"]
    done = CliRunner().invoke(
        main, ["reckon", *numbers, *more, "--pluggers", "example", "--json"]
    )
    assert done.exit_code == 0, done.output
    found = json.loads(done.output)
    assert found["canal"]["limit_mm"] == 16.0
    assert found["canal"]["diameter_at_limit_mm"] == pytest.approx(0.6)
    assert [c["heat_to_mm"] for c in found["cycles"]["cycles"]] == [13.0, 16.0]
    assert found["backfill"]["mm3"] == pytest.approx(
        sum(i["mm3"] for i in found["backfill"]["increments"]), abs=0.02
    )
    assert found["pluggers"][2]["largest"] == "0.43 wide"


def test_the_command_refuses_what_cannot_be() -> None:
    done = CliRunner().invoke(
        main, ["reckon", "--length", "21", "--size", "30", "--taper", "6"]
    )
    assert done.exit_code != 0
    assert "allowed are 0 to 0.2" in done.output

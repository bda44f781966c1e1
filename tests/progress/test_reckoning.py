"""What is computed reaches the prompts, the rules, the page and the command."""

from __future__ import annotations

import json
import math
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from pypdf import PdfReader
from typical_case import PROTOCOL, START, Driver, two_canals

from assistant.canal.heat_live import LiveHeat
from assistant.canal.instruments import Interval
from assistant.canal.lengths import round_mm
from assistant.case.instrument_files import load_pluggers, load_point
from assistant.commandline.main import main
from assistant.errors import InputFileError
from assistant.files.shipped import data_folder
from assistant.progress import facts, heat_reckoning, reckoning
from assistant.progress import state as st
from assistant.progress.fields import fill
from assistant.prompt.wording import question
from assistant.protocol.own_instruments import CarrierLine
from assistant.protocol.templates import FIELDS, check_fields
from assistant.report.computed import computed, lines
from assistant.report.section import as_pages, figure_of, section
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
    case.choose("buccal_cusp", "no_reading")
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
    case.choose("buccal_cusp", "no_reading")
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
    assert "Carrier to 13.1." in asked(case)
    case.heat(3.0)
    case.mm(14.0)
    assert "The apical one." in asked(case)
    case.mm(14.0)
    case.press()
    assert "Carrier to 16.1." in asked(case)
    case.correct("mm", 13.0, "plugger_depth_mm")
    assert "Carrier to 16.1." in asked(case)


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
    case.correct("mm", 21.4, "apex_locator_mm")
    case.mm(21.0, 21.2, 21.1)
    found = reckoning.length(case.state, "buccal")
    assert found is not None
    assert found.suggested_mm == 21.1
    assert 21.4 in found.interval_mm
    step = case.state.step
    assert step is not None
    between = f"Between {found.interval_mm.low:g} and {found.interval_mm.high:g}."
    assert [fill(one, case.state, case.state.here) for one in step.shown] == [between]


def test_brief_mode_leaves_the_hints_out() -> None:
    assert "Carrier to" not in asked(at_heat(), brief=True)


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
    assert asked(case).endswith("Planned 3.")
    assert fill("{volume}", case.state, case.state.here) in {"1.1", "1.2"}


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
    case.command("confirm", "confirm")
    fired = [w for w in case.state.warnings if w.rule == "cone-misfit"]
    assert [w.text for w in fired] == ["Cone by its size: loose at the tip. Recheck the fit."]
    assert "cone-misfit" not in rules_fired(two_canals())


def test_long_heat_warns_of_the_root_surface_and_a_hot_carrier_of_ones_own_sooner() -> None:
    long, short = at_heat(), at_heat()
    for case, heat_s in ((long, 30.0), (short, 2.0)):
        case.heat(heat_s)
        if any(warning.open for warning in case.state.warnings):
            case.command("keep")
        case.press()
        case.mm(13.5)
    assert {"surface-heat", "heat-long"} <= set(rules_fired(long))
    assert "surface-heat" not in rules_fired(short)
    own = at_heat()
    hot_one = PLUGGERS.model_copy(update={"carrier": CarrierLine(setting_c=200.0)})
    own.state = own.state.model_copy(update={"instruments": hot_one})
    own.heat(2.0)
    own.press()
    own.mm(13.5)
    assert "surface-heat" in rules_fired(own)
    hot = heat_reckoning.heat(long.state, "buccal")
    mild = heat_reckoning.heat(short.state, "buccal")
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


# -- heat: what is said, what is shown --------------------------------------------


def test_the_longest_heat_is_said_where_it_is_under_the_limit_of_the_protocol() -> None:
    case = at_heat()
    found = heat_reckoning.next_heat(case.state, "buccal")
    assert found is not None
    wait_s, heat_s = found
    assert wait_s == 0 and 0 < heat_s < PROTOCOL.limit("heat_s")
    assert f"At most {heat_s:g} seconds." in asked(case)
    assert "Wait" not in asked(case)
    page = lines(computed(case.state, "buccal"))
    assert any(f"with {heat_s:g} s of heat" in line for line in page)


def test_a_thick_root_heated_by_a_cool_carrier_needs_no_word_about_heat() -> None:
    case = at_heat()
    cool = PLUGGERS.model_copy(update={"carrier": CarrierLine(setting_c=80.0)})
    case.state = case.state.model_copy(update={"instruments": cool})
    found = heat_reckoning.next_heat(case.state, "buccal")
    assert found is not None and found[1] > PROTOCOL.limit("heat_s")
    assert "At most" not in asked(case)
    assert any("s of heat" in line for line in lines(computed(case.state, "buccal")))


def test_heat_soon_after_the_last_counts_what_that_left() -> None:
    def second(after_s: float) -> LiveHeat:
        case = at_heat()
        case.heat(3.0)
        case.press()
        case.mm(13.0, 13.0)
        case.elapsed_s += after_s
        case.heat(3.0)
        found = heat_reckoning.heat_to(case.state, "buccal", 16.0, 2)
        assert found is not None
        return found

    soon, late = second(1.0), second(300.0)
    assert soon.surface_rise_c.high > late.surface_rise_c.high
    assert soon.surface_rise_c.low == late.surface_rise_c.low


def test_the_hold_until_firm_is_said_where_it_is_longer_than_the_press() -> None:
    case = at_heat()
    case.heat(3.0)
    case.press()
    case.mm(13.5)
    heat = heat_reckoning.heat(case.state, "buccal")
    assert heat is not None and heat.cool_s.high > PROTOCOL.limit("press_s")
    assert f"Surely firm after {math.ceil(heat.cool_s.high)} seconds." in asked(case)


def test_a_carrier_of_which_nothing_was_told_is_named_once() -> None:
    case = at_heat()
    untold = "Carrier temperature not told: taken as up to 118 C."
    assert "\n".join(lines(computed(case.state, "buccal"))).count(untold) == 1
    own = PLUGGERS.model_copy(update={"carrier": CarrierLine(setting_c=150.0)})
    case.state = case.state.model_copy(update={"instruments": own})
    page = "\n".join(lines(computed(case.state, "buccal")))
    assert "not told" not in page and "a carrier set to 150 C and never hotter" in page


def test_plan_and_page_have_one_reach() -> None:
    case = at_heat()
    case.heat(PROTOCOL.limit("heat_s"))
    case.press()
    planned = computed(case.state, "buccal").to_come[0]
    case.mm(planned.heat_to_mm or 0.0)
    done = computed(case.state, "buccal").done[0]
    assert planned.heat is not None and done.heat is not None
    assert planned.heat.softened_mm == done.heat.softened_mm


# -- points given by a table ----------------------------------------------------------


OWN_POINT = """
points:
  - size: 25
    taper: 0.08
    name: Example point of varying taper (invented sizes)
    source: "invented for demonstration"
    tolerance_mm: 0.05
    table:
      - {from_tip_mm: 0, diameter_mm: 0.28}
      - {from_tip_mm: 2, diameter_mm: 0.41}
      - {from_tip_mm: 7, diameter_mm: 0.66}
      - {from_tip_mm: 16, diameter_mm: 0.97}
      - {from_tip_mm: 28, diameter_mm: 0.97}
"""
"""As ``points/example-variable.yaml``, for a cone that is dictated as size 25, taper .08."""


def set_with(points: str, folder: Path) -> Path:
    text = (data_folder("protocols") / "pluggers" / "example.yaml").read_text(encoding="utf-8")
    file = folder / "own.yaml"
    file.write_text(text + points, encoding="utf-8")
    return file


@pytest.mark.parametrize("size", [25, 30])
def test_a_dictated_cone_is_the_practices_own_where_it_has_one(
    size: int, tmp_path: Path
) -> None:
    own = load_pluggers(str(set_with(OWN_POINT, tmp_path)))
    case = prepared_case(size=size, taper=0.08)
    case.state = case.state.model_copy(update={"instruments": own})
    case.say("size", size)
    case.say("taper", 0.08)
    case.mm(21.5)
    cone = reckoning.master_cone(case.state, "buccal")
    assert cone is not None
    by_table = cone.name == load_point("example-variable").name
    assert by_table is (size == 25)
    case.choose("yes", "accepted")
    case.mm(10.0, 13.0, 16.0, 16.0)
    case.choose("dry")
    case.mm(21.0, 21.0, 21.0)
    case.command("confirm", "confirm")  # the final length, then a cut of 0.5 mm
    tip = facts.new_tip_mm(case.state, "buccal")
    # By hand: .28 + .13 x .5 / 2 by the table, .30 + .08 x .5 by the standard.
    assert tip == pytest.approx(0.28 + 0.13 / 4 if by_table else 0.34)
    seat, fit = (
        reckoning.cone(case.state, "buccal"),
        reckoning.master_cone(case.state, "buccal"),
    )
    assert seat is not None and fit is not None and fit.tip_mm == pytest.approx(tip)


def test_the_command_takes_the_same_cone_from_either_file(tmp_path: Path) -> None:
    given = ["reckon", "--length", "21", "--size", "30", "--taper", ".06", "--json"]
    by_name = [*given, "--point", "example-variable"]
    own = str(set_with(OWN_POINT, tmp_path))
    by_set = [*given, "--cone", "25", ".08", "--pluggers", own]
    cones = [
        json.loads(CliRunner().invoke(main, one).output)["cone"] for one in (by_name, by_set)
    ]
    assert cones[0] == cones[1]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (OWN_POINT + OWN_POINT.replace("\npoints:\n", ""), "size 25, taper 0.08 twice"),
        (OWN_POINT.replace("0.66", "0.40"), "the diameter falls"),
        (OWN_POINT.replace("size: 25", "size: 26"), "26"),
        (OWN_POINT.replace("taper: 0.08", "taper: 0.5"), "0.5"),
    ],
)
def test_points_that_cannot_be_are_refused_with_their_line(
    points: str, words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputFileError, match=r"own\.yaml line \d+: points") as caught:
        load_pluggers(str(set_with(points, tmp_path)))
    assert words in str(caught.value)


# -- edges of the command -----------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--sear", "22"], "--sear 22 mm is below the working length (21 mm)"),
        (["--cut", "1"], "no cone to cut"),
        (["--coronal", "16.5"], "--coronal 16.5 mm is below the limit for instruments (16 mm)"),
        (["--orifice", "21.5"], "--orifice 21.5 mm is below the working length"),
        (["--taper", ".2"], "none is shaped wider than 3 mm"),
        (["--sear", "8", "--carrier", "20"], "A carrier of 20 C"),
    ],
)
def test_what_cannot_be_reckoned_is_told_in_a_sentence(more: list[str], words: str) -> None:
    given = ["reckon", "--length", "21", "--size", "30", "--taper", ".06", *more]
    told = CliRunner().invoke(main, given)
    assert told.exit_code != 0
    assert words in " ".join(told.output.split()) and "Traceback" not in told.output


@pytest.mark.parametrize("coronal", ["16", "8"])
def test_a_level_exactly_at_the_limit_is_reckoned(coronal: str) -> None:
    given = ["reckon", "--length", "21", "--size", "30", "--taper", ".06", "--coronal", coronal]
    assert CliRunner().invoke(main, given).exit_code == 0


def test_no_cycle_is_planned_where_no_instrument_enters() -> None:
    given = [
        "reckon",
        "--length",
        "21",
        "--size",
        "8",
        "--taper",
        ".02",
        "--sear",
        "8",
        "--json",
    ]
    cycles = json.loads(CliRunner().invoke(main, given).output)["cycles"]
    assert "no heat carrier is thinner than 0.3 mm" in cycles["none"]
    own = json.loads(CliRunner().invoke(main, [*given, "--pluggers", "example"]).output)[
        "cycles"
    ]
    assert "of your own instruments none comes deeper" in own["none"]


def test_intervals_are_rounded_outward() -> None:
    assert Interval(1.26, 1.31).outward(1) == Interval(1.2, 1.4)
    assert Interval(0.1 + 0.2, 16.1).outward(1) == Interval(0.3, 16.1)
    assert Interval(-0.04, 2.0).outward(0) == Interval(-1.0, 2.0)


# -- the page -----------------------------------------------------------------------


def leaves_the_paper(figure: Figure) -> bool:
    """Whether anything drawn or written lies not wholly in a figure."""
    FigureCanvasAgg(figure)
    drawn, (wide, high) = figure.get_tightbbox(), figure.get_size_inches()
    return bool(drawn.x0 < 0 or drawn.y0 < 0 or drawn.x1 > wide or drawn.y1 > high)


def test_a_text_beyond_the_paper_is_found() -> None:
    figure = Figure()
    figure.text(0.1, 0.5, "inside")
    assert not leaves_the_paper(figure)
    figure.text(0.5, 0.5, "a line that is longer than what is left of the paper " * 2)
    assert leaves_the_paper(figure)


@pytest.mark.parametrize("cycles", [0, 1, 2, 6])
def test_no_text_leaves_the_page(cycles: int) -> None:
    """The picture's own texts, and each line on the paper from where it starts to its end."""
    case = at_heat()
    for depth in (12.0, 13.0, 14.0, 15.0, 15.3, 15.6)[:cycles]:
        case.heat(3.0)
        case.press()
        case.mm(depth, depth)
    found = computed(case.state, "buccal")
    assert not leaves_the_paper(figure_of(found))
    pages = PdfReader(BytesIO(as_pages([found], "case-7", START, demo=True))).pages
    told = " ".join("\n".join(page.extract_text() for page in pages).split())
    for line in lines(found):  # word by word: a page may end within a line
        assert set(line.split()) <= set(told.split())
    longest = max(
        (line for page in pages for line in page.extract_text().splitlines()), key=len
    )
    assert len(longest) < 140  # of the small letters; what does not fit is wrapped


def test_the_section_shows_what_is_in_the_canal() -> None:
    """The whole cone before the sear, then the mass from its top down, the cone's dashes
    within the walls and no higher than the mass."""
    for case, top in ((at_pluggers(), 0.0), (at_heat(), 10.0)):
        found = computed(case.state, "buccal")
        axes = Figure().add_subplot()
        section(axes, found)
        dashed = [line for line in axes.lines if line.get_linestyle() == "--"]
        depths = np.concatenate([np.asarray(line.get_ydata()) for line in dashed[:2]])
        assert found.cone_fit is not None and found.shape is not None
        assert depths.min() == pytest.approx(top)
        assert depths.max() == pytest.approx(found.cone_fit.nominal_stop_mm)
        widths = np.abs(np.asarray(dashed[0].get_xdata()))
        places = np.asarray(dashed[0].get_ydata(), dtype=np.float64)
        walls = [found.shape.diameter_mm(float(z)) / 2 for z in places]
        assert (widths < np.array(walls)).all()

"""Corrections by every name: a number, the answer to a question, a canal just finished."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from typical_case import Driver

from assistant.case.prepared import parse_set_up
from assistant.progress import events as ev
from assistant.progress.state import CASE
from assistant.prompt.wording import respond
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.sayings import load_wording
from assistant.words.understand import understand_typed

WORDS = assembly.language()
WORDING = load_wording(WORDS.folder, WORDS.phrases)


def typed(case: Driver, *lines: str) -> list[str]:
    """What is said about the last of the lines."""
    said: list[str] = []
    for line in lines:
        before = len(case.events)
        case.do(understand_typed(line, grammar_of(WORDS, wanted_now(case.state))))
        prompts = respond(case.events[before:], case.state, WORDING)
        said = [prompt.text for prompt in prompts]
    return said


def values(case: Driver, quantity: str, track: str = "buccal") -> list[object]:
    found = case.state.in_sequence(track)
    return [entry.value for entry in found if entry.quantity == quantity]


def refused(case: Driver) -> list[str]:
    return [e.rejected.reason for e in case.events if isinstance(e, ev.Refused)]


def at_cone() -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.mm(21.0)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.06)
    case.choose("no")
    case.mm(10.0)
    case.choose("yes")
    return case


def at_pluggers() -> Driver:
    case = at_cone()
    case.cone(21.5)
    case.choose("yes", "accepted")
    return case


def at_dry() -> Driver:
    case = at_pluggers()
    case.mm(10.0, 13.0, 16.0, 16.0)
    return case


def at_backfill() -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    return case


@pytest.mark.parametrize(
    ("reach", "line", "quantity", "value", "said"),
    [
        (
            at_cone,
            "correction reference point palatal cusp",
            "reference_point",
            "palatal_cusp",
            "Corrected. Reference palatal cusp.",
        ),
        (
            at_cone,
            "correction palatal cusp",
            "reference_point",
            "palatal_cusp",
            "Corrected. Reference palatal cusp.",
        ),
        (at_cone, "correction post yes", "post_planned", "yes", "Corrected. Post yes."),
        (at_cone, "correction post planned", "post_planned", "yes", "Corrected. Post yes."),
        (
            at_dry,
            "correction middle plugger 12.5",
            "middle_plugger_mm",
            12.5,
            "Corrected. Middle plugger 12.5.",
        ),
        (
            at_dry,
            "correction coronal plugger 9",
            "coronal_plugger_mm",
            9.0,
            "Corrected. Coronal plugger 9.",
        ),
        (
            at_dry,
            "correction apical plugger 15.5",
            "apical_plugger_mm",
            15.5,
            "Corrected. Apical plugger 15.5.",
        ),
    ],
)
def test_a_value_is_corrected_by_the_name_that_the_program_speaks(
    reach: Callable[[], Driver], line: str, quantity: str, value: object, said: str
) -> None:
    case = reach()
    step = case.state.here.step
    assert said in typed(case, line)
    assert values(case, quantity) == [value]
    assert case.state.here.step == step


def test_a_corrected_answer_that_leads_elsewhere_leads_there() -> None:
    case = at_pluggers()
    assert "Corrected. Tugback: no." in typed(case, "correction tugback no")
    assert case.state.here.step == "cone_size"
    # And an answer that led elsewhere, put right, leads on, past the film that stands.
    assert "Corrected. Tugback: yes." in typed(case, "correction tugback yes")
    assert case.state.here.step == "plugger_coronal"


def test_while_a_press_runs_no_correction_leads_elsewhere() -> None:
    case = at_backfill()
    case.command("press")
    typed(case, "correction no tugback")
    assert refused(case) == ["timer_running"]
    assert values(case, "tugback") == ["yes"]
    assert "Corrected. Reference palatal cusp." in typed(case, "correction palatal cusp")
    assert case.state.timer is not None


def test_a_cycle_an_increment_and_a_reading_are_corrected_by_their_number() -> None:
    case = at_backfill()
    assert "Corrected. Number 1: Plugger 13." in typed(case, "correction cycle one plugger 13")
    assert values(case, "plugger_depth_mm") == [13.0, 16.0]
    case.press()
    case.mm(2.5)
    case.press()
    case.mm(2.0)
    said = typed(case, "correction increment one was three")
    assert "Corrected. Number 1: Increment 3." in said
    assert values(case, "increment_mm") == [3.0, 2.0]
    typed(case, "correction increment four was three")
    assert refused(case)[-1] == "nothing_to_correct"
    case = at_dry()
    said = typed(case, "dry", "three points at 21", "correction reading two was 21.3")
    assert "Corrected. Number 2: Paper point 21.3." in said
    assert values(case, "paper_point_mm") == [21.0, 21.3, 21.0]


def test_a_number_that_could_be_part_of_the_value_is_asked_about() -> None:
    case = at_backfill()
    case.press()
    case.mm(2.5)
    (said,) = typed(case, "correction increment one three")
    assert "?" in said
    assert "1.3" in said
    assert "1: 3" in said
    assert values(case, "increment_mm") == [2.5]
    typed(case, "correction increment one two point five")
    assert case.state.pending is not None
    typed(case, "no", "correction increment one point five")
    assert values(case, "increment_mm") == [1.5]


def test_two_values_that_fit_are_asked_about_the_newest_first() -> None:
    case = at_pluggers()
    typed(case, "pluggers 10, 13, 16")
    (said,) = typed(case, "correction 15.5")
    assert said.startswith("Apical plugger. 15.5?")
    assert values(case, "apical_plugger_mm") == [16.0]
    typed(case, "correction middle plugger 12.5")
    assert case.state.pending is None
    assert values(case, "middle_plugger_mm") == [12.5]
    # What was said alone, and last, is what is corrected.
    typed(case, "carrier 16")
    assert "Corrected. Heat carrier 15.5." in typed(case, "correction 15.5")


def test_a_general_name_is_asked_about_where_it_is_not_of_the_last_value() -> None:
    case = at_dry()
    (said,) = typed(case, "correction plugger 15.5")
    assert said.startswith("Apical plugger. 15.5?")
    assert "Corrected. Apical plugger 15.5." in typed(case, "confirm")


@pytest.mark.parametrize("canals", [("buccal", "palatal"), ("buccal",)])
def test_right_after_a_canal_its_last_value_is_found(canals: tuple[str, ...]) -> None:
    """The next canal is at work, or after the last one the closing steps."""
    case = Driver(read_out=False).set_up(24, *canals)
    case.canal(21.0, 2.5, 3.0)
    assert case.state.active == (CASE if len(canals) == 1 else "palatal")
    assert "Corrected. Buccal: increment 2.5." in typed(case, "correction 2.5")
    assert values(case, "increment_mm") == [2.5, 2.5]
    # The correction is the newest now, and what it corrected stands again.
    said = typed(case, "undo that")
    assert any("Taken back: Increment 2.5. Now: Increment 3." in one for one in said), said
    assert case.state.active == "buccal"


def test_undo_of_a_finished_canal_asks_its_last_step_again() -> None:
    case = Driver(read_out=False).set_up(24, "buccal")
    case.canal(21.0, 2.5, 3.0)
    said = typed(case, "undo that")
    assert any(one.startswith("Taken back: Coronal level reached") for one in said)
    assert (case.state.active, case.state.here.step) == ("buccal", "level_check")
    typed(case, "yes", "done")
    assert case.state.active == CASE
    # Once the closing has a value of its own, that is the last.
    typed(case, "undo that")
    assert (case.state.active, case.state.here.step) == (CASE, "chamber")


def prepared_and_filled() -> Driver:
    """The buccal canal is filled; what is prepared for the palatal one has just entered."""
    told = "{working_length_mm: 21, reference_point: buccal cusp, apex_locator_mm: no reading, "
    told += "apical_size: 30, taper: 0.06, post_planned: no, coronal_level_mm: 10}"
    text = f"tooth: 24\ncanals:\n  buccal: {told}\n  palatal: {told}\n"
    case = Driver(read_out=False)
    case.do(parse_set_up(text, case.state.protocol, "set-up").intent(case.state.protocol))
    typed(case, "all yes", "none", "shaped")
    typed(case, "cone size 30 oh six length 21.5 tugback", "accepted")
    typed(case, "pluggers 10 13 16 carrier 16")
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    case.backfill(2.5, 3.0)
    assert case.state.active == "palatal"
    assert values(case, "coronal_level_mm", "palatal") == [10]
    return case


def test_undo_takes_what_was_told_last_and_not_what_was_prepared() -> None:
    case = prepared_and_filled()
    said = typed(case, "undo that")
    assert said[0] == "Buccal."
    assert said[1].startswith("Taken back: Coronal level reached"), said
    assert (case.state.active, case.state.here.step) == ("buccal", "level_check")
    assert values(case, "coronal_level_mm", "palatal") == [10]


@pytest.mark.parametrize("prepared", [True, False])
def test_once_the_next_canal_has_a_value_undo_takes_that(prepared: bool) -> None:
    if prepared:
        case = prepared_and_filled()
        typed(case, "shaped")
        gone, step = "Taken back: Shaped and irrigated: yes.", "shaped"
    else:
        case = Driver(read_out=False).set_up(24, "buccal", "palatal")
        case.canal(21.0, 2.5, 3.0)
        typed(case, "working length 20.5")
        gone, step = "Taken back: Length 20.5.", "working_length"
    level = values(case, "level_reached")
    said = typed(case, "undo that")
    assert said[0] == gone
    assert (case.state.active, case.state.here.step) == ("palatal", step)
    assert values(case, "level_reached") == level
    # Nothing that was told is left in it: the next one goes back to the canal before.
    assert typed(case, "undo that")[0] == "Buccal."


def test_a_correction_is_no_silent_change_of_what_is_prepared_for_the_next_canal() -> None:
    case = prepared_and_filled()
    (asked,) = typed(case, "correction 2.6")
    assert asked == "Palatal, Planned coronal level. 2.6? Say confirm, or no."
    typed(case, "no")
    assert values(case, "coronal_level_mm", "palatal") == [10]
    assert "Corrected. Buccal: increment 2.6." in typed(case, "correction increment 2.6")


def test_undo_takes_the_step_that_is_shown_before_what_was_told_since() -> None:
    case = at_backfill()
    case.press_cut_short(2.0)
    typed(case, "increment 2.5")
    assert case.state.here.step == "increment_press"  # cut short: the warning waits
    said = typed(case, "undo that")
    assert any(one.startswith("Taken back: Held") for one in said), said
    assert values(case, "increment_mm") == [2.5]


def test_a_depth_is_told_before_the_press_though_the_heat_was_too_long() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.heat(6.0)
    assert "Plugger 13." in typed(case, "plugger 13")
    assert case.state.here.step == "press"
    assert "Carrier 13." in typed(case, "carrier 13")
    case.press()
    # Its warning waits until the mass is firm, and then for its answer.
    assert [w.rule for w in case.state.open_warnings("buccal")] == ["heat-long"]
    assert case.state.here.step == "press"
    typed(case, "keep it")
    assert case.state.here.step == "heat"

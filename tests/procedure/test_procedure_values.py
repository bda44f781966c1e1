"""What becomes of a value that is said: corrected, doubted, refused, warned about.

The depth limit (5 mm short of the working length) is common practice, see the
sources in the protocol files.
"""

from __future__ import annotations

import pytest
from room import (
    WL,
    Room,
    at_apical_plugger,
    at_backfill,
    at_heat,
    at_press,
    front_tooth,
    premolar,
    told_at_press,
)
from typical_case import PROTOCOL

from assistant.case.read_events import read_event
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.progress.facts import fill_top_mm
from assistant.progress.state import CASE
from assistant.prompt.prompts import Urgency

pytestmark = pytest.mark.core

# -- correction ---------------------------------------------------------------


def test_a_bare_correction_replaces_the_last_value_of_its_kind() -> None:
    room = front_tooth()
    room.mm(22.0)
    room.choose("incisal_edge")
    room.correct("mm", 22.5)
    room.mm(22.0)
    room.say("size", 30)
    room.correct("mm", 22.4)
    assert room.values("working_length_mm") == [22.5]
    assert room.values("apex_locator_mm") == [22.4]
    assert room.values("apical_size") == [30]
    assert room.at[1] == "taper"
    assert "Corrected. Apex locator 22.4." in room.said


def test_a_named_correction_reaches_an_earlier_step_and_moves_nothing() -> None:
    room = at_heat()
    room.correct_named("cone_mm", 21.0)
    assert room.values("cone_length_mm") == [21.0]
    assert room.at[1] == "heat"


def test_a_correction_of_the_value_being_warned_about() -> None:
    room = at_apical_plugger()
    room.mm(17.0)
    assert room.at[1] == "plugger_apical"
    room.correct("mm", 15.5)
    assert room.values("apical_plugger_mm") == [15.5]
    assert room.at[1] == "heat_tip_fit"
    assert (
        room.state.warnings[-1].answer
        == f"replaced by entry {room.state.entries[-1].seq}: 15.5"
    )


def test_a_correction_of_the_working_length_checks_standing_depths_again() -> None:
    room = at_heat()
    room.correct_named("final_working_length_mm", 20.0)
    assert room.warned == ["depth-limit", "depth-limit"]
    assert room.prompts[0].text == (
        "Apical plugger, depth without wall contact. Depth check: limit 15, heard 16."
    )
    room.command("start")
    assert room.refused == "answer_warning_first"
    room.correct("mm", 14.5)  # the one said last: the heat carrier
    assert room.values("heat_carrier_fit_mm") == [14.5]
    assert room.open() == ["depth-limit"]
    assert "Apical plugger" in room.said
    room.correct("mm", 15.0)
    assert room.values("apical_plugger_mm") == [15.0]
    assert not room.open()
    assert room.at[1] == "heat"


def test_a_depth_kept_under_one_limit_is_asked_about_under_another() -> None:
    room = at_apical_plugger()
    room.mm(17.0)
    room.command("keep")
    room.correct_named("working_length_mm", 20.0)
    assert room.warned == ["depth-limit"]
    room.command("keep")
    room.correct_named("working_length_mm", 20.0)
    assert not room.warned


def test_a_length_corrected_back_settles_the_warnings_it_raised() -> None:
    room = at_heat()
    room.correct_named("final_working_length_mm", 20.0)
    assert len(room.open()) == 2
    room.correct_named("final_working_length_mm", 21.0)
    assert not room.open()
    assert room.at[1] == "heat"
    room.correct_named("final_working_length_mm", 20.0)
    assert len(room.open()) == 2


def test_keeping_an_older_depth_does_not_pass_over_the_present_step() -> None:
    room = at_heat()
    room.correct_named("final_working_length_mm", 20.0)
    room.command("keep")
    assert room.at[1] == "heat"
    assert not room.values("heat_s")


def test_a_length_that_raises_warnings_moves_on_once_they_are_answered() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL, locator=20.0)
    room.choose("dry")
    room.mm(20.0, 20.0, 20.0)
    room.command("confirm")
    assert room.at[1] == "final_length"
    assert len(room.open()) == 2
    room.command("keep")
    assert room.at[1] == "cut_back"


def test_another_value_is_not_taken_over_a_waiting_warning() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(20.0, 20.0)
    room.correct_named("working_length_mm", 20.0)
    assert room.open()
    room.mm(20.0)
    assert room.refused == "answer_warning_first"
    assert room.values("paper_point_mm") == [20.0, 20.0]


def test_correcting_the_plugger_when_the_press_is_asked_for() -> None:
    room = told_at_press()
    room.correct("mm", 14.0)
    assert room.values("plugger_depth_mm") == [14.0]
    assert room.at[1] == "press"
    room.correct("mm", 17.0)
    assert room.warned == ["depth-limit"]
    room.command("press")  # the mass cools: it waits for no answer
    assert room.open() == ["depth-limit"]
    room.command("keep")
    assert room.at[1] == "press"
    room.wait_out()
    assert room.at[1] == "downpack_radiograph"


def test_correcting_a_depth_of_an_earlier_cycle_does_not_answer_this_one() -> None:
    room = told_at_press()
    room.press()
    room.heat(3.0)
    room.press()
    room.mm(16.0)
    assert room.at[1] == "plugger_depth"
    room.correct_named("plugger_depth_mm", 13.0)
    assert room.at[1] == "plugger_depth"
    assert room.values("plugger_depth_mm") == [13.0]


def test_a_depth_corrected_late_counts_in_its_own_place() -> None:
    room = told_at_press()
    room.press()
    room.heat(3.0)
    room.mm(16.0, 16.0)
    room.correct_named("sear_depth_mm", 9.0)
    assert fill_top_mm(room.state, "single") == 16.0
    room.press()
    assert room.at[1] == "downpack_radiograph"  # and not back to another cycle


def test_a_carrier_depth_corrected_late_is_judged_by_the_fill_it_went_into() -> None:
    room = told_at_press()
    room.correct_named("heat_depth_mm", 13.8)  # 3.8 past the sear at 10
    assert not room.warned
    room.correct_named("heat_depth_mm", 15.0)
    assert room.warned == ["plunge-range"]


def test_a_corrected_reading_is_compared_without_the_one_it_replaces() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(21.0, 21.0, 22.0)
    assert room.warned == ["readings-spread"]
    assert room.at[1] == "paper_point"
    room.correct("mm", 21.0)
    assert not room.warned
    assert room.at[1] == "final_length"


def test_readings_stay_once_the_final_length_is_taken() -> None:
    room = at_heat()
    room.correct_named("paper_point_mm", 20.0)
    assert room.refused == "correct_final_instead"


def test_level_reached_is_no_increment_to_correct() -> None:
    room = at_backfill()
    room.mm(2.5)
    room.press()
    room.choose("level_reached")
    assert "The fill is computed at 13.5, planned 10." in room.said
    room.command("confirm")
    room.correct("mm", 2.8)
    assert room.values("increment_mm") == [2.8]
    assert room.values("increment_press_s") == [5.0, "level_reached"]


def test_nothing_to_correct() -> None:
    room = front_tooth()
    room.correct("mm", 20.0)
    assert room.refused == "nothing_to_correct"


def test_another_tooth_asks_for_its_canals_again() -> None:
    room = Room()
    room.say("tooth", 24)
    room.say("canals", ("buccal", "palatal"))
    room.choose("yes")
    room.correct("tooth", 36)
    assert room.at == (CASE, "canals")
    assert room.state.newest(CASE, room.state.protocol.asking("canals")) is None
    room.say("canals", ("mesial", "distal"))
    room.choose("yes", "yes", "yes", "none_known")
    assert [track.name for track in room.state.canals] == ["mesial", "distal"]


def test_the_tooth_stays_once_a_canal_is_begun() -> None:
    room = front_tooth()
    room.canal(WL, 2.5, 3.5)
    assert room.at == (CASE, "chamber")
    room.correct("tooth", 12)
    assert room.refused == "canals_begun"


# -- doubtful values ----------------------------------------------------------


def test_a_doubtful_value_is_asked_about_and_enters_only_when_confirmed() -> None:
    room = front_tooth()
    room.doubtful("mm", 22.5)
    assert room.kinds == ["confirm_asked"]
    assert not room.values("working_length_mm")
    assert room.said == "Not heard clearly. 22.5? Say confirm, or no."
    room.command("confirm")
    (entry,) = room.on_record("working_length_mm")
    assert (entry.value, entry.confirmed) == (22.5, True)
    assert room.at[1] == "reference_point"


def test_a_doubtful_value_refused_stays_in_the_log_only() -> None:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    room.choose("no")
    assert room.kinds == ["confirm_dropped"]
    assert "Provisional working length?" in room.said
    assert not list(room.on_record("working_length_mm"))
    assert room.state.rejected[-1].text == "12.5"


def test_a_doubtful_value_said_again_surely() -> None:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    room.mm(22.5)
    assert room.values("working_length_mm") == [22.5]
    assert [r.text for r in room.state.rejected] == ["12.5"]


@pytest.mark.parametrize("verb", ["next", "start", "sign"])
def test_other_words_do_not_confirm(verb: it.Verb) -> None:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    room.command(verb)
    assert room.refused
    assert not list(room.on_record("working_length_mm"))


def test_yes_does_not_confirm() -> None:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    room.choose("yes")
    assert room.refused == "say_confirm_or_no"


def test_a_correction_of_a_questioned_value_is_not_one_of_the_value_before() -> None:
    room = at_apical_plugger()
    room.doubtful("mm", 15.9)
    room.correct("mm", 15.5)
    assert room.values("apical_plugger_mm") == [15.5]
    assert room.values("middle_plugger_mm") == [13.0]


# -- one of two -----------------------------------------------------------------


def between(value: float, rival: float, kind: it.ValueKind = "mm") -> it.Given:
    heard = it.Heard(text=f"{value:g}", confidence=0.6, doubt="Not sure: perhaps.")
    return it.Given(kind=kind, value=value, rival=rival, heard=heard)


@pytest.mark.parametrize("answer", [15.5, 14.5])
@pytest.mark.parametrize("said", [it.Given, it.Correction])
def test_of_two_that_are_offered_the_one_that_is_said_counts_as_confirmed(
    answer: float, said: type[it.Given | it.Correction]
) -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    assert room.said == "15.5 or 14.5?"
    assert not room.values("apical_plugger_mm")
    room.do(said(kind="mm", value=answer))
    entry = [*room.on_record("apical_plugger_mm")][-1]
    assert (entry.value, entry.confirmed) == (answer, True)
    assert room.values("middle_plugger_mm") == [13.0]
    assert replay(room.events) == room.state


def test_what_the_question_offered_is_in_the_journal() -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    (asked,) = [event for event in room.events if isinstance(event, ev.ConfirmAsked)][-1:]
    assert asked.pending.offers == (15.5, 14.5)
    assert read_event(asked.model_dump(mode="json")) == asked


def test_neither_and_a_third_value_confirm_nothing() -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    room.choose("no")
    assert room.kinds == ["confirm_dropped"]
    room.do(between(15.5, 14.5))
    room.mm(15.0)
    entry = [*room.on_record("apical_plugger_mm")][-1]
    assert (entry.value, entry.confirmed) == (15.0, False)


@pytest.mark.parametrize("verb", ["confirm", "next"])
def test_confirm_alone_does_not_tell_which_of_two(verb: it.Verb) -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    room.command(verb)
    assert room.refused == "say_which"
    assert room.said == "Which of the two? 15.5 or 14.5?"
    room.choose("yes")
    assert room.refused == "say_which"
    assert not room.values("apical_plugger_mm")


def test_say_again_asks_the_same() -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    room.command("repeat")
    assert room.said == "15.5 or 14.5?"


def test_an_answer_in_doubt_is_asked_about_alone() -> None:
    room = at_apical_plugger()
    room.do(between(15.5, 14.5))
    room.do(between(14.5, 15.5))
    assert not room.values("apical_plugger_mm")
    assert room.said == "Not sure: perhaps. 14.5? Say confirm, or no."


@pytest.mark.parametrize(("rival", "offered"), [(35.0, True), (35.1, False), (-0.1, False)])
def test_what_the_step_cannot_take_is_not_offered(rival: float, offered: bool) -> None:
    room = front_tooth()
    room.do(between(22.0, rival))
    assert room.state.pending is not None
    assert room.state.pending.offers == ((22.0, rival) if offered else ())
    assert ("Say confirm" in room.said) != offered


def test_the_other_of_two_is_asked_about_if_a_rule_asks() -> None:
    """The first one's question was said with the choice; the other's was not."""
    room = front_tooth()
    room.do(between(22.0, 12.0))
    room.mm(12.0)
    assert not room.values("working_length_mm")
    assert room.state.pending is not None and not room.state.pending.offers
    room.command("confirm")
    assert room.values("working_length_mm") == [12.0]
    other = front_tooth()
    other.do(between(12.0, 22.0))
    assert other.said.endswith("12 or 22?") and other.said != "12 or 22?"
    other.mm(12.0)
    assert other.values("working_length_mm") == [12.0]


def test_of_two_depths_the_one_beyond_the_limit_is_warned_about_when_it_is_taken() -> None:
    room = at_apical_plugger()
    room.do(between(15.0, 17.0))
    room.mm(17.0)
    assert room.values("apical_plugger_mm") == [17.0]
    assert room.state.open_warnings(room.state.active)


def test_a_doubtful_correction_replaces_only_when_confirmed() -> None:
    room = at_heat()
    heard = it.Heard(text="correction sear nine", confidence=0.4, doubt="Not heard clearly.")
    correction = it.Correction(kind="mm", value=9.0, quantity="sear_depth_mm", heard=heard)
    room.do(correction)
    assert room.values("sear_depth_mm") == [10.0]
    room.mm(9.5)  # said again, surely: still for the question asked
    assert room.values("sear_depth_mm") == [9.5]
    assert room.at[1] == "heat"
    room.do(correction)
    room.command("confirm")
    assert room.values("sear_depth_mm") == [9.0]
    assert room.at[1] == "heat"


def test_a_doubtful_depth_beyond_the_limit_is_warned_about_at_once() -> None:
    room = at_apical_plugger()
    room.doubtful("mm", 17.0)
    assert room.prompts[0].urgency is Urgency.WARNING
    assert room.prompts[0].text == "Depth check: limit 16, heard 17."
    assert not room.values("apical_plugger_mm")
    room.command("confirm")
    assert room.warned == ["depth-limit"]
    assert room.values("apical_plugger_mm") == [17.0]
    assert room.at[1] == "plugger_apical"


def test_a_length_that_is_odd_for_the_tooth_is_asked_about() -> None:
    room = front_tooth()
    room.mm(33.0)  # beyond the longest upper central incisor in the handbook table
    assert room.kinds == ["confirm_asked"]
    assert "unusual for this tooth" in room.said
    room.command("confirm")
    assert room.values("working_length_mm") == [33.0]


def test_a_computed_length_that_is_odd_is_asked_about_too() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL, locator=33.0)
    room.choose("dry")
    room.mm(33.0, 33.0, 33.0)
    room.command("confirm")
    assert room.kinds == ["confirm_asked"]
    assert "unusual for this tooth" in room.said
    room.command("confirm")
    (entry,) = room.on_record("final_working_length_mm")
    assert (entry.value, entry.origin, entry.confirmed) == (33.0, "computed", True)


def test_a_canal_that_is_odd_for_the_tooth_is_asked_about() -> None:
    room = Room()
    room.say("tooth", 11)
    room.say("canals", ("palatal", "buccal"))
    assert room.said == (
        "Palatal canal is unusual for this tooth. palatal and buccal? Say confirm, or no."
    )
    room.command("confirm")
    assert room.at == (CASE, "dam")


def test_a_doubtful_answer_is_asked_about() -> None:
    room = premolar()
    room.mm(21.0)
    heard = it.Heard(text="buccal cusp", confidence=0.4, doubt="Not heard clearly.")
    room.do(it.Chosen(option="buccal_cusp", heard=heard))
    assert room.kinds == ["confirm_asked"]
    room.command("confirm")
    assert room.values("reference_point") == ["buccal_cusp"]


def test_a_doubtful_yes_to_something_done_is_asked_about() -> None:
    room = at_heat()
    room.command("undo", "undo")
    assert room.at[1] == "seated"
    heard = it.Heard(text="yes", confidence=0.4, doubt="Not heard clearly.")
    room.do(it.Chosen(option="yes", heard=heard))
    assert room.said == "Not heard clearly. done? Say confirm, or no."
    room.command("confirm")
    assert room.values("cone_seated") == ["done"]
    assert room.at[1] == "sear"


# -- values that cannot be ----------------------------------------------------


@pytest.mark.parametrize("value", [7.9, 35.1, -1.0, float("nan"), float("inf"), 10**400])
def test_a_length_out_of_range_is_refused(value: float) -> None:
    room = front_tooth()
    room.mm(value)
    assert room.refused in {"out_of_range", "not_an_option"}
    assert room.prompts
    assert not list(room.on_record("working_length_mm"))


def test_the_range_is_said() -> None:
    room = front_tooth()
    room.mm(40.0)
    assert room.said == "40 is outside 8 to 35. Say it again."


@pytest.mark.parametrize("tooth", [0, 9, 19, 49, 51, 24.5, float("nan"), "24"])
def test_no_such_tooth(tooth: it.Scalar) -> None:
    room = Room()
    room.say("tooth", tooth)
    assert room.refused == "not_an_option"
    assert room.state.tooth is None


@pytest.mark.parametrize("canals", [(), ("",), ("case",), "buccal", 3])
def test_no_such_canals(canals: it.Scalar) -> None:
    room = Room()
    room.say("tooth", 24)
    room.say("canals", canals)
    assert room.refused == "not_an_option"


def test_a_canal_named_twice() -> None:
    room = Room()
    room.say("tooth", 24)
    room.say("canals", ("buccal", "buccal"))
    assert room.refused == "canal_named_twice"


@pytest.mark.parametrize(("kind", "value"), [("size", 27), ("size", 30.5), ("taper", 6.0)])
def test_no_such_size_or_taper(kind: it.ValueKind, value: float) -> None:
    room = front_tooth()
    room.mm(22.0)
    room.choose("incisal_edge", "no_reading")
    if kind == "taper":
        room.say("size", 30)
    room.say(kind, value)
    assert room.refused == "not_an_option"


def test_another_quantity_is_no_answer() -> None:
    room = at_apical_plugger()
    room.do(it.Given(kind="mm", value=15.0, quantity="cone_mm"))
    assert room.refused == "not_this_step"
    room.do(it.Given(kind="mm", value=15.0, quantity="plugger_mm"))
    assert room.values("apical_plugger_mm") == [15.0]


def test_another_kind_is_no_answer() -> None:
    room = front_tooth()
    room.say("size", 30)
    assert room.refused == "not_this_step"
    room.choose("buccal_cusp")
    assert room.refused == "not_an_option"
    room.command("next")
    assert room.refused == "needs_answer"


# -- the depth limit ----------------------------------------------------------

DEPTH_STEPS = [
    "plugger_coronal",
    "plugger_middle",
    "plugger_apical",
    "heat_tip_fit",
    "heat_depth",
    "plugger_depth",
]


def at_depth_step(step: str) -> Room:
    room = at_press()
    room.press()
    room.mm(13.5, 13.5)
    while room.at[1] != step:
        room.command("undo")
    return room


@pytest.mark.parametrize("step", DEPTH_STEPS)
def test_beyond_the_limit_is_warned_about_before_anything_else(step: str) -> None:
    room = at_depth_step(step)
    room.mm(16.1)
    assert room.warned[0] == "depth-limit"
    assert room.prompts[0].text == "Depth check: limit 16, heard 16.1."
    assert room.prompts[0].urgency is Urgency.WARNING
    quantity = PROTOCOL.by_id[step].expect.quantity
    assert room.values(quantity)[-1] == 16.1  # kept as said, not changed
    assert room.at[1] == step  # and the case waits for the answer
    room.choose("yes")
    assert room.refused
    room.command("keep")
    assert room.at[1] != step
    assert room.values(quantity)[-1] == 16.1
    warning = next(w for w in room.state.warnings if w.rule == "depth-limit")
    assert warning.answer == "kept as said"


@pytest.mark.parametrize("step", DEPTH_STEPS)
def test_at_the_limit_is_not_warned_about(step: str) -> None:
    room = at_depth_step(step)
    room.mm(16.0)
    assert "depth-limit" not in room.warned
    assert room.at[1] != step


def test_a_depth_said_again_replaces_the_warned_one() -> None:
    room = at_apical_plugger()
    room.mm(17.0, 16.5)
    assert room.open() == ["depth-limit"]
    room.mm(16.0)
    assert not room.open()
    assert room.values("apical_plugger_mm") == [16.0]
    assert [e.value for e in room.on_record("apical_plugger_mm")][-3:] == [17.0, 16.5, 16.0]


def test_keep_without_a_warning() -> None:
    room = front_tooth()
    room.command("keep")
    assert room.refused == "nothing_to_keep"


@pytest.mark.parametrize("verb", ["back", "next", "confirm"])
def test_a_warning_is_answered_first(verb: it.Verb) -> None:
    room = at_apical_plugger()
    room.mm(17.0)
    room.command(verb)
    assert room.refused == "answer_warning_first"
    room.skip()
    assert room.refused == "answer_warning_first"
    assert "limit 16, heard 17" in room.said

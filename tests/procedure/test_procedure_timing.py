"""Presses, heat and the loops they are part of.

A hold of 5 s, a heat activation of 4 s and increments of at most 3 mm first are
common practice, see the sources in the protocol files.
"""

from __future__ import annotations

import pytest
from room import WL, at_backfill, at_heat, at_press, front_tooth, with_post
from typical_case import PROTOCOL, START

from assistant.procedure.timing import due
from assistant.progress import intents as it
from assistant.progress.state import CASE
from assistant.prompt.prompts import Urgency
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment

pytestmark = pytest.mark.core

# -- timed acts ---------------------------------------------------------------


def test_a_press_ends_by_itself_after_its_time() -> None:
    room = at_press()
    room.command("start")
    room.do(it.Tick(), 4.9)
    assert room.batch == ()
    room.do(it.Tick(), 0.1)
    assert room.kinds[0] == "timer_ended"
    assert "Release." in room.said
    assert room.values("press_s") == [5.0]


def test_an_early_press_is_recorded_as_long_as_it_was() -> None:
    room = at_press()
    room.press_cut_short(3.17)
    assert room.warned == ["press-short"]
    assert room.at[1] == "press"
    (entry,) = room.on_record("press_s")
    assert (entry.value, entry.cut_short) == (3.1, True)
    room.press()
    assert room.at[1] == "heat_depth"
    assert [(e.value, e.standing) for e in room.on_record("press_s")] == [
        (3.1, "replaced"),
        (5.0, "standing"),
    ]
    assert room.state.warnings[-1].answer == "repeated"


def test_an_early_press_may_be_kept() -> None:
    room = at_press()
    room.press_cut_short(3.1)
    room.command("keep")
    assert room.at[1] == "heat_depth"
    assert room.values("press_s") == [3.1]


def test_a_stop_counts_from_when_it_was_said() -> None:
    room = at_press()
    room.command("start")
    began = Moment(wall=START, mono_s=room.elapsed_s + 2.0)
    room.do(it.Command(verb="stop", heard=it.Heard(text="stop", began=began)), 2.8)
    assert room.values("press_s") == [2.0]


@pytest.mark.parametrize(("offset_s", "held_s"), [(-3.0, 0.0), (60.0, 2.0)])
def test_a_stop_from_another_time_does_not_lengthen_or_break_the_press(
    offset_s: float, held_s: float
) -> None:
    room = at_press()
    room.command("start")
    began = Moment(wall=START, mono_s=room.elapsed_s + offset_s)
    room.do(it.Command(verb="stop", heard=it.Heard(text="stop", began=began)), 2.0)
    assert room.values("press_s") == [held_s]


def test_a_stop_after_the_time_is_no_short_press() -> None:
    room = at_press()
    room.command("start")
    room.command("stop", after_s=5.4)
    assert not room.warned
    (entry,) = room.on_record("press_s")
    assert (entry.value, entry.cut_short) == (5.4, False)


def test_heat_past_its_limit_is_warned_about_while_it_runs_and_once() -> None:
    room = at_heat()
    room.command("start")
    room.do(it.Tick(), 3.9)
    assert room.batch == ()
    room.do(it.Tick(), 0.1)
    assert room.warned == ["heat-long"]
    assert room.prompts[0].urgency is Urgency.WARNING
    for _ in range(5):
        room.do(it.Tick(), 0.3)
        assert room.batch == ()
    room.command("stop")
    assert room.values("heat_s") == [6.5]
    assert room.state.warnings[0].answer == "off at 6.5 s"
    assert room.at[1] == "press"


def test_heat_past_its_limit_waits_for_an_answer_until_the_press_is_over() -> None:
    room = at_heat()
    room.command("heat_on")
    room.do(it.Tick(), 4.0)
    room.command("stop", after_s=2.5)
    assert room.open() == ["heat-long"]
    # Said while it was on: now the room is quiet, and the press is what is asked for.
    assert [p.text for p in room.prompts if p.spoken != ""][-1].startswith("Carrier out.")
    assert [p.spoken for p in room.prompts if "limit 4" in p.text] == [""]
    room.command("press")
    room.mm(13.5, 13.5)
    assert room.values("plugger_depth_mm") == [13.5]
    room.do(it.Tick(), 5.0)
    assert room.at[1] == "press"
    assert room.prompts[0].text == "Heat 6.5, limit 4."
    assert "Say keep it." in room.said
    room.command("next")
    assert room.refused == "answer_warning_first"
    room.command("keep")
    assert not room.open()
    assert room.at == ("single", "heat")


def test_heat_within_its_limit() -> None:
    room = at_heat()
    room.heat(3.01)
    assert not room.warned
    assert room.values("heat_s") == [3.1]  # never shorter than it was


def test_heat_too_long_without_a_tick_is_warned_about_at_its_end() -> None:
    room = at_heat()
    room.heat(7.0)
    assert room.warned == ["heat-long"]


def test_a_restart_voids_the_running_timer() -> None:
    room = at_press()
    room.command("start")
    room.do(it.Reopen(note="Nothing was lost."), 2.0)
    assert room.state.timer is None
    assert room.prompts[0].text == "Single: a press ran when the program ended. Repeat it."
    assert room.state.interruptions[-1][1] == (
        "Nothing was lost. The program ended during: Press while the mass cools, single, "
        "cycle 1; not recorded."
    )
    assert not room.values("press_s")
    room.press()
    assert room.values("press_s") == [5.0]


def test_heat_is_warned_about_again_after_a_restart_with_another_clock() -> None:
    room = at_heat()
    room.command("start")
    room.do(it.Tick(), 5.0)
    assert room.warned == ["heat-long"]
    room.do(it.Reopen(note="Nothing was lost."))
    room.elapsed_s = 0.0  # the monotonic clock begins anew
    room.command("start")
    room.do(it.Tick(), 5.0)
    assert room.warned == ["heat-long"]


def test_a_restart_forgets_the_question_that_was_open() -> None:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    room.do(it.Reopen(note="Nothing was lost."))
    assert room.state.pending is None
    assert "Provisional working length?" in room.said
    room.command("confirm")
    assert room.refused == "nothing_to_confirm"


def test_nothing_to_start_or_to_stop() -> None:
    room = front_tooth()
    room.command("start")
    assert room.refused == "nothing_to_start"
    room.command("stop")
    assert room.refused == "nothing_to_stop"


def test_a_held_time_may_be_dictated() -> None:
    room = at_press()
    room.say("s", 300.0)
    assert room.refused == "out_of_range"
    room.say("s", 6.0)
    assert room.values("press_s") == [6.0]
    assert room.at[1] == "heat_depth"


# -- the press comes first -----------------------------------------------------


def test_the_press_is_taken_at_once_and_the_depths_while_it_runs() -> None:
    room = at_heat()
    room.command("heat_on")
    room.command("stop", after_s=3.0)
    assert room.at[1] == "press"
    room.command("press", after_s=1.5)
    assert room.state.timer is not None
    # In any order, named or bare.
    room.do(it.Given(kind="mm", value=13.5, quantity="plugger_mm"))
    room.mm(13.8)
    assert (room.values("plugger_depth_mm"), room.values("heat_depth_mm")) == ([13.5], [13.8])
    assert room.at[1] == "press"
    room.do(it.Tick(), 4.0)
    assert room.at == ("single", "heat")
    assert room.state.here.round("cycle") == 2
    assert "Plugger depth?" not in room.said
    assert room.values("press_s") == [5.0]


def test_a_depth_too_deep_during_the_press_is_warned_about_and_put_right_at_once() -> None:
    room = at_press()
    room.command("press")
    room.do(it.Given(kind="mm", value=17.0, quantity="plugger_mm"))
    assert room.warned == ["depth-limit"]
    room.do(it.Given(kind="mm", value=13.5, quantity="plugger_mm"))
    assert not room.open()
    room.mm(13.5)
    room.do(it.Tick(), 5.0)
    assert room.at[1] == "heat"
    assert room.values("plugger_depth_mm") == [13.5]


def test_a_doubtful_depth_during_the_press_is_questioned_and_outlives_its_end() -> None:
    room = at_press()
    room.command("press")
    room.doubtful("mm", 13.5)
    room.do(it.Tick(), 5.0)
    assert room.state.pending is not None and room.values("press_s") == [5.0]
    room.command("confirm")
    assert room.at[1] == "plugger_depth"
    assert room.values("heat_depth_mm") == [13.5]


def test_a_question_refused_during_the_press_lets_the_canal_go_on() -> None:
    room = at_press()
    room.command("press")
    room.doubtful("mm", 13.5)
    room.do(it.Tick(), 5.0)
    room.choose("no")
    assert room.at[1] == "heat_depth"
    assert "Carrier, plugger depth?" in room.said


def test_what_else_is_said_during_the_press_waits() -> None:
    room = at_press()
    room.command("press")
    for verb in ("press", "back", "undo", "pause", "next", "confirm", "keep"):
        room.command(verb)
        assert room.refused in {"timer_running", "nothing_to_keep"}, verb
    room.say("s", 5.0)
    assert room.refused == "timer_running"


@pytest.mark.parametrize("verb", ["heat_on", "press"])
def test_press_and_heat_are_never_taken_for_one_another(verb: it.Verb) -> None:
    room = at_heat() if verb == "press" else at_press()
    room.command(verb)
    assert room.refused == "another_act"
    assert room.state.timer is None


def test_the_delay_from_heat_off_to_the_press_is_on_record() -> None:
    room = at_press()
    room.command("press", after_s=2.25)
    room.command("stop", after_s=1.0)
    room.command("press", after_s=3.0)
    room.do(it.Tick(), 5.0)
    short, held = room.on_record("press_s")
    assert (short.delay_s, held.delay_s) == (2.3, 2.3)  # the first pressure counts


@pytest.mark.parametrize(("after_s", "late"), [(7.9, False), (8.0, False), (8.1, True)])
def test_a_press_that_is_late_is_said_once(after_s: float, late: bool) -> None:
    room = at_press()
    room.do(it.Tick(), after_s)
    assert (room.warned == ["press-late"]) is late
    assert due(room.state, room.now()) is False
    room.do(it.Tick(), 1.0)
    assert (room.warned == []) is late
    room.press()
    assert not room.open()
    room.mm(13.5, 13.5)
    room.heat(3.0)
    room.do(it.Tick(), 8.1)
    assert room.warned == ["press-late"]  # of another cycle


def test_a_press_may_start_by_itself_after_the_dwell() -> None:
    tree = PROTOCOL.model_dump()
    for step in tree["canal"]:
        if step["id"] == "press":
            step["expect"]["starts_after"] = "dwell_s"
    room = at_heat()
    room.state = room.state.model_copy(update={"protocol": Protocol.model_validate(tree)})
    room.command("heat_on")
    room.command("stop", after_s=3.0)
    room.do(it.Tick(), 0.9)
    assert room.state.timer is None
    room.do(it.Tick(), 0.1)
    assert room.state.timer is not None
    room.do(it.Tick(), 5.0)
    (entry,) = room.on_record("press_s")
    assert (entry.value, entry.delay_s) == (5.0, 1.0)


def test_a_restart_with_heat_on_says_so_first() -> None:
    room = at_heat()
    room.command("heat_on")
    room.do(it.Reopen(note="Nothing was lost."), 2.0)
    first = room.prompts[0]
    assert first.text == "Single: the heat was on when the program ended. See that it is off."
    assert first.urgency is Urgency.WARNING
    assert "Heat carrier on, single, cycle 1" in room.state.interruptions[-1][1]


# -- the loops ----------------------------------------------------------------


def test_the_downpack_goes_on_until_the_plugger_is_at_its_limit() -> None:
    room = at_heat()
    for cycle, depth in enumerate((13.0, 15.4, 15.5), 1):
        assert (room.at[1], room.state.here.round("cycle")) == ("heat", cycle)
        room.heat(3.0)
        room.press()
        room.mm(depth, depth)
    assert room.at[1] == "downpack_radiograph"
    assert room.values("plugger_depth_mm") == [13.0, 15.4, 15.5]


def test_leaving_the_downpack_early_is_warned_about() -> None:
    room = at_press()
    room.press()
    room.mm(13.5, 13.5)
    room.choose("downpack_done")
    assert room.warned == ["downpack-short"]
    assert "Downpack at 13.5, limit 16: short." in room.said
    assert room.at[1] == "downpack_radiograph"


def test_leaving_the_downpack_with_its_depths_skipped_is_warned_about() -> None:
    room = at_heat()
    room.heat(3.0)
    room.press()
    room.skip()
    assert room.warned == ["step-skipped"]  # the loop is not left yet
    room.skip()
    assert room.at[1] == "downpack_radiograph"
    assert room.warned == ["step-skipped", "downpack-short"]


def test_the_backfill_ends_at_the_coronal_level() -> None:
    room = at_backfill()
    for number, length in enumerate((3.0, 2.0, 0.5), 1):
        assert (room.at[1], room.state.here.round("increment")) == (
            "increment_press",
            number,
        )
        room.press()
        room.mm(length)
    assert room.at[1] == "level_check"  # 16 - 5.5 = 10.5, within 0.5 of 10
    assert "Fill at 10.5, planned 10." in room.said


def test_a_large_first_increment_waits_for_an_answer_a_later_one_does_not() -> None:
    room = at_backfill()
    room.press()
    room.mm(3.5)
    assert room.warned == ["first-increment-large"]
    assert room.at[1] == "increment"
    room.command("keep")
    assert room.at[1] == "increment_press"
    room.press()
    room.mm(5.5)
    assert room.warned == ["later-increment-large"]


def test_a_post_stops_the_fill_at_its_level() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    assert room.at[1] == "post_level"
    room.mm(16.0)
    assert not room.warned  # 5 mm of seal
    assert room.at == (CASE, "chamber")


def test_a_short_seal_under_a_post_waits_for_an_answer() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    room.mm(17.5)
    assert room.warned == ["seal-short"]
    assert "Apical seal 3.5, planned at least 5." in room.said
    room.command("keep")
    assert room.at == (CASE, "chamber")


def test_a_shorter_working_length_checks_the_seal_again() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    room.mm(16.5)
    room.switch("single")
    room.correct_named("final_working_length_mm", 20.0)
    assert "seal-short" in room.warned


def test_a_post_may_be_backfilled_all_the_same() -> None:
    room = with_post()
    room.choose("backfill")
    assert (room.at[1], room.state.here.round("increment")) == ("increment_press", 1)


def test_another_cone_starts_over_from_its_size() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.command("confirm", "confirm")
    room.choose("no")
    assert room.warned == ["no-tugback"]
    assert room.at[1] == "cone_size"
    room.cone(21.0)
    assert room.values("cone_length_mm") == [21.0]


def test_a_repeated_press_that_is_interrupted_leaves_the_warning_open() -> None:
    room = at_press()
    room.command("start")
    room.command("stop", after_s=2.0)
    for _ in range(2):
        (short,) = room.state.open_warnings(room.state.active)
        assert short.rule == "press-short"
        room.command("start")
        assert not room.state.open_warnings(room.state.active)
        room.do(it.Reopen(note="The machine slept."))  # the repeat is void
    assert [w.answer for w in room.state.warnings if w.rule == "press-short"] == [
        "repeated",
        "repeated",
        None,
    ]
    room.command("start")
    room.do(it.Tick(), 5.2)
    assert not room.state.open_warnings(room.state.active)

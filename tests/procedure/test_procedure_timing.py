"""Presses, heat and the loops they are part of.

A hold of 5 s, a heat activation of 4 s and increments of at most 3 mm first are
common practice, see the sources in the protocol files.
"""

from __future__ import annotations

import pytest
from room import WL, at_backfill, at_heat, at_press, front_tooth, with_post
from typical_case import START

from assistant.procedure import intents as it
from assistant.procedure.state import CASE
from assistant.prompt.prompts import Urgency
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
    assert room.at[1] == "heat"
    assert [(e.value, e.standing) for e in room.on_record("press_s")] == [
        (3.1, "replaced"),
        (5.0, "standing"),
    ]
    assert room.state.warnings[-1].answer == "repeated"


def test_an_early_press_may_be_kept() -> None:
    room = at_press()
    room.press_cut_short(3.1)
    room.command("keep")
    assert room.at[1] == "heat"
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
    assert not room.warned
    assert room.values("heat_s") == [6.5]
    assert room.state.warnings[-1].answer == "off at 6.5 s"
    assert room.at[1] == "heat_depth"


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
    assert "interrupted" in room.said
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
    assert room.at[1] == "heat"


# -- the loops ----------------------------------------------------------------


def test_the_downpack_goes_on_until_the_plugger_is_at_its_limit() -> None:
    room = at_heat()
    for cycle, depth in enumerate((13.0, 15.4, 15.5), 1):
        assert (room.at[1], room.state.here.round("cycle")) == ("heat", cycle)
        room.heat(3.0)
        room.mm(depth, depth)
        room.press()
    assert room.at[1] == "downpack_radiograph"
    assert room.values("plugger_depth_mm") == [13.0, 15.4, 15.5]


def test_leaving_the_downpack_early_is_warned_about() -> None:
    room = at_press()
    room.press()
    room.choose("downpack_done")
    assert room.warned == ["downpack-short"]
    assert "Downpack at 13.5, limit 16: short." in room.said
    assert room.at[1] == "downpack_radiograph"


def test_leaving_the_downpack_with_its_depths_skipped_is_warned_about() -> None:
    room = at_heat()
    room.heat(3.0)
    room.skip()
    room.skip()
    assert room.warned == ["step-skipped"]  # the loop is not left yet
    room.press()
    assert room.at[1] == "downpack_radiograph"
    assert room.warned == ["downpack-short"]


def test_the_backfill_ends_at_the_coronal_level() -> None:
    room = at_backfill()
    for number, length in enumerate((3.0, 2.0, 0.5), 1):
        assert (room.at[1], room.state.here.round("increment")) == ("increment", number)
        room.mm(length)
        room.press()
    assert room.at[1] == "level_check"  # 16 - 5.5 = 10.5, within 0.5 of 10
    assert "Fill computed at 10.5, planned 10." in room.said


def test_a_large_first_increment_waits_for_an_answer_a_later_one_does_not() -> None:
    room = at_backfill()
    room.mm(3.5)
    assert room.warned == ["first-increment-large"]
    assert room.at[1] == "increment"
    room.command("keep")
    assert room.at[1] == "increment_press"
    room.press()
    room.mm(5.5)
    assert room.warned == ["later-increment-large"]
    assert room.at[1] == "increment_press"


def test_a_post_stops_the_fill_at_its_level() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    assert room.at[1] == "post_level"
    room.mm(16.5)
    assert not room.warned  # 4.5 mm of seal
    assert room.at == (CASE, "chamber")


def test_a_short_seal_under_a_post_waits_for_an_answer() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    room.mm(17.5)
    assert room.warned == ["seal-short"]
    assert "Apical seal 3.5, planned at least 4." in room.said
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
    assert (room.at[1], room.state.here.round("increment")) == ("increment", 1)


def test_another_cone_starts_over_from_its_size() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.choose("no_reading")
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

"""The way through a case, told as scenes with a fake clock: canals, back, undo, signature."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from typing import get_args

import pytest
from room import (
    LIMIT,
    WL,
    WORDING,
    Room,
    at_apical_plugger,
    at_backfill,
    at_heat,
    at_press,
    at_the_end,
    front_tooth,
    premolar,
    told_at_press,
)
from typical_case import PROTOCOL, barely_started, molar, two_canals

from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import apply, replay
from assistant.progress.facts import depth_limit_mm, suggestion, wl_mm
from assistant.progress.state import CASE
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond

pytestmark = pytest.mark.core

# -- the whole sequence -------------------------------------------------------


def test_two_canals_from_the_tooth_to_the_signature() -> None:
    case = two_canals()
    state = case.state
    assert state.signed is not None
    assert all(track.finished for track in state.tracks)
    assert [track.name for track in state.canals] == ["buccal", "palatal"]
    assert (wl_mm(state, "buccal"), wl_mm(state, "palatal")) == (21.1, 20.6)
    assert replay(case.events) == state


def test_every_canal_of_a_molar_is_asked_every_step() -> None:
    state = molar().state
    asked = {step.id for step in PROTOCOL.canal if step.asked} - {"post_stop", "post_level"}
    for canal in state.canals:
        assert {entry.step for entry in state.standing(canal.name)} == asked


def test_the_journal_in_json_gives_the_same_case() -> None:
    case = two_canals()
    lines = [ev.EVENTS.dump_json(event) for event in case.events]
    assert replay(ev.EVENTS.validate_json(line) for line in lines) == case.state


def test_a_finished_canal_hands_over_to_the_next() -> None:
    room = premolar()
    room.canal(21.0, 2.5, 3.0)
    assert room.at == ("palatal", "working_length")
    assert "Buccal finished." in room.said
    assert "Palatal." in room.said


# -- several canals -----------------------------------------------------------


def test_canals_interleave_and_keep_their_places() -> None:
    room = premolar()
    room.mm(21.0)
    room.choose("buccal_cusp", "no_reading")
    room.switch("palatal")
    assert room.at == ("palatal", "working_length")
    assert room.said == "Palatal. Length?"
    room.mm(20.5)
    room.switch("buccal")
    assert room.at == ("buccal", "apical_size")
    room.switch("palatal")
    assert room.at == ("palatal", "reference_point")
    assert wl_mm(room.state, "buccal") == 21.0
    assert wl_mm(room.state, "palatal") == 20.5


def test_three_canals_filled_in_turns() -> None:
    room = Room()
    room.set_up(46, "mesiobuccal", "mesiolingual", "distal")
    for canal, wl in (("mesiobuccal", 20.0), ("mesiolingual", 20.5), ("distal", 21.0)):
        room.switch(canal)
        room.canal_to_pluggers(wl)
    for canal, wl in (("distal", 21.0), ("mesiobuccal", 20.0), ("mesiolingual", 20.5)):
        room.switch(canal)
        room.canal_to_sear(wl)
    for canal, wl in (("mesiolingual", 20.5), ("distal", 21.0), ("mesiobuccal", 20.0)):
        room.switch(canal)
        room.downpack(wl)
        room.backfill(2.5, 3.0)
    assert room.at == (CASE, "chamber")
    room.finish()
    assert [depth_limit_mm(room.state, t.name) for t in room.state.canals] == [15.1, 15.6, 16.1]


def test_no_canal_before_the_set_up_is_done() -> None:
    room = Room()
    room.say("tooth", 24)
    room.say("canals", ("buccal", "palatal"))
    room.switch("palatal")
    assert room.refused == "finish_setup_first"
    assert room.at == (CASE, "dam")


def test_a_canal_that_is_not_in_the_case() -> None:
    room = premolar()
    room.switch("distal")
    assert room.refused == "no_such_canal"
    assert room.at == ("buccal", "working_length")


def test_a_question_left_open_is_dropped_by_a_switch_and_kept_in_the_log() -> None:
    room = premolar()
    room.doubtful("mm", 21.5)
    room.switch("palatal")
    assert room.kinds == ["confirm_dropped", "track_selected"]
    assert room.state.rejected[-1].text == "21.5"
    room.command("confirm")
    assert room.refused == "nothing_to_confirm"
    assert not room.values("working_length_mm", "buccal")
    assert not room.values("working_length_mm", "palatal")


def test_a_warning_waits_for_its_canal() -> None:
    room = premolar()
    room.canal_to_pluggers(WL)
    room.command("undo", "undo")
    room.mm(17.0)
    room.switch("palatal")
    room.mm(20.5)
    assert room.at == ("palatal", "reference_point")
    room.switch("buccal")
    assert room.prompts[0] == Prompt("Buccal.", Urgency.WARNING)
    assert room.prompts[1] == Prompt(
        "Depth check: limit 16, heard 17.",
        Urgency.WARNING,
        "Depth check: limit sixteen, heard seventeen.",
    )
    assert "keep it" in room.said
    room.command("keep")
    assert room.at == ("buccal", "heat_tip_fit")


# -- back, skip, repeat, pause ------------------------------------------------


def test_back_asks_the_step_before_and_the_new_value_replaces_the_old() -> None:
    room = front_tooth()
    room.mm(22.0)
    room.command("back")
    assert room.at == ("single", "working_length")
    room.mm(22.5)
    assert room.values("working_length_mm") == [22.5]
    assert [e.standing for e in room.on_record("working_length_mm")] == ["replaced", "standing"]
    assert room.at == ("single", "reference_point")


def test_back_ends_at_the_first_step() -> None:
    room = front_tooth()
    room.command("back")
    assert room.refused == "at_the_start"


def test_back_leaves_a_step_that_was_asked_again_at_once() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("wet", "wet", "bleeding")
    room.command("back")
    assert room.at == ("single", "heat_tip_fit")


def test_back_through_a_finished_canal() -> None:
    room = premolar()
    room.canal(21.0, 2.5, 3.0)
    room.switch("buccal")
    room.command("back")
    assert room.at == ("buccal", "level_check")


def test_cycles_are_counted_on_without_gap_after_going_back() -> None:
    room = told_at_press()
    room.press()
    room.command("back", "back", "back")
    assert (room.at, room.state.here.round("cycle")) == (("single", "press"), 1)
    room.press()
    assert (room.at, room.state.here.round("cycle")) == (("single", "heat"), 2)


def test_another_radiograph_leads_to_one_more_cycle_whatever_was_gone_back() -> None:
    room = at_backfill()
    room.command("back")
    room.choose("repeat_it")
    assert (room.at[1], room.state.here.round("cycle")) == ("heat", 3)
    room.command("back")
    assert room.at[1] == "downpack_radiograph"
    room.choose("repeat_it")
    assert (room.at[1], room.state.here.round("cycle")) == ("heat", 3)


def test_level_not_reached_leads_to_one_more_increment() -> None:
    room = at_backfill()
    for length in (2.5, 3.5):
        room.mm(length)
        room.press()
    assert room.at[1] == "level_check"
    room.choose("no")
    assert (room.at[1], room.state.here.round("increment")) == ("increment_press", 3)
    room.mm(2.0)
    room.press()
    assert room.values("increment_mm") == [2.5, 3.5, 2.0]


def test_a_skip_needs_a_reason_and_is_warned_about_and_recorded() -> None:
    room = front_tooth()
    room.skip(None)
    assert room.refused == "skip_needs_reason"
    room.skip("   ")
    assert room.refused == "skip_needs_reason"
    assert room.at == ("single", "working_length")
    room.skip("not available")
    assert room.warned == ["step-skipped"]
    assert room.state.skipped[0].reason == "not available"
    assert room.at == ("single", "reference_point")
    assert not room.open()


@pytest.mark.parametrize("verb", ["tooth", "canals"])
def test_what_makes_a_case_cannot_be_skipped(verb: str) -> None:
    room = Room()
    if verb == "canals":
        room.say("tooth", 24)
    room.skip()
    assert room.refused == "cannot_skip"
    assert room.at == (CASE, verb)


def test_skipping_the_readings_leaves_them_even_when_they_disagree() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(20.0, 21.0, 22.0)
    assert room.at[1] == "paper_point"
    room.skip("clinical decision")
    assert room.at[1] == "final_length"


def test_a_depth_without_working_length_is_warned_about() -> None:
    room = front_tooth()
    room.skip()
    while room.at[1] != "plugger_coronal":
        room.skip()
    room.mm(12.0)
    assert room.warned == ["limit-unknown"]
    assert room.prompts[0].urgency is Urgency.WARNING
    assert room.open() == ["limit-unknown"]


def test_repeat_says_what_is_waited_for() -> None:
    room = at_apical_plugger()
    room.command("repeat")
    assert room.said == "Apical plugger depth? Limit 16."
    room.doubtful("mm", 15.5)
    room.command("repeat")
    assert "15.5? Say confirm, or no." in room.said
    room.mm(17.0)
    room.command("repeat")
    assert "limit 16, heard 17" in room.said


def test_a_pause_takes_nothing_but_resume() -> None:
    room = front_tooth()
    room.command("pause")
    room.mm(22.0)
    assert room.refused == "paused"
    assert not room.values("working_length_mm")
    room.command("where")
    assert room.kinds == ["queried"]
    room.command("resume")
    assert "Provisional working length?" in room.said
    room.mm(22.0)
    assert room.values("working_length_mm") == [22.0]


def test_resume_without_a_pause() -> None:
    room = front_tooth()
    room.command("resume")
    assert room.refused == "not_paused"


def test_no_pause_while_a_timer_runs() -> None:
    room = at_press()
    room.command("start", "pause")
    assert room.refused == "timer_running"
    assert not room.state.paused
    room.do(it.Tick(), 5.0)
    assert room.state.timer is None


# -- undo ---------------------------------------------------------------------


def test_undo_takes_the_last_entry_back_and_asks_again() -> None:
    room = front_tooth()
    room.mm(22.0)
    room.choose("incisal_edge")
    room.command("undo")
    assert room.at == ("single", "reference_point")
    room.command("undo")
    assert room.at == ("single", "working_length")
    assert wl_mm(room.state, "single") is None
    assert [e.standing for e in room.state.entries if e.track == "single"] == ["undone"] * 2


def test_undo_a_reading() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(21.0, 21.0, 20.8)
    assert room.at[1] == "final_length"
    room.command("undo")
    assert room.at[1] == "paper_point"
    assert room.values("paper_point_mm") == [21.0, 21.0]
    room.command("undo")
    assert room.values("paper_point_mm") == [21.0]
    assert room.at[1] == "paper_point"
    room.mm(21.2, 21.1)
    assert room.at[1] == "final_length"
    assert suggestion(room.state, "single", "final_length") == 21.1
    room.command("back", "back")
    assert room.at[1] == "dry"


def test_undo_acts_on_the_canal_being_worked_on() -> None:
    room = premolar()
    room.mm(21.0)
    room.switch("palatal")
    room.mm(20.5)
    room.switch("buccal")
    room.command("undo")
    assert not room.values("working_length_mm", "buccal")
    assert room.values("working_length_mm", "palatal") == [20.5]


def test_undo_reaches_the_set_up_while_no_canal_has_anything() -> None:
    room = premolar()
    room.command("undo")
    assert room.at == (CASE, "patient_risks")
    room.command("undo", "undo", "undo", "undo")
    assert room.at == (CASE, "canals")
    room.say("canals", ("single",))
    room.choose("yes", "yes", "yes", "none_known")
    assert room.at == ("single", "working_length")
    assert [track.name for track in room.state.canals] == ["single"]


def test_undo_does_not_reach_the_set_up_once_a_canal_is_begun() -> None:
    room = premolar()
    room.switch("palatal")
    room.mm(20.5)
    room.switch("buccal")
    room.command("undo")
    assert room.refused == "nothing_to_undo"


def test_undo_of_a_timed_press_asks_for_the_press() -> None:
    room = told_at_press()
    room.press()
    assert room.at[1] == "heat"
    room.command("undo")
    assert room.at[1] == "press"
    assert not room.values("press_s")
    room.press()
    assert room.values("press_s") == [5.0]
    assert room.state.here.round("cycle") == 2


def test_undo_of_the_repeat_of_a_press_asks_for_the_press() -> None:
    room = at_press()
    room.press_cut_short(3.1)
    room.press()
    room.command("undo")
    assert room.at[1] == "press"
    assert not room.values("press_s")
    assert [e.standing for e in room.on_record("press_s")] == ["replaced", "undone"]


def test_undo_of_a_correction_gives_the_earlier_value_its_place_again() -> None:
    room = at_heat()
    room.correct_named("final_working_length_mm", 20.0)
    assert wl_mm(room.state, "single") == 20.0
    room.command("keep")
    room.command("undo")
    assert wl_mm(room.state, "single") == WL
    assert room.at == ("single", "heat")


def test_undo_of_a_correction_warns_again_about_the_earlier_value() -> None:
    room = at_apical_plugger()
    room.mm(17.0)
    room.correct("mm", 15.5)
    assert not room.open()
    room.command("undo")
    assert room.warned == ["depth-limit"]
    assert room.open() == ["depth-limit"]
    room.correct("mm", 15.8)
    assert room.values("apical_plugger_mm") == [15.8]
    assert not room.open()


def test_undo_of_the_final_length_checks_the_depths_against_the_provisional_one() -> None:
    room = front_tooth()
    room.canal_to_pluggers(WL, locator=22.0)
    room.choose("dry")
    room.mm(22.0, 22.0, 22.0)
    room.command("confirm")
    room.correct_named("apical_plugger_mm", 17.0)  # within 22 - 5
    assert not room.open()
    room.correct_named("final_working_length_mm", 22.1)
    room.command("undo", "undo", "undo")  # the correction, the plugger's, the length
    assert wl_mm(room.state, "single") == WL
    assert not room.open()

    room = front_tooth()
    room.canal_to_pluggers(WL, locator=22.0)
    room.choose("dry")
    room.mm(22.0, 22.0, 22.0)
    room.command("confirm")
    room.correct_named("apical_plugger_mm", 17.0)
    room.command("back")
    room.mm(22.1)
    assert not room.open()
    room.command("undo")
    assert depth_limit_mm(room.state, "single") == LIMIT
    assert room.warned == ["depth-limit"]


def test_undo_after_going_back_does_not_leap_forward() -> None:
    room = at_heat()
    room.command("back", "back", "back")
    assert room.at[1] == "sealer"
    room.command("undo")
    assert room.at[1] == "sealer"
    assert not room.values("sear_depth_mm")
    room.choose("yes")
    room.choose("corrected")  # what was seated on it stands
    assert room.at[1] == "sear"


def test_back_after_undo_goes_to_the_step_before() -> None:
    room = at_heat()
    room.command("undo", "back")
    assert room.at[1] == "seated"


def test_undo_of_a_warned_value_answers_its_warning() -> None:
    room = at_apical_plugger()
    room.mm(17.0)
    room.command("undo")
    assert not room.open()
    assert room.at[1] == "plugger_apical"
    assert not room.values("apical_plugger_mm")


# -- the signature ------------------------------------------------------------


def test_the_note_is_signed_by_a_confirmed_request_at_the_end() -> None:
    room = at_the_end()
    room.command("sign")
    assert room.state.signed is None
    assert room.said.endswith("Signing closes the case. Say confirm, or no.")
    room.command("confirm")
    assert room.state.signed is not None
    assert room.said == "Note signed."


def test_the_note_is_not_signed_before_the_end() -> None:
    room = front_tooth()
    room.command("sign")
    assert room.refused == "not_at_the_end"


def test_a_signature_refused() -> None:
    room = at_the_end()
    room.command("sign")
    room.choose("no")
    assert room.state.signed is None
    room.command("confirm")
    assert room.refused == "nothing_to_confirm"


def test_the_note_is_not_signed_over_an_open_warning() -> None:
    room = at_the_end()
    room.switch("single")
    room.correct_named("final_working_length_mm", 19.0)
    assert room.open()
    room.switch(CASE)
    room.command("sign")
    assert room.refused == "answer_warning_first"
    assert "Single: " in room.said
    assert "limit 14, heard 16" in room.said
    room.switch("single")
    room.command("keep")
    room.switch(CASE)
    room.command("sign", "confirm")
    assert room.state.signed is not None


def test_the_note_is_not_signed_over_a_canal_gone_back_to() -> None:
    room = at_the_end()
    room.switch("single")
    room.command("undo")
    assert room.at == ("single", "level_check")
    room.switch(CASE)
    room.command("sign")
    assert room.refused == "not_at_the_end"
    room.switch("single")
    room.choose("yes")
    assert room.at == (CASE, "sign")
    assert "sign the note" in room.said
    room.command("sign", "confirm")
    assert room.state.signed is not None


def test_only_the_operator_signs() -> None:
    room = at_the_end()
    room.do(it.WhoSpeaks(who="chairside"))
    room.command("sign")
    assert room.refused == "operator_signs"
    room.do(it.WhoSpeaks(who="operator"))
    room.command("sign")
    room.do(it.WhoSpeaks(who="chairside"))
    room.command("confirm")
    assert room.refused == "operator_signs"
    assert room.state.signed is None
    room.do(it.WhoSpeaks(who="operator"))
    room.command("confirm")
    assert room.state.signed is not None


SPOKEN: list[it.AnyIntent] = [
    it.Given(kind="mm", value=20.0),
    it.Correction(kind="mm", value=20.0),
    it.Chosen(option="yes"),
    it.Skip(reason="not needed"),
    it.Skip(),
    it.SwitchCanal(canal="single"),
    it.SwitchCanal(canal="case"),
    it.WhoSpeaks(who="chairside"),
    it.Unclear(reason="no phrase of this step"),
    it.Unclear(reason="more than one meaning", readings=("20", "30")),
    *(it.Command(verb=verb) for verb in get_args(it.Verb)),
]


def test_nothing_is_taken_after_signing() -> None:
    room = at_the_end()
    room.command("sign", "confirm")
    entries, warnings = room.state.entries, room.state.warnings
    for intent in SPOKEN:
        room.do(intent)
        assert (room.state.entries, room.state.warnings) == (entries, warnings), intent
        assert room.state.here.finished
        assert set(room.kinds) <= {"refused", "queried", "not_understood"}, intent
        assert room.prompts, intent


# -- whatever is said is answered ---------------------------------------------


def paused() -> Room:
    room = front_tooth()
    room.command("pause")
    return room


def heating() -> Room:
    room = at_heat()
    room.command("start")
    return room


def asking() -> Room:
    room = front_tooth()
    room.doubtful("mm", 12.5)
    return room


def warning() -> Room:
    room = at_apical_plugger()
    room.mm(17.0)
    return room


SCENES = [Room, premolar, paused, heating, at_press, asking, warning, at_backfill, at_the_end]


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_whatever_is_said_leads_to_an_event_and_an_answer(scene: Callable[[], Room]) -> None:
    room = scene()
    for intent in SPOKEN:
        events, after = decide(room.state, intent, room.now())
        assert events, intent
        assert after == reduce(apply, events, room.state)
        assert respond(events, after, WORDING), intent


def test_entries_are_in_the_name_of_who_speaks() -> None:
    room = front_tooth()
    room.do(it.WhoSpeaks(who="chairside"))
    room.mm(22.0)
    (entry,) = room.on_record("working_length_mm")
    assert entry.by == "chairside assistant"
    room.do(it.WhoSpeaks(who="operator"))
    room.choose("incisal_edge")
    assert room.state.entries[-1].by == "Operator A"


def test_a_read_back_that_was_heard_is_noted_once() -> None:
    room = front_tooth()
    room.mm(22.0)
    seq = room.state.entries[-1].seq
    room.do(it.ReadOut(seq=seq))
    assert room.state.entries[-1].read_back
    for again in (seq, 999):
        room.do(it.ReadOut(seq=again))
        assert room.batch == ()


def test_trouble_is_recorded_and_said_first() -> None:
    room = front_tooth()
    room.do(it.Trouble(text="The microphone is gone. Typed lines still work."))
    assert room.prompts[0].urgency is Urgency.WARNING
    assert room.state.interruptions[-1][1].startswith("The microphone")


def test_an_addendum_needs_a_signature_and_changes_nothing_of_what_was_signed() -> None:
    before = barely_started().state
    refused = decide(
        before, it.Append(text="late finding", by="Operator B"), two_canals().now()
    )
    assert [event.kind for event in refused.events] == ["refused"]
    signed = two_canals().state
    (event,), _ = decide(
        signed, it.Append(text=" late finding ", by="Operator B"), two_canals().now()
    )
    after = apply(signed, event)
    assert after.addenda[0].text == "late finding"
    assert after.model_copy(update={"addenda": ()}) == signed
    empty = decide(after, it.Append(text=" ", by="Operator B"), two_canals().now())
    assert empty.events[0].kind == "refused"

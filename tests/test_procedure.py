"""What the assistant does about what is said, told as scenes with a fake clock.

The rules themselves (5 mm short of the working length, 5 s of pressure, ...)
are common practice, see the sources in the protocol files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import reduce

import pytest
from typical_case import PROTOCOL, START, Driver, molar, two_canals

from assistant.data import data_folder
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.apply import apply, replay
from assistant.procedure.decide import decide
from assistant.procedure.facts import depth_limit_mm, fill_top_mm, suggestion, wl_mm
from assistant.procedure.moment import Moment
from assistant.procedure.state import CASE, Entry
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.sayings import load_wording
from assistant.prompt.wording import respond

WORDING = load_wording(data_folder("grammars") / "en")
WL = 21.0
LIMIT = 16.0


class Room(Driver):
    """A case, what the last thing said led to, and what was answered aloud."""

    batch: tuple[ev.AnyEvent, ...] = ()
    prompts: tuple[Prompt, ...] = ()

    def __init__(self) -> None:
        super().__init__(read_out=False)

    def do(self, intent: it.AnyIntent, after_s: float = 1.0) -> None:
        before = len(self.events)
        super().do(intent, after_s)
        self.batch = tuple(self.events[before:])
        self.prompts = tuple(respond(self.batch, self.state, WORDING))

    def doubtful(self, kind: it.ValueKind, value: it.Scalar) -> None:
        heard = it.Heard(text=f"{value}", confidence=0.4, doubt="Not heard clearly.")
        self.do(it.Given(kind=kind, value=value, heard=heard))

    def correct_named(self, quantity: str, value: float) -> None:
        self.do(it.Correction(kind="mm", value=value, quantity=quantity))

    def switch(self, canal: str) -> None:
        self.do(it.SwitchCanal(canal=canal))

    def skip(self, reason: str | None = "not needed") -> None:
        self.do(it.Skip(reason=reason))

    @property
    def at(self) -> tuple[str, str]:
        return self.state.active, self.state.here.step

    @property
    def kinds(self) -> list[str]:
        return [event.kind for event in self.batch]

    @property
    def refused(self) -> str | None:
        found = [e.rejected.reason for e in self.batch if isinstance(e, ev.Refused)]
        return found[0] if found else None

    @property
    def warned(self) -> list[str]:
        return [e.warning.rule for e in self.batch if isinstance(e, ev.Warned)]

    @property
    def said(self) -> str:
        return " ".join(prompt.text for prompt in self.prompts)

    def values(self, quantity: str, canal: str | None = None) -> list[it.Scalar]:
        found = self.state.in_sequence(canal or self.state.active, quantity)
        return [entry.value for entry in found]

    def on_record(self, quantity: str) -> Iterator[Entry]:
        """Every entry of a quantity, whether it still counts or not."""
        return (e for e in self.state.entries if e.quantity == quantity)

    def open(self) -> list[str]:
        return [w.rule for w in self.state.warnings if w.open]


def front_tooth() -> Room:
    """An upper incisor with one canal, set-up done."""
    room = Room()
    room.set_up(11, "single")
    return room


def premolar() -> Room:
    room = Room()
    room.set_up(24, "buccal", "palatal")
    return room


def at_apical_plugger() -> Room:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.command("undo", "undo")
    assert room.at == ("single", "plugger_apical")
    return room


def at_heat() -> Room:
    """Ready for the first downpack cycle: final length 21, fill seared at 10."""
    room = front_tooth()
    room.canal_to_pluggers(WL)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.command("confirm", "confirm")
    room.choose("yes", "yes")
    room.command("next")
    room.mm(10.0)
    assert room.at == ("single", "heat")
    return room


def at_press() -> Room:
    room = at_heat()
    room.heat(3.0)
    room.mm(13.5, 13.5)
    assert room.at == ("single", "press")
    return room


def at_backfill() -> Room:
    room = at_press()
    room.press()
    room.heat(3.0)
    room.mm(16.0, 16.0)
    room.press()
    room.choose("none")
    assert room.at == ("single", "increment")
    return room


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
    asked = {step.id for step in PROTOCOL.canal} - {"post_stop", "post_level"}
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
    room.choose("buccal_cusp")
    room.switch("palatal")
    assert room.at == ("palatal", "working_length")
    assert room.said == "Palatal. Provisional working length?"
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
    assert room.prompts[0] == Prompt(
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
    room = at_press()
    room.press()
    room.command("back")
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
    assert (room.at[1], room.state.here.round("increment")) == ("increment", 3)
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
    assert room.at == (CASE, "radiograph_ready")
    room.command("undo", "undo", "undo")
    assert room.at == (CASE, "canals")
    room.say("canals", ("single",))
    room.choose("yes", "yes", "yes")
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
    room = at_press()
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
    room.canal_to_pluggers(WL)
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
    room.canal_to_pluggers(WL)
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
    room.command("next")
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


# -- correction ---------------------------------------------------------------


def test_a_bare_correction_replaces_the_last_value_of_its_kind() -> None:
    room = front_tooth()
    room.mm(22.0)
    room.choose("incisal_edge")
    room.say("size", 30)
    room.correct("mm", 22.5)
    assert room.values("working_length_mm") == [22.5]
    assert room.values("apical_size") == [30]
    assert room.at[1] == "taper"
    assert "Corrected. Length 22.5." in room.said


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
    room.canal_to_pluggers(WL)
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
    room = at_press()
    room.correct("mm", 14.0)
    assert room.values("plugger_depth_mm") == [14.0]
    assert room.at[1] == "press"
    room.correct("mm", 17.0)
    assert room.warned == ["depth-limit"]
    room.command("start")
    assert room.refused == "answer_warning_first"
    room.command("keep")
    assert room.at[1] == "press"
    room.press()
    assert room.at[1] == "downpack_radiograph"


def test_correcting_a_depth_of_an_earlier_cycle_does_not_answer_this_one() -> None:
    room = at_press()
    room.press()
    room.heat(3.0)
    room.mm(16.0)
    assert room.at[1] == "plugger_depth"
    room.correct_named("plugger_depth_mm", 13.0)
    assert room.at[1] == "plugger_depth"
    assert room.values("plugger_depth_mm") == [13.0]


def test_a_depth_corrected_late_counts_in_its_own_place() -> None:
    room = at_press()
    room.press()
    room.heat(3.0)
    room.mm(16.0, 16.0)
    room.correct_named("sear_depth_mm", 9.0)
    assert fill_top_mm(room.state, "single") == 16.0
    room.press()
    assert room.at[1] == "downpack_radiograph"  # and not back to another cycle


def test_a_carrier_depth_corrected_late_is_judged_by_the_fill_it_went_into() -> None:
    room = at_press()
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
    room.correct("mm", 2.8)
    assert room.values("increment_mm") == [2.8, "level_reached"]


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
    assert room.state.newest(CASE, "canals") is None
    room.say("canals", ("mesial", "distal"))
    room.choose("yes", "yes", "yes")
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
    room.canal_to_pluggers(WL)
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
    room.choose("incisal_edge")
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
    quantity = PROTOCOL.step(step).expect.quantity
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


def with_post() -> Room:
    room = front_tooth()
    room.mm(WL)
    room.choose("incisal_edge")
    room.say("size", 30)
    room.say("taper", 0.06)
    room.choose("yes")
    room.mm(10.0)
    room.choose("yes")
    room.cone(WL)
    room.choose("yes", "accepted")
    room.mm(10.0, 13.0, 16.0, 16.0)
    room.choose("dry")
    room.mm(WL, WL, WL)
    room.command("confirm", "confirm")
    room.choose("yes", "yes")
    room.command("next")
    room.mm(10.0)
    room.heat(3.0)
    room.mm(13.5, 16.0)
    room.press()
    room.choose("none")
    assert room.at[1] == "post_stop"
    return room


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
    room.command("confirm", "confirm")
    room.choose("no")
    assert room.warned == ["no-tugback"]
    assert room.at[1] == "cone_size"
    room.cone(21.0)
    assert room.values("cone_length_mm") == [21.0]


# -- the signature ------------------------------------------------------------


def at_the_end() -> Room:
    room = front_tooth()
    room.canal(WL, 2.5, 3.5)
    room.command("next", "next")
    room.choose("accepted")
    assert room.at == (CASE, "sign")
    return room


def test_the_note_is_signed_by_a_confirmed_request_at_the_end() -> None:
    room = at_the_end()
    room.command("sign")
    assert room.state.signed is None
    assert room.said == "Signing closes the case. Say confirm, or no."
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
    *(it.Command(verb=verb) for verb in it.Verb.__args__),
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
        events = decide(room.state, intent, room.now())
        assert events, intent
        after = reduce(apply, events, room.state)
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

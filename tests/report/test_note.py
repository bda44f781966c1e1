"""The chart note: complete, honest about what is missing, and safe to paste."""

from __future__ import annotations

import re
import unicodedata
from datetime import timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typical_case import (
    HEAD,
    PROTOCOL,
    Driver,
    barely_started,
    many_warnings,
    molar,
    two_canals,
)

from assistant.progress import intents as it
from assistant.progress.facts import fill_top_mm
from assistant.progress.state import CaseState
from assistant.protocol.expect import Measure
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment
from assistant.report import rounds
from assistant.report.marks import LEGEND, clock, entry_text, mark, marked, plain
from assistant.report.note import note
from assistant.report.note_text import COLUMNS, as_text
from assistant.report.statement import DEMO, STATEMENT

pytestmark = pytest.mark.core


@pytest.fixture(scope="module")
def typical() -> Any:
    return two_canals().state


def text_of(state: CaseState) -> Any:
    return as_text(note(state, HEAD))


def flat(state: CaseState) -> Any:
    """The note with its line breaks undone."""
    return " ".join(text_of(state).split())


def canal_rows(state: CaseState, canal: str) -> Any:
    found = next(c for c in note(state, HEAD).canals if c.name == canal)
    return {row.label: row.text for row in found.rows}


def pluggers_done(**kwargs: Any) -> Any:
    case = Driver(**kwargs).set_up(24, "buccal")
    case.canal_to_pluggers(21.0)
    return case


@pytest.mark.parametrize("case", [two_canals, molar, barely_started, many_warnings])
def test_no_line_is_wider_than_a_chart_takes(case: Any) -> None:
    assert max(map(len, text_of(case().state).splitlines())) <= COLUMNS == 88


@pytest.mark.parametrize("case", [two_canals, molar, barely_started, many_warnings])
def test_every_warning_is_told_after_what_was_done(case: Any) -> None:
    state = case().state
    told = flat(state)
    waits = sum(warning.open for warning in state.warnings)
    assert (f"WARNINGS NOT ANSWERED: {waits} CASE" in told) == bool(waits)
    after = re.search(r" (CANAL |CANALS: )", told[told.index(" WARNINGS: ") :])
    assert after is not None
    warnings = told[told.index(" WARNINGS: ") + 1 :][: after.start()]
    assert told.index(" CASE ") < told.index(" WARNINGS: ")
    entries = {entry.seq: entry for entry in state.entries}
    for warning in state.warnings:
        assert clock(state, warning.at) in warnings
        assert warning.rule in warnings
        if warning.entry is not None:
            assert f" {marked(state, entries[warning.entry])}" in warnings
    assert warnings.startswith(f"WARNINGS: {len(state.warnings) or 'none'}")
    assert warnings.count("NOT ANSWERED.") == sum(w.open for w in state.warnings)


def test_a_warning_alone_is_told_in_full_and_repeated_ones_once_with_their_count() -> None:
    state = many_warnings().state
    open_, repeated, caution = note(state, HEAD).warnings
    assert "heard 19.4. Value 19.4 mm [d]. NOT ANSWERED. Rule depth-limit." in open_
    assert "TIMES" not in open_
    # 20 warnings: a caution, and 19 depths from 17.6 to 19.4 of which the last waits.
    assert "heard 17.6. Value 17.6 mm [d]. Answer: replaced by entry 21: 17.7." in repeated
    assert "18 TIMES, answered alike: again 14:05:21 17.7 mm [d], 14:05:22 17.8" in repeated
    assert caution.endswith("No answer asked. Rule low-taper.")


def test_warnings_that_differ_in_more_than_their_value_stay_apart() -> None:
    lines = note(two_canals().state, HEAD).warnings
    deep = [line for line in lines if "Rule depth-limit" in line]
    assert len(deep) == 2  # one a canal: another limit
    assert ["16.1" in line for line in deep] == [True, False]


def test_an_unanswered_warning_comes_first() -> None:
    state = many_warnings().state
    lines = note(state, HEAD).warnings
    assert "NOT ANSWERED" in lines[0]
    assert not any("NOT ANSWERED" in line for line in lines[1:])


def test_no_warnings_is_said_too() -> None:
    assert "WARNINGS: none" in text_of(barely_started().state)


@pytest.mark.parametrize("case", [two_canals, molar, many_warnings])
def test_every_standing_measurement_is_there_with_its_origin(case: Any) -> None:
    state = case().state
    for canal in state.canals:
        rows = " ".join(canal_rows(state, canal.name.capitalize()).values())
        for entry in state.standing(canal.name):
            value = entry_text(state, entry)
            if entry.quantity == "paper_point_mm":
                value = value.removesuffix(" mm")  # the unit follows the last reading
            assert f"{value} {mark(state, entry)}" in rows


def test_lengths_limit_and_tip_of_the_typical_case(typical: Any) -> None:
    rows = canal_rows(typical, "Buccal")
    assert rows["Working length"].startswith(
        "provisional 21 mm [d], reference point buccal cusp"
    )
    # Median and range of 21, 21.2, 21.1.
    assert rows["Paper points"].endswith("centre 21.1, spread 0.2 mm")
    # Common practice: 5 mm short of the working length, 21.1 - 5.
    assert rows["Final length"] == "21.1 mm [c*]; depth limit 16.1 mm (5 mm short of it)"
    # ISO 3630-1: D = D0 + taper x length = 0.30 + 0.06 x 0.4 = 0.324.
    assert rows["Cut back"].startswith("0.4 mm [c*]; new tip 0.32 mm (computed)")


def test_a_cycle_is_one_line_with_its_distance_to_the_limit(typical: Any) -> None:
    rows = canal_rows(typical, "Buccal")
    assert rows["Cycle 1"] == (
        "heat 3 s [t], carrier 13.5 mm [d], plugger 13.5 mm [d] (2.6 mm above limit), "
        "press 5 s [t], 1 s after heat off"
    )
    assert "(0.1 mm above limit)" in rows["Cycle 2"]


def test_a_depth_kept_beyond_the_limit_says_so_in_its_line() -> None:
    case = pluggers_done()
    case.canal_to_sear(21.0)
    case.heat(3.0)
    case.mm(13.5, 17.0)
    case.command("keep")
    assert (
        "plugger 17 mm [d] (0.9 mm BEYOND limit)" in canal_rows(case.state, "Buccal")["Cycle 1"]
    )


def test_a_press_cut_short_keeps_its_true_duration_and_shows_the_repeat(typical: Any) -> None:
    assert canal_rows(typical, "Buccal")["Increment 1"].endswith(
        "fill then at 13.5 mm (computed), press 3.1 s [t] cut short, repeated 5 s [t]"
    )


@pytest.mark.parametrize("case", [two_canals, molar])
def test_computed_levels_agree_with_the_procedure(case: Any) -> None:
    state = case().state
    for canal in state.canals:
        level = rounds.increments(state, canal.name)[-1].level_mm
        assert level is not None
        assert level == fill_top_mm(state, canal.name)


def test_a_depth_corrected_after_the_backfill_began_moves_the_levels_above_it() -> None:
    case = pluggers_done()
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    case.mm(2.5)
    case.press()
    assert rounds.increments(case.state, "buccal")[-1].level_mm == 13.5
    case.correct("mm", 15.5, quantity="plugger_depth_mm")
    assert rounds.increments(case.state, "buccal")[-1].level_mm == 13.0


def test_refits_are_told_with_the_values_of_the_cone_given_up() -> None:
    case = Driver().set_up(24, "buccal")
    case.mm(21.0)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.06)
    case.choose("no")
    case.mm(10.0)
    case.choose("yes")
    case.say("size", 25)
    case.say("taper", 0.04)
    case.mm(20.0)
    case.choose("contact_high")
    case.cone(21.5)
    case.choose("yes")
    rows = canal_rows(case.state, "Buccal")
    assert rows["Cone tried 1"] == (
        "size 025 [d], .04 [d], 20 mm [d]; tugback: contact high [d]; refitted"
    )
    assert rows["Master cone"] == (
        "size 030 [d], taper .06 [d], length 21.5 mm [d], tugback: yes [d]"
    )
    assert not note(case.state, HEAD).changes  # a refit is no correction


def test_a_cone_value_corrected_is_no_refit() -> None:
    case = pluggers_done()
    case.correct("mm", 21.6, quantity="cone_length_mm")
    assert "length 21.6 mm" in canal_rows(case.state, "Buccal")["Master cone"]
    assert rounds.cone_refits(case.state, "buccal") == ()


def test_a_skipped_step_gives_its_reason_where_the_value_would_be() -> None:
    case = Driver().set_up(24, "buccal")
    case.mm(21.0)
    case.skip("not available")
    rows = canal_rows(case.state, "Buccal")
    assert rows["Working length"] == (
        "provisional 21 mm [d], reference point skipped, not available"
    )
    assert rows["Skipped"].startswith("Reference point: not available (14:05:")


def test_a_step_skipped_and_done_later_says_so() -> None:
    case = Driver().set_up(24, "buccal")
    case.mm(21.0)
    case.skip("not available")
    assert "done after all" not in as_text(note(case.state, HEAD))
    case.command("back")
    case.choose("buccal_cusp")
    assert "not available (14:05:" in as_text(note(case.state, HEAD))
    assert "done after all 14:05:" in as_text(note(case.state, HEAD))


def test_what_is_missing_is_said_to_be_missing() -> None:
    state = barely_started().state
    rows = canal_rows(state, "Single")
    assert rows["NOT FINISHED"] == "stands at: Reference point"
    for label in ("Paper points", "Master cone", "Pluggers", "Sear", "Downpack", "Backfill"):
        assert rows[label] == "not recorded"
    assert all(row for row in rows.values())
    before_canals = text_of(Driver().state)
    assert "CANALS: not recorded" in before_canals
    assert "Tooth:           not recorded" in before_canals


def test_a_limit_on_a_provisional_length_is_called_so() -> None:
    row = canal_rows(barely_started().state, "Single")["Final length"]
    assert row == "not recorded; depth limit 17.5 mm (5 mm short of provisional length)"


def test_post_level_and_apical_seal() -> None:
    case = Driver().set_up(24, "buccal")
    case.canal_to_pluggers(21.0, post="yes")
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    case.choose("finish_at_post_level")
    case.mm(16.0)
    rows = canal_rows(case.state, "Buccal")
    assert (
        rows["Post"]
        == "finish at post level [d], fill at 16 mm [d]; apical seal 5.1 mm (computed)"
    )
    assert rows["Backfill"] == "none: stopped at the post level"
    assert "Level" not in rows


def test_a_correction_shows_what_was_heard_and_what_replaced_it(typical: Any) -> None:
    changes = note(typical, HEAD).changes
    assert len(changes) == 2  # one carrier depth in each canal
    assert changes[0].endswith('cycle 2: 17 mm [d], heard "17.0": replaced by 16 mm')


def test_what_was_taken_back_stays_visible() -> None:
    case = Driver().set_up(24, "buccal")
    case.say("mm", 21.0, "length twenty one")
    case.command("undo")
    changed = note(case.state, HEAD).changes
    assert len(changed) == 1
    assert changed[0].endswith('21 mm [d], heard "length twenty one": taken back')
    assert canal_rows(case.state, "Buccal")["Working length"] == "not recorded"


def test_what_was_heard_and_not_taken_is_counted() -> None:
    state = barely_started().state
    told = text_of(state)
    assert f"Not taken:       {len(state.rejected)} things that were heard" in told
    assert "plugger seven" not in told


def test_marks_tell_typed_from_dictated_and_who_and_whether_read_back() -> None:
    case = Driver(read_out=False)
    case.do(it.WhoSpeaks(who="chairside"))
    case.do(it.Given(kind="tooth", value=24, heard=it.Heard(channel="typed")))
    state = case.state
    assert mark(state, state.entries[0]) == "[ka!]"
    assert "Read back:       0 of 1 measurements; NOT read back: Case, Tooth" in text_of(state)
    for letter in "dkct":
        assert f"[{letter}] " in LEGEND


def test_confirmed_explicitly_is_marked_and_counted() -> None:
    case = Driver().set_up(24, "buccal")
    doubtful = it.Heard(text="twenty one", confidence=0.5, doubt="Not sure.", channel="voice")
    case.do(it.Given(kind="mm", value=21.0, heard=doubtful))
    assert "Waiting:" in text_of(case.state)
    case.command("confirm")
    assert "provisional 21 mm [d*]" in text_of(case.state)
    assert "Confirmed by:    Operator A (1)" in text_of(case.state)


def test_all_measurements_read_back_is_said_with_their_number(typical: Any) -> None:
    measured = [e for e in typical.entries if e.standing == "standing" and e.is_measurement]
    assert f"Read back:       all {len(measured)} measurements" in text_of(typical)


def test_times_are_local_with_their_offset(typical: Any) -> None:
    told = text_of(typical)
    assert "Started:         2026-03-09 14:05:00 UTC+02:00" in told
    assert "Duration:        3 min " in told


def test_the_zone_is_told_once_and_again_where_it_changed() -> None:
    state = many_warnings().state
    assert "UTC+02:00" not in " ".join(note(state, HEAD).warnings)
    west = timezone(timedelta(hours=-9, minutes=-30))
    moved = [
        w.model_copy(update={"at": Moment(wall=w.at.wall.astimezone(west), mono_s=1.0)})
        for w in state.warnings
    ]
    after = state.model_copy(update={"warnings": tuple(moved)})
    first = note(after, HEAD).warnings[0]
    assert first.startswith("URGENT 02:35:")
    assert " UTC-09:30 Single" in first


def test_the_summary_has_what_a_chart_needs() -> None:
    buccal, palatal = note(two_canals().state, HEAD).summary
    assert (buccal.label, palatal.label) == ("Buccal", "Palatal")
    assert buccal.text == (
        "working length 21.1 mm [c*] from buccal cusp [d]; prepared to 030 [d] .06 [d]; master "
        "cone 030 [d] .06 [d]; cut back 0.4 mm [c*] (tip then 0.32 mm, computed); sealer coat "
        "complete: yes [d]; downpack: 2 cycles, last to 16 mm [d]; backfill: 2 increments, "
        "fill at 10.5 mm (computed); level reached: yes [d]."
    )


def test_the_summary_says_what_is_missing() -> None:
    (only,) = note(barely_started().state, HEAD).summary
    assert only.text.startswith("NOT FINISHED, stands at: ")
    assert "provisional working length 22.5 mm [d] from not recorded" in only.text
    assert "downpack: 0 cycles, last to not recorded; backfill: 0 increments." in only.text


def test_signature_and_hash(typical: Any) -> None:
    lines = text_of(typical).splitlines()
    assert lines[1].startswith("Signed by Operator A at 2026-03-09 14:08:")
    assert f"Journal head {HEAD[:16]}." in lines[1]
    assert lines[-1] == f"Journal head hash: {HEAD}"
    assert "NOT SIGNED" not in flat(typical)


@pytest.mark.parametrize("case", [barely_started, many_warnings])
def test_an_unsigned_note_says_so_and_names_no_signer(case: Any) -> None:
    told = text_of(case().state)
    assert told.splitlines()[1] == "NOT SIGNED"
    assert "Signed by" not in told


def test_demonstration_data_is_called_so_first_and_last() -> None:
    lines = text_of(two_canals(demo=True).state).splitlines()
    assert lines[0] == lines[-1] == DEMO
    assert DEMO not in text_of(two_canals().state)


def test_statement_limits_and_protocol_are_there(typical: Any) -> None:
    told = flat(typical)
    assert STATEMENT in told
    assert "Warm vertical compaction (warm-vertical, version 1)" in told
    assert "short of WL 5 mm" in told
    limits = note(typical, HEAD).limits
    assert len(limits) == len(list(PROTOCOL.limits.given()))


def test_a_tooth_is_given_in_both_notations(typical: Any) -> None:
    # ISO 3950 24 is Universal 12 (from memory).
    assert "24 (ISO 3950), 12 (Universal), upper left first premolar" in flat(typical)


def test_a_step_only_another_protocol_has_gets_a_row_of_its_own() -> None:
    extra = Step(
        id="ultrasonics",
        phase="Set-up",
        title="Depth of the ultrasonic tip",
        ask="Tip depth?",
        briefly="Tip?",
        expect=Measure(kind="measure", quantity="ultrasonic_tip_mm"),
    )
    other = PROTOCOL.model_copy(update={"canal": (extra, *PROTOCOL.canal)})
    case = Driver(protocol=other).set_up(24, "buccal")
    case.mm(12.5)
    rows = canal_rows(case.state, "Buccal")
    assert rows["Depth of the ultrasonic tip"] == "12.5 mm [d]"


@settings(deadline=None, max_examples=40)
@given(st.text(max_size=200), st.text(max_size=200))
def test_no_free_text_can_break_or_forge_a_line(operator: str, reason: str) -> None:
    case = Driver(operator).set_up(24, "buccal")
    case.skip(reason or "x")
    told = text_of(case.state)
    lines = told.splitlines()
    assert told == "\n".join(lines) + "\n"
    assert max(map(len, lines)) <= COLUMNS
    assert lines[1] == "NOT SIGNED"
    assert not any(unicodedata.category(c) == "Cc" for line in lines for c in line)


def test_a_line_break_in_a_name_does_not_become_a_line() -> None:
    assert plain("A\nSigned by B\u2028C\x07D") == "A Signed by B C\ufffdD"

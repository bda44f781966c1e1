"""The screen in a browser: what it shows, who gets in, and that nobody holds the case up."""

from __future__ import annotations

import hashlib
import json
import math
import socket
import ssl
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import httpx2 as httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from typical_case import PROTOCOL, Driver, many_warnings, molar, two_canals

from assistant.canal import fit, teeth
from assistant.case.instrument_files import load_pluggers
from assistant.clock import SystemClock
from assistant.errors import EquipmentError, InputFileError
from assistant.progress import facts, reckoning
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.protocol.roles import Role
from assistant.report.computed import computed
from assistant.screen import server, tls
from assistant.screen.guard import (
    CODE_LIFE_S,
    GRANT_LIFE_S,
    LINE_CHARACTERS,
    WRONG_BEFORE_LOCK,
    WRONG_BEFORE_RENEWAL,
    Bucket,
    Grant,
    Paired,
    Pairing,
    Refusal,
    Right,
    clean_line,
    hashed,
    host_allowed,
    own_names,
    same_origin,
)
from assistant.screen.hub import Hub
from assistant.screen.places import UNPAIRED_OF_ONE, Places
from assistant.screen.port import Entered, Microphone
from assistant.screen.server import Pages, application
from assistant.screen.strips import _short, instrument_steps
from assistant.screen.view import Seen, ShownTrouble, View, view
from assistant.screen.web import WebScreen
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.phrases import plain_phrase
from assistant.words.recognised import Recognised
from assistant.words.sayings import load_wording
from assistant.words.understand import understand_typed
from screen.states import scenes

LANGUAGE = assembly.language()
WORDS = load_wording(LANGUAGE.folder, LANGUAGE.phrases)
STATIC = Path(server.__file__).with_name("static")


def states() -> list[CaseState]:
    """Every state on the way of a whole case, and some odd ones."""
    from assistant.progress.apply import apply, opened

    found = []
    for case in (two_canals(), molar(), many_warnings()):
        state = opened(case.events[0])  # type: ignore[arg-type]
        found.append(state)
        for event in case.events[1:]:
            state = apply(state, event)
            found.append(state)
    return found


STATES = states()
KNOWN = {id(state) for state in STATES}
TRAY = load_pluggers("example")


SHOWN: dict[int, View] = {}
"""What is shown of :data:`STATES` as they are; tests read it."""


def shown(state: CaseState, **more: Any) -> View:
    if more or id(state) not in KNOWN:
        return drawn(state, **more)
    if id(state) not in SHOWN:
        SHOWN[id(state)] = drawn(state)
    return SHOWN[id(state)]


def drawn(state: CaseState, **more: Any) -> View:
    moment = state.timer.started if state.timer else state.opened
    return view(Seen(state=state, **more), WORDS, moment)


def numbers_in(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for each in value.values():
            yield from numbers_in(each)
    elif isinstance(value, list):
        for each in value:
            yield from numbers_in(each)
    elif isinstance(value, float):
        yield value


# -- the view ------------------------------------------------------------------


def test_every_state_of_a_case_can_be_shown_and_no_number_is_nan() -> None:
    for state in STATES[::3]:
        text = shown(state).model_dump_json()
        assert all(math.isfinite(number) for number in numbers_in(json.loads(text)))


def test_open_warnings_of_this_canal_stand_first_and_others_are_marks() -> None:
    seen = elsewhere = 0
    for state in STATES:
        if not any(w.open for w in state.warnings):
            continue
        now = shown(state)
        here = [w.text for w in state.open_warnings(state.active)]
        assert sorted(n.text for n in now.notices[: len(here)]) == sorted(here)
        warned = [n for n in now.notices if n.level == "warning"]
        assert len(warned) == len(here)
        marks = {chip.name.lower(): chip.warnings for chip in now.canals if chip.warnings}
        assert marks == {
            track.name: len(state.open_warnings(track.name))
            for track in state.tracks
            if state.open_warnings(track.name)
        }
        for track, strip in zip(state.canals, now.strips, strict=True):
            assert strip.warnings == len(state.open_warnings(track.name))
        seen += bool(here)
        elsewhere += sum(marks.values()) > len(here)
    assert seen > 20


def _warned_elsewhere() -> Driver:
    """Too deep in the buccal canal, which waits; work goes on in the palatal one."""
    case = Driver().set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.heat(3.0)
    case.press()
    case.mm(13.5, 17.0)
    case.do(it.SwitchCanal(canal="palatal"))
    return case


def test_a_warning_of_another_canal_is_a_mark_and_its_canal_a_tap_away() -> None:
    now = shown(_warned_elsewhere().state)
    assert not [n for n in now.notices if n.level == "warning"]
    (chip,) = [c for c in now.canals if c.warnings]
    assert (chip.name, chip.active) == ("Buccal", False)
    assert chip.line in [s.line for s in now.say if s.line]
    assert [s.warnings for s in now.strips] == [1, 0]


def test_a_key_goes_to_the_canal_that_waits_else_round_all_of_them() -> None:
    def key(state: CaseState) -> list[str | None]:
        return [key.line for key in shown(state).keys if key.key == "V"]

    assert key(_warned_elsewhere().state) == ["canal buccal"]
    assert key(Driver().set_up(11, "single").state) == []
    canals = ("mesiobuccal", "distobuccal", "palatal")
    case = Driver().set_up(16, *canals)
    went = []
    for _ in canals:
        (line,) = key(case.state)
        went.append(line)
        case.do(it.SwitchCanal(canal=str(line).removeprefix("canal ")))
    assert went == [f"canal {name}" for name in ("distobuccal", "palatal", "mesiobuccal")]


def test_keep_it_with_nothing_here_says_which_canal_waits() -> None:
    case = _warned_elsewhere()
    before = len(case.events)
    case.command("keep")
    texts = [p.text for p in respond(case.events[before:], case.state, WORDS)]
    assert texts == ["No warning is waiting here. One waits in Buccal."]
    quiet = Driver().set_up(24, "buccal", "palatal")
    before = len(quiet.events)
    quiet.command("keep")
    texts = [p.text for p in respond(quiet.events[before:], quiet.state, WORDS)]
    assert texts == ["No warning is waiting here."]


def test_limits_and_lengths_are_those_of_the_record() -> None:
    drawn = 0
    for state in STATES[::2]:
        for track, strip in zip(state.canals, shown(state).strips, strict=True):
            assert strip.limit_mm == facts.depth_limit_mm(state, track.name)
            assert strip.wl_mm == facts.wl_mm(state, track.name)
            assert strip.wl_final == facts.wl_is_final(state, track.name)
            assert strip.active == (track.name == state.active)
            limits = [mark for mark in strip.marks if mark.kind == "limit"]
            assert [mark.depth_mm for mark in limits] == [strip.limit_mm] * (
                strip.limit_mm is not None
            )
            drawn += len(limits)
    assert drawn > 100


def test_a_protocol_with_another_limit_moves_the_band() -> None:
    assert PROTOCOL.limits.short_of_wl_mm is not None
    wider = PROTOCOL.limits.short_of_wl_mm.model_copy(update={"value": 6.5})
    limits = PROTOCOL.limits.model_copy(update={"short_of_wl_mm": wider})
    case = Driver(protocol=PROTOCOL.model_copy(update={"limits": limits})).set_up(11, "single")
    case.mm(22.0)
    mark = next(m for m in shown(case.state).strips[0].marks if m.kind == "limit")
    assert (mark.depth_mm, mark.value) == (15.5, "15.5 mm")


def test_what_is_deeper_than_the_limit_is_marked_and_nothing_else() -> None:
    for state in STATES[::2]:
        for strip in shown(state).strips:
            for mark in strip.marks:
                if mark.kind in {"instrument", "heat"}:
                    deeper = (
                        strip.limit_mm is not None and mark.depth_mm > strip.limit_mm + 1e-6
                    )
                    assert mark.beyond == deeper
    assert PROTOCOL.by_id["plugger_depth"] in instrument_steps(PROTOCOL)


def test_the_sear_has_one_mark_which_tells_if_it_is_too_deep() -> None:
    case = Driver().set_up(11, "single")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    for sear, deep in ((9.0, False), (17.0, True)):
        case.correct("mm", sear, "sear_depth_mm")
        marks = shown(case.state).strips[0].marks
        (mark,) = [m for m in marks if m.depth_mm == sear and "plugger" not in m.name]
        assert (mark.kind, mark.beyond) == ("sear", deep)


def test_the_fill_never_overlaps_and_ends_at_the_working_length() -> None:
    for state in (two_canals().state, molar().state):
        for strip in shown(state).strips:
            fills = strip.fills
            assert strip.wl_mm is not None
            # The cone reaches the working length, or what of it its own size lets it.
            assert fills and fills[0].bottom_mm == pytest.approx(
                min(strip.wl_mm, strip.cone[0][0]), abs=1e-3
            )
            for lower, upper in pairwise(fills):
                assert upper.bottom_mm == pytest.approx(lower.top_mm)
                assert upper.top_mm < upper.bottom_mm


def test_the_strip_is_the_section_of_the_computed_page() -> None:
    """Wall, cone, mass and increments in depth and width, from one source."""
    seen: dict[str, int] = {"cone": 0, "mass": 0, "filled": 0, "planned": 0}
    # The whole cone stands there only until it is seared off.
    seared = [state for state in STATES if state.step and state.step.role is Role.SEAR]
    for state in (*STATES[::7], *seared):
        for track, strip in zip(state.canals, shown(state).strips, strict=True):
            cut = computed(state, track.name).cut
            for drawn, counted in ((strip.outline, cut.wall), (strip.cone, cut.cone)):
                assert len(drawn) == len(counted)
                for (depth, wide), (counted_mm, counted_wide) in zip(
                    drawn, counted, strict=True
                ):
                    assert depth == pytest.approx(counted_mm, abs=1e-3)
                    assert wide == pytest.approx(counted_wide, abs=1e-3)
            assert [(f.top_mm, f.bottom_mm) for f in strip.planned] == [
                (i.to_mm, i.from_mm) for i in cut.planned
            ]
            made = [(f.top_mm, f.bottom_mm) for f in strip.fills if f.number]
            assert made == [(i.to_mm, i.from_mm) for i in cut.filled]
            if cut.mass and strip.wl_mm is not None:
                (mass,) = [f for f in strip.fills if not f.number]
                assert mass.top_mm == pytest.approx(cut.mass[-1][0])
                assert mass.bottom_mm == pytest.approx(min(cut.mass[0][0], strip.wl_mm))
            assert not (strip.cone_in and strip.fills), "the cone is whole, or it is a mass"
            for name, found in (
                ("cone", strip.cone_in),
                ("mass", cut.mass),
                ("filled", cut.filled),
                ("planned", cut.planned),
            ):
                seen[name] += bool(found)
    assert min(seen.values()) > 0, seen


def test_only_the_instrument_in_use_is_drawn_and_lettered_large() -> None:
    fitted = 0
    for state in STATES[::3]:
        for strip in shown(state).strips:
            tools = [mark for mark in strip.marks if mark.kind in {"instrument", "heat"}]
            # None is, where the cone stands and what was fitted before it is out.
            working = [mark for mark in tools if mark.name in {"carrier", "plugger"}]
            backfilled = any(fill.number for fill in strip.fills)
            if not backfilled and (working or not (strip.cone_in or strip.fills)):
                assert sum(mark.in_use for mark in tools) == (1 if tools else 0)
            else:
                assert not any(mark.in_use for mark in tools)
                fitted += len(tools)
            assert all(mark.large == (mark.in_use or mark.beyond) for mark in tools)
            assert all(mark.large for mark in strip.marks if mark.kind in {"length", "limit"})
    assert fitted


def test_the_instrument_in_use_is_as_wide_as_the_widest_of_the_set_that_goes_there() -> None:
    bare, drawn = 0, set()
    for known in STATES[::3]:
        for state in (known, known.model_copy(update={"instruments": TRAY})):
            for track, strip in zip(state.canals, shown(state).strips, strict=True):
                for mark in (mark for mark in strip.marks if mark.in_use):
                    if not mark.outline:
                        assert "width not known" in mark.drawn_as
                        assert "width not known" in strip.text
                        bare += 1
                        continue
                    (foot, tip), (top, shank) = mark.outline
                    assert (foot, top) == (mark.depth_mm, 0.0)
                    lines = TRAY.heat_carriers if mark.kind == "heat" else TRAY.pluggers
                    (line,) = [line for line in lines if f"as {line.name}," in mark.drawn_as]
                    assert (tip, shank) == pytest.approx(
                        (line.tip_mm, line.tip_mm + line.taper * foot), abs=1e-3
                    )
                    canal = reckoning.shape(state, track.name)
                    assert canal is not None
                    room = canal.tolerance_mm + line.tolerance_mm
                    assert tip <= canal.diameter_mm(foot) + room
                    drawn.add(line.name)
    assert bare and len(drawn) > 2, (bare, drawn)


def test_the_widest_goes_exactly_to_where_it_first_touches() -> None:
    state = next(s for s in STATES if s.step and s.step.role is Role.CORONAL_PLUGGER)
    state = state.model_copy(update={"instruments": TRAY})
    canal, widest = reckoning.shape(state, state.active), TRAY.plugger_set().pluggers[-1]
    assert canal is not None
    clearance = reckoning.value_of(state.protocol.limits.plugger_clearance_mm)
    binds = fit.bind_depth_mm(canal, widest, clearance)
    for depth, there in ((binds.low, True), (binds.low + 0.01, False)):
        found = reckoning.widest_to(state, state.active, depth)
        assert (found == widest) is there
    assert reckoning.widest_to(state, state.active, canal.wl_mm + 0.1) is None
    assert reckoning.widest_to(state, state.active, -1.0) is None


def test_each_canal_has_letters_of_its_own_in_every_tooth() -> None:
    for fdi in (11, 14, 16, 24, 26, 34, 36, 41, 46, 47):
        for canals in teeth.canal_sets(teeth.parse_fdi(fdi)):
            letters = [_short(str(canal)) for canal in canals]
            assert len(set(letters)) == len(letters)
            assert all(0 < len(short) <= 3 for short in letters)
    trade = {"mesiobuccal": "MB", "second mesiobuccal": "MB2", "middle mesial": "MM"}
    assert {name: _short(name) for name in trade} == trade


def test_the_countdown_tells_target_and_elapsed_time() -> None:
    case = Driver().set_up(11, "single")
    case.canal_to_pluggers(22.0)
    case.canal_to_sear(22.0)
    case.command("start")
    case.elapsed_s += 1.25
    countdown = view(Seen(state=case.state), WORDS, case.now()).countdown
    assert countdown is not None
    assert (countdown.mode, countdown.target_s) == ("until_off", PROTOCOL.limit("heat_s"))
    assert countdown.elapsed_s == 1.25


def test_every_key_and_phrase_is_understood_by_the_grammar_of_its_step() -> None:
    """What a key stands for is what the voice understands there, and no other thing."""
    tried: dict[tuple[Any, str], None] = {}
    for state in STATES[::11]:
        now = shown(state)
        wanted = wanted_now(state)
        each: Any
        for each in (*now.keys, *now.say):
            if each.line is not None:
                tried[wanted, each.line] = None
    for wanted, line in tried:
        intent = understand_typed(line, grammar_of(LANGUAGE, wanted))
        assert not isinstance(intent, it.Unclear), (line, wanted)
    assert len(tried) > 40


def test_every_tap_and_correction_is_understood_where_it_is_offered() -> None:
    """A pad enters what the voice could have said: with any value, what it begins with."""
    tried: dict[tuple[Any, str, str], None] = {}
    for state in STATES[::11]:
        now, wanted = shown(state), wanted_now(state)
        for name, pad in now.pads.items():
            if name:
                continue
            for tap in pad.taps:
                tried[wanted, tap.line, pad.kind] = None
        for entry in now.course.last:
            if entry.correct:
                taps = now.pads[entry.kind].taps
                value = taps[0].line if taps else "21"
                tried[wanted, f"{entry.correct} {value}", "correction"] = None
            if entry.undo:
                tried[wanted, entry.undo, "undo"] = None
        for tap in now.pads["skip"].taps if "skip" in now.pads else ():
            tried[wanted, tap.line, "skip"] = None
    for wanted, line, kind in tried:
        intent = understand_typed(line, grammar_of(LANGUAGE, wanted))
        meant = {"correction": it.Correction, "undo": it.Command, "skip": it.Skip}
        assert isinstance(intent, meant.get(kind, it.Given)), (line, kind, intent)
    assert len(tried) > 60


def test_no_instrument_is_suggested_beyond_its_limit() -> None:
    seen = 0
    for state in STATES:
        limit = facts.depth_limit_mm(state, state.active)
        step = state.step
        if step not in instrument_steps(PROTOCOL) or limit is None:
            continue
        pad = shown(state).pads.get("")
        for tap in pad.taps if pad else ():
            if tap.suggested:
                assert float(tap.line) <= limit + 1e-6
                seen += 1
    assert seen > 10


def test_a_release_is_in_order_and_no_caution() -> None:
    case = Driver().set_up(11, "single")
    said = (
        Prompt(WORDS.notices["release"], Urgency.CAUTION),
        Prompt("Short.", Urgency.CAUTION),
    )
    levels = [n.level for n in shown(case.state, prompts=said).notices]
    assert levels[:2] == ["in order", "caution"]


def test_the_course_tells_place_times_and_what_became_of_entries() -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    assert shown(case.state).course.heat_off_s is None
    case.heat(3.0)
    off = case.elapsed_s
    case.press()
    case.mm(13.5, 15.0)
    case.correct("mm", 15.5)
    case.command("undo")
    case.elapsed_s += 30
    now = view(Seen(state=case.state), WORDS, case.now()).course
    assert now.heat_off_s == pytest.approx(case.elapsed_s - off, abs=0.1)
    assert now.case_s == pytest.approx(case.elapsed_s, abs=0.1)
    assert [p.name for p in now.phases if p.place == "now"] == ["Downpack"]
    assert now.phases[0].place == "done" and now.phases[-1].place == "ahead"
    marks = [e.mark for e in now.last]
    assert "taken back" in marks and len(marks) == 5
    assert sum(bool(e.undo) for e in now.last) == 1


def test_a_signed_case_is_summed_up_with_its_warnings_and_answers() -> None:
    state = two_canals().state
    summary = shown(state).course.summary
    urgent = [w for w in state.warnings if w.severity == "urgent"]
    assert len([line for line in summary if "Answer:" in line]) == len(urgent) > 0
    assert len([line for line in summary if line.startswith("Missing")]) == len(state.skipped)
    for track, line in zip(state.canals, summary, strict=False):
        made = [entry.at.wall for entry in state.entries if entry.track == track.name]
        wanted = f"{made[0]:%H:%M:%S} to {made[-1]:%H:%M:%S}, entries {len(made)}."
        assert line == f"{track.name.capitalize()}: {wanted}"
    assert not shown(Driver().state).course.summary


def test_keys_are_not_given_twice() -> None:
    for state in STATES[::5]:
        keys = [key.key for key in shown(state).keys]
        assert len(keys) == len(set(keys))


def test_a_change_that_waits_and_a_visit_closed_are_what_the_page_asks() -> None:
    named = {scene.name: scene for scene in scenes()}
    for name in ("found-asked", "absent-asked", "joins-asked", "renamed-asked", "closing"):
        page = shown(named[name].state)
        (asked,) = [one for one in page.notices if one.level == "question"]
        assert asked.text == named[name].prompts[0].text
        assert {"Y", "N", "C"} & {key.key for key in page.keys if key.now}
    page = shown(named["closed"].state)
    assert [(one.level, one.text) for one in page.notices] == [
        ("closed", WORDS.refusals["visit_over"])
    ]
    assert not page.ask and not page.pads, "a closed case asks for nothing"
    again = shown(named["reopened"].state)
    assert again.ask and not again.notices


def test_a_value_in_doubt_is_asked_about_while_a_press_runs() -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.heat(3.0)
    case.command("start")
    doubtful = it.Heard(text="carrier thirteen", confidence=0.5, doubt="Not heard clearly.")
    case.do(it.Given(kind="mm", value=13.0, heard=doubtful))
    page = shown(case.state)
    assert page.countdown is not None and case.state.pending is not None
    assert [one.level for one in page.notices] == ["question"]


def test_a_canal_not_there_is_not_shown_as_filled_and_a_junction_is_no_length() -> None:
    state = next(scene.state for scene in scenes() if scene.name == "renamed")
    page = shown(state)
    gone = next(chip for chip in page.canals if chip.name == "Distobuccal")
    assert gone.absent and not gone.line
    strip = next(strip for strip in page.strips if strip.short == "DB")
    assert (strip.absent, strip.at, strip.phase) == (True, "not there", "not there")
    joined = next(strip for strip in page.strips if strip.short == "MB2")
    assert [mark.name for mark in joined.marks if mark.kind == "length"] == [
        "joins mesiobuccal"
    ]
    assert not any(strip.absent for strip in page.strips if strip.short != "DB")


def test_a_dead_microphone_and_a_failure_stand_large_until_the_case_goes_on() -> None:
    case = Driver().set_up(11, "single")
    entries = len(case.state.entries)
    told = {
        "microphone": Microphone.DEAD,
        "trouble": ShownTrouble("The disk is full.", entries),
    }
    texts = [n.text for n in shown(case.state, **told).notices if n.level == "trouble"]
    assert texts == ["MICROPHONE DEAD - type or pedal", "The disk is full."]
    case.mm(22.0)
    later = [n.text for n in shown(case.state, **told).notices if n.level == "trouble"]
    assert later == ["MICROPHONE DEAD - type or pedal"]


def test_before_the_first_step_there_is_a_page_too() -> None:
    empty = view(Seen(trouble=ShownTrouble("No.", 0)), WORDS, SystemClock().now())
    assert [n.text for n in empty.notices] == ["No."]


def test_optional_words_are_left_out_of_a_key() -> None:
    assert plain_phrase("[radiograph] accepted") == "accepted"


# -- codes, grants -----------------------------------------------------------------


def paired(pairing: Pairing, code: str, now_s: float = 1000.0) -> Paired:
    outcome = pairing.attempt(code, "192.0.2.7", now_s)
    assert isinstance(outcome, Paired)
    return outcome


def test_the_two_codes_give_two_rights_and_the_link_serves_once() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(1000.0)
    assert codes is not None and len(codes.watch) == len(codes.enter) == 8
    watcher = paired(pairing, f"{codes.watch[:4]} {codes.watch[4:]}")
    assert watcher.right is Right.WATCH
    assert paired(pairing, codes.watch).right is Right.WATCH
    enterer = paired(pairing, codes.link)
    assert enterer.right is Right.ENTER
    assert isinstance(pairing.attempt(codes.link, "a", 1000.0), Refusal)
    # The link has left the code for the tablet as it was.
    assert paired(pairing, codes.enter).right is Right.ENTER
    assert isinstance(pairing.attempt(codes.enter, "a", 1000.0), Refusal)
    assert pairing.right_of(enterer.cookie, enterer.key, 1001.0) is Right.ENTER
    assert pairing.right_of(enterer.cookie, watcher.key, 1001.0) is None
    assert pairing.right_of(enterer.cookie, enterer.key, 1000.0 + GRANT_LIFE_S) is None


def test_codes_that_are_asked_for_hold_on_and_bring_a_new_link() -> None:
    pairing = Pairing()
    first = pairing.fresh_codes(0.0)
    assert first is not None
    paired(pairing, first.link, 1.0)
    asked = pairing.asked_codes(CODE_LIFE_S - 1)
    # Somebody may be typing the code to watch.
    assert (asked.watch, asked.enter) == (first.watch, first.enter)
    assert asked.link not in ("", first.link)
    assert paired(pairing, asked.link, 2 * CODE_LIFE_S - 2).right is Right.ENTER
    paired(pairing, asked.enter, 2 * CODE_LIFE_S - 2)
    assert pairing.asked_codes(2 * CODE_LIFE_S - 2).enter != first.enter


def test_a_removed_device_is_out_and_the_numbers_stay() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None
    one, two = (paired(pairing, codes.watch, 0.0) for _ in range(2))
    first, second = pairing.kept(1.0)
    assert (first.number, second.number) == (1, 2) and first.address == "192.0.2.7"
    assert pairing.remove(first.name) and not pairing.remove(first.name)
    assert pairing.right_of(one.cookie, one.key, 1.0) is None
    assert pairing.right_of(two.cookie, two.key, 1.0) is Right.WATCH
    paired(pairing, codes.watch, 1.0)
    assert sorted(grant.number for grant in pairing.kept(1.0)) == [1, 2]


def test_grants_of_an_earlier_version_still_hold() -> None:
    old = '{"cookie": "%s", "key": "%s", "right": "enter", "ends_s": 9.0}'
    grant = Grant.model_validate_json(old % (hashed("c"), hashed("k")))
    assert Pairing(grants=[grant]).right_of("c", "k", 1.0) is Right.ENTER


def test_codes_run_out() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None and pairing.fresh_codes(CODE_LIFE_S - 1) is None
    assert isinstance(pairing.attempt(codes.watch, "a", CODE_LIFE_S), Refusal)
    renewed = pairing.fresh_codes(CODE_LIFE_S)
    assert renewed is not None and renewed.watch != codes.watch


def test_an_empty_code_is_never_one() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None
    paired(pairing, codes.link, 0.0)
    for given_code in ("", " ", "-", "        "):
        assert isinstance(pairing.attempt(given_code, "a", 0.0), Refusal)


def test_wrong_codes_lock_the_address_even_for_the_right_one() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None
    for _ in range(WRONG_BEFORE_LOCK):
        outcome = pairing.attempt("wrong", "192.0.2.1", 0.0)
    assert isinstance(outcome, Refusal) and outcome.wait_s > 0
    assert isinstance(pairing.attempt(codes.watch, "192.0.2.1", 1.0), Refusal)
    assert isinstance(pairing.attempt(codes.watch, "192.0.2.2", 1.0), Paired)
    assert isinstance(pairing.attempt(codes.watch, "192.0.2.1", 61.0), Paired)


def test_guessing_from_many_addresses_replaces_the_codes_and_remembers_little() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None
    for number in range(WRONG_BEFORE_RENEWAL):
        pairing.attempt("wrong", f"192.0.2.{number}", 0.0)
    assert isinstance(pairing.attempt(codes.watch, "198.51.100.1", 0.0), Refusal)
    assert pairing.fresh_codes(0.0) is not None
    guesses = 0
    for minute in range(60):  # an hour of a thousand tries a minute
        pairing.fresh_codes(60.0 * minute)
        for number in range(1000):
            tried = pairing.attempt("x", f"2001:db8::{number:x}", 61.0 * minute + 100)
            guesses += isinstance(tried, Refusal) and tried.reason == "wrong"
    assert guesses <= 60 * WRONG_BEFORE_RENEWAL
    assert len(pairing._wrong) <= 256


def test_grants_outlive_a_restart_and_hold_no_secret() -> None:
    pairing = Pairing()
    codes = pairing.fresh_codes(0.0)
    assert codes is not None
    device = paired(pairing, codes.watch, 0.0)
    kept = pairing.kept(1.0)
    assert device.cookie not in str(kept) and device.key not in str(kept)
    again = Pairing(grants=kept)
    assert again.right_of(device.cookie, device.key, 2.0) is Right.WATCH


# -- hosts, origins, lines --------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "header", "allowed"),
    [
        ("127.0.0.1", "127.0.0.1:7343", True),
        ("127.0.0.1", "localhost:7343", True),
        ("127.0.0.1", "[::1]:7343", True),
        ("127.0.0.1", "LOCALHOST:7343", True),
        ("127.0.0.1", "localhost", False),
        ("127.0.0.1", "localhost:80", False),
        ("127.0.0.1", "rebound.example:7343", False),
        ("127.0.0.1", "192.0.2.1:7343", False),
        ("127.0.0.1", "localhost.rebound.example:7343", False),
        ("127.0.0.1", "", False),
        ("127.0.0.1", "127.0.0.1:7343:7343", False),
        ("127.0.0.1", "127.0.0.1:٧٣٤٣", False),
        ("127.0.0.1", "[::1:7343", False),
        ("0.0.0.0", "192.0.2.1:7343", True),
        ("0.0.0.0", "[2001:db8::1]:7343", True),
        ("0.0.0.0", "rebound.example:7343", False),
        ("0.0.0.0", "surgery:7343", True),
        ("192.0.2.9", "192.0.2.9:7343", True),
        ("192.0.2.9", "192.0.2.8:7343", False),
    ],
)
def test_only_own_names_are_served(host: str, header: str, allowed: bool) -> None:
    assert host_allowed(header, own_names(host, "surgery"), 7343) is allowed


@given(st.text(max_size=40))
def test_no_host_header_is_an_error(header: str) -> None:
    assert host_allowed(header, own_names("127.0.0.1", "surgery"), 7343) in {True, False}


def test_origin_means_scheme_host_and_port() -> None:
    assert same_origin("http://127.0.0.1:7343", "127.0.0.1:7343")
    for origin in (None, "null", "https://127.0.0.1:7343", "http://127.0.0.1:8000", "http://x"):
        assert not same_origin(origin, "127.0.0.1:7343")


@given(st.text(max_size=400))
def test_a_typed_line_is_one_short_line_without_control_characters(text: str) -> None:
    line = clean_line(text)
    assert len(line) <= LINE_CHARACTERS
    assert line == line.strip() and len(line.splitlines()) <= 1
    assert line.isprintable() or any(c in line for c in "\u3000\xa0")
    assert clean_line(line) == line


def test_a_bucket_lets_a_burst_through_and_then_its_rate() -> None:
    bucket = Bucket(per_s=5, burst=20)
    assert sum(bucket.takes(0.0) for _ in range(100)) == 20
    assert sum(bucket.takes(t / 100) for t in range(1, 201)) in {9, 10, 11}


# -- requests ----------------------------------------------------------------------


class Room:
    """The application in process, with a hub that needs no thread."""

    def __init__(self) -> None:
        self.typed: list[str] = []
        self.codes: list[Any] = []
        self.hub = Hub(lambda: 0.0)
        self.pairing = Pairing()
        self.pages = Pages(
            self.hub,
            self.pairing,
            lambda: 7343,
            self.typed.append,
            self.codes.append,
            lambda: None,
            lambda codes: f"http://192.0.2.9:7343/#{codes.link}",
            Places(),
            lambda filled: json.dumps({"kind": "set_up", "begin": filled.begin}),
        )
        self.pages.renew()
        app = application(self.pages, own_names("127.0.0.1", "surgery"), lambda: 7343)
        self.client = TestClient(app, base_url="http://127.0.0.1:7343")

    def pair(self, code: str, **headers: str) -> Any:
        origin = {"Origin": "http://127.0.0.1:7343"} | headers
        return self.client.post("/pair", json={"code": code}, headers=origin)

    def key(self, right: str = "enter") -> str:
        answer = self.pair(getattr(self.codes[-1], right))
        assert answer.status_code == 200
        return str(answer.json()["key"])

    def live(self, key: str, **headers: str) -> Any:
        origin = {"Origin": "http://127.0.0.1:7343"} | headers
        return self.client.websocket_connect(
            "ws://127.0.0.1:7343/live", subprotocols=["fillwarm", key], headers=origin
        )


@pytest.fixture
def room() -> Room:
    return Room()


def test_the_page_is_strict_about_what_it_loads(room: Room) -> None:
    answer = room.client.get("/")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy and "*" not in policy
    assert "frame-ancestors 'none'" in policy and "form-action 'none'" in policy
    assert answer.headers["x-frame-options"] == "DENY"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert "server" not in answer.headers and "etag" not in answer.headers
    for path in STATIC.iterdir():
        served = room.client.get(f"/static/{path.name}")
        assert served.status_code == 200 and "content-security-policy" in served.headers
        source = path.read_text().replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in source and "https://" not in source and "//cdn" not in source
    page = (STATIC / "index.html").read_text()
    assert "<style" not in page and " style=" not in page and " onclick" not in page
    scripts = (STATIC / "screen.js").read_text() + (STATIC / "depths.js").read_text()
    for markup in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
        assert markup not in scripts


@pytest.mark.parametrize(
    "path",
    [
        "/static/",
        "/static",
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/static/%252e%252e/server.py",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/..\\server.py",
        "/static/screen.js%00.html",
        "/static/screen.js/../../server.py",
        "/server.py",
        "/docs",
        "/openapi.json",
    ],
)
def test_nothing_but_the_page_is_served(room: Room, path: str) -> None:
    answer = room.client.get(path, follow_redirects=False)
    assert answer.status_code in {400, 404, 405}
    assert "Hub" not in answer.text and "root:" not in answer.text


def test_another_name_for_this_address_is_refused(room: Room) -> None:
    for header in ("rebound.example:7343", "127.0.0.1:80", "", "localhost"):
        answer = room.client.get("/", headers={"Host": header})
        assert answer.status_code in {400, 403} and "Fillwarm" not in answer.text


@pytest.mark.parametrize(
    "origin", ["http://other.example", "null", "http://127.0.0.1:9999", ""]
)
def test_pages_of_others_can_neither_pair_nor_watch(room: Room, origin: str) -> None:
    assert room.pair(room.codes[-1].watch, Origin=origin).status_code == 403
    key = room.key("watch")
    with pytest.raises(WebSocketDisconnect), room.live(key, Origin=origin):
        pass


def test_pairing_needs_an_origin_and_json(room: Room) -> None:
    code = room.codes[-1].watch
    assert room.client.post("/pair", json={"code": code}).status_code == 403
    origin = {"Origin": "http://127.0.0.1:7343"}
    plain = {**origin, "Content-Type": "text/plain"}
    body = json.dumps({"code": code})
    assert room.client.post("/pair", content=body, headers=plain).status_code == 415
    as_json = {**origin, "Content-Type": "application/json"}
    for wrong in (b"", b"\xff\xfe", b"[]", b'{"code": 5}', b'{"code": ""}', b"x" * 100_000):
        answer = room.client.post("/pair", content=wrong, headers=as_json)
        assert answer.status_code == 400


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(room: Room) -> None:
    cookie = room.pair(room.codes[-1].watch).headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie


def test_wrong_codes_are_locked_out(room: Room) -> None:
    codes = [room.pair("00000000").status_code for _ in range(WRONG_BEFORE_LOCK + 1)]
    assert codes[:-2] == [403] * (WRONG_BEFORE_LOCK - 1) and codes[-1] == 429
    assert room.pair(room.codes[-1].watch).status_code == 429


def test_without_cookie_or_key_nobody_watches(room: Room) -> None:
    key = room.key("watch")
    for given_key in ("", "x" * 43, "x" * 1000):
        with pytest.raises(WebSocketDisconnect), room.live(given_key):
            pass
        assert room.client.get("/who", headers={"X-Key": given_key}).status_code == 401
    assert room.client.get("/who", headers={"X-Key": key}).json() == {"right": "watch"}
    room.client.cookies.clear()
    with pytest.raises(WebSocketDisconnect), room.live(key):
        pass


def test_a_watcher_sees_and_cannot_enter(room: Room) -> None:
    room.hub.publish('{"ask":"here"}')
    with room.live(room.key("watch")) as link:
        told = json.loads(link.receive_text())
        assert (told["kind"], told["view"]) == ("view", {"ask": "here"})
        link.send_text('{"kind":"line","text":"plugger sixteen"}')
        closed = _closed(link)
    assert closed.reason == "this screen only watches" and room.typed == []


def _pairing(link: Any) -> dict[str, Any]:
    """The next message about codes and devices."""
    while True:
        told: dict[str, Any] = json.loads(link.receive_text())
        if told["kind"] == "pairing":
            return told


def test_a_second_device_is_one_step_from_a_page_that_may_enter(room: Room) -> None:
    with room.live(room.key()) as link:
        assert _pairing(link)["codes"] is None
        link.send_text('{"kind":"pair"}')
        codes = _pairing(link)["codes"]
        assert codes["link"].startswith("http://192.0.2.9:7343/#")
        side = len(codes["qr"])
        assert side > 20 and all(
            set(row) <= {"0", "1"} and len(row) == side for row in codes["qr"]
        )
        room.client.cookies.clear()
        answer = room.pair(codes["link"].partition("#")[2])
        assert answer.json()["right"] == "enter"
        told = _pairing(link)
        # What has served is no longer shown.
        assert told["codes"] is None
        assert [d["number"] for d in told["devices"]] == [1, 2]
        assert [d["this"] for d in told["devices"]] == [True, False]
        link.send_text("{")
        _closed(link)


def test_a_removed_device_is_told_and_its_link_ends(room: Room) -> None:
    with room.live(room.key()) as link:
        (device,) = _pairing(link)["devices"]
        link.send_text(json.dumps({"kind": "remove", "device": device["device"]}))
        assert _closed(link).reason == "this screen is no longer paired"


def test_a_filled_in_form_is_answered_to_the_page_that_sent_it(room: Room) -> None:
    with room.live(room.key()) as link:
        link.send_text('{"kind":"set_up","set_up":{"tooth":24},"begin":true}')
        while (told := json.loads(link.receive_text()))["kind"] != "set_up":
            pass
        assert told == {"kind": "set_up", "begin": True}
        link.send_text('{"kind":"set_up","set_up":[],"begin":true}')
        assert _closed(link).reason == "unknown message"


@pytest.mark.parametrize(
    "kind",
    [
        '{"kind":"pair"}',
        '{"kind":"remove","device":"abc"}',
        '{"kind":"set_up","set_up":{},"begin":true}',
    ],
)
def test_a_watcher_is_told_no_code_and_removes_nobody(room: Room, kind: str) -> None:
    with room.live(room.key("watch")) as link:
        room.pages.ask_codes(show=True)
        room.hub.publish('{"ask":"here"}')
        assert json.loads(link.receive_text())["kind"] != "pairing"
        link.send_text(kind)
        told: list[str] = []
        closed = _closed(link, told)
    assert closed.reason == "this screen only watches"
    assert not any("pairing" in text for text in told)
    assert len(room.pairing.kept(time.time())) == 1


def test_what_is_entered_is_a_typed_line(room: Room) -> None:
    with room.live(room.key()) as link:
        for text in ("plugger 16.5", " a\r\nb\x00\x1b[31mc\u202e ", "\x00\n", "x" * 900):
            link.send_text(json.dumps({"kind": "line", "text": text}))
        link.send_text('{"kind":"tap"}')
        link.send_text('{"kind":"no such"}')
        assert _closed(link).code == 1008
    assert room.typed == ["plugger 16.5", "a b[31mc", "x" * LINE_CHARACTERS, ""]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("", 1008),
        ("null", 1008),
        ("{", 1008),
        ('{"kind":"line"}', 1008),
        ('{"kind":"line","text":5}', 1008),
        ('{"kind":"line","text":"a","more":1}', 1008),
        ('{"kind":"quit"}', 1008),
        ("[" * 1500, 1008),
        ('{"kind":"line","text":"' + "x" * 5000 + '"}', 1009),
        (b"\x00\xff\x13", 1003),
    ],
)
def test_what_is_not_understood_closes_with_a_reason(
    room: Room, message: str | bytes, code: int
) -> None:
    with room.live(room.key()) as link:
        if isinstance(message, bytes):
            link.send_bytes(message)
        else:
            link.send_text(message)
        closed = _closed(link)
    assert closed.code == code and closed.reason
    assert room.typed == []


def test_a_flood_is_closed(room: Room) -> None:
    with room.live(room.key()) as link:
        for _ in range(30):
            link.send_text('{"kind":"tap"}')
        assert _closed(link).reason == "too many messages"
    assert len(room.typed) == 20


def _closed(link: Any, told: list[str] | None = None) -> WebSocketDisconnect:
    """How the program ends the link; what it tells before goes into ``told``."""
    try:
        while True:
            text = link.receive_text()
            if told is not None:
                told.append(text)
    except WebSocketDisconnect as closed:
        return closed


# -- the thread --------------------------------------------------------------------


@pytest.fixture
def screen(tmp_path: Path) -> Iterator[WebScreen]:
    lines: list[str] = []
    made = WebScreen(
        "127.0.0.1", 0, SystemClock(), LANGUAGE, lines.append, tmp_path / "paired.json"
    )
    made.start(SimpleQueue())
    yield made
    made.close()


def _until(holds: Any) -> None:
    for _ in range(1000):
        if holds():
            return
        time.sleep(0.01)
    raise AssertionError("it never came")


def _pair(screen: WebScreen) -> tuple[str, str]:
    assert screen.codes is not None
    base = f"http://127.0.0.1:{screen.port}"
    answer = httpx.post(
        f"{base}/pair", json={"code": screen.codes.watch}, headers={"Origin": base}
    )
    return answer.headers["set-cookie"].partition(";")[0], answer.json()["key"]


def test_a_viewer_that_does_not_read_holds_nothing_up(screen: WebScreen) -> None:
    cookie, key = _pair(screen)
    slow = socket.create_connection(("127.0.0.1", screen.port))
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    slow.sendall(
        f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{screen.port}\r\n"
        f"Origin: http://127.0.0.1:{screen.port}\r\nCookie: {cookie}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
        f"Sec-WebSocket-Protocol: fillwarm, {key}\r\n\r\n".encode()
    )
    _until(lambda: screen._hub.viewers == 1)
    screen.show_step(two_canals().state)
    before = screen._hub.version
    for number in range(2000):
        screen.show_prompts([Prompt(f"line {number} " * 20, Urgency.READ_BACK)])
    _until(lambda: "line 1999 " in screen._hub._view)
    # Two thousand were shown; what came together was made into few views.
    assert screen._hub.version - before < 200
    slow.close()


def test_who_opens_many_connections_pushes_out_only_himself() -> None:
    places, ended = Places(unpaired=5, of_one=3), list[str]()
    opened = (("tablet", "a"), ("one", "b"), ("two", "b"), ("three", "b"))
    for port, (name, address) in enumerate(opened):
        places.take((address, port), lambda name=name: ended.append(name))  # type: ignore[misc]
    places.keep(("a", 0))
    places.take(("b", 99), lambda: ended.append("four"))
    assert ended == ["one"]  # the fourth of one address
    for port in (1, 2, 3):
        places.take(("c", port), lambda port=port: ended.append(f"c{port}"))  # type: ignore[misc]
    assert ended == ["one", "two"] and len(places) == 6  # five and the tablet
    places.close(("a", 0))
    assert ended[-1] == "tablet" and len(places) == 5
    places.leave(("c", 1))
    places.close(("c", 1))
    assert len(places) == 4 and ended[-1] == "tablet"


def test_connections_that_never_read_hold_no_place_of_a_paired_screen(
    screen: WebScreen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("assistant.screen.web.WHOLE_S", 0.5)
    cookie, key = _pair(screen)
    ask = f"GET /static/screen.js HTTP/1.1\r\nHost: 127.0.0.1:{screen.port}\r\n\r\n".encode()
    held = []
    for _ in range(200):
        mute = socket.create_connection(("127.0.0.1", screen.port))
        mute.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        mute.sendall(ask)
        held.append(mute)
    assert len(screen._places) <= UNPAIRED_OF_ONE + 1
    base = f"http://127.0.0.1:{screen.port}"
    who = httpx.get(f"{base}/who", headers={"X-Key": key, "Cookie": cookie})
    assert who.json() == {"right": "watch"}
    _until(lambda: len(screen._places) == 0)
    for mute in held:
        mute.close()


def test_a_script_in_what_was_heard_stays_text(screen: WebScreen) -> None:
    script = '</script><img src=x onerror="alert(1)">'
    screen.show_step(Driver(code=script).state)
    screen.show_heard(Recognised(script, 0.4), "given")
    screen.show_trouble(script)
    _until(lambda: screen._hub._view.count("onerror") == 3)  # the case, heard, the notice
    told = json.loads(screen._hub._message())["view"]
    assert told["heard"]["text"] == told["case"] == told["notices"][0]["text"] == script


def test_restarted_it_knows_its_screens_and_the_file_is_the_owners_alone(
    screen: WebScreen, tmp_path: Path
) -> None:
    cookie, key = _pair(screen)
    kept = tmp_path / "paired.json"
    assert kept.stat().st_mode & 0o077 == 0
    assert key not in kept.read_text() and cookie.partition("=")[2] not in kept.read_text()
    again = WebScreen("127.0.0.1", 0, SystemClock(), LANGUAGE, list[str]().append, kept)
    right = again._pairing.right_of(cookie.partition("=")[2], key, time.time())
    assert right is Right.WATCH


def test_a_spoilt_file_of_grants_only_means_pairing_again(tmp_path: Path) -> None:
    (tmp_path / "paired.json").write_text("{")
    again = WebScreen(
        "127.0.0.1", 0, SystemClock(), LANGUAGE, list[str]().append, tmp_path / "paired.json"
    )
    assert again._pairing.kept(0.0) == ()


def test_an_encrypted_page_shows_the_fingerprint_that_a_browser_would(tmp_path: Path) -> None:
    now = datetime.now(UTC)
    certificate = tls.made(tmp_path / "tls", own_names("127.0.0.1", "surgery"), now)
    assert (tmp_path / "tls" / "key.pem").stat().st_mode & 0o077 == 0
    again = tls.made(tmp_path / "tls", own_names("127.0.0.1", "surgery"), now)
    assert again == certificate  # kept: screens need not be told again
    lines: list[str] = []
    secret = WebScreen(
        "127.0.0.1", 0, SystemClock(), LANGUAGE, lines.append, certificate=certificate
    )
    secret.start(SimpleQueue())
    try:
        base = f"https://127.0.0.1:{secret.port}"
        seen = ssl.get_server_certificate(("127.0.0.1", secret.port))
        shown_ = hashlib.sha256(ssl.PEM_cert_to_DER_cert(seen)).hexdigest().upper()
        assert certificate.fingerprint.replace(":", "") == shown_
        assert any(certificate.fingerprint in line for line in lines)
        trusting = ssl.create_default_context(cafile=str(certificate.chain))
        assert secret.codes is not None
        answer = httpx.post(
            f"{base}/pair",
            json={"code": secret.codes.watch},
            headers={"Origin": base},
            verify=trusting,
        )
        assert answer.status_code == 200 and "secure" in answer.headers["set-cookie"].lower()
        assert (
            f"wss://127.0.0.1:{secret.port}"
            in httpx.get(base, verify=trusting).headers["content-security-policy"]
        )
        plain = {"Origin": base.replace("https", "http")}
        refused = httpx.post(f"{base}/pair", json={"code": "1"}, headers=plain, verify=trusting)
        assert refused.status_code == 403
    finally:
        secret.close()
    late = tls.made(tmp_path / "tls", own_names("127.0.0.1", "surgery"), now + tls.LIFE)
    assert late.fingerprint != certificate.fingerprint


def test_files_that_are_no_certificate_are_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.pem").write_text("no")
    with pytest.raises(InputFileError, match="PEM"):
        tls.given(tmp_path / "a.pem", tmp_path / "b.pem")


def test_a_port_that_is_taken_is_one_sentence(screen: WebScreen) -> None:
    second = WebScreen("127.0.0.1", screen.port, SystemClock(), LANGUAGE, list[str]().append)
    with pytest.raises(EquipmentError, match="--screen-port"):
        second.start(SimpleQueue())
    with pytest.raises(EquipmentError, match="--screen-host"):
        WebScreen("no.such.host.invalid", 0, SystemClock(), LANGUAGE, list[str]().append).start(
            SimpleQueue()
        )


def test_what_cannot_be_shown_is_said_and_the_case_goes_on(
    screen: WebScreen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("assistant.screen.view.strips", lambda *_: 1 / 0)
    screen.show_step(two_canals().state)
    _until(lambda: "cannot show the case" in screen._hub._view)


def test_the_page_knows_for_how_long_the_case_has_not_been_at_work(
    screen: WebScreen, monkeypatch: pytest.MonkeyPatch
) -> None:
    seconds = 100.0
    monkeypatch.setattr("assistant.screen.web.time.monotonic", lambda: seconds)
    screen.beat()
    seconds += 7.5
    assert screen.idle_s() == 7.5
    screen.beat()
    assert screen.idle_s() == 0.0


def test_lines_go_into_the_queue_of_the_session(screen: WebScreen) -> None:
    typed: SimpleQueue[Entered] = screen._typed
    with pytest.raises(Empty):
        typed.get_nowait()
    screen._take("plugger 16")
    assert typed.get_nowait() == "plugger 16"

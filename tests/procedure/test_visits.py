"""A case closed for today and gone on with: signed as a visit, told apart in the note."""

from __future__ import annotations

from datetime import timedelta, timezone
from pathlib import Path

import pytest
from room import Room, at_apical_plugger, front_tooth
from typical_case import HEAD, PROTOCOL, START

from assistant.case.between import LONG_PAUSE_S
from assistant.case.casefile import CaseFile
from assistant.exchange import tables
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.prompt.mouth import VERBOSITY, Verbosity
from assistant.protocol.moment import Moment
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record

CLOSE = it.CloseVisit(dressing="calcium hydroxide, temporary filling", plan="fill")


def closed(room: Room) -> Room:
    room.do(CLOSE)
    room.command("confirm")
    return room


def text_of(room: Room) -> str:
    return " ".join(as_text(note(room.state, HEAD)).split())


def test_a_visit_is_asked_about_and_signed() -> None:
    room = front_tooth()
    room.mm(22.0)
    room.do(CLOSE)
    assert "plan: fill. Signed by Operator A. Say confirm, or no." in room.said
    assert not room.state.visits
    room.command("confirm")
    (visit,) = room.state.visits
    assert (visit.signed_by, visit.entries) == ("Operator A", len(room.state.entries))
    room.mm(21.0)
    assert room.refused == "visit_over"


def test_no_leaves_the_case_open() -> None:
    room = front_tooth()
    room.do(CLOSE)
    room.choose("no")
    assert not room.state.resting
    room.mm(22.0)
    assert room.refused is None


def test_a_visit_needs_dressing_and_plan_and_its_warning_answered() -> None:
    room = front_tooth()
    room.do(it.CloseVisit(dressing="cotton pellet"))
    assert room.refused == "visit_needs"
    room = at_apical_plugger()
    room.mm(17.0)
    room.do(CLOSE)
    assert room.refused == "answer_warning_first"


def test_the_note_tells_visits_apart() -> None:
    room = closed(front_tooth())
    assert "VISITS" in text_of(room)
    room.do(it.Reopen(note="Nothing was lost.", since="2 days 3 hours since the last entry."))
    assert "2 days 3 hours" in room.said
    room.do(it.TakeOver(role="operator", name="Operator B"))
    room.mm(22.0)
    text = text_of(room)
    assert (
        "Dressing: calcium hydroxide, temporary filling. Plan: fill. Closed and signed by"
        in text
    )
    assert "single set-up. NOT CLOSED." in text
    (visit,) = as_record(room.state, HEAD)["visits"]
    assert visit["plan"] == "fill"
    (row,) = tables.read(tables.table_text([as_record(room.state, HEAD)], "visits"))
    assert (row["visit"], row["plan"], row["entries"]) == ("1", "fill", str(visit["entries"]))
    assert "Operator A" not in row.values()
    assert replay(room.events) == room.state


def test_resume_goes_on_in_the_same_sitting() -> None:
    room = closed(front_tooth())
    room.command("resume")
    room.mm(22.0)
    assert room.refused is None
    assert room.state.visit_began is not None


def begun(folder: Path) -> Moment:
    now = Moment(wall=START, mono_s=0.0)
    case = CaseFile.create(folder, PROTOCOL, now, case_code="c", operator="Operator A")
    case.take(it.Given(kind="tooth", value=24), now)
    case.take(it.Command(verb="say_less"), now)
    case.close()
    return now


@pytest.mark.parametrize(("pause_s", "told"), [(LONG_PAUSE_S, True), (LONG_PAUSE_S - 1, False)])
def test_a_long_pause_is_told(tmp_path: Path, pause_s: float, told: bool) -> None:
    now = begun(tmp_path / "case")
    later = Moment(wall=now.wall + timedelta(seconds=pause_s), mono_s=0.0)
    case = CaseFile.reopen(tmp_path / "case", later)
    case.close()
    assert ("1 h 0 min since the last entry." in case.state.interruptions[-1][1]) is told


def test_another_machine_and_another_zone_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = begun(tmp_path / "case")
    monkeypatch.setattr("platform.node", lambda: "another")
    zone = now.wall.astimezone(timezone(timedelta(hours=5)))
    case = CaseFile.reopen(tmp_path / "case", Moment(wall=zone, mono_s=0.0))
    case.close()
    note_ = case.state.interruptions[-1][1]
    assert "UTC+0500, and was at UTC+0200" in note_
    assert "another machine before" in note_


def test_brief_mode_survives_a_restart(tmp_path: Path) -> None:
    now = begun(tmp_path / "case")
    case = CaseFile.reopen(tmp_path / "case", now)
    case.close()
    assert case.verbosity is not None
    assert VERBOSITY[case.verbosity] is Verbosity.BRIEF

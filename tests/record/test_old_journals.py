"""Journals from before steps had roles: the same state, and they go on.

That their notes say what they said is held with those of all the others.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from journals.write import STATE, plain_state
from typical_case import START

from assistant.case.casefile import JOURNAL, CaseFile, read_case
from assistant.case.read_events import read_event
from assistant.exchange.fhir import bundle
from assistant.exchange.whole import load
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.protocol.frozen import WRITTEN
from assistant.protocol.moment import Moment
from assistant.protocol.roles import Role
from assistant.record.journal import read_journal
from assistant.review.reading import read_timeline

JOURNALS = Path(__file__).parents[1] / "journals" / "before-roles"
NAMES = sorted(path.name for path in JOURNALS.iterdir())


@pytest.fixture(params=NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def folder(name: str, tmp_path: Path) -> Path:
    return _copied(name, tmp_path)


def _copied(name: str, to: Path) -> Path:
    shutil.copy(JOURNALS / name / JOURNAL, to / JOURNAL)
    return to


def test_there_are_journals_of_both_protocols() -> None:
    assert {"warm-vertical", "to-post-level", "midway"} <= set(NAMES)


def test_the_same_state(name: str, folder: Path) -> None:
    state, _ = read_case(folder)
    told = json.loads((JOURNALS / name / STATE).read_text())
    assert plain_state(state) == plain_state(
        CaseState.model_validate({**told, "protocol": state.protocol}, context=WRITTEN)
    )


def test_every_reader_gives_the_steps_their_roles(folder: Path) -> None:
    for state in (read_case(folder)[0], load(folder).state, read_timeline(folder).state):
        assert state.protocol.with_role(Role.WORKING_LENGTH)
        assert state.protocol.with_role(Role.COMPACTION)
    assert bundle(load(folder))["entry"]


def test_the_file_stays_as_it_was(name: str, folder: Path) -> None:
    read_case(folder)
    assert (folder / JOURNAL).read_bytes() == (JOURNALS / name / JOURNAL).read_bytes()


def test_a_case_in_work_goes_on(tmp_path: Path) -> None:
    case = CaseFile.reopen(_copied("midway", tmp_path), Moment(wall=START, mono_s=0.0))
    assert case.state.step is not None and case.state.step.role is Role.COMPACTION

    def said(intent: it.AnyIntent) -> CaseState:
        case.take(intent, Moment(wall=START, mono_s=1.0))
        return case.state

    # "Plugger" is any plugger; past the limit of 16 it is warned about.
    state = said(it.Given(kind="mm", value=17.0, quantity="plugger_mm"))
    assert state.warnings[-1].rule == "depth-limit"
    state = said(it.Correction(kind="mm", value=13.5, quantity="plugger_mm"))
    assert [w for w in state.warnings if w.open] == []
    assert state.last("buccal", Role.COMPACTION).value == 13.5  # type: ignore[union-attr]
    case.close()
    assert read_case(tmp_path)[0] == state


def test_a_protocol_with_roles_is_left_alone() -> None:
    first = read_journal(JOURNALS / "midway" / JOURNAL).entries[0].event
    steps = read_event(first).protocol.model_dump(mode="json")  # type: ignore[union-attr]
    for step in steps["canal"]:
        step["role"] = None
    again = read_event({**first, "protocol": steps})
    assert again.protocol.with_role(Role.WORKING_LENGTH) is None  # type: ignore[union-attr]


def test_an_old_quantity_of_another_kind_gets_no_role() -> None:
    first = json.loads(json.dumps(read_journal(JOURNALS / "midway" / JOURNAL).entries[0].event))
    canal = first["protocol"]["canal"]
    taper = next(step for step in canal if step["id"] == "taper")
    taper["expect"] = {"kind": "choice", "quantity": "taper"}
    protocol = read_event(first).protocol  # type: ignore[union-attr]
    assert protocol.by_id["taper"].role is None

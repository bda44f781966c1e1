"""The machine-readable record: valid by its own schema, complete, written whole."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker, ValidationError
from pydantic import ValidationError as ModelError
from typical_case import (
    HEAD,
    Driver,
    barely_started,
    many_warnings,
    molar,
    two_canals,
)

from assistant.errors import RecordUnwritable
from assistant.progress import intents as it
from assistant.report.record import CaseRecord, as_record, json_schema
from assistant.report.write import FILES, write_reports

EVERY = [two_canals, molar, barely_started, many_warnings, Driver]


def validator() -> Any:
    return Draft202012Validator(json_schema(), format_checker=FormatChecker())


@pytest.fixture(scope="module")
def typical() -> Any:
    return as_record(two_canals().state, HEAD)


def entries(record: Any, canal: str | None, quantity: str) -> Any:
    return [e for e in record["entries"] if (e["canal"], e["quantity"]) == (canal, quantity)]


def test_the_schema_is_a_schema_of_its_draft() -> None:
    schema = json_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"].startswith("urn:")
    assert schema["title"]
    assert schema["description"]
    for part in schema["$defs"].values():
        assert part["title"]
        assert part["description"]


@pytest.mark.parametrize("case", EVERY)
def test_every_record_validates_after_a_trip_through_json(case: Any) -> None:
    record = json.loads(json.dumps(as_record(case().state, HEAD), allow_nan=False))
    validator().validate(record)


@pytest.mark.parametrize("case", EVERY)
def test_the_model_reads_what_it_wrote(case: Any) -> None:
    record = as_record(case().state, HEAD)
    again = CaseRecord.model_validate_json(json.dumps(record))
    assert again.model_dump(mode="json") == record


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.pop("head_hash"),
        lambda r: r.update(head_hash="short"),
        lambda r: r.update(surprise=1),
        lambda r: r.update(schema_version="9"),
        lambda r: r["entries"][0].update(origin="guessed"),
        lambda r: r["canals"][0].update(depth_limit_mm="16"),
    ],
)
def test_a_spoilt_record_does_not_validate(spoil: Any) -> None:
    record = as_record(two_canals().state, HEAD)
    spoil(record)
    with pytest.raises(ValidationError):
        validator().validate(record)
    with pytest.raises(ModelError):
        CaseRecord.model_validate_json(json.dumps(record))


def test_nothing_of_the_state_is_left_out() -> None:
    every: list[Any] = [*EVERY]
    for case in every:
        state = case().state
        record = as_record(state, HEAD)
        assert [e["seq"] for e in record["entries"]] == [e.seq for e in state.entries]
        assert len(record["warnings"]) == len(state.warnings)
        assert len(record["rejected"]) == len(state.rejected)
        assert len(record["skipped"]) == len(state.skipped)
        assert len(record["canals"]) == len(state.canals)
        timed = [e.seq for e in state.entries if e.origin == "timed"]
        assert [t["entry"] for t in record["timings"]] == timed


def test_a_corrected_depth_keeps_both_values_and_what_was_heard(typical: Any) -> None:
    wrong, right = entries(typical, "buccal", "heat_depth_mm")[1:]
    assert (wrong["value"], wrong["standing"]) == (17.0, "replaced")
    assert wrong["replaced_by"] == right["seq"]
    assert wrong["heard"] == {
        "text": "17.0",
        "confidence": 0.9,
        "doubt": None,
        "channel": "voice",
    }
    assert (right["value"], right["standing"], right["replaced_by"]) == (16.0, "standing", None)
    warning = next(w for w in typical["warnings"] if w["entry"] == wrong["seq"])
    assert warning["rule"] == "depth-limit"
    assert warning["answer"].startswith(f"replaced by entry {right['seq']}")
    assert not warning["open"]


def test_origin_confirmation_and_read_back_go_with_each_entry(typical: Any) -> None:
    (final,) = entries(typical, "buccal", "final_working_length_mm")
    assert (final["origin"], final["confirmed"], final["read_back"]) == ("computed", True, True)
    (provisional,) = entries(typical, "buccal", "working_length_mm")
    assert (provisional["origin"], provisional["confirmed"]) == ("said", False)
    unread = Driver(read_out=False)
    unread.say("tooth", 24)
    assert not as_record(unread.state, HEAD)["entries"][0]["read_back"]


def test_values_keep_their_kind(typical: Any) -> None:
    assert entries(typical, None, "canals")[0]["value"] == ["buccal", "palatal"]
    assert entries(typical, None, "tooth")[0]["value"] == 24
    assert entries(typical, "buccal", "reference_point")[0]["value"] == "buccal_cusp"
    assert entries(typical, "buccal", "cone_taper")[0]["value"] == 0.06


def test_timings_show_the_press_cut_short_and_its_repeat(typical: Any) -> None:
    presses = [
        t
        for t in typical["timings"]
        if (t["canal"], t["step"], t["round"]) == ("buccal", "increment_press", 1)
    ]
    assert [(p["duration_s"], p["cut_short"], p["standing"]) for p in presses] == [
        (3.1, True, "replaced"),
        (5.0, False, "standing"),
    ]
    assert {p["planned_s"] for p in presses} == {5.0}


def test_computed_facts(typical: Any) -> None:
    canal = typical["canals"][0]
    assert canal["working_length_mm"] == 21.1
    assert canal["working_length_final"]
    assert canal["depth_limit_mm"] == 16.1  # common practice: 5 mm short
    assert canal["readings"] == {"centre_mm": 21.1, "spread_mm": 0.2, "n": 3}
    assert canal["new_tip_mm"] == pytest.approx(0.30 + 0.06 * 0.4)  # ISO 3630-1
    assert canal["downpack_cycles"] == 2
    assert [f["level_mm"] for f in canal["fill_levels"]] == [13.5, 10.5]
    assert canal["fill_level_mm"] == 10.5
    assert canal["apical_seal_mm"] is None


def test_what_is_unknown_is_null() -> None:
    record = as_record(Driver().state, HEAD)
    assert record["tooth"] is None
    assert record["signed_at"] is None
    assert record["signed_by"] is None
    canal = as_record(barely_started().state, HEAD)["canals"][0]
    assert canal["fill_level_mm"] is None
    assert canal["new_tip_mm"] is None
    assert not canal["working_length_final"]


def test_a_value_that_waits_is_apart_from_the_record() -> None:
    case = Driver().set_up(24, "buccal")
    doubtful = it.Heard(text="twenty one", confidence=0.4, doubt="Not sure.", channel="voice")
    case.do(it.Given(kind="mm", value=21.0, heard=doubtful))
    record = as_record(case.state, HEAD)
    validator().validate(record)
    assert record["pending"]["value"] == 21.0
    assert not entries(record, "buccal", "working_length_mm")


def test_times_keep_their_offset(typical: Any) -> None:
    assert typical["opened_at"] == "2026-03-09T14:05:00+02:00"
    assert typical["signed_at"].endswith("+02:00")


# -- written to disk --------------------------------------------------------


def test_write_reports_says_what_is_where(tmp_path: Path) -> None:
    state = two_canals().state
    places = write_reports(tmp_path, state, HEAD)
    assert {p.name for p in tmp_path.iterdir()} == set(FILES.values())
    assert {name: path.name for name, path in places.items()} == FILES
    assert places["note"].read_text(encoding="utf-8").count("Signed by Operator A") == 2
    assert places["pdf"].read_bytes().startswith(b"%PDF-")
    record = json.loads(places["record"].read_text(encoding="utf-8"))
    schema = json.loads(places["schema"].read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(record)


def test_write_reports_replaces_older_ones(tmp_path: Path) -> None:
    write_reports(tmp_path, barely_started().state, HEAD)
    places = write_reports(tmp_path, two_canals().state, HEAD)
    assert "NOT SIGNED" not in places["note"].read_text(encoding="utf-8")


def test_any_name_can_be_written(tmp_path: Path) -> None:
    name = "Мария 山田 🦷"
    places = write_reports(tmp_path, two_canals(name).state, HEAD)
    record = json.loads(places["record"].read_text(encoding="utf-8"))
    assert record["operator"] == name
    assert f"Signed by {name} at" in places["note"].read_text(encoding="utf-8")


def test_a_folder_that_is_not_there_is_the_users_error(tmp_path: Path) -> None:
    with pytest.raises(RecordUnwritable):
        write_reports(tmp_path / "missing", two_canals().state, HEAD)


def test_a_defect_in_one_report_leaves_the_old_ones_alone(tmp_path: Path) -> None:
    places = write_reports(tmp_path, barely_started().state, HEAD)
    before = {name: path.read_bytes() for name, path in places.items()}
    with pytest.raises(ModelError):  # the record refuses a head hash that is none
        write_reports(tmp_path, two_canals().state, "no hash")
    assert {name: path.read_bytes() for name, path in places.items()} == before

"""Cases given away and taken back: the same to the bit, and nothing bad gets in."""

from __future__ import annotations

import base64
import csv
import io
import json
import os
import unicodedata
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from saved_case import NAME, chained, lines, saved, whole
from typical_case import Driver, barely_started, many_warnings, molar, two_canals
from ucumvert import get_ucum_parser

from assistant.case.casefile import JOURNAL
from assistant.commandline.main import main
from assistant.errors import RecordDamaged, RecordUnwritable, UserError
from assistant.exchange import check, tables
from assistant.exchange.fhir import bundle_text
from assistant.exchange.restore import folder_name, put, read_case_file
from assistant.exchange.untrusted import DEEPEST, LARGEST_BYTES, deeper_than, parse_json
from assistant.exchange.whole import from_journal, record_text
from assistant.progress import intents as it
from assistant.report.record import CaseRecord, as_record, json_text
from assistant.report.write import FILES

EVERY = [two_canals, molar, barely_started, many_warnings, Driver]


def run(*words: object) -> Any:
    return CliRunner().invoke(main, [str(word) for word in words])


def export(folder: Path, out: Path, *more: object) -> Any:
    done = run("export", folder, "--out", out, *more)
    assert done.exit_code == 0, done.output
    return out.read_bytes()


def record_of(case: Any) -> Any:
    one = whole(case)
    return as_record(one.state, one.head_hash)


@pytest.fixture(scope="module")
def typical(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A signed case on the disk, as folder."""
    return saved(two_canals(), tmp_path_factory.mktemp("cases") / "0001")


@cache
def small() -> Any:
    """The bytes of a bundle of a case just begun, and its journal."""
    case = whole(barely_started())
    return bundle_text(case).encode(), case.journal


# -- there and back -----------------------------------------------------------


@pytest.mark.parametrize(("way", "case"), [("fhir", two_canals), ("case", barely_started)])
def test_a_case_comes_back_to_the_bit_and_exports_to_the_same_bytes(
    tmp_path: Path, way: Any, case: Any
) -> None:
    typical = saved(case(), tmp_path / "0001")
    export(typical, tmp_path / "given", "--format", way)
    done = run("import", tmp_path / "given", "--case", tmp_path / "taken", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["remarks"] == []
    taken = tmp_path / "taken"
    assert (taken / JOURNAL).read_bytes() == (typical / JOURNAL).read_bytes()
    made = {one.name for one in taken.iterdir()}
    # Of a case just begun nothing can be computed yet.
    assert made | {FILES["computed"]} == {JOURNAL, *FILES.values()}
    for form in ("fhir", "csv", "json", "case"):
        before = export(typical, tmp_path / f"before.{form}", "--format", form)
        assert export(taken, tmp_path / f"after.{form}", "--format", form) == before


@pytest.mark.parametrize("kind", ["document", "transaction"])
def test_every_kind_of_bundle_is_taken_back(typical: Any, tmp_path: Path, kind: str) -> None:
    export(typical, tmp_path / "given", "--bundle", kind)
    done = run("import", tmp_path / "given", "--case", tmp_path / "taken", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["remarks"] == []
    assert (tmp_path / "taken" / JOURNAL).read_bytes() == (typical / JOURNAL).read_bytes()


def test_the_record_exported_is_the_one_that_note_writes(tmp_path: Path) -> None:
    folder = saved(barely_started(), tmp_path / "0001")
    assert run("note", folder).exit_code == 0
    exported = export(folder, tmp_path / "out.json", "--format", "json")
    assert exported == (folder / "record.json").read_bytes()


@pytest.mark.parametrize("case", EVERY)
def test_a_record_is_valid_and_written_again_to_the_bit(case: Any) -> None:
    text = record_text(whole(case()))
    assert check.check(text.encode(), NAME) == ("record", [])
    assert json_text(CaseRecord.model_validate_json(text).model_dump(mode="json")) == text


def test_a_record_makes_no_case_and_says_why(typical: Any, tmp_path: Path) -> None:
    export(typical, tmp_path / "record.json", "--format", "json")
    done = run("import", tmp_path / "record.json", "--case", tmp_path / "new")
    assert done.exit_code == 3
    assert "without its journal" in done.stderr
    assert not (tmp_path / "new").exists()


def test_a_bundle_without_journal_makes_no_case(typical: Any, tmp_path: Path) -> None:
    export(typical, tmp_path / "b.json", "--without-journal")
    done = run("import", tmp_path / "b.json", "--case", tmp_path / "new")
    assert done.exit_code == 3
    assert "carries no journal" in done.stderr


def test_an_unfinished_end_is_not_given_away_nor_taken(typical: Any, tmp_path: Path) -> None:
    folder = tmp_path / "torn"
    folder.mkdir()
    whole_journal = (typical / JOURNAL).read_bytes()
    (folder / JOURNAL).write_bytes(whole_journal + b'{"at":"2026')
    assert export(folder, tmp_path / "given", "--format", "case") == whole_journal
    with pytest.raises(RecordDamaged, match="never finished"):
        read_case_file(folder / JOURNAL)


# -- several cases, and what is there already ---------------------------------


def test_several_cases_become_a_folder_and_two_of_a_name_are_both_there(
    typical: Any, tmp_path: Path
) -> None:
    other = saved(barely_started(), tmp_path / "elsewhere" / "0001")
    words = ["--format", "case", "--out", tmp_path / "all", "--json"]
    files = json.loads(run("export", typical, other, *words).stdout)["files"]
    assert [Path(one).name for one in files] == ["0001.journal.jsonl", "0001-2.journal.jsonl"]
    assert (tmp_path / "all" / "0001-2.journal.jsonl").read_bytes() == (
        other / JOURNAL
    ).read_bytes()


def test_nothing_is_overwritten(typical: Any, tmp_path: Path) -> None:
    there = tmp_path / "there.json"
    there.write_text("mine")
    assert run("export", typical, "--out", there).exit_code == 6
    assert there.read_text() == "mine"
    given = tmp_path / "journal"
    export(typical, given, "--format", "case")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for place in ("full", "link", "there.json"):
        assert run("import", given, "--case", tmp_path / place).exit_code in {2, 6}
    assert [one.name for one in (tmp_path / "full").iterdir()] == ["x"]
    assert not (tmp_path / "nowhere").exists()
    assert not list(tmp_path.glob(".import-*"))


def test_a_disk_that_refuses_leaves_nothing_half_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> Any:
        raise RecordUnwritable("disk full")

    monkeypatch.setattr("assistant.exchange.restore.write_reports", full)
    with pytest.raises(RecordUnwritable):
        put(whole(barely_started()), tmp_path / "new")
    assert list(tmp_path.iterdir()) == []


def test_without_a_folder_it_goes_among_the_cases_under_a_new_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path / "cases"))
    given = tmp_path / "given"
    given.write_bytes(whole(Driver(code="../../etc/passwd")).journal)
    places = [json.loads(run("import", given, "--json").stdout)["folder"] for _ in range(2)]
    names = ["imported-etc-passwd", "imported-etc-passwd-2"]
    assert places == [str(tmp_path / "cases" / name) for name in names]


@given(st.text(max_size=200))
def test_no_case_code_leads_out_of_the_folder(code: str) -> None:
    name = folder_name(code)
    assert name.startswith("imported")
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
    assert not name.endswith(".")
    assert len(name) < 80


# -- tables -------------------------------------------------------------------

ODD = ["=1+1", "'", "''=x", "-1", "@a", "\t", "＝1", '"', "\r", "\n", "a\r\nb", ",", ""]
ODD += [" =1", "\u3000=1", "\u200d=1", "\\", "\\u00000a", "\\\n", "a\u202eb", "\u2066=1"]
CELL = st.text(max_size=8) | st.sampled_from(ODD)


@given(CELL)
def test_no_text_begins_like_a_formula_and_all_come_back(text: str) -> None:
    safe = tables.guarded(text)
    assert safe.strip("\u200c\u200d\u3000 ")[:1] not in tables.RISKY or safe == ""
    assert tables.unguarded(safe) == text


@given(CELL)
def test_nothing_hidden_or_turning_stands_in_a_cell(text: str) -> None:
    for character in tables.guarded(text):
        kind = unicodedata.category(character)
        assert kind not in {"Cc", "Cf", "Zl", "Zp"} or character in "\u200c\u200d"


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        (" =1+1", "' =1+1"),
        ("a\u202eb", "a\\u00202eb"),
        ("a\nb", "a\\u00000ab"),
        ("C:\\x", "C:\\\\x"),
        ("Mari\u0301a", "Mari\u0301a"),
    ],
)
def test_how_it_is_written(text: str, cell: str) -> None:
    assert tables.guarded(text) == cell


@given(st.lists(CELL, min_size=1, max_size=6))
def test_what_is_read_is_what_was_written(cells: Any) -> None:
    record = record_of(barely_started())
    record["warnings"] = [
        {
            "canal": cell,
            "seq": 1,
            "rule": "r",
            "severity": "caution",
            "text": cell[::-1],
            "step": "s",
            "entry": None,
            "at": record["opened_at"],
            "answer": cell,
            "open": False,
        }
        for cell in cells
    ]
    rows = tables.read(tables.table_text([record], "warnings"))
    assert [row["canal"] for row in rows] == cells
    assert [row["text"] for row in rows] == [cell[::-1] for cell in cells]


def test_the_text_is_rfc_4180() -> None:
    text = tables.table_text([record_of(two_canals())], "warnings")
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert '"Depth check: limit 16.1, heard 17."' in text  # it holds a comma
    assert len({len(row) for row in csv.reader(io.StringIO(text, newline=""))}) == 1


@pytest.mark.parametrize("table", ["entries", "warnings", "timings"])
def test_a_row_is_a_thing_of_the_record(table: Any) -> None:
    cases = [record_of(case()) for case in (two_canals, barely_started, many_warnings)]
    rows = tables.read(tables.table_text(cases, table))
    assert len(rows) == sum(len(case[table]) for case in cases) > 0
    assert {row["tooth"] for row in rows} <= {"24", "11"}
    assert "Operator A" not in {cell for row in rows for cell in row.values()}
    parser = get_ucum_parser()
    for unit in {row["unit"] for row in rows} - {""}:
        parser.parse(unit)


def changed_and_taken_over() -> Driver:
    case = Driver().set_up(24, "buccal", "palatal")
    case.do(it.Change(what="absent", canal="palatal", reason="calcified, A. Patient"))
    case.command("confirm")
    case.do(it.TakeOver(role="operator", name="Operator B"))
    return case


def test_changes_and_takeovers_have_rows_without_names_or_free_text() -> None:
    record = record_of(changed_and_taken_over())
    (change,) = tables.read(tables.table_text([record], "changes"))
    assert (change["canal"], change["what"], change["change"]) == ("palatal", "absent", "1")
    (takeover,) = tables.read(tables.table_text([record], "takeovers"))
    assert takeover["role"] == "operator"
    told = " ".join((*change.values(), *takeover.values()))
    assert "Patient" not in told
    assert "Operator" not in told


def test_a_bundle_tells_changes_with_their_reason_and_author(tmp_path: Path) -> None:
    folder = saved(changed_and_taken_over(), tmp_path / "0003")
    done = run("export", folder, "--bundle", "collection", "--out", tmp_path / "b.json")
    assert done.exit_code == 0, done.output
    whole = json.loads((tmp_path / "b.json").read_text())
    notes = [
        note
        for entry in whole["entry"]
        for note in entry["resource"].get("note", ())
        if "is not there" in note["text"] and "authorString" in note
    ]
    (note,) = notes
    assert note["text"] == "palatal canal is not there: calcified, A. Patient"
    assert note["authorString"] == "Operator A"
    assert note["time"]


def test_the_columns_mean_what_the_record_means() -> None:
    record = record_of(two_canals())
    rows = tables.read(tables.table_text([record], "entries"))
    (final,) = [
        row
        for row in rows
        if row["quantity"] == "final_working_length_mm" and row["canal"] == "buccal"
    ]
    assert (final["value"], final["unit"], final["confirmed"]) == ("21.1", "mm", "true")
    deep = next(row for row in rows if row["warned_rules"] == "depth-limit")
    assert (deep["value"], deep["standing"]) == ("17.0", "replaced")
    assert deep["by_role"] == "operator"
    timings = tables.read(tables.table_text([record], "timings"))
    held = [row for row in timings if row["quantity"] == "increment_press_s"]
    assert {(row["planned"], row["unit"]) for row in held} == {("5.0", "s")}
    assert [row["cut_short"] for row in held] == ["true", "false"] * 4
    assert [float(row["duration"]) < 5 for row in held] == [True, False] * 4
    since = [float(row["since_start_s"]) for row in rows]
    assert since == sorted(since)
    assert since[0] == 1.0


def test_a_table_of_several_cases_is_one_file(typical: Any, tmp_path: Path) -> None:
    other = saved(many_warnings(), tmp_path / "0002")
    out = tmp_path / "t.csv"
    done = run("export", typical, other, "--format", "csv", "--table", "warnings", "--out", out)
    assert done.exit_code == 0
    rows = tables.read(out.read_bytes().decode())
    assert {row["tooth"] for row in rows} == {"24", "11"}


# -- check-record -------------------------------------------------------------


@pytest.mark.parametrize(
    ("spoil", "where"),
    [
        (lambda r: r["entries"][3].update(origin="guessed"), "record.entries[3].origin"),
        (
            lambda r: r["canals"][0].update(fill_level_mm="1"),
            "record.canals[0].fill_level_mm",
        ),
        (lambda r: r.pop("head_hash"), "record.head_hash"),
        (lambda r: r.update(surprise=1), "record.surprise"),
    ],
)
def test_a_spoilt_record_is_found_out(tmp_path: Path, spoil: Any, where: str) -> None:
    record = record_of(two_canals())
    spoil(record)
    file = tmp_path / "record.json"
    file.write_text(json.dumps(record))
    done = run("check-record", file, "--json")
    assert done.exit_code == 3
    assert [one["where"] for one in json.loads(done.stdout)["findings"]] == [where]
    assert where in done.stderr


def test_a_good_record_and_bundle_pass(typical: Any, tmp_path: Path) -> None:
    for form in ("json", "fhir"):
        export(typical, tmp_path / form, "--format", form)
        done = run("check-record", tmp_path / form)
        assert done.exit_code == 0
        assert "valid" in done.stdout


@pytest.mark.parametrize(
    ("spoil", "where"),
    [
        (lambda r: r["entries"][3].update(value="no"), "record.entries[3].value"),
        (
            lambda r: r["canals"][0].update(working_length_mm=21.2),
            "record.canals[0].working_length_mm",
        ),
        (lambda r: r.update(operator="Operator B"), "record.operator"),
        (lambda r: r["warnings"].pop(), "record.warnings"),
        (lambda r: r.update(head_hash="0" * 64), "record.head_hash"),
    ],
)
def test_a_changed_value_of_a_record_is_found(
    typical: Any, tmp_path: Path, spoil: Any, where: str
) -> None:
    (tmp_path / JOURNAL).write_bytes((typical / JOURNAL).read_bytes())
    file = tmp_path / "record.json"
    export(typical, file, "--format", "json")
    assert "as its journal gives it" in run("check-record", file).stdout
    record = json.loads(file.read_text())
    spoil(record)
    file.write_text(json.dumps(record))
    done = run("check-record", file)
    assert done.exit_code == 3
    assert done.stdout.splitlines()[0].startswith(f"{where}: ")
    assert "changed" in done.stderr


@pytest.mark.parametrize("kind", ["collection", "document", "transaction"])
def test_a_changed_value_of_a_bundle_is_found(typical: Any, tmp_path: Path, kind: str) -> None:
    file = tmp_path / "b.json"
    export(typical, file, "--bundle", kind)
    assert "as its journal gives it" in run("check-record", file).stdout
    found = json.loads(file.read_text())
    one = next(e["resource"] for e in found["entry"] if "valueQuantity" in e["resource"])
    one["valueQuantity"]["value"] += 0.5
    file.write_text(json.dumps(found))
    done = run("check-record", file, "--json")
    assert done.exit_code == 3
    (finding,) = json.loads(done.stdout)["findings"]
    assert finding["where"] == f"Observation {one['id']}.valueQuantity.value"


def test_a_record_of_before_is_held_against_the_journal_up_to_there(tmp_path: Path) -> None:
    case = Driver().set_up(11, "single")
    export(saved(case, tmp_path / "1"), tmp_path / "record.json", "--format", "json")
    case.mm(21.0)
    (tmp_path / JOURNAL).write_bytes(whole(case).journal)
    assert run("check-record", tmp_path / "record.json").exit_code == 0


def test_a_record_without_a_journal_says_what_cannot_be_told(
    typical: Any, tmp_path: Path
) -> None:
    for name, more in (("r.json", ("--format", "json")), ("b.json", ("--without-journal",))):
        export(typical, tmp_path / name, *more)
        done = run("check-record", tmp_path / name)
        assert done.exit_code == 0
        assert "cannot be told" in done.stderr


# -- hostile files ------------------------------------------------------------

DEEP = b'{"a":' * 100_000
BAD = {
    "empty": b"",
    "random": bytes(range(256)),
    "not utf-8": '{"resourceType":"Bundle","id":"é"}'.encode("latin-1"),
    "utf-16": '{"resourceType":"Bundle"}'.encode("utf-16"),
    "byte order mark": b"\xef\xbb\xbf{}",
    "nan": b'{"resourceType":"Bundle","total":NaN}',
    "infinite": b'{"resourceType":"Bundle","total":1e999}',
    "twice": b'{"resourceType":"Patient","resourceType":"Bundle"}',
    "deep": DEEP,
    "deep and closed": b"[" * 5_000 + b"]" * 5_000,
    "a little too deep": b'{"resourceType":"Bundle","x":' + b"[" * 65 + b"]" * 65 + b"}",
    "many digits": b'{"resourceType":"Bundle","total":' + b"9" * 10_000 + b"}",
    "no object": b"[1]",
    "another resource": b'{"resourceType":"Patient"}',
    "no list": b'{"resourceType":"Bundle","type":"collection","entry":{"a":1}}',
    "null inside": b'{"resourceType":"Bundle","type":"collection","entry":[null]}',
    "no type": b'{"resourceType":"Bundle","type":"collection","entry":[{"resource":{}}]}',
    "odd type": b'{"resourceType":"Bundle","type":"collection",'
    b'"entry":[{"fullUrl":"urn:x","resource":{"resourceType":"../etc"}}]}',
    "surrogate": b'{"resourceType":"Bundle","type":"\\ud800"}',
    "empty bundle": b'{"resourceType":"Bundle","type":"collection"}',
}


@pytest.mark.parametrize("what", BAD)
def test_a_bad_file_is_one_sentence_and_code_3(tmp_path: Path, what: str) -> None:
    file = tmp_path / "file"
    file.write_bytes(BAD[what])
    done = run("import", file, "--case", tmp_path / "new")
    assert done.exit_code == 3, (done.output, done.exception)
    assert done.stderr.startswith("fillwarm: ")
    assert done.stderr.count("\n") == 1
    assert len(done.stderr) < 600
    assert not (tmp_path / "new").exists()
    assert run("check-record", file).exit_code in ({0} if what == "empty bundle" else {3})


def test_a_huge_file_is_not_read_to_its_end(tmp_path: Path) -> None:
    file = tmp_path / "huge"
    with file.open("wb") as out:
        out.truncate(LARGEST_BYTES * 1000)  # of holes, so it takes no room
    done = run("import", file)
    assert done.exit_code == 3
    assert "larger than" in done.stderr


def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert run("import", tmp_path / "pipe").exit_code == 3


@given(st.recursive(st.none() | st.text(max_size=3), st.lists, max_leaves=30))
def test_depth_is_counted_as_levels(value: Any) -> None:
    def depth(one: Any) -> Any:
        return 1 + max(map(depth, one), default=0) if isinstance(one, list) else 0

    assert not deeper_than(depth(value), value)
    assert depth(value) == 0 or deeper_than(depth(value) - 1, value)
    assert depth(value) > DEEPEST or parse_json(json.dumps(value).encode(), NAME) == value


def test_a_changed_journal_inside_is_code_5(tmp_path: Path) -> None:
    found = json.loads(small()[0])
    binary = found["entry"][-1]["resource"]
    journal = small()[1]
    changed = journal.replace(b"22.5", b"22.6")
    assert changed != journal
    binary["data"] = base64.b64encode(changed).decode()
    file = tmp_path / "b.json"
    file.write_text(json.dumps(found))
    assert run("import", file, "--case", tmp_path / "new").exit_code == 5
    shorter = small()[1][
        : small()[1].rstrip().rfind(b"\n") + 1
    ]  # a valid journal, less one line
    binary["data"] = base64.b64encode(shorter).decode()
    file.write_text(json.dumps(found))
    done = run("import", file, "--case", tmp_path / "new")
    assert (done.exit_code, "another journal" in done.stderr) == (5, True)


def test_a_changed_value_outside_the_journal_is_told(tmp_path: Path) -> None:
    found = json.loads(small()[0])
    value = next(
        one["resource"] for one in found["entry"] if "valueQuantity" in one["resource"]
    )
    value["valueQuantity"]["value"] = 99.5
    file = tmp_path / "b.json"
    file.write_text(json.dumps(found))
    case, remarks = read_case_file(file)
    assert case.journal == small()[1]
    assert len(remarks) == 1
    assert remarks[0].startswith("1 parts")


JUNK = [
    None,
    True,
    -1,
    999999.0,
    1e300,
    "",
    "x",
    [],
    {},
    [None],
    {"reference": "urn:uuid:x"},
    "\0",
    "==",
]


@st.composite
def mutations(draw: Any, original: Any) -> Any:
    """The JSON value that ``original`` gives, with one to three places changed."""
    found = original()
    for _ in range(draw(st.integers(1, 3))):
        here = found
        way: list[Any] = []
        while isinstance(here, dict | list) and here and (not way or draw(st.integers(0, 5))):
            keys = sorted(here) if isinstance(here, dict) else range(len(here))
            way.append((here, draw(st.sampled_from(list(keys)))))
            here = here[way[-1][1]]
        where, key = way[-1]
        match draw(st.sampled_from(["junk", "delete", "wrap", "rename"])):
            case "junk":
                where[key] = deepcopy(draw(st.sampled_from(JUNK)))
            case "delete":
                del where[key]
            case "wrap":
                where[key] = [where[key]]
            case "rename" if isinstance(where, dict):
                name = draw(st.sampled_from(["x", "id", "resourceType", "_id"]))
                where[name] = where.pop(key)
            case _:
                where[key] = [deepcopy(draw(st.sampled_from(JUNK)))]
        if not found:
            break
    return found


def begun() -> Any:
    """The bundle of a case just begun, as read."""
    return json.loads(small()[0])


def attempt(function: Any, *given: object) -> Any:
    """What it gives, and None; or None, and the error with one sentence for the user."""
    try:
        return function(*given), None
    except UserError as bad:
        sentence = bad
    assert str(sentence)
    assert "\n" not in str(sentence)
    return None, sentence


def spoilt(raw: bytes) -> Any:
    """Bytes cut, doubled or changed."""
    place = st.integers(0, len(raw) - 1)
    return st.one_of(
        st.tuples(place, place).map(lambda ends: raw[: min(ends)] + raw[max(ends) :]),
        st.tuples(place, st.binary(max_size=3)).map(
            lambda one: raw[: one[0]] + one[1] + raw[one[0] + 1 :]
        ),
        place.map(lambda end: raw[:end]),
    )


@settings(max_examples=120, deadline=None)
@given(data=st.data())
def test_a_mutated_bundle_gives_its_own_journal_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: Any
) -> None:
    raw, journal = small()
    file = tmp_path_factory.getbasetemp() / "mutated.json"
    if data.draw(st.integers(0, 2)):
        file.write_text(json.dumps(data.draw(mutations(begun))))
    else:
        file.write_bytes(data.draw(spoilt(raw)))
    taken, refused = attempt(read_case_file, file)
    assert refused or taken.case.journal == journal
    assert refused is None or refused.exit_code in {3, 5}
    attempt(check.check, file.read_bytes(), file)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_forged_journal_makes_a_valid_bundle_or_one_sentence(data: Any) -> None:
    """Events changed and chained anew: the hashes fit, what they say may not."""
    events = data.draw(mutations(lambda: lines(barely_started())))
    raw = chained(one if isinstance(one, dict) else {"kind": one} for one in events)
    case, refused = attempt(from_journal, raw, NAME)
    if refused:
        assert refused.exit_code == 5
        return
    found = json.loads(bundle_text(case))
    assert check.bundle_findings(found) == []


def test_what_replays_but_cannot_be_computed_with_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No range is applied to what is replayed; a function may still refuse a value."""

    def refuses(*_: Any) -> Any:
        raise ValueError("the depth is -5.5 mm")

    monkeypatch.setattr("assistant.exchange.fhir.computed", refuses)
    with pytest.raises(RecordDamaged, match=r"-5\.5 mm"):
        bundle_text(whole(barely_started()))


@pytest.mark.parametrize(
    "change",
    [
        {"replaces": 2},  # itself: a search for the first would never end
        {"seq": 7},
        {"value": 1e9},
        {"step": "no such step"},
    ],
)
def test_entries_that_decide_cannot_have_made_are_refused(change: Any) -> None:
    events = lines(barely_started())
    made = [event for event in events if event["kind"] == "entry_made"]
    made[1]["entry"] |= change
    with pytest.raises(RecordDamaged):
        from_journal(chained(events), NAME)

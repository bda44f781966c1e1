"""What somebody meets who does not know the program yet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from saved_case import saved
from typical_case import Driver, barely_started, two_canals

from assistant.commandline.demo import NEXT
from assistant.commandline.main import COMMANDS, main
from assistant.report.statement import STATEMENT


def fillwarm(*words: object, typed: str = "") -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], input=typed)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with two cases; the program is started elsewhere."""
    cases = tmp_path / "store"
    monkeypatch.setenv("FILLWARM_CASES", str(cases))
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    saved(two_canals(), cases / "premolar")
    saved(barely_started(), cases / "begun")
    return cases


def test_an_unknown_command_is_told_what_was_meant() -> None:
    wrong = fillwarm("revew", "case")
    assert wrong.exit_code == 2
    assert "There is no command revew; did you mean review?" in wrong.stderr
    assert "fillwarm --help lists them" in fillwarm("quux").stderr


def test_a_folder_of_cases_is_no_case(store: Path) -> None:
    for command in ("note", "verify", "review"):
        wrong = fillwarm(command, store)
        assert wrong.exit_code == 3
        assert f"{store} is a folder of cases, not a case" in wrong.stderr
        assert str(store / "begun") in wrong.stderr


def test_a_name_nearly_right_is_told(store: Path) -> None:
    for command in (("note", "premolr"), ("name", "show", "premolr")):
        wrong = fillwarm(*command)
        assert wrong.exit_code == 3
        assert "There is no case premolr; did you mean premolar?" in wrong.stderr


def test_a_case_begun_by_a_plain_name_is_found_by_every_command(store: Path) -> None:
    told = fillwarm("run", "--typed", "--silent", "--case", "0001", typed="tooth 11\n")
    assert told.exit_code == 0, told.output
    assert (store / "0001" / "journal.jsonl").exists()
    assert not list(Path.cwd().iterdir())
    assert "0001" in fillwarm("cases").stdout
    assert "3 cases" in fillwarm("review", "--all").stdout
    assert fillwarm("verify", "0001").exit_code == 0
    again = fillwarm("run", "--typed", "--silent", "--case", "0001", typed="single\n")
    assert "2 entries" in fillwarm("verify", "0001").stdout, again.output


def test_a_case_outside_the_store_is_told_to_be_outside(store: Path) -> None:
    told = fillwarm("run", "--typed", "--silent", "--case", "cases/1", typed="tooth 11\n")
    assert (Path.cwd() / "cases" / "1" / "journal.jsonl").exists()
    assert f"is not in the folder of cases, {store}" in told.stdout
    assert "is not in" not in fillwarm("run", "--typed", "--case", "cases/1", typed="").stdout


@pytest.mark.parametrize(
    "refused",
    [
        "run --listen shouting",
        "run --protocol none --typed",
        "demo --voice none:none",
        "practice 7",
    ],
)
def test_the_notice_precedes_even_a_refusal(
    refused: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    told = fillwarm(*refused.split())
    assert told.exit_code not in {0, 1}
    assert told.output.startswith(STATEMENT)


def test_help_is_help(store: Path) -> None:
    for command in COMMANDS:
        told = fillwarm(command, "--help")
        assert told.exit_code == 0
        assert told.stdout.startswith("Usage:"), command


def test_what_comes_after_the_demonstration_names_commands_that_there_are() -> None:
    words = [
        line.split("fillwarm ")[1].split()[0] for line in NEXT.splitlines() if "fillw" in line
    ]
    assert {"review", "practice", "room-check", "run"} <= set(words) <= set(COMMANDS)


def test_no_library_speaks_to_the_user(store: Path, tmp_path: Path) -> None:
    saved(Driver("\u6b6f\u79d1\u533b").set_up(11, "single"), store / "other")
    drawn = fillwarm("review", "other", "--json", "--out", tmp_path / "other.pdf")
    assert drawn.exit_code == 0
    assert drawn.stderr == f"Written: {tmp_path / 'other.pdf'}\n"
    json.loads(drawn.stdout)

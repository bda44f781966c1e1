"""What other programs read: JSON of the short commands, exit codes, shell completion."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click
import pytest
from click.shell_completion import BashComplete, FishComplete, ZshComplete
from click.testing import CliRunner, Result
from review.test_review import store
from typical_case import barely_started, two_canals

from assistant import errors
from assistant.case.casefile import JOURNAL, read_case
from assistant.commandline import cases as case_names
from assistant.commandline import room
from assistant.commandline.main import COMMANDS, main
from assistant.files.shipped import protocol_path
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record


def fillwarm(*args: object, **env: str) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], env=env)


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("cases")
    store(two_canals(), root / "premolar")
    store(barely_started(), root / "a-begun")
    (root / "notes").mkdir()
    return root


# -- note, check-protocol, devices ---------------------------------------------


def test_the_note_is_printed_and_nothing_written(cases: Path) -> None:
    case = cases / "premolar"
    before = sorted(path.name for path in case.iterdir())
    shown = fillwarm("note", case, "--print")
    assert (shown.exit_code, shown.stdout) == (0, as_text(note(*read_case(case))))
    record = fillwarm("note", case, "--print", "--json")
    assert json.loads(record.stdout) == json.loads(json.dumps(as_record(*read_case(case))))
    assert sorted(path.name for path in case.iterdir()) == before


def test_note_as_json_names_files_that_are_there(cases: Path, tmp_path: Path) -> None:
    store(two_canals(), tmp_path / "case")
    done = fillwarm("note", tmp_path / "case", "--json")
    written = json.loads(done.stdout)
    assert set(written) >= {"journal", "note", "pdf", "record", "schema"}
    assert all(Path(path).stat().st_size > 0 for path in written.values())


def test_verify_takes_a_name(cases: Path) -> None:
    done = fillwarm("verify", "premolar", "--json", FILLWARM_CASES=str(cases))
    assert json.loads(done.stdout)["case"] == "case-7"


def test_a_protocol_as_json(tmp_path: Path) -> None:
    done = fillwarm("check-protocol", protocol_path("warm-vertical"), "--json")
    found = json.loads(done.stdout)
    protocol = two_canals().state.protocol
    assert (found["id"], found["rules"]) == (protocol.id, len(protocol.rules))
    assert found["steps"] == len(list(protocol.steps()))
    (tmp_path / "bad.yaml").write_text("id: x\n", encoding="utf-8")
    bad = fillwarm("check-protocol", tmp_path / "bad.yaml", "--json")
    assert (bad.exit_code, bad.stdout) == (3, "")


class Sound:
    """Stands in for sounddevice: the devices it is given, the first the usual microphone
    (if it is one), and no usual loudspeaker."""

    PortAudioError = RuntimeError

    def __init__(self, *devices: dict[str, object]) -> None:
        self._devices = devices

    def query_devices(self, kind: str | None = None) -> object:
        if kind is None:
            return self._devices
        if kind == "output":
            raise self.PortAudioError("no such device")
        return self._devices[0] | {"index": 0}


def device(name: str, inputs: int, outputs: int) -> dict[str, object]:
    return {
        "name": name,
        "max_input_channels": inputs,
        "max_output_channels": outputs,
        "default_samplerate": 44100.0,
    }


def test_devices_as_json(monkeypatch: pytest.MonkeyPatch) -> None:
    sound = Sound(device("boom", 1, 0), device("earpiece", 0, 2))
    monkeypatch.setattr(room, "load_sounddevice", lambda: sound)
    boom, earpiece = json.loads(fillwarm("devices", "--json").stdout)
    assert (boom["name"], boom["inputs"], boom["usual_microphone"]) == ("boom", 1, True)
    assert (earpiece["usual_microphone"], earpiece["usual_speaker"]) == (False, False)
    monkeypatch.setattr(room, "load_sounddevice", Sound)
    assert fillwarm("devices", "--json").exit_code == 4


# -- exit codes ------------------------------------------------------------------


def test_exit_codes_are_those_of_the_errors() -> None:
    listed = {
        one["code"]: one["meaning"]
        for one in json.loads(fillwarm("exit-codes", "--json").stdout)
    }
    table = {int(code) for code in re.findall(r"^(\d+)  ", errors.__doc__ or "", re.MULTILINE)}
    assert set(listed) == table
    assert listed[errors.RecordDamaged.exit_code] in (errors.RecordDamaged.__doc__ or "")
    text = fillwarm("exit-codes").stdout.splitlines()
    assert [int(line.split()[0]) for line in text] == sorted(listed)


# -- completion --------------------------------------------------------------------


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_for_a_shell_and_nothing_else(shell: str) -> None:
    done = fillwarm("completion", shell)
    kind = {"bash": BashComplete, "zsh": ZshComplete, "fish": FishComplete}[shell]
    assert (
        done.stdout.strip() == kind(main, {}, "fillwarm", "_FILLWARM_COMPLETE").source().strip()
    )
    assert fillwarm("completion", SHELL=f"/usr/bin/{shell}").stdout == done.stdout


def test_an_unknown_shell_is_wrong_use() -> None:
    assert fillwarm("completion", SHELL="/bin/other").exit_code == 2


def completed(*words: str) -> list[tuple[str, str]]:
    *given, last = words
    found = BashComplete(main, {}, "fillwarm", "_FILLWARM_COMPLETE")
    return [(one.type, one.value) for one in found.get_completions(list(given), last)]


def test_commands_are_completed_without_loading_them(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> click.Command:
        raise AssertionError("a command was loaded")

    monkeypatch.setattr(type(main), "get_command", refuse)
    assert ("plain", "verify") in completed("ver")
    assert {value for _, value in completed("")} == set(COMMANDS)
    assert ("plain", "--version") in completed("--v")


@pytest.mark.parametrize("command", ["review", "note", "verify"])
def test_cases_are_completed(
    cases: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(cases))
    assert completed(command, "") == [("dir", ""), ("plain", "a-begun"), ("plain", "premolar")]
    assert completed(command, "pre") == [("dir", "pre"), ("plain", "premolar")]
    monkeypatch.setenv("FILLWARM_CASES", str(cases / "none"))
    assert completed(command, "pre") == [("dir", "pre")]


def test_a_case_by_folder_or_by_name(
    cases: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert case_names._JOURNAL == JOURNAL
    monkeypatch.setenv("FILLWARM_CASES", str(cases))
    monkeypatch.chdir(tmp_path)
    assert case_names.case_folder("premolar") == cases / "premolar"
    for other in ("unknown", "notes", "./premolar", "../premolar", "a/premolar", "/premolar"):
        assert case_names.case_folder(other) == Path(other)
    store(two_canals(), tmp_path / "premolar")  # what is here comes first
    assert case_names.case_folder("premolar") == Path("premolar")

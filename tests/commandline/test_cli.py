"""The command line as its users meet it: whole cases by keyboard, and every bad input.

A user's mistake must end in one sentence and its exit code, never a traceback,
and nothing that was accepted may be lost.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PROGRAM = (sys.executable, "-m", "assistant")

POST_CASE = """\
tooth 11
single
yes
none
22
no reading
taper .06
cone size 40
22
yes
accepted
plugger 18
correction 17
carrier 17
dry
22
22
confirm
confirm
yes
seated
sear 11
heat on
stop
carrier 17
plugger 17
press
stop
keep it
post level 17
done
accepted
sign the note
confirm
"""


def fillwarm(*args: object, text: str = "", **kwargs: Any) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "FILLWARM_VOSK_MODEL": ""}
    return subprocess.run(
        [*PROGRAM, *map(str, args)],
        input=text,
        capture_output=True,
        text=True,
        timeout=60,
        env=env,
        check=False,
        **kwargs,
    )


def assert_clear(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    assert done.returncode == code, done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout
    for word in words:
        assert word in done.stderr + done.stdout


def type_case(folder: Path, text: str = POST_CASE) -> subprocess.CompletedProcess[str]:
    return fillwarm(
        "run", "--typed", "--protocol", "to-post-level", "--case", folder, text=text
    )


def test_a_whole_case_by_keyboard(tmp_path: Path) -> None:
    done = type_case(tmp_path / "case")
    assert_clear(done, 0, "Depth check: limit 17, heard 18.", "not a cleared", "Written:")
    record = json.loads((tmp_path / "case" / "record.json").read_text(encoding="utf-8"))
    assert "Depth check: limit 17, heard 18." in json.dumps(record)
    for name in ("journal.jsonl", "note.txt", "note.pdf", "record.schema.json"):
        assert str(tmp_path / "case" / name) in done.stdout
        assert (tmp_path / "case" / name).stat().st_size > 0


def test_an_unfinished_case_says_how_to_go_on_and_does(tmp_path: Path) -> None:
    lines = POST_CASE.splitlines(keepends=True)
    first = type_case(tmp_path / "case", "".join(lines[:9]))
    assert_clear(first, 0, "Not signed yet", f"fillwarm run --case {tmp_path / 'case'}")
    second = fillwarm("run", "--typed", "--case", tmp_path / "case", text="".join(lines[9:]))
    assert_clear(second, 0, "Case reopened.", "Note signed.")
    assert_clear(fillwarm("verify", tmp_path / "case"), 0, "whole")


def test_sigkill_loses_no_accepted_value(tmp_path: Path) -> None:
    case = tmp_path / "case"
    with subprocess.Popen(
        [*PROGRAM, "run", "--typed", "--protocol", "to-post-level", "--case", str(case)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write("tooth 11\nsingle\nyes\nnone\nworking length 22.5\n")
        process.stdin.flush()
        for line in process.stdout:
            if "Length 22.5" in line:  # the program has said that it holds the value
                break
        process.send_signal(signal.SIGKILL)
    again = fillwarm("run", "--typed", "--case", case, text="where are we\nread back\n")
    assert_clear(again, 0, "Case reopened.", "Length 22.5", "Apex locator reading")


def test_second_process_on_the_same_case(tmp_path: Path) -> None:
    case = tmp_path / "case"
    with subprocess.Popen(
        [*PROGRAM, "run", "--typed", "--case", str(case)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        for _ in range(200):
            if (case / "journal.jsonl").exists():
                break
            time.sleep(0.05)
        assert_clear(fillwarm("run", "--typed", "--case", case), 7, "is open in process")
        process.stdin.close()
        process.wait(timeout=30)
    assert_clear(fillwarm("verify", case), 0, "whole")


def test_a_journal_that_was_edited(tmp_path: Path) -> None:
    type_case(tmp_path / "case")
    journal = tmp_path / "case" / "journal.jsonl"
    journal.write_text(
        journal.read_text(encoding="utf-8").replace('"value":18.0', '"value":16.0'),
        encoding="utf-8",
    )
    for command in ("verify", "note"):
        assert_clear(fillwarm(command, tmp_path / "case"), 5, "journal.jsonl", "line")
    assert_clear(fillwarm("run", "--typed", "--case", tmp_path / "case"), 5, "journal.jsonl")


def test_a_torn_last_line_is_put_aside_and_reported(tmp_path: Path) -> None:
    lines = POST_CASE.splitlines(keepends=True)
    type_case(tmp_path / "case", "".join(lines[:5]))
    with (tmp_path / "case" / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"seq": 99, "at"')
    assert_clear(fillwarm("verify", tmp_path / "case"), 0, "whole", "16 bytes of an entry")
    again = fillwarm("run", "--typed", "--case", tmp_path / "case", text="where are we\n")
    assert_clear(again, 0, "journal.jsonl.torn-1")
    torn = tmp_path / "case" / "journal.jsonl.torn-1"
    assert torn.read_bytes() == b'{"seq": 99, "at"'


@pytest.mark.parametrize("command", [["verify"], ["note"]])
def test_no_such_case(tmp_path: Path, command: list[str]) -> None:
    assert_clear(fillwarm(*command, tmp_path / "nothing"), 3, "nothing")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, ("does not exist",)),
        (b"id: [unclosed", ("line", "not YAML")),
        (b"id: x\nlimits: 3\n", ("line 2", "limits")),
        (b"\xff\xfe\x00", ("not UTF-8",)),
        (b"", ("line",)),
    ],
)
def test_an_unreadable_protocol(
    tmp_path: Path, content: bytes | None, words: tuple[str, ...]
) -> None:
    protocol = tmp_path / "mine.yaml"
    if content is not None:
        protocol.write_bytes(content)
    run = fillwarm("run", "--typed", "--protocol", protocol, "--case", tmp_path / "case")
    assert_clear(run, 3, "mine.yaml", *words)
    assert_clear(fillwarm("check-protocol", protocol), 3, "mine.yaml")
    assert not (tmp_path / "case" / "journal.jsonl").exists()


def test_an_unknown_protocol_names_ours() -> None:
    done = fillwarm("run", "--typed", "--protocol", "lateral")
    assert_clear(done, 3, "warm-vertical", "to-post-level")


def test_vosk_without_a_model(tmp_path: Path) -> None:
    case = tmp_path / "case"
    run = fillwarm("run", "--listener", "vosk", "--wav", _tone(tmp_path), "--case", case)
    assert_clear(run, 4, "model", "FILLWARM_VOSK_MODEL")
    run = fillwarm("run", "--listener", "vosk", "--model", tmp_path, "--case", case)
    assert_clear(run, 4, "not a vosk model")
    assert not case.exists()


def test_no_microphone_goes_on_by_keyboard(tmp_path: Path) -> None:
    if _has_microphone():
        pytest.skip("this machine has a microphone")
    done = fillwarm("run", "--silent", "--case", tmp_path / "case", text="tooth 24\n")
    assert_clear(done, 0, "typed lines", "Tooth 24, upper left first premolar")


def test_devices_without_any() -> None:
    if _has_microphone():
        pytest.skip("this machine has a microphone")
    assert_clear(fillwarm("devices"), 4, "--typed")


def _tone(folder: Path, rate: int = 16_000, seconds: float = 0.5) -> Path:
    path = folder / f"tone-{rate}.wav"
    t = np.arange(round(rate * seconds)) / rate
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes((3000 * np.sin(2 * np.pi * 440 * t)).astype(np.int16).tobytes())
    return path


@pytest.mark.parametrize("what", ["missing", "empty", "corrupt", "text", "slow", "folder"])
def test_a_recording_that_cannot_be_used(tmp_path: Path, what: str) -> None:
    path = tmp_path / "said.wav"
    if what == "empty":
        path.write_bytes(b"")
    elif what == "corrupt":
        path.write_bytes(_tone(tmp_path).read_bytes()[:30] + b"\0" * 100)
    elif what == "text":
        path.write_text("this is no sound", encoding="utf-8")
    elif what == "slow":
        path = _tone(tmp_path, rate=4000)
    elif what == "folder":
        path.mkdir()
    run = fillwarm("run", "--wav", path, "--case", tmp_path / "case")
    code = 2 if what == "folder" else 3  # click itself refuses a folder
    assert_clear(run, code, path.name)
    assert not (tmp_path / "case").exists()


def test_a_recording_at_another_rate_is_heard(tmp_path: Path) -> None:
    from assistant.sitting.dictation import dictate
    from assistant.sound.sources import read_wav, write_wav

    said = dictate("tooth two four", "flite:slt")
    silence = np.zeros(16_000, np.int16)
    write_wav(tmp_path / "16k.wav", np.concatenate([silence, said, silence]))
    samples = read_wav(tmp_path / "16k.wav")
    from scipy.signal import resample_poly

    fast = resample_poly(samples.astype(float), 441, 160).astype(np.int16)
    with wave.open(str(tmp_path / "44k.wav"), "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(44_100)
        out.writeframes(np.repeat(fast, 2).tobytes())
    run = fillwarm("run", "--wav", tmp_path / "44k.wav", "--case", tmp_path / "case")
    assert_clear(run, 0, "tooth two four", "24, upper left first premolar")


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """A limit on the size of files stands in for the full disk: the write fails part-way."""
    case = tmp_path / "case"
    text = "tooth 11\nsingle\n" + "where are we\n" * 400 + "yes\nnone\n22.5\n"

    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))

    full = fillwarm(
        *("run", "--typed", "--silent", "--protocol", "to-post-level", "--case", case),
        text=text,
        preexec_fn=small_files,
    )
    assert "Traceback" not in full.stderr
    assert "Not stored" in full.stdout
    again = fillwarm("run", "--typed", "--case", case, text="yes\nnone\n22.5\n")
    assert_clear(again, 0, "Case reopened.", "Length 22.5")
    assert_clear(fillwarm("verify", case), 0, "whole")


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    blocker = tmp_path / "file"
    blocker.write_text("", encoding="utf-8")
    run = fillwarm("run", "--typed", "--case", blocker / "case")
    assert_clear(run, 6, "cannot be made")


def test_help_and_schema_and_wrong_use() -> None:
    assert_clear(fillwarm("--help"), 0, "demo", "run", "verify")
    schema = fillwarm("schema")
    assert json.loads(schema.stdout)["$schema"].startswith("https://json-schema.org/")
    assert_clear(fillwarm("run", "--listener", "other"), 2)


def _has_microphone() -> bool:
    try:
        import sounddevice

        return any(d["max_input_channels"] > 0 for d in sounddevice.query_devices())
    except OSError:
        return False


def test_an_unknown_listening_mode_is_wrong_use(tmp_path: Path) -> None:
    case = tmp_path / "case"
    run = fillwarm("run", "--typed", "--listen", "shouting", "--case", case)
    assert run.returncode == 2
    assert "attention" in run.stderr and not case.exists()
    # A tap without a microphone is nothing at all.
    run = fillwarm("run", "--typed", "--listen", "pedal", "--case", case, text="\n\ntooth 11\n")
    assert run.returncode == 0, run.stderr
    assert "Tooth 11" in run.stdout

"""The second recogniser: its text made plain, and real human speech."""

from __future__ import annotations

from pathlib import Path

import pytest

from assistant.errors import EquipmentError
from assistant.speech.transcriber import (
    WhisperTranscriber,
    installed_model,
    model_folder,
    once,
    plain,
)

pytestmark = pytest.mark.sound


@pytest.mark.parametrize(
    ("written", "text"),
    [
        (" Plugger 16.5 mm.", "plugger 16.5 mm"),
        ("Twenty-one and a half...", "twenty one and a half"),
        ("4%", "4 percent"),
        (".06", "06"),  # a lone point in front of a figure is lost: the grammar has "oh six"
        ("It's dry!", "it's dry"),
        ("", ""),
    ],
)
def test_plain(written: str, text: str) -> None:
    assert plain(written) == text


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("no. no. no. no", "no"),
        ("correction seventeen. correction seventeen. corr", "correction seventeen"),
        ("correction seventeen. correction seventeen. correction", "correction seventeen"),
        ("plugger 16.5 plugger 16.5 plugger 16.5 plug", "plugger 16.5"),
        ("plugger 16.5 plugger 16.5 plugger 16.5", "plugger 16.5"),
        ("two two", "two two"),  # tooth 22
        ("two two two two", "two"),  # cannot be told from a repetition; then it is asked
        ("stop", "stop"),
        ("twenty one point two", "twenty one point two"),
    ],
)
def test_once(written: str, text: str) -> None:
    assert once(written) == text


def test_a_folder_that_is_no_model_is_said(tmp_path: Path) -> None:
    with pytest.raises(EquipmentError, match=r"model\.bin"):
        model_folder(tmp_path)


def test_the_folder_may_come_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("model.bin", "config.json", "tokenizer.json"):
        (tmp_path / name).write_text("{}")
    monkeypatch.setenv("FILLWARM_SECOND_MODEL", str(tmp_path))
    assert model_folder(None) == tmp_path
    with pytest.raises(EquipmentError, match="cannot be read"):
        WhisperTranscriber(tmp_path, "")


def test_human_speech_is_written_down() -> None:
    """Debian's pocketsphinx-testdata: a person says "go forward ten meters"."""
    from speech.test_listeners import human

    folder = installed_model()
    if folder is None:
        pytest.skip("no model of the second recogniser is installed")
    second = WhisperTranscriber(folder, "Go back two feet.")
    written = second.transcribe(human("goforward.raw"))
    assert written.text in {f"go forward {ten} meters" for ten in ("ten", "10")}
    right, *wrong = written.scores(
        ["go forward ten meters", "go forward nine meters", "go forward ten", "stop"]
    )
    assert right > max(wrong)
    assert second.transcribe(human("goforward.raw")[:0]).text == ""

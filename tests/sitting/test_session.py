"""The loop around the core, with pretended devices: what fails, and what still works."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from from_sound import START, sit

from assistant.case.casefile import CaseFile, read_case
from assistant.clock import SampleClock
from assistant.errors import DeviceLost, EquipmentError
from assistant.files.atomic import OS_FILES
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.prompt.mouth import Mouth
from assistant.protocol.model import Protocol
from assistant.protocol.roles import Role
from assistant.screen.terminal import TerminalScreen
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sitting.rehearsal import Line
from assistant.sitting.session import Session
from assistant.sound.player import SilentPlayer, TimelinePlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.words.sayings import load_wording

pytestmark = pytest.mark.sound


class FullDisk:
    """A file layer that can be told to refuse, as a full disk does."""

    def __init__(self) -> None:
        self.full = False

    def write(self, fd: int, data: bytes) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return OS_FILES.write(fd, data)

    def fsync(self, fd: int) -> None:
        OS_FILES.fsync(fd)

    def truncate(self, fd: int, length: int) -> None:
        OS_FILES.truncate(fd, length)


class NoVoice:
    """A speech engine that is not there."""

    def render(self, text: str) -> Samples:
        raise EquipmentError("The speech engine is missing; install espeak-ng.")


class Source:
    """Frames as given, then the device is gone."""

    name = "pretended microphone"

    def __init__(self, samples: Samples, clock: SampleClock) -> None:
        self._samples = samples
        self._clock = clock

    def frames(self) -> Iterator[Samples]:
        whole = len(self._samples) // FRAME_SAMPLES * FRAME_SAMPLES
        yield from self._samples[:whole].reshape(-1, FRAME_SAMPLES)
        raise DeviceLost("The microphone is gone; plug it in again.")

    def close(self) -> None:
        pass


class Sitting:
    """A session on a virtual clock whose screen is kept as lines."""

    def __init__(self, folder: Path, *, ears: bool = False, voice: object = None) -> None:
        self.lines: list[str] = []
        self.clock = SampleClock(START)
        self.disk = FullDisk()
        words = assembly.language()
        case = CaseFile.create(
            folder,
            load_yaml(protocol_path("to-post-level"), Protocol),
            self.clock.now(),
            case_code="T-1",
            operator="Operator A",
            files=self.disk,
        )
        seconds = self.clock.seconds
        player = TimelinePlayer(seconds) if voice else SilentPlayer()
        self.session = Session(
            case,
            self.clock,
            mouth=Mouth(voice or NoVoice(), player, seconds),  # type: ignore[arg-type]
            screen=TerminalScreen(self.lines.append, seconds),
            language=words,
            wording=load_wording(words.folder),
            hearing=assembly.hearing("own", None, words) if ears else None,
            read_back_on_screen=not player.audible,
        )

    def shown(self, text: str) -> bool:
        return any(text in line for line in self.lines)


def test_a_microphone_lost_in_the_middle_leaves_the_keyboard(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case", ears=True)
    said = dictate("tooth one one", "flite:slt")
    silence = np.zeros(RATE_HZ, np.int16)
    source = Source(np.concatenate([silence, said, silence]), sitting.clock)
    sitting.session.typed.put(None)  # the end of the typed lines, read after the loss
    waiting = sitting.session.typed
    waiting.get()
    original = sitting.session._type

    def typed_after_the_loss() -> None:
        waiting.put("single\n")
        waiting.put(None)
        original()

    sitting.session._type = typed_after_the_loss  # type: ignore[method-assign]
    sitting.session.run(source)
    assert sitting.shown("The microphone is gone")
    assert sitting.shown("Typed lines still work")
    state = sitting.session.case.state
    assert state.tooth == 11  # heard before
    assert [track.name for track in state.canals] == ["single"]  # typed after
    assert any("microphone" in text for _, text in state.interruptions)


def test_a_full_disk_is_said_and_nothing_counts_until_it_is_stored(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case")
    sitting.session.read("tooth 11")
    sitting.disk.full = True
    before = sitting.session.case.state
    sitting.session.read("single")
    assert sitting.session.case.state == before
    assert sitting.shown("Not stored")
    sitting.disk.full = False
    sitting.session.read("single")
    assert sitting.session.case.state.canals
    sitting.session.case.close()
    state, _ = read_case(tmp_path / "case")
    assert state == sitting.session.case.state


TO_HEAT = (
    "22", "no reading", "taper .06", "cone size 40", "22", "yes", "accepted", "plugger 17",
    "carrier 17", "dry", "22", "22", "confirm", "confirm", "yes", "seated", "sear 11",
)  # fmt: skip


def test_a_press_that_ends_on_a_full_disk_is_told_once_and_stored_later(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case")
    session = sitting.session
    for line in ("tooth 11", "single", "yes", "none", *TO_HEAT, "heat on", "heat off"):
        session.read(line)
    session.read("carrier 17")
    session.read("plugger 17")
    session.read("press")
    timer = session.case.state.timer
    assert timer is not None
    sitting.disk.full = True
    while session.clock.now().mono_s < timer.started.mono_s + timer.target_s + 4:
        session.clock.advance(0.03)
        session.pass_time()
    assert session.case.state.timer is not None
    told = [line for line in sitting.lines if "Not stored yet" in line]
    assert 1 <= len(told) <= 2  # the trouble and the sentence, once
    sitting.disk.full = False
    for _ in range(40):
        session.clock.advance(0.03)
        session.pass_time()
    assert session.case.state.timer is None


def test_without_a_speech_engine_the_screen_goes_on(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case", voice=NoVoice())
    sitting.session.read("tooth 11")
    sitting.session.pass_time()
    assert sitting.shown("install espeak-ng")
    assert sitting.shown("Tooth 11, upper right central incisor.")


def test_in_silent_mode_the_screen_is_the_read_back(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case")
    sitting.session.read("tooth 11")
    sitting.session.pass_time()
    assert all(entry.read_back for entry in sitting.session.case.state.entries)


@pytest.mark.parametrize("line", ["flurble", "twenty one point", "plugger", "  ?!  "])
def test_what_is_not_understood_is_answered(tmp_path: Path, line: str) -> None:
    sitting = Sitting(tmp_path / "case")
    before = len(sitting.lines)
    sitting.session.read(line)
    assert any(" ? " in shown for shown in sitting.lines[before:])


def test_the_voice_commands_for_verbosity_take_effect(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path / "case")
    sitting.session.read("be brief")
    assert sitting.session.mouth.verbosity == "brief"
    sitting.session.read("warnings only")
    assert sitting.session.mouth.verbosity == "warnings_only"
    sitting.session.read("say everything")
    assert sitting.session.mouth.verbosity == "full"


def test_a_spoken_stop_cuts_the_assistant_short(tmp_path: Path) -> None:
    """The word is laid over a prompt; the prompt must end early, the case stay as it is."""
    session, _ = sit(tmp_path / "case", "flite:rms", lines=_first_line())
    from assistant.progress import intents as it

    session.take(it.Command(verb="what_can_i_say", heard=it.Heard(channel="key")))
    session.mouth.pump()
    assert session.mouth.speaking
    before = session.case.state
    stop = dictate("stop", "flite:rms")
    room = np.random.default_rng(5).normal(0, 25, RATE_HZ).astype(np.int16)
    sound = np.concatenate([room, stop, room])
    whole = len(sound) // FRAME_SAMPLES * FRAME_SAMPLES
    for frame in sound[:whole].reshape(-1, FRAME_SAMPLES):
        session.hear(frame)
    assert not session.mouth.speaking
    assert any(u.fate == "cut" for u in session.mouth.spoken)
    assert session.case.state == before


def test_heat_off_begun_as_the_limit_is_announced_is_heard(tmp_path: Path) -> None:
    """Its last word falls under the warning; an earpiece lets the phrase be heard out."""
    session, _ = sit(tmp_path / "case", "flite:rms", lines=_first_line())
    for line in ("single", "yes", "none", *TO_HEAT):
        session.read(line)
    rng = np.random.default_rng(5)

    def room(seconds: float) -> Samples:
        return rng.normal(0, 25, round(seconds * RATE_HZ)).astype(np.int16)

    def hear(sound: Samples) -> None:
        whole = len(sound) // FRAME_SAMPLES * FRAME_SAMPLES
        for frame in sound[:whole].reshape(-1, FRAME_SAMPLES):
            session.hear(frame)

    while session.mouth.speaking:
        hear(room(0.3))
    session.read("heat on")
    timer = session.case.state.timer
    assert timer is not None
    said = dictate("heat off", "flite:rms")
    begins_s = timer.target_s - 0.3
    assert len(said) / RATE_HZ > 0.5
    hear(np.concatenate([room(begins_s), said, room(1.5)]))
    assert session.case.state.timer is None
    heated = session.case.state.newest("single", Role.HEAT)
    assert heated is not None
    assert heated.value == pytest.approx(begins_s, abs=0.5)  # when it was begun to be said


def _first_line() -> tuple[Line, ...]:
    return (Line(say="tooth one one"),)

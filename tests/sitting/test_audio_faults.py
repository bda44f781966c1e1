"""Nothing that happens to sound or to the recogniser stops a case: pretended devices."""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from failing_listener import Counting, failing, gone, missing
from pretended_sound import Pretended

from assistant.case.casefile import CaseFile, read_case
from assistant.clock import SampleClock
from assistant.errors import DeviceLost, EquipmentError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.prompt.mouth import Mouth
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.room.check import Amplified
from assistant.screen.port import Microphone
from assistant.screen.terminal import TerminalScreen
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sitting.microphone_watch import MicrophoneWatch
from assistant.sitting.session import Session
from assistant.sound.live import Awaited, Back, Ended, Gone, Live
from assistant.sound.player import SilentPlayer, TimelinePlayer
from assistant.sound.reopening import ReopeningPlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.sound.sources import MicrophoneSource, SampleSource
from assistant.speech.attention import Listen
from assistant.speech.ear import Utterance
from assistant.speech.hearing import Hearing
from assistant.speech.listeners import AtOnce, Lost, Recogniser, StepGrammar
from assistant.speech.listening import Listening
from assistant.speech.watchdog import Watched
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised
from assistant.words.sayings import load_wording
from assistant.words.understand import Trust

pytestmark = pytest.mark.devices

WORDS = assembly.language()
GRAMMAR = Grammar(WORDS, Wanted(options=("yes",)))
LIMIT_S = 20.0
"""Far more than anything here takes; only so that a defect does not hang the tests."""


def wait_for(what: Callable[[], Any]) -> Any:
    end_s = time.monotonic() + LIMIT_S
    while (found := what()) is None or found is False:
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.002)
    return found


# -- the watchdog ---------------------------------------------------------------


class Unprepared(Grammar):
    """A grammar that no recogniser can prepare."""

    def __init__(self) -> None: ...

    @property
    def key(self) -> str:
        if multiprocessing.parent_process() is None:
            return "unprepared"
        raise ValueError("a made-up failure")


def asked(watched: Watched, samples: Samples) -> Recognised | Lost:
    watched.ask(GRAMMAR, samples)
    answer: Recognised | Lost = wait_for(watched.answer)
    return answer


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    made = Watched(partial(failing, tmp_path), answer_s=1.0)
    made.ready()
    yield made
    made.close()


def test_a_recogniser_in_a_process_answers_as_it_would_here(watched: Watched) -> None:
    here = Counting()
    here.prepare(GRAMMAR)
    long = np.zeros(12 * RATE_HZ, np.int16)  # more than a pipe holds
    for samples in (long[:500], long):
        assert asked(watched, samples) == here.hear(samples)
    watched.prepare(GRAMMAR)
    assert watched.hear(long) == here.hear(long)
    assert watched.name == "counting"
    assert watched.restarts == 0


def test_what_is_expected_changes_no_answer(watched: Watched) -> None:
    other = Grammar(WORDS, Wanted(options=("no",)))
    here, samples = Counting(), np.zeros(800, np.int16)
    for expected in (GRAMMAR, other, other):
        watched.expect(expected)
    for grammar in (other, GRAMMAR):
        here.prepare(grammar)
        watched.ask(grammar, samples)
        assert wait_for(watched.answer) == here.hear(samples)
    assert watched.restarts == 0


def test_what_cannot_be_prepared_is_told_when_it_is_asked(watched: Watched) -> None:
    watched.expect(Unprepared())
    assert isinstance(asked(watched, np.zeros(80, np.int16)), Recognised)
    watched.ask(Unprepared(), np.zeros(80, np.int16))
    lost = wait_for(watched.answer)
    assert isinstance(lost, Lost) and "failed" in lost.why


def test_the_real_recogniser_hears_the_same_in_a_process() -> None:
    build = partial(assembly.ready_listener, "own", None, WORDS, Listen.OPEN)
    watched, here = Watched(build, answer_s=LIMIT_S), build()
    watched.ready()
    said = dictate("yes", "flite:slt")
    room = np.random.default_rng(0).normal(0.0, 25.0, len(said) + RATE_HZ // 2)
    room[RATE_HZ // 4 : RATE_HZ // 4 + len(said)] += said
    here.prepare(GRAMMAR)
    expected = here.hear(room.astype(np.int16))
    assert expected.text == "yes"
    assert asked(watched, room.astype(np.int16)) == expected
    watched.close()


def test_what_raises_crashes_or_hangs_is_replaced_and_the_next_is_heard(
    watched: Watched, tmp_path: Path
) -> None:
    samples = np.zeros(800, np.int16)
    for number, (way, why) in enumerate(
        [("raise", "failed"), ("crash", "ended"), ("hang", "did not answer")], 1
    ):
        (tmp_path / way).touch()
        lost = asked(watched, samples)
        assert isinstance(lost, Lost)
        assert lost.said and why in lost.why and "say that again" in lost.why
        assert isinstance(asked(watched, samples), Recognised)  # by another
        assert watched.restarts == number


def test_one_that_ends_while_idle_is_replaced_and_nothing_was_lost(watched: Watched) -> None:
    assert watched._worker is not None
    watched._worker._process.kill()
    lost = wait_for(watched.tend)
    assert not lost.said
    assert isinstance(asked(watched, np.zeros(80, np.int16)), Recognised)


@pytest.mark.parametrize(("build", "why"), [(missing, "install it"), (gone, "ended while")])
def test_one_that_cannot_start_says_why(build: Callable[[], Any], why: str) -> None:
    watched = Watched(build)
    with pytest.raises(EquipmentError, match=why):
        watched.ready()
    lost = asked(watched, np.zeros(80, np.int16))  # it is not tried for each utterance
    assert isinstance(lost, Lost) and "cannot be started" in lost.why
    again = asked(watched, np.zeros(80, np.int16))
    assert isinstance(again, Lost) and "cannot be started" in again.why
    watched.close()


def test_a_listener_that_raises_within_the_program_is_an_answer_too(tmp_path: Path) -> None:
    recogniser = AtOnce(failing(tmp_path))
    (tmp_path / "raise").touch()
    recogniser.ask(GRAMMAR, np.zeros(80, np.int16))
    assert isinstance(recogniser.answer(), Lost)
    recogniser.ask(GRAMMAR, np.zeros(80, np.int16))
    assert isinstance(recogniser.answer(), Recognised)


# -- the microphone as a device ---------------------------------------------------


def first_frames(source: MicrophoneSource, count: int) -> np.ndarray:
    frames = source.frames()
    return np.concatenate([next(frames) for _ in range(count)])


@pytest.mark.parametrize(
    ("rate_hz", "channels"), [(8_000, 1), (44_100, 1), (48_000, 1), (48_000, 2), (16_000, 4)]
)
def test_any_rate_and_number_of_channels_gives_the_same_sound(
    rate_hz: int, channels: int
) -> None:
    sound = Pretended(rate_hz=rate_hz, channels=channels, room_rms=0.0)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    sound.say(9000 * np.sin(2 * np.pi * 700 * time_s))
    source = MicrophoneSource(sound=sound)  # type: ignore[arg-type]
    heard = first_frames(source, 14)[-6000:].astype(float)
    source.close()
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) * RATE_HZ / len(heard) == pytest.approx(700, abs=4)
    assert np.abs(heard).max() == pytest.approx(9000, rel=0.05)
    assert ("8000 samples" in source.notice) == (rate_hz == 8_000)
    assert Amplified(source, 2.0).notice == source.notice


class LeftAndRight(Pretended):
    """Another sound in each channel."""

    def block(self, count: int) -> np.ndarray:
        return np.tile(np.array([[30_000, 20_000]], np.int16), (count, 1))


def test_two_channels_are_mixed_not_cut() -> None:
    source = MicrophoneSource(sound=LeftAndRight(channels=2))  # type: ignore[arg-type]
    assert set(first_frames(source, 2)) == {25_000}
    source.close()


def test_a_microphone_plugged_in_again_is_found() -> None:
    """The list of devices must be made anew; a player goes along and comes back."""
    sound = Pretended()
    player = ReopeningPlayer(PretendedPlayer, sound)
    first = player._player
    source = MicrophoneSource(sound=sound)  # type: ignore[arg-type]
    frames = source.frames()
    next(frames)
    sound.unplug("input")
    with pytest.raises(DeviceLost):
        for _ in frames:
            pass
    with pytest.raises(EquipmentError, match="No microphone was found"):
        next(source.frames())
    sound.plug("input")
    assert len(next(source.frames())) == FRAME_SAMPLES
    assert sound.initialised >= 2
    assert isinstance(first, PretendedPlayer) and first.closed
    assert player.audible and player._player is not first
    source.close()
    player.close()


def test_a_microphone_survives_that_the_sound_system_begins_anew_for_another() -> None:
    from assistant.sound import devices as sound_system

    sound = Pretended()
    source = MicrophoneSource(sound=sound)  # type: ignore[arg-type]
    frames = source.frames()
    next(frames)
    sound_system.begin_anew(sound, PretendedPlayer())
    assert [len(next(frames)) for _ in range(20)] == [FRAME_SAMPLES] * 20
    source.close()


# -- behind the thread -------------------------------------------------------------


class Coming:
    """A microphone that does one thing after another: frames, an error, a wait."""

    name = "pretended microphone"

    def __init__(self, *turns: int | Exception | threading.Event) -> None:
        self._turns = list(turns)

    def frames(self) -> Iterator[Samples]:
        while self._turns:
            match self._turns.pop(0):
                case int() as count:
                    for _ in range(count):
                        yield np.ones(FRAME_SAMPLES, np.int16)
                case threading.Event() as event:
                    event.wait(LIMIT_S)
                case error:
                    raise error

    def close(self) -> None: ...


def all_of(live: Live) -> list[object]:
    came: list[object] = []
    while not (came and isinstance(came[-1], Ended)):
        one = live.next(0.05)
        if one is not None:
            came.append("frame" if isinstance(one, np.ndarray) else one)
    live.close()
    return came


def test_what_a_source_raises_is_told_once_and_it_is_tried_until_it_is_back() -> None:
    lost, away = DeviceLost("It is gone."), EquipmentError("It is not there.")
    source = Coming(2, lost, away, ZeroDivisionError("a driver's defect"), 3)
    came = all_of(Live(source, retry_s=0.01))
    assert came[:3] == ["frame", "frame", Gone("It is gone.")]
    assert came[3:6] == [Back(source.name), "frame", "frame"]
    assert isinstance(came[6], Ended)


def test_a_source_that_stalls_without_a_word_is_told_too() -> None:
    event = threading.Event()
    live = Live(Coming(1, event, 2), retry_s=0.01, stalled_s=0.05)
    assert isinstance(wait_for(lambda: live.next(0.01)), np.ndarray)
    stalled = wait_for(lambda: live.next(0.01))
    assert isinstance(stalled, Gone) and "stopped delivering" in stalled.why
    event.set()
    came = all_of(live)
    assert came[:2] == [Back("pretended microphone"), "frame"]


# -- the loudspeaker ------------------------------------------------------------------


class PretendedPlayer:
    """Busy until told otherwise, and lost when told."""

    audible = True

    def __init__(self) -> None:
        self.trouble: str | None = None
        self.busy = self.closed = False
        self.played: list[int] = []

    def play(self, samples: Samples) -> None:
        self.played.append(len(samples))

    def stop(self) -> None: ...

    def close(self) -> None:
        self.closed = True

    def release(self) -> None: ...

    def regain(self) -> None: ...


def test_a_loudspeaker_that_was_lost_is_opened_again() -> None:
    made: list[PretendedPlayer] = []
    there = [True]

    def make() -> PretendedPlayer:
        if not there[0]:
            raise EquipmentError("It is not there.")
        made.append(PretendedPlayer())
        return made[-1]

    player = ReopeningPlayer(make, retry_s=0.01)
    player.play(np.ones(7, np.int16))
    assert player.audible and player.trouble is None
    there[0], made[0].trouble = False, "gone"
    assert not player.busy
    assert not player.audible
    assert player.trouble is not None and "read the screen" in player.trouble
    player.play(np.ones(8, np.int16))  # to nobody
    wait_for(lambda: made[0].closed)
    there[0] = True
    wait_for(lambda: player.audible)
    player.play(np.ones(9, np.int16))
    assert [one.played for one in made] == [[7], [9]]
    assert player.trouble is None
    player.close()
    assert made[1].closed and not player.audible


# -- a whole session ---------------------------------------------------------------


class RealClock:
    """A clock that counts as the machine's; a test moves it."""

    real = True

    def __init__(self) -> None:
        self.at_s = self.set_by_s = 0.0

    def now(self) -> Moment:
        wall = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
        wall += timedelta(seconds=self.at_s + self.set_by_s)
        return Moment(wall=wall, mono_s=self.at_s)

    def seconds(self) -> float:
        return self.at_s

    def advance(self, seconds: float) -> None:
        self.at_s += seconds


class ToldEar:
    """An ear in which a frame that begins with n samples of -1 is an utterance."""

    in_speech = speaks = False

    def push(self, frame: Samples) -> Utterance | None:
        self.in_speech = self.speaks
        length = int(np.argmax(frame != -1))
        if not length:
            return None
        return Utterance(np.zeros(length, np.int16), 0.0, 0.1, 0, False, -30.0, 40.0)

    def flush(self) -> None: ...
    def take(self) -> None: ...
    def restart(self) -> None: ...
    def reset(self) -> None: ...


class ToldUrgent:
    def push(self, frame: Samples) -> None: ...
    def reset(self) -> None: ...


class Slow:
    """A recogniser that answers when the test says so."""

    name = "slow"

    def __init__(self) -> None:
        self.expected: list[str] = []
        self.asked: list[int] = []
        self.answers: list[Recognised | Lost] = []

    def expect(self, grammar: StepGrammar) -> None:
        self.expected.append(grammar.key)

    def ask(self, grammar: StepGrammar, samples: Samples) -> None:
        self.asked.append(len(samples))

    def answer(self) -> Recognised | Lost | None:
        return self.answers.pop(0) if self.answers else None

    def tend(self) -> Lost | None:
        return None


class Screen(TerminalScreen):
    def __init__(self) -> None:
        self.lines: list[str] = []
        self.microphone: list[Microphone] = []
        super().__init__(self.lines.append, lambda: 0.0)

    def show_microphone(self, microphone: Microphone) -> None:
        self.microphone.append(microphone)


def test_the_light_shows_that_somebody_is_heard_while_he_speaks() -> None:
    """From the first loud moment to the end of the utterance, and never while it is deaf."""
    screen = Screen()
    ears = assembly.hearing("own", None, assembly.language())
    listening = Listening(ears, assembly.language(), lambda step: None, lambda: None)  # type: ignore[arg-type, return-value]
    watch = MicrophoneWatch(screen, listening, lambda: 0.0)
    watch.show()
    ears.ear._start = 0
    watch.show()
    listening.deaf = True
    watch.show()
    listening.deaf, ears.ear._start = False, None
    watch.show()
    assert screen.microphone == [
        Microphone.HEARS,
        Microphone.SPEECH,
        Microphone.HELD,
        Microphone.HEARS,
    ]


class Mute:
    def render(self, text: str) -> Samples:
        return np.ones(160, np.int16)


@dataclass
class Sitting:
    folder: Path
    clock: Any = field(default_factory=RealClock)
    recogniser: Recogniser = field(default_factory=Slow)
    ears: bool = True
    listen: Listen = Listen.OPEN
    player: Any = field(default_factory=SilentPlayer)
    voice: Any = field(default_factory=Mute)

    def __post_init__(self) -> None:
        self.screen = Screen()
        hearing = Hearing(
            listener=Counting(),
            trust=Trust(accept=0.5, command=0.5, reject=0.1),
            ear=ToldEar(),  # type: ignore[arg-type]
            urgent=ToldUrgent(),  # type: ignore[arg-type]
            listen=self.listen,
            recogniser=self.recogniser,
        )
        case = CaseFile.create(
            self.folder / "case",
            load_yaml(protocol_path("to-post-level"), Protocol),
            self.clock.now(),
            case_code="T-1",
            operator="Operator A",
        )
        self.session = Session(
            case,
            self.clock,
            mouth=Mouth(self.voice, self.player, self.clock.seconds),
            screen=self.screen,
            language=WORDS,
            wording=load_wording(WORDS.folder),
            hearing=hearing if self.ears else None,
        )

    @property
    def state(self) -> Any:
        return self.session.case.state

    def hear(self, length: int = 0) -> None:
        frame = np.arange(FRAME_SAMPLES, dtype=np.int16)
        frame[:length] = -1
        self.session.hear(frame)

    def lines(self, *texts: str) -> Sitting:
        for text in texts:
            self.session.read(text)
        return self

    def shown(self, text: str) -> int:
        return sum(text in line for line in self.screen.lines)

    def recorded(self, text: str) -> int:
        self.session.case.close()
        state, _ = read_case(self.folder / "case")
        return sum(text in line for _, line in state.interruptions)


UP_TO_HEAT = (
    "tooth 11", "single", "yes", "none", "working length 22", "apex locator 22", "taper .06",
    "cone size 40", "cone length 22", "yes", "accepted", "plugger 17", "carrier 17", "dry",
    "paper point 22", "22", "confirm", "confirm", "yes", "seated", "sear 11",
)  # fmt: skip


def test_timers_and_typed_lines_go_on_while_the_recogniser_is_silent(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path).lines(*UP_TO_HEAT, "heat on")
    assert sitting.state.timer is not None
    sitting.hear(50)
    for _ in range(400):  # twelve seconds
        sitting.hear()
    assert sitting.state.warnings[-1].text  # the limit of the activation was told
    assert sitting.state.warnings[-1].answer is None
    sitting.lines("heat off")
    assert sitting.state.timer is None
    assert sitting.recogniser.asked == [50]  # type: ignore[attr-defined]


def test_the_recogniser_is_told_what_to_expect_once_somebody_begins(tmp_path: Path) -> None:
    slow = Slow()
    sitting = Sitting(tmp_path, recogniser=slow)
    assert sitting.session.listening is not None
    ear = sitting.session.listening._hearing.ear
    assert isinstance(ear, ToldEar)
    for ear.speaks in (False, True, True, False, True):
        sitting.hear()
    assert slow.expected == [sitting.session.grammar().key] * 2


def test_frames_wait_in_order_for_the_recogniser(tmp_path: Path) -> None:
    slow = Slow()
    sitting = Sitting(tmp_path, recogniser=slow)
    for length in (50, 0, 60, 0, 70):
        sitting.hear(length)
    assert slow.asked == [50]
    slow.answers.append(Recognised("tooth one one", 1.0))
    sitting.hear()
    assert sitting.state.tooth == 11
    assert slow.asked == [50, 60]
    slow.answers += [Lost("The recogniser made it up: say that again.")]
    sitting.hear()
    assert slow.asked == [50, 60, 70]
    slow.answers.append(Recognised("single", 1.0))
    sitting.hear()
    assert [track.name for track in sitting.state.canals] == ["single"]
    assert sitting.recorded("made it up") == 1


def test_a_failure_that_comes_again_is_recorded_seldom_and_asked_about_each_time(
    tmp_path: Path,
) -> None:
    slow = Slow()
    sitting = Sitting(tmp_path, recogniser=slow)
    for _ in range(4):
        sitting.hear(50)
        slow.answers.append(Lost("The recogniser made it up: say that again."))
        sitting.hear()
    assert sitting.shown("Say that again.") == 3
    assert sitting.recorded("made it up") == 1


def test_an_ear_that_raises_does_not_end_the_case(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path)
    listening = sitting.session.listening
    assert listening is not None
    whole, broken = listening._hearing.ear.push, lambda _frame: 1 / 0
    listening._hearing.ear.push = broken  # type: ignore[method-assign,assignment]
    for _ in range(10):
        sitting.hear()
    listening._hearing.ear.push = whole  # type: ignore[method-assign]
    sitting.hear(40)
    sitting.recogniser.answers.append(Recognised("tooth one one", 1.0))  # type: ignore[attr-defined]
    sitting.hear()
    assert sitting.state.tooth == 11
    assert sitting.recorded("Listening failed") == 1


def test_typed_lines_are_taken_while_no_sound_comes_at_all(tmp_path: Path) -> None:
    never = threading.Event()
    sitting = Sitting(tmp_path)
    for line in ("tooth 11\n", "single\n", None):
        sitting.session.typed.put(line)
    sitting.session.run(Coming(never))
    assert sitting.state.tooth == 11 and sitting.state.canals
    never.set()


def test_a_lost_microphone_comes_back_into_the_same_sitting(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path)
    sound = Pretended()
    source = MicrophoneSource(sound=sound)  # type: ignore[arg-type]
    done = threading.Thread(target=sitting.session.run, args=(Amplified(source, 1.0),))
    done.start()
    wait_for(lambda: Microphone.HEARS in sitting.screen.microphone)
    sound.unplug("input")
    wait_for(lambda: Microphone.DEAD in sitting.screen.microphone)
    sitting.session.typed.put("tooth 11\n")
    wait_for(lambda: sitting.state.tooth == 11)
    sound.plug("input")
    wait_for(lambda: sitting.shown("is back") > 0)
    sound.say(np.full(40, -1))
    sitting.session.typed.put(None)
    done.join(LIMIT_S)
    assert not done.is_alive()
    source.close()
    assert sitting.screen.microphone[-1] is Microphone.HEARS
    assert sitting.recorded("has stopped delivering") == 1


def test_a_dead_microphone_is_told_and_a_recording_with_silence_is_not(tmp_path: Path) -> None:
    silence = np.zeros(4 * RATE_HZ, np.int16)
    (tmp_path / "live").mkdir()
    live = Sitting(tmp_path / "live")
    live.session.run(SampleSource("pretended microphone", silence))
    assert Microphone.DEAD in live.screen.microphone
    assert live.shown("no sound at all") and live.recorded("no sound at all") == 1
    recording = Sitting(tmp_path, clock=SampleClock(datetime(2026, 3, 2, 9, 0, tzinfo=UTC)))
    recording.session.run(SampleSource("a recording", silence))
    assert Microphone.DEAD not in recording.screen.microphone
    assert recording.recorded("sound") == 0


def test_the_screen_is_told_what_the_microphone_does(tmp_path: Path) -> None:
    clock = RealClock()
    player = TimelinePlayer(lambda: clock.at_s)
    sitting = Sitting(tmp_path, clock=clock, player=player, listen=Listen.PEDAL)
    sitting.session.mouth.sound(np.ones(RATE_HZ // 2, np.int16))
    for _ in range(40):
        sitting.hear()
    sitting.session.tap()
    while sitting.session.mouth.speaking:
        sitting.hear()
    sitting.hear()
    # With an earpiece a prompt does not hold the microphone.
    called, hears = Microphone.CALLED, Microphone.HEARS
    assert sitting.screen.microphone == [called, hears]
    (tmp_path / "typed").mkdir()
    typed = Sitting(tmp_path / "typed", ears=False)
    typed.session.typed.put(None)
    typed.session.run(None)
    assert typed.screen.microphone == [Microphone.OFF]


class BrokenVoice:
    """Fails in a way of its own, after a while."""

    def __init__(self, good: int) -> None:
        self.good = good

    def render(self, text: str) -> Samples:
        self.good -= 1
        if self.good < 0:
            raise RuntimeError("a made-up failure")
        return np.ones(160, np.int16)


@pytest.mark.parametrize("good", [0, 2])
def test_a_speech_engine_that_fails_leaves_the_screen(tmp_path: Path, good: int) -> None:
    clock = RealClock()
    player = TimelinePlayer(lambda: clock.at_s)
    sitting = Sitting(tmp_path, clock=clock, player=player, voice=BrokenVoice(good))
    sitting.session.greet()
    for text in ("tooth 11", "single", "yes"):
        for _ in range(30):
            sitting.hear()
        sitting.lines(text)
    assert sitting.state.canals
    assert sitting.shown("The speech engine failed") == 2  # as trouble, and as its prompt
    assert sitting.recorded("read the screen") == 1


# -- the clocks -------------------------------------------------------------------------


def test_a_clock_that_is_set_is_recorded_and_touches_no_timer(tmp_path: Path) -> None:
    clock = RealClock()
    sitting = Sitting(tmp_path, clock=clock).lines(*UP_TO_HEAT, "heat on")
    for set_by_s in (-7200.0, 90_000.0):
        clock.set_by_s = set_by_s
        sitting.hear()
        assert sitting.state.timer is not None
    clock.at_s += 1.2
    sitting.lines("heat off")
    assert sitting.state.timer is None
    assert sitting.state.entries[-1].value == pytest.approx(1.3)  # ..., in tenths
    assert sitting.recorded("The clock of the machine was set") == 2


def test_a_timer_that_was_slept_through_is_void(tmp_path: Path) -> None:
    clock = RealClock()
    sitting = Sitting(tmp_path, clock=clock).lines(*UP_TO_HEAT, "heat on")
    entries = sitting.state.entries
    clock.at_s += 3600.0
    sitting.hear()
    assert sitting.state.timer is None
    assert sitting.state.entries == entries  # no duration was made up
    assert sitting.shown("the heat was on when the program ended. See that it is off.")
    sitting.lines("heat on")
    assert sitting.state.timer is not None
    assert sitting.recorded("slept or stood still for 3600 seconds") == 1


# -- an offset -----------------------------------------------------------------------


def test_an_offset_does_not_change_what_is_understood() -> None:
    from assistant.speech.ear import Ear
    from assistant.speech.own_listener import OwnListener
    from assistant.speech.urgent import UrgentEar

    rng = np.random.default_rng(3)
    quiet = np.zeros(RATE_HZ)
    said = np.concatenate([quiet, dictate("tooth one one", "flite:slt"), quiet])
    room = said + rng.normal(0.0, 25.0, len(said))
    listener = OwnListener()
    listener.prepare(Grammar(WORDS, Wanted(kind="tooth")))

    def heard(shift: int) -> list[Recognised]:
        ear, found = Ear(), []
        sound = np.clip(np.rint(room + shift), -32768, 32767).astype(np.int16)
        for at in range(0, len(sound) - FRAME_SAMPLES, FRAME_SAMPLES):
            if (utterance := ear.push(sound[at : at + FRAME_SAMPLES])) is not None:
                found.append(listener.hear(utterance.samples))
        return found

    (plain,) = heard(0)
    for offset in (-9000, 9000):
        (shifted,) = heard(offset)
        assert plain.text == shifted.text == "tooth one one"
        assert shifted.confidence == pytest.approx(plain.confidence, abs=0.05)
    stop = np.concatenate([quiet, dictate("stop", "flite:rms"), quiet])
    stop = np.rint(stop + rng.normal(0.0, 25.0, len(stop)) + 9000).astype(np.int16)
    urgent = UrgentEar({"stop"})
    frames = [stop[at : at + FRAME_SAMPLES] for at in range(0, len(stop), FRAME_SAMPLES)]
    assert any(urgent.push(frame) is not None for frame in frames)


def test_it_is_the_case_that_decides(tmp_path: Path) -> None:
    """A trouble says what works, and changes no step and no value."""
    sitting = Sitting(tmp_path).lines(*UP_TO_HEAT[:4])
    before = sitting.state
    sitting.session.take(it.Trouble(text="Made up.", heard=it.Heard(channel="clock")))
    after = sitting.state
    assert (after.entries, after.step, after.pending) == (
        before.entries,
        before.step,
        before.pending,
    )


def test_a_microphone_missing_at_the_start_is_used_once_it_is_there() -> None:
    frame = np.ones(FRAME_SAMPLES, np.int16)

    class Plugged:
        name = "headset"
        closed = False

        def frames(self) -> Iterator[Samples]:
            yield frame

        def close(self) -> None:
            self.closed = True

    plugged = Plugged()
    looked: list[Any] = []

    def opened() -> Plugged:
        if len(looked) < 2:
            raise EquipmentError("No microphone was found.")
        return plugged

    source = Awaited(opened, lambda: looked.append(1))
    for _ in range(2):
        with pytest.raises(EquipmentError):
            next(source.frames())
    assert next(source.frames()) is frame
    assert source.name == "headset"
    source.close()
    assert plugged.closed

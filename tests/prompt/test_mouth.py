"""The mouth: order, interruption, and nothing that matters lost."""

from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import EquipmentError
from assistant.prompt.chimes import chime, not_understood
from assistant.prompt.mouth import Fate, Mouth, Verbosity, admits
from assistant.prompt.prompts import Prompt, Urgency
from assistant.sound.player import SilentPlayer, TimelinePlayer
from assistant.sound.samples import RATE_HZ, Samples

pytestmark = pytest.mark.devices

FRAME_S = 0.030
TICK, STEP, READ_BACK, QUESTION, CAUTION, WARNING = Urgency
WORDS_LEVEL = 10_000  # above every chime, so that words can be found in the mix


class NumberedVoice:
    """Says "7 1.5" as 1.5 s of the sample value 10007: what was heard can be read off."""

    def __init__(self) -> None:
        self.fails = False
        self.asked = 0

    def render(self, text: str) -> Samples:
        self.asked += 1
        if self.fails:
            raise EquipmentError("The speech engine does not answer: read the screen.")
        number, length_s = text.split()
        return np.full(
            round(float(length_s) * RATE_HZ), WORDS_LEVEL + int(number), dtype=np.int16
        )


@dataclass
class Room:
    """A mouth on a virtual clock, and all that came of it."""

    now_s: float = 0.0
    settled: list[tuple[Prompt, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.voice = NumberedVoice()
        self.player = TimelinePlayer(lambda: self.now_s)
        self.mouth = Mouth(
            self.voice,
            self.player,
            lambda: self.now_s,
            on_spoken=lambda prompt, completed: self.settled.append((prompt, completed)),
        )

    def wait(self, length_s: float) -> None:
        for _ in range(round(length_s / FRAME_S)):
            self.now_s += FRAME_S
            self.mouth.pump()

    def finish(self) -> None:
        for _ in range(100_000):
            self.wait(FRAME_S)
            if not self.mouth.speaking:
                return
        raise AssertionError("never comes to an end")

    def words(self) -> list[tuple[int, float]]:
        """Numbers of the prompts whose words came out, in order, with their seconds."""
        heard = []
        for played in self.player.timeline:
            said = played.samples[played.samples >= WORDS_LEVEL]
            if said.size:
                heard.append((int(said[0]) - WORDS_LEVEL, len(said) / RATE_HZ))
        return heard

    def numbers(self) -> list[int]:
        return [number for number, _ in self.words()]


def prompt(number: int, urgency: Urgency, length_s: float = 1.0) -> Prompt:
    return Prompt(f"{number} {length_s}", urgency)


@pytest.fixture
def room() -> Room:
    return Room()


# --- order ---------------------------------------------------------------------


def test_higher_urgency_first_and_first_come_within_one(room: Room) -> None:
    room.mouth.say(
        [
            prompt(1, STEP),
            prompt(2, QUESTION),
            prompt(3, READ_BACK),
            prompt(4, QUESTION),
            prompt(5, CAUTION),
            prompt(6, WARNING),
        ]
    )
    room.finish()
    assert room.numbers() == [6, 5, 2, 4, 3, 1]
    assert all(completed for _, completed in room.settled)


def test_saying_starts_at_once_without_waiting_for_a_frame(room: Room) -> None:
    assert not room.mouth.speaking
    room.mouth.say([prompt(1, STEP)])
    assert room.mouth.speaking
    assert room.player.timeline[0].start_s == 0.0


def test_only_a_warning_interrupts(room: Room) -> None:
    room.mouth.say([prompt(1, STEP, 2.0)])
    room.wait(0.5)
    room.mouth.say([prompt(2, CAUTION), prompt(3, QUESTION)])
    room.finish()
    assert room.words() == [(1, 2.0), (2, 1.0), (3, 1.0)]


@pytest.mark.parametrize("urgency", [READ_BACK, QUESTION, CAUTION])
def test_what_must_be_heard_is_said_again_after_the_warning(
    room: Room, urgency: Urgency
) -> None:
    room.mouth.say([prompt(1, urgency, 2.0), prompt(2, urgency)])
    room.wait(1.8)
    room.mouth.say([prompt(3, WARNING)])
    room.finish()
    (cut, cut_s), *after = room.words()
    assert cut == 1
    assert cut_s < 2.0
    assert after == [(3, 1.0), (1, 2.0), (2, 1.0)]
    assert Counter(p.text for p, completed in room.settled if completed) == {
        "1 2.0": 1,
        "2 1.0": 1,
        "3 1.0": 1,
    }
    assert room.mouth.spoken[0].fate is Fate.REPEATED


def test_a_step_cut_or_overtaken_by_a_warning_is_past(room: Room) -> None:
    room.mouth.say([prompt(1, STEP, 2.0), prompt(2, STEP)])
    room.wait(0.9)
    room.mouth.say([prompt(3, WARNING), prompt(4, STEP)])
    room.finish()
    assert room.numbers() == [1, 3, 4]
    assert [(p.text[0], completed) for p, completed in room.settled] == [
        ("1", False),
        ("2", False),
        ("3", True),
        ("4", True),
    ]
    assert [u.fate for u in room.mouth.spoken[:2]] == [Fate.CUT, Fate.DROPPED]


def test_a_warning_is_heard_in_the_very_frame_it_is_said(room: Room) -> None:
    room.mouth.say([prompt(1, READ_BACK, 3.0)])
    room.wait(0.6)
    said_s = room.now_s
    room.mouth.say([prompt(2, WARNING)])
    assert room.player.timeline[-1].start_s == said_s
    assert room.player.timeline[0].end_s == pytest.approx(said_s, abs=2 / RATE_HZ)


def test_a_warning_does_not_cut_another(room: Room) -> None:
    room.mouth.say([prompt(1, WARNING, 2.0)])
    room.wait(0.9)
    room.mouth.say([prompt(2, WARNING)])
    room.finish()
    assert room.words() == [(1, 2.0), (2, 1.0)]


# --- ticks ---------------------------------------------------------------------


def test_a_tick_that_would_be_late_is_dropped(room: Room) -> None:
    room.mouth.say([prompt(1, STEP, 0.9)])
    room.wait(0.3)
    room.mouth.say([prompt(2, TICK, 0.2)])  # could start 0.6 s from now
    room.wait(0.45)
    room.mouth.say([prompt(3, TICK, 0.2)])  # could start 0.15 s from now
    room.finish()
    assert room.words() == [(1, 0.9), (3, 0.2)]
    assert (prompt(2, TICK, 0.2), False) in room.settled


# --- chimes --------------------------------------------------------------------


@pytest.mark.parametrize("urgency", list(Urgency))
def test_chime_before_the_words_of_cautions_and_warnings_only(
    room: Room, urgency: Urgency
) -> None:
    room.mouth.say([prompt(1, urgency)])
    room.finish()
    (played,) = room.player.timeline
    expected = chime(urgency)
    begins = np.array_equal(played.samples[: len(expected)], expected)
    assert begins == (urgency in (CAUTION, WARNING))


@pytest.mark.parametrize("urgency", list(Urgency))
def test_no_words_is_a_chime_alone(room: Room, urgency: Urgency) -> None:
    room.mouth.say([Prompt("shown", urgency, spoken="")])
    room.finish()
    (played,) = room.player.timeline
    assert np.array_equal(played.samples, chime(urgency))
    assert [completed for _, completed in room.settled] == [True]


def test_spoken_words_are_said_instead_of_the_text(room: Room) -> None:
    room.mouth.say([Prompt("17.5 mm", STEP, spoken="8 0.5")])
    room.finish()
    assert room.words() == [(8, 0.5)]


def test_a_bare_sound_never_disturbs_words_and_gives_way_to_a_warning(room: Room) -> None:
    room.mouth.sound(not_understood())
    assert room.mouth.speaking
    room.mouth.say([prompt(1, WARNING)])
    assert room.mouth.speaking
    room.mouth.sound(not_understood())  # dropped
    room.finish()
    assert room.words() == [(1, 1.0)]
    assert len(room.player.timeline) == 1  # the sound was cut before its first sample


# --- verbosity -----------------------------------------------------------------


def test_a_measurement_is_read_back_at_every_verbosity() -> None:
    for verbosity in Verbosity:
        for urgency in (READ_BACK, QUESTION, CAUTION, WARNING):
            assert admits(verbosity, urgency)
    assert [admits(v, STEP) for v in Verbosity] == [True, True, False]
    assert [admits(v, TICK) for v in Verbosity] == [True, False, False]


def test_verbosity_keeps_steps_off_the_ear_and_says_so(room: Room) -> None:
    room.mouth.verbosity = Verbosity.WARNINGS_ONLY
    room.mouth.say([prompt(1, STEP), prompt(2, READ_BACK)])
    room.finish()
    assert room.numbers() == [2]
    assert room.settled == [(prompt(1, STEP), False), (prompt(2, READ_BACK), True)]


# --- hush ----------------------------------------------------------------------


def test_hush_is_silent_at_once_and_counts_as_unheard(room: Room) -> None:
    room.mouth.say([prompt(1, READ_BACK, 2.0), prompt(2, STEP)])
    room.wait(0.5)
    room.mouth.hush()
    assert not room.mouth.speaking
    assert room.settled == [(prompt(1, READ_BACK, 2.0), False), (prompt(2, STEP), False)]
    room.finish()
    assert room.numbers() == [1]
    room.mouth.say([prompt(3, STEP)])
    room.finish()
    assert room.numbers() == [1, 3]


def test_hush_does_not_swallow_a_warning_nobody_heard(room: Room) -> None:
    room.mouth.say([prompt(1, WARNING, 2.0), prompt(2, WARNING)])
    room.wait(0.9)
    room.mouth.hush()
    assert not room.mouth.speaking
    room.finish()
    assert room.numbers() == [1, 2]
    assert room.settled == [(prompt(1, WARNING, 2.0), False), (prompt(2, WARNING), True)]


# --- when things fail ----------------------------------------------------------


def test_a_failing_voice_is_reported_once_and_the_case_goes_on(room: Room) -> None:
    assert room.mouth.trouble is None
    room.voice.fails = True
    room.mouth.say([prompt(1, STEP), prompt(2, READ_BACK), prompt(3, WARNING)])
    room.finish()
    trouble = room.mouth.trouble
    assert trouble is not None
    assert "screen" in trouble
    room.mouth.say([prompt(4, QUESTION)])
    room.finish()
    assert room.voice.asked == 1  # not asked again
    assert room.mouth.trouble == trouble
    assert len(room.settled) == 4
    assert not any(completed for _, completed in room.settled)
    # The warning's chime still calls the eyes to the screen.
    (played,) = room.player.timeline
    assert np.array_equal(played.samples[: len(chime(WARNING))], chime(WARNING))


def test_with_the_screen_alone_nothing_counts_as_heard() -> None:
    settled = []
    voice = NumberedVoice()
    mouth = Mouth(
        voice, SilentPlayer(), lambda: 0.0, on_spoken=lambda p, done: settled.append((p, done))
    )
    mouth.say([prompt(1, READ_BACK), prompt(2, WARNING)])
    assert not mouth.speaking
    assert mouth.trouble is None  # chosen, not broken
    assert settled == [(prompt(1, READ_BACK), False), (prompt(2, WARNING), False)]
    assert voice.asked == 0


def test_a_player_lost_in_mid_sentence_does_not_count_as_heard(room: Room) -> None:
    room.mouth.say([prompt(1, READ_BACK, 2.0), prompt(2, STEP)])
    room.wait(0.5)
    room.player.stop()
    room.player.audible = False
    room.player.trouble = "Sound stopped: read the screen."
    room.finish()
    assert room.mouth.trouble == "Sound stopped: read the screen."
    assert room.settled == [(prompt(1, READ_BACK, 2.0), False), (prompt(2, STEP), False)]
    assert [u.fate for u in room.mouth.spoken] == [Fate.CUT, Fate.UNVOICED]


def test_the_callback_may_say_more() -> None:
    room = Room()

    def answer(spoken: Prompt, completed: bool) -> None:
        room.settled.append((spoken, completed))
        if spoken.urgency is READ_BACK:
            room.mouth.say([prompt(9, WARNING), prompt(10, STEP)])

    room.mouth = Mouth(room.voice, room.player, lambda: room.now_s, on_spoken=answer)
    room.mouth.say([prompt(1, READ_BACK), prompt(2, QUESTION)])
    room.finish()
    assert room.numbers() == [2, 1, 9, 10]
    assert len(room.settled) == 4


# --- any sequence whatever -----------------------------------------------------


@st.composite
def scripts(draw: st.DrawFn) -> list[tuple[float, list[tuple[Urgency, float]]]]:
    """What is said when: (frames waited before, batch of (urgency, length_s))."""
    one = st.tuples(st.sampled_from(Urgency), st.sampled_from([0.2, 0.5, 1.3]))
    batch = st.lists(one, min_size=1, max_size=3)
    waits_s = st.sampled_from([0.0, 0.03, 0.15, 0.6, 1.5])
    return draw(st.lists(st.tuples(waits_s, batch), min_size=1, max_size=8))


@given(scripts())
def test_whatever_is_said_order_holds_and_nothing_that_matters_is_lost(
    script: list[tuple[float, list[tuple[Urgency, float]]]],
) -> None:
    room = Room()
    said: dict[int, tuple[Prompt, float]] = {}
    for wait_s, batch in script:
        room.wait(wait_s)
        prompts = []
        for urgency, length_s in batch:
            number = len(said)
            prompts.append(prompt(number, urgency, length_s))
            said[number] = (prompts[-1], room.now_s)
        room.mouth.say(prompts)
    room.finish()

    def number_of(one: Prompt) -> int:
        return int(one.text.split()[0])

    begun = [u for u in room.mouth.spoken if u.ended_s > u.started_s]
    # The log tells what the ear heard: same starts, in the same order.
    audible = [played.start_s for played in room.player.timeline]
    assert [u.started_s for u in begun] == audible
    # No two at once.
    for earlier, later in pairwise(begun):
        assert earlier.ended_s <= later.started_s

    first_start: dict[int, float] = {}
    for utterance in begun:
        first_start.setdefault(number_of(utterance.prompt), utterance.started_s)
    whole = Counter(
        number
        for number, heard_s in room.words()
        if heard_s == pytest.approx(float(said[number][0].text.split()[1]), abs=1 / RATE_HZ)
    )
    for number, (one, said_s) in said.items():
        if one.urgency >= READ_BACK:  # never lost, and never said to the end twice
            assert whole[number] == 1, (number, one)
        if one.urgency is TICK and number in first_start:  # never late
            assert first_start[number] - said_s <= 0.3 + 1e-9
        if one.urgency is WARNING:  # nothing less begins between its call and its start
            between = [
                u
                for u in begun
                if said_s <= u.started_s < first_start[number] and u.prompt.urgency < WARNING
            ]
            assert between == []
    # First come, first served within an urgency (warnings are never moved back).
    for urgency in Urgency:
        starts = [
            first_start[n]
            for n, (one, _) in said.items()
            if one.urgency is urgency and n in first_start
        ]
        assert starts == sorted(starts)
    # Everyone is told about every prompt exactly once.
    assert Counter(number_of(p) for p, _ in room.settled) == Counter(said.keys())
    assert {number_of(p) for p, completed in room.settled if completed} == set(whole)

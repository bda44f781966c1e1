"""Listening modes: who is heard, who is not, and what the room is told about it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from from_sound import START

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.prompt import chimes
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sitting.session import Session
from assistant.sound.player import TimelinePlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from assistant.speech.attention import NOTICE_S, TAP_S, Attention, Listen, begins_with
from assistant.speech.hearing import Hearing
from assistant.words.grammar import Grammar, Wanted, everything
from assistant.words.recognised import Recognised
from assistant.words.understand import understand

pytestmark = pytest.mark.sound

WORDS = assembly.language()
WORD = WORDS.phrases.attention.word
TRUST = assembly.TRUST["own"]
VOICE = "flite:slt"


# -- without sound ------------------------------------------------------------


@pytest.mark.parametrize("mode", [Listen.OPEN, Listen.ATTENTION])
def test_without_a_pedal_it_always_listens_and_a_tap_changes_nothing(mode: Listen) -> None:
    always = Attention(mode)
    assert always.listens and always.takes(-1.0) and always.tapped(3.0) == always
    assert not always.lapsed(1e9, in_speech=False)


def test_a_tap_takes_one_utterance_that_begins_in_time() -> None:
    shut = Attention(Listen.PEDAL)
    assert not shut.listens and not shut.takes(0.0)
    tapped = shut.tapped(10.0)
    assert tapped.listens and tapped.takes(10.0) and tapped.takes(10.0 + TAP_S)
    assert not tapped.takes(10.01 + TAP_S)
    assert tapped.shut() == shut
    assert tapped.tapped(15.0).takes(15.0 + TAP_S)


def test_speech_that_began_in_time_keeps_the_tap_open() -> None:
    late_s = 10.0 + TAP_S + NOTICE_S + 0.01
    tapped = Attention(Listen.PEDAL).tapped(10.0)
    assert tapped.lapsed(late_s, in_speech=False)
    assert not tapped.lapsed(late_s, in_speech=True)
    assert not tapped.held_up(2.0).lapsed(late_s, in_speech=False)
    assert tapped.shut().held_up(2.0) == tapped.shut()


def test_a_word_that_only_starts_alike_is_another_word() -> None:
    assert begins_with("logbook seated", "logbook") and begins_with("logbook", "logbook")
    assert not begins_with("logbooks seated", "logbook") and not begins_with("", "logbook")


MM = Wanted(kind="mm", low=5, high=30, options=("yes",), corrections=("mm",))
NEEDS_WORD = Grammar(WORDS, Wanted(**{**MM.__dict__, "attention": WORD}))


@pytest.mark.parametrize(
    "said", ["plugger sixteen point five", "correction nine", "yes", "no", "confirm", "stop"]
)
def test_the_grammar_wants_the_word_before_everything(said: str) -> None:
    bare = understand(Recognised(said, 1.0), Grammar(WORDS, MM), TRUST)
    led = understand(Recognised(f"{WORD} {said}", 1.0), NEEDS_WORD, TRUST)
    assert not isinstance(bare, it.Unclear)
    assert led.model_copy(update={"heard": bare.heard}) == bare
    assert isinstance(understand(Recognised(said, 1.0), NEEDS_WORD, TRUST), it.Unclear)
    assert NEEDS_WORD.key != Grammar(WORDS, MM).key


def test_the_attention_word_is_nobody_elses() -> None:
    assert WORD not in Grammar(WORDS, everything(WORDS.phrases)).graph.words
    urgent = WORDS.phrases.urgent
    assert WORD not in urgent.always | urgent.in_timer
    for file in ("protocols/warm-vertical.yaml", "protocols/to-post-level.yaml"):
        assert WORD not in protocol_path(Path(file).stem).read_text("utf-8").lower()
    assert WORD not in (WORDS.folder / "wording.yaml").read_text("utf-8").lower()


# -- from sound -----------------------------------------------------------------


@cache
def hearing(listen: Listen) -> Hearing:
    """Ears, made once for each mode."""
    return assembly.hearing("own", None, WORDS, listen=listen)


class Sitting:
    """A session with an earpiece in one of the modes; what it takes from the voice."""

    def __init__(self, folder: Path, listen: Listen) -> None:
        self.clock = SampleClock(START)
        self.player = TimelinePlayer(self.clock.seconds)
        self.lines: list[str] = []
        self.taken: list[it.AnyIntent] = []
        case = CaseFile.create(
            folder,
            load_yaml(protocol_path("to-post-level"), Protocol),
            self.clock.now(),
            case_code="T-1",
            operator="Operator A",
        )
        ears = hearing(listen)
        ears.ear.reset()
        ears.urgent.reset()
        write = self.lines.append
        self.session: Session = assembly.session(
            case, self.clock, self.player, write, WORDS, ears
        )
        self.session.on_taken = lambda intent, _: self.taken.append(intent)
        self._rng = np.random.default_rng(4)

    def hear(self, *sounds: Samples, quiet_s: float = 0.9) -> list[it.AnyIntent]:
        """What is taken from sounds in a quiet room."""
        quiet = np.zeros(round(quiet_s * RATE_HZ))
        sound = np.concatenate([*sounds, quiet])
        sound = sound + self._rng.normal(0.0, 25.0, len(sound))
        whole = len(sound) // FRAME_SAMPLES * FRAME_SAMPLES
        before = len(self.taken)
        for frame in sound[:whole].astype(np.int16).reshape(-1, FRAME_SAMPLES):
            self.session.hear(frame)
        return self.taken[before:]

    def hear_out(self) -> None:
        while self.session.mouth.speaking:
            self.hear(quiet_s=FRAME_SAMPLES / RATE_HZ)

    def played(self, sound: Samples) -> bool:
        return any(part.samples is sound for part in self.player.timeline)


def test_only_what_begins_with_the_word_is_heard_and_chatter_has_no_answer(
    tmp_path: Path,
) -> None:
    room = Sitting(tmp_path / "case", Listen.ATTENTION)
    room.session.greet()
    assert any(f"Say {WORD} first." in line for line in room.lines)
    room.session.mouth.hush()
    room.hear()
    shown = len(room.lines)
    for chatter in ("tooth one one", "could you move the light a little to the left"):
        assert room.hear(dictate(chatter, VOICE)) == []
    assert len(room.lines) == shown
    assert not room.session.mouth.speaking
    assert not room.played(chimes.not_understood())
    (tooth,) = room.hear(dictate(f"{WORD} tooth one one", VOICE))
    assert isinstance(tooth, it.Given) and tooth.value == 11


def test_the_word_with_something_else_after_it_is_asked_about(tmp_path: Path) -> None:
    room = Sitting(tmp_path / "case", Listen.ATTENTION)
    taken = room.hear(dictate(f"{WORD} the weather was lovely on sunday", VOICE))
    (intent,) = taken
    if isinstance(intent, it.Unclear):
        assert room.played(chimes.not_understood())
    else:  # a guess, and asked about as one
        assert intent.heard.doubt is not None


def test_typed_lines_need_no_word(tmp_path: Path) -> None:
    room = Sitting(tmp_path / "case", Listen.ATTENTION)
    room.session.read("tooth 11")
    assert room.session.case.state.tooth == 11


def test_a_tap_hushes_and_takes_the_next_utterance_only(tmp_path: Path) -> None:
    room = Sitting(tmp_path / "case", Listen.PEDAL)
    said = dictate("tooth one one", VOICE)
    room.session.greet()
    assert any("Tap to speak." in line for line in room.lines)
    assert room.session.mouth.talking
    room.session.read("\n")
    assert not room.session.mouth.talking
    assert room.played(chimes.listening())
    (tooth,) = (i for i in room.hear(said) if i.heard.channel == "voice")  # at once
    assert isinstance(tooth, it.Given) and tooth.value == 11
    room.hear_out()
    assert [i for i in room.hear(dictate("single", VOICE)) if i.heard.channel == "voice"] == []
    assert not room.played(chimes.not_listening())


def test_a_tap_that_is_not_used_says_so(tmp_path: Path) -> None:
    room = Sitting(tmp_path / "case", Listen.PEDAL)
    room.session.tap()
    room.hear(quiet_s=TAP_S)
    assert not room.played(chimes.not_listening())
    assert room.hear(quiet_s=1.0) == []
    assert room.played(chimes.not_listening())


@pytest.mark.parametrize("listen", [Listen.ATTENTION, Listen.PEDAL])
def test_stop_needs_neither_word_nor_tap(tmp_path: Path, listen: Listen) -> None:
    room = Sitting(tmp_path / "case", listen)
    room.session.take(it.Command(verb="what_can_i_say", heard=it.Heard(channel="key")))
    assert room.session.mouth.talking
    room.hear(np.zeros(RATE_HZ // 2, np.int16), dictate("stop", "flite:rms"))
    assert not room.session.mouth.talking
    assert any(entry.fate == "cut" for entry in room.session.mouth.spoken)
